// Package stock counts what a shop has for sale, by product and zone, and knows how much of it there
// should be where: minimums and maximums, and what to carry so that they are kept.
//
// A [Book] is handed every move of an item ([Book.Move]) and owes a fact for each count that changed
// ([Book.Owed]). It reads no clock, and nothing in it depends on the order of a map.
package stock

import (
	"cmp"
	"slices"
	"strings"

	"lintel/engine/catalog"
	"lintel/engine/event"
)

// Key names the items of one product in one zone, by catalogue index and name number.
type Key struct {
	Product int32
	Zone    uint16
}

// None is the Key of what is no stock.
var None = Key{Product: -1}

// Limit is a minimum or maximum of one product in one zone, or over all zones of one kind.
type Limit struct {
	Zone   uint16         // name number, 0: by kind
	Kind   event.ZoneKind // where Zone is 0
	Min    int
	Max    int
	HasMin bool
	HasMax bool
}

// Zone is a zone of the layout.
type Zone struct {
	Name uint16 // its number
	ID   string
	Kind event.ZoneKind
}

// Names gives the ids of zones numbers. Numbers are never used again, so that zones which the layout
// no longer has keep theirs.
type Names interface {
	Number(id string) uint16 // 0: none
	ID(n uint16) string
}

// Book is the stock of one site.
type Book struct {
	names   Names
	zones   []Zone // in the layout's order
	byName  map[uint16]*Zone
	catalog *catalog.Catalog
	limits  map[int32][]Limit // by product, of those that have any
	count   map[Key]int32     // nothing that is 0
	owed    []Key             // whose facts are not out yet
}

// New returns a book that has counted nothing. It works once it has a layout and products.
func New(names Names) *Book { return &Book{names: names, count: make(map[Key]int32)} }

// Bind takes over the zones of a layout, in its order, and the products. Limits of zones that the
// site does not know are ignored: one catalogue serves several sites.
func (b *Book) Bind(zones []Zone, products *catalog.Catalog) {
	b.zones, b.catalog, b.byName = zones, products, make(map[uint16]*Zone, len(zones))
	for i := range zones {
		b.byName[zones[i].Name] = &zones[i]
	}
	b.limits = make(map[int32][]Limit)
	for i := range products.Len() {
		for _, l := range products.At(i).Limits {
			lim := Limit{Min: l.Min, Max: l.Max, HasMin: l.HasMin, HasMax: l.HasMax}
			var ok bool
			if l.Zone != "" {
				lim.Zone = b.names.Number(l.Zone)
				ok = lim.Zone != 0
			} else {
				lim.Kind, ok = event.ZoneKinds.Parse(l.Kind)
			}
			if ok {
				b.limits[int32(i)] = append(b.limits[int32(i)], lim)
			}
		}
	}
}

// Limits returns the minimums and maximums of a product.
func (b *Book) Limits(product int32) []Limit { return b.limits[product] }

// LimitAt returns the limit of a product at a place: a zone's id, or "kind:" and the name of a kind of
// zones. A place without one gives an empty limit; false says that there is no such place.
func (b *Book) LimitAt(product int32, place string) (Limit, bool) {
	kind, byKind := strings.CutPrefix(place, kindPrefix)
	for _, l := range b.limits[product] {
		if b.PlaceOf(l) == place {
			return l, true
		}
	}
	if byKind {
		k, ok := event.ZoneKinds.Parse(kind)
		return Limit{Kind: k}, ok
	}
	n := b.names.Number(place)
	return Limit{Zone: n}, n != 0
}

const kindPrefix = "kind:"

// PlaceOf returns the place of a limit, as LimitAt takes it.
func (b *Book) PlaceOf(l Limit) string {
	if l.Zone == 0 {
		return kindPrefix + l.Kind.String()
	}
	return b.names.ID(l.Zone)
}

// Move counts an item in one place less and in another more; None is no stock.
func (b *Book) Move(from, to Key) {
	if from == to {
		return
	}
	for k, by := range [...]int32{-1, 1} {
		if key := [...]Key{from, to}[k]; key != None {
			b.add(key, by)
			b.owed = append(b.owed, key)
		}
	}
}

func (b *Book) add(k Key, by int32) {
	if n := b.count[k] + by; n != 0 {
		b.count[k] = n
	} else {
		delete(b.count, k)
	}
}

// Owed calls f for each count that has changed since the last call, in the order of the changes.
func (b *Book) Owed(f func(Key)) {
	for n := 0; n < len(b.owed); n++ { // f may cause more
		f(b.owed[n])
	}
	b.owed = b.owed[:0]
}

// Recount counts anew: each calls add for every item that is stock. No fact is owed for that.
func (b *Book) Recount(each func(add func(Key))) {
	clear(b.count)
	each(b.Load)
}

// Load counts an item without owing a fact.
func (b *Book) Load(k Key) {
	if k != None {
		b.add(k, 1)
	}
}

// Set takes a count for true.
func (b *Book) Set(k Key, n int) { b.count[k] = int32(n) }

// Count returns how many items there are.
func (b *Book) Count(k Key) int { return int(b.count[k]) }

// OnHand sums the stock of a product over the zones of one kind, or over all zones with
// event.ZoneKindNone.
func (b *Book) OnHand(product int32, kind event.ZoneKind) (sum int) {
	for i := range b.zones {
		if z := &b.zones[i]; kind == event.ZoneKindNone || z.Kind == kind {
			sum += b.Count(Key{product, z.Name})
		}
	}
	return sum
}

// Digest puts every count in words, in a fixed order.
func (b *Book) Digest(put func(string, ...any)) {
	keys := make([]Key, 0, len(b.count))
	for k, n := range b.count {
		if n != 0 {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b Key) int {
		return cmp.Or(cmp.Compare(a.Product, b.Product), cmp.Compare(a.Zone, b.Zone))
	})
	for _, k := range keys {
		put("stock %v %d", k, b.count[k])
	}
}
