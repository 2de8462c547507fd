package rules

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Limits of a document.
const (
	MaxDocument = 1 << 20 // bytes
	MaxRules    = 5000
)

// Document is a parsed rule document: every rule as it was written, with the places of its texts. Compile makes a Set of it.
type Document struct {
	File   string
	rules  []*ruleText
	params []*paramEntry
	storm  *scalar
	lines  []string
	bad    bool // Parse found an error
}

// Len returns the number of rules in the document.
func (d *Document) Len() int { return len(d.rules) }

// only returns the document with some of its rules and all that stands beside the rules, for trying these by themselves. Of their keys those named in without are left out, as if
// they had not been written.
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
	if s := r.text("name"); s != nil && len(s.text) <= 200 {
		return s.text
	}
	return ""
}

// field is the value of one key: a text, or a list of texts.
type field struct {
	value  scalar
	list   []scalar
	isList bool
}

var (
	ruleKeys = []string{"name", "about", "when", "hold", "clear", "gather", "gather_by", "needs", "limit", "quiet", "remind", "escalate", "escalate_to",
		"severity", "hours", "say", "send", "mode"}
	documentKeys = []string{"rules", "params", "storm"}
)

// Parse reads a rule document. The file name is only for diagnostics. The document is never nil; what could be read of a bad one is kept,
// so that Compile can report on the rest.
func Parse(file string, src []byte) (doc *Document, diagnostics []Diagnostic) {
	doc = &Document{File: file}
	r := &report{file: file}
	defer func() {
		// The YAML parser has been seen to panic on damaged input; that is one more way to say that a document is bad.
		if v := recover(); v != nil {
			r.add(Diagnostic{Line: 1, Column: 1, Message: "the document is not valid YAML"})
		}
		doc.bad = r.bad
		diagnostics = r.done()
	}()
	if len(src) > MaxDocument {
		r.add(Diagnostic{Line: 1, Column: 1, Message: fmt.Sprintf("the document has %d bytes; at most %d are allowed", len(src), MaxDocument),
			Hint: "split it into several documents"})
		return
	}
	text := strings.ReplaceAll(strings.TrimPrefix(string(src), "\ufeff"), "\r\n", "\n")
	doc.lines = strings.Split(text, "\n")
	r.lines = doc.lines
	p := &docParser{report: r, doc: doc}
	if !p.checkCharacters() {
		return
	}
	tokens := lexer.Tokenize(text)
	if !p.checkTokens(tokens) {
		return
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		p.syntaxError(err)
		return
	}
	p.document(f)
	return
}

type docParser struct {
	*report
	doc *Document
}

func (p *docParser) checkCharacters() bool {
	blank := 0
	for i, line := range p.lines {
		column := 0
		if blank++; strings.TrimSpace(line) != "" {
			blank = 0
		}
		if len(line) > maxLine {
			p.add(Diagnostic{Line: i + 1, Column: 1, Message: fmt.Sprintf("the line has %d bytes; at most %d are allowed", len(line), maxLine)})
			return false
		}
		if blank > maxBlankLines {
			p.add(Diagnostic{Line: i + 1, Column: 1, Message: fmt.Sprintf("more than %d blank lines follow each other", maxBlankLines)})
			return false
		}
		for j, c := range line {
			column++
			what := ""
			switch {
			case c == utf8.RuneError && !strings.HasPrefix(line[j:], "\ufffd"):
				what = "a byte that is not UTF-8"
			case c < ' ' && c != '\t', c == 0x7f, c >= 0x80 && c < 0xa0, c == '\u2028', c == '\u2029', c == '\ufeff':
				what = fmt.Sprintf("the control character %U", c)
			}
			if what != "" {
				p.lines[i] = strings.ToValidUTF8(line, "\ufffd")
				p.add(Diagnostic{Line: i + 1, Column: column, Message: what + " is not allowed"})
				return false
			}
		}
	}
	return true
}

// maxDepth bounds nesting before the parser, which recurses, sees the document. A rule document needs four levels.
const maxDepth = 16

// maxLine and maxBlankLines bound what the lexer takes the square of: the length of a line, and blank lines that follow each other in a block.
const (
	maxLine       = 8 << 10 // bytes
	maxBlankLines = 200
)

// maxKeys bounds the keys of one mapping: the parser takes the square of their number. A rule has eighteen; a param may have a value for each of many sites.
const maxKeys = 1000

// checkTokens refuses what rule documents have no use for and what could blow up in the parser.
func (p *docParser) checkTokens(tokens token.Tokens) bool {
	flow, line, onLine, keys := 0, 0, 0, 0
	before := token.UnknownType
	for _, t := range tokens {
		at := place{t.Position.Line, max(1, t.Position.Column)}
		if t.Position.Line != line {
			line, onLine = t.Position.Line, 0
		}
		refuse := func(message, hint string) bool {
			p.add(Diagnostic{Line: at.line, Column: at.column, Message: message, Hint: hint})
			return false
		}
		if t.Type == token.CommentType {
			continue
		}
		last := before
		before = t.Type
		if t.Type == token.DocumentHeaderType && last != token.UnknownType || t.Type == token.DocumentEndType {
			return refuse("one file is one document", "remove the "+t.Value)
		}
		if t.Type == token.SequenceEntryType && flow > 0 {
			return refuse("- begins an entry inside brackets", "separate the values in brackets with commas")
		}
		if t.Type == token.SequenceEntryType && last == token.SequenceEntryType && onLine == 0 {
			return refuse("the entry before this one is empty", "remove the lone -")
		}
		switch t.Type {
		case token.SequenceEntryType, token.SequenceStartType, token.MappingStartType:
			keys = 0
		case token.MappingValueType:
			if keys++; keys > maxKeys {
				return refuse(fmt.Sprintf("more than %d keys stand together", maxKeys), "begin each rule with - name:")
			}
		}
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			return refuse("anchors, aliases and merge keys are not allowed", "write the value out, or put it in quotes if it is text")
		case token.TagType:
			return refuse("YAML tags are not allowed", "put the value in quotes if it is text; in a condition write not instead of !")
		case token.DirectiveType:
			return refuse("YAML directives are not allowed", "")
		case token.MappingKeyType:
			return refuse(`"?" keys are not allowed`, "")
		case token.SequenceStartType, token.MappingStartType:
			flow++
			if flow > maxDepth {
				return refuse(fmt.Sprintf("brackets are nested more than %d deep", maxDepth), "")
			}
		case token.SequenceEndType, token.MappingEndType:
			flow = max(0, flow-1)
		case token.SequenceEntryType, token.MappingValueType:
			if onLine++; flow == 0 && onLine > maxDepth {
				return refuse(fmt.Sprintf("more than %d levels begin on one line", maxDepth), "")
			}
			if flow == 0 && at.column > 200 {
				return refuse("the indentation is deeper than any rule needs", "")
			}
		}
	}
	return true
}

func (p *docParser) syntaxError(err error) {
	d := Diagnostic{Line: 1, Column: 1, Message: "the document is not valid YAML"}
	var e yaml.Error
	if errors.As(err, &e) {
		if m := e.GetMessage(); m != "" {
			d.Message = "not valid YAML: " + m
		}
		if t := e.GetToken(); t != nil && t.Position != nil {
			d.Line, d.Column = max(1, t.Position.Line), max(1, t.Position.Column)
		}
	}
	if d.Line <= len(p.lines) {
		d.Hint = syntaxHint(p.lines[d.Line-1])
	}
	p.add(d)
}

// syntaxHint guesses from the line what was meant.
func syntaxHint(line string) string {
	words := strings.TrimLeft(line, " -")
	key, value, isKey := strings.Cut(words, ":")
	value = strings.TrimSpace(value)
	switch {
	case strings.HasPrefix(strings.TrimLeft(line, " "), "\t"):
		return "indent with blanks, not tabs"
	case isKey && slices.Contains(ruleKeys, key) &&
		(strings.IndexAny(value, "\"'[{!%&*@`") == 0 || strings.Contains(value, ": ") || strings.Contains(value, " #") || strings.HasSuffix(value, ":")):
		return `a text that holds ": " or " #", or begins with a quote, a bracket or a mark, goes after | on a line of its own`
	case isKey && slices.Contains(ruleKeys, key):
		return "the keys of one rule begin in the same column"
	case !isKey && slices.Contains(ruleKeys, strings.SplitN(words+" ", " ", 2)[0]):
		return "a key is followed by a colon and a blank: name: unpaid-at-door"
	}
	return ""
}

func (p *docParser) document(f *ast.File) {
	var body ast.Node
	for _, d := range f.Docs {
		if d.Body == nil || d.Body.Type() == ast.CommentType {
			continue
		}
		if body != nil {
			at := p.at(d.Body)
			p.add(Diagnostic{Line: at.line, Column: at.column, Message: `a second document begins here ("---")`, Hint: "one file is one document"})
			return
		}
		body = d.Body
	}
	if body == nil || body.Type() == ast.NullType {
		p.add(Diagnostic{Line: 1, Column: 1, Message: "the document is empty", Hint: "write rules: and a list of rules below it"})
		return
	}
	var list ast.Node
	found := false
	ok := p.mapping(body, "the document", "write rules: and a list of rules below it", func(key scalar, value ast.Node) {
		switch key.text {
		case "rules":
			list, found = value, true
		case "params":
			p.params(value)
		case "storm":
			if s, ok := p.scalar(value); ok {
				p.doc.storm = &s
			} else {
				p.addAt(key, Diagnostic{Message: "storm is not a number of alerts in a length of time", Hint: "write for instance storm: 100 per 10m"})
			}
		default:
			d := Diagnostic{Message: fmt.Sprintf("unknown key %q", key.text), Hint: didYouMean(key.text, documentKeys)}
			if d.Hint == "" {
				d.Hint = "a rule document has the keys rules, params and storm"
			}
			p.addAt(key, d)
		}
	})
	if !ok {
		return
	}
	if !found {
		if !p.bad {
			p.add(Diagnostic{Line: 1, Column: 1, Message: "the document has no rules", Hint: "write rules: and a list of rules below it"})
		}
		return
	}
	if list.Type() == ast.NullType {
		return
	}
	seq, isSeq := list.(*ast.SequenceNode)
	if !isSeq {
		at := p.at(list)
		p.add(Diagnostic{Line: at.line, Column: at.column, Message: "rules is not a list", Hint: "begin each rule with - name:"})
		return
	}
	if len(seq.Values) > MaxRules {
		at := p.at(seq.Values[MaxRules])
		p.add(Diagnostic{Line: at.line, Column: at.column, Message: fmt.Sprintf("the document has %d rules; at most %d are allowed", len(seq.Values), MaxRules)})
		return
	}
	for _, v := range seq.Values {
		p.rule(v)
	}
}

func (p *docParser) rule(n ast.Node) {
	rt := &ruleText{place: p.at(n), fields: make(map[string]*field)}
	ok := p.mapping(n, "this entry", "begin each rule with - name:", func(key scalar, value ast.Node) {
		if !slices.Contains(ruleKeys, key.text) {
			hint := didYouMean(key.text, ruleKeys)
			if hint == "" {
				hint = "a rule has the keys " + strings.Join(ruleKeys, ", ")
			}
			p.addAt(key, Diagnostic{Message: fmt.Sprintf("unknown key %q", key.text), Hint: hint, Rule: rt.name()})
			return
		}
		if len(rt.fields) == 0 {
			rt.place = place{key.line, key.col}
		}
		if f := p.field(key, value, rt); f != nil {
			rt.fields[key.text] = f
		}
	})
	if ok {
		p.doc.rules = append(p.doc.rules, rt)
	}
}

// field reads the value of a rule's key; nil after an error.
func (p *docParser) field(key scalar, value ast.Node, rt *ruleText) *field {
	channels := key.text == "send" || key.text == "escalate_to"
	if seq, ok := value.(*ast.SequenceNode); ok && channels {
		f := &field{isList: true}
		for _, v := range seq.Values {
			s, ok := p.scalar(v)
			if !ok {
				at := p.at(v)
				p.add(Diagnostic{Line: at.line, Column: at.column, Message: key.text + " holds something that is not the name of a channel", Rule: rt.name()})
				return nil
			}
			f.list = append(f.list, s)
		}
		return f
	}
	if value.Type() == ast.NullType {
		p.addAt(key, Diagnostic{Message: fmt.Sprintf("%s has no value", key.text), Hint: "leave the key out, or give it a value", Rule: rt.name()})
		return nil
	}
	s, ok := p.scalar(value)
	if !ok {
		at := p.at(value)
		d := Diagnostic{Line: at.line, Column: at.column, Message: fmt.Sprintf("%s is not a text", key.text),
			Hint: "put it in quotes, or after | on a line of its own", Rule: rt.name()}
		if channels {
			d.Message, d.Hint = key.text+" is not a list of channels", "write "+key.text+": [door-team, floor-team]"
		}
		p.add(d)
		return nil
	}
	return &field{value: s}
}

// mapping calls each for every key of a mapping, and reports keys that are not text or occur twice.
func (p *docParser) mapping(n ast.Node, what, hint string, each func(key scalar, value ast.Node)) bool {
	var pairs []*ast.MappingValueNode
	switch m := n.(type) {
	case *ast.MappingNode:
		pairs = m.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{m}
	default:
		at := p.at(n)
		p.add(Diagnostic{Line: at.line, Column: at.column, Message: what + " is not made of keys and values", Hint: hint})
		return false
	}
	seen := make(map[string]bool, len(pairs))
	for _, pair := range pairs {
		key, ok := p.scalar(pair.Key)
		if !ok || pair.Value == nil {
			at := p.at(pair)
			p.add(Diagnostic{Line: at.line, Column: at.column, Message: "a key must be a plain word"})
			continue
		}
		if seen[key.text] {
			p.addAt(key, Diagnostic{Message: fmt.Sprintf("the key %q stands here twice", key.text)})
			continue
		}
		seen[key.text] = true
		each(key, pair.Value)
	}
	return true
}

// scalar reads a text, number, yes/no or the like as the text that was written.
func (p *docParser) scalar(n ast.Node) (scalar, bool) {
	s := scalar{lines: p.lines}
	switch v := n.(type) {
	case *ast.LiteralNode:
		s.text, s.style = v.Value.Value, v.Start.Type
		s.line, s.col = v.Start.Position.Line, max(1, v.Start.Position.Column)
		return s, true
	case *ast.StringNode:
		s.text = v.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		s.text = n.GetToken().Value
	default:
		return s, false
	}
	t := n.GetToken()
	s.style, s.line, s.col = t.Type, t.Position.Line, max(1, t.Position.Column)
	return s, true
}

func (p *docParser) at(n ast.Node) place {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 && !m.IsFlowStyle {
		return p.at(m.Values[0])
	}
	if m, ok := n.(*ast.MappingValueNode); ok {
		return p.at(m.Key)
	}
	t := n.GetToken()
	if t == nil || t.Position == nil {
		return place{1, 1}
	}
	return place{max(1, t.Position.Line), max(1, t.Position.Column)}
}

// addAt adds a diagnostic about a whole text of the document.
func (r *report) addAt(s scalar, d Diagnostic) {
	d.Line, d.Column = s.line, s.col
	if d.Length == 0 {
		d.Length = max(1, len([]rune(s.text)))
		if s.style == token.SingleQuoteType || s.style == token.DoubleQuoteType {
			d.Length += 2
		}
		if s.style == token.LiteralType || s.style == token.FoldedType {
			d.Length = 1
		}
	}
	r.add(d)
}
