package engine

import (
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stocktake"
)

// foldCount carries out a command on a count. What no longer fits changes nothing.
func (s *core) foldCount(cmd *event.CountCommand, by string) {
	if cmd.Do == "open" {
		s.openCount(cmd, by)
		return
	}
	res := s.counts.Do(cmd, s.clock, countedSite{s})
	if res == nil {
		return
	}
	s.out.Results = append(s.out.Results, res)
	c, _ := s.counts.Count(res.Count)
	s.emit(event.Fact{
		Cause: event.Counted, At: s.clock, Ref: res.Count, Zone: c.Zones[0], Count: res.Matched + res.Unexpected,
		Expected: res.Expected, MissingItems: res.Missing, Unexpected: res.Unexpected, Stocktake: res.Stocktake(),
	})
	s.view.meetCount(len(s.out.Facts)-1, res)
	s.tellOverdue()
}

// openCount opens a count of those zones that the layout has. A count of stock expects the sellable
// items of its zones, one of a delivery what its papers say; tags that nobody has seen yet keep
// their words.
func (s *core) openCount(cmd *event.CountCommand, by string) {
	c := event.Count{
		ID: event.CountID(s.site, s.seq), By: by, Note: cmd.Note, Opened: s.clock, MissingAfter: min(2, max(1, cmd.MissingAfter)),
		Delivery: cmd.Delivery, Blind: cmd.Blind, Only: cmd.Only, Fields: cmd.Fields,
	}
	var zones []uint16
	for _, id := range cmd.Zones {
		if n := s.numbers[id]; s.bound.zone(n).Known && !slices.Contains(zones, n) {
			zones, c.Zones = append(zones, n), append(c.Zones, id)
		}
	}
	if other, _ := s.counts.Counting(c.Zones); len(zones) == 0 || cmd.Careful && other != "" {
		return
	}
	if c.Delivery || c.Only {
		c.Papers = cmd.Papers
		for _, t := range cmd.Tags {
			c.Expected = append(c.Expected, t.Key)
			if s.find(t.Key) < 0 {
				s.create(t.Key, t.Text)
			}
		}
	} else {
		for i := range s.count {
			if it := s.item(i); it.Disposition.Sellable() && slices.Contains(zones, it.Zone) {
				c.Expected = append(c.Expected, it.key)
			}
		}
	}
	s.counts.Open(c, zones)
}

// foldCountReads has a count take a batch of reads.
func (s *core) foldCountReads(e *event.Entry) {
	points := s.resolve(e)
	s.out.Reads += len(e.Reads)
	numbers := make([]uint16, len(points))
	for i, pt := range points {
		if pt != nil {
			numbers[i] = pt.Name
		}
	}
	unplaced, ok := s.counts.Hear(e, numbers, s.scratchZones, s.clock)
	s.out.Unplaced += unplaced
	if !ok {
		s.foldLateCountReads(e, points)
	}
}

// foldLateCountReads takes reads that were on their way when somebody else closed their count: they
// were acknowledged, so they are not lost, and say where the items are as any read of a handheld
// does. They leave no evidence, since what a count heard is never replayed.
func (s *core) foldLateCountReads(e *event.Entry, points []*presence.Point) {
	for k := range e.Reads {
		r := &e.Reads[k]
		pt := points[r.Point]
		if pt == nil || r.Zone == 0 || s.scratchZones[r.Zone-1] == 0 {
			s.out.Unplaced++
			continue
		}
		i, ok := s.index[r.Key]
		if !ok {
			i = s.create(r.Key, r.Text)
		}
		t := min(r.T, e.At)
		if it := s.item(i); t > it.Seen {
			it.Seen, it.Point = t, pt.Name
		}
		s.declare(i, s.scratchZones[r.Zone-1], t, pt.Name, true)
		s.touch(i)
	}
}

// Count returns a count whose tallies are kept, without what it expects and its curve.
func (s *State) Count(id string) (event.Count, bool) { return s.counts.Count(id) }

// Counting returns a count that takes reads in one of the zones, and the zone; "" if there is none.
func (s *State) Counting(zones []string) (id, zone string) { return s.counts.Counting(zones) }

// CountProgress returns how far a count has come, false if its tallies are not kept. It looks at
// every tally once.
func (s *State) CountProgress(id string) (stocktake.Progress, bool) {
	return s.counts.Progress(id, s.gtinOf)
}

// ZoneID returns the id of the zone with this number, as sightings have it; "" for 0.
func (s *State) ZoneID(n uint16) string { return s.idOf(n) }

// CountHeard lists what a count heard so far, each tag once, in order of identity, and with its text
// where the key does not hold the identity; false if its tallies are not kept.
func (s *State) CountHeard(id string) ([]stocktake.Sighting, bool) { return s.counts.Heard(id) }

// CountUnheard lists what a count expects and did not hear so far, see stocktake.Book.Unheard.
func (s *State) CountUnheard(id string) (tags []epc.Key, lines []event.Line, ok bool) {
	return s.counts.Unheard(id, s.gtinOf)
}

// countedSite is the site that a count which closes is reconciled with.
type countedSite struct{ s *core }

func (c countedSite) GTIN(k epc.Key) uint64 { return c.s.gtinOf(k) }

func (c countedSite) Add(k epc.Key, text string) stocktake.Item { return c.item(c.s.create(k, text)) }

func (c countedSite) Item(k epc.Key) (stocktake.Item, bool) {
	i := c.s.find(k)
	if i < 0 {
		return stocktake.Item{}, false
	}
	return c.item(i), true
}

func (c countedSite) item(i int32) stocktake.Item {
	it := c.s.item(i)
	return stocktake.Item{
		Index: i, Text: c.s.text(it), Zone: it.Zone, ZoneID: c.s.idOf(it.Zone), Sure: it.Sure, Disposition: it.Disposition,
		Known: it.product >= 0, Missed: it.flags&flagMissed != 0, Missing: it.flags&flagMissing != 0,
	}
}

// Elsewhere looks around the sighting: one tag can't be in two places.
func (c countedSite) Elsewhere(i int32, h *stocktake.Sighting) string {
	return c.s.idOf(c.s.presence.Elsewhere(&c.s.item(i).Known, h.Zone, h.At, h.RSSI))
}

// Counted declares the item to be where it was counted. It becomes stock where only stock lies, and
// by a delivery.
func (c countedSite) Counted(i int32, h *stocktake.Sighting, stays bool, delivery string) {
	s := c.s
	it := s.item(i)
	if h.At > it.Seen {
		it.Seen, it.Point = h.At, h.Point
	}
	s.noteCounted(it)
	s.touch(i)
	stock := func(it *item) { it.Disposition = sellableIn(s.bound.zone(it.Zone).Kind) }
	if !stays {
		it.flags &^= flagMissed
		s.declare(i, h.Zone, h.At, h.Point, true)
		if it.Disposition == event.Unknown && it.product >= 0 && declaresStock(s.bound.zone(h.Zone).Kind) {
			s.presence.TakeForStock(i)
			s.change(i, stock)
			s.holds(i, 0)
			s.tellStock(s.clock)
		}
	}
	if delivery != "" {
		s.change(i, stock)
		s.emitItem(event.Received, i, h.At, func(f *event.Fact) { f.Ref = delivery })
		s.tellStock(h.At)
	}
}

// Missed takes a missing item out of its zone.
func (c countedSite) Missed(i int32, m stocktake.Miss) {
	it := c.s.item(i)
	c.s.touch(i)
	it.flags &^= flagMissed
	switch m {
	case stocktake.MissedOnce:
		it.flags |= flagMissed
	case stocktake.MissedNow:
		it.flags |= flagMissing
		c.s.leaveZone(i, event.Missing, c.s.clock, 0)
	}
}

// planCounts takes over the plan of counts.
func (s *core) planCounts() {
	s.counts.Seen(s.clock)
	s.tellOverdue()
}

// tellOverdue emits the facts of zones whose count became overdue, or no longer is.
func (s *core) tellOverdue() {
	for _, d := range s.counts.TakeOverdue(s.clock) {
		f := event.Fact{Cause: event.CaughtUp, At: s.clock, Zone: d.Zone, Stocktake: &event.Stocktake{
			Zones: []string{d.Zone}, Overdue: d.Overdue, Days: d.Days}}
		if d.Overdue {
			f.Cause = event.Overdue
		}
		s.emit(f)
		s.view.meetDue(len(s.out.Facts) - 1)
	}
}

// DueCounts lists the zones of the plan of counts with when each is to be counted, as of a moment in
// Unix milliseconds.
func (s *State) DueCounts(now int64) []stocktake.Due { return s.counts.Due(now) }
