package engine

import (
	"slices"

	"lintel/engine/epc"
	"lintel/engine/layout"
)

// counted is a tag as a closing count sees it: the zone of the count where it was heard best.
type counted struct {
	key  epc.Key
	zone uint16
	t    *tally
}

// better says which of two tallies of one tag is the better evidence of where it is: heard in more passes, then 3 dB stronger, then twice as often.
// 0: neither.
func better(a, b *tally) int {
	pa, pb := popcount16(a.passes), popcount16(b.passes)
	switch {
	case pa != pb:
		return pa - pb
	case a.best != NoRSSI && b.best != NoRSSI && a.best >= b.best+30:
		return 1
	case a.best != NoRSSI && b.best != NoRSSI && b.best >= a.best+30:
		return -1
	case a.reads >= 2*b.reads && a.reads > b.reads:
		return 1
	case b.reads >= 2*a.reads && b.reads > a.reads:
		return -1
	}
	return 0
}

func popcount16(v uint16) (n int) {
	for ; v != 0; v &= v - 1 {
		n++
	}
	return n
}

// closeCount reconciles what a count heard with what was expected, moves items to where they were counted, and tells what is missing. Nothing is
// written off: an item that was missed stays what it was until people decide.
func (s *State) closeCount(c *counter) {
	c.Status, c.Closed = CountClosed, s.clock
	res := &CountResult{Count: c.ID, Closed: s.clock, Expected: len(c.Expected)}
	found := s.bestHeard(c)
	heard := make(map[epc.Key]bool, len(found))
	lines := make(map[uint64][2]int) // by GTIN: expected, found
	expected := func(k epc.Key) bool {
		_, ok := slices.BinarySearchFunc(c.Expected, k, epc.Key.Compare)
		return ok
	}
	for _, k := range c.Expected {
		n := lines[s.gtinOf(k)]
		lines[s.gtinOf(k)] = [2]int{n[0] + 1, n[1]}
	}
	for _, h := range found {
		i := s.find(h.key)
		line := Difference{Key: h.key, Text: h.t.text, Zone: s.idOf(h.zone), Reads: int(h.t.reads)}
		if i >= 0 {
			line.Was = s.idOf(s.item(i).zone)
		}
		note := func(f Finding, was string) {
			d := line
			d.Finding, d.GTIN = f, s.gtinOf(h.key)
			if was != "" {
				d.Was = was
			}
			res.Differences = append(res.Differences, d)
		}
		if other, verdict := s.nextDoor(c, h); verdict < 0 {
			note(BetterNextDoor, other)
			continue
		} else if verdict == 0 && other != "" {
			note(TiedNextDoor, other)
		}
		heard[h.key] = true
		res.Found = append(res.Found, h.key)
		fresh := i < 0
		if fresh {
			i = s.create(h.key, h.t.text)
		}
		gtin := s.gtinOf(h.key)
		n := lines[gtin]
		lines[gtin] = [2]int{n[0], n[1] + 1}
		it := s.item(i)
		asExpected := expected(h.key)
		switch {
		case asExpected:
			res.Matched++
		case it.product < 0:
			f := UnknownProduct
			if isRaw(keyText(it.key, s.text(it))) {
				f = ForeignTag
			}
			note(f, "")
		case it.disp == RetailSold:
			note(SoldButPresent, "")
		case fresh:
			note(NewHere, "")
		case it.zone != h.zone:
			note(MovedHere, "")
		}
		if !asExpected {
			res.Unexpected++
		}
		if far := s.heardFar(it, h); far != "" {
			note(HeardElsewhere, far)
		}
		s.takeCounted(i, h, note)
	}
	for _, k := range c.Expected {
		if heard[k] {
			continue
		}
		res.Missing++
		if i := s.find(k); i >= 0 {
			res.Differences = append(res.Differences, s.missed(c, i))
		}
	}
	for _, n := range lines {
		res.Lines++
		if n[0] == n[1] {
			res.LinesRight++
		}
	}
	slices.SortStableFunc(res.Differences, func(a, b Difference) int {
		if n := int(a.Finding) - int(b.Finding); n != 0 {
			return n
		}
		return a.Key.Compare(b.Key)
	})
	s.dirty.results = append(s.dirty.results, res)
	f := Fact{
		Cause: Counted, At: s.clock, Ref: c.ID, Zone: c.Zones[0], Count: res.Matched + res.Unexpected,
		Expected: res.Expected, MissingItems: res.Missing, Unexpected: res.Unexpected,
	}
	s.emit(f)
	s.meetCount(len(s.out.Facts)-1, res)
}

// bestHeard lists the tags that a count heard, each once with the zone of its best evidence, in order of identity.
func (s *State) bestHeard(c *counter) []counted {
	best := make(map[epc.Key]counted, len(c.tallies))
	for k, t := range c.tallies {
		had, ok := best[k.key]
		if !ok {
			best[k.key] = counted{k.key, k.zone, t}
			continue
		}
		if n := better(t, had.t); n > 0 || n == 0 && (t.best > had.t.best || t.best == had.t.best && k.zone < had.zone) {
			best[k.key] = counted{k.key, k.zone, t}
		}
	}
	list := make([]counted, 0, len(best))
	for _, h := range best {
		list = append(list, h)
	}
	slices.SortFunc(list, func(a, b counted) int { return a.key.Compare(b.key) })
	return list
}

// nextDoor looks for the tag in other counts that ran at the same time in other zones. It returns the other zone and whether this count's evidence is better (1), the
// same (0) or worse (-1); "" if nobody else heard it.
func (s *State) nextDoor(c *counter, h counted) (zone string, verdict int) {
	verdict = 1
	for _, o := range s.counts.order {
		if o == c || o.Closed != 0 && o.Closed < c.Opened {
			continue
		}
		for _, z := range o.zones {
			t := o.tallies[tallyKey{h.key, z}]
			if t == nil || z == h.zone {
				continue
			}
			if n := better(h.t, t); n < verdict || zone == "" {
				zone, verdict = s.idOf(z), n
			}
		}
	}
	return zone, verdict
}

// heardFar returns another zone whose fixed reader heard the identity strongly within two seconds of the count, "" if none: one tag can't be in two places.
func (s *State) heardFar(it *item, h counted) string {
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt == nil || pt.role != layout.Fixed || pt.zone == h.zone || pt.zone == 0 {
			continue
		}
		d := tr.last - s.epochOf(h.t.last)
		if d*s.bound.epoch > 2000 || d*s.bound.epoch < -2000 {
			continue
		}
		if sig := s.signal(it, pt.zone, tr.last); sig.hits >= strongHits {
			return s.idOf(pt.zone)
		}
	}
	return ""
}

// takeCounted puts a counted item where it was counted and ends that it was missed.
func (s *State) takeCounted(i int32, h counted, note func(Finding, string)) {
	it := s.item(i)
	if h.t.last > it.seen {
		it.seen, it.point = h.t.last, h.t.point
		s.touch(i)
	}
	if it.zone != h.zone && h.t.last <= it.sure {
		note(NewerKnown, "")
		return
	}
	if it.flags&flagMissing != 0 {
		note(FoundAgain, "") // told when it arrives below: what is missing is nowhere
	}
	it.flags &^= flagMissed
	s.declare(i, h.zone, h.t.last, h.t.point)
	it = s.item(i)
	if it.disp == Unknown && it.product >= 0 && declaresStock(s.zone(h.zone).kind) {
		s.change(i, func(it *item) { it.disp = sellableIn(s.zone(h.zone).kind) })
		s.tellStock(s.clock)
	}
	s.touch(i)
}

// missed notes that an expected item was not heard, and tells it as missing when that happened often enough.
func (s *State) missed(c *counter, i int32) Difference {
	it := s.item(i)
	d := Difference{Finding: MissedOnce, Key: it.key, Text: s.text(it), GTIN: s.gtinOf(it.key), Zone: s.idOf(it.zone), Was: s.idOf(it.zone)}
	s.touch(i)
	switch {
	case it.sure > c.Opened || !slices.Contains(c.zones, it.zone) || !it.disp.Sellable():
		d.Finding = NewerKnown // moved, sold or seen since the count began: it was not there to be found
	case c.MissingAfter <= 1 || it.flags&flagMissed != 0:
		d.Finding = MissedNow
		it.flags = it.flags&^flagMissed | flagMissing
		s.leaveZone(i, Missing, s.clock, 0)
	default:
		it.flags |= flagMissed
	}
	return d
}
