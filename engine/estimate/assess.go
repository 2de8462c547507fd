package estimate

import (
	"fmt"
	"math"
)

// Method is how an assessment was made.
type Method string

// The methods. There are no others.
const (
	MethodChao2      Method = "chao2"        // from the passes in which each tag was met
	MethodChao1      Method = "chao1"        // from how often each tag was met
	MethodNewTagRate Method = "new-tag rate" // no number; only whether new tags still turn up
	MethodNone       Method = "none"
)

// Reason is why an assessment gives a number or gives none.
type Reason string

// The reasons. There are no others.
const (
	Estimated    Reason = "estimated"    // the numbers may be shown
	NothingRead  Reason = "nothing-read" // no tag was met
	MetOnce      Reason = "met-once"     // nearly every tag was met just once: there are no repeats to reason from
	LowCoverage  Reason = "low-coverage" // less than MinCoverage: too much is unread for any number
	FewRare      Reason = "few-rare"     // fewer than MinRare tags were met once or twice: too few to put a number on what is unread
	Inconsistent Reason = "inconsistent" // the input contradicts itself
)

// Where Assess draws the line. All are judgement (common practice, no source).
const (
	MinCoverage = 0.5 // of the answers; below it no number is given
	MinRare     = 5   // tags met once or twice; with fewer no number is given
	OnceShare   = 0.9 // of the tags; where as many were met just once, there are no repeats to speak of
	RateSeconds = 20  // over which the rate of new tags is taken
)

// Caution goes with every assessment.
const Caution = "Tags that cannot answer (damaged, shielded by metal or liquid, pressed against another tag) are " +
	"in no estimate, so an item that was not read is not proven gone."

// Input is what Assess judges.
type Input struct {
	Tally     Tally  // how often each tag was met; must hold every tag that the count has met
	Passes    int    // rounds over the same shelves that have ended; 0 or 1: passes were not marked
	Incidence Tally  // in how many of these passes each tag was met; it may lack tags met outside of them
	Curve     *Curve // how fast new tags turned up; nil: not known
	Expected  int    // items expected there; -1: not known
	At        int64  // the time of asking, Unix milliseconds; 0: that of the curve's newest addition
}

// Assessment is what may be said about a count.
type Assessment struct {
	Distinct int `json:"distinct"` // different tags met
	Expected int `json:"expected"` // -1: not known

	// estimated share of the answers that come from tags met, 0 to 1; 0 where nothing is known
	Coverage      float64 `json:"coverage"`
	UnseenAtLeast int     `json:"unseen_at_least"` // more tags that are likely there; 0 unless Usable
	Low           int     `json:"low"`             // 95 % interval of the same; 0 unless Usable
	High          int     `json:"high"`

	Method  Method `json:"method"`
	Usable  bool   `json:"usable"` // UnseenAtLeast, Low and High may be shown
	Reason  Reason `json:"reason"`
	Words   string `json:"words"`   // one plain sentence
	Caution string `json:"caution"` // what must be shown with it: always Caution
}

// String returns the sentence and the caution.
func (a Assessment) String() string { return a.Words + " " + a.Caution }

// Check says what contradicts itself in the input, or nil.
func (in *Input) Check() error {
	if err := in.Tally.Check(); err != nil {
		return fmt.Errorf("tally: %w", err)
	}
	if in.Passes < 2 {
		return nil
	}
	if err := in.Incidence.Check(); err != nil {
		return fmt.Errorf("incidence: %w", err)
	}
	for i, n := range in.Incidence.Freq {
		if n > 0 && i+1 > in.Passes {
			return fmt.Errorf("incidence: %d tags met in %d passes, but there were %d", n, i+1, in.Passes)
		}
	}
	if in.Incidence.Distinct > in.Tally.Distinct {
		return fmt.Errorf("incidence: %d different tags, but the tally has %d: it must hold every tag",
			in.Incidence.Distinct, in.Tally.Distinct)
	}
	return nil
}

// Assess says what may be said about a count. From two passes on it uses the passes alone,
// otherwise by how often each tag was met; where that gives no number, it says whether new tags
// still turn up.
//
// Where the estimate is no more than what was met, because no tag or one tag was met just once,
// published intervals are either a single number or suppose that all tags answer at the same rate.
// High then is the estimate for the most tags met once that would still be compatible with so few:
// the 97.5 % limit of a Poisson number (Garwood 1936), which is 3.69 for none and 5.57 for one.
func Assess(in Input) Assessment {
	a := Assessment{Distinct: in.Tally.Distinct, Expected: max(in.Expected, -1), Method: MethodNone, Caution: Caution}
	if err := in.Check(); err != nil {
		a.Distinct = min(max(a.Distinct, 0), maxCount)
		a.Reason = Inconsistent
		a.Words = "The numbers of this count contradict each other, so nothing can be said about tags that were not read."
		return a
	}
	if a.Distinct == 0 {
		a.Reason = NothingRead
		a.Words = words(&a, &in, Counts{})
		return a
	}
	c, method := in.Tally.Counts(), MethodChao1
	a.Coverage = ChaoJost(c)
	if in.Passes >= 2 {
		c, method = in.Incidence.Counts(), MethodChao2
		a.Coverage = ChaoJostPasses(in.Passes, c)
	}
	a.Reason = judge(c, a.Coverage)
	switch {
	case a.Reason == Estimated:
		a.Method, a.Usable = method, true
		a.estimate(c, in.Passes)
	case in.Curve != nil && in.Curve.Reads > 0:
		a.Method = MethodNewTagRate
	}
	a.Words = words(&a, &in, c)
	return a
}

// judge says whether these counts allow an estimate.
func judge(c Counts, coverage float64) Reason {
	switch {
	case c.Seen == 0:
		return NothingRead
	case float64(c.Once) >= OnceShare*float64(c.Seen):
		return MetOnce
	case coverage < MinCoverage:
		return LowCoverage
	case c.Once+c.Twice < MinRare:
		return FewRare
	}
	return Estimated
}

// The exact 97.5 % upper limits of a Poisson number of which 0 and 1 were seen (Garwood 1936; half
// the quantile 0.975 of chi-squared with 2 and 4 degrees of freedom).
var poissonUpper = [2]float64{3.688879, 5.571643}

func (a *Assessment) estimate(c Counts, passes int) {
	factor, e := 1.0, Chao1(c, BiasCorrected)
	if a.Method == MethodChao2 {
		factor, e = share(passes-1, passes), Chao2(passes, c, BiasCorrected)
	}
	low, high := e.Low, e.High
	if c.Once < len(poissonUpper) {
		f1 := poissonUpper[c.Once]
		low, high = float64(e.Seen), float64(e.Seen)+factor*f1*(f1-1)/(2*float64(c.Twice+1))
	}
	// Tags met outside of the passes are no longer unseen.
	met := float64(a.Distinct)
	a.UnseenAtLeast = whole(math.Floor(e.Total - met + rounding))
	a.Low = min(whole(math.Floor(low-met+rounding)), a.UnseenAtLeast)
	a.High = max(whole(math.Ceil(high-met-rounding)), a.UnseenAtLeast)
}

// rounding keeps a whole number whole that floating point left a little beside it.
const rounding = 1e-6

func whole(x float64) int { return int(min(max(x, 0), 1e15)) }
