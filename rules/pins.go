package rules

import (
	"slices"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"

	"lintel/engine/event"
)

// causeSet is a set of kinds of fact.
type causeSet uint32

const anyCause = ^causeSet(0)

var causeBits = func() map[string]causeSet {
	m := make(map[string]causeSet)
	for i, c := range byAny {
		m[c] = 1 << i
	}
	return m
}()

func setOf(causes []string) (s causeSet) {
	for _, c := range causes {
		s |= causeBits[c]
	}
	return s
}

// pin says that a condition can only be true while the name has one of the values.
type pin struct {
	name   string
	values []string
	loc    file.Location
}

// pinsOf finds the pins of a condition: what every way to make it true has in common.
func pinsOf(n ast.Node) []pin {
	b, ok := n.(*ast.BinaryNode)
	if !ok {
		return nil
	}
	switch b.Operator {
	case "and":
		return both(pinsOf(b.Left), pinsOf(b.Right))
	case "or":
		return either(pinsOf(b.Left), pinsOf(b.Right))
	case "==":
		id, okID := b.Left.(*ast.IdentifierNode)
		s, okText := b.Right.(*ast.StringNode)
		if !okID || !okText {
			id, okID = b.Right.(*ast.IdentifierNode)
			s, okText = b.Left.(*ast.StringNode)
		}
		if okID && okText {
			return []pin{{id.Value, []string{s.Value}, b.Location()}}
		}
	case "in":
		id, ok := b.Left.(*ast.IdentifierNode)
		list, okList := b.Right.(*ast.ArrayNode)
		if !ok || !okList {
			return nil
		}
		p := pin{name: id.Value, loc: b.Location()}
		for _, v := range list.Nodes {
			s, ok := v.(*ast.StringNode)
			if !ok {
				return nil
			}
			if !slices.Contains(p.values, s.Value) {
				p.values = append(p.values, s.Value)
			}
		}
		return []pin{p}
	}
	return nil
}

func find(pins []pin, name string) *pin {
	for i := range pins {
		if pins[i].name == name {
			return &pins[i]
		}
	}
	return nil
}

// both joins the pins of two conditions that must hold together.
func both(a, b []pin) []pin {
	for _, q := range b {
		p := find(a, q.name)
		if p == nil {
			a = append(a, q)
			continue
		}
		p.values = slices.DeleteFunc(slices.Clone(p.values), func(v string) bool { return !slices.Contains(q.values, v) })
		p.loc = q.loc
	}
	return a
}

// either joins the pins of two conditions of which one must hold. A side that is never true does
// not count: it has a pin without values.
func either(a, b []pin) []pin {
	var out []pin
	for _, p := range a {
		q := find(b, p.name)
		if q == nil {
			continue
		}
		values := slices.Clone(p.values)
		for _, v := range q.values {
			if !slices.Contains(values, v) {
				values = append(values, v)
			}
		}
		out = append(out, pin{p.name, values, p.loc})
	}
	return out
}

// causesOf works out after which kinds of fact a condition can change, and after which of these it
// can become true.
func causesOf(uses []string, pins []pin, about string, root ast.Node) (concerns, becomes causeSet) {
	all := setOf(subjectCauses[about])
	for _, name := range uses {
		e, _ := lookup(name)
		if len(e.Causes) == 0 { // it changes with time, so every fact is an occasion to look
			concerns = all
		}
		concerns |= setOf(e.Causes) & all
	}
	becomes = concerns
	if p := find(pins, "cause"); p != nil {
		becomes &= setOf(p.values)
	}
	becomes &= only(root)
	// What a count found and that a zone is overdue are never known together: a rule is about the one or
	// about the other.
	if plan := setOf(byPlan); about == event.AboutCount && becomes != 0 {
		if slices.Contains(uses, "count.overdue") || slices.Contains(uses, "count.idle_days") || becomes&^plan == 0 {
			return concerns & plan, becomes & plan
		}
		return concerns &^ plan, becomes &^ plan
	}
	return concerns, becomes
}

// only finds the causes that a condition is bound to because it asks for values that a name has
// only then, such as the direction of a passage.
func only(n ast.Node) causeSet {
	b, ok := n.(*ast.BinaryNode)
	if !ok {
		return anyCause
	}
	switch b.Operator {
	case "and":
		return only(b.Left) & only(b.Right)
	case "or":
		return only(b.Left) | only(b.Right)
	case "==", "in":
		for _, p := range pinsOf(b) {
			if e, _ := lookup(p.name); e != nil && e.onlyOn != "" && !slices.Contains(p.values, "") {
				return causeBits[e.onlyOn]
			}
		}
	case ">", ">=":
		id, ok := b.Left.(*ast.IdentifierNode)
		v, isNumber := literalNumber(b.Right)
		if ok && isNumber && (v > 0 || v == 0 && b.Operator == ">") {
			if e, _ := lookup(id.Value); e != nil && e.onlyOn != "" {
				return causeBits[e.onlyOn]
			}
		}
	}
	return anyCause
}
