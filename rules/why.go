package rules

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/expr-lang/expr/ast"
)

// Why explains the answer of a rule: each part of its condition with the value that it had, whether
// or not it was needed for the answer.
type Why struct {
	Text   string      `json:"text"`   // as written
	Value  bool        `json:"value"`  // false when Error is set
	Line   int         `json:"line"`   // where the part begins in the document
	Column int         `json:"column"` // in characters
	Parts  []*Why      `json:"parts,omitempty"`
	Names  []NameValue `json:"names,omitempty"`  // of a part without parts, and of the whole: what it read, sorted by name
	Error  string      `json:"error,omitempty"`  // the part failed while it ran
	Choice *WhyChoice  `json:"choice,omitempty"` // of the whole of a rule with alternatives

	// Of a rule with first: what happened first, and the condition that calls it off. A rule that asks
	// for nothing else has that condition, turned round, as the whole.
	First  *WhyFirst `json:"first,omitempty"`
	Unless *Why      `json:"unless,omitempty"`
}

// WhyFirst is the first step of a sequence.
type WhyFirst struct {
	Text   string     `json:"text"` // the condition as written
	Line   int        `json:"line"`
	Column int        `json:"column"`
	Value  bool       `json:"value"`          // it happened, and the time for what comes then runs or has been enough
	At     *time.Time `json:"at,omitempty"`   // when it happened
	Zone   string     `json:"zone,omitempty"` // the id of the zone where it happened
	Item   string     `json:"item,omitempty"` // with same: product, the item that it happened to
}

// NameValue is a name with the value that it had: text, bool, int, float64 or []string.
type NameValue struct {
	Name  string `json:"name"`
	Value any    `json:"value"` // long ones are cut
}

// whyPart is a prepared part of a condition.
type whyPart struct {
	text      string
	at        place
	operator  string // and, or, not, "?" or "" for a part that is evaluated as a whole
	parts     []*whyPart
	names     []string
	condition *condition
}

// Why explains what the rule's condition is in env.
func (e *Evaluator) Why(r *Rule, env *Env) *Why {
	if !e.owns(r) {
		return &Why{Text: r.When, Line: r.Line, Column: 1, Error: "the rule is of another set"}
	}
	r.whyOnce.Do(r.prepareWhy)
	var w *Why
	if r.tree != nil {
		w = e.explain(r, &r.clause, r.tree, env)
	}
	if q := r.Sequence; q != nil {
		if q.unless.tree != nil {
			off := e.explain(r, &q.unless, q.unless.tree, env)
			if w == nil {
				w = &Why{Text: "not (" + off.Text + ")", Value: !off.Value && off.Error == "", Line: off.Line, Column: off.Column,
					Parts: []*Why{off}, Error: off.Error}
			} else {
				w.Unless = off
			}
		}
		at := q.first.source.place(0)
		w.First = &WhyFirst{Text: q.first.tree.text, Line: at.line, Column: at.column}
	}
	w.Names = e.values(r, r.uses, env)
	w.Names = append(w.Names, e.values(r, r.params, env)...)
	w.Choice = e.whyChoice(r, env)
	return w
}

func (e *Evaluator) explain(r *Rule, c *clause, p *whyPart, env *Env) *Why {
	w := &Why{Text: p.text, Line: p.at.line, Column: p.at.column}
	for _, q := range p.parts {
		w.Parts = append(w.Parts, e.explain(r, c, q, env))
	}
	// The answer comes about as in the program, from left to right until it is decided; a failure
	// after that does not count.
	take := func(i int) bool { w.Value, w.Error = w.Parts[i].Value, w.Parts[i].Error; return w.Error == "" }
	switch p.operator {
	case "and":
		for i := 0; i < len(w.Parts) && take(i) && w.Value; i++ {
		}
	case "or":
		for i := 0; i < len(w.Parts) && take(i) && !w.Value; i++ {
		}
	case "not":
		w.Value = take(0) && !w.Value
	case "?":
		if take(0) && w.Value {
			take(1)
		} else if w.Error == "" {
			take(2)
		}
	default:
		w.Names = e.values(r, p.names, env)
		ok, err := e.run(p.condition, env)
		if err != nil {
			w.Error = r.runError(c, err).(*RunError).Reason
		}
		w.Value = ok
	}
	return w
}

func (e *Evaluator) values(r *Rule, names []string, env *Env) []NameValue {
	out := make([]NameValue, 0, len(names))
	for _, name := range names {
		if param, ok := strings.CutPrefix(name, paramPrefix); ok {
			out = append(out, NameValue{name, r.given.values[param].plain()})
			continue
		}
		en, key := lookup(name)
		out = append(out, NameValue{name, shown(en.value(env, key))})
	}
	return out
}

// What an explanation shows of long values; it may be kept with an alert.
const (
	maxShownText = 256 // bytes
	maxShownList = 20  // elements
)

// shown makes a value fit to keep and to write as JSON, which knows no infinite numbers.
func shown(v any) any {
	switch x := v.(type) {
	case string:
		if len(x) > maxShownText {
			return cutAt(x, maxShownText) + "..."
		}
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return strconv.FormatFloat(x, 'g', -1, 64)
		}
	case []string:
		list := make([]string, 0, min(len(x), maxShownList+1))
		for i, s := range x {
			if i == maxShownList {
				list = append(list, fmt.Sprintf("... and %d more", len(x)-i))
				break
			}
			list = append(list, shown(s).(string))
		}
		return list
	}
	return v
}

// prepareWhy takes the conditions apart. They passed every check before, so nothing can fail here but
// by a defect.
func (r *Rule) prepareWhy() {
	r.lang.mu.Lock()
	defer r.lang.mu.Unlock()
	take := func(c *clause) {
		if c.condition == nil { // of a rule without when, or without unless
			return
		}
		p := r.lang.lang.parse(c.When, r.About)
		c.tree = r.part(c, p, p.root, []rune(c.When))
	}
	take(&r.clause)
	for _, a := range r.But {
		take(&a.clause)
	}
	if q := r.Sequence; q != nil {
		take(&q.first)
		take(&q.unless)
	}
}

func (r *Rule) part(of *clause, p *parsed, n ast.Node, source []rune) *whyPart {
	from, to := p.span(n)
	w := &whyPart{text: strings.Join(strings.Fields(string(source[from:min(to, len(source))])), " "), at: of.source.place(from)}
	add := func(children ...ast.Node) {
		for _, c := range children {
			w.parts = append(w.parts, r.part(of, p, c, source))
		}
	}
	switch n := n.(type) {
	case *ast.BinaryNode:
		if (n.Operator == "and" || n.Operator == "or") && !p.leaves[n] {
			w.operator = n.Operator
			add(sides(n, n.Operator, p.leaves)...)
			return w
		}
	case *ast.UnaryNode:
		if n.Operator == "not" {
			w.operator = "not"
			add(n.Node)
			return w
		}
	case *ast.ConditionalNode:
		w.operator = "?"
		add(n.Cond, n.Exp1, n.Exp2)
		return w
	}
	w.names = namesIn(n, nil)
	slices.Sort(w.names)
	w.names = append(w.names, p.paramsIn(n, nil)...)
	var err error
	if w.condition, err = r.lang.lang.compile(p, n, r.slots, false); err != nil {
		w.condition = of.condition
	}
	return w
}

// sides flattens a chain of the same operator: a and b and c has three sides.
func sides(n ast.Node, operator string, leaves map[ast.Node]bool) []ast.Node {
	if b, ok := n.(*ast.BinaryNode); ok && b.Operator == operator && !leaves[n] {
		return append(sides(b.Left, operator, leaves), sides(b.Right, operator, leaves)...)
	}
	return []ast.Node{n}
}

// paramsIn lists the params below n, sorted.
func (p *parsed) paramsIn(n ast.Node, names []string) []string {
	if name := p.constants[n]; name != "" && !slices.Contains(names, name) {
		names = append(names, name)
	}
	for _, c := range children(n) {
		names = p.paramsIn(c, names)
	}
	slices.Sort(names)
	return names
}

func namesIn(n ast.Node, names []string) []string {
	if id, ok := n.(*ast.IdentifierNode); ok && !strings.HasSuffix(id.Value, "#") && !slices.Contains(names, id.Value) {
		return append(names, id.Value)
	}
	for _, c := range children(n) {
		names = namesIn(c, names)
	}
	return names
}

// maxParts is how many parts of a condition are written out.
const maxParts = 4

// FalseParts lists in words the parts of a condition that keep it from being true, with the values
// that they had: `zone.kind == "exit" is false (zone.kind = "shelf")`; "" for a nil Why.
func (w *Why) FalseParts() string {
	if w == nil {
		return ""
	}
	var parts []string
	var walk func(y *Why)
	walk = func(y *Why) {
		if y.Value {
			return
		}
		all := len(y.Parts) > 0
		for _, p := range y.Parts {
			all = all && len(y.Parts) > 1 || !p.Value && len(y.Parts) > 1
		}
		if !all || y.Error != "" {
			s := y.Text
			if y.Error != "" {
				s += " failed: " + y.Error
			} else {
				s += " is false"
			}
			if v := y.Values(); v != "" && v != y.Text {
				s += " (" + v + ")"
			}
			parts = append(parts, s)
			return
		}
		for _, p := range y.Parts {
			walk(p)
		}
	}
	walk(w)
	if len(parts) > maxParts {
		parts = append(parts[:maxParts], fmt.Sprintf("and %d more", len(parts)-maxParts))
	}
	return strings.Join(parts, "; ")
}

// Values writes what a condition, or a part of one, read: `zone.kind = "shelf", item.paid = no`, at
// most eight of its names.
func (w *Why) Values() string {
	names := slices.Clone(w.Names)
	for _, p := range w.Parts {
		names = append(names, p.Names...)
	}
	var list []string
	for _, n := range names {
		v, err := json.Marshal(n.Value)
		if err != nil {
			continue
		}
		text := strings.TrimSpace(string(v))
		if b, ok := n.Value.(bool); ok {
			text = map[bool]string{true: "yes", false: "no"}[b]
		}
		if s := n.Name + " = " + text; !slices.Contains(list, s) {
			list = append(list, s)
		}
		if len(list) == 8 {
			break
		}
	}
	return strings.Join(list, ", ")
}
