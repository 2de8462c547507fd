package engine

import (
	"cmp"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/least"
	"lintel/engine/stock"
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
	Sure        int64  // until when it is known to have been there, Unix milliseconds
	Seen        int64  // when it was last heard, Unix milliseconds; 0: never
	Declared    bool   // a person or a till said where it is
	Foreign     bool   // its product is not known: the tag is not this shop's
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
		Zone: s.idOf(it.Zone), From: s.idOf(it.From), Point: s.idOf(it.Point), Since: it.Since, Sure: it.Sure, Seen: it.Seen,
		Declared: it.Declared, Foreign: it.product < 0,
	}
}

// Stranded is a zone that a layout does not have, with how many items are in it.
type Stranded struct {
	Zone  string
	Items int
}

// StrandedBy lists the zones with items that a layout does not have, by id. It looks at every item
// once.
func StrandedBy(s *State, l *layout.Layout) (list []Stranded) {
	for zone, n := range s.CountItemsByZone() {
		if _, ok := l.ZoneIndex(zone); !ok {
			list = append(list, Stranded{zone, n})
		}
	}
	slices.SortFunc(list, func(a, b Stranded) int { return cmp.Compare(a.Zone, b.Zone) })
	return list
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
	Stock       bool               // only what is for sale
	Misplaced   bool               // only what is for sale, and lies where stock.Book.Misplaced says that it does not belong
	Skip        int                // how many of them to leave out first
}

// wants reports whether the filter lets an item through; zone is the number of its zone, 0: any.
func (s *State) wants(f *ItemFilter, zone uint16, it *item) bool {
	switch {
	case zone != 0 && it.Zone != zone:
	case f.Disposition != nil && it.Disposition != *f.Disposition:
	case it.key.Compare(f.After) <= 0:
	case f.GTINs != nil && !slices.Contains(f.GTINs, s.gtinOf(it.key)):
	case f.Stock && s.stockOf(it) == stock.None:
	case f.Misplaced && !s.stock.Misplaced(s.stockOf(it)):
	default:
		return true
	}
	return false
}

// CountItems returns how many items the filter lets through, whatever it skips.
func (s *State) CountItems(f ItemFilter) (n int) {
	zone := s.numbers[f.Zone]
	if f.Zone != "" && zone == 0 {
		return 0
	}
	for i := range s.count {
		if s.wants(&f, zone, s.item(i)) {
			n++
		}
	}
	return n
}

// Items returns the first limit items that the filter lets through, in the order of their keys. It
// looks at every item once: some 15 ms for a million.
func (s *State) Items(f ItemFilter, limit int) []ItemInfo {
	zone := s.numbers[f.Zone]
	if f.Zone != "" && zone == 0 {
		return nil
	}
	compare := func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) }
	var list []int32
	if f.Skip == 0 {
		best := least.Of[int32]{Limit: limit, Cmp: compare}
		for i := range s.count {
			if s.wants(&f, zone, s.item(i)) {
				best.Offer(i)
			}
		}
		list = best.Sorted()
	} else {
		for i := range s.count {
			if s.wants(&f, zone, s.item(i)) {
				list = append(list, i)
			}
		}
		list = least.Range(list, f.Skip, limit, compare)
	}
	infos := make([]ItemInfo, 0, len(list))
	for _, i := range list {
		infos = append(infos, s.info(s.item(i)))
	}
	return infos
}

// ZoneStock returns what each zone of the layout has, in its order.
func (s *State) ZoneStock() []stock.ZoneRow { return s.stock.Zones() }

// CountItemsByZone returns how many items there are in each zone, by its id: for sale or not.
func (s *State) CountItemsByZone() map[string]int {
	counts := make([]int, len(s.ids)+1)
	for i := range s.count {
		counts[s.item(i).Zone]++
	}
	byZone := make(map[string]int)
	for n := 1; n < len(counts); n++ {
		if counts[n] > 0 {
			byZone[s.idOf(uint16(n))] = counts[n]
		}
	}
	return byZone
}

// LastCounted returns when the last count of a zone was closed, Unix milliseconds; 0: never.
func (s *State) LastCounted(zone string) int64 {
	due, _ := s.counts.DueOf(zone, s.clock)
	return due.Last
}

// StockRows returns the first limit rows that the filter lets through, by GTIN and place.
func (s *State) StockRows(f stock.Filter, limit int) []stock.Row { return s.stock.Rows(f, limit) }

// Picks returns what to carry where, and every place that is below its minimum. See
// stock.Book.Picks.
func (s *State) Picks() ([]stock.Pick, []stock.Shortage) {
	return s.stock.Picks(func(each func(k stock.Key, i int32)) {
		for i := range s.count {
			each(s.stockOf(s.item(i)), i)
		}
	}, func(a, b int32) int {
		x, y := s.item(a), s.item(b)
		return cmp.Or(cmp.Compare(x.Since, y.Since), x.key.Compare(y.key))
	}, func(i int32) string {
		it := s.item(i)
		return event.KeyText(it.key, s.text(it))
	})
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

// CountAlerts returns how many alerts are open or acknowledged, without those that were merged into
// another.
func (s *State) CountAlerts() int {
	return s.alerts.Count(func(a *event.Alert) bool {
		return a.Lead == "" && (a.Status == event.AlertOpen || a.Status == event.AlertAcknowledged)
	})
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
