package stocktake

import (
	"cmp"
	"math"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/estimate"
	"lintel/engine/event"
)

// Book holds the counts of a site that are open, paused, or closed so lately that they may be
// opened again. Its zero value holds none.
type Book struct {
	byID  map[string]*count
	order []*count // as opened
	plan  plan
	dirt  dirt
}

// count is a count that is not final, with what it heard.
type count struct {
	event.Count
	zones   []uint16 // numbers of Zones
	tallies map[tallyKey]*tally
	dirty   bool
}

type tallyKey struct {
	key  epc.Key
	zone uint16
}

func (k tallyKey) compare(o tallyKey) int {
	return cmp.Or(k.key.Compare(o.key), cmp.Compare(k.zone, o.zone))
}

// tally is what a count heard of one tag in one zone.
type tally struct {
	reads  uint32
	sights uint16 // bursts of reads, each after the tag was silent for estimate.BurstGap
	best   int16  // strongest read, tenths of a dBm
	passes uint16 // bit p-1: heard in pass p
	point  uint16 // the read point that heard it last
	last   int64  // when, Unix milliseconds
	text   string // the identity in words where the key does not hold them
	dirty  bool
}

// curveBins is how many bins a curve has at most; then neighbours are joined and new bins are twice
// as long.
const curveBins = 120

// reopenable is how long, in milliseconds, a closed count keeps its tallies, unless a newer count
// of one of its zones ends that sooner.
const reopenable = 12 * 60 * 60 * 1000

// Count returns a count whose tallies are kept, without what it expects and its curve, which may be
// long.
func (b *Book) Count(id string) (event.Count, bool) {
	c := b.byID[id]
	if c == nil {
		return event.Count{}, false
	}
	k := c.Count
	k.Zones, k.Expected, k.Papers, k.Curve = slices.Clone(c.Zones), nil, nil, nil
	return k, true
}

// Counting returns the id of the first count that takes reads in one of the zones, and the zone; ""
// if there is none.
func (b *Book) Counting(zones []string) (id, zone string) {
	for _, c := range b.order {
		for _, z := range zones {
			if c.listening() && slices.Contains(c.Zones, z) {
				return c.ID, z
			}
		}
	}
	return "", ""
}

// littleRead reports whether less than a tenth of what should be there was heard so far.
func (b *Book) littleRead(c *count, site Site) bool {
	p, _ := b.Progress(c.ID, site.GTIN)
	return 10*p.Found < p.ExpectedItems
}

// Open begins a count. Zones are the numbers of c.Zones; Expected and Papers may be in any order.
// Closed counts that this one replaces, and those that are too old, become final.
func (b *Book) Open(c event.Count, zones []uint16) {
	c.Status, c.Pass = event.CountOpen, 1
	slices.SortFunc(c.Expected, epc.Key.Compare)
	c.Expected = slices.Compact(c.Expected)
	c.Papers = merge(c.Papers)
	for _, old := range slices.Clone(b.order) {
		replaced := slices.ContainsFunc(old.zones, func(z uint16) bool { return slices.Contains(zones, z) })
		if old.Status == event.CountClosed && (replaced || c.Opened-old.Closed > reopenable) {
			b.finish(old)
		}
	}
	k := b.count(c.ID)
	k.Count, k.zones = c, zones
	b.order = append(b.order, k)
	b.mark(k)
}

// count returns the count with this id, which it adds if there is none.
func (b *Book) count(id string) *count {
	c := b.byID[id]
	if c == nil {
		c = &count{tallies: make(map[tallyKey]*tally)}
		if b.byID == nil {
			b.byID = make(map[string]*count)
		}
		b.byID[id] = c
	}
	return c
}

// merge sums the lines of each product, in order of product.
func merge(papers []event.Line) (merged []event.Line) {
	byProduct := func(a, b event.Line) int { return cmp.Compare(a.GTIN, b.GTIN) }
	for _, l := range slices.SortedFunc(slices.Values(papers), byProduct) {
		if n := len(merged); n > 0 && merged[n-1].GTIN == l.GTIN {
			merged[n-1].Count += l.Count
		} else {
			merged = append(merged, l)
		}
	}
	return merged
}

// Do carries out a command on a count that is there: pause, resume, pass, reopen, close or discard.
// A command that does not fit the count's status, or that is too careful for it, changes nothing. Closing returns the result.
func (b *Book) Do(cmd *event.CountCommand, now int64, site Site) (res *event.CountResult) {
	c := b.byID[cmd.ID]
	if c == nil {
		return nil
	}
	switch {
	case cmd.Do == "pause" && c.Status == event.CountOpen:
		c.Status = event.CountPaused
	case cmd.Do == "resume" && c.Status == event.CountPaused:
		c.Status = event.CountOpen
	case cmd.Do == "pass" && c.Status == event.CountOpen:
		c.Pass++
	case cmd.Do == "reopen" && c.Status == event.CountClosed:
		c.Status, c.Closed = event.CountOpen, 0
		c.Pass++
		b.unmiss(c, site)
	case cmd.Do == "close" && c.listening() && cmd.Careful && b.littleRead(c, site):
		return nil
	case cmd.Do == "close" && c.listening():
		c.Status, c.Closed = event.CountClosed, now
		res = b.reconcile(c, site)
		b.counted(c)
		b.dirt.results = append(b.dirt.results, res)
	case cmd.Do == "discard" && c.listening():
		c.Status = event.CountDiscarded
		b.finish(c)
	default:
		return nil
	}
	b.mark(c)
	return res
}

// listening reports whether the count takes reads. A paused one does: they were on their way.
func (c *count) listening() bool { return c.Status == event.CountOpen || c.Status == event.CountPaused }

// Hear adds a batch of reads to the tallies of the count that it names. Points and zones are the
// numbers of the entry's read points and zones, 0 for those that the layout does not have. Reads
// repeated word for word add nothing, so that a handheld may send all of it again. It returns how
// many reads had no zone of the count, and false if there is no such count that takes reads.
func (b *Book) Hear(e *event.Entry, points, zones []uint16, now int64) (unplaced int, ok bool) {
	c := b.byID[e.Count]
	if c == nil || !c.listening() {
		return 0, false
	}
	fresh := 0
	for i := range e.Reads {
		r := &e.Reads[i]
		zone := uint16(0)
		if r.Zone != 0 {
			zone = zones[r.Zone-1]
		} else if len(c.zones) == 1 {
			zone = c.zones[0]
		}
		if zone == 0 || !slices.Contains(c.zones, zone) {
			unplaced++
			continue
		}
		if c.Only && !c.names(r.Key) {
			continue
		}
		key := tallyKey{r.Key, zone}
		t := c.tallies[key]
		if t == nil {
			t = &tally{best: event.NoRSSI, text: r.Text}
			if !c.heard(r.Key) {
				fresh++
			}
			c.tallies[key] = t
		}
		at := min(r.T, e.At)
		if at <= t.last {
			continue
		}
		if t.reads == 0 || at-t.last >= estimate.BurstGap {
			t.sights = min(t.sights, math.MaxUint16-1) + 1
		}
		t.last = at
		t.reads += r.N
		t.best = max(t.best, r.RSSI)
		t.passes |= 1 << min(c.Pass-1, 15)
		if p := points[r.Point]; p != 0 {
			t.point = p
		}
		c.Reads += int(r.N)
		if !t.dirty {
			t.dirty = true
			b.dirt.tallies = append(b.dirt.tallies, dirtyTally{c, key, t})
		}
	}
	c.Distinct += fresh
	c.curve(now, fresh, len(e.Reads))
	b.mark(c)
	return unplaced, true
}

// heard reports whether the count heard the tag in any of its zones.
func (c *count) heard(k epc.Key) bool {
	return slices.ContainsFunc(c.zones, func(z uint16) bool { return c.tallies[tallyKey{k, z}] != nil })
}

// curve notes how many tags were new by now.
func (c *count) curve(now int64, fresh, reads int) {
	var length, covered int64 = 1000, c.Opened
	for _, b := range c.Curve {
		covered += b.Ms
		length = b.Ms
	}
	for covered <= now {
		if len(c.Curve) == curveBins {
			half := c.Curve[:0]
			for i := 0; i+1 < curveBins; i += 2 {
				a, b := c.Curve[i], c.Curve[i+1]
				half = append(half, event.CurveBin{Ms: a.Ms + b.Ms, New: a.New + b.New, Reads: a.Reads + b.Reads})
			}
			c.Curve = half
			length = half[len(half)-1].Ms
		}
		c.Curve = append(c.Curve, event.CurveBin{Ms: length})
		covered += length
	}
	last := &c.Curve[len(c.Curve)-1]
	last.New += fresh
	last.Reads += reads
}

// finish drops a count's tallies for good; its record and result stay.
func (b *Book) finish(c *count) {
	for _, k := range c.keys() {
		b.dirt.gone = append(b.dirt.gone, tallyName(c.ID, k))
		c.tallies[k].dirty = false
	}
	c.Final = true
	b.mark(c)
	clear(c.tallies)
	delete(b.byID, c.ID)
	b.order = slices.DeleteFunc(b.order, func(o *count) bool { return o == c })
}
