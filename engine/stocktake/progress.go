package stocktake

import (
	"math"
	"math/bits"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// Histogram says how many tags were met how often: Histogram[k-1] of them k times, and the last
// place counts those met that many times or more.
type Histogram [16]int

func (h *Histogram) add(times int) {
	if times > 0 {
		h[min(times, len(h))-1]++
	}
}

// maxEndedPasses is how many passes a tally can tell apart once they are over: the last of its bits
// is that of all that follow.
const maxEndedPasses = 15

// Progress is how far a count has come.
type Progress struct {
	event.Count             // without Expected and Papers, which may be long
	ExpectedItems int       // how many should be there, those of the papers included
	Found         int       // how many of them were heard so far
	Repeats       Histogram // tags by how many reports of them came, in all zones of the count together

	// Sightings are tags by how many bursts of reports, each after the tag was silent for
	// estimate.BurstGap: reports that follow each other are no independent draws.
	Sightings   Histogram
	Sighted     int       // sightings of all tags together
	PassesEnded int       // rounds over the shelves that are over, at most maxEndedPasses
	InPasses    Histogram // tags by in how many of these rounds they were heard
}

// Progress returns how far a count has come, false if its tallies are not kept. It looks at every
// tally once; gtin names the product of a tag.
func (b *Book) Progress(id string, gtin func(epc.Key) uint64) (Progress, bool) {
	c := b.byID[id]
	if c == nil {
		return Progress{}, false
	}
	p := Progress{Count: c.Count, ExpectedItems: len(c.Expected)}
	p.Zones, p.Curve, p.Expected, p.Papers = slices.Clone(c.Zones), slices.Clone(c.Curve), nil, nil
	for _, l := range c.Papers {
		p.ExpectedItems += l.Count
	}
	p.PassesEnded = c.Pass - 1
	if c.Status == event.CountClosed {
		p.PassesEnded = c.Pass
	}
	p.PassesEnded = min(p.PassesEnded, maxEndedPasses)
	ended := uint16(1)<<p.PassesEnded - 1

	listed := make(map[uint64]int, len(c.Papers)) // pieces on the papers that were not heard yet
	for _, l := range c.Papers {
		listed[l.GTIN] += l.Count
	}
	for _, k := range c.Expected {
		if c.heard(k) {
			p.Found++
		}
	}
	for k, t := range c.tallies {
		all, first := *t, true
		if len(c.zones) > 1 {
			if all, first = c.everywhere(k, t); !first {
				continue
			}
		}
		p.Repeats.add(int(all.reads))
		p.Sightings.add(int(all.sights))
		p.Sighted += int(all.sights)
		p.InPasses.add(bits.OnesCount16(all.passes & ended))
		if len(listed) == 0 {
			continue
		}
		if c.names(k.key) {
			continue
		}
		if g := gtin(k.key); listed[g] > 0 {
			listed[g]--
			p.Found++
		}
	}
	return p, true
}

// everywhere sums what the count heard of a tag in all its zones; t is what it heard of it in the
// zone of k. It reports whether that is the first of the tag's tallies, so that each tag is taken
// once.
func (c *count) everywhere(k tallyKey, t *tally) (all tally, first bool) {
	all = *t
	before := true
	for _, z := range c.zones {
		if z == k.zone {
			before = false
			continue
		}
		other := c.tallies[tallyKey{k.key, z}]
		switch {
		case other == nil:
		case before:
			return all, false
		default:
			all.reads += other.reads
			all.sights += min(other.sights, math.MaxUint16-all.sights)
			all.passes |= other.passes
		}
	}
	return all, true
}

// Heard lists what a count heard so far, each tag once where it was heard best, in order of identity;
// false if its tallies are not kept.
func (b *Book) Heard(id string) ([]Sighting, bool) {
	c := b.byID[id]
	if c == nil {
		return nil, false
	}
	return c.sightings(), true
}

// Unheard lists what a count expects and did not hear so far: the tags that it names, in order of
// identity, and of the papers of a delivery the pieces that are lacking, in order of product. False if
// its tallies are not kept; gtin names the product of a tag.
func (b *Book) Unheard(id string, gtin func(epc.Key) uint64) (tags []epc.Key, lines []event.Line, ok bool) {
	c := b.byID[id]
	if c == nil {
		return nil, nil, false
	}
	for _, k := range c.Expected {
		if !c.heard(k) {
			tags = append(tags, k)
		}
	}
	if len(c.Papers) == 0 {
		return tags, nil, true
	}
	found := make(map[uint64]int)
	for _, s := range c.sightings() {
		if !c.names(s.Key) {
			found[gtin(s.Key)]++
		}
	}
	for _, l := range c.Papers {
		if l.Count -= found[l.GTIN]; l.Count > 0 {
			lines = append(lines, l)
		}
	}
	return tags, lines, true
}
