package presence

import (
	"math"
	"math/bits"
)

// Inside is what the readers inside heard of an item, by epochs of their own.
type Inside struct {
	Epoch int64  // milliseconds of an epoch
	Last  int64  // the epoch of bit 0; bit k is epoch Last-k
	Hits  uint64 // epochs in which a fixed reader inside heard it
	Desk  uint64 // epochs in which a till's or a desk's short-range reader heard it
	Known int64  // silence counts up to this epoch: later reports may still be on their way
	Rate  uint32 // how likely its own readers hear it in an epoch while it lies still, in 1/one; 0: none do
}

func (in *Inside) bit(mask uint64, epoch int64) bool {
	k := in.Last - epoch
	return k >= 0 && k < 64 && mask>>uint(k)&1 != 0
}

// Evidence is all that a belief about one item at one door is computed from.
type Evidence struct {
	Approach *Approach
	From     int64   // the first slot to look at, at most a Window before Until
	Until    int64   // the last slot: the door's reports are in up to here
	Start    Belief  // before the first slot
	Usual    *Usual  // nil: nothing is known
	Lain     int64   // slots that it has lain where it is
	Loud     [2]int8 // dBm of goods carried under the antenna, as each side's reader reports them
	OneSided bool    // one antenna hears both sides
	Inside   Inside
}

// Verdict is a belief and when it came about.
type Verdict struct {
	Belief
	Crossed int64 // the slot since which it has been more likely past the threshold than not; 0: it is not
	WasIn   bool  // it was more likely inside than not in some slot that the door heard
	Strange bool  // it was more likely past the threshold than not in such a slot: it may come from outside
	WasOut  bool  // it was three times as likely past the threshold as not in such a slot
}

// Starting beliefs, by where the item is known to be.
var (
	StartLying   = Belief{AtRest: 920, Deep: 50, Room: 20, Near: 8, Doorway: 2} // in a zone inside
	StartCarried = Belief{AtRest: 10, Deep: 700, Room: 200, Near: 70, Doorway: 20}
	StartOutside = Belief{Deep: 1, Doorway: 3, Step: 16, Outside: 80, Gone: 900}
	StartUnknown = Belief{AtRest: 50, Deep: 250, Room: 50, Near: 25, Doorway: 25, Step: 25, Outside: 75, Gone: 500}
)

// Silence comes in stretches: how likely an item is heard depends on for how long it has not been.
const (
	runBins    = 6
	runLongest = 16
)

// runBin classes how many slots or epochs have been silent.
func runBin(n int) int {
	switch {
	case n < 2:
		return n
	case n < 4:
		return 2
	case n < 8:
		return 3
	case n < runLongest:
		return 4
	}
	return 5
}

// levelBin classes a side's slot relative to what its reader hears of carried goods: 0 is silence.
func levelBin(s *slot, side int, loud int8) int {
	if s.heard[side] == 0 {
		return 0
	}
	if s.level[side] == unknownDB { // no strength: how often must do
		return [...]int{0, 2, 2, 3, 3, 4, 4, 4, 4}[bits.OnesCount8(s.heard[side])]
	}
	switch d := int(s.level[side]) - int(loud); {
	case d < -18:
		return 1
	case d < -12:
		return 2
	case d < -7:
		return 3
	case d < -2:
		return 4
	}
	return 5
}

const levelBins = 6

// heardLast is when each side last heard the item, and how strongly.
type heardLast struct {
	slot  [2]int64
	level [2]int8
}

const (
	changeReach = 8 // slots within which two levels of a side are compared
	changeBins  = 6 // three of adjoining slots, three of others
)

// changes classes how much each side's level has changed since it was last heard: goods at rest
// keep it. It returns -1 where there is nothing to compare, and takes the slot for the last one
// heard.
func (h *heardLast) changes(s *slot, k int64) [2]int {
	c := [2]int{-1, -1}
	for side := range c {
		if s.heard[side] == 0 || s.level[side] == unknownDB {
			continue
		}
		if gap := k - h.slot[side]; gap <= changeReach {
			d := int(s.level[side]) - int(h.level[side])
			switch {
			case d >= -1 && d <= 1:
				c[side] = 0
			case d >= -3 && d <= 3:
				c[side] = 1
			default:
				c[side] = 2
			}
			if gap > 1 {
				c[side] += 3
			}
		}
		h.slot[side], h.level[side] = k, s.level[side]
	}
	return c
}

// root is the square root of a likelihood in units of 1/one, so that evidence counts half: what
// adjoining slots say is not independent.
var root = func() (t [one + 1]uint32) {
	for k := range t {
		t[k] = uint32(math.Sqrt(float64(k) * one))
	}
	return t
}()

// Judge computes the belief at the end of slot e.Until.
func Judge(e *Evidence) Verdict {
	t := &tables
	v := Verdict{Belief: e.Start}
	v.scaleUp()
	var before heardLast
	still := rest{usual: e.Usual, lain: e.Lain, stale: true}
	fresh := e.Lain < usualLain // it was laid down a moment ago
	silent, sided := 0, 0
	if e.OneSided {
		sided = 1
	}
	from := max(e.From, min(e.Approach.firstHeard(e.From), e.Until)-silentLead)
	for k := from; k <= e.Until; k++ {
		s := e.Approach.at(k)
		var l likelihood
		run := &t.heard[sided][runBin(silent)]
		if s.empty() {
			silent++
			for k, p := range run {
				l[k] = uint64(one-p) << 8
			}
		} else {
			silent = 0
			bi, bo := levelBin(&s, Inner, e.Loud[Inner]), levelBin(&s, Outer, e.Loud[Outer])
			seen := &t.both[bi][bo]
			if e.OneSided {
				seen = &t.single[bi]
			}
			for k, p := range run {
				l[k] = max(1, uint64(seen[k]*p)>>4)
			}
			p := still.likely(Inner, &s, t.rest[Inner][bi])
			if !e.OneSided {
				p = p * still.likely(Outer, &s, t.rest[Outer][bo]) / one
			}
			l[AtRest] = max(1, uint64(root[p]*root[root[p]])>>4) // to the power that the tables have
			for side, c := range before.changes(&s, k) {
				if c >= 0 {
					l.times(&t.change[c])
				}
				if m := s.motion[side]; m != 0 {
					l.times(&t.motion[side+2*sided][m])
				}
			}
		}
		if fresh {
			still.note(&s)
		}
		l.inside(e, k)
		if k > from {
			v.move()
		}
		v.weigh(&l)
		v.note(k, !s.empty())
	}
	return v
}

// silentLead is how many slots before the first that the door heard are looked at: nothing happens
// in a longer silence.
const silentLead = 24

// likelihood is how likely what one slot shows is in each state, in units of 1/(one<<8).
type likelihood [States]uint64

func (l *likelihood) times(p *[States]uint32) {
	for k := range l {
		l[k] = max(1, l[k]*uint64(p[k])/one)
	}
}

// inside weighs what the readers inside heard in the epoch that ends with slot k, if one does.
func (l *likelihood) inside(e *Evidence, k int64) {
	in := &e.Inside
	if in.Epoch == 0 {
		return
	}
	epoch := k * SlotMs / in.Epoch
	if (k+1)*SlotMs/in.Epoch == epoch {
		return
	}
	t := &tables
	switch {
	case in.bit(in.Desk, epoch):
		l.times(&t.desk)
	case in.bit(in.Hits, epoch):
		p := t.hit[runBin(in.silentRun(epoch-1))]
		if in.Rate > 0 {
			p[AtRest] = max(in.Rate, p[AtRest])
		}
		l.times(&p)
	case epoch <= in.Known:
		run := in.silentRun(epoch - 1)
		p := t.hit[runBin(run)]
		// How long its own reader has been silent decides how much one more silent epoch says.
		p[AtRest] = in.Rate
		for k := range p {
			p[k] = one - p[k]
		}
		if run > 2 {
			p[AtRest] = root[p[AtRest]]
		}
		p[AtRest] = root[p[AtRest]]
		l.times(&p)
	}
}

// silentRun returns for how many epochs up to one no reader inside has heard the item.
func (in *Inside) silentRun(epoch int64) (n int) {
	for n < runLongest && !in.bit(in.Hits, epoch-int64(n)) {
		n++
	}
	return n
}

func (v *Verdict) scaleUp() {
	var next [States]uint64
	var all uint64
	for k, x := range v.Belief {
		next[k] = uint64(x)
		all |= next[k]
	}
	v.scale(&next, all)
}

// note remembers on which side of the threshold the item has been.
func (v *Verdict) note(k int64, heard bool) {
	var in, out uint64
	for s, x := range v.Belief {
		if s >= StepOut {
			out += uint64(x)
		} else if s < DoorwayOut {
			in += uint64(x)
		}
	}
	all := v.sum()
	switch {
	case 2*out <= all:
		v.Crossed = 0
	case v.Crossed == 0:
		v.Crossed = k
	}
	v.WasIn = v.WasIn || heard && 2*in > all
	v.Strange = v.Strange || heard && 2*out > all
	v.WasOut = v.WasOut || heard && 4*out > 3*all
}

// RateOf returns how likely a reader hears an item in an epoch, in 1/one, from the epochs before
// its last hit in which it did (bit 0 is the hit). One success and one failure are added.
func RateOf(hits uint64) uint32 {
	n, span := bits.OnesCount64(hits), bits.Len64(hits)
	return uint32((n + 1) * one / (span + 2))
}

// Observation is what one slot of an approach shows, in the classes that the tables are counted by.
type Observation struct {
	Heard        bool
	Inner, Outer int    // level bins
	Changes      [2]int // by side; -1: no level to compare with
	Motions      [2]Motion
}

// Levels, Changes are the numbers of classes of an Observation.
const (
	LevelBins  = levelBins
	ChangeBins = changeBins
	RunBins    = runBins
)

// RunBin classes how many slots or epochs have been silent.
func RunBin(n int) int { return runBin(n) }

// Observe returns what slot k shows.
func (a *Approach) Observe(k int64, loud [2]int8) Observation {
	s := a.at(k)
	var before heardLast
	for j := k - changeReach; j < k; j++ {
		was := a.at(j)
		before.changes(&was, j)
	}
	return Observation{Heard: !s.empty(), Inner: levelBin(&s, Inner, loud[Inner]),
		Outer: levelBin(&s, Outer, loud[Outer]), Changes: before.changes(&s, k), Motions: s.motion}
}
