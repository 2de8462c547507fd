package stock

import (
	"cmp"
	"slices"

	"lintel/engine/event"
)

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
	Row
	Supplied int
}

// Lacking returns how many items are missing even after the picks: they have to be ordered, or
// found.
func (r *Shortage) Lacking() int { return r.Short() - r.Supplied }

// picker works out the picks of one product after the other.
type picker struct {
	b         *Book
	zones     []uint16 // of the layout, in its order
	kinds     map[uint16]event.ZoneKind
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
	Limit
	short int
}

// Picks returns what to carry where, in the order of the zones to go to first, and every place that
// is below its minimum, by product. Items come from stockrooms and receiving first, as far as those
// keep their own minimum, then from places that have more than their maximum; what is over and is
// needed nowhere goes back to the first stockroom. One of each product's places after the other is
// served, zones before kinds of zones, in the layout's order.
//
// Each calls its argument with every item that is stock, compare orders items by how long they have
// been where they are, and words gives an item's identity.
func (b *Book) Picks(each func(func(k Key, item int32)), compare func(a, b int32) int, words func(int32) string) ([]Pick, []Shortage) {
	p := &picker{b: b, order: make(map[uint16]int), kinds: make(map[uint16]event.ZoneKind)}
	for i := range b.zones {
		z := &b.zones[i]
		p.order[z.Name], p.kinds[z.Name] = len(p.zones), z.Kind
		p.zones = append(p.zones, z.Name)
	}
	products := make([]int32, 0, len(b.limits))
	for product := range b.limits {
		products = append(products, product)
	}
	gtin := func(product int32) uint64 { return b.catalog.At(int(product)).GTIN }
	slices.SortFunc(products, func(x, y int32) int { return cmp.Compare(gtin(x), gtin(y)) })
	for _, product := range products {
		p.product(product, b.limits[product])
	}
	slices.SortStableFunc(p.picks, func(a, b pick) int {
		return cmp.Or(cmp.Compare(p.order[a.from], p.order[b.from]), cmp.Compare(p.order[a.to], p.order[b.to]))
	})
	p.choose(each, compare, words)
	picks := make([]Pick, len(p.picks))
	for i := range p.picks {
		picks[i] = p.picks[i].Pick
	}
	return picks, p.shortages
}

// product works out the picks of one product.
func (p *picker) product(product int32, limits []Limit) {
	count := make(map[uint16]int)
	for _, z := range p.zones {
		if n := p.b.Count(Key{product, z}); n > 0 {
			count[z] = n
		}
	}
	inKind := func(k event.ZoneKind) (sum int) {
		for _, z := range p.zones {
			if p.kinds[z] == k {
				sum += count[z]
			}
		}
		return sum
	}
	var needs []need
	over := make(map[uint16]int) // by zone, beyond its maximum
	spare := make(map[uint16]int)
	for _, z := range p.zones {
		if k := p.kinds[z]; k == event.Stockroom || k == event.Receiving {
			spare[z] = count[z]
		}
	}
	for _, l := range limits {
		have := count[l.Zone]
		if l.Zone == 0 {
			have = inKind(l.Kind)
		}
		if l.HasMin && have < l.Min {
			needs = append(needs, need{l, l.Min - have})
		}
		if l.HasMin {
			p.keep(l, spare)
		}
		if !l.HasMax || have <= l.Max {
			continue
		}
		if l.Zone != 0 {
			over[l.Zone] = max(over[l.Zone], have-l.Max)
			continue
		}
		p.spread(l.Kind, have-l.Max, count, over)
	}
	if len(needs) == 0 && len(over) == 0 {
		return
	}
	slices.SortStableFunc(needs, func(a, b need) int {
		switch {
		case b.Zone == 0 && a.Zone != 0:
			return -1
		case a.Zone == 0 && b.Zone != 0:
			return 1
		}
		return cmp.Or(cmp.Compare(p.order[a.Zone], p.order[b.Zone]), cmp.Compare(a.Kind, b.Kind))
	})
	for _, n := range needs {
		p.serve(product, n, count, inKind(n.Kind), spare, over)
	}
	if back, ok := p.firstStockroom(); ok {
		for _, z := range p.zones {
			if over[z] > 0 && p.kinds[z] != event.Stockroom {
				p.add(product, z, back, over[z], true)
			}
		}
	}
}

// keep takes from what stockrooms and receiving can spare what they must keep themselves.
func (p *picker) keep(l Limit, spare map[uint16]int) {
	left := l.Min
	for _, z := range p.zones {
		if z == l.Zone || l.Zone == 0 && p.kinds[z] == l.Kind {
			n := min(left, spare[z])
			spare[z] -= n
			left -= n
		}
	}
}

// spread divides what a kind of zones has too much among its zones, those with most first.
func (p *picker) spread(k event.ZoneKind, much int, count, over map[uint16]int) {
	zones := slices.DeleteFunc(slices.Clone(p.zones), func(z uint16) bool { return p.kinds[z] != k || count[z] == 0 })
	slices.SortStableFunc(zones, func(a, b uint16) int { return cmp.Compare(count[b], count[a]) })
	for _, z := range zones {
		n := min(much, count[z])
		over[z] = max(over[z], n)
		much -= n
	}
}

// serve brings to one place what it lacks, as far as there is any.
func (p *picker) serve(product int32, n need, count map[uint16]int, inKind int, spare, over map[uint16]int) {
	have := count[n.Zone]
	if n.Zone == 0 {
		have = inKind
	}
	row := Shortage{Row: Row{
		Product: int(product), GTIN: p.gtin(product), Zone: p.b.names.ID(n.Zone), Kind: n.Kind, Count: have, Min: n.Min,
		Max: n.Max, HasMin: n.HasMin, HasMax: n.HasMax,
	}}
	to, ok := n.Zone, p.has(n.Zone)
	if n.Zone == 0 {
		to, ok = p.zoneOf(product, n.Kind)
	}
	for _, from := range []map[uint16]int{spare, over} {
		for _, z := range p.zones {
			if !ok || z == to || n.Zone == 0 && p.kinds[z] == n.Kind || from[z] == 0 {
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
	for _, id := range p.b.catalog.At(int(product)).HomeZones {
		if n := p.b.names.Number(id); p.has(n) && p.kinds[n] == k {
			return n, true
		}
	}
	for _, z := range p.zones {
		if p.kinds[z] == k {
			return z, true
		}
	}
	return 0, false
}

func (p *picker) firstStockroom() (uint16, bool) {
	for _, z := range p.zones {
		if p.kinds[z] == event.Stockroom {
			return z, true
		}
	}
	return 0, false
}

func (p *picker) add(product int32, from, to uint16, count int, over bool) {
	p.picks = append(p.picks, pick{
		Pick:    Pick{Product: int(product), GTIN: p.gtin(product), From: p.b.names.ID(from), To: p.b.names.ID(to), Count: count, Over: over},
		product: product, from: from, to: to,
	})
}

// choose says which items to take: one look at every item.
func (p *picker) choose(each func(func(Key, int32)), compare func(a, b int32) int, words func(int32) string) {
	have := make(map[Key][]int32)
	for i := range p.picks {
		have[Key{p.picks[i].product, p.picks[i].from}] = nil
	}
	if len(have) == 0 {
		return
	}
	each(func(k Key, i int32) {
		if list, ok := have[k]; ok {
			have[k] = append(list, i)
		}
	})
	for _, list := range have {
		slices.SortFunc(list, compare)
	}
	for i := range p.picks {
		k := Key{p.picks[i].product, p.picks[i].from}
		n := min(p.picks[i].Count, len(have[k]))
		for _, at := range have[k][:n] {
			p.picks[i].Items = append(p.picks[i].Items, words(at))
		}
		have[k] = have[k][n:]
	}
}

func (p *picker) gtin(product int32) uint64 { return p.b.catalog.At(int(product)).GTIN }

func (p *picker) has(zone uint16) bool {
	_, ok := p.order[zone]
	return ok
}
