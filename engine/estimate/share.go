package estimate

import "math"

// Wilson returns the 95 % score interval for a share of which hits in n trials were seen (Wilson
// 1927, without continuity correction). Of no trials nothing is known: the interval is [0, 1].
func Wilson(hits, n int) Interval {
	n = min(max(n, 0), maxCount)
	hits = min(max(hits, 0), n)
	if n == 0 {
		return Interval{0, 1}
	}
	p, m, z2 := share(hits, n), float64(n), float64(z95*z95)
	mid := (p + z2/(2*m)) / (1 + z2/m)
	half := z95 / (1 + z2/m) * math.Sqrt(p*(1-p)/m+z2/(4*m*m))
	i := Interval{max(0, mid-half), min(1, mid+half)}
	// At the ends the score interval touches 0 and 1 exactly; rounding must not say otherwise.
	if hits == 0 {
		i.Low = 0
	}
	if hits == n {
		i.High = 1
	}
	return i
}
