package rules

import (
	"github.com/expr-lang/expr/ast"
)

// How much work a condition can be at worst is worked out before it ever runs, from the sizes that
// its texts and lists can have. One unit is about a nanosecond. List functions are counted once
// here; how often they go round is counted while they run, each round by its weight.
const (
	workNode    = 30  // any node
	workElement = 40  // comparing with one element of a list
	workPattern = 6   // one instruction of a pattern on one byte (measured on RE2's slowest forms)
	workLetter  = 4   // lower, upper, trim, for one byte
	workStep    = 50  // one step of a list function
	workRun     = 200 // starting to evaluate a condition
)

// extent is how large a value can be.
type extent struct {
	bytes    int // of a text, or of each text of a list
	elements int // of a list
	rounds   int // elements that a list usually has at most: what a list function goes round
}

// sizes are how large the texts and lists of an environment are taken to be.
type sizes struct {
	text     int // bytes
	elements int
	rounds   int
}

var (
	// hardest is what an evaluator lets in at most. A product usually has up to 20 home zones; more are
	// fine as long as the step counter does not run out.
	hardest = sizes{maxTextValue, maxListValue, 20}
	// stored is the most that the catalogue and the layout of a shop take.
	stored = sizes{text: 1 << 10, elements: 64, rounds: 64}
)

// costOf returns the work of evaluating a checked condition once, at worst, in a shop whose texts and
// lists are as large as its documents can make them.
func costOf(root ast.Node, instructions int) int {
	w := worker{sizes: stored, weights: make(map[*ast.PredicateNode]int)}
	w.node(root)
	return workRun + w.work + instructions*workPattern*w.text + workStep*min(w.steps, maxSteps)
}

// worker adds up the work of a condition.
type worker struct {
	sizes
	work  int
	built int // bytes of new texts
	steps int // of list functions, where lists have their usual length
	// weights is the work of one round of each list function, in steps.
	weights map[*ast.PredicateNode]int
	element []extent // of the lists around
}

func (w *worker) node(n ast.Node) extent {
	w.work += workNode
	switch n := n.(type) {
	case *ast.IdentifierNode:
		if e, _ := lookup(n.Value); e != nil {
			switch {
			case e.list != nil:
				return extent{w.text, w.elements, w.rounds}
			case e.text != nil || e.attribute:
				return extent{bytes: w.text}
			}
		}
	case *ast.StringNode:
		return extent{bytes: len(n.Value)}
	case *ast.PointerNode:
		if len(w.element) > 0 {
			return extent{bytes: w.element[len(w.element)-1].bytes}
		}
	case *ast.UnaryNode:
		w.node(n.Node)
	case *ast.ConditionalNode:
		w.node(n.Cond)
		return larger(w.node(n.Exp1), w.node(n.Exp2))
	case *ast.ArrayNode:
		all := extent{}
		for _, c := range n.Nodes {
			all = larger(all, w.node(c))
		}
		w.work += workElement * len(n.Nodes)
		return extent{all.bytes, len(n.Nodes), len(n.Nodes)}
	case *ast.BinaryNode:
		return w.binary(n)
	case *ast.BuiltinNode:
		return w.call(n)
	case *ast.CallNode: // number: it looks at blanks, and at few bytes more
		for _, a := range n.Arguments {
			w.work += w.node(a).bytes / 2
		}
	}
	return extent{}
}

func (w *worker) binary(n *ast.BinaryNode) extent {
	l, r := w.node(n.Left), w.node(n.Right)
	switch n.Operator {
	case "+":
		e := extent{bytes: l.bytes + r.bytes}
		w.work += e.bytes / 4
		w.built += e.bytes
		return e
	case "..":
		from, _ := literalNumber(n.Left)
		to, _ := literalNumber(n.Right)
		size := int(to-from) + 1
		w.work += 2 * size
		return extent{elements: size, rounds: size}
	case "contains":
		w.work += 2 * l.bytes
	case "startsWith", "endsWith", "==", "!=", "<", ">", "<=", ">=":
		w.work += min(l.bytes, r.bytes) / 8
	case "in":
		w.work += r.elements * (workElement + min(l.bytes, r.bytes)/8)
	}
	return extent{}
}

func (w *worker) call(n *ast.BuiltinNode) extent {
	if len(n.Arguments) == 0 {
		return extent{}
	}
	first := w.node(n.Arguments[0])
	for _, a := range n.Arguments[1:] {
		p, ok := a.(*ast.PredicateNode)
		if !ok {
			w.node(a)
			continue
		}
		outside, outsideSteps := w.work, w.steps
		w.work, w.steps = 0, 0
		w.element = append(w.element, first)
		body := w.node(p.Node)
		w.element = w.element[:len(w.element)-1]
		w.weights[p] = 1 + w.work/workStep
		w.steps = outsideSteps + first.rounds*(w.weights[p]+w.steps)
		w.work += outside
		if n.Name == "map" {
			first.bytes = body.bytes
		}
	}
	switch n.Name {
	case "lower", "upper":
		w.work += workLetter * first.bytes
		w.built += first.bytes
		return extent{bytes: first.bytes + first.bytes/2} // the other case of a letter can be longer
	case "trim":
		w.work += workLetter * first.bytes
		return first
	case "len":
		w.work += first.bytes
	case "filter", "map":
		w.work += 20 * first.elements
		return first
	}
	return extent{}
}

func larger(a, b extent) extent {
	return extent{max(a.bytes, b.bytes), max(a.elements, b.elements), max(a.rounds, b.rounds)}
}
