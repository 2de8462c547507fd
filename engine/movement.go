package engine

import (
	"lintel/engine/event"
	"lintel/engine/stock"
)

// handleAfter is after how many milliseconds a handheld that hears what was carried in through a
// door declares it stock: before, it may be in a guest's bag.
const handleAfter = 10 * 60_000

// stockOf returns where the item counts as stock, if it does: sellable, of a known product, and inside
// the shop.
func (s *core) stockOf(it *item) stock.Key {
	if it.product < 0 || it.Zone == 0 || !it.Disposition.Sellable() || s.bound.zone(it.Zone).Kind == event.Exit {
		return stock.None
	}
	return stock.Key{Product: it.product, Zone: it.Zone}
}

// change alters an item by f and keeps the stock counts true to it. Stock facts are emitted by
// tellStock once the item's own fact is out.
func (s *core) change(i int32, f func(*item)) {
	it := s.item(i)
	before := s.stockOf(it)
	s.zones.before(s, it)
	f(it)
	s.stock.Move(before, s.stockOf(it))
	s.zones.after(s, i)
	s.touch(i)
}

// tellStock emits the stock facts that the last change owes, and lets rules about zones meet what
// changed in them.
func (s *core) tellStock(at int64) {
	s.stock.Owed(func(k stock.Key) {
		s.emit(event.Fact{Cause: event.Stock, At: at, GTIN: s.bound.cfg.Catalog.At(int(k.Product)).GTIN,
			Zone: s.idOf(k.Zone), Count: s.stock.Count(k)})
		s.view.meetStock(len(s.out.Facts)-1, k)
	})
	s.view.meetZones(at)
}

// place puts the item into a zone (0: nowhere known) as of time t, without telling. What is
// sellable stays so, within or out of customers' reach as the zone has it; a tag that nobody
// declared stock becomes stock where only stock lies, unless somebody carried it in through a door.
func (s *core) place(i int32, zone uint16, t int64, declared bool) {
	s.change(i, func(it *item) {
		if it.Zone != zone {
			it.From = it.Zone
		}
		it.Zone = zone
		it.Since, it.Sure = t, t
		kind := s.bound.zone(zone).Kind
		switch {
		case zone == 0 || it.product < 0:
		case it.Disposition.Sellable():
			if kind != event.Exit {
				it.Disposition = sellableIn(kind)
			}
		case it.Disposition == event.Unknown && declaresStock(kind) && (!s.presence.Brought(i, t) || declared && s.presence.Brought(i, t-handleAfter)):
			it.Disposition = sellableIn(kind)
			s.presence.TakeForStock(i)
		}
	})
}

// arrive moves the item to a zone and tells it. Declared: a person or a till said so.
func (s *core) arrive(i int32, zone uint16, t int64, point uint16, declared bool) {
	if s.replaying {
		return
	}
	it := s.item(i)
	returns := it.Zone == 0 && it.From == zone
	s.place(i, zone, t, declared)
	it.Declared, it.Faint = declared, returns && !declared
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
func (s *core) leaveZone(i int32, c event.Cause, t int64, point uint16) {
	if s.replaying {
		return
	}
	s.place(i, 0, t, false)
	it := s.item(i)
	it.Declared, it.Faint = false, false
	s.emitItem(c, i, t, func(f *event.Fact) { f.Point = s.idOf(point) })
	s.tellStock(t)
}

// declare puts the item where a person with a handheld, or a desk reader, says it is; point 0: a
// business event says so. Late says that it is no newer than what is known of the item.
func (s *core) declare(i int32, zone uint16, t int64, point uint16, late bool) {
	it := s.item(i)
	if it.Zone == zone {
		// When evidence is rebuilt, what is late may be from when the item was elsewhere, and the
		// record says what came of it.
		if t > it.Sure && !(late && s.replaying) {
			it.Sure = t // like seen, this is evidence, and written when its traces are released
			if it.Unsaved = !late && s.presence.Keeps(&it.Known, t); !it.Unsaved {
				s.touch(i) // too late to be evidence, or no read at all
			}
		}
		if !s.replaying && t >= it.Since && !it.Declared && s.bound.zone(zone).Kind != event.Exit {
			it.Declared = true
			s.touch(i)
		}
		return
	}
	if t <= it.Sure {
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
