package engine

import (
	"container/heap"
	"encoding/json"
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// The life of an alert: raised while the rule's stages hold it back, open, acknowledged, and cleared or closed in the end. What keeps alerts from being noise is in
// noise.go and gather.go.

// raise starts an alert: pending while a stage of the rule holds it back, else open at once.
func (s *State) raise(r *rules.Rule, subj subject, f *event.Fact, env *rules.Env) {
	t := newTrack(event.Alert{
		ID: s.newAlertID(), Rule: r.Name, Digest: r.Digest, About: r.About, Severity: string(r.Severity), Watch: r.Mode == rules.ModeWatch,
		Key: f.Key, Text: f.Text, GTIN: f.GTIN, Zone: f.Zone, Place: subj.place, Cause: f.Cause, Passage: f.Passage, FactMs: f.Ms, FactN: f.N,
		Since: s.clock, Group: groupOf(r, env),
	})
	s.alerts.byID[t.ID] = t
	s.follow(t)
	s.promote(t, r, env)
}

// follow puts a track where facts about its subject find it.
func (s *State) follow(t *track) {
	s.alerts.bySubject[t.subject] = append(s.alerts.bySubject[t.subject], t)
	if t.subject.about == 'i' {
		if i := s.find(t.subject.key); i >= 0 {
			s.item(i).flags |= flagTracked
		}
	}
}

func (s *State) unfollow(t *track) {
	list := s.alerts.bySubject[t.subject]
	if k := slices.Index(list, t); k >= 0 {
		list = slices.Delete(list, k, k+1)
	}
	if len(list) > 0 {
		s.alerts.bySubject[t.subject] = list
		return
	}
	delete(s.alerts.bySubject, t.subject)
	if t.subject.about == 'i' {
		if i := s.find(t.subject.key); i >= 0 {
			s.item(i).flags &^= flagTracked
		}
	}
}

// promote takes an alert whose condition is true as far as the rule's stages let it: the hold, a quiet time that somebody's acknowledgement began, and the hours.
func (s *State) promote(t *track, r *rules.Rule, env *rules.Env) {
	wait := func(stage event.Stage, until int64) {
		t.Stage = stage
		s.setTimer(t, until)
	}
	// What a count found does not change any more, and is not kept to be looked at again.
	if end := t.Since + r.Hold.Milliseconds(); s.clock < end && t.About != event.AboutCount {
		wait(event.StageHold, end)
		return
	}
	if until := s.quietUntil(t); s.clock < until {
		wait(event.StageQuiet, until)
		return
	}
	if lasting(r, env) && !s.inHours(r) {
		wait(event.StageHours, s.nextHours(r))
		return
	}
	s.open(t, r, env)
}

// open lets an alert be seen; env is what the rule saw.
func (s *State) open(t *track, r *rules.Rule, env *rules.Env) {
	s.fillWords(env, t.Key, t.Text)
	s.bound.eval.Bind(env)
	t.Say = s.bound.eval.Say(r)
	if why, err := json.Marshal(s.bound.eval.Why(r)); err == nil {
		t.Why = why
	}
	if r.Gather > 0 {
		if lead := s.leadOf(t); lead != nil {
			s.opened(t)
			s.join(t, lead)
			s.setTellAt(lead, lead.GatherEnds)
			return
		}
		if r.Needs > 1 {
			s.wait(t, r)
			return
		}
	}
	s.opened(t)
	s.announce(t, r)
}

// opened notes that an alert is open from now on.
func (s *State) opened(t *track) {
	t.Status, t.Stage, t.OpenedAt, t.Due = event.AlertOpen, event.StageNone, s.clock, 0
	s.retime(t)
}

// lower ends an alert's condition: a pending one was never told and is dropped, an open one clears now or after the rule's clear delay.
func (s *State) lower(t *track, r *rules.Rule) {
	switch {
	case t.Status == event.AlertPending:
		s.drop(t)
	case r != nil && r.Clear > 0:
		if t.Due == 0 {
			s.setTimer(t, s.clock+r.Clear.Milliseconds())
		}
	default:
		s.clearAlert(t)
	}
}

// drop ends a pending alert, which nobody has seen.
func (s *State) drop(t *track) {
	s.alerts.dropped[t.Stage]++
	s.stopWaiting(t)
	s.unfollow(t)
	s.discard(t, true)
}

func (s *State) clearAlert(t *track) {
	s.unfollow(t)
	if t.MembersOn > 0 {
		t.Ended = true // the others that joined it go on
		s.setTimer(t, 0)
		return
	}
	if t.Lead != "" {
		s.leaveLead(t)
		return
	}
	t.Status, t.EndedAt = event.AlertCleared, s.clock
	s.endTimers(t)
	s.tell(t, event.ChangeCleared, t.Send)
}

// endTimers ends all that an alert would have done later, since it is over.
func (s *State) endTimers(t *track) {
	t.Due, t.TellAt, t.RemindAt, t.EscalateAt, t.Untold = 0, 0, 0, 0, 0
	if k := t.group(); s.alerts.gathering[k] == t {
		delete(s.alerts.gathering, k)
	}
	s.retime(t)
}

// tell makes the deliveries of one change of an alert, one for each channel.
func (s *State) tell(t *track, change string, channels []string) {
	s.out.Alerts = append(s.out.Alerts, AlertChange{Seq: s.seq, At: s.clock, Type: change, Alert: t.Alert})
	if len(channels) == 0 {
		return
	}
	t.Orders++
	s.mark(t)
	data, err := json.Marshal(struct {
		Alert   event.AlertView `json:"alert"`
		Order   int             `json:"order"`
		Product *productView    `json:"product,omitempty"`
	}{t.View(s.site), t.Orders, s.productView(t.GTIN)})
	if err != nil {
		panic(fmt.Sprintf("engine: an alert that does not marshal: %v", err)) // all its parts are strings, numbers and JSON that was marshalled before
	}
	for _, c := range channels {
		s.out.Deliveries = append(s.out.Deliveries, event.Delivery{
			ID: fmt.Sprintf("msg_%s-%d-%s", t.ID, t.Orders, c), Channel: c, Type: change, Alert: t.ID, Order: t.Orders, At: s.clock, Data: data,
		})
	}
}

type productView struct {
	GTIN     string  `json:"gtin"`
	SKU      string  `json:"sku,omitempty"`
	Name     string  `json:"name"`
	Category string  `json:"category,omitempty"`
	Price    float64 `json:"price,omitempty"`
}

func (s *State) productView(gtin uint64) *productView {
	i, ok := s.bound.cfg.Catalog.ByGTIN(gtin)
	if !ok {
		return nil
	}
	p := s.bound.cfg.Catalog.At(i)
	return &productView{GTIN: event.GTINText(p.GTIN), SKU: p.SKU, Name: p.Name, Category: p.Category, Price: p.Price}
}

// ring does what the timers that are due ask for.
func (s *State) ring() {
	for len(s.alerts.timers) > 0 && s.alerts.timers[0].wake <= s.clock {
		t := heap.Pop(&s.alerts.timers).(*track)
		s.rang(t)
		if s.alerts.byID[t.ID] == t && t.at < 0 {
			s.retime(t)
		}
	}
}

// rang does what one alert's timers ask for, those that are due.
func (s *State) rang(t *track) {
	due := func(at *int64) bool {
		if *at == 0 || *at > s.clock || s.alerts.byID[t.ID] != t {
			return false
		}
		*at = 0
		return true
	}
	if t.Status == event.AlertCleared {
		s.discard(t, false)
		return
	}
	if due(&t.Due) {
		if t.Status == event.AlertPending {
			s.waited(t)
		} else {
			s.clearAlert(t)
		}
	}
	if due(&t.TellAt) {
		s.gathered(t)
	}
	if due(&t.EscalateAt) {
		s.escalate(t)
	}
	if due(&t.RemindAt) {
		s.remind(t)
	}
}

// waited goes on with an alert whose hold, quiet time or wait for hours is over. Facts would have lowered it if it had ended, but a new version of the rule or the
// layout may see it otherwise.
func (s *State) waited(t *track) {
	r := s.bound.rulesByName[t.Rule]
	env := s.envOf(t)
	if t.Stage == event.StageNeeds || r == nil || r.Mode == rules.ModeOff || env == nil {
		s.lower(t, r)
		return
	}
	s.bound.eval.Bind(env)
	if ok, err := s.bound.eval.True(r); err != nil {
		s.ruleFailed(r, err, &event.Fact{Cause: t.Cause})
		s.lower(t, r)
	} else if !ok {
		s.lower(t, r)
	} else {
		s.promote(t, r, env)
	}
}

// act carries out what a person did to an alert. What no longer fits (a late click) changes nothing.
func (s *State) act(a *event.Act, by string) {
	t := s.alerts.byID[a.Alert]
	if t == nil || t.Status == event.AlertPending || t.Lead != "" {
		return
	}
	switch {
	case a.Do == "acknowledge" && t.Status == event.AlertOpen:
		t.Status, t.AckedAt, t.AckedBy = event.AlertAcknowledged, s.clock, by
		if a.Note != "" {
			t.Note = a.Note
		}
		t.RemindAt, t.EscalateAt = 0, 0
		s.retime(t)
		s.quieten(t)
		s.tell(t, event.ChangeAcknowledged, t.Send)
	case a.Do == "close" && slices.Contains(event.Outcomes.Texts(), a.Outcome):
		s.quieten(t)
		s.unfollow(t)
		t.Status, t.ClosedAt, t.ClosedBy, t.Outcome = event.AlertClosed, s.clock, by, a.Outcome
		if a.Note != "" {
			t.Note = a.Note
		}
		s.closeMembers(t)
		s.endTimers(t)
		s.discard(t, false)
		s.tell(t, event.ChangeClosed, t.Send)
	}
}
