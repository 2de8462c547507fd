package engine

import (
	"lintel/engine/event"
)

// stockKey counts the sellable items of one product in one zone.
type stockKey struct {
	product int32
	zone    uint16
}

// inStock reports whether the item is part of the stock of the zone that it is in: sellable, of a
// known product, and inside the shop.
func (s *State) inStock(it *item) bool {
	return it.product >= 0 && it.Zone != 0 && it.Disposition.Sellable() && s.zone(it.Zone).Kind != event.Exit
}

// stockAdd adds or takes away the item from the count of its zone, and reports whether it counts.
func (s *State) stockAdd(it *item, by int32) bool {
	if !s.inStock(it) {
		return false
	}
	k := stockKey{it.product, it.Zone}
	n := s.stock[k] + by
	if n == 0 {
		delete(s.stock, k)
	} else {
		s.stock[k] = n
	}
	return true
}

// change alters an item by f and keeps the stock counts true to it. Stock facts are told by
// tellStock once the item's own fact is out.
func (s *State) change(i int32, f func(*item)) {
	it := s.item(i)
	before := stockKey{it.product, it.Zone}
	was := s.stockAdd(it, -1)
	f(it)
	after := stockKey{it.product, it.Zone}
	is := s.stockAdd(it, +1)
	s.touch(i)
	if was == is && (!was || before == after) {
		return
	}
	if was {
		s.dirty.stock = append(s.dirty.stock, before)
	}
	if is {
		s.dirty.stock = append(s.dirty.stock, after)
	}
}

// tellStock emits the stock facts that the last change owes.
func (s *State) tellStock(at int64) {
	for n := 0; n < len(s.dirty.stock); n++ {
		k := s.dirty.stock[n]
		s.emit(event.Fact{Cause: event.Stock, At: at, GTIN: s.bound.cfg.Catalog.At(int(k.product)).GTIN,
			Zone: s.idOf(k.zone), Count: int(s.stock[k])})
		s.meetStock(len(s.out.Facts)-1, k)
	}
	s.dirty.stock = s.dirty.stock[:0]
}

// onHand sums the stock of a product over the zones of one kind, or over all zones with None.
func (s *State) onHand(product int32, kind event.ZoneKind) int {
	var sum int32
	for n := range s.bound.layout.Zones {
		z := &s.bound.layout.Zones[n]
		if z.Known && (kind == event.ZoneKindNone || z.Kind == kind) {
			sum += s.stock[stockKey{product, uint16(n)}]
		}
	}
	return int(sum)
}
