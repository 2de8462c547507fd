package estimate

import "slices"

// How much a Curve remembers.
const (
	CurveBins     = 240 // places on the whole curve
	RecentSeconds = 60  // seconds kept one by one for Rate
)

const (
	firstWidth = 1000    // of a bin, in milliseconds
	maxElapsed = 1 << 45 // ms, some thousand years: so that widths cannot overflow
	maxBin     = 1 << 40 // tags or reads in one Add
)

// Bin is what came in one stretch of time.
type Bin struct {
	New   int `json:"new"`   // tags not met before
	Reads int `json:"reads"` // all reads
}

// Curve keeps how many new tags came when, in bounded memory: its bins start one second wide, and
// all double in width whenever time outgrows CurveBins of them. The last RecentSeconds are kept by
// the second beside it. Order does not matter: the same additions give the same curve. Fields are
// open so that it can be stored; change it by Add.
type Curve struct {
	Start   int64              `json:"start"`    // Unix milliseconds
	Width   int64              `json:"width"`    // of a bin, milliseconds
	End     int64              `json:"end"`      // newest addition, milliseconds after Start
	LastNew int64              `json:"last_new"` // newest addition with a new tag, milliseconds after Start; -1: none
	New     int                `json:"new"`      // in all
	Reads   int                `json:"reads"`    // in all
	Bins    []Bin              `json:"bins"`
	Recent  [RecentSeconds]Bin `json:"recent"` // the second s after Start is at s % RecentSeconds
}

// NewCurve returns an empty curve that starts at this time, in Unix milliseconds.
func NewCurve(start int64) *Curve {
	return &Curve{Start: start, Width: firstWidth, LastNew: -1}
}

// sound mends a curve that was made without NewCurve or read from somewhere, so that no method can
// run out of bounds.
func (c *Curve) sound() {
	if c.Width < firstWidth {
		c.Width = firstWidth
		if c.New == 0 && c.LastNew == 0 {
			c.LastNew = -1
		}
	}
	c.Width = min(c.Width, maxElapsed)
	c.End = min(max(c.End, 0), maxElapsed)
	c.LastNew = min(max(c.LastNew, -1), c.End)
	if len(c.Bins) > CurveBins {
		c.Bins = c.Bins[:CurveBins]
	}
	if c.End/c.Width >= CurveBins {
		c.Bins = slices.Clone(c.Bins) // a question must not change the curve that it is put to
		c.widen()
	}
}

// elapsed returns the milliseconds from the start to at; a time before the start is the start.
func (c *Curve) elapsed(at int64) int64 {
	if at <= c.Start {
		return 0
	}
	d := at - c.Start
	if d < 0 || d > maxElapsed { // below 0: at and Start are so far apart that the difference overflows
		return maxElapsed
	}
	return d
}

// Add adds reads that came at this time, in Unix milliseconds, of which newTags were of tags not
// met before. Both may be 0, to say that time went on. A time before the start counts as the start;
// negative numbers count as 0.
func (c *Curve) Add(at int64, newTags, reads int) {
	c.sound()
	newTags, reads = min(max(newTags, 0), maxBin), min(max(reads, 0), maxBin)
	t := c.elapsed(at)
	c.advance(t)
	c.New += newTags
	c.Reads += reads
	if newTags > 0 {
		c.LastNew = max(c.LastNew, t)
	}
	if newTags == 0 && reads == 0 {
		return
	}
	i := int(t / c.Width)
	for len(c.Bins) <= i {
		c.Bins = append(c.Bins, Bin{})
	}
	c.Bins[i].New += newTags
	c.Bins[i].Reads += reads
	if second := t / 1000; second > c.End/1000-RecentSeconds {
		r := &c.Recent[second%RecentSeconds]
		r.New += newTags
		r.Reads += reads
	}
}

// advance makes the curve reach to t.
func (c *Curve) advance(t int64) {
	if t <= c.End {
		return
	}
	from, to := c.End/1000+1, t/1000
	for s := max(from, to-RecentSeconds+1); s <= to; s++ {
		c.Recent[s%RecentSeconds] = Bin{}
	}
	c.End = t
	c.widen()
}

// widen doubles the width of the bins until the curve fits.
func (c *Curve) widen() {
	for c.End/c.Width >= CurveBins {
		c.Width *= 2
		half := (len(c.Bins) + 1) / 2
		for i := range half {
			b := c.Bins[2*i]
			if 2*i+1 < len(c.Bins) {
				b.New += c.Bins[2*i+1].New
				b.Reads += c.Bins[2*i+1].Reads
			}
			c.Bins[i] = b
		}
		c.Bins = c.Bins[:half]
	}
}

// Rate returns how many new tags and reads a second came in the last seconds before at (1 to
// RecentSeconds), and over how many seconds that is: fewer where the curve has not run that long. A
// time before the newest addition counts as that.
func (c *Curve) Rate(at int64, seconds int) (newTags, reads float64, over int) {
	b, over := c.recent(at, seconds)
	return float64(b.New) / float64(over), float64(b.Reads) / float64(over), over
}

// recent sums the last seconds, the one that at lies in among them.
func (c *Curve) recent(at int64, seconds int) (Bin, int) {
	s := *c
	s.sound()
	now := max(s.elapsed(at), s.End) / 1000
	seconds = min(max(seconds, 1), RecentSeconds)
	over := int(min(int64(seconds), now+1))
	var sum Bin
	for t := max(now-int64(over)+1, s.End/1000-RecentSeconds+1, 0); t <= s.End/1000; t++ {
		sum.New += max(s.Recent[t%RecentSeconds].New, 0)
		sum.Reads += max(s.Recent[t%RecentSeconds].Reads, 0)
	}
	return sum, over
}

// Quiet returns for how many milliseconds before at no new tag has come: since the start where
// there was none.
func (c *Curve) Quiet(at int64) int64 {
	s := *c
	s.sound()
	return max(s.elapsed(at), s.End) - max(s.LastNew, 0)
}

// Point is one place on the whole curve.
type Point struct {
	At      int64   `json:"at"`      // Unix milliseconds: the end of its stretch
	Seconds float64 `json:"seconds"` // how long that is
	New     int     `json:"new"`     // new tags in it
	Reads   int     `json:"reads"`   // reads in it
	Total   int     `json:"total"`   // different tags until its end
}

// Points returns the whole curve, at most CurveBins points of equal length but for the last, which
// ends with the newest addition.
func (c *Curve) Points() []Point {
	s := *c
	s.sound()
	points := make([]Point, 0, len(s.Bins)+1)
	if s.End == 0 && len(s.Bins) == 0 {
		return points
	}
	total := 0
	for i := int64(0); i <= s.End/s.Width && i < CurveBins; i++ {
		var b Bin
		if int(i) < len(s.Bins) {
			b = Bin{New: max(s.Bins[i].New, 0), Reads: max(s.Bins[i].Reads, 0)}
		}
		from, to := i*s.Width, min((i+1)*s.Width, s.End+1)
		total += b.New
		points = append(points, Point{At: s.Start + to, Seconds: float64(to-from) / 1000, New: b.New, Reads: b.Reads, Total: total})
	}
	return points
}
