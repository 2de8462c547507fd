package rules

import (
	"slices"
	"time"

	"lintel/engine/event"
)

// Sequence is what a rule asks for before its condition: first this, then that, within a time, about
// the same thing. A rule without When asks for the opposite: first this, and nothing that calls it off
// within the time; its alert opens when the time is over.
//
// There are two steps and no more. What is between them is remembered of one subject at a time, so
// its size and its age are bounded.
type Sequence struct {
	First  string        // the condition that begins it, as written
	Unless string        // what calls it off, as written; "": nothing does
	Within time.Duration // how long after the first step the second one counts
	Open   bool          // Within counts only the site's opening hours
	Same   string        // SameItem: both steps are about what the rule is about; SameProduct: about items of one product

	first, unless clause
}

// What the two steps of a sequence have in common.
const (
	SameItem    = "item"
	SameProduct = "product"
)

// Limits of the time between the steps of a sequence.
const (
	MinWithin = time.Second
	MaxWithin = 24 * time.Hour
)

// Absent reports whether the rule asks for what does not happen: first this, and then nothing that
// calls it off.
func (r *Rule) Absent() bool { return r.Sequence != nil && r.condition == nil }

// Momentary reports whether what begins the sequence is of its moment, a passage or a kind of fact,
// and does not last.
func (q *Sequence) Momentary() bool { return momentary(q.first.uses) }

// First reports whether a rule's sequence begins in env: its first condition is true, and nothing
// calls it off at the same time. The error is a *RunError.
func (e *Evaluator) First(r *Rule, env *Env) (bool, error) {
	if yes, err := e.Begins(r, env); !yes || err != nil {
		return false, err
	}
	off, err := e.CalledOff(r, env)
	return !off && err == nil, err
}

// Begins reports whether the first condition of a rule's sequence is true in env, and Then whether
// when is, which a rule about what does not happen lacks: both without a look at what calls it off.
// The error is a *RunError.
func (e *Evaluator) Begins(r *Rule, env *Env) (bool, error) {
	return e.holds(r, &r.Sequence.first, env)
}

// Then is described with Begins.
func (e *Evaluator) Then(r *Rule, env *Env) (bool, error) {
	if r.Absent() {
		return true, nil
	}
	return e.holds(r, &r.clause, env)
}

// CalledOff reports whether unless, which calls a rule's sequence off, is true in env. The error is a
// *RunError.
func (e *Evaluator) CalledOff(r *Rule, env *Env) (bool, error) {
	if r.Sequence == nil || r.Sequence.unless.condition == nil {
		return false, nil
	}
	return e.holds(r, &r.Sequence.unless, env)
}

// sequence reads the keys of a sequence.
func (c *setCompiler) sequence(rt *ruleText, r *Rule) {
	first := rt.text("first")
	zone := r.About == event.AboutZone // where within belongs to items.came and items.went
	if first != nil && zone {
		c.errorAt(first, "first in a rule about a zone", "items.came and items.went say what came before: write them with within")
		return
	}
	if first == nil {
		for _, key := range []string{"within", "unless", "same"} {
			hint := "write first: and the condition that comes before"
			switch key {
			case "within":
				hint = "it goes with about: zone, or with first: and the condition that comes before"
			case "unless":
				hint = "write and not (...) in when; unless goes with first"
			}
			if s := rt.text(key); s != nil && rt.fields["first"] == nil && !(zone && key == "within") {
				c.errorAt(s, key+" without first", hint)
			}
		}
		return
	}
	q := &Sequence{First: first.text, Same: SameItem}
	r.Sequence = q
	if s := rt.text("unless"); s != nil {
		q.Unless = s.text
	}
	if rt.text("within") == nil {
		if rt.fields["within"] == nil {
			c.errorAt(first, "first without within", "write within: 10m, how long after it the rest counts")
		}
	} else {
		q.Within, q.Open = c.openPeriod("within", MinWithin, MaxWithin)
	}
	if rt.fields["when"] == nil && rt.fields["unless"] == nil {
		c.errorAt(first, "nothing comes after first",
			"write when: and what comes then, or unless: and what must not come within the time")
	}
	if r.About == event.AboutCount {
		c.errorAt(first, "a count is closed once, so nothing comes before it", "leave first out, or write about: item")
	}
	if s := rt.text("same"); s != nil {
		q.Same = c.choice("same", SameItem, []string{SameItem, SameProduct})
		if r.About != event.AboutItem {
			c.errorAt(s, "same goes with about: item", "both steps of this rule are about the same "+r.About+" already")
		}
	}
	if s := rt.text("hold"); s != nil && rt.fields["when"] == nil && r.Hold > 0 {
		c.warnAt(s, "hold only adds to within here", "make within longer and leave hold out")
	}
}

// steps compiles what surrounds the condition of a sequence. What begins it finds the rule in the
// index; each of its conditions may concern a fact.
func (c *setCompiler) steps(rt *ruleText, r *Rule) {
	q := r.Sequence
	step := func(key string) (k clause) {
		if s := rt.text(key); s != nil {
			k = c.condition(s, r.About, func(*parsed) {})
		}
		return k
	}
	q.first, q.unless = step("first"), step("unless")
	r.pins, r.becomes = q.first.pins, q.first.becomes
	for _, k := range []*clause{&q.first, &q.unless} {
		r.cost += k.cost
		r.concerns |= k.concerns
		r.uses = append(r.uses, k.uses...)
	}
	slices.Sort(r.uses)
	r.uses = slices.Compact(r.uses)
}
