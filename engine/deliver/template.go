package deliver

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/valyala/fastjson"

	"lintel/engine/event"
	"lintel/engine/faults"
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

// roots are what a placeholder can start with.
var roots = []string{"id", "type", "timestamp", "site", "channel", "alert", "order", "data"}

// template compiles v; what is wrong is added to the problems.
func (p *parser) template(path string, v *fastjson.Value) *template {
	t := &template{source: v.MarshalTo(nil)}
	if len(t.source) > MaxTemplateBytes {
		p.add(path, "", "is %d bytes long; at most %d are allowed", len(t.source), MaxTemplateBytes)
		return nil
	}
	// fastjson writes control characters in a way that is not JSON, so the source is written again from what it read.
	before := len(p.errs)
	b := templateBuilder{p: p}
	b.value(path, v, 0)
	b.flush()
	t.source, t.pieces = b.source, b.pieces
	if b.placeholders > maxPlaceholders {
		p.add(path, "", "has %d placeholders; at most %d are allowed", b.placeholders, maxPlaceholders)
	}
	if len(p.errs) > before {
		return nil
	}
	d := Sample("sample")
	body, err := t.render(nil, "quayside", &d)
	switch {
	case err != nil:
		p.add(path, "", "can't be filled in: %v", err)
	case !json.Valid(body):
		p.add(path, "", "does not give JSON")
	}
	return t
}

type templateBuilder struct {
	p            *parser
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

func (b *templateBuilder) value(at string, v *fastjson.Value, depth int) {
	if depth > maxTemplateDepth {
		b.p.add(at, "", "is nested more than %d deep", maxTemplateDepth)
		return
	}
	switch v.Type() {
	case fastjson.TypeObject:
		o := v.GetObject()
		b.lit('{')
		seen, n := map[string]bool{}, 0
		o.Visit(func(key []byte, v *fastjson.Value) {
			name := string(key)
			if seen[name] {
				b.p.add(at+"."+clip(name), "keep one of them", "stands twice")
			}
			seen[name] = true
			if n++; n > 1 {
				b.lit(',')
			}
			b.lit(quote(name)...)
			b.lit(':')
			b.value(at+"."+clip(name), v, depth+1)
		})
		b.lit('}')
	case fastjson.TypeArray:
		b.lit('[')
		for i, v := range v.GetArray() {
			if i > 0 {
				b.lit(',')
			}
			b.value(fmt.Sprintf("%s[%d]", at, i), v, depth+1)
		}
		b.lit(']')
	case fastjson.TypeString:
		s := string(v.GetStringBytes())
		b.source = append(b.source, quote(s)...)
		b.text(at, s)
	default:
		b.lit(v.MarshalTo(nil)...)
	}
}

// text compiles a text with its placeholders.
func (b *templateBuilder) text(at, s string) {
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
			b.p.add(at, how, "has a closing brace at character %d that closes nothing", i+1)
			return
		case s[i] == '{':
			end := strings.IndexByte(s[i:], '}')
			if end < 0 {
				b.p.add(at, how, "has an opening brace at character %d that is not closed", i+1)
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

func (b *templateBuilder) path(at, s string) ([]string, bool) {
	path := strings.Split(s, ".")
	for _, part := range path {
		if part == "" || strings.Trim(part, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") != "" {
			b.p.add(at, "write a path like {data.alert.say}; a brace that is meant as text is written twice: {{ or }}",
				"the placeholder {%s} is not a path", clip(s))
			return nil, false
		}
	}
	if !slices.Contains(roots, path[0]) {
		hint := "a placeholder starts with one of " + strings.Join(roots, ", ")
		if near := faults.Nearest(path[0], roots); near != "" {
			hint = fmt.Sprintf("did you mean {%s}?", strings.Join(append([]string{near}, path[1:]...), "."))
		}
		b.p.add(at, hint, "there is no %q to fill in", clip(path[0]))
		return nil, false
	}
	if path[0] != "data" && len(path) > 1 {
		b.p.add(at, fmt.Sprintf("write {%s}", path[0]), "{%s}: %s has no parts", clip(s), path[0])
		return nil, false
	}
	if len(path) > maxPathParts {
		b.p.add(at, "", "the placeholder {%s} has more than %d parts", clip(s), maxPathParts)
		return nil, false
	}
	return path, true
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
func (t *template) render(b []byte, site string, d *event.Delivery) ([]byte, error) {
	var data any
	if len(d.Data) > 0 {
		decoder := json.NewDecoder(bytes.NewReader(d.Data))
		decoder.UseNumber() // a number stays as it is written
		if err := decoder.Decode(&data); err != nil || !json.Valid(d.Data) {
			return nil, errData
		}
	}
	for i := range t.pieces {
		p := &t.pieces[i]
		if p.path == nil {
			b = append(b, p.json...)
		} else {
			b = p.fill(b, site, d, data)
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

// fill appends what the placeholder stands for. What is not there is null as a whole value and nothing within a text.
func (p *piece) fill(b []byte, site string, d *event.Delivery, data any) []byte {
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
			path = path[1:] // a notice has no alert; it says and weighs what it tells by itself, so that the templates of chat tools do for it too
		}
		v = lookup(data, path)
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

// lookup follows names into objects and numbers into lists.
func lookup(v any, path []string) any {
	for _, part := range path {
		switch container := v.(type) {
		case map[string]any:
			v = container[part]
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
