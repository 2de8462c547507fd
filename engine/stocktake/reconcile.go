package stocktake

import (
	"cmp"
	"math/bits"
	"slices"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// Site is what a closing count asks of the shop, and what it has the shop do. An item goes by its
// index.
type Site interface {
	// Item returns what is known of a tag, false if it was never heard of.
	Item(k epc.Key) (Item, bool)
	// Add makes an item of a tag that was never heard of; text is its identity in words, if its key
	// does not hold them.
	Add(k epc.Key, text string) Item
	// GTIN returns the product of a tag, 0: not known.
	GTIN(k epc.Key) uint64
	// Elsewhere returns another zone whose fixed reader heard the tag as strongly at the same time,
	// "" if none.
	Elsewhere(item int32, s *Sighting) string
	// Counted records that the item was counted. It is put into the zone of the count, unless it
	// stays where it is known to be. Delivery is the id of the count if that has received the item
	// with a delivery, else "".
	Counted(item int32, s *Sighting, stays bool, delivery string)
	// Missed records that the item was expected and not heard, or takes that back.
	Missed(item int32, m Miss)
}

// Miss is what a count makes of an item that it expected and did not hear.
type Miss uint8

// The misses.
const (
	Unmissed   Miss = iota // the count goes on: what it missed when it was closed before does not count
	MissedOnce             // not enough to be missing
	MissedNow              // it is missing
)

// Item is what a site knows of one item.
type Item struct {
	Index       int32
	Text        string // its identity in words where the key does not hold them
	Zone        uint16 // number of the zone that it is in, 0: nowhere known
	ZoneID      string
	Sure        int64 // until when it is known to have been there, Unix milliseconds
	Disposition event.Disposition
	Known       bool // its product is in the catalogue
	Missed      bool // the last count of its zone did not hear it
	Missing     bool // it was reported missing and not found since
}

// Words returns the tag's identity where the key does not hold it.
func (s *Sighting) Words() string { return s.text }

// Sighting is the best evidence that a count has of a tag: where it was heard best.
type Sighting struct {
	Key   epc.Key
	Zone  uint16 // number of the zone
	Point uint16 // number of the read point that heard it last, 0: unknown
	RSSI  int16  // strongest read, tenths of a dBm, or event.NoRSSI
	At    int64  // last read, Unix milliseconds
	*tally
}

// better compares two tallies of one tag as evidence of where it is: heard in more passes, then 3
// dB stronger, then twice as often. It returns a positive number if a is better, 0 if neither is.
func better(a, b *tally) int {
	pa, pb := bits.OnesCount16(a.passes), bits.OnesCount16(b.passes)
	levels := a.best != event.NoRSSI && b.best != event.NoRSSI
	switch {
	case pa != pb:
		return pa - pb
	case levels && a.best >= b.best+30:
		return 1
	case levels && b.best >= a.best+30:
		return -1
	case a.reads >= 2*b.reads && a.reads > b.reads:
		return 1
	case b.reads >= 2*a.reads && b.reads > a.reads:
		return -1
	}
	return 0
}

// reconciliation is one closing of a count.
type reconciliation struct {
	book  *Book
	c     *count
	site  Site
	res   *event.CountResult
	lines map[uint64]*event.ProductLine
	left  map[uint64]int // of a delivery's papers: pieces that were not heard yet
}

// reconcile compares what a count heard with what was expected, and has the site put items where
// they were counted. Nothing is written off: an item that was missed stays what it was until people
// decide.
func (b *Book) reconcile(c *count, site Site) *event.CountResult {
	r := &reconciliation{
		book: b, c: c, site: site, res: &event.CountResult{Count: c.ID, Closed: c.Closed, Expected: len(c.Expected),
			Zones: slices.Clone(c.Zones), Delivery: c.Delivery},
		lines: make(map[uint64]*event.ProductLine), left: make(map[uint64]int),
	}
	for _, k := range c.Expected {
		r.line(site.GTIN(k)).Expected++
	}
	for _, l := range c.Papers {
		r.line(l.GTIN).Expected += l.Count
		r.left[l.GTIN] += l.Count
		r.res.Expected += l.Count
	}
	heard := make(map[epc.Key]bool, len(c.tallies))
	for _, s := range c.sightings() {
		if r.take(&s) {
			heard[s.Key] = true
		}
	}
	for _, k := range c.Expected {
		if !heard[k] {
			r.miss(k)
		}
	}
	return r.sum()
}

func (r *reconciliation) line(gtin uint64) *event.ProductLine {
	l := r.lines[gtin]
	if l == nil {
		l = &event.ProductLine{GTIN: gtin}
		r.lines[gtin] = l
	}
	return l
}

// take reconciles one tag that was heard, and reports whether it counts as here.
func (r *reconciliation) take(s *Sighting) bool {
	it, known := r.site.Item(s.Key)
	was := it.ZoneID
	note := func(f event.Finding, was string) {
		r.res.Differences = append(r.res.Differences, event.Difference{
			Finding: f, Key: s.Key, Text: s.text, GTIN: r.site.GTIN(s.Key), Zone: r.c.zoneID(s.Zone), Was: was, Reads: int(s.reads),
		})
	}
	if other, verdict := r.nextDoor(s); verdict < 0 {
		note(event.BetterNextDoor, other)
		return false
	} else if verdict == 0 && other != "" {
		note(event.TiedNextDoor, other)
	}
	r.res.Found = append(r.res.Found, s.Key)
	if !known {
		it = r.site.Add(s.Key, s.text)
	}
	gtin := r.site.GTIN(s.Key)
	r.line(gtin).Found++
	if asExpected, f := r.verdict(&it, s, known, gtin); asExpected {
		r.res.Matched++
	} else {
		r.res.Unexpected++
		if f != 0 {
			note(f, was)
		}
	}
	if far := r.site.Elsewhere(it.Index, s); far != "" {
		note(event.HeardElsewhere, far)
	}
	stays := it.Zone != s.Zone && s.At <= it.Sure
	switch {
	case stays:
		note(event.NewerKnown, was)
	case it.Missing:
		note(event.FoundAgain, was)
	}
	delivery := ""
	if r.c.Delivery && it.Known && it.Disposition != event.RetailSold {
		delivery = r.c.ID
	}
	r.site.Counted(it.Index, s, stays, delivery)
	return true
}

// verdict says whether a tag was expected here, and if not, what it is.
func (r *reconciliation) verdict(it *Item, s *Sighting, known bool, gtin uint64) (expected bool, f event.Finding) {
	if r.c.names(s.Key) {
		return true, 0
	}
	if left, ok := r.left[gtin]; r.c.Delivery && ok && left > 0 {
		r.left[gtin]--
		return true, 0
	} else if r.c.Delivery && ok {
		return false, event.MoreThanPapers
	}
	switch {
	case !it.Known && strings.HasPrefix(event.KeyText(s.Key, it.Text), "urn:epc:raw:"):
		return false, event.ForeignTag
	case !it.Known:
		return false, event.UnknownProduct
	case it.Disposition == event.RetailSold:
		return false, event.SoldButPresent
	case r.c.Delivery:
		return false, event.NotOnPapers
	case !known:
		return false, event.NewHere
	case it.Zone != s.Zone:
		return false, event.MovedHere
	}
	return false, 0
}

// miss reconciles an expected item that was not heard. It is missing if the count, or this and the
// one before it, did not hear it; what was moved, sold or seen since the count began was not there
// to be found.
func (r *reconciliation) miss(k epc.Key) {
	r.res.Missing++
	it, known := r.site.Item(k)
	if !known {
		return
	}
	d := event.Difference{Finding: event.MissedOnce, Key: k, Text: it.Text, GTIN: r.site.GTIN(k), Zone: it.ZoneID, Was: it.ZoneID}
	switch {
	case r.c.Delivery:
		d.Finding, d.Zone = event.NotDelivered, r.c.Zones[0]
	case it.Missing && it.Zone == 0 && it.Disposition.Sellable(): // another count said so before, or this one, which was opened again
		d.Finding = event.MissedNow
	case it.Sure > r.c.Opened || !slices.Contains(r.c.zones, it.Zone) || !it.Disposition.Sellable():
		d.Finding = event.NewerKnown
	default:
		miss := MissedOnce
		if r.c.MissingAfter <= 1 || it.Missed && !r.missedBeside(k, it.Zone) {
			d.Finding, miss = event.MissedNow, MissedNow
		}
		r.site.Missed(it.Index, miss)
	}
	r.res.Differences = append(r.res.Differences, d)
}

// unmiss takes back that a count missed items when it was closed before: it goes on, and what it does
// not hear at its end is one miss, not two.
func (b *Book) unmiss(c *count, site Site) {
	for _, k := range c.Expected {
		if it, ok := site.Item(k); ok && it.Missed && !c.heard(k) && slices.Contains(c.zones, it.Zone) {
			site.Missed(it.Index, Unmissed)
		}
	}
}

// missedBeside reports whether a count that ran at the same time has missed the item in its zone: the
// two misses are one walk along the shelf, or nearly.
func (r *reconciliation) missedBeside(k epc.Key, zone uint16) bool {
	return slices.ContainsFunc(r.book.order, func(o *count) bool {
		return o != r.c && o.Closed > r.c.Opened && slices.Contains(o.zones, zone) && o.names(k) && !o.heard(k)
	})
}

// sum completes the result.
func (r *reconciliation) sum() *event.CountResult {
	res := r.res
	for _, n := range r.left {
		res.Missing += n
	}
	for _, l := range r.lines {
		res.Lines++
		if l.Expected == l.Found {
			res.LinesRight++
		}
		res.Products = append(res.Products, *l)
	}
	slices.SortFunc(res.Products, func(a, b event.ProductLine) int { return cmp.Compare(a.GTIN, b.GTIN) })
	slices.SortStableFunc(res.Differences, func(a, b event.Difference) int {
		return cmp.Or(cmp.Compare(a.Finding, b.Finding), a.Key.Compare(b.Key))
	})
	return res
}

// sightings lists the tags that a count heard, each once, in order of identity. Zones are compared
// in the order of their numbers, since better is not transitive.
func (c *count) sightings() []Sighting {
	list := make([]Sighting, 0, len(c.tallies))
	for _, k := range c.keys() {
		t := c.tallies[k]
		s := Sighting{Key: k.key, Zone: k.zone, Point: t.point, RSSI: t.best, At: t.last, tally: t}
		if n := len(list) - 1; n < 0 || list[n].Key != k.key {
			list = append(list, s)
		} else if had := list[n].tally; cmp.Or(better(t, had), cmp.Compare(t.best, had.best)) > 0 {
			list[n] = s
		}
	}
	return list
}

// nextDoor looks for the tag in other counts that ran at the same time in other zones. It returns
// the other zone and whether this count's evidence is better (1), the same (0) or worse (-1); "" if
// nobody else heard it.
func (r *reconciliation) nextDoor(s *Sighting) (zone string, verdict int) {
	verdict = 1
	for _, o := range r.book.order {
		if o == r.c || o.Closed != 0 && o.Closed < r.c.Opened {
			continue
		}
		for i, z := range o.zones {
			t := o.tallies[tallyKey{s.Key, z}]
			if t == nil || z == s.Zone {
				continue
			}
			if n := better(s.tally, t); n < verdict || zone == "" {
				zone, verdict = o.Zones[i], n
			}
		}
	}
	return zone, verdict
}

// zoneID is the id of a zone of the count.
func (c *count) zoneID(n uint16) string { return c.Zones[slices.Index(c.zones, n)] }

// names reports whether the count expects this very tag.
func (c *count) names(k epc.Key) bool {
	_, ok := slices.BinarySearchFunc(c.Expected, k, epc.Key.Compare)
	return ok
}
