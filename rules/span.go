package rules

import (
	"slices"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/parser/lexer"
)

// spanOf returns the characters from the first to the last word of a tree, without brackets that
// only close at its ends.
func spanOf(n ast.Node) (from, to int) {
	from, to = n.Location().From, n.Location().To
	if c, ok := n.(*ast.ConditionalNode); ok { // its own place is that of the word after it
		from, to = spanOf(c.Cond)
	}
	for _, c := range children(n) {
		f, t := spanOf(c)
		from, to = min(from, f), max(to, t)
	}
	return from, to
}

// children returns the parts of a node in the order of their writing.
func children(n ast.Node) []ast.Node {
	switch n := n.(type) {
	case *ast.UnaryNode:
		return []ast.Node{n.Node}
	case *ast.BinaryNode:
		return []ast.Node{n.Left, n.Right}
	case *ast.MemberNode:
		return []ast.Node{n.Node, n.Property}
	case *ast.ChainNode:
		return []ast.Node{n.Node}
	case *ast.ConditionalNode:
		return []ast.Node{n.Cond, n.Exp1, n.Exp2}
	case *ast.ArrayNode:
		return n.Nodes
	case *ast.BuiltinNode:
		return n.Arguments
	case *ast.CallNode:
		return append([]ast.Node{n.Callee}, n.Arguments...)
	case *ast.PredicateNode:
		return []ast.Node{n.Node}
	case *ast.SequenceNode:
		return n.Nodes
	}
	return nil
}

// span is spanOf with the brackets that belong to it.
func (g *guard) span(n ast.Node) (from, to int) {
	from, to = spanOf(n)
	first := slices.IndexFunc(g.tokens, func(t lexer.Token) bool { return t.From >= from })
	if first < 0 {
		return from, to
	}
	last := first
	for last+1 < len(g.tokens) && g.tokens[last+1].To <= to && g.tokens[last+1].Kind != lexer.EOF {
		last++
	}
	// Inside, every bracket that is closed but not opened is opened before, and the other way
	// round.
	opens, missing := 0, 0
	for _, t := range g.tokens[first : last+1] {
		switch bracket(t) {
		case 1:
			opens++
		case -1:
			if opens > 0 {
				opens--
			} else {
				missing++
			}
		}
	}
	// A call without arguments, and a list that ends in a comma.
	if opens == 0 && last+1 < len(g.tokens) && isCall(n) && bracket(g.tokens[last+1]) == 1 {
		last++
		opens++
	}
	for opens > 0 && last+1 < len(g.tokens) {
		last++
		opens += bracket(g.tokens[last])
	}
	for missing > 0 && first > 0 {
		first--
		missing -= bracket(g.tokens[first])
	}
	return min(from, g.tokens[first].From), max(to, g.tokens[last].To)
}

func isCall(n ast.Node) bool {
	c, ok := n.(*ast.CallNode)
	b, ok2 := n.(*ast.BuiltinNode)
	return ok && len(c.Arguments) == 0 || ok2 && len(b.Arguments) == 0
}

// bracket is 1 for an opening, -1 for a closing one, 0 for any other word.
func bracket(t lexer.Token) int {
	if t.Kind != lexer.Bracket {
		return 0
	}
	switch t.Value {
	case "(", "[", "{":
		return 1
	}
	return -1
}
