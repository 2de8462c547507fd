package alert

import (
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// Alerts of one rule that open within its gather time of a first one join it: one alert for a bag
// of twenty, not twenty. A rule that needs several together notifies nobody of fewer.

// maxMembers is how many alerts are listed in words in the one that they joined; more are counted.
const maxMembers = 100

// groupOf says with which others an alert is gathered.
func groupOf(r *rules.Rule, env *rules.Env) string {
	switch {
	case r.Gather == 0:
	case r.GatherBy == rules.ByZone:
		return env.Zone.ID
	case r.GatherBy == rules.ByFrom:
		return env.From.ID
	case r.GatherBy == rules.ByProduct:
		return env.Product.GTIN
	}
	return ""
}

// group is the alert's rule and group, as one key.
func (t *track) group() string { return t.Rule + "\x00" + t.Group }

// gathers holds the alerts that others may join, and those that wait for others, by rule and group.
type gathers struct {
	leads   map[string]*track
	waiting map[string][]*track
}

// begin lets others join an alert, end no longer.
func (g *gathers) begin(t *track) { g.leads[t.group()] = t }

func (g *gathers) end(t *track) {
	if k := t.group(); g.leads[k] == t {
		delete(g.leads, k)
	}
}

// leadOf finds the alert that this one joins, if it came in time.
func (g *gathers) leadOf(t *track, now int64) *track {
	lead := g.leads[t.group()]
	if lead == nil || now >= lead.GatherEnds || lead.Status != event.AlertOpen && lead.Status != event.AlertAcknowledged {
		return nil
	}
	return lead
}

// wait lets an alert wait for others, and returns all that wait together in the order in which they
// were raised.
func (g *gathers) wait(t *track) []*track {
	k := t.group()
	list := append(g.waiting[k], t)
	slices.SortFunc(list, compareTracks)
	g.waiting[k] = list
	return list
}

func (g *gathers) stopWaiting(t *track) {
	if t.Stage != event.StageNeeds {
		return
	}
	k := t.group()
	list := g.waiting[k]
	if i := slices.Index(list, t); i >= 0 {
		list = slices.Delete(list, i, i+1)
	}
	if g.waiting[k] = list; len(list) == 0 {
		delete(g.waiting, k)
	}
}

// join makes an alert part of another, which names it later. The other becomes as pressing as it is,
// and goes to its channels too; more says that this changed something of an alert that is open.
func (b *Book) join(t, lead *track, r *rules.Rule) (more bool) {
	t.Lead = lead.ID
	b.mark(t)
	b.shop.Joined(&t.Alert)
	lead.MembersOn++
	lead.Joined++
	lead.Untold++
	if len(lead.Members) < maxMembers {
		lead.Members = append(slices.Clip(lead.Members), t.Say)
	}
	b.mark(lead)
	return lead.rise(t, r)
}

// rise makes an alert at least as pressing as one that joined it, and adds the channels of that one;
// more says that this changed something. An alert of which nobody was notified yet gets its channels
// later, all together.
func (t *track) rise(joined *track, r *rules.Rule) (more bool) {
	if rules.Severity(joined.Severity).More(rules.Severity(t.Severity)) {
		t.Severity, more = joined.Severity, true
	}
	if t.OpenedAt != 0 && t.GatherEnds != 0 && !t.Watch {
		before := len(t.Send)
		t.Send = withChannels(t.Send, r.Chosen(joined.Alternative).Send)
		more = more || len(t.Send) > before
	}
	return more
}

// withChannels adds channels to a list that does not have them.
func withChannels(list, more []string) []string {
	for _, c := range more {
		if !slices.Contains(list, c) {
			list = append(slices.Clip(list), c)
		}
	}
	return list
}

// setGatherDue sets that those that joined an alert are named when the time for joining is over.
func (b *Book) setGatherDue(t *track) {
	t.TellAt = t.GatherEnds
	b.retime(t)
}

// await lets an alert of a rule that needs several together wait for the others. With the last of
// them, the first becomes the alert, and the others part of it.
func (b *Book) await(t *track, r *rules.Rule) {
	list := b.gathers.wait(t)
	t.Stage = event.StageNeeds
	if len(list) < r.Needs {
		b.setDue(t, b.now+r.Gather.Milliseconds())
		return
	}
	delete(b.gathers.waiting, t.group())
	lead := list[0]
	for _, m := range list {
		b.setOpen(m)
	}
	for _, m := range list[1:] {
		b.join(m, lead, r)
	}
	lead.Untold = 0 // the first message names them all
	b.announce(lead, r)
}

// notifyJoined names those that joined an alert and that no message has named yet.
func (b *Book) notifyJoined(t *track) {
	if t.Untold > 0 {
		t.Untold = 0
		b.mark(t)
		b.notify(t, event.ChangeGathered, t.Send)
	}
}

// leaveLead ends an alert that had joined another.
func (b *Book) leaveLead(t *track) {
	b.discard(t, true)
	lead := b.byID[t.Lead]
	if lead == nil {
		return
	}
	lead.MembersOn--
	b.mark(lead)
	if lead.MembersOn == 0 {
		b.fire(lead, onEmpty, nil, cause{})
	}
}
