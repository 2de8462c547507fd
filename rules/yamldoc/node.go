package yamldoc

import (
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
)

// Quoted reports whether the scalar stands in quotes.
func (s Style) Quoted() bool { return s == Single || s == Double }

// Block reports whether the scalar stands on the lines below its mark.
func (s Style) Block() bool { return s == Literal || s == Folded }

// Node is one value of a document with its place: the first character, the opening quote, the | or > of a block, or the first key of a mapping without brackets.
type Node struct {
	Kind   Kind
	Text   string // of a scalar, as it was written; quotes and escapes are resolved
	Style  Style
	Items  []*Node // of a sequence
	Fields []Field // of a mapping, in the order in which they stand; none was checked
	Line   int     // from 1
	Column int     // in characters, from 1
}

// Field is one key of a mapping with its value.
type Field struct {
	Key   *Node // of any kind
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

var styles = map[token.Type]Style{token.SingleQuoteType: Single, token.DoubleQuoteType: Double, token.LiteralType: Literal, token.FoldedType: Folded}

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
