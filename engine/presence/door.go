package presence

import (
	"lintel/engine/event"
)

// loudSlots is in how many slots a side must have heard what was carried past for its level to
// count.
const loudSlots = 3

// evaluate looks at the approaches of one door, in order of their keys.
func (s *doorBook) evaluate(due []*approach) {
	door := s.layout.Zone(due[0].zone)
	until := s.doorKnown(door)
	p := s
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
	JudgeAll(p.candidates)
	for i, b := range p.active {
		s.conclude(b, &p.candidates[i], door)
	}
}

// settled reports whether an approach is of an item that lies where it is, and goes on as it
// usually does.
func (s *doorBook) settled(b *approach, until int64) bool {
	m := s.memory[doorItem{b.item, b.zone}]
	it := s.items.Item(b.item)
	return m != nil && m.likely == 0 && s.whereabouts(it) == isLying &&
		SlotOf(it.Since) < until-Window && m.Settled(&b.Approach, until)
}

// doorKnown returns the slot up to which the reports of a door's readers are in: by the newest
// read, or by the clock once their reports should have come.
func (s *doorBook) doorKnown(door *Zone) int64 {
	newest := s.newest[door.Name]
	lag, every := s.readers.at(door.portals[0].Name).Lag, int64(300)
	for _, pt := range door.portals {
		r := s.readers.at(pt.Name)
		lag, every = max(lag, r.Lag), max(every, r.Every)
	}
	quiet := s.clock - lag - every - every/4 - 100
	return max(SlotOf(newest), SlotOf(quiet)-1)
}

// candidate gathers the evidence about an approach.
func (s *doorBook) candidate(b *approach, door *Zone, loud [2]int8, until int64) Candidate {
	it := s.items.Item(b.item)
	until = max(until, b.Newest())
	c := Candidate{
		Evidence: Evidence{Approach: &b.Approach, From: until - Window + 1, Until: until,
			OneSided: door.oneSided, Loud: loud},
		Summary: b.Summary(until),
	}
	if m := s.memory[doorItem{b.item, b.zone}]; m != nil {
		c.Usual = &m.Usual
	}
	// What was concluded within the window counts from then on: the belief begins there, with it.
	// That it is no longer heard in its zone is no such conclusion: whoever goes to the door is
	// not.
	home, now := it.Zone, s.whereabouts(it)
	if now == isCarried && s.layout.Zone(it.From).Kind != event.Exit {
		home, now = it.From, isLying
	} else if since := SlotOf(it.Since) + 1; since > c.From {
		c.From = min(since, until)
	}
	switch now {
	case isUnknown:
		c.Start, c.Unknown = StartUnknown, true
	case isOutside:
		c.Start, c.Outside = StartOutside, true
	case isCarried:
		c.Start = StartCarried
	case isLying:
		c.Start = StartLying
	}
	c.Home, c.Lain = home, max(0, until-SlotOf(it.Since))
	c.Inside, c.Left = s.heardInside(it, home, until)
	return c
}

// standing is what the records say about where an item is.
type standing uint8

const (
	isUnknown standing = iota // never heard or declared anywhere
	isOutside                 // it went out, or was never in
	isCarried                 // inside, but not at rest in a zone
	isLying
)

// whereabouts says what it means that an item is in its zone, and came from the one before.
func (s *doorBook) whereabouts(it *Known) standing {
	z := s.layout.Zone(it.Zone)
	switch {
	case z.Known && z.Kind == event.Exit:
		return isOutside
	case z.Known:
		return isLying
	case it.Zone != 0 || it.From == 0 || it.Disposition == event.InTransit || it.Disposition == event.Inactive:
		return isUnknown
	}
	return isCarried // it left its zone, or came in through a door
}

// heardInside gathers what fixed and desk readers inside heard of an item. Home is its own zone.
func (s *doorBook) heardInside(it *Known, home uint16, until int64) (in Inside, left int64) {
	in = Inside{Epoch: s.layout.Epoch, Last: (until*SlotMs + SlotMs - 1) / s.layout.Epoch}
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		pt := s.layout.Point(tr.point)
		if pt == nil || tr.bits == 0 || pt.Zone == 0 || s.layout.Zone(pt.Zone).Kind == event.Exit {
			continue
		}
		hits := tr.at(in.Last)
		switch pt.Role {
		case event.Fixed:
			in.Hits |= hits
			if pt.Zone == home && !pt.quiet {
				in.Rate = max(in.Rate, RateOf(tr.bits))
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
func (s *doorBook) silenceKnown(pt *Point) int64 {
	r := s.readers.at(pt.Name)
	if r.Load >= busyLoad {
		return r.last
	}
	return max(r.last, s.clock-2*max(r.Rhythm, s.layout.Epoch))
}

// conclude notifies what an approach has become.
func (s *doorBook) conclude(b *approach, c *Candidate, door *Zone) {
	it := s.items.Item(b.item)
	k := doorItem{b.item, b.zone}
	m := s.memory[k]
	if c.Unknown && (c.Strange || c.OneSided) && it.Disposition == event.Unknown && (m == nil || m.entered == 0) {
		s.remember(k).entered = s.clock // first heard as it came to the door: it may be the customer's own
		m = s.memory[k]
	}
	pending := m != nil && m.likely != 0 && m.likely >= s.clock-WindowMs && it.Since < m.likely
	at := min((c.Summary.To+1)*SlotMs, s.clock)
	what, confidence := c.Conclude(door.sureWithin/SlotMs, pending)
	if what == WentOut && door.neverSure {
		if what = Likely; pending {
			return
		}
	}
	switch what {
	case WentOut:
		s.passed(b, c, event.DirectionOut, confidence, at)
	case CameIn:
		if c.Outside {
			s.learnReturn(b.item, b.zone)
		}
		s.passed(b, c, event.DirectionIn, confidence, at)
	case Likely:
		s.remember(k).likely = s.clock
		s.notifyPassage(b, c, event.DirectionOut, confidence, at, false)
	case Unlikely:
		s.remember(k).likely = 0
		s.notifyPassage(b, c, event.DirectionIn, confidence, at, false)
	}
}

// passed notifies that an item surely went through a door.
func (s *doorBook) passed(b *approach, c *Candidate, d event.Direction, confidence float64, at int64) {
	it := s.items.Item(b.item)
	if at < it.Sure {
		return // something newer is known of the item
	}
	k := doorItem{b.item, b.zone}
	if m := s.memory[k]; m != nil && m.likely != 0 {
		s.remember(k).likely = 0
	}
	if d == event.DirectionIn && !it.Disposition.Sellable() {
		s.remember(k).entered = at
	}
	s.notifyPassage(b, c, d, confidence, at, true)
}

// notifyPassage notifies of a passage.
func (s *doorBook) notifyPassage(b *approach, c *Candidate, d event.Direction, confidence float64, at int64, sure bool) {
	p := event.Passage{Direction: d, Confidence: confidence, Door: s.layout.Zone(b.zone).ID, Likely: !sure,
		Reads: c.Summary.Reads, Peak: event.NoRSSI, Span: (c.Summary.To - c.Summary.From) * SlotMs}
	if peak := max(c.Summary.Peak[Inner], c.Summary.Peak[Outer]); peak != NoLevel {
		p.Peak = int16(peak) * 10
	}
	s.events.AtDoor(b.item, event.Passed, b.zone, at, s.doorPoint(b.zone, c.Summary), p)
}

// doorPoint names the read point of a door that heard an approach last.
func (s *doorBook) doorPoint(zone uint16, sum Summary) string {
	for _, pt := range s.layout.Zone(zone).portals {
		if sum.Slots[Outer] > 0 == (pt.Side == event.Outer) {
			return pt.ID
		}
	}
	return s.layout.Zone(zone).portals[0].ID
}

// learnUsual takes what an approach showed long enough ago, and led nowhere, for usual.
func (s *doorBook) learnUsual(b *approach, until int64) {
	k := doorItem{b.item, b.zone}
	m := s.memory[k]
	upto := (until - Window) / learnBy * learnBy
	if upto > b.Newest() {
		upto = (b.Newest()/learnBy + 1) * learnBy
	}
	if m != nil && m.Until >= upto || !b.HeardIn(upto-learnBy+1, upto) {
		return
	}
	it := s.items.Item(b.item)
	z := s.layout.Zone(it.Zone)
	moved := it.Since/SlotMs > upto-Window
	if !z.Known || z.Kind == event.Exit || moved {
		return // it went out, or was carried
	}
	if in, left := s.heardInside(it, it.Zone, until); in.Rate > 0 && left*in.Epoch < upto*SlotMs {
		return // its own readers, have not heard it since: somebody may stand at the door with it
	}
	m = s.remember(k)
	m.Until = max(m.Until, upto-learnBy)
	m.Learn(&b.Approach, upto)
}

// loud returns what a door's readers hear of carried goods, by side.
func (s *doorBook) loud(door *Zone) [2]int8 {
	l := [2]int8{LoudByDefault, LoudByDefault}
	for _, pt := range door.portals {
		l[pt.doorSide()] = s.readers.at(pt.Name).Loud.Level()
	}
	return l
}

// Brought reports whether somebody carried the item in through a door up to a moment, and nobody
// has declared it stock since.
func (s *Site) Brought(i int32, upto int64) bool {
	for _, z := range s.layout.Doors {
		if m := s.doors.memory[doorItem{i, z}]; m != nil && m.entered != 0 && m.entered <= upto {
			return true
		}
	}
	return false
}

// TakeForStock forgets that an item was brought in: it is stock.
func (s *Site) TakeForStock(i int32) {
	for _, z := range s.layout.Doors {
		if m := s.doors.memory[doorItem{i, z}]; m != nil && m.entered != 0 {
			s.doors.remember(doorItem{i, z}).entered = 0
		}
	}
}

// noteLoud learns from an approach that has ended how strongly a door's readers hear goods that are
// carried past. What is usual for goods that lie there is no such thing.
func (s *doorBook) noteLoud(b *approach, door *Zone) {
	sum := b.Summary(b.Newest())
	var usual *Usual
	if m := s.memory[doorItem{b.item, b.zone}]; m != nil {
		usual = &m.Usual
	}
	for _, pt := range door.portals {
		side := pt.doorSide()
		if peak := sum.Peak[side]; peak != NoLevel && sum.Slots[side] >= loudSlots && peak > usual.Loudest(side) {
			s.readers.at(pt.Name).Loud.Add(peak)
		}
	}
}

// learnReturn takes all that a door heard of an item for usual that it said had gone out, and that is
// inside again, by a reader there or by the door itself: it never went. Without the second, goods that
// lie near a door and that no reader inside hears go out and come in by each of its fades.
func (s *doorBook) learnReturn(i int32, door uint16) {
	k := doorItem{i, door}
	b := s.approaches[k]
	if b == nil {
		return
	}
	m := s.remember(k)
	m.Until = max(m.Until, b.Newest()-RingMs/SlotMs)
	m.Learn(&b.Approach, b.Newest())
}
