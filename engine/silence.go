package engine

import (
	"math"
	"slices"

	"lintel/engine/alert"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/rules"
)

// A silent read point gives no facts, so a rule about the length of its silence would never be
// evaluated again. While the silence lasts, such rules are evaluated at growing lengths of it: 16 s,
// 17 s, 18.06 s and so on, each a sixteenth longer than the one before. That is about 100 times in
// a day and 40 more in a week, and a rule is at most a sixteenth of the silence late. The lengths
// depend on nothing else, so that they need no record.

// firstLook is the first length of silence at which rules are evaluated, in milliseconds.
const firstLook = 16_000

// silenceName is the name whose value grows with time alone.
const silenceName = "reader.silent_seconds"

// looksAround returns the last length of silence to evaluate at that is not above silent, 0 if
// there is none, and the next one. All are in milliseconds.
func looksAround(silent int64) (last, next int64) {
	next = firstLook
	for next <= silent {
		last, next = next, next+next/16
	}
	return last, next
}

// bindSilence finds the rules that ask how long a read point has been silent.
func (b *binding) bindSilence() {
	for _, r := range b.rules.Rules() {
		if r.About == event.AboutReader && r.Mode != rules.ModeOff && slices.Contains(r.Uses(), silenceName) {
			b.silenceRules = append(b.silenceRules, r)
		}
	}
}

// silentPoints calls f for each silent read point that a rule may ask about.
func (s *view) silentPoints(f func(pt *presence.Point, last int64)) {
	if len(s.bound.silenceRules) == 0 {
		return
	}
	for _, pt := range s.bound.layout.Points {
		if pt == nil || pt.Silent == 0 {
			continue
		}
		if last, silent := s.presence.Reports(pt.Name); silent && last != 0 {
			f(pt, last)
		}
	}
}

// silenceNext returns when the next evaluation of a silence is due, math.MaxInt64: never.
func (s *view) silenceNext() int64 {
	next := int64(math.MaxInt64)
	s.silentPoints(func(_ *presence.Point, last int64) {
		_, n := looksAround(s.clock - last)
		next = min(next, last+n)
	})
	return next
}

// meetSilence evaluates the rules about the length of a silence where it has reached a length that
// it had not reached when time passed before.
func (s *view) meetSilence(before int64) {
	s.silentPoints(func(pt *presence.Point, last int64) {
		was, _ := looksAround(before - last)
		if now, _ := looksAround(s.clock - last); now > max(was, pt.Silent) {
			s.meetSilenceOf(pt, last+max(was, pt.Silent), last+now)
		}
	})
}

// meetSilenceOf evaluates the rules at a moment of a silence. A rule that was true at the moment
// before has had its occasion: what a person closed meanwhile is not raised again.
func (s *view) meetSilenceOf(pt *presence.Point, before, now int64) {
	f := event.Fact{Cause: event.Silent, At: now, Point: pt.ID, Seq: s.seq}
	then := f
	then.At = before
	subject := alert.Reader(pt.ID)
	for _, r := range s.bound.silenceRules {
		if s.alerts.About(subject, r.Name) != nil || !s.alerts.True(r, s.readerEnvAt(&then, pt, before)) {
			s.alerts.MeetRule(r, subject, &f, s.readerEnvAt(&f, pt, now))
		}
	}
}
