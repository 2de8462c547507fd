package presence

import (
	"math"
	"math/bits"

	"lintel/engine/event"
)

// rateDB is 10*log10 of the read rate in 1/dbUnits, with one hit added so that the first few don't
// weigh too much.
var rateDB = func() (db [scoreEpochs + 1]int) {
	for h := range db {
		db[h] = int(math.Round(10 * dbUnits * math.Log10(float64(h+1)/(scoreEpochs+1))))
	}
	return
}()

// chanceDB is by how much two scores of so many hits may differ by chance, in 1/dbUnits dB.
var chanceDB = func() (db [scoreEpochs + 1][scoreEpochs + 1]int) {
	for a := range db {
		for b := range db {
			db[a][b] = int(math.Round(spreads * spreadDB * dbUnits * math.Sqrt(1/float64(max(1, a))+1/float64(max(1, b)))))
		}
	}
	return
}()

// zoneSignal is what the readers of one zone have to say about an item.
type zoneSignal struct {
	score int  // dBm of the best reader plus its read rate in dB, both in 1/dbUnits; absentScore: not heard
	hits  int  // epochs of the last scoreEpochs in which any of them heard it
	best  int  // likewise, in which the best reader did
	level int  // of the best reader's strongest reads, in 1/dbUnits dBm
	own   int  // that the best reader hears of goods of its own zone, likewise; absentScore: not known
	gone  bool // silent for longer than chance explains
	any   bool // heard within traceEpochs
	last  int64
}

// signal sums up the traces of the item's readers in zone z as of epoch e.
func (s *Site) signal(it *Known, z uint16, e int64) zoneSignal {
	sig := zoneSignal{score: absentScore, own: absentScore, gone: true}
	var union uint64
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		pt := s.layout.Point(tr.point)
		if pt == nil || pt.Role != event.Fixed || pt.Zone != z || tr.bits == 0 {
			continue
		}
		now := max(e, tr.last)
		al := tr.aligned(now)
		if al == 0 {
			continue
		}
		union |= al
		sig.any = true
		sig.last = max(sig.last, tr.last)
		sig.gone = sig.gone && now-tr.last >= max(movedSilence, silence(tr.bits, s.layout.looks))
		recent := al & (1<<scoreEpochs - 1)
		if recent == 0 {
			continue
		}
		n, sum, was := 0, 0, int64(-1)
		for b := recent; b != 0; b &= b - 1 {
			k := peakOf(now - int64(bits.TrailingZeros64(b)))
			if k != was {
				sum += int(tr.peak[k])
				n++
				was = k
			}
		}
		count := bits.OnesCount64(recent)
		level := sum * dbUnits / n
		if score := level + rateDB[count]; score > sig.score {
			sig.score, sig.best, sig.level = score, count, level
			if own := s.readers.at(tr.point).Own; own != 0 {
				sig.own = int(own)
			}
		}
	}
	sig.hits = bits.OnesCount64(union & (1<<scoreEpochs - 1))
	return sig
}

// consider looks whether a fresh hit at a fixed reader moves the item to that reader's zone. Point
// is the read point that heard it.
func (s *Site) consider(i int32, pt *Point, t int64) {
	it := s.items.Item(i)
	z := pt.Zone
	e := s.epochOf(t)
	if z == 0 || t < it.Sure || e < s.epochOf(s.clock)-lateEpochs {
		return
	}
	if it.Zone == z {
		if (it.Declared || it.Faint) && s.signal(it, z, e).hits >= strongHits {
			it.Declared, it.Faint = false, false // the readers agree by now: from here on they may also notice that it left
			s.items.Touch(i)
		}
		if it.Disposition == event.Unknown && t-it.Since >= restsAfter {
			s.TakeForStock(i) // whoever brought it in left it here
			s.events.Rests(i, t)
		}
		return
	}
	if s.accepts(it, z, e, pt.hits) {
		s.arrive(i, z, t, pt.Name)
	}
}

// accepts reports whether the evidence at zone z is enough to take the item from where it is.
//
// Where both zones hear it this is a likelihood ratio test. The level at which a reader hears goods of
// its own zone, and the logarithm of how often, are about normal; for goods of the zone next door they
// are lower, with about the same spread. The logarithm of the likelihood ratio of lying there and lying
// here is then a multiple of the difference of the scores, level plus rate in dB. It must exceed the
// hysteresis, which is for the odds of having moved at all, and half a standard error (chanceDB). So a
// zone that hears an item twice at -47 dBm does not lose it to one that hears it always at -64, and
// the third such read takes it from there.
//
// The rate is a logarithm, not a binomial: it differs from tag to tag by far more than by counting. On
// the regimes base and drift-none, two seeds each, 98.85 % of goods at rest are in the right zone. It
// is 98.83 % with a normal level relative to goods of its own and a binomial rate, 98.85 % with the
// level as it is and a binomial rate, 98.84 % with a relative level, and 98.85, 98.86 and 98.84 % where
// the rate counts half, twice or not at all.
func (s *Site) accepts(it *Known, z uint16, e int64, need int) bool {
	there := s.signal(it, z, e)
	if there.hits < need {
		return false
	}
	here := s.layout.Zone(it.Zone)
	switch {
	case it.Zone == 0 || !here.Known:
		// It is nowhere known: being heard is enough, but where it is heard best.
		return !s.heardBetter(it, z, there.score, e)
	case here.Kind == event.Exit:
		// What was heard on the way out is no sign that it is back.
		return s.hitsSince(it, z, s.epochOf(it.Since)+2) >= need
	case s.deaf(here):
		return false
	}
	cur := s.signal(it, it.Zone, e)
	if !cur.any {
		// Nothing hears it where it is said to be: either it left, or no reader covers that place.
		// Then a neighbour must hear it about as well as goods of its own: what leaks to it is
		// weaker.
		if !here.Covered && it.Declared {
			return there.hits >= strongHits && there.level >= there.own-ownShort*dbUnits
		}
		return there.hits >= strongHits || here.Covered && !it.Declared && !it.Faint
	}
	hysteresis := s.layout.hysteresis
	if cur.gone && !it.Faint && there.score > cur.score-hysteresis/2 && s.hitsSince(it, z, cur.last+1) >= need {
		return true
	}
	return there.score > cur.score+hysteresis+chanceDB[there.best][cur.best]
}

// heardBetter reports whether another zone than z hears the item better.
func (s *Site) heardBetter(it *Known, z uint16, score int, e int64) bool {
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		if pt := s.layout.Point(tr.point); pt != nil && pt.Role == event.Fixed && pt.Zone != z && tr.bits != 0 {
			if other := s.signal(it, pt.Zone, e); !other.gone && other.score > score {
				return true
			}
		}
	}
	return false
}

// hitsSince counts the epochs from e on in which a reader of zone z heard the item.
func (s *Site) hitsSince(it *Known, z uint16, e int64) (n int) {
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		if pt := s.layout.Point(tr.point); pt != nil && pt.Role == event.Fixed && pt.Zone == z && tr.last >= e {
			n += bits.OnesCount64(tr.bits << uint(max(0, traceEpochs-1-(tr.last-e))))
		}
	}
	return n
}
