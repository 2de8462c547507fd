package quality

import (
	"maps"
	"math"
	"slices"
)

// Delays is a collection of times in seconds, of which quantiles can be asked. It keeps each time
// to the second, and from 1,000 s on to three digits (at most half a percent off), so it has at
// most some 10,000 different ones, whatever is added. The zero value is empty.
type Delays struct {
	n      int
	counts map[int]int // by seconds
}

const maxDelay = 1e12 // seconds; longer than any clock runs

// Add adds a time. What is negative counts as 0.
func (d *Delays) Add(ms int64) {
	if d.counts == nil {
		d.counts = make(map[int]int)
	}
	d.n++
	d.counts[threeDigits(ms)]++
}

// threeDigits returns milliseconds as seconds, rounded to three digits where there are more.
func threeDigits(ms int64) int {
	s := min(math.Round(float64(max(0, ms))/1000), maxDelay)
	unit := 1.0
	for s/unit >= 1000 {
		unit *= 10
	}
	return int(math.Round(s/unit) * unit)
}

// Merge adds all of o.
func (d *Delays) Merge(o *Delays) {
	if d.counts == nil && o.n > 0 {
		d.counts = make(map[int]int, len(o.counts))
	}
	d.n += o.n
	for s, n := range o.counts {
		d.counts[s] += n
	}
}

// Len returns how many times there are.
func (d *Delays) Len() int { return d.n }

// Quantiles returns, for each p in [0, 1], the number of seconds below which that share of the
// times lies: Hyndman and Fan's type 7, which goes evenly between neighbours. With no times it
// returns nil.
func (d *Delays) Quantiles(ps ...float64) []float64 {
	if d.n == 0 {
		return nil
	}
	values := slices.Sorted(maps.Keys(d.counts))
	nth := func(k int) float64 { // the k-th smallest, from 0
		for _, v := range values {
			if k -= d.counts[v]; k < 0 {
				return float64(v)
			}
		}
		return float64(values[len(values)-1])
	}
	list := make([]float64, 0, len(ps))
	for _, p := range ps {
		at := min(1, max(0, p)) * float64(d.n-1)
		low := math.Floor(at)
		v := nth(int(low))
		if rest := at - low; rest > 0 {
			v += rest * (nth(int(low)+1) - v)
		}
		list = append(list, v)
	}
	return list
}
