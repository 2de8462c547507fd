package engine

import (
	"cmp"
	"slices"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// counted is a tag as a closing count sees it: the zone of the count where it was heard best.
type counted struct {
	key  epc.Key
	zone uint16
	t    *tally
}

// better says which of two tallies of one tag is the better evidence of where it is: heard in more passes, then 3 dB stronger, then twice as often.
// 0: neither.
func better(a, b *tally) int {
	pa, pb := popcount16(a.passes), popcount16(b.passes)
	switch {
	case pa != pb:
		return pa - pb
	case a.best != event.NoRSSI && b.best != event.NoRSSI && a.best >= b.best+30:
		return 1
	case a.best != event.NoRSSI && b.best != event.NoRSSI && b.best >= a.best+30:
		return -1
	case a.reads >= 2*b.reads && a.reads > b.reads:
		return 1
	case b.reads >= 2*a.reads && b.reads > a.reads:
		return -1
	}
	return 0
}

func popcount16(v uint16) (n int) {
	for ; v != 0; v &= v - 1 {
		n++
	}
	return n
}

// reconciliation is one closing of a count.
type reconciliation struct {
	s     *State
	c     *counter
	res   *event.CountResult
	lines map[uint64]*event.ProductLine
	left  map[uint64]int // of a delivery's papers: pieces that were not heard yet
}

// closeCount reconciles what a count heard with what was expected, moves items to where they were counted, and tells what is missing. Nothing is
// written off: an item that was missed stays what it was until people decide.
func (s *State) closeCount(c *counter) {
	c.Status, c.Closed = event.CountClosed, s.clock
	r := &reconciliation{
		s: s, c: c, res: &event.CountResult{Count: c.ID, Closed: s.clock, Expected: len(c.Expected)},
		lines: make(map[uint64]*event.ProductLine), left: make(map[uint64]int),
	}
	for _, k := range c.Expected {
		r.line(s.gtinOf(k)).Expected++
	}
	for _, l := range c.Papers {
		r.line(l.GTIN).Expected += l.Count
		r.left[l.GTIN] += l.Count
		r.res.Expected += l.Count
	}
	heard := make(map[epc.Key]bool, len(c.tallies))
	for _, h := range s.bestHeard(c) {
		if r.take(h) {
			heard[h.key] = true
		}
	}
	for _, k := range c.Expected {
		if !heard[k] {
			r.miss(k)
		}
	}
	r.close()
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
func (r *reconciliation) take(h counted) bool {
	s := r.s
	i := s.find(h.key)
	line := event.Difference{Key: h.key, Text: h.t.text, Zone: s.idOf(h.zone), Reads: int(h.t.reads)}
	if i >= 0 {
		line.Was = s.idOf(s.item(i).zone)
	}
	note := func(f event.Finding, was string) {
		d := line
		d.Finding, d.GTIN = f, s.gtinOf(h.key)
		if was != "" {
			d.Was = was
		}
		r.res.Differences = append(r.res.Differences, d)
	}
	if other, verdict := s.nextDoor(r.c, h); verdict < 0 {
		note(event.BetterNextDoor, other)
		return false
	} else if verdict == 0 && other != "" {
		note(event.TiedNextDoor, other)
	}
	r.res.Found = append(r.res.Found, h.key)
	fresh := i < 0
	if fresh {
		i = s.create(h.key, h.t.text)
	}
	it := s.item(i)
	gtin := s.gtinOf(h.key)
	r.line(gtin).Found++
	if asExpected, f := r.verdict(it, h, fresh, gtin); asExpected {
		r.res.Matched++
	} else {
		r.res.Unexpected++
		if f != 0 {
			note(f, "")
		}
	}
	if far := s.heardFar(it, h); far != "" {
		note(event.HeardElsewhere, far)
	}
	s.takeCounted(i, h, note)
	if it := s.item(i); r.c.Delivery && it.product >= 0 && it.disp != event.RetailSold {
		s.change(i, func(it *item) { it.disp = sellableIn(s.zone(it.zone).kind) })
		s.emitItem(event.Received, i, h.t.last, func(f *event.Fact) { f.Ref = r.c.ID })
		s.tellStock(h.t.last)
	}
	return true
}

// verdict says whether a tag was expected here, and if not, what it is.
func (r *reconciliation) verdict(it *item, h counted, fresh bool, gtin uint64) (expected bool, f event.Finding) {
	if _, ok := slices.BinarySearchFunc(r.c.Expected, h.key, epc.Key.Compare); ok {
		return true, 0
	}
	if left, ok := r.left[gtin]; r.c.Delivery && ok && left > 0 {
		r.left[gtin]--
		return true, 0
	} else if r.c.Delivery && ok {
		return false, event.MoreThanPapers
	}
	switch {
	case it.product < 0 && strings.HasPrefix(event.KeyText(it.key, r.s.text(it)), "urn:epc:raw:"):
		return false, event.ForeignTag
	case it.product < 0:
		return false, event.UnknownProduct
	case it.disp == event.RetailSold:
		return false, event.SoldButPresent
	case r.c.Delivery:
		return false, event.NotOnPapers
	case fresh:
		return false, event.NewHere
	case it.zone != h.zone:
		return false, event.MovedHere
	}
	return false, 0
}

// miss reconciles an expected item that was not heard.
func (r *reconciliation) miss(k epc.Key) {
	r.res.Missing++
	i := r.s.find(k)
	switch {
	case i < 0:
	case r.c.Delivery:
		it := r.s.item(i)
		r.res.Differences = append(r.res.Differences, event.Difference{
			Finding: event.NotDelivered, Key: k, Text: r.s.text(it), GTIN: r.s.gtinOf(k), Zone: r.c.Zones[0], Was: r.s.idOf(it.zone),
		})
	default:
		r.res.Differences = append(r.res.Differences, r.s.missed(r.c, i))
	}
}

// close sums up, keeps the result, and tells it.
func (r *reconciliation) close() {
	s, res := r.s, r.res
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
	s.dirty.results = append(s.dirty.results, res)
	s.out.Results = append(s.out.Results, res)
	s.emit(event.Fact{
		Cause: event.Counted, At: s.clock, Ref: r.c.ID, Zone: r.c.Zones[0], Count: res.Matched + res.Unexpected,
		Expected: res.Expected, MissingItems: res.Missing, Unexpected: res.Unexpected,
	})
	s.meetCount(len(s.out.Facts)-1, res)
}

// bestHeard lists the tags that a count heard, each once with the zone of its best evidence, in order of identity.
func (s *State) bestHeard(c *counter) []counted {
	best := make(map[epc.Key]counted, len(c.tallies))
	for k, t := range c.tallies {
		had, ok := best[k.key]
		if !ok {
			best[k.key] = counted{k.key, k.zone, t}
			continue
		}
		if n := better(t, had.t); n > 0 || n == 0 && (t.best > had.t.best || t.best == had.t.best && k.zone < had.zone) {
			best[k.key] = counted{k.key, k.zone, t}
		}
	}
	list := make([]counted, 0, len(best))
	for _, h := range best {
		list = append(list, h)
	}
	slices.SortFunc(list, func(a, b counted) int { return a.key.Compare(b.key) })
	return list
}

// nextDoor looks for the tag in other counts that ran at the same time in other zones. It returns the other zone and whether this count's evidence is better (1), the
// same (0) or worse (-1); "" if nobody else heard it.
func (s *State) nextDoor(c *counter, h counted) (zone string, verdict int) {
	verdict = 1
	for _, o := range s.counts.order {
		if o == c || o.Closed != 0 && o.Closed < c.Opened {
			continue
		}
		for _, z := range o.zones {
			t := o.tallies[tallyKey{h.key, z}]
			if t == nil || z == h.zone {
				continue
			}
			if n := better(h.t, t); n < verdict || zone == "" {
				zone, verdict = s.idOf(z), n
			}
		}
	}
	return zone, verdict
}

// heardFar returns another zone whose fixed reader heard the identity strongly within two seconds of the count, "" if none: one tag can't be in two places.
func (s *State) heardFar(it *item, h counted) string {
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt == nil || pt.role != event.Fixed || pt.zone == h.zone || pt.zone == 0 {
			continue
		}
		d := tr.last - s.epochOf(h.t.last)
		if d*s.bound.epoch > 2000 || d*s.bound.epoch < -2000 {
			continue
		}
		// A reader that merely hears the next zone hears it weakly; one that hears the tag as well as the handheld in front of it has another tag there.
		if sig := s.signal(it, pt.zone, tr.last); sig.hits >= strongHits && h.t.best != event.NoRSSI && sig.score >= float64(h.t.best)/10-3 {
			return s.idOf(pt.zone)
		}
	}
	return ""
}

// takeCounted puts a counted item where it was counted and ends that it was missed.
func (s *State) takeCounted(i int32, h counted, note func(event.Finding, string)) {
	it := s.item(i)
	if h.t.last > it.seen {
		it.seen, it.point = h.t.last, h.t.point
		s.touch(i)
	}
	if it.zone != h.zone && h.t.last <= it.sure {
		note(event.NewerKnown, "")
		return
	}
	if it.flags&flagMissing != 0 {
		note(event.FoundAgain, "") // told when it arrives below: what is missing is nowhere
	}
	it.flags &^= flagMissed
	s.declare(i, h.zone, h.t.last, h.t.point)
	it = s.item(i)
	if it.disp == event.Unknown && it.product >= 0 && declaresStock(s.zone(h.zone).kind) {
		s.takeForStock(i)
		s.change(i, func(it *item) { it.disp = sellableIn(s.zone(h.zone).kind) })
		s.tellStock(s.clock)
	}
	s.touch(i)
}

// missed notes that an expected item was not heard, and tells it as missing when that happened often enough.
func (s *State) missed(c *counter, i int32) event.Difference {
	it := s.item(i)
	d := event.Difference{Finding: event.MissedOnce, Key: it.key, Text: s.text(it), GTIN: s.gtinOf(it.key), Zone: s.idOf(it.zone), Was: s.idOf(it.zone)}
	s.touch(i)
	switch {
	case it.sure > c.Opened || !slices.Contains(c.zones, it.zone) || !it.disp.Sellable():
		d.Finding = event.NewerKnown // moved, sold or seen since the count began: it was not there to be found
	case c.MissingAfter <= 1 || it.flags&flagMissed != 0:
		d.Finding = event.MissedNow
		it.flags = it.flags&^flagMissed | flagMissing
		s.leaveZone(i, event.Missing, s.clock, 0)
	default:
		it.flags |= flagMissed
	}
	return d
}
