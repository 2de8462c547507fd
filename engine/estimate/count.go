package estimate

import "math"

// BurstGap is how long a tag must have kept still, in milliseconds, for its next read to be another
// sighting. A tag that is read again sooner may have been in the beam all the while: in session S1
// of the Gen2 air interface it keeps quiet for up to 5 s once read (EPC UHF Gen2, tag flags and
// persistence values).
const BurstGap = 5000

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
