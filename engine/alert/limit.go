package alert

import (
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// How many alerts of a rule are notified one by one, and what happens while nobody acknowledges
// one.

// announce notifies of an alert that opened. Alerts beyond the limit of the rule are merged into
// one storm alert; none is discarded.
func (b *Book) announce(t *track, r *rules.Rule) {
	limit := b.set.LimitOf(r)
	m := b.memories.of(r.Name)
	lead := b.following.of(storm(r.Name), r.Name)
	if lead == nil && b.now >= m.start+limit.Per.Milliseconds() {
		m.start, m.n = b.now, 0
	}
	if m.n++; lead == nil && m.n > limit.N {
		lead = b.newAlert(r, event.Alert{
			About: event.AboutStorm, Severity: string(r.Severity), GatherEnds: m.start + limit.Per.Milliseconds(),
		})
	}
	if lead == nil {
		if r.Gather > 0 {
			t.GatherEnds = b.now + r.Gather.Milliseconds()
			b.gathers.begin(t)
		}
		b.notifyFirst(t, r)
		return
	}
	more := b.join(t, lead, r)
	more = b.adopt(t, lead, r) || more
	lead.Say = fmt.Sprintf("The rule %s raised more alerts than are sent one by one: %d more are gathered here. "+
		"Look whether a reader is disturbed or the rule is too wide", lead.Rule, lead.Joined)
	if lead.OpenedAt == 0 {
		b.setOpen(lead)
		lead.Untold = 0
		b.notifyFirst(lead, r)
		b.setGatherDue(lead)
	} else if more {
		b.notifyJoined(lead)
	}
}

// adopt gives those that had joined an alert to the one that it became part of.
func (b *Book) adopt(t, lead *track, r *rules.Rule) (more bool) {
	for _, m := range b.members(t) {
		m.Lead = lead.ID
		b.mark(m)
		more = lead.rise(m, r) || more
	}
	lead.MembersOn += t.MembersOn
	lead.Joined += t.Joined
	lead.Members = append(slices.Clip(lead.Members), t.Members[:min(len(t.Members), maxMembers-len(lead.Members))]...)
	t.MembersOn, t.Joined, t.Members = 0, 0, nil
	return more
}

// notifyFirst notifies of an alert for the first time, and sets when its channels, or others, are
// notified again.
func (b *Book) notifyFirst(t *track, r *rules.Rule) {
	if !t.Watch {
		t.Send = nil
		if t.About != event.AboutStorm {
			t.Send = r.Chosen(t.Alternative).Send
		}
		for _, m := range b.members(t) {
			t.Send = withChannels(t.Send, r.Chosen(m.Alternative).Send)
		}
		if r.Remind > 0 && len(t.Send) > 0 {
			t.RemindAt = b.now + r.Remind.Milliseconds()
		}
		if r.Escalate > 0 {
			t.EscalateAt = b.now + r.Escalate.Milliseconds()
		}
	}
	b.notify(t, event.ChangeOpened, t.Send)
	b.retime(t)
}

// turnStorm ends one length of the limit's time while a rule raises more than its limit. The storm
// is over when a whole one brought no more than the limit.
func (b *Book) turnStorm(t *track, r *rules.Rule) {
	m := b.memories.of(t.Rule)
	if r != nil {
		if limit := b.set.LimitOf(r); m.n > limit.N {
			m.start, m.n = b.now, 0
			t.GatherEnds = b.now + limit.Per.Milliseconds()
			b.setGatherDue(t)
			return
		}
	}
	m.start, m.n = 0, 0
	b.end(t)
}

// escalate notifies others that nobody acknowledged an alert in time.
func (b *Book) escalate(t *track, r *rules.Rule) {
	if r == nil || len(r.EscalateTo) == 0 {
		return
	}
	t.EscalatedAt = b.now
	t.Send = withChannels(t.Send, r.EscalateTo) // they are notified of how it ends, too
	b.mark(t)
	b.notify(t, event.ChangeEscalated, r.EscalateTo)
}

// remind notifies again of an alert that nobody acknowledged.
func (b *Book) remind(t *track, r *rules.Rule) {
	switch {
	case r == nil || r.Remind == 0:
	case !b.hours.include(r, b.now):
		t.RemindAt = b.hours.next(r, b.now)
	default:
		t.Reminders++
		t.RemindAt = b.now + r.Remind.Milliseconds()
		b.mark(t)
		b.notify(t, event.ChangeReminded, t.Send)
	}
}
