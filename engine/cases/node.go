package cases

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"lintel/engine/layout"
	"lintel/rules"
)

// kind is what a node holds.
type kind uint8

const (
	empty  kind = iota // nothing was written
	scalar             // a text or number
	seq                // values in order
	table              // keys with values
)

// node is one value of a document with its place. A table keeps its keys in the order in which they stand.
type node struct {
	kind   kind
	text   string
	plain  bool // a scalar without quotes
	items  []*node
	fields []field
	line   int // from 1
	col    int // in characters, from 1
	block  bool
}

type field struct {
	key   *node
	value *node
}

// get returns the value of a key, nil if it is not there.
func (n *node) get(key string) *node {
	for _, f := range n.fields {
		if f.key.text == key {
			return f.value
		}
	}
	return nil
}

// maxDiagnostics is how many problems a document gets before the rest is only counted.
const maxDiagnostics = 100

// report collects what is wrong with one document.
type report struct {
	file  string
	lines []string
	list  []rules.Diagnostic
	more  int
}

func (r *report) add(d rules.Diagnostic) {
	if len(r.list) == maxDiagnostics {
		r.more++
		return
	}
	d.File, d.Severity = r.file, rules.SeverityError
	d.Line, d.Column = max(1, d.Line), max(1, d.Column)
	if d.Line <= len(r.lines) {
		if line := strings.TrimRight(r.lines[d.Line-1], " \t"); len(line) <= maxLine {
			d.Source = line
		}
	}
	r.list = append(r.list, d)
}

// at adds a problem with a value of the document.
func (r *report) at(n *node, message, hint string) {
	length := 1
	if n.kind == scalar && !n.block {
		length = max(1, utf8.RuneCountInString(n.text))
		if !n.plain {
			length += 2
		}
	}
	r.add(rules.Diagnostic{Line: n.line, Column: n.col, Length: length, Message: message, Hint: hint})
}

// unknown adds that a word is not one of those that may stand there.
func (r *report) unknown(n *node, what string, names []string) {
	hint := ""
	// Of words equally close the first wins: those with the same first letter, which people seldom get wrong.
	likely := slices.Clone(names)
	slices.SortStableFunc(likely, func(a, b string) int {
		first := func(name string) int {
			if n.text != "" && name != "" && name[0] == n.text[0] {
				return 0
			}
			return 1
		}
		return first(a) - first(b)
	})
	if near := layout.Nearest(n.text, likely); near != "" {
		hint = "did you mean " + near + "?"
	} else if len(names) > 0 && len(names) <= 24 {
		hint = "there are " + strings.Join(names, ", ")
		if len(names) == 1 {
			hint = "there is " + names[0]
		}
	}
	r.at(n, fmt.Sprintf("%s %q", what, n.text), hint)
}

// done returns the problems in the order of the document.
func (r *report) done() []rules.Diagnostic {
	slices.SortStableFunc(r.list, func(a, b rules.Diagnostic) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if r.more > 0 {
		r.list = append(r.list, rules.Diagnostic{
			File: r.file, Line: r.list[len(r.list)-1].Line, Column: 1, Severity: rules.SeverityError, Message: fmt.Sprintf("%d more problems are not shown", r.more),
		})
		r.more = 0
	}
	return r.list
}

// Bounds on the form of a document. The lexer takes the square of the length of a line and of blank lines that follow each other, the parser of the keys of a
// table, and it recurses into what is nested.
const (
	maxLine       = 8 << 10 // bytes
	maxBlankLines = 200
	maxKeys       = 1000 // in one table
	maxDepth      = 16   // of brackets, and of levels that begin on one line
	maxIndent     = 200
)

// read turns a document into nodes, nil after a problem with its form.
func (r *report) read(src []byte) (root *node) {
	defer func() {
		// The YAML parser has been seen to panic on damaged input; that is one more way to say that a document is bad.
		if v := recover(); v != nil {
			r.add(rules.Diagnostic{Message: "the document is not valid YAML"})
			root = nil
		}
	}()
	if len(src) > MaxDocument {
		r.add(rules.Diagnostic{Message: fmt.Sprintf("the document has %d bytes; at most %d are allowed", len(src), MaxDocument), Hint: "split it into several files"})
		return nil
	}
	text := strings.ReplaceAll(strings.TrimPrefix(string(src), "\ufeff"), "\r\n", "\n")
	r.lines = strings.Split(text, "\n")
	if !r.characters() {
		return nil
	}
	tokens := lexer.Tokenize(text)
	if !r.tokens(tokens) {
		return nil
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(err)
		return nil
	}
	for _, d := range f.Docs {
		if d.Body == nil || d.Body.Type() == ast.CommentType {
			continue
		}
		if root != nil {
			r.at(r.node(d.Body), `a second document begins here ("---")`, "one file is one document")
			return nil
		}
		root = r.node(d.Body)
	}
	if len(r.list) > 0 {
		return nil
	}
	if root == nil || root.kind == empty {
		r.add(rules.Diagnostic{Message: "the document is empty", Hint: "write cases: and a list of cases below it"})
		return nil
	}
	return root
}

// characters refuses what no text editor writes on purpose, and what would make the lexer slow.
func (r *report) characters() bool {
	blank := 0
	for i, line := range r.lines {
		if blank++; strings.TrimSpace(line) != "" {
			blank = 0
		}
		refuse := func(column int, message string) bool {
			r.lines[i] = strings.ToValidUTF8(line, "\ufffd")
			r.add(rules.Diagnostic{Line: i + 1, Column: column, Message: message})
			return false
		}
		if len(line) > maxLine {
			return refuse(1, fmt.Sprintf("the line has %d bytes; at most %d are allowed", len(line), maxLine))
		}
		if blank > maxBlankLines {
			return refuse(1, fmt.Sprintf("more than %d blank lines follow each other", maxBlankLines))
		}
		column := 0
		for j, c := range line {
			column++
			switch {
			case c == utf8.RuneError && !strings.HasPrefix(line[j:], "\ufffd"):
				return refuse(column, "a byte that is not UTF-8 is not allowed")
			case c < ' ' && c != '\t', c == 0x7f, c >= 0x80 && c < 0xa0, c == '\u2028', c == '\u2029', c == '\ufeff':
				return refuse(column, fmt.Sprintf("the control character %U is not allowed", c))
			}
		}
	}
	return true
}

// tokens refuses what case files have no use for and what could blow up in the parser.
func (r *report) tokens(tokens token.Tokens) bool {
	flow, line, onLine, keys := 0, 0, 0, 0
	before := token.UnknownType
	for _, t := range tokens {
		at := rules.Diagnostic{Line: t.Position.Line, Column: t.Position.Column, Length: 1}
		refuse := func(message, hint string) bool {
			at.Message, at.Hint = message, hint
			r.add(at)
			return false
		}
		if t.Position.Line != line {
			line, onLine = t.Position.Line, 0
		}
		if t.Type == token.CommentType {
			continue
		}
		last := before
		before = t.Type
		switch t.Type {
		case token.DocumentHeaderType:
			if last != token.UnknownType {
				return refuse("one file is one document", "remove the "+t.Value)
			}
		case token.DocumentEndType:
			return refuse("one file is one document", "remove the "+t.Value)
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			return refuse("anchors, aliases and merge keys are not allowed", "write the value out, or put it in quotes if it is text")
		case token.TagType:
			return refuse("YAML tags are not allowed", "put the value in quotes if it is text")
		case token.DirectiveType:
			return refuse("YAML directives are not allowed", "")
		case token.MappingKeyType:
			return refuse(`"?" keys are not allowed`, "")
		case token.SequenceStartType, token.MappingStartType:
			keys = 0
			if flow++; flow > maxDepth {
				return refuse(fmt.Sprintf("brackets are nested more than %d deep", maxDepth), "")
			}
		case token.SequenceEndType, token.MappingEndType:
			flow = max(0, flow-1)
		case token.SequenceEntryType, token.MappingValueType:
			if t.Type == token.SequenceEntryType {
				keys = 0
				if flow > 0 {
					return refuse("- begins an entry inside brackets", "separate the values in brackets with commas")
				}
				if last == token.SequenceEntryType && onLine == 0 {
					return refuse("the entry before this one is empty", "remove the lone -")
				}
			} else if keys++; keys > maxKeys {
				return refuse(fmt.Sprintf("more than %d keys stand together", maxKeys), "begin each case and each step with -")
			}
			if onLine++; flow == 0 && onLine > maxDepth {
				return refuse(fmt.Sprintf("more than %d levels begin on one line", maxDepth), "")
			}
			if flow == 0 && t.Position.Column > maxIndent {
				return refuse("the indentation is deeper than any case needs", "")
			}
		}
	}
	return true
}

func (r *report) syntax(err error) {
	d := rules.Diagnostic{Message: "the document is not valid YAML"}
	var e yaml.Error
	if errors.As(err, &e) {
		if m := e.GetMessage(); m != "" {
			d.Message = "not valid YAML: " + m
		}
		if t := e.GetToken(); t != nil && t.Position != nil {
			d.Line, d.Column = t.Position.Line, t.Position.Column
		}
	}
	if d.Line >= 1 && d.Line <= len(r.lines) {
		line := r.lines[d.Line-1]
		_, value, isKey := strings.Cut(line, ":")
		value = strings.TrimSpace(value)
		switch {
		case strings.HasPrefix(strings.TrimLeft(line, " "), "\t"):
			d.Hint = "indent with blanks, not tabs"
		case isKey && (strings.IndexAny(value, "\"'[{!%&*@`") == 0 || strings.Contains(value, ": ")):
			d.Hint = `put a text that holds ": ", or begins with a quote, a bracket or a mark, in quotes`
		default:
			d.Hint = "keys that belong together begin in the same column"
		}
	}
	r.add(d)
}

// node turns a value of the YAML parser into ours.
func (r *report) node(n ast.Node) *node {
	out := &node{line: 1, col: 1}
	if t := n.GetToken(); t != nil && t.Position != nil {
		out.line, out.col = max(1, t.Position.Line), max(1, t.Position.Column)
		out.plain = t.Type != token.SingleQuoteType && t.Type != token.DoubleQuoteType
	}
	switch v := n.(type) {
	case *ast.LiteralNode:
		out.kind, out.text, out.block, out.plain = scalar, v.Value.Value, true, false
		out.line, out.col = max(1, v.Start.Position.Line), max(1, v.Start.Position.Column)
	case *ast.StringNode:
		out.kind, out.text = scalar, v.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.kind, out.text = scalar, n.GetToken().Value
	case *ast.SequenceNode:
		out.kind = seq
		for _, e := range v.Values {
			out.items = append(out.items, r.node(e))
		}
	case *ast.MappingNode:
		out.kind = table
		for _, e := range v.Values {
			r.field(out, e)
		}
		if len(out.fields) > 0 && !v.IsFlowStyle {
			out.line, out.col = out.fields[0].key.line, out.fields[0].key.col
		}
	case *ast.MappingValueNode:
		out.kind = table
		r.field(out, v)
		if len(out.fields) > 0 {
			out.line, out.col = out.fields[0].key.line, out.fields[0].key.col
		}
	}
	return out
}

func (r *report) field(to *node, pair *ast.MappingValueNode) {
	key := r.node(pair.Key)
	if key.kind != scalar || pair.Value == nil {
		r.at(key, "a key must be a plain word", "")
		return
	}
	if to.get(key.text) != nil {
		r.at(key, fmt.Sprintf("the key %q stands here twice", key.text), "")
		return
	}
	to.fields = append(to.fields, field{key, r.node(pair.Value)})
}
