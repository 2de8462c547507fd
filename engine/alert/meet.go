package alert

import (
	"errors"
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// Meet lets a fact meet the rules about its subject: first those that have an alert about it, then
// those that the fact may make true.
func (b *Book) Meet(s Subject, f *event.Fact, env *rules.Env) {
	followed := b.followed(s, f.GTIN)
	cause := f.Cause.String()
	left := maxMeeting
	for _, t := range followed {
		if r := b.byName[t.Rule]; r != nil && r.ConcernedBy(cause) {
			if left -= 2 * r.Cost(); left < 0 {
				b.leave(r, t, f)
				continue
			}
			b.evaluateAgain(t, r, s, f, env)
		}
	}
	for _, r := range b.eval.Candidates(s.About(), cause, env) {
		if slices.ContainsFunc(followed, func(t *track) bool { return t.Rule == r.Name }) {
			continue
		}
		if left -= r.Cost(); left < 0 {
			b.leave(r, nil, f)
			continue
		}
		b.evaluate(r, s, f, env)
	}
}

// maxMeeting is how much work one fact may be. Documents of rules are refused from half of it on, since
// a rule that has an alert can be evaluated twice; only rules that a store has from before can reach it.
const maxMeeting = 2 * rules.MaxCost

var errTooDear = errors.New("the rules before it in the document take too long, so that it was not evaluated: " +
	"the document must be made smaller")

// leave counts a rule as failed that is not evaluated since those before it were too much work. A report
// is made for the first one only: the others would say the same.
func (b *Book) leave(r *rules.Rule, t *track, f *event.Fact) {
	if b.leftSeq != b.seq || b.left == nil {
		b.left, b.leftSeq = r, b.seq
	}
	if b.left == r {
		b.fire(t, onFailed, f, cause{rule: r, err: errTooDear})
		return
	}
	b.failures++
}

// tooDear reports whether a rule is one of those that are not evaluated when a fact about a subject
// comes in.
func (b *Book) tooDear(r *rules.Rule, s Subject, gtin uint64, cause string, env *rules.Env) bool {
	left := maxMeeting
	for _, t := range b.followed(s, gtin) {
		if other := b.byName[t.Rule]; other != nil && other.ConcernedBy(cause) {
			if left -= 2 * other.Cost(); other == r {
				return left < 0
			}
		}
	}
	for _, other := range b.eval.Candidates(s.About(), cause, env) {
		if b.trackOf(s, gtin, other) != nil {
			continue
		}
		if left -= other.Cost(); other == r {
			return left < 0
		}
	}
	return false
}

// MeetRule lets a fact meet one rule about its subject.
func (b *Book) MeetRule(r *rules.Rule, s Subject, f *event.Fact, env *rules.Env) {
	if t := b.trackOf(s, f.GTIN, r); t != nil {
		b.evaluateAgain(t, r, s, f, env)
	} else {
		b.evaluate(r, s, f, env)
	}
}

// True reports whether a rule is true in env; a rule that fails is not.
func (b *Book) True(r *rules.Rule, env *rules.Env) bool {
	ok, err := b.eval.True(r, env)
	return ok && err == nil
}

// evaluate evaluates a rule that has no alert about the subject.
func (b *Book) evaluate(r *rules.Rule, s Subject, f *event.Fact, env *rules.Env) {
	c := cause{rule: r, subject: s, env: env}
	if r.Sequence != nil {
		if first, err := b.eval.First(r, env); err != nil {
			c.err = err
			b.fire(nil, onFailed, f, c)
		} else if first {
			b.fire(nil, onFirst, f, c)
		}
		return
	}
	ok, err := b.eval.True(r, env)
	if c.err = err; err != nil {
		b.fire(nil, onFailed, f, c)
	} else if ok && (b.hours.include(r, b.now) || lasting(r, env)) {
		b.fire(nil, onTrue, f, c)
	}
}

// evaluateAgain evaluates a rule for a subject that it already has an alert about. For an item, the
// cause and the passage are those that raised the alert and all else is as it is now: so a rule
// about a passage is not ended by the next fact that is none, and a sale ends it. Where that is
// false, the fact itself may still make the rule true. A read point is silent or not: there the
// cause is the present one; so it is with an item that was not heard and is heard again.
func (b *Book) evaluateAgain(t *track, r *rules.Rule, s Subject, f *event.Fact, env *rules.Env) {
	if t.state() == stateWithin {
		b.goOn(t, r, s, f, env)
		return
	}
	c := cause{rule: r}
	var ok, off bool
	if off, c.err = b.eval.CalledOff(r, env); off {
		b.fire(t, onCalledOff, f, c)
		return
	}
	still := t.Cause != event.Near || env.Near.Door != ""             // what lingered may be gone
	still = still && !(env.Item.Present && absence(t.Cause.String())) // and what was not heard be back
	if c.err == nil && t.About == event.AboutItem && still {
		then := *env
		then.Cause, then.Passage = t.Cause.String(), Passage(t.Passage)
		ok, c.err = b.eval.True(r, &then)
	}
	if !ok && c.err == nil && (t.About != event.AboutItem || t.Cause != f.Cause) {
		ok, c.err = b.eval.True(r, env)
	}
	switch {
	case c.err != nil:
		b.fire(t, onFailed, f, c)
	case ok:
		b.fire(t, onTrue, f, c)
	default:
		b.fire(t, onFalse, f, c)
	}
}

// Passage returns a passage as rules see it.
func Passage(p event.Passage) rules.Passage {
	if p.Direction == event.DirectionNone { // there is none, or it lingers near a door
		return rules.Passage{}
	}
	v := rules.Passage{
		Direction: p.Direction.String(), Door: p.Door, Sure: p.Direction != event.DirectionNone && !p.Likely, Confidence: p.Confidence,
		Reads: p.Reads, Seconds: float64(p.Span) / 1000,
	}
	if p.Direction != event.DirectionNone && p.Peak != event.NoRSSI {
		v.PeakRSSI = float64(p.Peak) / 10
	}
	return v
}

// report notifies that a rule failed while it ran: once for each version of the rule, not once a
// fact.
func (b *Book) report(r *rules.Rule, err error, f *event.Fact) {
	b.failures++
	for _, t := range b.following[failure(r.Name)] {
		if t.Digest == r.Digest {
			return
		}
	}
	t := b.newAlert(r, event.Alert{
		About: event.AboutRule, Severity: string(rules.Warning), Status: event.AlertOpen, OpenedAt: b.now,
		Cause: f.Cause, FactMs: f.Ms, FactN: f.N,
		Say: fmt.Sprintf("The rule %q failed and can't be trusted until it is fixed: %v", r.Name, err),
	})
	if !t.Watch {
		t.Send = r.Send
	}
	b.mark(t)
	b.notify(t, event.ChangeOpened, t.Send)
}

// Withdraw looks at all alerts after Bind: those whose rule is gone or off end, and reports of
// failure end with the version that failed. What is remembered of rules that are gone is forgotten.
func (b *Book) Withdraw() {
	for _, t := range b.inOrder() {
		r := b.byName[t.Rule]
		if r == nil || r.Mode == rules.ModeOff || t.About == event.AboutRule && r.Digest != t.Digest || t.begun != nil && !t.fits(r) {
			b.fire(t, onWithdraw, nil, cause{rule: r})
		}
	}
	b.memories.keepOnly(b.byName)
}
