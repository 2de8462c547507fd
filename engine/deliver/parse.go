package deliver

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/valyala/fastjson"

	"lintel/engine/layout"
)

// Limits on what ParseChannels accepts.
const (
	MaxChannelsBytes = 1 << 20 // of the document
	MaxChannels      = 256
	MaxHeaders       = 32
	MaxTypes         = 64
	MaxSecrets       = 2 // the new one, and the one that it replaces
	MaxAboutChannels = 8 // channels that are told about others

	maxURLBytes    = 2048
	maxHeaderBytes = 4096 // of one value
	maxTimeout     = time.Minute
	maxInFlight    = 64
	maxPerSecond   = 1000
	maxProblems    = 100
)

// Errors is what ParseChannels returns for a bad document: every problem, in the order of the document.
type Errors []layout.Problem

// Error returns one line for each problem.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, p := range e {
		lines[i] = p.String()
	}
	return "channels: " + strings.Join(lines, "\n\t")
}

// ParseChannels reads a document of channels: {"channels": [...]}, or the bare list. The error, if any, is of type Errors and holds no secret.
func ParseChannels(src []byte) ([]Channel, error) { return ParseChannelsKeeping(src, nil) }

// ParseChannelsKeeping is ParseChannels for a document that was given out redacted, changed by a person and sent back: where it has a
// mask, it keeps what the channel of that name has in previous. The value of a header and the hidden part of a URL are kept only if the
// host is still the same, so that nobody can have them sent elsewhere without knowing them.
func ParseChannelsKeeping(src []byte, previous []Channel) ([]Channel, error) {
	p := parser{previous: previous}
	channels := p.document(src)
	if len(p.errs) > 0 {
		if p.more > 0 {
			p.add("", "mend these first", "%d more problems are not shown", p.more)
		}
		return nil, p.errs
	}
	return channels, nil
}

// parser collects what is wrong and goes on, so that one reading finds everything.
type parser struct {
	previous []Channel
	errs     Errors
	more     int
}

func (p *parser) add(path, hint, reason string, args ...any) {
	if len(p.errs) >= maxProblems && path != "" {
		p.more++
		return
	}
	p.errs = append(p.errs, layout.Problem{Path: path, Reason: fmt.Sprintf(reason, args...), Hint: hint})
}

func (p *parser) document(src []byte) []Channel {
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	if len(src) > MaxChannelsBytes {
		p.add("", "", "the document is %d bytes long; at most %d are allowed", len(src), MaxChannelsBytes)
		return nil
	}
	if !utf8.Valid(src) {
		p.add("", "save it as UTF-8", "the text is not UTF-8")
		return nil
	}
	// The standard library decides what is JSON, since it is strict and knows where the text goes wrong; fastjson then keeps what a map would
	// lose: the order of members and those that stand twice.
	var syntax *json.SyntaxError
	if err := json.Unmarshal(src, new(json.RawMessage)); errors.As(err, &syntax) {
		before := src[:max(0, min(len(src), int(syntax.Offset)-1))]
		start := bytes.LastIndexByte(before, '\n') + 1
		p.add("", "", "line %d, column %d: not JSON: %s", bytes.Count(before, []byte{'\n'})+1, utf8.RuneCount(before[start:])+1, syntax)
		return nil
	}
	root, err := fastjson.ParseBytes(src)
	if err != nil {
		p.add("", "nest it less deeply", "the text can't be read as JSON")
		return nil
	}
	path, list := "", root
	if root.Type() != fastjson.TypeArray {
		f := p.object("", root, "channels")
		path, list = "channels", f.values["channels"]
		if list == nil {
			if len(p.errs) == 0 { // else the name is misspelt, which was said
				p.add("channels", `write {"channels": [...]}`, "is missing")
			}
			return nil
		}
	}
	values, err := list.Array()
	if err != nil {
		p.add(path, "write it in brackets: [ ... ]", "is %s where a list is expected", kind(list))
		return nil
	}
	if len(values) > MaxChannels {
		p.add(path, "", "has %d channels; at most %d are allowed", len(values), MaxChannels)
		return nil
	}
	channels := make([]Channel, len(values))
	seen, about := map[string]int{}, 0
	for i, v := range values {
		at := fmt.Sprintf("%s[%d]", path, i)
		c := p.channel(at, v)
		if c.AboutChannels {
			if about++; about == MaxAboutChannels+1 {
				p.add(at+".about_channels", "leave it out here", "is true for more than %d channels", MaxAboutChannels)
			}
		}
		if first, twice := seen[c.Name]; twice && c.Name != "" {
			p.add(at+".name", "give each channel a name of its own", "%q is the name of %s[%d] too", c.Name, path, first)
		} else {
			seen[c.Name] = i
		}
		channels[i] = c
	}
	return channels
}

func (p *parser) channel(path string, v *fastjson.Value) Channel {
	f := p.object(path, v, "name", "url", "format", "template", "secrets", "headers", "timeout", "types", "max_in_flight", "per_second", "disabled", "about_channels")
	var c Channel
	if v.Type() != fastjson.TypeObject {
		return c
	}
	name, _ := f.text("name", true)
	if name != "" && !validName(name) {
		f.add("name", "use 1 to 64 characters of a-z, 0-9 and '-'", "%q can't be a channel's name", clip(name))
	} else {
		c.Name = name
	}
	var old *Channel
	for i := range p.previous {
		if p.previous[i].Name == c.Name && c.Name != "" {
			old = &p.previous[i]
		}
	}
	c.Format = f.format()
	c.URL = f.url(old)
	c.Secrets = f.secrets(old)
	c.Headers = f.headers(old, c.URL)
	c.Timeout = f.duration("timeout", time.Second, maxTimeout)
	c.Types = f.types()
	c.MaxInFlight = int(f.number("max_in_flight", 1, maxInFlight, true))
	c.PerSecond = f.number("per_second", 0.01, maxPerSecond, false)
	c.Disabled = f.flag("disabled")
	c.AboutChannels = f.flag("about_channels")

	switch source := f.values["template"]; {
	case c.Format == FormatTemplate && source == nil:
		f.add("template", `write the JSON that the receiver wants, for example {"text": "{data.alert.say}"}`, "is missing, and the format is %q", c.Format)
	case source != nil && c.Format != FormatTemplate && c.Format != "":
		f.add("template", `set "format": "template", or leave the template out`, "is not used by the format %q", c.Format)
	case source != nil:
		c.template = p.template(path+".template", source)
	}
	if len(c.Secrets) == 0 && f.values["secrets"] == nil && (c.Format == FormatWebhook || c.Format == FormatCloudEvents) {
		f.add("secrets", secretHint+`, and give it to the receiver too`, "is missing: the receiver can't tell our messages from others")
	}
	return c
}

func validName(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}
