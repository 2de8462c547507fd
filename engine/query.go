package engine

import (
	"cmp"
	"container/heap"
	"slices"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// This file answers questions about a state. Nothing in it changes one.

// ItemInfo is what a state knows of one item.
type ItemInfo struct {
	Key         epc.Key
	Text        string // the identity in words
	GTIN        uint64 // 0: not known
	Product     int    // index in the catalog, -1: not in it
	Disposition event.Disposition
	Zone        string // "": nowhere known
	From        string // the zone before that
	Point       string // the read point that last heard it, "": none
	Since       int64  // when it came to where it is, Unix milliseconds
	Seen        int64  // when it was last heard, Unix milliseconds; 0: never
	Declared    bool   // a person or a till said where it is
	Foreign     bool   // told as a tag that is not this shop's
}

// Item returns the item with this identity.
func (s *State) Item(k epc.Key) (ItemInfo, bool) {
	i := s.find(k)
	if i < 0 {
		return ItemInfo{}, false
	}
	return s.info(s.item(i)), true
}

func (s *State) info(it *item) ItemInfo {
	return ItemInfo{
		Key: it.key, Text: event.KeyText(it.key, s.text(it)), GTIN: s.gtinOf(it.key), Product: int(it.product), Disposition: it.Disposition,
		Zone: s.idOf(it.Zone), From: s.idOf(it.From), Point: s.idOf(it.Point), Since: it.Since, Seen: it.Seen,
		Declared: it.Declared, Foreign: it.flags&flagForeign != 0,
	}
}

// Keys returns the identities of the items from number from on, at most limit of them, and the
// number to go on with; it returns none at the end. Items keep their numbers, in the order in which
// they were first heard of. It costs no more than the identities that it returns, unlike Items,
// which looks at all.
func (s *State) Keys(from, limit int) (keys []epc.Key, next int) {
	next = min(max(from, 0)+limit, int(s.count))
	for i := max(from, 0); i < next; i++ {
		keys = append(keys, s.item(int32(i)).key)
	}
	return keys, next
}

// ItemFilter says which items are wanted. Its zero value wants all.
type ItemFilter struct {
	After       epc.Key // only items whose key comes after this one
	Zone        string
	GTINs       []uint64           // of any of these products
	Disposition *event.Disposition // in this state
}

// Items returns the first limit items that the filter lets through, in the order of their keys. It
// looks at every item once: some 15 ms for a million.
func (s *State) Items(f ItemFilter, limit int) []ItemInfo {
	zone := s.numbers[f.Zone]
	if f.Zone != "" && zone == 0 {
		return nil
	}
	best := smallest[int32]{limit: limit, cmp: func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) }}
	for i := range s.count {
		it := s.item(i)
		switch {
		case zone != 0 && it.Zone != zone:
		case f.Disposition != nil && it.Disposition != *f.Disposition:
		case it.key.Compare(f.After) <= 0:
		case f.GTINs != nil && !slices.Contains(f.GTINs, s.gtinOf(it.key)):
		default:
			best.offer(i)
		}
	}
	infos := make([]ItemInfo, 0, len(best.list))
	for _, i := range best.sorted() {
		infos = append(infos, s.info(s.item(i)))
	}
	return infos
}

// StockRow is the stock of one product in one place.
type StockRow struct {
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
func (r *StockRow) Place() string {
	if r.Zone != "" {
		return r.Zone
	}
	return "kind:" + r.Kind.String()
}

// Short returns how many items are missing to the minimum, never below 0.
func (r *StockRow) Short() int {
	if !r.HasMin {
		return 0
	}
	return max(0, r.Min-r.Count)
}

func (r *StockRow) compare(gtin uint64, place string) int {
	return cmp.Or(cmp.Compare(r.GTIN, gtin), strings.Compare(r.Place(), place))
}

// StockFilter says which rows are wanted. Its zero value wants all.
type StockFilter struct {
	AfterGTIN  uint64 // only rows that come after this product
	AfterPlace string // and place
	GTINs      []uint64
	Zone       string
	Below      bool // only rows below their minimum
}

// StockRows returns the first limit rows that the filter lets through, by GTIN and place. There is
// a row for each product in each zone that holds some of it, and for each minimum or maximum,
// whether or not any is there.
func (s *State) StockRows(f StockFilter, limit int) []StockRow {
	best := smallest[StockRow]{limit: limit, cmp: func(a, b StockRow) int { return a.compare(b.GTIN, b.Place()) }}
	offer := func(r StockRow) {
		switch {
		case f.Below && r.Short() == 0:
		case f.Zone != "" && r.Zone != f.Zone:
		case r.compare(f.AfterGTIN, f.AfterPlace) <= 0:
		default:
			best.offer(r)
		}
	}
	wanted := func(product int32) (gtin uint64, ok bool) {
		gtin = s.bound.cfg.Catalog.At(int(product)).GTIN
		return gtin, gtin >= f.AfterGTIN && (f.GTINs == nil || slices.Contains(f.GTINs, gtin))
	}
	for k, n := range s.stock {
		gtin, ok := wanted(k.product)
		if n == 0 || !ok {
			continue
		}
		r := StockRow{Product: int(k.product), GTIN: gtin, Zone: s.idOf(k.zone), Count: int(n)}
		for _, l := range s.bound.limits[k.product] {
			if l.zone == k.zone {
				r.Min, r.Max, r.HasMin, r.HasMax = l.min, l.max, l.hasMin, l.hasMax
			}
		}
		offer(r)
	}
	for product, limits := range s.bound.limits {
		gtin, ok := wanted(product)
		if !ok {
			continue
		}
		for _, l := range limits {
			r := StockRow{Product: int(product), GTIN: gtin, Min: l.min, Max: l.max, HasMin: l.hasMin, HasMax: l.hasMax}
			if l.zone == 0 {
				r.Kind, r.Count = l.kind, s.onHand(product, l.kind)
			} else if s.stock[stockKey{product, l.zone}] != 0 {
				continue // has its row
			} else {
				r.Zone = s.idOf(l.zone)
			}
			offer(r)
		}
	}
	return best.sorted()
}

// Alerts returns the alerts that are not closed, in the order in which they were raised, without
// those that nobody was told of yet.
func (s *State) Alerts() []event.Alert {
	list := []event.Alert{}
	for _, a := range s.alerts.Alerts() {
		if a.Status != event.AlertPending {
			list = append(list, *a)
		}
	}
	return list
}

// Alert returns an alert that is not closed.
func (s *State) Alert(id string) (event.Alert, bool) {
	if a := s.alerts.Alert(id); a != nil && a.Status != event.AlertPending {
		return *a, true
	}
	return event.Alert{}, false
}

// ReadPointInfo is how a read point of the layout is doing.
type ReadPointInfo struct {
	Index  int   // in Layout.ReadPoints
	Last   int64 // its newest report by the site clock, Unix milliseconds; 0: never
	Silent bool  // notified as silent
	// What it does, in words, that keeps its door from being sure in time, and how to mend it.
	Warnings []string
}

// ReadPoints returns how the read points of the layout are doing, in the layout's order.
func (s *State) ReadPoints() []ReadPointInfo {
	points := s.bound.cfg.Layout.ReadPoints
	list := make([]ReadPointInfo, len(points))
	for i := range points {
		list[i].Index = i
		n := s.numbers[points[i].ID]
		list[i].Last, list[i].Silent = s.presence.Reports(n)
		list[i].Warnings = s.presence.Warnings(n)
	}
	return list
}

// ZoneCounts returns how many items are in each zone that has any.
func (s *State) ZoneCounts() map[string]int {
	counts := make(map[string]int)
	perName := make([]int, len(s.names)+1)
	for i := range s.count {
		perName[s.item(i).Zone]++
	}
	for n, c := range perName {
		if n > 0 && c > 0 {
			counts[s.idOf(uint16(n))] = c
		}
	}
	return counts
}

// smallest keeps the limit smallest of what it is offered. It is a heap with the largest of them on
// top.
type smallest[T any] struct {
	limit int
	cmp   func(a, b T) int
	list  []T
}

func (h *smallest[T]) offer(v T) {
	switch {
	case len(h.list) < h.limit:
		heap.Push(h, v)
	case h.limit > 0 && h.cmp(v, h.list[0]) < 0:
		h.list[0] = v
		heap.Fix(h, 0)
	}
}

// sorted returns what was kept, smallest first.
func (h *smallest[T]) sorted() []T {
	slices.SortFunc(h.list, h.cmp)
	return h.list
}

func (h *smallest[T]) Len() int           { return len(h.list) }
func (h *smallest[T]) Less(i, j int) bool { return h.cmp(h.list[i], h.list[j]) > 0 }
func (h *smallest[T]) Swap(i, j int)      { h.list[i], h.list[j] = h.list[j], h.list[i] }
func (h *smallest[T]) Push(x any)         { h.list = append(h.list, x.(T)) }
func (h *smallest[T]) Pop() any           { panic("engine: smallest is never popped") }
