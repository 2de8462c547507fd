package engine

import (
	"slices"

	"lintel/rules"
)

// Gathering: alerts of one rule that open within its gather time of a first one become part of it.

// maxMembers is how many alerts are listed in words in the one that they joined; more are counted.
const maxMembers = 100

// join makes an alert part of one of its rule that opened a moment ago, if there is one: one alert for a bag of twenty, not twenty.
func (s *State) join(t *track, r *rules.Rule) bool {
	lead := s.alerts.gathering[r.Name]
	if lead == nil || s.clock >= lead.GatherEnds || lead.Status != AlertOpen && lead.Status != AlertAcknowledged {
		return false
	}
	t.Lead = lead.ID
	s.mark(t)
	lead.MembersOn++
	lead.Untold++
	if len(lead.Members) < maxMembers {
		lead.Members = append(slices.Clip(lead.Members), t.Say)
	}
	s.setTimer(lead, lead.GatherEnds)
	return true
}

// gathered tells of those that joined an alert, once the time for joining is over.
func (s *State) gathered(t *track) {
	if t.Untold == 0 {
		return
	}
	s.mark(t)
	s.tell(t, "alert.gathered")
}

// leaveLead ends an alert that had joined another, and that one too if this was the last.
func (s *State) leaveLead(t *track) {
	delete(s.alerts.byID, t.ID)
	s.dirty.dropped = append(s.dirty.dropped, t.ID)
	lead := s.alerts.byID[t.Lead]
	if lead == nil {
		return
	}
	lead.MembersOn--
	s.mark(lead)
	if lead.MembersOn == 0 && lead.Ended {
		s.clearAlert(lead)
	}
}

// closeMembers ends all that joined an alert which a person closed.
func (s *State) closeMembers(t *track) {
	if t.MembersOn == 0 {
		return
	}
	for _, m := range s.alerts.inOrder() {
		if m.Lead == t.ID {
			s.setTimer(m, 0)
			s.unfollow(m)
			delete(s.alerts.byID, m.ID)
			s.dirty.dropped = append(s.dirty.dropped, m.ID)
		}
	}
	t.MembersOn = 0
}
