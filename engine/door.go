package engine

import (
	"lintel/engine/event"
	"lintel/engine/presence"
)

// handleAfter is after how many milliseconds a handheld that hears what was carried in through a
// door declares it stock: before, it may be in a guest's bag.
const handleAfter = 10 * 60_000

// loudSlots is in how many slots a side must have heard what was carried past for its level to
// count.
const loudSlots = 3

// evaluate looks at the approaches of one door, in order of their keys.
func (s *State) evaluate(due []*approach) {
	door := s.zone(due[0].zone)
	until := s.doorKnown(door)
	p := &s.portals
	p.active, p.candidates = p.active[:0], p.candidates[:0]
	loud := s.loud(door) // as it was before any of these approaches ended
	for _, b := range due {
		s.learnUsual(b, until)
		if quiet := s.clock - b.heard; quiet < lookFor {
			if s.settled(b, until) {
				continue
			}
			p.active = append(p.active, b)
			p.candidates = append(p.candidates, s.candidate(b, door, loud, until))
		} else if quiet < lookFor+idleLook {
			s.noteLoud(b, door)
		}
	}
	presence.JudgeAll(p.candidates)
	for i, b := range p.active {
		s.conclude(b, &p.candidates[i], door)
	}
}

// settled reports whether an approach is of an item that lies where it is, and goes on as it
// usually does.
func (s *State) settled(b *approach, until int64) bool {
	m := s.portals.memory[doorItem{b.item, b.zone}]
	it := s.item(b.item)
	return m != nil && m.likely == 0 && s.whereabouts(it) == isLying &&
		presence.SlotOf(it.since) < until-presence.Window && m.Settled(&b.Approach, until)
}

// doorKnown returns the slot up to which the reports of a door's readers are in: by the newest
// read, or by the clock once their reports should have come.
func (s *State) doorKnown(door *zoneInfo) int64 {
	newest := s.portals.newest[door.name]
	lag, every := s.readers.at(door.portals[0].name).lag, int64(300)
	for _, pt := range door.portals {
		r := s.readers.at(pt.name)
		lag, every = max(lag, r.lag), max(every, r.every)
	}
	quiet := s.clock - lag - every - every/4 - 100
	return max(presence.SlotOf(newest), presence.SlotOf(quiet)-1)
}

// candidate gathers the evidence about an approach.
func (s *State) candidate(b *approach, door *zoneInfo, loud [2]int8, until int64) presence.Candidate {
	it := s.item(b.item)
	until = max(until, b.Newest())
	c := presence.Candidate{
		Evidence: presence.Evidence{Approach: &b.Approach, From: until - presence.Window + 1, Until: until,
			OneSided: door.oneSided, Loud: loud},
		Summary: b.Summary(until),
	}
	if m := s.portals.memory[doorItem{b.item, b.zone}]; m != nil {
		c.Usual = &m.Usual
	}
	// What was concluded within the window counts from then on: the belief begins there, with it.
	// That it is no longer heard in its zone is no such conclusion: whoever goes to the door is
	// not.
	home, now := it.zone, s.whereabouts(it)
	if now == isCarried && s.zone(it.from).kind != event.Exit {
		home, now = it.from, isLying
	} else if since := presence.SlotOf(it.since) + 1; since > c.From {
		c.From = min(since, until)
	}
	switch now {
	case isUnknown:
		c.Start, c.Unknown = presence.StartUnknown, true
	case isOutside:
		c.Start, c.Outside = presence.StartOutside, true
	case isCarried:
		c.Start = presence.StartCarried
	case isLying:
		c.Start = presence.StartLying
	}
	c.Home, c.Lain = home, max(0, until-presence.SlotOf(it.since))
	c.Inside, c.Left = s.heardInside(it, home, until)
	return c
}

// known is what the records say about where an item is.
type known uint8

const (
	isUnknown known = iota // never heard or declared anywhere
	isOutside              // it went out, or was never in
	isCarried              // inside, but not at rest in a zone
	isLying
)

// whereabouts says what it means that an item is in its zone, and came from the one before.
func (s *State) whereabouts(it *item) known {
	z := s.zone(it.zone)
	switch {
	case z.known && z.kind == event.Exit:
		return isOutside
	case z.known:
		return isLying
	case it.zone != 0 || it.from == 0 || it.disp == event.InTransit || it.disp == event.Inactive:
		return isUnknown
	}
	return isCarried // it left its zone, or came in through a door
}

// heardInside gathers what fixed and desk readers inside heard of an item. Home is its own zone.
func (s *State) heardInside(it *item, home uint16, until int64) (in presence.Inside, left int64) {
	in = presence.Inside{Epoch: s.bound.epoch, Last: (until*presence.SlotMs + presence.SlotMs - 1) / s.bound.epoch}
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt == nil || tr.bits == 0 || pt.zone == 0 || s.zone(pt.zone).kind == event.Exit {
			continue
		}
		var hits uint64
		if d := in.Last - tr.last; d >= 0 {
			hits = tr.aligned(in.Last)
		} else {
			hits = tr.bits >> uint(min(-d, traceEpochs))
		}
		switch pt.role {
		case event.Fixed:
			in.Hits |= hits
			if pt.zone == home && !pt.quiet {
				in.Rate = max(in.Rate, presence.RateOf(tr.bits))
				left = max(left, tr.last)
				in.Known = max(in.Known, s.epochOf(s.silenceKnown(pt))-1)
			}
		case event.Desk:
			in.Desk |= hits
		}
	}
	if in.Known == 0 {
		in.Known = s.epochOf(s.clock) - 2
	}
	return in, left
}

// silenceKnown returns up to when it is known what a fixed reader has not heard: up to its newest
// report, and up to a report that should have come where it hears so little that it may have
// nothing to report.
func (s *State) silenceKnown(pt *pointInfo) int64 {
	r := s.readers.at(pt.name)
	if r.load >= busyLoad {
		return r.last
	}
	return max(r.last, s.clock-2*max(r.rhythm, s.bound.epoch))
}

// conclude notifies what an approach has become.
func (s *State) conclude(b *approach, c *presence.Candidate, door *zoneInfo) {
	it := s.item(b.item)
	k := doorItem{b.item, b.zone}
	m := s.portals.memory[k]
	if c.Unknown && (c.Strange || c.OneSided) && it.disp == event.Unknown && (m == nil || m.entered == 0) {
		s.remember(k).entered = s.clock // first heard as it came to the door: it may be the customer's own
		m = s.portals.memory[k]
	}
	pending := m != nil && m.likely != 0 && m.likely >= s.clock-presence.WindowMs && it.since < m.likely
	at := min((c.Summary.To+1)*presence.SlotMs, s.clock)
	what, confidence := c.Conclude(door.sureWithin/presence.SlotMs, pending)
	if what == presence.WentOut && door.neverSure {
		if what = presence.Likely; pending {
			return
		}
	}
	switch what {
	case presence.WentOut:
		s.passed(b, c, event.DirectionOut, confidence, at)
	case presence.CameIn:
		s.passed(b, c, event.DirectionIn, confidence, at)
	case presence.Likely:
		s.remember(k).likely = s.clock
		s.notifyPassage(b, c, event.DirectionOut, confidence, at, false)
	case presence.Unlikely:
		s.remember(k).likely = 0
		s.notifyPassage(b, c, event.DirectionIn, confidence, at, false)
	}
}

// passed moves an item that surely went through a door.
func (s *State) passed(b *approach, c *presence.Candidate, d event.Direction, confidence float64, at int64) {
	it := s.item(b.item)
	if at < it.sure {
		return // something newer is known of the item
	}
	from := it.zone
	s.place(b.item, b.zone, at, false)
	if d == event.DirectionIn {
		s.place(b.item, 0, at, false)
		from = b.zone
		if !it.disp.Sellable() {
			s.remember(doorItem{b.item, b.zone}).entered = at
		}
	}
	it.from = from
	it.flags &^= flagDeclared | flagFaint
	s.notifyPassage(b, c, d, confidence, at, true)
	s.tellStock(at)
}

// notifyPassage emits the fact of a passage.
func (s *State) notifyPassage(b *approach, c *presence.Candidate, d event.Direction, confidence float64, at int64, sure bool) {
	p := event.Passage{Direction: d, Confidence: confidence, Door: s.idOf(b.zone), Likely: !sure,
		Reads: c.Summary.Reads, Peak: event.NoRSSI, Span: (c.Summary.To - c.Summary.From) * presence.SlotMs}
	if peak := max(c.Summary.Peak[presence.Inner], c.Summary.Peak[presence.Outer]); peak != presence.NoLevel {
		p.Peak = int16(peak) * 10
	}
	point := s.doorPoint(b.zone, c.Summary)
	s.emitItem(event.Passed, b.item, at, func(f *event.Fact) { f.Passage, f.Point = p, point })
}

// doorPoint names the read point of a door that heard an approach last.
func (s *State) doorPoint(zone uint16, sum presence.Summary) string {
	for _, pt := range s.zone(zone).portals {
		if sum.Slots[presence.Outer] > 0 == (pt.side == event.Outer) {
			return pt.id
		}
	}
	return s.zone(zone).portals[0].id
}

// learnUsual takes what an approach showed long enough ago, and led nowhere, for usual.
func (s *State) learnUsual(b *approach, until int64) {
	k := doorItem{b.item, b.zone}
	m := s.portals.memory[k]
	upto := (until - presence.Window) / learnBy * learnBy
	if upto > b.Newest() {
		upto = (b.Newest()/learnBy + 1) * learnBy
	}
	if m != nil && m.Until >= upto || !b.HeardIn(upto-learnBy+1, upto) {
		return
	}
	it := s.item(b.item)
	z := s.zone(it.zone)
	moved := it.since/presence.SlotMs > upto-presence.Window
	if !z.known || z.kind == event.Exit || moved {
		return // it went out, or was carried
	}
	if in, left := s.heardInside(it, it.zone, until); in.Rate > 0 && left*in.Epoch < upto*presence.SlotMs {
		return // its own readers, have not heard it since: somebody may stand at the door with it
	}
	m = s.remember(k)
	m.Until = max(m.Until, upto-learnBy)
	m.Learn(&b.Approach, upto)
}

// loud returns what a door's readers hear of carried goods, by side.
func (s *State) loud(door *zoneInfo) [2]int8 {
	l := [2]int8{presence.LoudByDefault, presence.LoudByDefault}
	for _, pt := range door.portals {
		l[pt.doorSide()] = s.readers.at(pt.name).loud.Level()
	}
	return l
}

// brought reports whether somebody carried the item in through a door up to a moment, and nobody
// has declared it stock since.
func (s *State) brought(i int32, upto int64) bool {
	for _, z := range s.bound.doors {
		if m := s.portals.memory[doorItem{i, z}]; m != nil && m.entered != 0 && m.entered <= upto {
			return true
		}
	}
	return false
}

// takeForStock forgets that an item was brought in: it is stock.
func (s *State) takeForStock(i int32) {
	for _, z := range s.bound.doors {
		if m := s.portals.memory[doorItem{i, z}]; m != nil && m.entered != 0 {
			s.remember(doorItem{i, z}).entered = 0
		}
	}
}

// noteLoud learns from an approach that has ended how strongly a door's readers hear goods that are
// carried past. What is usual for goods that lie there is no such thing.
func (s *State) noteLoud(b *approach, door *zoneInfo) {
	sum := b.Summary(b.Newest())
	var usual *presence.Usual
	if m := s.portals.memory[doorItem{b.item, b.zone}]; m != nil {
		usual = &m.Usual
	}
	for _, pt := range door.portals {
		side := pt.doorSide()
		if peak := sum.Peak[side]; peak != presence.NoLevel && sum.Slots[side] >= loudSlots && peak > usual.Loudest(side) {
			s.readers.at(pt.name).loud.Add(peak)
		}
	}
}

// learnReturn takes all that a door heard of an item for usual that it said had gone out, and that
// a reader inside has heard again: it never went.
func (s *State) learnReturn(i int32, door uint16) {
	k := doorItem{i, door}
	b := s.portals.approaches[k]
	if b == nil {
		return
	}
	m := s.remember(k)
	m.Until = max(m.Until, b.Newest()-presence.RingMs/presence.SlotMs)
	m.Learn(&b.Approach, b.Newest())
}
