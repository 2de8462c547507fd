package presence

import (
	"cmp"
	"slices"

	"lintel/engine/event"
)

// An item lingers near a door when the door goes on hearing it, and nothing says that it lies there:
// somebody may stand there with it. Goods that are displayed near a door are heard all the time, too.
// They are told apart by what is known of them:
//
//   - the fixed readers of an item's own zone still have it: it lies there;
//   - the door usually hears the item, and not much louder than usual;
//   - the item was put where it is when the door began to hear it;
//   - a reader that reports phases shows that it does not move at all, which nobody's hand can do;
//   - it is taken for displayed after half an hour.
//
// It is of the shop's unpaid stock alone: what a customer owns or has paid for is nobody's business.
// Lingering moves nothing. When it began is a record, since it may be longer ago than evidence reaches.

const (
	stayGap    = 40          // slots of silence at a door after which an item no longer stays near it
	staysFrom  = Window      // slots that an item must have been heard without such a gap to be looked at
	longestMs  = 30 * 60_000 // milliseconds of lingering after which it is taken for displayed
	putMs      = 12_000      // milliseconds before a door hears what was put near it
	louderFrom = 2           // classes of strength above the loudest usual one from which a slot is louder than usual
	louderIn   = Window / 4  // slots of a window that are enough of these
	stillSlots = 16          // slots with a motion that are enough to say that an item lies still
	eachSecond = 1000        // milliseconds between two looks at what may linger
)

// stay is how long an item has lingered near a door.
type stay struct {
	began int64 // Unix milliseconds; 0: it does not
	told  int64 // milliseconds that it had lingered when that was last notified; 0: not yet, lies: it is taken for displayed
	peak  int8  // the strongest read, dBm; NoLevel: no strength was reported
}

// lies is the value of stay.told for what is taken for displayed.
const lies = -1

// Near returns the door that an item lingers near, since when, and how strongly it has been heard, in
// tenths of a dBm; event.NoRSSI: no strength was reported. Door 0: it lingers near none.
func (s *Site) Near(i int32) (door uint16, since int64, peak int16) {
	if t, ok := s.doors.taken[i]; ok {
		return t.door, t.since, t.peak
	}
	for _, z := range s.layout.Doors {
		if m := s.doors.memory[doorItem{i, z}]; m != nil && m.began != 0 && m.told > 0 {
			return z, m.began, m.peakRSSI()
		}
	}
	return 0, 0, 0
}

// Lingers reports whether any item may linger near a door.
func (s *Site) Lingers() bool { return len(s.doors.stays)+len(s.doors.taken) > 0 }

// near is a recorded fact that an item lingers near a door.
type near struct {
	door  uint16
	since int64
	peak  int16
}

// TakeNear takes a recorded fact for true: an item lingers near a door since a moment, or near none,
// where door is 0.
func (s *Site) TakeNear(i int32, door uint16, since int64, peak int16) {
	if door == 0 {
		delete(s.doors.taken, i)
		return
	}
	if s.doors.taken == nil {
		s.doors.taken = make(map[int32]near)
	}
	s.doors.taken[i] = near{door, since, peak}
}

func (m *stay) peakRSSI() int16 {
	if m.peak == NoLevel {
		return event.NoRSSI
	}
	return int16(m.peak) * 10
}

// leaveDoor forgets that an item stays near a door.
func (s *doorBook) leaveDoor(k doorItem) {
	if s.stays[k] {
		s.remember(k).stay = stay{}
		delete(s.stays, k)
	}
}

// lingerAll looks at the approaches of one door for what lingers there.
func (s *doorBook) lingerAll(due []*approach) {
	until := s.doorKnown(s.layout.Zone(due[0].zone))
	second := s.clock - s.clock%eachSecond
	for _, b := range due {
		k := doorItem{b.item, b.zone}
		if s.stays[k] {
			s.goOnLingering(k, b, until)
		} else if second >= b.look {
			s.beginLingering(k, b, until)
		}
	}
}

// beginLingering notes that an item stays near a door, if it does.
func (s *doorBook) beginLingering(k doorItem, b *approach, until int64) {
	first := b.staysSince(until)
	if until-first < staysFrom {
		return
	}
	it := s.items.Item(b.item)
	now := s.whereabouts(it)
	if !it.Disposition.Sellable() || now != isLying && now != isCarried || s.ownHear(it) || b.still(until) {
		return
	}
	if now == isLying && it.Since >= first*SlotMs-putMs {
		return
	}
	if m := s.memory[k]; m != nil && m.Usual.hears() && !m.Usual.louder(&b.Approach, until) {
		return
	}
	m := s.remember(k)
	m.stay = stay{began: first * SlotMs, peak: NoLevel}
	s.stays[k] = true
	s.goOnLingering(k, b, until)
}

// goOnLingering notifies that an item still lingers near a door, each time the door's time for that has
// passed, or that it no longer does.
func (s *doorBook) goOnLingering(k doorItem, b *approach, until int64) {
	m, it := s.memory[k], s.items.Item(b.item)
	now := s.whereabouts(it)
	if until-b.Newest() > stayGap || now == isLying && it.Since > m.began || now != isLying && now != isCarried ||
		!it.Disposition.Sellable() || s.ownHear(it) {
		s.endLingering(k)
		return
	}
	if m.told == lies {
		return
	}
	lasts := min(s.clock, (b.Newest()+1)*SlotMs) - m.began
	if lasts >= longestMs || b.still(until) {
		s.notifyAway(k)
		s.remember(k).told = lies
		return
	}
	if every := s.layout.Zone(k.zone).lingering; lasts/every > m.told/every {
		sum := b.Summary(until)
		m = s.remember(k)
		m.told, m.peak = lasts, max(m.peak, sum.Peak[Inner], sum.Peak[Outer])
		s.notifyNear(k, event.Near, s.doorPoint(k.zone, sum))
	}
}

// endLingering forgets that an item stays near a door, and notifies that it no longer does.
func (s *doorBook) endLingering(k doorItem) {
	s.notifyAway(k)
	s.leaveDoor(k)
}

// notifyAway notifies that an item no longer lingers, if it was notified that it does.
func (s *doorBook) notifyAway(k doorItem) {
	if m := s.memory[k]; m.told > 0 {
		was := m.stay
		s.remember(k).told = 0 // what rules see of it is already over
		s.notifyNearAs(k, event.Away, "", was)
	}
}

func (s *doorBook) notifyNear(k doorItem, c event.Cause, point string) {
	s.notifyNearAs(k, c, point, s.memory[k].stay)
}

func (s *doorBook) notifyNearAs(k doorItem, c event.Cause, point string, m stay) {
	s.events.AtDoor(k.item, c, k.zone, s.clock, point, event.Passage{Door: s.layout.Zone(k.zone).ID, Peak: m.peakRSSI(), Span: m.told})
}

// endOrphans ends the stays of items of which the door has no evidence any more: the layout changed.
func (s *doorBook) endOrphans() {
	var gone []doorItem
	for k := range s.stays {
		if s.approaches[k] == nil {
			gone = append(gone, k)
		}
	}
	slices.SortFunc(gone, func(a, b doorItem) int {
		return cmp.Or(cmp.Compare(a.zone, b.zone), s.items.Key(a.item).Compare(s.items.Key(b.item)))
	})
	for _, k := range gone {
		s.endLingering(k)
	}
}

// ownHear reports whether the fixed readers of an item's own zone still have it: none of them has been
// silent for as long as absence takes.
func (s *doorBook) ownHear(it *Known) bool {
	if it.Zone == 0 {
		return false
	}
	e := s.epochOf(s.clock)
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		pt := s.layout.Point(tr.point)
		if pt != nil && pt.Role == event.Fixed && pt.Zone == it.Zone && tr.bits != 0 && e-tr.last < silence(tr.bits, s.layout.looks) {
			return true
		}
	}
	return false
}

// staysSince returns the first slot from which on the door has heard the item without a long gap, up to
// a slot; a later one if there is a gap up to now. It looks as far back as an approach goes.
func (a *Approach) staysSince(until int64) int64 {
	first := max(until, a.top)
	for k := first; k > a.top-ringSlots && first-k <= stayGap; k-- {
		if s := a.at(k); !s.empty() {
			first = k
		}
	}
	if a.top < until-stayGap {
		return until
	}
	return first
}

// still reports whether the echoes of the window show that the item does not move at all.
func (a *Approach) still(until int64) bool {
	known, still := 0, 0
	for k := until - Window + 1; k <= min(until, a.top); k++ {
		s := a.at(k)
		if m := s.motion[Inner] | s.motion[Outer]; m != 0 {
			known++
			if m == Still {
				still++
			}
		}
	}
	return known >= stillSlots && 10*still >= 9*known
}

// hears reports whether the door usually hears the item: in a quarter of the slots that it was learnt
// from.
func (u *Usual) hears() bool {
	heard := 0
	for side := range u.level {
		n := 0
		for _, c := range u.level[side] {
			n += int(c)
		}
		heard = max(heard, n)
	}
	return u.slots >= learnedAtLeast && 4*heard >= int(u.slots)
}

// louder reports whether the door has heard the item much louder than usual in a quarter of the window.
func (u *Usual) louder(a *Approach, until int64) bool {
	n := 0
	for k := until - Window + 1; k <= min(until, a.top); k++ {
		s := a.at(k)
		for side := range s.heard {
			if s.heard[side] != 0 && usualClass(s.level[side]) >= u.loudest(side)+louderFrom {
				n++
				break
			}
		}
	}
	return n >= louderIn
}

// loudest returns the strongest class that is usual on a side, 0: none.
func (u *Usual) loudest(side int) int {
	for q := usualLevels - 1; q > 0; q-- {
		if u.level[side][q] > 0 {
			return q
		}
	}
	return 0
}
