package engine

import (
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// Gathering: alerts of one rule that open within its gather time of a first one become part of it, one alert for a bag of twenty, not twenty; and a rule that needs
// several together says nothing of fewer.

// maxMembers is how many alerts are listed in words in the one that they joined; more are counted.
const maxMembers = 100

// groupOf says with which others an alert is gathered.
func groupOf(r *rules.Rule, env *rules.Env) string {
	switch {
	case r.Gather == 0:
		return ""
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

// leadOf finds the alert that this one joins, if it came in time.
func (s *State) leadOf(t *track) *track {
	lead := s.alerts.gathering[t.group()]
	if lead == nil || s.clock >= lead.GatherEnds || lead.Status != event.AlertOpen && lead.Status != event.AlertAcknowledged {
		return nil
	}
	return lead
}

// join makes an alert part of another, which tells of it later.
func (s *State) join(t, lead *track) {
	t.Lead = lead.ID
	s.mark(t)
	s.out.Joined = append(s.out.Joined, t.Alert)
	lead.MembersOn++
	lead.Joined++
	lead.Untold++
	if len(lead.Members) < maxMembers {
		lead.Members = append(slices.Clip(lead.Members), t.Say)
	}
	s.mark(lead)
}

func (s *State) setTellAt(t *track, at int64) {
	t.TellAt = at
	s.retime(t)
}

// wait lets an alert of a rule that needs several together wait for the others. With the last of them, the first becomes the alert, and the others part of it.
func (s *State) wait(t *track, r *rules.Rule) {
	k := t.group()
	list := append(s.alerts.waiting[k], t)
	slices.SortFunc(list, compareTracks)
	s.alerts.waiting[k] = list
	t.Stage = event.StageNeeds
	if len(list) < r.Needs {
		s.setTimer(t, s.clock+r.Gather.Milliseconds())
		return
	}
	delete(s.alerts.waiting, k)
	lead := list[0]
	for _, m := range list {
		s.opened(m)
	}
	for _, m := range list[1:] {
		s.join(m, lead)
	}
	lead.Untold = 0 // the first message names them all
	s.announce(lead, r)
}

func (s *State) stopWaiting(t *track) {
	if t.Stage != event.StageNeeds {
		return
	}
	k := t.group()
	list := s.alerts.waiting[k]
	if i := slices.Index(list, t); i >= 0 {
		list = slices.Delete(list, i, i+1)
	}
	if s.alerts.waiting[k] = list; len(list) == 0 {
		delete(s.alerts.waiting, k)
	}
}

// gathered tells of those that joined an alert, once the time for joining is over.
func (s *State) gathered(t *track) {
	s.tellJoined(t)
	if t.About == event.AboutStorm {
		s.stormTurn(t)
	}
}

func (s *State) tellJoined(t *track) {
	if t.Untold > 0 {
		t.Untold = 0
		s.mark(t)
		s.tell(t, event.ChangeGathered, t.Send)
	}
}

// leaveLead ends an alert that had joined another, and that one too if this was the last.
func (s *State) leaveLead(t *track) {
	s.discard(t, true)
	lead := s.alerts.byID[t.Lead]
	if lead == nil {
		return
	}
	lead.MembersOn--
	s.mark(lead)
	if lead.MembersOn == 0 && lead.Ended {
		s.tellJoined(lead) // what was over before anybody was told of it is told all the same
		s.clearAlert(lead)
	}
}

// members lists those that joined an alert, in the order in which they were raised.
func (s *State) members(t *track) []*track {
	if t.MembersOn == 0 {
		return nil
	}
	return slices.DeleteFunc(s.alerts.inOrder(), func(m *track) bool { return m.Lead != t.ID })
}

// closeMembers ends all that joined an alert which a person closed.
func (s *State) closeMembers(t *track) {
	for _, m := range s.members(t) {
		s.unfollow(m)
		s.discard(m, true)
	}
	t.MembersOn = 0
}
