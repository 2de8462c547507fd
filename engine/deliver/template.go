package deliver

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// Limits on templates and on what comes of them.
const (
	MaxTemplateBytes = 64 << 10
	MaxBodyBytes     = 256 << 10 // of any body that is sent

	maxTemplateDepth = 32
	maxPlaceholders  = 500
	maxPathParts     = 16
)

// template is a channel's body, taken apart: pieces of finished JSON with placeholders between.
type template struct {
	source json.RawMessage
	pieces []piece
}

// piece is finished JSON, or a placeholder.
type piece struct {
	json []byte
	path []string // of a placeholder
	raw  bool     // the placeholder is a whole value and keeps its type; else it is a part of a text
}

// fills is what a template is filled in with.
type fills struct {
	site   string
	d      *event.Delivery
	values map[string]string
	escape Escape // of texts of data
	data   any
}

// roots are what a placeholder can start with.
var roots = []string{"id", "type", "timestamp", "site", "channel", "alert", "order", "data", "values"}

// template compiles a channel's template; what is wrong is reported.
func (p *parser) template(n *doc.Node, c *Channel) *template {
	before := p.Len()
	b := templateBuilder{p: p, channel: c}
	b.value(n, 0)
	b.flush()
	t := &template{source: b.source, pieces: b.pieces}
	if len(t.source) > MaxTemplateBytes {
		p.About(n, "", "is %d bytes long; at most %d are allowed", len(t.source), MaxTemplateBytes)
	}
	if b.placeholders > maxPlaceholders {
		p.About(n, "", "has %d placeholders; at most %d are allowed", b.placeholders, maxPlaceholders)
	}
	if p.Len() > before {
		return nil
	}
	d := Sample("sample")
	body, err := t.render(nil, fills{site: "umberhithe", d: &d, values: c.Values})
	switch {
	case err != nil:
		p.About(n, "", "can't be filled in: %v", err)
	case !json.Valid(body):
		p.About(n, "", "does not give JSON")
	}
	return t
}

type templateBuilder struct {
	p            *parser
	channel      *Channel
	source       []byte
	pieces       []piece
	open         []byte // finished JSON that is not yet a piece
	placeholders int
}

func (b *templateBuilder) lit(s ...byte) {
	b.source = append(b.source, s...)
	b.open = append(b.open, s...)
}

func (b *templateBuilder) flush() {
	if len(b.open) > 0 {
		b.pieces = append(b.pieces, piece{json: b.open})
		b.open = nil
	}
}

func (b *templateBuilder) placeholder(path []string, raw bool) {
	b.flush()
	b.pieces = append(b.pieces, piece{path: path, raw: raw})
	b.placeholders++
}

func (b *templateBuilder) value(n *doc.Node, depth int) {
	if depth > maxTemplateDepth {
		b.p.About(n, "", "is nested more than %d deep", maxTemplateDepth)
		return
	}
	switch {
	case n.Kind == doc.Mapping:
		b.lit('{')
		seen := map[string]bool{}
		for i, f := range n.Fields {
			name := f.Key.Text
			if seen[name] {
				b.p.About(f.Key, "keep one of them", "stands twice")
			}
			seen[name] = true
			if i > 0 {
				b.lit(',')
			}
			b.lit(quote(name)...)
			b.lit(':')
			b.value(f.Value, depth+1)
		}
		b.lit('}')
	case n.Kind == doc.Sequence:
		b.lit('[')
		for i, item := range n.Items {
			if i > 0 {
				b.lit(',')
			}
			b.value(item, depth+1)
		}
		b.lit(']')
	case n.IsText():
		b.source = append(b.source, quote(n.Text)...)
		b.text(n, n.Text)
	case n.Kind == doc.Empty:
		b.lit([]byte("null")...)
	default:
		b.lit([]byte(n.Text)...)
	}
}

// text compiles a text with its placeholders.
func (b *templateBuilder) text(at *doc.Node, s string) {
	const how = "a brace that is meant as text is written twice: {{ or }}"
	type part struct {
		text string
		path []string
	}
	var parts []part
	var lit strings.Builder
	for i := 0; i < len(s); i++ {
		switch {
		case (s[i] == '{' || s[i] == '}') && i+1 < len(s) && s[i+1] == s[i]:
			lit.WriteByte(s[i])
			i++
		case s[i] == '}':
			b.p.About(at, how, "has a closing brace at character %d that closes nothing", i+1)
			return
		case s[i] == '{':
			end := strings.IndexByte(s[i:], '}')
			if end < 0 {
				b.p.About(at, how, "has an opening brace at character %d that is not closed", i+1)
				return
			}
			path, ok := b.path(at, s[i+1:i+end])
			if !ok {
				return
			}
			if lit.Len() > 0 {
				parts = append(parts, part{text: lit.String()})
				lit.Reset()
			}
			parts = append(parts, part{path: path})
			i += end
		default:
			lit.WriteByte(s[i])
		}
	}
	if lit.Len() > 0 {
		parts = append(parts, part{text: lit.String()})
	}
	if len(parts) == 1 && parts[0].path != nil {
		b.placeholder(parts[0].path, true)
		return
	}
	b.open = append(b.open, '"')
	for _, part := range parts {
		if part.path != nil {
			b.placeholder(part.path, false)
			continue
		}
		q := quote(part.text)
		b.open = append(b.open, q[1:len(q)-1]...)
	}
	b.open = append(b.open, '"')
}

func (b *templateBuilder) path(at *doc.Node, s string) ([]string, bool) {
	path := strings.Split(s, ".")
	for _, part := range path {
		if !validPart(part) {
			b.p.About(at, "write a path like {data.alert.say}; a brace that is meant as text is written twice: {{ or }}",
				"the placeholder {%s} is not a path", doc.Clip(s))
			return nil, false
		}
	}
	if !slices.Contains(roots, path[0]) {
		hint := "a placeholder starts with one of " + strings.Join(roots, ", ")
		if near := doc.Nearest(path[0], roots); near != "" {
			hint = fmt.Sprintf("did you mean {%s}?", strings.Join(append([]string{near}, path[1:]...), "."))
		}
		b.p.About(at, hint, "there is no %q to fill in", doc.Clip(path[0]))
		return nil, false
	}
	switch {
	case path[0] == "values":
		return path, b.hasValue(at, path)
	case path[0] == "data" && b.p.strict && !b.known(at, path):
		return nil, false
	case path[0] != "data" && len(path) > 1:
		b.p.About(at, fmt.Sprintf("write {%s}", path[0]), "{%s}: %s has no parts", doc.Clip(s), path[0])
		return nil, false
	}
	if len(path) > maxPathParts {
		b.p.About(at, "", "the placeholder {%s} has more than %d parts", doc.Clip(s), maxPathParts)
		return nil, false
	}
	return path, true
}

func validPart(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") == ""
}

// hasValue checks a placeholder that names one of the channel's values.
func (b *templateBuilder) hasValue(at *doc.Node, path []string) bool {
	if len(path) == 2 {
		if _, ok := b.channel.Values[path[1]]; ok {
			return true
		}
	}
	hint := `write {values.NAME}, and the value into the channel: "values": {"NAME": "..."}`
	if near := doc.Nearest(strings.Join(path[1:], "."), slices.Sorted(maps.Keys(b.channel.Values))); near != "" {
		hint = fmt.Sprintf("did you mean {values.%s}?", near)
	}
	b.p.About(at, hint, "the channel has no value {%s}", doc.Clip(strings.Join(path, ".")))
	return false
}

// known checks a placeholder against what messages have. Channels that are notified about others get
// messages of another form too.
func (b *templateBuilder) known(at *doc.Node, path []string) bool {
	shapes := []reflect.Type{reflect.TypeFor[event.Message]()}
	if b.channel.AboutChannels {
		shapes = append(shapes, reflect.TypeFor[NoticeData]())
	}
	var fault string
	var hints []string
	for _, t := range shapes {
		wrong, near, ok := follow(t, path[1:])
		if ok {
			return true
		}
		if fault == "" {
			fault = wrong
		}
		hints = append(hints, near...)
	}
	if _, _, ok := follow(shapes[0], append([]string{"alert"}, path[1:]...)); ok {
		hints = []string{"alert." + strings.Join(path[1:], ".")} // a part is missing, which is more likely than a slip
	}
	hint := "see the messages in the page about webhooks"
	if len(hints) > 0 {
		hint = fmt.Sprintf("did you mean {data.%s}?", hints[0])
	}
	b.p.About(at, hint, "{%s}: a message has no %q there", doc.Clip(strings.Join(path, ".")), doc.Clip(fault))
	return false
}

// follow finds a path in the JSON of a type. If it is not there, it returns the part that is wrong,
// and paths that are like it.
func follow(t reflect.Type, path []string) (wrong string, near []string, ok bool) {
	for i, part := range path {
		for t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		switch {
		case t == reflect.TypeFor[json.RawMessage](), t.Kind() == reflect.Map, t.Kind() == reflect.Interface:
			return "", nil, true // anything may be there
		case t.Kind() == reflect.Slice:
			if _, err := strconv.ParseUint(part, 10, 16); err != nil {
				return part, nil, false
			}
			t = t.Elem()
			continue
		case t.Kind() != reflect.Struct || t == reflect.TypeFor[time.Time]():
			return part, nil, false
		}
		var names []string
		found := false
		for _, f := range reflect.VisibleFields(t) {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if names = append(names, name); name == part {
				t, found = f.Type, true
				break
			}
		}
		if !found {
			if n := doc.Nearest(part, names); n != "" {
				near = []string{strings.Join(append(slices.Clone(path[:i]), n), ".")}
			}
			return part, near, false
		}
	}
	return "", nil, true
}

// quote writes s as a JSON string.
func quote(s string) []byte {
	var buf bytes.Buffer
	e := json.NewEncoder(&buf)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic(fmt.Sprintf("deliver: a string that does not marshal: %v", err)) // every string does
	}
	return bytes.TrimSuffix(buf.Bytes(), []byte("\n"))
}

// render appends the body.
func (t *template) render(b []byte, with fills) ([]byte, error) {
	if data := with.d.Data; len(data) > 0 {
		decoder := json.NewDecoder(bytes.NewReader(data))
		decoder.UseNumber() // a number stays as it is written
		if err := decoder.Decode(&with.data); err != nil || !json.Valid(data) {
			return nil, errData
		}
	}
	for i := range t.pieces {
		p := &t.pieces[i]
		if p.path == nil {
			b = append(b, p.json...)
		} else {
			b = p.fill(b, &with)
		}
		if len(b) > MaxBodyBytes {
			return nil, tooLarge(len(b))
		}
	}
	return b, nil
}

var errData = errors.New("the message's data are not JSON")

func tooLarge(n int) error {
	return fmt.Errorf("the body has more than %d bytes (%d)", MaxBodyBytes, n)
}

// fill appends what the placeholder stands for. What is not there is null as a whole value and
// nothing within a text.
func (p *piece) fill(b []byte, with *fills) []byte {
	site, d := with.site, with.d
	var v any
	switch p.path[0] {
	case "id":
		v = d.ID
	case "type":
		v = d.Type
	case "timestamp":
		v = timestamp(d.At)
	case "site":
		if site != Notices {
			v = site
		}
	case "channel":
		v = d.Channel
	case "alert":
		if site != Notices {
			v = d.Alert
		}
	case "order":
		v = json.Number(strconv.Itoa(d.Order))
	case "data":
		path := p.path[1:]
		if site == Notices && len(path) > 1 && path[0] == "alert" {
			// a notice has no alert; it says and weighs what it tells by itself, so that the
			// templates of chat tools do for it too
			path = path[1:]
		}
		v = lookup(with.data, path)
		if text, ok := v.(string); ok {
			v = with.escape.text(text)
		}
	case "values":
		v = with.values[p.path[1]]
	}
	if p.raw {
		return append(b, marshal(v)...)
	}
	switch v := v.(type) {
	case nil:
		return b
	case string:
		q := quote(v)
		return append(b, q[1:len(q)-1]...)
	default:
		q := quote(string(marshal(v)))
		return append(b, q[1:len(q)-1]...)
	}
}

// former are members that messages no longer have, with those that hold the same now: templates that
// were stored still name them.
var former = map[string][]string{"rule_digest": {"rule_hash"}, "place": {"reader", "count"}, "mend": {"fix"}}

// lookup follows names into objects and numbers into lists.
func lookup(v any, path []string) any {
	for _, part := range path {
		switch container := v.(type) {
		case map[string]any:
			next, ok := container[part]
			for _, name := range former[part] {
				if !ok {
					next, ok = container[name]
				}
			}
			v = next
		case []any:
			i, err := strconv.Atoi(part)
			if err != nil || i < 0 || i >= len(container) {
				return nil
			}
			v = container[i]
		default:
			return nil
		}
	}
	return v
}

func marshal(v any) []byte {
	if s, ok := v.(string); ok {
		return quote(s)
	}
	var buf bytes.Buffer
	e := json.NewEncoder(&buf)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return []byte("null") // not reached: v came from JSON
	}
	return bytes.TrimSuffix(buf.Bytes(), []byte("\n"))
}

// timestamp writes a time as RFC 3339 has it, in UTC and with milliseconds.
func timestamp(ms int64) string {
	return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z07:00")
}
