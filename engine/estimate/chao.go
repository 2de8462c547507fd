package estimate

import "math"

// z95 is the two-sided 95 % quantile of the normal distribution as EstimateS and mothur round it.
const z95 = 1.96

// Interval is a range of numbers, both ends included.
type Interval struct {
	Low, High float64
}

// Counts is what the estimators use: of Seen different tags, Once were met exactly once and Twice
// exactly twice, in Draws meetings in all. A meeting is a read, a sighting, or a pass in which the
// tag was met.
//
// Counts that contradict themselves are mended before use: negative numbers are 0, Once + Twice is
// at most Seen, and there are at least as many draws as these make. Numbers above a billion are
// taken as a billion.
type Counts struct {
	Draws, Seen, Once, Twice int
}

const maxCount = 1_000_000_000

func (c Counts) mended() Counts {
	limit := func(n int) int { return min(max(n, 0), maxCount) }
	c = Counts{Draws: limit(c.Draws), Seen: limit(c.Seen), Once: limit(c.Once), Twice: limit(c.Twice)}
	c.Once = min(c.Once, c.Seen)
	c.Twice = min(c.Twice, c.Seen-c.Once)
	c.Draws = max(c.Draws, c.Once+2*c.Twice+3*(c.Seen-c.Once-c.Twice))
	return c
}

// Form is one of the forms of Chao's estimators that packages print.
type Form uint8

const (
	// BiasCorrected is f1(f1-1)/(2(f2+1)) unseen; it exists for every input.
	BiasCorrected Form = iota
	// Classic is f1²/(2 f2) unseen. Where f1 or f2 is 0 it is computed as BiasCorrected.
	Classic
)

// Estimate is an estimated number of tags.
type Estimate struct {
	Seen     int     // tags that were met
	Total    float64 // estimated tags, met or not: a lower bound
	Variance float64 // of Total
	Interval         // 95 %, for Total
}

// Chao1 estimates the number of tags from how often each was met (Chao 1984), without the factor
// (n-1)/n.
//
// The interval is log-normal (Chao 1987). If no tag was met exactly once, Total is Seen and
// variance and interval follow from the number of meetings alone, as in EstimateS; its lower end
// can then lie above Total. If the estimate is no more than Seen although a tag was met once, the
// interval is [Seen, Seen].
func Chao1(c Counts, form Form) Estimate { return chao(c.mended(), form, 1) }

// Chao2 estimates the number of tags from the number of passes in which each was met (Chao 1987):
// Once and Twice of the counts are the tags met in exactly one and exactly two passes, Draws is the
// sum over tags of the passes in which each was met. It has the factor (T-1)/T for T passes, and is
// otherwise computed as Chao1 is. Fewer than two passes tell nothing: Total is then Seen.
func Chao2(passes int, c Counts, form Form) Estimate {
	return chao(c.mended(), form, share(passes-1, passes))
}

// share returns a/b for 0 <= a <= b, and 0 where that is not so.
func share(a, b int) float64 {
	if a < 0 || b <= 0 || a > b {
		return 0
	}
	return float64(a) / float64(b)
}

// chao computes all forms; a is the factor on the added term. The formulas of the variances are
// those of the EstimateS user's guide and, with the factor, of SpadeR.
func chao(c Counts, form Form, a float64) Estimate {
	s, f1, f2 := float64(c.Seen), float64(c.Once), float64(c.Twice)
	e := Estimate{Seen: c.Seen, Total: s, Interval: Interval{s, s}}
	switch {
	case c.Seen == 0:
		return e
	case c.Once == 0:
		p := math.Exp(-float64(c.Draws) / s) // chance that a tag is never met, if all are met at the same rate
		e.Variance = s * p * (1 - p)
		half := z95 * math.Sqrt(s*p/(1-p))
		e.Interval = Interval{max(s, s/(1-p)-half), max(s, s/(1-p)+half)}
		return e
	case c.Twice > 0 && form == Classic:
		r := f1 / f2
		e.Total = s + a*f1*f1/(2*f2)
		e.Variance = f2 * (a*r*r/2 + a*a*r*r*r + a*a*r*r*r*r/4)
	case c.Twice > 0:
		g := f2 + 1
		e.Total = s + a*f1*(f1-1)/(2*g)
		e.Variance = a*f1*(f1-1)/(2*g) + a*a*f1*(2*f1-1)*(2*f1-1)/(4*g*g) + a*a*f1*f1*f2*(f1-1)*(f1-1)/(4*g*g*g*g)
	default:
		e.Total = s + a*f1*(f1-1)/2
		e.Variance = max(0, a*f1*(f1-1)/2+a*a*f1*(2*f1-1)*(2*f1-1)/4-a*a*f1*f1*f1*f1/(4*e.Total))
	}
	e.Interval = logNormal(s, e.Total-s, e.Variance)
	return e
}

// logNormal returns the 95 % interval for s seen and t unseen, where t has this variance.
func logNormal(s, t, variance float64) Interval {
	if t <= 0 {
		return Interval{s, s}
	}
	k := math.Exp(z95 * math.Sqrt(math.Log1p(variance/t/t)))
	return Interval{s + t/k, s + t*k}
}

// ChaoJost estimates the share of all answers that would come from tags already met (Good 1953), with less bias (Chao and Jost 2012), as iNEXT
// prints it.
func ChaoJost(c Counts) float64 {
	c = c.mended()
	return coverage(c.Draws, c)
}

// ChaoJostPasses is ChaoJost for counts of passes, as SpadeR computes it.
func ChaoJostPasses(passes int, c Counts) float64 {
	return coverage(min(max(passes, 0), maxCount), c.mended())
}

func coverage(n int, c Counts) float64 {
	if c.Draws == 0 {
		return 0
	}
	f1, f2 := float64(c.Once), float64(c.Twice)
	// With f0 unseen tags, the next meeting is with one of the f1 in n f0/(n f0 + f1) of the cases
	// that Good's estimate gives to new ones. n f0 is (n-1) times this:
	f0 := f1 * (f1 - 1) / 2
	if c.Twice > 0 {
		f0 = f1 * f1 / (2 * f2)
	}
	unmet := float64(max(n-1, 0)) * f0
	if c.Once == 0 || unmet+f1 == 0 {
		return 1
	}
	return min(max(1-f1/float64(c.Draws)*(unmet/(unmet+f1)), 0), 1)
}
