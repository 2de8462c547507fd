package estimate

import "fmt"

// TallyCap is where a Tally stops telling numbers apart: tags met this often or more share the last
// place of its histogram.
const TallyCap = 16

// Tally counts how many tags were met once, how many twice, and so on. Its zero value has met none.
// It is the same whatever the order in which tags were met, and is always TallyCap + 2 numbers
// large. Fields are open so that it can be stored.
type Tally struct {
	Reads    int           `json:"reads"`    // meetings in all
	Distinct int           `json:"distinct"` // different tags
	Freq     [TallyCap]int `json:"freq"`     // Freq[k-1]: tags met exactly k times; the last: TallyCap times or more
}

// Once returns how many tags were met exactly once.
func (t *Tally) Once() int { return t.Freq[0] }

// Twice returns how many tags were met exactly twice.
func (t *Tally) Twice() int { return t.Freq[1] }

// Counts returns what the estimators need.
func (t *Tally) Counts() Counts {
	return Counts{Draws: t.Reads, Seen: t.Distinct, Once: t.Once(), Twice: t.Twice()}
}

// Check says what is wrong with a tally that contradicts itself, or nil.
func (t *Tally) Check() error {
	tags, reads := 0, 0
	for i, n := range t.Freq {
		if n < 0 || n > maxCount {
			return fmt.Errorf("%d tags met %d times: give a number from 0 to %d", n, i+1, maxCount)
		}
		tags += n
		reads += n * (i + 1)
	}
	switch last := t.Freq[TallyCap-1]; {
	case t.Distinct != tags:
		return fmt.Errorf("%d different tags, but the histogram holds %d: they must be equal", t.Distinct, tags)
	case t.Reads < reads:
		return fmt.Errorf("%d reads, but the histogram makes at least %d: reads must not be fewer", t.Reads, reads)
	case t.Reads > reads && last == 0:
		return fmt.Errorf("%d reads, but the histogram makes %d and no tag was met %d times or more: they must be equal", t.Reads, reads,
			TallyCap)
	}
	return nil
}
