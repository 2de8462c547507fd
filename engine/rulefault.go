package engine

import (
	"fmt"

	"lintel/engine/event"
	"lintel/rules"
)

// ruleFailed reports a rule that failed while running: once for each version of the rule, not once a fact.
func (s *State) ruleFailed(r *rules.Rule, err error, f *event.Fact) {
	subj := subject{about: 'f', place: r.Name}
	s.out.RuleErrors++
	for _, t := range s.alerts.bySubject[subj] {
		if t.Digest == r.Digest {
			return
		}
	}
	t := newTrack(event.Alert{
		ID: s.newAlertID(), Rule: r.Name, Digest: r.Digest, About: event.AboutRule, Severity: "warning", Status: event.AlertOpen,
		Since: s.clock, OpenedAt: s.clock, Cause: f.Cause, FactMs: f.Ms, FactN: f.N,
		Say: fmt.Sprintf("The rule %q failed and can't be trusted until it is mended: %v", r.Name, err),
	})
	if t.Watch = r.Mode == rules.ModeWatch; !t.Watch {
		t.Send = r.Send
	}
	s.alerts.byID[t.ID] = t
	s.follow(t)
	s.mark(t)
	s.tell(t, event.ChangeOpened, t.Send)
}
