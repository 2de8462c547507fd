package rules

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"lintel/rules/doc"
)

// Limits of a document.
const (
	MaxDocument = 1 << 20 // bytes
	MaxRules    = 5000
)

// Document is a parsed rule document: every rule as it was written, with the places of its texts.
// Compile makes a Set of it.
type Document struct {
	File   string
	rules  []*ruleText
	params []*paramEntry
	storm  *scalar
	text   *doc.Document
	bad    bool // Parse found an error
}

// Len returns the number of rules in the document.
func (d *Document) Len() int { return len(d.rules) }

// only returns the document with some of its rules and all that stands beside the rules, for trying
// these by themselves. Of their keys those named in without are left out, as if they had not been
// written.
func (d *Document) only(names []string, without ...string) *Document {
	only := *d
	only.rules = nil
	for _, rt := range d.rules {
		if !slices.Contains(names, rt.name()) {
			continue
		}
		own := &ruleText{place: rt.place, fields: maps.Clone(rt.fields)}
		for _, key := range without {
			delete(own.fields, key)
		}
		only.rules = append(only.rules, own)
	}
	return &only
}

// ruleText is one rule as it stands in the document.
type ruleText struct {
	place
	fields map[string]*field
	of     *ruleText // of an alternative: the rule
}

// text returns the scalar of a key, nil if the key is absent or holds something else.
func (r *ruleText) text(key string) *scalar {
	if f := r.fields[key]; f != nil && !f.isList {
		return &f.value
	}
	return nil
}

// name is the rule's name for diagnostics; it may be empty or bad.
func (r *ruleText) name() string {
	if r.of != nil {
		return r.of.name()
	}
	if s := r.text("name"); s != nil && len(s.text) <= 200 {
		return s.text
	}
	return ""
}

// field is the value of one key: a text, a list of texts, alternatives, or a message in several
// languages.
type field struct {
	value     scalar
	list      []scalar
	isList    bool // it is no text
	entries   []*ruleText
	languages map[string]scalar
}

var documentKeys = []string{"rules", "params", "storm"}

// Form bounds how a rule document is written, and says how to fix what is not.
var Form = doc.Options{
	MaxBytes: MaxDocument,
	Unit:     "rule",
	TooLarge: "split it into several documents",
	Keys:     "begin each rule with - name:",
	Tag:      "put the value in quotes if it is text; in a condition write not instead of !",
	Empty:    "write rules: and a list of rules below it",
	Syntax:   syntaxHint,
}

// ListKey is the member of a rule document that holds the rules.
const ListKey = "rules"

// Parse reads a rule document. The file name is only for diagnostics. The document is never nil;
// what could be read of a bad one is kept, so that Compile can report on the rest.
func Parse(file string, src []byte) (*Document, []Diagnostic) {
	text, problem := doc.YAML(src, Form)
	p := &docParser{report: report{doc.NewReport(file, maxDiagnostics, text, problem)}, doc: &Document{File: file, text: text}}
	if text.Root != nil {
		p.CheckKeys(text.Root)
		p.document(text.Root)
	}
	p.doc.bad = p.Bad()
	return p.doc, p.List()
}

// maxDiagnostics is how many a document gets before the rest is only counted.
const maxDiagnostics = 200

// Diagnostic is one thing to fix in a rule document, with its place.
type Diagnostic = doc.Diagnostic

// report collects the diagnostics of one document.
type report struct{ *doc.Report }

type docParser struct {
	report
	doc *Document
}

// plainForm returns a key with its value as it can be written, where the quotes or the braces of the
// value are what went wrong; "" where they are not.
func plainForm(key, value string) string {
	inner := ""
	switch quoted := partQuoted.FindStringSubmatch(value); {
	case key == "say" && strings.HasPrefix(value, "{"):
		if !strings.Contains(value, `"`) {
			return `say: "` + value + `"`
		}
		if !strings.Contains(value, "'") {
			return "say: '" + value + "'"
		}
		return ""
	case key != "when" && key != butKey:
		return ""
	case len(value) > 2 && strings.ContainsAny(value[:1], `"'`) && value[len(value)-1] == value[0] && (quoted == nil || quoted[2] == ""):
		inner = value[1 : len(value)-1] // "zone.kind == "exit""
	case quoted != nil:
		inner = quoted[1] + quoted[2] // "zone.kind" == "exit"
	case strings.ContainsAny(value[:min(1, len(value))], "“”‘’"):
		inner = strings.Trim(value, "“”‘’")
	}
	if inner == "" || strings.Contains(inner, ": ") || strings.Contains(inner, " #") || strings.ContainsAny(inner[:1], "\"'[{!%&*@`") {
		return ""
	}
	return key + ": " + inner
}

// partQuoted is a value whose first word alone stands in quotes.
var partQuoted = regexp.MustCompile(`^"([a-z_.]+)"(.+)$`)

// syntaxHint guesses from the line what was meant.
func syntaxHint(line string) string {
	words := strings.TrimLeft(line, " -")
	key, value, isKey := strings.Cut(words, ":")
	value = strings.TrimSpace(value)
	switch {
	case strings.HasPrefix(strings.TrimLeft(line, " "), "\t"):
		return "indent with blanks, not tabs"
	case isKey && plainForm(key, value) != "":
		return "write " + plainForm(key, value)
	case isKey && slices.Contains(ruleKeys, key) &&
		(strings.IndexAny(value, "\"'[{!%&*@`") == 0 || strings.Contains(value, ": ") ||
			strings.Contains(value, " #") || strings.HasSuffix(value, ":")):
		return `a text that holds ": " or " #", or begins with a quote, a bracket or a mark, goes after | on a line of its own`
	case isKey && slices.Contains(ruleKeys, key):
		return "the keys of one rule begin in the same column"
	case !isKey && slices.Contains(ruleKeys, strings.SplitN(words+" ", " ", 2)[0]):
		return "a key is followed by a colon and a blank: name: unpaid-at-door"
	}
	return ""
}

func (p *docParser) document(body *doc.Node) {
	var list *doc.Node
	found := false
	ok := p.mapping(body, "the document", "write rules: and a list of rules below it", func(key scalar, value *doc.Node) {
		switch key.text {
		case "rules":
			list, found = value, true
		case "params":
			p.params(value)
		case "storm":
			if s, ok := p.scalar(value); ok {
				p.doc.storm = &s
			} else {
				p.addAt(key, Diagnostic{Reason: "storm is not a number of alerts in a length of time",
					Hint: "write for instance storm: 100 per 10m"})
			}
		default:
			hint := doc.Suggest(key.text, documentKeys, "a rule document has the keys rules, params and storm")
			p.addAt(key, Diagnostic{Reason: fmt.Sprintf("unknown key %q", key.text), Hint: hint})
		}
	})
	if !ok {
		return
	}
	if !found {
		if !p.Bad() {
			p.Add(Diagnostic{Line: 1, Column: 1, Reason: "the document has no rules", Hint: "write rules: and a list of rules below it"})
		}
		return
	}
	switch {
	case list.Kind == doc.Empty:
		return
	case list.Kind != doc.Sequence:
		p.AddAt(list, Diagnostic{Reason: "rules is not a list", Hint: "begin each rule with - name:"})
		return
	case len(list.Items) > MaxRules:
		p.AddAt(list.Items[MaxRules], Diagnostic{Reason: fmt.Sprintf(
			"the document has %d rules; at most %d are allowed", len(list.Items), MaxRules)})
		return
	}
	for _, v := range list.Items {
		p.rule(v)
	}
}

func (p *docParser) rule(n *doc.Node) {
	rt := &ruleText{place: place{n.Line, n.Column}, fields: make(map[string]*field)}
	if p.keys(n, rt, ruleKeys, "a rule", "begin each rule with - name:") {
		p.doc.rules = append(p.doc.rules, rt)
	}
}

// field reads the value of a rule's key; nil after an error.
func (p *docParser) field(key scalar, value *doc.Node, rt *ruleText) *field {
	switch {
	case key.text == butKey && value.Kind != doc.Empty:
		return p.alternatives(value, rt)
	case key.text == "say" && value.Kind == doc.Mapping:
		return p.languages(value, rt)
	}
	channels := key.text == "send" || key.text == "escalate_to"
	if value.Kind == doc.Sequence && channels {
		f := &field{isList: true}
		for _, v := range value.Items {
			s, ok := p.scalar(v)
			if !ok {
				p.AddAt(v, Diagnostic{Reason: key.text + " holds something that is not the name of a channel", Rule: rt.name()})
				return nil
			}
			f.list = append(f.list, s)
		}
		return f
	}
	if value.Kind == doc.Empty {
		p.addAt(key, Diagnostic{Reason: fmt.Sprintf("%s has no value", key.text),
			Hint: "leave the key out, or give it a value", Rule: rt.name()})
		return nil
	}
	s, ok := p.scalar(value)
	if !ok {
		d := Diagnostic{Reason: fmt.Sprintf("%s is not a text", key.text),
			Hint: "put it in quotes, or after | on a line of its own", Rule: rt.name()}
		if key.text == "when" && value.Kind == doc.Sequence {
			d.Hint = `join conditions with and, or or, in one text: when: zone.kind == "exit" and not item.paid`
		}
		if channels {
			d.Reason, d.Hint = key.text+" is not a list of channels", "write "+key.text+": [door-team, floor-team]"
		}
		p.AddAt(value, d)
		return nil
	}
	return &field{value: s}
}

// mapping calls each for every key of a mapping, once.
func (p *docParser) mapping(n *doc.Node, what, hint string, each func(key scalar, value *doc.Node)) bool {
	if n.Kind != doc.Mapping {
		p.At(n, what+" is not made of keys and values", hint)
		return false
	}
	for _, f := range n.Fields {
		if key, ok := p.scalar(f.Key); ok && f.Value != nil && n.Get(f.Key.Text) == f.Value {
			each(key, f.Value)
		}
	}
	return true
}

// scalar reads a text, number, yes/no or the like as the text that was written.
func (p *docParser) scalar(n *doc.Node) (scalar, bool) {
	return scalar{text: n.Text, lines: p.Doc.Lines, line: n.Line, col: n.Column, style: n.Style}, n.Kind == doc.Scalar
}

// addAt adds a diagnostic about a whole text of the document.
func (r report) addAt(s scalar, d Diagnostic) {
	r.AddAt(&doc.Node{Kind: doc.Scalar, Text: s.text, Style: s.style, Line: s.line, Column: s.col}, d)
}
