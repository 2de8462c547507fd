package epcis

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/go-faster/jx"

	"lintel/rules/doc"
)

// Options bound what Parse takes. A zero value stands for the default.
type Options struct {
	MaxBytes      int  // of the document; default 10 MiB
	MaxDepth      int  // levels of nesting; default 64, at most 1000
	MaxEvents     int  // in one document; default 10,000
	MaxIdentities int  // EPCs in all events of one document; default 200,000
	Proceed       bool // leave out bad events and list them in Document.Refused, instead of refusing the document
}

func (o Options) withDefaults() Options {
	set := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	set(&o.MaxBytes, 10<<20)
	set(&o.MaxDepth, 64)
	set(&o.MaxEvents, 10_000)
	set(&o.MaxIdentities, 200_000)
	o.MaxDepth = min(o.MaxDepth, 1000)
	return o
}

// Parse reads a document, or a single event with its own @context. The error is of type Errors, or
// a *LimitError where the document is larger than the options allow. The document keeps no
// reference to src.
func Parse(src []byte, opt Options) (*Document, error) {
	opt = opt.withDefaults()
	if len(src) > opt.MaxBytes {
		return nil, &LimitError{"bytes", opt.MaxBytes}
	}
	switch levels, values := shape(src); {
	case levels > opt.MaxDepth:
		return nil, &LimitError{"levels of nesting", opt.MaxDepth}
	case values > maxValues:
		return nil, &LimitError{"values", maxValues}
	}
	if err := checkSyntax(src); err != nil {
		return nil, err
	}
	p := &parser{src: src, opt: opt, event: -1, doc: &Document{}}
	p.document(jx.DecodeBytes(src))
	if p.limit != nil {
		return nil, p.limit
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	return p.doc, nil
}

// maxValues bounds the values and members of a document, so that it is refused before anything is made
// of them: 10,000 events of 50 members with 200,000 identities have a third of it.
const maxValues = 2_000_000

// shape returns how deep the arrays and objects of src are nested at most, and how many values and
// members there are, valid JSON or not.
func shape(src []byte) (levels, values int) {
	level := 0
	for i := 0; i < len(src); i++ {
		switch src[i] {
		case '{', '[':
			level++
			levels = max(levels, level)
			values++
		case ',':
			values++
		case '}', ']':
			level--
		case '"':
			for i++; i < len(src) && src[i] != '"'; i++ {
				if src[i] == '\\' {
					i++
				}
			}
		}
	}
	return levels, values
}

// checkSyntax returns the first error of syntax, with line and column.
func checkSyntax(src []byte) error {
	whole := func(reason, hint string) error {
		return Errors{{Event: -1, Reason: reason, Hint: hint}}
	}
	if bytes.HasPrefix(src, []byte("\xef\xbb\xbf")) {
		return whole("the document begins with a byte order mark", "leave it out, JSON has none (RFC 8259, section 8.1)")
	}
	if !utf8.Valid(src) {
		return whole("the document is not valid UTF-8", "encode it as UTF-8")
	}
	err := jx.DecodeBytes(src).Validate()
	if err == nil {
		return nil
	}
	reason := "the document is not valid JSON"
	var raw json.RawMessage
	var syntax *json.SyntaxError
	if e := json.Unmarshal(src, &raw); errors.As(e, &syntax) {
		at := min(int(syntax.Offset), len(src))
		line := 1 + bytes.Count(src[:at], []byte("\n"))
		column := at - (bytes.LastIndexByte(src[:at], '\n') + 1)
		reason = fmt.Sprintf("%s: line %d, column %d: %s", reason, line, column, syntax.Error())
	}
	return whole(reason, "")
}

// parser reads valid JSON. Its path is a JSON pointer to where it is.
type parser struct {
	src   []byte
	opt   Options
	doc   *Document
	path  []byte
	event int // index of the event that is being read; -1: none
	list  Errors
	more  int // problems past maxProblems
	limit *LimitError
	ids   int // identities so far
	fault error
}

func (p *parser) err() error {
	switch {
	case p.fault != nil: // the syntax has been checked, so this can't be; but it may not pass as an empty document
		return Errors{{Event: -1, Pointer: string(p.path), Reason: "the document is not valid JSON: " + p.fault.Error()}}
	case len(p.list) == 0:
		return nil
	case p.more > 0:
		return append(p.list, Problem{Event: -1, Reason: fmt.Sprintf("%d more problems are not shown", p.more), Hint: "fix these first"})
	}
	return p.list
}

// add notes a problem with the member name of where the parser is; "": with the place itself.
func (p *parser) add(name, hint, reason string, args ...any) {
	if len(p.list) == maxProblems {
		p.more++
		return
	}
	pointer := string(p.path)
	if name != "" {
		pointer += "/" + escapePointer(name)
	}
	p.list = append(p.list, Problem{Pointer: pointer, Event: p.event, Reason: fmt.Sprintf(reason, args...), Hint: hint})
}

func escapePointer(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "~", "~0"), "/", "~1")
}

// enter goes into a member or an element, and returns how to come back.
func (p *parser) enter(name string) int {
	n := len(p.path)
	p.path = append(p.path, '/')
	if strings.ContainsAny(name, "~/") {
		name = escapePointer(name)
	}
	p.path = append(p.path, name...)
	return n
}

func (p *parser) enterIndex(i int) int {
	n := len(p.path)
	p.path = fmt.Appendf(append(p.path, '/'), "%d", i)
	return n
}

func (p *parser) leave(n int) { p.path = p.path[:n] }

// stop keeps a fault of the decoder, which makes every reader stop.
func (p *parser) stop(err error) bool {
	if err != nil && p.fault == nil {
		p.fault = err
	}
	return p.fault != nil || p.limit != nil
}

var errStop = errors.New("stopped")

// members calls fn for each member of an object; fn must read the value. It reports whether there
// is an object. The name is valid during the call only.
func (p *parser) members(d *jx.Decoder, fn func(d *jx.Decoder, name []byte)) bool {
	if d.Next() != jx.Object {
		p.wrongKind(d, "an object")
		return false
	}
	var small [32]string
	seen := small[:0]
	err := d.ObjBytes(func(d *jx.Decoder, key []byte) error {
		for _, s := range seen {
			if s == string(key) {
				p.add(string(key), "keep one of them", "the member is there twice")
				return d.Skip()
			}
		}
		name := intern(key)
		if len(seen) < 2000 { // far more than any event has; the size bound holds the rest
			seen = append(seen, name)
		}
		n := p.enter(name)
		fn(d, key)
		if p.stop(nil) {
			return errStop
		}
		p.leave(n)
		return nil
	})
	return !p.stop(err)
}

// elements calls fn for each element of an array; fn must read it. It reports whether there is an
// array.
func (p *parser) elements(d *jx.Decoder, fn func(d *jx.Decoder, i int)) bool {
	if d.Next() != jx.Array {
		p.wrongKind(d, "an array")
		return false
	}
	i := 0
	err := d.Arr(func(d *jx.Decoder) error {
		n := p.enterIndex(i)
		fn(d, i)
		if p.stop(nil) {
			return errStop
		}
		p.leave(n)
		i++
		return nil
	})
	return !p.stop(err)
}

// wrongKind notes that a value is not what it must be, and passes over it.
func (p *parser) wrongKind(d *jx.Decoder, want string) {
	kind := map[jx.Type]string{jx.String: "a text", jx.Number: "a number", jx.Null: "null", jx.Bool: "true or false",
		jx.Array: "an array", jx.Object: "an object"}[d.Next()]
	hint := ""
	if kind == "null" {
		hint = "leave the member out where there is nothing to say"
	}
	p.add("", hint, "it must be %s, and is %s", want, kind)
	p.stop(d.Skip())
}

// text reads a text.
func (p *parser) text(d *jx.Decoder) (string, bool) {
	if d.Next() != jx.String {
		p.wrongKind(d, "a text")
		return "", false
	}
	b, err := d.StrBytes()
	if p.stop(err) {
		return "", false
	}
	return intern(b), true
}

// raw copies a value, without blanks.
func (p *parser) raw(d *jx.Decoder) json.RawMessage {
	v, err := d.Raw()
	if p.stop(err) {
		return nil
	}
	var out bytes.Buffer
	out.Grow(len(v))
	if p.stop(json.Compact(&out, v)) {
		return nil
	}
	return out.Bytes()
}

func (p *parser) uri(d *jx.Decoder) string {
	s, ok := p.text(d)
	if ok && !validURI(s) {
		p.add("", uriHint(s), "%s is no URI", shown(s))
	}
	return s
}

func uriHint(s string) string {
	digits := len(s) >= 16
	for i := range len(s) {
		digits = digits && isHex(s[i])
	}
	switch {
	case digits:
		return "an EPC is written as a URI here, as urn:epc:id:sgtin:9521141.012345.6789 or " +
			"https://id.gs1.org/01/09521141123454/21/6789, not as the hexadecimal digits of a tag"
	case strings.HasPrefix(s, "("):
		return "an identity is written as a URI here, for example as a GS1 Digital Link URI, not as an element string"
	case strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' }):
		return "write blanks and letters beyond ASCII as %XX"
	}
	return "begin it with a scheme, as in https://... or urn:..."
}

func (p *parser) time(d *jx.Decoder) (s string, ms int64) {
	s, ok := p.text(d)
	if !ok {
		return s, 0
	}
	t, ok := parseTime(s)
	if ok {
		return s, millis(t)
	}
	hint := "write it as 2026-03-01T09:59:58.250Z or 2026-03-01T10:59:58.250+01:00 (RFC 3339)"
	if _, ok := parseTime(s + "Z"); ok {
		hint = "it has no zone: end it with Z or with an offset such as +01:00 (RFC 3339)"
	}
	p.add("", hint, "%s is no time", shown(s))
	return s, 0
}

// word reads a word of a vocabulary, or a URI that is none of the vocabulary's old ones. What names
// the kind of word for errors.
func (p *parser) word(d *jx.Decoder, v vocabulary, what string) string {
	s, ok := p.text(d)
	if !ok || v.has[s] {
		return s
	}
	for _, old := range oldVocabulary {
		if rest, ok := strings.CutPrefix(s, old[0]); ok {
			p.add("", fmt.Sprintf("write the bare word, %q", rest), "%s is the URN form of the vocabulary, which "+
				"JSON does not have", shown(s))
			return s
		}
	}
	switch {
	case strings.HasPrefix(s, "urn:epcglobal:cbv"), strings.HasPrefix(s, "http://ns.gs1.org/cbv/"),
		strings.HasPrefix(s, "https://ns.gs1.org/cbv/"):
		p.add("", "write the bare word of the vocabulary", "%s is an address of the vocabulary that JSON does not have", shown(s))
	case !validURI(s):
		hint := doc.OneOf(s, v.list)
		if hint == "" {
			hint = "use a word of the Core Business Vocabulary, or a URI for one of your own"
		}
		p.add("", hint, "there is no %s %s", what, shown(s))
	}
	return s
}

// extension reads a member that the standard does not have.
func (p *parser) extension(d *jx.Decoder, name []byte, into *[]Member, known []string) {
	if !validURI(string(name)) {
		hint := doc.DidYouMean(string(name), known)
		if hint == "" {
			hint = "a member of your own needs a prefix, as in example:" + strings.Map(nameRune,
				cut(string(name), 40)) + ", that the @context declares"
		}
		p.add("", hint, "the standard has no such member here")
		p.stop(d.Skip())
		return
	}
	m := Member{Name: string(name)}
	if m.Value = p.raw(d); m.Value != nil && into != nil {
		*into = append(*into, m)
	}
}

func nameRune(r rune) rune {
	if r < 0x80 && (isAlpha(byte(r)) || isDigit(byte(r)) || r == '_' || r == '-') {
		return r
	}
	return -1
}

func cut(s string, n int) string { return s[:min(n, len(s))] }

// intern returns b as a string, without a new one for the words that stand in every event.
func intern(b []byte) string {
	if s, ok := common[string(b)]; ok {
		return s
	}
	return string(b)
}

var common = func() map[string]string {
	m := make(map[string]string)
	for _, v := range []vocabulary{bizSteps, dispositions, transactionTypes, partyTypes, actions, eventTypes,
		{list: documentMembers}, {list: eventMembers}} {
		for _, w := range v.list {
			m[w] = w
		}
	}
	for _, w := range []string{"source", "destination", "bizTransaction", "epcClass", "quantity", "uom", "+00:00",
		"+01:00", "+02:00", "-05:00", "-06:00"} {
		m[w] = w
	}
	return m
}()
