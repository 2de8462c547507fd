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
