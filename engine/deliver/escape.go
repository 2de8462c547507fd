package deliver

import (
	"html"
	"strings"
)

// Escape says how a channel's template writes the texts of a message. Names of products and zones come
// from whoever keeps those lists; a receiver that reads markup would take their signs for its own, and
// could be made to ping everybody or to show a link.
type Escape string

// The ways to escape.
const (
	EscapeNone     Escape = ""
	EscapeAngle    Escape = "angle"    // &, < and > as entities: chat tools whose control sequences are in angle brackets
	EscapeHTML     Escape = "html"     // those and quotes as entities
	EscapeMarkdown Escape = "markdown" // a backslash before each punctuation character, as CommonMark 0.31, section 2.4, has it
)

var escapes = []string{string(EscapeAngle), string(EscapeHTML), string(EscapeMarkdown)}

var (
	angles   = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")
	markdown = func() *strings.Replacer {
		var pairs []string
		for _, c := range "!\"#$%&'()*+,-./:;<=>?@[\\]^_`{|}~" {
			pairs = append(pairs, string(c), `\`+string(c))
		}
		return strings.NewReplacer(pairs...)
	}()
)

func (e Escape) text(s string) string {
	switch e {
	case EscapeAngle:
		return angles.Replace(s)
	case EscapeHTML:
		return html.EscapeString(s)
	case EscapeMarkdown:
		return markdown.Replace(s)
	}
	return s
}
