package stock

import (
	"cmp"
	"slices"
	"strings"

	"lintel/engine/event"
	"lintel/engine/least"
)

// Row is the stock of one product in one place.
type Row struct {
	Product int            // index in the catalog
	GTIN    uint64         // the product
	Zone    string         // the place: a zone
	Kind    event.ZoneKind // or all zones of a kind, taken together, where Zone is ""
	Count   int            // sellable items
	Min     int
	Max     int
	HasMin  bool
	HasMax  bool
}

// Place returns the zone's id, or "kind:" and the name of the kind.
func (r *Row) Place() string {
	if r.Zone != "" {
		return r.Zone
	}
	return kindPrefix + r.Kind.String()
}

// Short returns how many items are missing to the minimum, never below 0.
func (r *Row) Short() int {
	if !r.HasMin {
		return 0
	}
	return max(0, r.Min-r.Count)
}

func (r *Row) compare(gtin uint64, place string) int {
	return cmp.Or(cmp.Compare(r.GTIN, gtin), strings.Compare(r.Place(), place))
}

// Filter says which rows are wanted. Its zero value wants all.
type Filter struct {
	AfterGTIN  uint64 // only rows that come after this product
	AfterPlace string // and place
	GTINs      []uint64
	Zone       string
	Below      bool // only rows below their minimum
}

// Rows returns the first limit rows that the filter lets through, by GTIN and place. There is
// a row for each product in each zone that holds some of it, and for each minimum or maximum,
// whether or not any is there.
func (b *Book) Rows(f Filter, limit int) []Row {
	best := least.Of[Row]{Limit: limit, Cmp: func(a, b Row) int { return a.compare(b.GTIN, b.Place()) }}
	offer := func(r Row) {
		switch {
		case f.Below && r.Short() == 0:
		case f.Zone != "" && r.Zone != f.Zone:
		case r.compare(f.AfterGTIN, f.AfterPlace) <= 0:
		default:
			best.Offer(r)
		}
	}
	wanted := func(product int32) (gtin uint64, ok bool) {
		gtin = b.catalog.At(int(product)).GTIN
		return gtin, gtin >= f.AfterGTIN && (f.GTINs == nil || slices.Contains(f.GTINs, gtin))
	}
	for k, n := range b.count {
		gtin, ok := wanted(k.Product)
		if n == 0 || !ok {
			continue
		}
		r := Row{Product: int(k.Product), GTIN: gtin, Zone: b.names.ID(k.Zone), Count: int(n)}
		for _, l := range b.limits[k.Product] {
			if l.Zone == k.Zone {
				r.Min, r.Max, r.HasMin, r.HasMax = l.Min, l.Max, l.HasMin, l.HasMax
			}
		}
		offer(r)
	}
	for product, limits := range b.limits {
		gtin, ok := wanted(product)
		if !ok {
			continue
		}
		for _, l := range limits {
			r := Row{Product: int(product), GTIN: gtin, Min: l.Min, Max: l.Max, HasMin: l.HasMin, HasMax: l.HasMax}
			if l.Zone == 0 {
				r.Kind, r.Count = l.Kind, b.OnHand(product, l.Kind)
			} else if b.count[Key{product, l.Zone}] != 0 {
				continue // has its row
			} else {
				r.Zone = b.names.ID(l.Zone)
			}
			offer(r)
		}
	}
	return best.Sorted()
}
