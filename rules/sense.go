package rules

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"lintel/rules/hours"
)

// span is the numbers that a name can have: from low to high, both included unless it says
// otherwise.
type span struct {
	low, high         float64
	aboveLow, underHi bool // the ends are not included
}

func (s span) empty() bool {
	return s.low > s.high || s.low == s.high && (s.aboveLow || s.underHi)
}

func (s span) and(t span) span {
	if t.low > s.low || t.low == s.low && t.aboveLow {
		s.low, s.aboveLow = t.low, t.aboveLow
	}
	if t.high < s.high || t.high == s.high && t.underHi {
		s.high, s.underHi = t.high, t.underHi
	}
	return s
}

// within reports whether all of t lies in s.
func (s span) within(t span) bool {
	return (s.low > t.low || s.low == t.low && (!t.aboveLow || s.aboveLow)) && (s.high < t.high || s.high == t.high &&
		(!t.underHi || s.underHi))
}

// domain is what an entry can be: its unit says so, "0 to 23", and nothing that is counted or
// priced is negative.
func (e *entry) domain() (span, bool) {
	if e.whole == nil && e.number == nil {
		return span{}, false
	}
	s := span{low: math.Inf(-1), high: math.Inf(1)}
	if from, to, ok := strings.Cut(e.Unit, " to "); ok {
		s.low, _ = strconv.ParseFloat(from, 64)
		s.high, _ = strconv.ParseFloat(to, 64)
	} else if e.Unit != "dBm" {
		s.low = 0
	}
	return s, true
}

// comparison reads "name < number" and its turns; ok is false for anything else.
func comparison(n ast.Node) (e *entry, s span, ok bool) {
	b, isBinary := n.(*ast.BinaryNode)
	if !isBinary {
		return nil, span{}, false
	}
	id, isName := b.Left.(*ast.IdentifierNode)
	v, isNumber := literalNumber(b.Right)
	op := b.Operator
	if !isName || !isNumber {
		id, isName = b.Right.(*ast.IdentifierNode)
		v, isNumber = literalNumber(b.Left)
		op = map[string]string{"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "=="}[op]
	}
	if !isName || !isNumber {
		return nil, span{}, false
	}
	e, _ = lookup(id.Value)
	s = span{low: math.Inf(-1), high: math.Inf(1)}
	switch op {
	case "<":
		s.high, s.underHi = v, true
	case "<=":
		s.high = v
	case ">":
		s.low, s.aboveLow = v, true
	case ">=":
		s.low = v
	case "==":
		s.low, s.high = v, v
	default:
		return nil, span{}, false
	}
	return e, s, e != nil
}

// exclusive are parts of conditions that are never both true.
var exclusive = [][2]string{
	{"item.paid", "item.sellable"}, {"item.foreign", "item.registered"}, {"item.present", `zone.kind == "exit"`},
}

// truth returns the part of a condition that must be true or must not be: a name, or one that equals a
// text. It is "" for anything else.
func truth(n ast.Node) (part string, yes bool) {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		return n.Value, true
	case *ast.UnaryNode:
		if part, yes = truth(n.Node); n.Operator == "not" {
			return part, !yes
		}
	case *ast.BinaryNode:
		id, isName := n.Left.(*ast.IdentifierNode)
		text, isText := n.Right.(*ast.StringNode)
		if !isName || !isText {
			id, isName = n.Right.(*ast.IdentifierNode)
			text, isText = n.Left.(*ast.StringNode)
		}
		if isName && isText && (n.Operator == "==" || n.Operator == "!=") {
			return fmt.Sprintf("%s == %q", id.Value, text.Value), n.Operator == "=="
		}
	}
	return "", false
}

// checkSense warns of conditions that can never be true, or that hold a part that always is: what
// the parts that must all hold ask for at once.
func (p *parsed) checkSense() {
	numbers := make(map[string]span)
	truths := make(map[string]bool)
	never := func(n ast.Node, why string) bool {
		from, to := p.span(n)
		p.warn(file.Location{From: from, To: to}, "the condition is never true", why)
		return true
	}
	var walk func(n ast.Node, must bool) bool
	walk = func(n ast.Node, must bool) bool {
		if b, ok := n.(*ast.BinaryNode); ok && !p.leaves[n] && (b.Operator == "and" || b.Operator == "or") {
			must = must && b.Operator == "and"
			return walk(b.Left, must) || walk(b.Right, must)
		}
		if e, s, ok := comparison(n); ok && !p.leaves[n] {
			d, _ := e.domain()
			from, to := p.span(n)
			switch both := d.and(s); {
			case both.empty() && must:
				return never(n, fmt.Sprintf("%s is %s", e.Name.Name, d))
			case both.empty():
				p.warn(file.Location{From: from, To: to}, "this part is never true", fmt.Sprintf("%s is %s", e.Name.Name, d))
			case d.within(s):
				p.warn(file.Location{From: from, To: to}, "this part is always true", fmt.Sprintf("%s is %s", e.Name.Name, d))
			case must:
				had, seen := numbers[e.Name.Name]
				if !seen {
					had = d
				}
				if both = had.and(s); both.empty() {
					return never(n, fmt.Sprintf("no number is what this and the parts before it ask of %s", e.Name.Name))
				}
				numbers[e.Name.Name] = both
			}
			return false
		}
		if !must {
			return false
		}
		part, yes := truth(n)
		if part == "" {
			return false
		}
		if had, seen := truths[part]; seen && had != yes {
			return never(n, fmt.Sprintf("%s cannot be both true and false", part))
		}
		truths[part] = yes
		for _, pair := range exclusive {
			if truths[pair[0]] && truths[pair[1]] {
				return never(n, fmt.Sprintf("%s and %s are never both true", pair[0], pair[1]))
			}
		}
		return false
	}
	walk(p.root, true)
}

func (s span) String() string {
	switch {
	case math.IsInf(s.low, -1):
		return "any number"
	case math.IsInf(s.high, 1):
		return fmt.Sprintf("%g or more", s.low)
	}
	return fmt.Sprintf("from %g to %g", s.low, s.high)
}

// window is the length of the time of day that the condition asks for in every case, as
// time_between("09:00", "09:30") does; 0 if there is none.
func (p *parsed) window() time.Duration {
	var walk func(n ast.Node) int
	walk = func(n ast.Node) int {
		b, ok := n.(*ast.BinaryNode)
		if !ok {
			return 0
		}
		if p.leaves[n] {
			from, _ := literalNumber(b.Left.(*ast.BinaryNode).Right)
			to, _ := literalNumber(b.Right.(*ast.BinaryNode).Right)
			return (int(to) - int(from) + hours.Day) % hours.Day
		}
		if b.Operator != "and" {
			return 0
		}
		l, r := walk(b.Left), walk(b.Right)
		if l == 0 || r != 0 && r < l {
			return r
		}
		return l
	}
	return time.Duration(walk(p.root)) * time.Minute
}
