package alert

import (
	"encoding/json"
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// raise starts an alert and takes it through the stages of its rule.
func (b *Book) raise(r *rules.Rule, s Subject, f *event.Fact, env *rules.Env, first event.FirstStep) {
	b.promote(b.newAlert(r, event.Alert{
		About: r.About, Severity: string(r.Severity), Key: f.Key, Text: f.Text, GTIN: f.GTIN, Zone: f.Zone, Place: s.place,
		Cause: f.Cause, Passage: f.Passage, FactMs: f.Ms, FactN: f.N, Group: groupOf(r, env), First: first,
	}), r, env)
}

// promote takes an alert whose condition is true as far as the stages of its rule let it: the hold,
// a quiet time that somebody's acknowledgement began, and the hours. The last stage, needs, is
// open's.
func (b *Book) promote(t *track, r *rules.Rule, env *rules.Env) {
	until := int64(0)
	switch end := b.hours.after(t.Since, r.Hold, r.HoldOpen); {
	case b.now < end && (t.About != event.AboutCount || t.Cause == event.Overdue): // what a count found does not change any more
		t.Stage, until = event.StageHold, end
	case b.now < b.memories.quietUntil(t):
		t.Stage, until = event.StageQuiet, b.memories.quietUntil(t)
	case lasting(r, env) && !b.hours.include(r, b.now):
		t.Stage, until = event.StageHours, b.hours.next(r, b.now)
	default:
		b.open(t, r, env)
		return
	}
	b.setDue(t, until)
}

// recheck evaluates the rule of a pending alert whose hold, quiet time or wait for hours is over.
// Facts would have dropped it if its condition had ended, but a new version of the rule or the
// layout may see it otherwise.
func (b *Book) recheck(t *track, r *rules.Rule) {
	if r == nil || r.Mode == rules.ModeOff {
		b.drop(t)
		return
	}
	env := b.shop.Env(t.subject, &t.Alert)
	if env == nil {
		b.drop(t)
		return
	}
	ok, err := b.eval.True(r, env)
	if err != nil {
		b.report(r, err, &event.Fact{Cause: t.Cause})
	}
	if ok && err == nil {
		b.promote(t, r, env)
	} else {
		b.drop(t)
	}
}

// open lets an alert be seen, or lets it wait for others if its rule needs several together. env is
// what the rule saw.
func (b *Book) open(t *track, r *rules.Rule, env *rules.Env) {
	if t.About == event.AboutItem { // it may have moved on since the condition became true
		t.Zone, t.Group = env.Zone.ID, groupOf(r, env)
	}
	b.shop.Identify(env, t.Key, t.Text)
	b.choose(t, r, env)
	if why, err := json.Marshal(whyOf(b.eval, r, env, t)); err == nil {
		t.Why = why
	}
	if r.Gather > 0 {
		if lead := b.gathers.leadOf(t, b.now); lead != nil {
			b.setOpen(t)
			more := b.join(t, lead, r)
			b.setGatherDue(lead)
			if more {
				b.notifyJoined(lead)
			}
			return
		}
		if r.Needs > 1 {
			b.await(t, r)
			return
		}
	}
	b.setOpen(t)
	b.announce(t, r)
}

// choose decides how an alert is sent: as the rule itself says, or as the first of its alternatives
// says that is true now. It stays so.
func (b *Book) choose(t *track, r *rules.Rule, env *rules.Env) {
	n, err := b.eval.Choose(r, env)
	if err != nil {
		b.report(r, err, &event.Fact{Cause: t.Cause})
	}
	c := r.Chosen(n)
	t.Alternative, t.Severity, t.Say = n, string(c.Severity), b.eval.Say(c, env)
}

// setOpen makes an alert one that is open from now on.
func (b *Book) setOpen(t *track) {
	t.Status, t.Stage, t.OpenedAt, t.Due = event.AlertOpen, event.StageNone, b.now, 0
	b.retime(t)
}

// lower ends the condition of an alert, now or after the rule's clear delay.
func (b *Book) lower(t *track, r *rules.Rule) {
	switch {
	case r.Clear == 0:
		b.end(t)
	case t.Due == 0:
		b.setDue(t, b.now+r.Clear.Milliseconds())
	}
}

// drop ends a pending alert, which nobody has seen.
func (b *Book) drop(t *track) {
	b.dropped[t.Stage]++
	b.gathers.stopWaiting(t)
	b.following.remove(t)
	b.discard(t, true)
}

// end ends an alert whose condition has ended: it stays for those that joined it, leaves the one
// that it joined, or clears.
func (b *Book) end(t *track) {
	b.following.remove(t)
	switch {
	case t.MembersOn > 0:
		t.Ended = true
		b.setDue(t, 0)
	case t.Lead != "":
		b.leaveLead(t)
	default:
		b.clear(t)
	}
}

// clear ends an alert by itself; a person may still close it with an outcome.
func (b *Book) clear(t *track) {
	t.Status, t.EndedAt = event.AlertCleared, b.now
	b.endTimers(t)
	b.notify(t, event.ChangeCleared, t.Send)
}

// endTimers ends all that an alert would have done later, since it is over.
func (b *Book) endTimers(t *track) {
	t.Due, t.TellAt, t.RemindAt, t.EscalateAt, t.Untold = 0, 0, 0, 0, 0
	b.gathers.end(t)
	b.retime(t)
}

// Act carries out what a person did to an alert. What no longer fits, such as a late click, changes
// nothing.
func (b *Book) Act(a *event.Act, by string) {
	t := b.byID[a.Alert]
	c := cause{act: a, by: by}
	known := slices.Contains(event.Outcomes.Texts(), a.Outcome)
	switch {
	case t == nil || len(t.History) >= event.MaxHistory && a.Do != event.ActClose:
	case a.Do == event.ActComment && a.Note != "":
		b.fire(t, onComment, nil, c)
	case a.Do == event.ActCorrect && known && a.Outcome != t.Outcome:
		b.fire(t, onCorrect, nil, c)
	case a.Do == event.ActAcknowledge:
		b.fire(t, onAcknowledge, nil, c)
	case a.Do == event.ActClose && known:
		b.fire(t, onClose, nil, c)
	}
}

// acknowledge notes that a person has an alert in hand.
func (b *Book) acknowledge(t *track, c cause) {
	t.Status, t.AckedAt, t.AckedBy = event.AlertAcknowledged, b.now, c.by
	b.note(t, c)
	t.RemindAt, t.EscalateAt = 0, 0
	b.retime(t)
	b.beQuiet(t)
	b.notify(t, event.ChangeAcknowledged, t.Send)
}

// close ends an alert, with all that joined it, by what a person found.
func (b *Book) close(t *track, c cause) {
	b.beQuiet(t)
	b.following.remove(t)
	t.Status, t.ClosedAt, t.ClosedBy, t.Outcome = event.AlertClosed, b.now, c.by, c.act.Outcome
	b.note(t, c)
	for _, m := range b.members(t) {
		b.following.remove(m)
		b.discard(m, true)
	}
	t.MembersOn = 0
	b.endTimers(t)
	b.notify(t, event.ChangeClosed, t.Send)
}

// note keeps what a person did.
func (b *Book) note(t *track, c cause) {
	if c.act.Note != "" {
		t.Note = c.act.Note
	}
	// A new list each time: changes that are under way hold the old one.
	t.History = append(slices.Clip(t.History), event.AlertAct{At: b.now, By: c.by, Do: c.act.Do, Outcome: c.act.Outcome, Note: c.act.Note})
	b.mark(t)
}

// comment keeps what a person wrote. No channel is notified.
func (b *Book) comment(t *track, c cause) {
	b.note(t, c)
	b.notify(t, event.ChangeCommented, nil)
}

// correct takes another outcome than the one that the alert was closed with. Who closed it, and when,
// stays.
func (b *Book) correct(t *track, c cause) {
	t.Outcome = c.act.Outcome
	b.note(t, c)
	b.notify(t, event.ChangeCorrected, t.Send)
}

// notify makes the messages of one change of an alert, one for each channel.
func (b *Book) notify(t *track, change string, channels []string) {
	if len(channels) == 0 {
		b.shop.Changed(change, &t.Alert, nil)
		return
	}
	t.Orders++
	b.mark(t)
	data, err := json.Marshal(event.Message{Alert: t.View(b.site), Order: t.Orders, Product: b.shop.Product(t.GTIN)})
	if err != nil { // all its parts are strings, numbers and JSON that was marshalled before
		panic(fmt.Sprintf("alert: an alert that does not marshal: %v", err))
	}
	id := fmt.Sprintf("msg_%s-%d%s-", t.ID, t.Orders, incarnation(b.Incarnation)) // the alert may be of an earlier one
	messages := make([]event.Delivery, len(channels))
	for i, c := range channels {
		messages[i] = event.Delivery{
			ID: id + c, Channel: c, Type: change, Alert: t.ID, Order: t.Orders,
			At: b.now, Data: data,
		}
	}
	b.shop.Changed(change, &t.Alert, messages)
}
