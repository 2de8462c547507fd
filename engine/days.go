package engine

import (
	"math"
	"slices"
	"time"

	"lintel/engine/alert"
	"lintel/engine/event"
	"lintel/rules"
)

// That an item was not heard or not counted for days is no fact, so a rule about it would never be
// evaluated again. Such rules are evaluated for every item once a day, in the hour after the shop's
// midnight, when the number of days changes: each item at a minute of its own, so that a large shop is
// not held up. Alerts of such rules are evaluated each hour too, so that they end soon after the item
// is heard or counted. When that is depends on the clock alone, so that it needs no record.

// dayNames are the names whose value grows with each day.
var dayNames = []string{"item.days_unheard", "item.days_uncounted"}

const (
	minuteMs = int64(time.Minute / time.Millisecond)
	hourMs   = 60 * minuteMs
	dayLooks = 60 // minutes after midnight over which the items are spread
)

// bindDays finds the rules that ask for days.
func (b *binding) bindDays() {
	for _, r := range b.rules.Rules() {
		if r.About != event.AboutItem || r.Mode == rules.ModeOff {
			continue
		}
		uses := r.Uses()
		asks := slices.ContainsFunc(dayNames, func(name string) bool { return slices.Contains(uses, name) })
		b.days = b.days || asks || slices.ContainsFunc(dayNames, r.Mentions)
		if asks {
			b.dayRules = append(b.dayRules, r)
		}
	}
}

// dayOf returns the number of a moment's day in the shop's time, counted from 1 January 1970.
func (b *binding) dayOf(ms int64) int {
	_, offset := time.UnixMilli(ms).In(b.cfg.Layout.Location()).Zone()
	const day = 24 * 60 * 60
	return int((ms/1000+int64(offset)+day)/day) - 1
}

// heardOn returns the day on which a reader last heard an item, or on which it came if none ever did.
func (s *core) heardOn(it *item) int {
	switch {
	case it.Seen != 0:
		return s.bound.dayOf(it.Seen)
	case it.Since != 0:
		return s.bound.dayOf(it.Since)
	}
	return int(it.counted)
}

// fillDays fills how many days an item was not heard and not counted, on a day.
func (s *core) fillDays(env *rules.Env, it *item, day int) {
	env.Item.DaysUnheard = max(0, day-s.heardOn(it))
	env.Item.DaysUncounted = max(0, day-int(it.counted))
}

// noteCounted notes that an item was counted today, or that it is known from today on.
func (s *core) noteCounted(it *item) {
	it.counted = uint16(min(math.MaxUint16, max(0, s.bound.dayOf(s.clock))))
}

// daysNext returns when rules about days are evaluated next; math.MaxInt64: never.
func (s *view) daysNext() int64 {
	if len(s.bound.dayRules) == 0 {
		return math.MaxInt64
	}
	if s.clock < s.dayLook && s.dayLookOf == s.bound.cfg {
		return s.dayLook
	}
	t := time.UnixMilli(s.clock).In(s.bound.cfg.Layout.Location())
	midnight := func(days int) int64 {
		return time.Date(t.Year(), t.Month(), t.Day()+days, 0, 0, 0, 0, t.Location()).UnixMilli()
	}
	look := midnight(0)
	if look += ((s.clock-look)/minuteMs + 1) * minuteMs; look >= midnight(0)+dayLooks*minuteMs {
		look = midnight(1)
	}
	s.dayLook, s.dayLookOf = min(look, (s.clock/hourMs+1)*hourMs), s.bound.cfg
	return s.dayLook
}

// meetDays evaluates rules about days for the items whose turn came since a moment.
func (s *view) meetDays(before int64) {
	if len(s.bound.dayRules) == 0 || s.clock < s.dayLook && s.dayLookOf == s.bound.cfg {
		return
	}
	for k := range int64(dayLooks) {
		if s.bound.dayOf(before-k*minuteMs) < s.bound.dayOf(s.clock-k*minuteMs) {
			s.meetDaysOf(s.bound.dayRules, before-k*minuteMs, func(it *item) bool { return lookOf(it) == k })
		}
	}
	if before/hourMs == s.clock/hourMs {
		return
	}
	for _, a := range s.alerts.Alerts() {
		r := s.bound.rules.Rule(a.Rule)
		if i := s.find(a.Key); i >= 0 && slices.Contains(s.bound.dayRules, r) {
			s.meetDay(r, i)
		}
	}
}

// lookOf returns the minute after midnight at which an item's turn comes.
func lookOf(it *item) int64 {
	return int64((it.key.Hi ^ it.key.Lo) * 0x9E3779B97F4A7C15 >> 32 % dayLooks)
}

// meetDaysOf evaluates rules for some of the items, in the order of their identities. A rule that was
// true at a moment before has had its occasion: what a person closed meanwhile is not raised again. 0:
// there was no such moment.
func (s *view) meetDaysOf(list []*rules.Rule, before int64, of func(*item) bool) {
	var turn []int32
	for i := range s.count {
		if of(s.item(i)) {
			turn = append(turn, i)
		}
	}
	slices.SortFunc(turn, func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) })
	for _, i := range turn {
		it := s.item(i)
		for _, r := range list {
			if r.Sequence == nil && // the occasion of a sequence is its first step
				s.alerts.About(alert.Item(it.key), r.Name) == nil {
				f := s.itemNow(it)
				if !s.alerts.True(r, s.itemEnv(&f, it)) {
					continue
				}
				f.At = before
				if before > 0 && s.alerts.True(r, s.itemEnv(&f, it)) {
					continue
				}
			}
			s.meetDay(r, i)
		}
	}
}

// meetDay evaluates a rule for an item as it is now.
func (s *view) meetDay(r *rules.Rule, i int32) {
	it := s.item(i)
	f := s.itemNow(it)
	s.alerts.MeetRule(r, alert.Item(it.key), &f, s.itemEnv(&f, it))
}

// meetNew evaluates rules about what grows with time alone that were not there before: what they ask
// for may be so for long.
func (s *view) meetNew(old *binding) {
	fresh := func(list, before []*rules.Rule) (fresh []*rules.Rule) {
		for _, r := range list {
			if !slices.ContainsFunc(before, func(o *rules.Rule) bool { return o.ConditionDigest == r.ConditionDigest }) {
				fresh = append(fresh, r)
			}
		}
		return fresh
	}
	if list := fresh(s.bound.dayRules, old.dayRules); len(list) > 0 {
		s.meetDaysOf(list, 0, func(*item) bool { return true })
	}
}
