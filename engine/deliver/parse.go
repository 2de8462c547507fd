package deliver

import (
	"fmt"
	"time"

	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Limits on what ParseChannels accepts.
const (
	MaxChannelsBytes = 1 << 20 // of the document
	MaxChannels      = 256
	MaxHeaders       = 32
	MaxValues        = 32
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

// ParseChannels reads a document of channels: {"channels": [...]}, or the bare list. The error, if
// any, is of type doc.Errors and holds no secret and no line of the document. It is for documents
// that are stored: that a template asks for what no message has is no error.
func ParseChannels(src []byte) ([]Channel, error) { return parseChannels(src, parser{}) }

// ParseChannelsKeeping is ParseChannels for a document that was given out redacted, changed by a
// person and sent back: where it has a mask, it keeps what the channel of that name has in
// previous. The value of a header and the hidden part of a URL are kept only if the host is still
// the same, so that nobody can have them sent elsewhere without knowing them.
func ParseChannelsKeeping(src []byte, previous []Channel) ([]Channel, error) {
	return parseChannels(src, parser{previous: previous, strict: true})
}

// ParseChannelKeeping is ParseChannelsKeeping for a document that is one channel.
func ParseChannelKeeping(src []byte, previous []Channel) (c Channel, err error) {
	p := parser{previous: previous, strict: true}
	err = p.parse(src, "channel", func(root *doc.Node) { c = p.channel(root) })
	return c, err
}

func parseChannels(src []byte, p parser) (channels []Channel, err error) {
	err = p.parse(src, "channels", func(root *doc.Node) { channels = p.document(root) })
	return channels, err
}

// parse opens a document and has its root read, unless it can't be opened.
func (p *parser) parse(src []byte, what string, read func(root *doc.Node)) error {
	d, problem := doc.JSON(src, MaxChannelsBytes)
	p.Report = doc.NewReport("", maxProblems, d, nil)
	p.Private = true
	if problem != nil {
		p.Add(*problem)
	}
	if d.Root != nil {
		read(d.Root)
	}
	if err := p.Err(); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// parser reads one document of channels.
type parser struct {
	*doc.Report
	previous []Channel
	strict   bool // names in templates are checked
}

func (p *parser) document(root *doc.Node) []Channel {
	list := root
	if root.Kind != doc.Sequence {
		f, ok := p.Object(root, "channels")
		if list = f.Get("channels"); list == nil {
			if ok && p.Len() == 0 { // else the name is misspelt, which was said
				f.Problem("channels", `write {"channels": [...]}`, "is missing")
			}
			return nil
		}
	}
	values := p.ListOf(list, MaxChannels)
	channels := make([]Channel, len(values))
	seen, about := map[string]int{}, 0
	for i, v := range values {
		c := p.channel(v)
		if c.AboutChannels {
			if about++; about == MaxAboutChannels+1 {
				p.About(v.Get("about_channels"), "leave it out here", "is true for more than %d channels", MaxAboutChannels)
			}
		}
		if first, twice := seen[c.Name]; twice && c.Name != "" {
			p.About(v.Get("name"), "give each channel a name of its own", "%q is the name of %s too", c.Name, p.PathOf(values[first]))
		} else {
			seen[c.Name] = i
		}
		channels[i] = c
	}
	return channels
}

func (p *parser) channel(n *doc.Node) Channel {
	var c Channel
	o, ok := p.Object(n, "name", "url", "format", "template", "secrets", "headers", "values", "escape", "timeout", "types",
		"max_in_flight", "per_second", "disabled", "about_channels")
	if !ok {
		return c
	}
	f := fields{o}
	name, _ := f.text("name", true)
	if name != "" && !validName(name) {
		f.Problem("name", "use 1 to 64 characters of a-z, 0-9 and '-'", "%q can't be a channel's name", doc.Clip(name))
	} else {
		c.Name = name
	}
	var old *Channel
	for i := range p.previous {
		if p.previous[i].Name == c.Name && c.Name != "" {
			old = &p.previous[i]
		}
	}
	c.Format = FormatWebhook
	if f.Get("format") != nil {
		c.Format = Format(f.OneOf("format", false, formats))
	}
	c.URL = f.url(old)
	c.Secrets = f.secrets(old)
	c.Headers = f.headers(old, c.URL)
	c.Values = f.values(old, c.URL)
	if f.Get("escape") != nil {
		c.Escape = Escape(f.OneOf("escape", false, escapes))
		if c.Format != FormatTemplate {
			f.Problem("escape", `set "format": "template", or leave it out`, "is not used by the format %q", c.Format)
		}
	}
	c.Timeout = hours.Member(o, "timeout", time.Second, maxTimeout, 0)
	c.Types = f.types()
	c.MaxInFlight = f.Whole("max_in_flight", 1, maxInFlight, 0)
	c.PerSecond = f.Number("per_second", 0.01, maxPerSecond, 0, "")
	c.Disabled = f.Flag("disabled")
	c.AboutChannels = f.Flag("about_channels")

	switch source := f.Get("template"); {
	case c.Format == FormatTemplate && source == nil:
		f.Problem("template", `write the JSON that the receiver wants, for example {"text": "{data.alert.say}"}`,
			"is missing, and the format is %q", c.Format)
	case source != nil && c.Format != FormatTemplate && c.Format != "":
		f.Problem("template", `set "format": "template", or leave the template out`, "is not used by the format %q", c.Format)
	case source != nil:
		c.template = p.template(source, &c)
	}
	if len(c.Secrets) == 0 && f.Get("secrets") == nil && (c.Format == FormatWebhook || c.Format == FormatCloudEvents) {
		f.Problem("secrets", secretHint+`, and give it to the receiver too`, "is missing: the receiver can't tell our messages from others")
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
