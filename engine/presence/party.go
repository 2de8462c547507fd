package presence

// Candidate is one item at a door, with the evidence about it and what its belief is.
type Candidate struct {
	Evidence
	Verdict
	Summary Summary
	Home    uint16 // the zone that it was in
	Left    int64  // the epoch in which a reader of that zone last heard it; 0: never
	Outside bool   // it is known to be outside
	Unknown bool   // nothing is known of where it is

	resting bool
	odds    int
	tilt    int
	company int // goods that travel with it and that the door has heard well
}

const (
	neighbours = 64     // in the list, before and after, that are asked whether they travel with an item
	togetherMs = 4000   // milliseconds within which goods that travel together leave their zone, and are heard by the door
	tiltMost   = 6 << 8 // the most by which what travels with an item changes its odds, in the units of Belief.Odds
)

// JudgeAll computes the beliefs of all items that one door hears now, and has goods that travel
// together decide together. What a reader inside hears of one of them since they came to the door it
// hears of all, and the odds of each are changed by the mean of the others': a book that is hardly
// read in a full bag is found by its neighbours, and a box that staff carry along the door is cleared
// by any of its goods. With one antenna the odds of the others only ever speak against a passage:
// that nobody inside hears a box is one piece of evidence, however many goods are in it.
func JudgeAll(list []Candidate) {
	for i := range list {
		c := &list[i]
		c.Verdict = Judge(&c.Evidence)
		c.odds, c.resting = c.Odds(), c.Resting() > 0.5
	}
	for i := range list {
		c := &list[i]
		hits := c.Inside.Hits
		for k := max(0, i-neighbours); k < min(len(list), i+neighbours); k++ {
			if o := &list[k]; k != i && c.together(o) {
				hits |= o.Inside.Hits & c.sinceItCame()
			}
		}
		if hits != c.Inside.Hits {
			e := c.Evidence
			e.Inside.Hits = hits
			c.Verdict = Judge(&e)
			c.odds = c.Odds()
		}
	}
	for i := range list {
		c := &list[i]
		side := Outer
		if c.OneSided {
			side = Inner
		}
		sum, n := 0, 0
		peak := c.Summary.Peak[side]
		for k := max(0, i-neighbours); k < min(len(list), i+neighbours); k++ {
			if o := &list[k]; k != i && c.together(o) {
				sum += o.odds
				n++
				peak = max(peak, o.Summary.Peak[side])
				if o.wellHeard() {
					c.company++
				}
			}
		}
		if n > 0 {
			most := tiltMost
			if c.OneSided {
				most = 0
			}
			c.tilt = max(-tiltMost, min(most, sum/n))
		}
		c.tilt += faint(peak, c.Loud[side])
	}
	for i := range list {
		if c := &list[i]; c.tilt != 0 {
			c.Tilt(c.tilt)
		}
	}
}

// What faint goes by. Goods that went through a door and goods that did not have peaks of about the
// same spread, 6.5 dB, and means 8.5 dB apart (counted on regimes that are looked at): the logarithm of
// the likelihood ratio of two such normal distributions is a straight line of 8.5/6.5² = 0.2 nats a dB.
const (
	faintFrom = 4  // dB below carried goods
	faintOdds = 74 // a dB, in the units of Belief.Odds
)

// faint is how much the odds of having gone through change since the door has not heard the item, or what
// travels with it, loudly: whoever goes out passes right below its antenna, the outer one where there are
// two. Peak is the loudest slot, and loud what the antenna hears of carried goods.
func faint(peak, loud int8) int {
	if peak == NoLevel {
		return 0
	}
	return min(0, int(peak)-int(loud)+faintFrom) * faintOdds
}

// wellHeard reports whether the door has heard the item often enough to say something about it alone.
func (c *Candidate) wellHeard() bool {
	return c.Summary.Slots[Inner]+c.Summary.Slots[Outer] >= minHeard
}

// sinceItCame returns the bits of the epochs since the door first heard the item.
func (c *Candidate) sinceItCame() uint64 {
	n := c.Inside.Last - c.Summary.From*SlotMs/c.Inside.Epoch + 1
	if n >= 64 {
		return ^uint64(0)
	}
	return 1<<uint(max(0, n)) - 1
}

// together reports whether two items travel together: they left one zone within a few seconds, or
// nobody knew the place of either, and the door has heard them in the same seconds.
func (c *Candidate) together(o *Candidate) bool {
	const reach = togetherMs / SlotMs
	if c.Home != o.Home || c.resting || o.resting || c.Outside != o.Outside ||
		apart(c.Summary.From, o.Summary.From) > reach || apart(c.Summary.To, o.Summary.To) > reach {
		return false
	}
	return c.Left == 0 || o.Left == 0 || apart(c.Left, o.Left)*c.Inside.Epoch <= togetherMs
}

func apart(a, b int64) int64 { return max(a-b, b-a) }
