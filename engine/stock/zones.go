package stock

import (
	"slices"

	"lintel/engine/event"
)

// ZoneRow is the stock of one zone, of all products together.
type ZoneRow struct {
	Zone      string
	Count     int // items for sale
	Products  int // of which there are any
	Misplaced int // of Count: what does not belong there, see Book.Misplaced
	Min       int // all minimums of products in this zone, added up
	Max       int // all maximums
	Below     int // how many products are below their minimum
	Short     int // how many items they lack together
	Over      int // how many items there are beyond maximums
}

// selling reports whether goods are offered to customers in zones of a kind.
func selling(k event.ZoneKind) bool { return k == event.Shelf || k == event.Floor }

// Misplaced reports whether what k names lies where goods are offered, in a zone that is none of
// its product's home zones. A product without home zones is nowhere misplaced.
func (b *Book) Misplaced(k Key) bool {
	z := b.byName[k.Zone]
	if k == None || z == nil || !selling(z.Kind) {
		return false
	}
	home := b.catalog.At(int(k.Product)).HomeZones
	return len(home) > 0 && !slices.Contains(home, z.ID)
}

// Zones returns what each zone of the layout has, in its order. Minimums and maximums over all
// zones of a kind are none of a zone.
func (b *Book) Zones() []ZoneRow {
	rows := make([]ZoneRow, len(b.zones))
	at := make(map[uint16]*ZoneRow, len(b.zones))
	for i := range b.zones {
		rows[i].Zone = b.zones[i].ID
		at[b.zones[i].Name] = &rows[i]
	}
	for k, n := range b.count {
		r := at[k.Zone]
		if r == nil {
			continue
		}
		r.Count += int(n)
		r.Products++
		if b.Misplaced(k) {
			r.Misplaced += int(n)
		}
	}
	for product, limits := range b.limits {
		for _, l := range limits {
			r := at[l.Zone]
			if l.Zone == 0 || r == nil {
				continue
			}
			n := b.Count(Key{product, l.Zone})
			if l.HasMin {
				r.Min += l.Min
			}
			if l.HasMin && n < l.Min {
				r.Below++
				r.Short += l.Min - n
			}
			if l.HasMax {
				r.Max += l.Max
				r.Over += max(0, n-l.Max)
			}
		}
	}
	return rows
}
