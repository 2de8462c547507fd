package measure

import "math"

// Share is a count of a whole with Wilson's 95 % interval.
type Share struct {
	N    int     `json:"n"`
	Of   int     `json:"of"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Value returns the share, 0 to 1; NaN of nothing.
func (s Share) Value() float64 { return float64(s.N) / float64(s.Of) }

func share(n, of int) Share {
	low, high := wilson(n, of)
	return Share{N: n, Of: of, Low: low, High: high}
}

// wilson is the score interval of Wilson (1927), equation as in Brown, Cai and DasGupta, "Interval
// Estimation for a Binomial Proportion", Statistical Science 16, 2001.
func wilson(n, of int) (low, high float64) {
	const z = 1.959964 // 97.5 % quantile of the normal distribution
	if of == 0 {
		return 0, 1
	}
	p, m := float64(n)/float64(of), float64(of)
	middle := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return max(0, middle-half), min(1, middle+half)
}
