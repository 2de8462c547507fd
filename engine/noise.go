package engine

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/event"
	"lintel/rules"
)

// What keeps alerts from being noise: how many are told, when, and how often again.

// ruleState is what is remembered of a rule: how many alerts it raised lately, and which subjects it is quiet about.
type ruleState struct {
	start int64 // of the time in which alerts are counted, 0: none was raised
	n     int   // how many were raised in it
	quiet map[subject]int64
	dirty bool
	gone  bool
}

const (
	ruleVersion = 1
	// maxQuiet is how many subjects a rule can be quiet about; of more, those whose quiet ends first are forgotten.
	maxQuiet = 10_000
)

func (s *State) ruleOf(name string) *ruleState {
	st := s.alerts.rules[name]
	if st == nil {
		st = &ruleState{}
		s.alerts.rules[name] = st
	}
	return st
}

func (s *State) markRule(name string, st *ruleState) {
	if !st.dirty {
		st.dirty = true
		s.dirty.rules = append(s.dirty.rules, dirtyRule{name, st})
	}
}

type dirtyRule struct {
	name string
	*ruleState
}

func compareSubjects(a, b subject) int {
	return cmp.Or(cmp.Compare(a.about, b.about), cmp.Compare(a.key.Hi, b.key.Hi), cmp.Compare(a.key.Lo, b.key.Lo), cmp.Compare(a.place, b.place))
}

func appendRuleState(b []byte, st *ruleState) []byte {
	b = msgp.AppendArrayHeader(b, uint32(3+5*len(st.quiet)))
	b = msgp.AppendInt(b, ruleVersion)
	b = msgp.AppendInt64(b, st.start)
	b = msgp.AppendInt(b, st.n)
	for _, subj := range slices.SortedFunc(maps.Keys(st.quiet), compareSubjects) {
		b = msgp.AppendUint8(b, subj.about)
		b = event.AppendKey(b, subj.key)
		b = msgp.AppendString(b, subj.place)
		b = msgp.AppendInt64(b, st.quiet[subj])
	}
	return b
}

func decodeRuleState(b []byte) (*ruleState, error) {
	r := event.NewDecoder(b)
	n := r.Array()
	if v := r.Int(); r.Err() == nil && (v != ruleVersion || n < 3 || (n-3)%5 != 0) {
		return nil, fmt.Errorf("rule record of version %d with %d fields, this Lintel reads version %d", v, n, ruleVersion)
	}
	st := &ruleState{start: r.Int64(), n: r.Int()}
	for n -= 3; n > 0 && r.Err() == nil; n -= 5 {
		subj := subject{about: r.Uint8(), key: r.Key(), place: r.String()}
		if st.quiet == nil {
			st.quiet = make(map[subject]int64)
		}
		st.quiet[subj] = r.Int64()
	}
	if r.Err() != nil {
		return nil, fmt.Errorf("rule record: %w", r.Err())
	}
	return st, nil
}

// announce tells of an alert that opened, or makes it part of one that stands for many when the rule has raised more than its limit.
func (s *State) announce(t *track, r *rules.Rule) {
	limit := s.bound.rules.LimitOf(r)
	st := s.ruleOf(r.Name)
	s.markRule(r.Name, st)
	storm := s.stormOf(r.Name)
	if storm == nil && s.clock >= st.start+limit.Per.Milliseconds() {
		st.start, st.n = s.clock, 0
	}
	if st.n++; storm == nil && st.n > limit.N {
		storm = s.newStorm(r, limit, st)
	}
	if storm != nil {
		first := storm.OpenedAt == 0
		s.join(t, storm)
		s.adopt(t, storm)
		storm.Say = stormSay(storm)
		if first {
			s.opened(storm)
			storm.Untold = 0
			s.told(storm, r)
			s.setTellAt(storm, storm.GatherEnds)
		}
		return
	}
	if r.Gather > 0 {
		t.GatherEnds = s.clock + r.Gather.Milliseconds()
		s.alerts.gathering[t.group()] = t
	}
	s.told(t, r)
}

// adopt gives those that had joined an alert to the one that it became part of.
func (s *State) adopt(t, lead *track) {
	for _, m := range s.members(t) {
		m.Lead = lead.ID
		s.mark(m)
	}
	lead.MembersOn += t.MembersOn
	lead.Joined += t.Joined
	lead.Members = append(slices.Clip(lead.Members), t.Members[:min(len(t.Members), maxMembers-len(lead.Members))]...)
	t.MembersOn, t.Joined, t.Members = 0, 0, nil
}

// told tells of an alert for the first time, and sets when it is told again.
func (s *State) told(t *track, r *rules.Rule) {
	if !t.Watch {
		t.Send = r.Send
		if r.Remind > 0 && len(r.Send) > 0 {
			t.RemindAt = s.clock + r.Remind.Milliseconds()
		}
		if r.Escalate > 0 {
			t.EscalateAt = s.clock + r.Escalate.Milliseconds()
		}
	}
	s.tell(t, event.ChangeOpened, t.Send)
	s.retime(t)
}

// stormOf finds the alert that stands for what a rule raises beyond its limit, while it takes more.
func (s *State) stormOf(rule string) *track {
	if list := s.alerts.bySubject[subject{about: 'o', place: rule}]; len(list) > 0 {
		return list[0]
	}
	return nil
}

func (s *State) newStorm(r *rules.Rule, limit rules.Limit, st *ruleState) *track {
	t := newTrack(event.Alert{
		ID: s.newAlertID(), Rule: r.Name, Digest: r.Digest, About: event.AboutStorm, Severity: string(r.Severity), Watch: r.Mode == rules.ModeWatch,
		Since: s.clock, GatherEnds: st.start + limit.Per.Milliseconds(),
	})
	s.alerts.byID[t.ID] = t
	s.follow(t)
	return t
}

func stormSay(t *track) string {
	return fmt.Sprintf("The rule %s raised more alerts than are told one by one: %d more are gathered here. Look whether a reader is disturbed or the rule is too wide", t.Rule, t.Joined)
}

// stormTurn ends one length of the limit's time while a rule raises more than its limit. It is over when a whole one brought no more than the limit.
func (s *State) stormTurn(t *track) {
	r := s.bound.rulesByName[t.Rule]
	st := s.ruleOf(t.Rule)
	s.markRule(t.Rule, st)
	if r != nil {
		if limit := s.bound.rules.LimitOf(r); st.n > limit.N {
			st.start, st.n = s.clock, 0
			t.GatherEnds = s.clock + limit.Per.Milliseconds()
			s.setTellAt(t, t.GatherEnds)
			return
		}
	}
	st.start, st.n = 0, 0
	s.clearAlert(t)
}

// escalate tells those who are to know that nobody acknowledged an alert in time.
func (s *State) escalate(t *track) {
	r := s.bound.rulesByName[t.Rule]
	if r == nil || t.Status != event.AlertOpen || len(r.EscalateTo) == 0 {
		return
	}
	t.EscalatedAt = s.clock
	for _, c := range r.EscalateTo {
		if !slices.Contains(t.Send, c) {
			t.Send = append(slices.Clip(t.Send), c) // they also hear how it ends
		}
	}
	s.mark(t)
	s.tell(t, event.ChangeEscalated, r.EscalateTo)
}

// remind tells again of an alert that nobody acknowledged.
func (s *State) remind(t *track) {
	r := s.bound.rulesByName[t.Rule]
	if r == nil || t.Status != event.AlertOpen || r.Remind == 0 {
		return
	}
	if !s.inHours(r) {
		t.RemindAt = s.nextHours(r)
		return
	}
	t.Reminders++
	t.RemindAt = s.clock + r.Remind.Milliseconds()
	s.mark(t)
	s.tell(t, event.ChangeReminded, t.Send)
}

// quieten lets the rule be quiet for a while about what an alert, and those that joined it, are about: somebody has it in hand.
func (s *State) quieten(t *track) {
	r := s.bound.rulesByName[t.Rule]
	if r == nil || r.Quiet == 0 {
		return
	}
	st := s.ruleOf(t.Rule)
	s.markRule(t.Rule, st)
	if st.quiet == nil {
		st.quiet = make(map[subject]int64)
	}
	maps.DeleteFunc(st.quiet, func(_ subject, until int64) bool { return until <= s.clock })
	for _, m := range append(s.members(t), t) {
		if m.subject.about != 'o' && m.subject.about != 'f' {
			st.quiet[m.subject] = s.clock + r.Quiet.Milliseconds()
		}
	}
	if over := len(st.quiet) - maxQuiet; over > 0 {
		first := slices.SortedFunc(maps.Keys(st.quiet), func(a, b subject) int { return cmp.Or(cmp.Compare(st.quiet[a], st.quiet[b]), compareSubjects(a, b)) })
		for _, subj := range first[:over] {
			delete(st.quiet, subj)
		}
	}
}

// quietUntil returns until when the rule is quiet about the alert's subject.
func (s *State) quietUntil(t *track) int64 {
	if st := s.alerts.rules[t.Rule]; st != nil {
		return st.quiet[t.subject]
	}
	return 0
}

// lasting reports whether what the rule asks for goes on until something ends it, like too little stock, so that it is still worth telling when the rule's hours
// begin. A passage, or a thing that has left, is of its moment.
func lasting(r *rules.Rule, env *rules.Env) bool {
	switch r.About {
	case event.AboutStock, event.AboutReader:
		return true
	case event.AboutItem:
		return env.Item.Present && !r.Momentary()
	}
	return false
}

// hoursAhead is how far nextHours looks.
const hoursAhead = 8 * 24 * time.Hour

// nextHours returns when the rule's hours begin next, to the minute of the site's time; after hoursAhead if they do not begin before. The answer is kept, since what
// waits for one rule mostly waits for the same moment.
func (s *State) nextHours(r *rules.Rule) int64 {
	if h, ok := s.bound.hours[r.Name]; ok && h.from <= s.clock && s.clock < h.next {
		return h.next
	}
	const minute = int64(time.Minute / time.Millisecond)
	l := s.bound.cfg.Layout
	at := (s.clock/minute + 1) * minute
	for end := s.clock + hoursAhead.Milliseconds(); at < end; at += minute {
		t := time.UnixMilli(at).In(l.Location())
		if r.InHours(r.Hours == rules.HoursOpen && l.OpenAt(t), t.Weekday(), t.Hour()*60+t.Minute()) {
			break
		}
	}
	if s.bound.hours == nil {
		s.bound.hours = make(map[string]hoursSpan)
	}
	s.bound.hours[r.Name] = hoursSpan{s.clock, at}
	return at
}

type hoursSpan struct{ from, next int64 }
