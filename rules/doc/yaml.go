package doc

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds on the form of a document.
const (
	MaxLine       = 8 << 10 // bytes
	maxBlankLines = 200     // that follow each other
	maxKeys       = 1000    // of one mapping
	maxDepth      = 16      // of brackets, and of levels that begin on one line
	maxIndent     = 200     // characters
	maxSigns      = 150_000 // lines, and signs that can begin or end a token; a token takes about 1 kB
)

// Options are what only the reader of a kind of documents knows: their size, and how to fix what is
// wrong with them.
type Options struct {
	MaxBytes int
	Unit     string // what documents are made of: "rule" makes "deeper than any rule needs"

	// Hints, each may be empty.
	TooLarge string // to a document of more than MaxBytes
	Keys     string // to too many keys that stand together
	Tag      string // to a YAML tag
	Empty    string // to a document that holds nothing
	// Syntax guesses from a line what was meant by something that is not YAML.
	Syntax func(line string) string
}

// YAML reads a YAML document, in time about proportional to its size. The document is never nil;
// the problem is nil if all of it could be read.
func YAML(src []byte, o Options) (doc *Document, problem *Diagnostic) {
	doc = &Document{}
	defer func() {
		// The YAML parser has been seen to panic on damaged input.
		if v := recover(); v != nil {
			doc.Root, problem = nil, problemAt(1, 1, "the document is not valid YAML", "")
		}
	}()
	if len(src) > o.MaxBytes {
		return doc, tooLarge(len(src), o.MaxBytes, o.TooLarge)
	}
	text := strings.ReplaceAll(strings.TrimPrefix(string(src), "\ufeff"), "\r\n", "\n")
	doc.text, doc.Lines = []byte(text), strings.Split(text, "\n")
	if p := checkLines(doc.Lines); p != nil {
		return doc, p
	}
	tokens := lexer.Tokenize(text)
	if p := o.checkTokens(tokens); p != nil {
		return doc, p
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return doc, o.syntaxProblem(err, doc.Lines)
	}
	var root *Node
	for _, d := range f.Docs {
		if d.Body == nil || d.Body.Type() == ast.CommentType {
			continue
		}
		n := nodeOf(d.Body)
		if root != nil {
			return doc, problemAt(n.Line, n.Column, `a second document begins here ("---")`, "one file is one document")
		}
		root = n
	}
	if root == nil || root.Kind == Empty {
		return doc, problemAt(1, 1, "the document is empty", o.Empty)
	}
	doc.Root = root
	return doc, nil
}

// isSign has the signs that YAML gives a meaning (YAML 1.2.2, section 5.3).
var isSign = func() (set [0x80]bool) {
	for _, c := range "-?:,[]{}#&*!|>'\"%@`" {
		set[c] = true
	}
	return set
}()

// checkLines refuses what no text editor writes on purpose, and what would make the lexer slow.
func checkLines(lines []string) *Diagnostic {
	blank, signs := 0, len(lines)
	for i, line := range lines {
		if blank++; strings.TrimSpace(line) != "" {
			blank = 0
		}
		refuse := func(column int, message string) *Diagnostic {
			return problemAt(i+1, column, message, "")
		}
		if len(line) > MaxLine {
			return refuse(1, fmt.Sprintf("the line has %d bytes; at most %d are allowed", len(line), MaxLine))
		}
		if blank > maxBlankLines {
			return refuse(1, fmt.Sprintf("more than %d blank lines follow each other", maxBlankLines))
		}
		if signs > maxSigns {
			return refuse(1, fmt.Sprintf("the document has more than %d lines, commas, colons and other signs", maxSigns))
		}
		column := 0
		for j, c := range line {
			column++
			if c < 0x80 && isSign[c] {
				signs++
			}
			switch {
			case c == utf8.RuneError && !strings.HasPrefix(line[j:], "\ufffd"):
				return refuse(column, "a byte that is not UTF-8 is not allowed")
			case c < ' ' && c != '\t', c == 0x7f, c >= 0x80 && c < 0xa0, c == '\u2028', c == '\u2029', c == '\ufeff':
				return refuse(column, fmt.Sprintf("the control character %U is not allowed", c))
			}
		}
	}
	return nil
}

// checkTokens refuses what documents have no use for and what could blow up in the parser.
func (o *Options) checkTokens(tokens token.Tokens) *Diagnostic {
	flow, line, onLine, keys := 0, 0, 0, 0
	before := token.UnknownType
	for _, t := range tokens {
		refuse := func(message, hint string) *Diagnostic {
			return problemAt(t.Position.Line, t.Position.Column, message, hint)
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
			return refuse("YAML tags are not allowed", o.Tag)
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
				return refuse(fmt.Sprintf("more than %d keys stand together", maxKeys), o.Keys)
			}
			if onLine++; flow == 0 && onLine > maxDepth {
				return refuse(fmt.Sprintf("more than %d levels begin on one line", maxDepth), "")
			}
			if flow == 0 && t.Position.Column > maxIndent {
				return refuse("the indentation is deeper than any "+o.Unit+" needs", "")
			}
		}
	}
	return nil
}

// followed is what the parser says where a value goes on after its closing quote or brace.
const followed = "value is not allowed in this context. map key-value is pre-defined"

// syntaxProblem is an error of the YAML parser.
func (o *Options) syntaxProblem(err error, lines []string) *Diagnostic {
	p := problemAt(1, 1, "the document is not valid YAML", "")
	var e yaml.Error
	if errors.As(err, &e) {
		if m := e.GetMessage(); m != "" {
			p.Reason = "not valid YAML: " + strings.Replace(m, followed, "something follows the end of a text or a bracket", 1)
		}
		if t := e.GetToken(); t != nil && t.Position != nil {
			p.Line, p.Column = max(1, t.Position.Line), max(1, t.Position.Column)
		}
	}
	if p.Line <= len(lines) && o.Syntax != nil {
		p.Hint = o.Syntax(lines[p.Line-1])
	}
	return p
}
