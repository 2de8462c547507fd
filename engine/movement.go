package engine

import (
	"lintel/engine/event"
)

// place puts the item into a zone (0: nowhere known) as of time t, without telling. What is
// sellable stays so, within or out of customers' reach as the zone has it; a tag that nobody
// declared stock becomes stock where only stock lies, unless somebody carried it in through a door.
func (s *State) place(i int32, zone uint16, t int64, declared bool) {
	s.change(i, func(it *item) {
		if it.zone != zone {
			it.from = it.zone
		}
		it.zone = zone
		it.since, it.sure = t, t
		kind := s.zone(zone).kind
		switch {
		case zone == 0 || it.product < 0:
		case it.disp.Sellable():
			if kind != event.Exit {
				it.disp = sellableIn(kind)
			}
		case it.disp == event.Unknown && declaresStock(kind) && (!s.brought(i, t) || declared && s.brought(i, t-handleAfter)):
			it.disp = sellableIn(kind)
			s.takeForStock(i)
		}
	})
}

// arrive moves the item to a zone and tells it. Declared: a person or a till said so.
func (s *State) arrive(i int32, zone uint16, t int64, point uint16, declared bool) {
	if s.replaying {
		return
	}
	it := s.item(i)
	returns := it.zone == 0 && it.from == zone
	if s.zone(it.zone).kind == event.Exit && !declared {
		s.learnReturn(i, it.zone)
	}
	s.place(i, zone, t, declared)
	it.flags &^= flagDeclared | flagFaint
	if returns && !declared {
		it.flags |= flagFaint
	}
	if declared {
		it.flags |= flagDeclared
	}
	was := it.flags & flagMissing
	it.flags &^= flagMissing | flagMissed
	s.emitItem(event.Arrived, i, t, func(f *event.Fact) { f.Point = s.idOf(point) })
	if was != 0 {
		s.emitItem(event.Found, i, t, func(f *event.Fact) { f.Point = s.idOf(point) })
	}
	if it.product < 0 && it.flags&flagForeign == 0 {
		it.flags |= flagForeign
		s.emitItem(event.Foreign, i, t, func(f *event.Fact) { f.Point = s.idOf(point) })
	}
	s.tellStock(t)
}

// leaveZone takes the item out of its zone and tells it with the given cause.
func (s *State) leaveZone(i int32, c event.Cause, t int64, point uint16) {
	if s.replaying {
		return
	}
	s.place(i, 0, t, false)
	s.item(i).flags &^= flagDeclared | flagFaint
	s.emitItem(c, i, t, func(f *event.Fact) { f.Point = s.idOf(point) })
	s.tellStock(t)
}

// declare puts the item where a person with a handheld, or a desk reader, says it is; point 0: a
// business event says so.
func (s *State) declare(i int32, zone uint16, t int64, point uint16) {
	it := s.item(i)
	if it.zone == zone {
		if t > it.sure {
			it.sure = t // like seen, this is evidence, and written when its traces are released
			if it.ev < 0 || point == 0 || s.epochOf(t) <= s.epochOf(s.clock)-min(freeAfter, traceEpochs) {
				s.touch(i) // too late to be evidence, or no read at all
			}
		}
		if !s.replaying && t >= it.since && it.flags&flagDeclared == 0 && s.zone(zone).kind != event.Exit {
			it.flags |= flagDeclared
			s.touch(i)
		}
		return
	}
	if t <= it.sure {
		return // something newer is known; of two places in one millisecond the first stands, so that a repeated batch changes nothing
	}
	s.arrive(i, zone, t, point, true)
}

// sellableIn is the sellable disposition that fits a place.
func sellableIn(k event.ZoneKind) event.Disposition {
	switch k {
	case event.Shelf, event.Floor, event.Fitting:
		return event.SellableAccessible
	}
	return event.SellableNotAccessible
}

// declaresStock reports whether an item first heard in a place of this kind is taken to be stock. A
// tag first heard at the door, at the till or in no place may be anybody's: calling it unpaid stock
// would accuse a customer of carrying what they own.
func declaresStock(k event.ZoneKind) bool {
	switch k {
	case event.Shelf, event.Floor, event.Fitting, event.Stockroom, event.Receiving:
		return true
	}
	return false
}
