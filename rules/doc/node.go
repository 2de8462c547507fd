package doc

import (
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// Kind is what a node holds.
type Kind uint8

// The kinds of nodes.
const (
	Empty    Kind = iota // nothing was written, or null
	Scalar               // a text, number, yes or no
	Sequence             // values in order
	Mapping              // keys with values
)

// Style is how a scalar is written.
type Style uint8

// The styles of scalars.
const (
	Plain   Style = iota
	Single        // in single quotes
	Double        // in double quotes
	Literal       // after |
	Folded        // after >
	Bare          // a number, true or false of JSON, which is never a text
)

// Quoted reports whether the scalar stands in quotes.
func (s Style) Quoted() bool { return s == Single || s == Double }

// Block reports whether the scalar stands on the lines below its mark.
func (s Style) Block() bool { return s == Literal || s == Folded }

// Node is one value of a document with its place: the first character, the opening quote, the | or
// > of a block, or the first key of a mapping without brackets. A number, a yes and a date are the
// text that stands there.
type Node struct {
	Kind   Kind
	Style  Style
	Text   string  // of a scalar, as it was written; quotes and escapes are resolved
	Items  []*Node // of a sequence
	Fields []Field // of a mapping, in the order in which they stand; a key may stand twice
	Line   int     // from 1
	Column int     // in characters, from 1
}

// Field is one key of a mapping with its value.
type Field struct {
	Key   *Node // of any kind in YAML, a text in JSON
	Value *Node // nil: the document is damaged here
}

// Get returns the value of the first key with this text, nil if there is none.
func (n *Node) Get(key string) *Node {
	for _, f := range n.Fields {
		if f.Key.Text == key {
			return f.Value
		}
	}
	return nil
}

// IsText reports whether the value can be read as a text: in YAML any scalar, in JSON one in
// quotes.
func (n *Node) IsText() bool { return n.Kind == Scalar && n.Style != Bare }

// IsNumber reports whether the value is a number as JSON writes them, without quotes.
func (n *Node) IsNumber() bool {
	if n.Kind != Scalar || n.Style != Bare && n.Style != Plain || n.Text == "" {
		return false
	}
	digits := strings.TrimPrefix(n.Text, "-")
	return digits != "" && digits[0] >= '0' && digits[0] <= '9' && strings.Trim(digits, "0123456789+-.eE") == ""
}

// Is says in words what the value is, such as "a number".
func (n *Node) Is() string {
	switch {
	case n.Kind == Mapping:
		return "an object"
	case n.Kind == Sequence:
		return "a list"
	case n.Kind == Empty:
		return "null"
	case n.IsNumber():
		return "a number"
	case n.Style == Bare:
		return "true or false"
	}
	return "a text"
}

// starts reports whether the value stands at the place or before it.
func (n *Node) starts(line, column int) bool {
	return n.Line < line || n.Line == line && n.Column <= column
}

// pathTo returns the way from the root to the innermost value that begins at the place or before
// it, such as zones[3].kind; it ends at to, if the way passes it.
func (n *Node) pathTo(to *Node, line, column int) string {
	var path strings.Builder
	for next := n; next != nil && next != to; {
		n, next = next, nil
		part := ""
		for i, item := range n.Items {
			if !item.starts(line, column) {
				break
			}
			next, part = item, index(i)
		}
		for _, f := range n.Fields {
			if !f.Key.starts(line, column) {
				break
			}
			next, part = nil, member(path.Len() > 0, f.Key.Text)
			if f.Key != to && f.Value != nil && f.Value.starts(line, column) {
				next = f.Value
			}
		}
		path.WriteString(part)
	}
	return path.String()
}

var styles = map[token.Type]Style{token.SingleQuoteType: Single, token.DoubleQuoteType: Double,
	token.LiteralType: Literal, token.FoldedType: Folded}

// nodeOf turns a value of the YAML parser into ours.
func nodeOf(n ast.Node) *Node {
	out := &Node{Line: 1, Column: 1}
	at := n.GetToken()
	switch v := n.(type) {
	case *ast.LiteralNode:
		out.Kind, out.Text, at = Scalar, v.Value.Value, v.Start
	case *ast.StringNode:
		out.Kind, out.Text = Scalar, v.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.Kind, out.Text = Scalar, at.Value
	case *ast.SequenceNode:
		out.Kind = Sequence
		for _, e := range v.Values {
			out.Items = append(out.Items, nodeOf(e))
		}
	case *ast.MappingNode:
		out.Kind = Mapping
		for _, e := range v.Values {
			out.Fields = append(out.Fields, fieldOf(e))
		}
		if len(out.Fields) > 0 && !v.IsFlowStyle {
			return out.atFirstKey()
		}
	case *ast.MappingValueNode:
		out.Kind, out.Fields = Mapping, []Field{fieldOf(v)}
		return out.atFirstKey()
	}
	if at != nil && at.Position != nil {
		out.Line, out.Column = max(1, at.Position.Line), max(1, at.Position.Column)
	}
	if at != nil && out.Kind == Scalar {
		out.Style = styles[at.Type]
	}
	return out
}

func (n *Node) atFirstKey() *Node {
	n.Line, n.Column = n.Fields[0].Key.Line, n.Fields[0].Key.Column
	return n
}

func fieldOf(pair *ast.MappingValueNode) Field {
	f := Field{Key: nodeOf(pair.Key)}
	if pair.Value != nil {
		f.Value = nodeOf(pair.Value)
	}
	return f
}
