package alert

import (
	"container/list"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

// A rule with first asks for two steps in their order. The first one is remembered as a pending alert
// in the stage within, so that its record, its timer and the answers to why are those of alerts. It
// leads to an alert of its own number when the second step follows, or, if the rule asks for what does
// not happen, when the time is over.

// How many first steps are remembered: of one rule, and of all rules of a site together. Of more, the
// oldest of the same rule is forgotten.
const (
	maxBegun    = 10_000
	maxAllBegun = 100_000
)

// begun holds the first steps that are remembered, by rule, the oldest first.
type begun struct {
	byRule   map[string]*list.List
	most     int  // of one rule
	products bool // some rule asks for steps of any items of one product
}

// bind sets the bounds for the rules that hold.
func (g *begun) bind(set *rules.Set) {
	n := 0
	g.products = false
	for _, r := range set.Rules() {
		if r.Sequence != nil && r.Mode != rules.ModeOff {
			n++
			g.products = g.products || r.Sequence.Same == rules.SameProduct
		}
	}
	g.most = min(maxBegun, maxAllBegun/max(n, 1))
}

func (g *begun) add(t *track) {
	if g.byRule == nil {
		g.byRule = make(map[string]*list.List)
	}
	l := g.byRule[t.Rule]
	if l == nil {
		l = list.New()
		g.byRule[t.Rule] = l
	}
	t.begun = l.PushBack(t)
}

func (g *begun) remove(t *track) {
	if t.begun == nil {
		return
	}
	l := g.byRule[t.Rule]
	l.Remove(t.begun)
	if t.begun = nil; l.Len() == 0 {
		delete(g.byRule, t.Rule)
	}
}

// oldest returns a first step of the rule that is to be forgotten before another one is remembered,
// nil if there is room.
func (g *begun) oldest(rule string) *track {
	if l := g.byRule[rule]; l != nil && l.Len() >= g.most {
		return l.Front().Value.(*track)
	}
	return nil
}

// fits reports whether a first step is still one of its rule, which may have changed.
func (t *track) fits(r *rules.Rule) bool {
	return r.Sequence != nil && (r.Sequence.Same == rules.SameProduct) == (t.Place == rules.SameProduct)
}

// begin remembers the first step of a sequence.
func (b *Book) begin(f *event.Fact, c cause) {
	r := c.rule
	a := event.Alert{
		About: r.About, Severity: string(r.Severity), Key: f.Key, Text: f.Text, GTIN: f.GTIN, Place: c.subject.place,
		Stage: event.StageWithin,
	}
	if r.Sequence.Same == rules.SameProduct {
		if f.GTIN == 0 {
			return
		}
		a.Place = rules.SameProduct
	}
	for t := b.begun.oldest(r.Name); t != nil; t = b.begun.oldest(r.Name) {
		b.drop(t)
	}
	t := b.newAlert(r, a)
	b.begun.add(t)
	b.renew(t, f, c)
}

// renew lets the time for the second step begin again, since the first one happens again. What must
// not come within the time counts from the first time on. A first step that lasts, such as a place,
// counts for as long as it does, at most for the longest time that a rule may ask for.
func (b *Book) renew(t *track, f *event.Fact, c cause) {
	q := c.rule.Sequence
	if t.First.At != 0 && c.rule.Absent() {
		return
	}
	t.Cause, t.Passage, t.FactMs, t.FactN = f.Cause, f.Passage, f.Ms, f.N
	t.Zone = c.env.Zone.ID
	t.First = event.FirstStep{At: f.At, Zone: t.Zone, Lasts: !c.rule.Absent() && !q.Momentary()}
	if t.Key = f.Key; t.Place == rules.SameProduct {
		t.Text = f.Text
		t.First.Key, t.First.Text = f.Key, f.Text
	}
	if t.First.Lasts {
		b.setDue(t, b.now+rules.MaxWithin.Milliseconds())
	} else {
		b.age(t, c.rule)
	}
}

// age begins the time for the second step.
func (b *Book) age(t *track, r *rules.Rule) {
	t.First.Lasts = false
	b.setDue(t, b.hours.after(b.now, r.Sequence.Within, r.Sequence.Open))
}

// goOn evaluates a rule whose first step has happened.
func (b *Book) goOn(t *track, r *rules.Rule, s Subject, f *event.Fact, env *rules.Env) {
	c := cause{rule: r, subject: s, env: env}
	var off, then, first bool
	if off, c.err = b.eval.CalledOff(r, env); c.err == nil && !off {
		if t.First.Lasts {
			t.First.At = f.At // it was so until now
			b.mark(t)
		}
		if !r.Absent() && f.At >= t.First.At {
			then, c.err = b.eval.Then(r, env)
		}
		if c.err == nil && !then {
			first, c.err = b.eval.Begins(r, env)
		}
	}
	switch {
	case c.err != nil:
		b.fire(t, onFailed, f, c)
	case off:
		b.fire(t, onCalledOff, f, c)
	case then:
		b.fire(t, onTrue, f, c)
	case first:
		b.fire(t, onFirst, f, c)
	case t.First.Lasts:
		b.fire(t, onPast, f, c)
	}
}

// follow raises the alert of a sequence whose second step came.
func (b *Book) follow(t *track, f *event.Fact, c cause) {
	b.following.remove(t)
	b.discard(t, true)
	if b.following.of(c.subject, c.rule.Name) == nil && (b.hours.include(c.rule, b.now) || lasting(c.rule, c.env)) {
		if t.First.Key == f.Key {
			t.First.Key, t.First.Text = epc.Key{}, ""
		}
		b.raise(c.rule, c.subject, f, c.env, t.First)
	}
}

// lapse ends the time for the second step. That nothing came is what some rules ask for.
func (b *Book) lapse(t *track, r *rules.Rule) {
	if r == nil || r.Mode == rules.ModeOff || !r.Absent() {
		b.drop(t)
		return
	}
	env := b.shop.Env(t.subject, &t.Alert)
	if env == nil {
		b.drop(t)
		return
	}
	f := &event.Fact{
		Cause: t.Cause, Passage: t.Passage, At: b.now, Key: t.Key, Text: t.Text, GTIN: t.GTIN, Zone: env.Zone.ID,
		Ms: t.FactMs, N: t.FactN,
	}
	ok, err := b.eval.True(r, env)
	switch {
	case err != nil:
		b.report(r, err, f)
		b.drop(t)
	case !ok:
		b.drop(t)
	default:
		s := t.subject
		if s.about == 'p' {
			s = Item(t.Key)
		}
		b.follow(t, f, cause{rule: r, subject: s, env: env})
	}
}

// whyOf explains a rule in env, with what came first where there is an alert.
func whyOf(eval *rules.Evaluator, r *rules.Rule, env *rules.Env, t *track) *rules.Why {
	w := eval.Why(r, env)
	if w.First != nil && t != nil && t.First.At != 0 {
		v := t.First.View()
		w.First.Value, w.First.At, w.First.Zone, w.First.Item = true, v.At, v.Zone, v.Item
	}
	return w
}
