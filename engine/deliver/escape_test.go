package deliver

import (
	"encoding/json"
	"html"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A name that pings everybody and shows a link in a tool that reads markup. Only what a message says is
// escaped: the template's own signs and the ids of messages stay.
func TestMarkupInNames(t *testing.T) {
	const name = `<!all> <https://evil.example|click> *bold* & "co"`
	d := message("chat", "umberhithe-1-1", 1)
	d.Data = json.RawMessage(must(json.Marshal(map[string]any{"alert": map[string]any{"say": name, "price": 9.5}})))
	for escape, want := range map[string]string{
		"":                       name + " _" + name + "_",
		`, "escape": "angle"`:    `&lt;!all&gt; &lt;https://evil.example|click&gt; *bold* &amp; "co"`,
		`, "escape": "html"`:     `&lt;!all&gt; &lt;https://evil.example|click&gt; *bold* &amp; &#34;co&#34;`,
		`, "escape": "markdown"`: `\<\!all\> \<https\:\/\/evil\.example\|click\> \*bold\* \& \"co\"`,
	} {
		got, err := ParseChannels([]byte(`[{"name": "chat", "url": "https://a.example", "format": "template"` + escape +
			`, "template": {"whole": "{data.alert.say}", "part": "_{data.alert.say}_", "n": "{data.alert.price}", "id": "{id}"}}]`))
		require.NoError(t, err)
		body, _, err := got[0].Render("umberhithe", &d)
		require.NoError(t, err)
		var m map[string]any
		require.NoError(t, json.Unmarshal(body, &m))
		want, _, _ = strings.Cut(want, " _")
		require.Equal(t, map[string]any{"whole": want, "part": "_" + want + "_", "n": 9.5, "id": d.ID}, m)
		again, err := EncodeChannels(got)
		require.NoError(t, err)
		require.Equal(t, escape != "", strings.Contains(string(again), `"escape"`))
	}
	for escape, want := range map[string]string{
		`"format": "template", "template": {}, "escape": "htm"`: `[0].escape: there is no escape "htm"; did you mean "html"?`,
		`"escape": "html", "secrets": ["` + testSecret + `"]`:   `[0].escape: is not used by the format "webhook"`,
	} {
		_, err := ParseChannels([]byte(`[{"name": "chat", "url": "https://a.example", ` + escape + `}]`))
		require.ErrorContains(t, err, want)
	}
}

// Against what reads it: html.UnescapeString, and the rule of CommonMark 0.31, section 2.4, that any
// ASCII punctuation character may be escaped with a backslash and then is a literal character.
func TestEscapedTextReadsAsItWas(t *testing.T) {
	unescape := regexp.MustCompile("\\\\([!-/:-@\\[-`{-~])")
	bare := regexp.MustCompile("(^|[^\\\\])(\\\\\\\\)*[!-/:-@\\[\\]-`{-~]")
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOf(rapid.RuneFrom([]rune("ab \\<>&*_`[]()!#\"'é|~"))).Draw(t, "text")
		require.Equal(t, s, html.UnescapeString(EscapeHTML.text(s)))
		require.Equal(t, s, html.UnescapeString(EscapeAngle.text(s)))
		require.NotContains(t, EscapeAngle.text(s), "<")
		require.Equal(t, s, unescape.ReplaceAllString(EscapeMarkdown.text(s), "$1"))
		require.False(t, bare.MatchString(EscapeMarkdown.text(s)), EscapeMarkdown.text(s))
	})
}
