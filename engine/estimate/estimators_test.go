package estimate

import "math"

// Reasons returns all reasons.
func Reasons() []Reason {
	return []Reason{Estimated, NothingRead, MetOnce, LowCoverage, FewRare, Inconsistent}
}

// Chao1Scaled is Chao1 with the factor (n-1)/n on the added term and its variance, as iNEXT has it.
func Chao1Scaled(c Counts, form Form) Estimate {
	c = c.mended()
	return chao(c, form, share(c.Draws-1, c.Draws))
}

// GoodTuring estimates the share of all answers that would come from tags already met: 1 - f1/n
// (Good 1953). It is 0 where nothing was met, and where every tag was met once.
func GoodTuring(c Counts) float64 {
	c = c.mended()
	if c.Draws == 0 {
		return 0
	}
	return 1 - share(c.Once, c.Draws)
}

// Unseen returns how many tags beyond those that were met the estimate holds, 0 or more.
func (e Estimate) Unseen() float64 { return max(0, e.Total-float64(e.Seen)) }

// SD returns the standard deviation of Total.
func (e Estimate) SD() float64 { return math.Sqrt(e.Variance) }

// NewCount returns a count that starts at this time, in Unix milliseconds.
func NewCount(start int64) *Count {
	return &Count{Curve: *NewCurve(start)}
}

// See takes a read of a tag at this time, in Unix milliseconds, and returns the tag's new mark, to
// be given with its next read. A read older than the newest of its tag adds to the curve, but is no
// sighting.
func (c *Count) See(m Mark, at int64) Mark {
	met := m.Sightings > 0
	c.Curve.Add(at, btoi(!met), 1)
	now := uint32(min(c.Curve.elapsed(at)*markTicks/1000, math.MaxUint32))
	if !met || (now > m.Last && now-m.Last >= BurstGap*markTicks/1000) {
		m.Sightings = uint8(c.Sightings.Meet(int(m.Sightings)))
	}
	m.Last = max(m.Last, now)
	if pass := uint16(min(c.Passes+1, math.MaxUint16)); m.Pass != pass {
		m.Pass = pass
		m.Passes = uint8(c.Running.Meet(int(m.Passes)))
	}
	return m
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// EndPass says that one round over the shelves is done. What is read after it belongs to the next.
func (c *Count) EndPass() {
	c.Passes++
	c.Ended = c.Running
}

// Input returns what Assess needs. The pass that goes on is left out of the passes, since it has
// not been everywhere yet; tags that it was the first to find are among the different ones.
func (c *Count) Input(expected int, at int64) Input {
	return Input{Tally: c.Sightings, Passes: c.Passes, Incidence: c.Ended, Curve: &c.Curve, Expected: expected, At: at}
}

// Chapman estimates the number of tags from two passes of which the first met n1 tags, the second
// n2, and both met m of them: (n1+1)(n2+1)/(m+1) - 1, with Seber's variance (Chapman 1951, Seber
// 1970; formulas from memory). The interval is log-normal on the tags that neither met. More in
// both than in either is taken as all of the smaller.
func Chapman(n1, n2, m int) Estimate {
	n1, n2 = min(max(n1, 0), maxCount), min(max(n2, 0), maxCount)
	m = min(max(m, 0), n1, n2)
	a, b, c := float64(n1), float64(n2), float64(m)
	e := Estimate{Seen: n1 + n2 - m}
	s := float64(e.Seen)
	// (n1+1)(n2+1)/(m+1) - 1 - Seen is (n1-m)(n2-m)/(m+1): the same number without a difference of
	// large ones.
	unseen := (a - c) * (b - c) / (c + 1)
	e.Total = s + unseen
	e.Variance = (a + 1) * (b + 1) * (a - c) * (b - c) / ((c + 1) * (c + 1) * (c + 2))
	e.Interval = logNormal(s, unseen, e.Variance)
	return e
}

// TallyOf makes the tally of tags that were met so many times each; 0 is a tag that was not met.
func TallyOf(times ...int) Tally {
	var t Tally
	for _, n := range times {
		if n > 0 {
			t.Reads += n
			t.Distinct++
			t.Freq[min(n, TallyCap)-1]++
		}
	}
	return t
}

// Meet adds a meeting with a tag that was met before times until now, and returns how often it has
// been met with this one, at most TallyCap: all that the caller needs to remember of a tag.
func (t *Tally) Meet(before int) int {
	before = min(max(before, 0), TallyCap)
	after := min(before+1, TallyCap)
	t.Reads++
	if before == 0 {
		t.Distinct++
	} else {
		t.Freq[before-1]--
	}
	t.Freq[after-1]++
	return after
}

// Mark is what a count remembers of one tag: 8 bytes. Its zero value is a tag that was not met.
type Mark struct {
	Last      uint32 `json:"last"`      // newest read, in 1/16 s after the start of the count
	Pass      uint16 `json:"pass"`      // the newest pass in which it was met, from 1
	Sightings uint8  `json:"sightings"` // at most TallyCap
	Passes    uint8  `json:"passes"`    // in how many passes it was met, at most TallyCap
}

const markTicks = 16 // in a second

// Count gathers what a stock-take sees. Make one with NewCount.
type Count struct {
	Sightings Tally `json:"sightings"` // bursts of reads, by tag
	Running   Tally `json:"running"`   // passes, by tag, with the one that goes on
	Ended     Tally `json:"ended"`     // passes, by tag, without it
	Passes    int   `json:"passes"`    // that ended
	Curve     Curve `json:"curve"`
}
