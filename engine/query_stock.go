package engine

import (
	"cmp"
	"slices"

	"lintel/engine/event"
)

// This file works out what to carry where, so that places have what they should have. Nothing in it
// changes a state.

// Pick is one thing to do: carry some items of a product from one zone to another.
type Pick struct {
	Product  int    // index in the catalog
	GTIN     uint64 // the product
	From, To string // zones
	Count    int
	Over     bool     // because From has more than its maximum; else because To has less than its minimum
	Items    []string // which, in words: those that have been there longest, as many as Count
}

// Shortage is a place that has less than its minimum, and what the picks bring it.
type Shortage struct {
	StockRow
	Supplied int
}

// Lacking returns how many items are missing even after the picks: they have to be ordered, or
// found.
func (r *Shortage) Lacking() int { return r.Short() - r.Supplied }

// picker works out the picks of one product after the other.
type picker struct {
	s         *State
	zones     []uint16 // of the layout, in its order
	order     map[uint16]int
	picks     []pick
	shortages []Shortage
}

type pick struct {
	Pick
	product  int32
	from, to uint16
}

// need is a place that is below its minimum.
type need struct {
	limit
	short int
}

// Picks returns what to carry where, in the order of the zones to go to first, and every place that
// is below its minimum, by product. Items come from stockrooms and receiving first, as far as those
// keep their own minimum, then from places that have more than their maximum; what is over and is
// needed nowhere goes back to the first stockroom. One of each product's places after the other is
// served, zones before kinds of zones, in the layout's order.
func (s *State) Picks() ([]Pick, []Shortage) {
	p := &picker{s: s, order: make(map[uint16]int)}
	for i := range s.bound.cfg.Layout.Zones {
		n := s.numbers[s.bound.cfg.Layout.Zones[i].ID]
		p.order[n] = len(p.zones)
		p.zones = append(p.zones, n)
	}
	products := make([]int32, 0, len(s.bound.limits))
	for product := range s.bound.limits {
		products = append(products, product)
	}
	slices.SortFunc(products, func(a, b int32) int { return cmp.Compare(s.gtinAt(a), s.gtinAt(b)) })
	for _, product := range products {
		p.product(product, s.bound.limits[product])
	}
	slices.SortStableFunc(p.picks, func(a, b pick) int {
		return cmp.Or(cmp.Compare(p.order[a.from], p.order[b.from]), cmp.Compare(p.order[a.to], p.order[b.to]))
	})
	p.choose()
	picks := make([]Pick, len(p.picks))
	for i := range p.picks {
		picks[i] = p.picks[i].Pick
	}
	return picks, p.shortages
}

func (s *State) gtinAt(product int32) uint64 { return s.bound.cfg.Catalog.At(int(product)).GTIN }

// product works out the picks of one product.
func (p *picker) product(product int32, limits []limit) {
	s := p.s
	count := make(map[uint16]int)
	for _, z := range p.zones {
		if n := s.stock[stockKey{product, z}]; n > 0 {
			count[z] = int(n)
		}
	}
	inKind := func(k event.ZoneKind) (sum int) {
		for _, z := range p.zones {
			if s.zone(z).Kind == k {
				sum += count[z]
			}
		}
		return sum
	}
	var needs []need
	over := make(map[uint16]int) // by zone, beyond its maximum
	spare := make(map[uint16]int)
	for _, z := range p.zones {
		if k := s.zone(z).Kind; k == event.Stockroom || k == event.Receiving {
			spare[z] = count[z]
		}
	}
	for _, l := range limits {
		have := count[l.zone]
		if l.zone == 0 {
			have = inKind(l.kind)
		}
		if l.hasMin && have < l.min {
			needs = append(needs, need{l, l.min - have})
		}
		if l.hasMin {
			p.keep(l, spare)
		}
		if !l.hasMax || have <= l.max {
			continue
		}
		if l.zone != 0 {
			over[l.zone] = max(over[l.zone], have-l.max)
			continue
		}
		p.spread(l.kind, have-l.max, count, over)
	}
	if len(needs) == 0 && len(over) == 0 {
		return
	}
	slices.SortStableFunc(needs, func(a, b need) int {
		switch {
		case b.zone == 0 && a.zone != 0:
			return -1
		case a.zone == 0 && b.zone != 0:
			return 1
		}
		return cmp.Or(cmp.Compare(p.order[a.zone], p.order[b.zone]), cmp.Compare(a.kind, b.kind))
	})
	for _, n := range needs {
		p.serve(product, n, count, inKind(n.kind), spare, over)
	}
	if back, ok := p.firstStockroom(); ok {
		for _, z := range p.zones {
			if over[z] > 0 && s.zone(z).Kind != event.Stockroom {
				p.add(product, z, back, over[z], true)
			}
		}
	}
}

// keep takes from what stockrooms and receiving can spare what they must keep themselves.
func (p *picker) keep(l limit, spare map[uint16]int) {
	left := l.min
	for _, z := range p.zones {
		if z == l.zone || l.zone == 0 && p.s.zone(z).Kind == l.kind {
			n := min(left, spare[z])
			spare[z] -= n
			left -= n
		}
	}
}

// spread divides what a kind of zones has too much among its zones, those with most first.
func (p *picker) spread(k event.ZoneKind, much int, count, over map[uint16]int) {
	zones := slices.DeleteFunc(slices.Clone(p.zones), func(z uint16) bool { return p.s.zone(z).Kind != k || count[z] == 0 })
	slices.SortStableFunc(zones, func(a, b uint16) int { return cmp.Compare(count[b], count[a]) })
	for _, z := range zones {
		n := min(much, count[z])
		over[z] = max(over[z], n)
		much -= n
	}
}

// serve brings to one place what it lacks, as far as there is any.
func (p *picker) serve(product int32, n need, count map[uint16]int, inKind int, spare, over map[uint16]int) {
	s := p.s
	have := count[n.zone]
	if n.zone == 0 {
		have = inKind
	}
	row := Shortage{StockRow: StockRow{
		Product: int(product), GTIN: s.gtinAt(product), Zone: s.idOf(n.zone), Kind: n.kind, Count: have, Min: n.min,
		Max: n.max, HasMin: n.hasMin, HasMax: n.hasMax,
	}}
	to, ok := n.zone, s.zone(n.zone).Known
	if n.zone == 0 {
		to, ok = p.zoneOf(product, n.kind)
	}
	for _, from := range []map[uint16]int{spare, over} {
		for _, z := range p.zones {
			if !ok || z == to || n.zone == 0 && s.zone(z).Kind == n.kind || from[z] == 0 {
				continue
			}
			take := min(from[z], n.short-row.Supplied)
			if take == 0 {
				continue
			}
			p.add(product, z, to, take, false)
			row.Supplied += take
			spare[z], over[z] = max(0, spare[z]-take), max(0, over[z]-take)
		}
	}
	p.shortages = append(p.shortages, row)
}

// zoneOf is the zone of a kind to which a product goes: its home zone, else the first.
func (p *picker) zoneOf(product int32, k event.ZoneKind) (uint16, bool) {
	for _, id := range p.s.bound.cfg.Catalog.At(int(product)).HomeZones {
		if n := p.s.numbers[id]; p.s.zone(n).Known && p.s.zone(n).Kind == k {
			return n, true
		}
	}
	for _, z := range p.zones {
		if p.s.zone(z).Kind == k {
			return z, true
		}
	}
	return 0, false
}

func (p *picker) firstStockroom() (uint16, bool) {
	for _, z := range p.zones {
		if p.s.zone(z).Kind == event.Stockroom {
			return z, true
		}
	}
	return 0, false
}

func (p *picker) add(product int32, from, to uint16, count int, over bool) {
	p.picks = append(p.picks, pick{
		Pick:    Pick{Product: int(product), GTIN: p.s.gtinAt(product), From: p.s.idOf(from), To: p.s.idOf(to), Count: count, Over: over},
		product: product, from: from, to: to,
	})
}

// choose says which items to take: one look at every item.
func (p *picker) choose() {
	s := p.s
	have := make(map[stockKey][]int32)
	for i := range p.picks {
		have[stockKey{p.picks[i].product, p.picks[i].from}] = nil
	}
	if len(have) == 0 {
		return
	}
	for i := range s.count {
		it := s.item(i)
		k := stockKey{it.product, it.Zone}
		if list, ok := have[k]; ok && s.inStock(it) {
			have[k] = append(list, i)
		}
	}
	for _, list := range have {
		slices.SortFunc(list, func(a, b int32) int {
			return cmp.Or(cmp.Compare(s.item(a).Since, s.item(b).Since), s.item(a).key.Compare(s.item(b).key))
		})
	}
	for i := range p.picks {
		k := stockKey{p.picks[i].product, p.picks[i].from}
		n := min(p.picks[i].Count, len(have[k]))
		for _, at := range have[k][:n] {
			it := s.item(at)
			p.picks[i].Items = append(p.picks[i].Items, event.KeyText(it.key, s.text(it)))
		}
		have[k] = have[k][n:]
	}
}
