package estimate_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/estimate"
)

// repeat makes the meetings of n tags that were met times times each.
func repeat(n, times int) []int {
	list := make([]int, n)
	for i := range list {
		list[i] = times
	}
	return list
}

func join(lists ...[]int) []int {
	var all []int
	for _, l := range lists {
		all = append(all, l...)
	}
	return all
}

func counts(met []int) estimate.Counts {
	t := estimate.TallyOf(met...)
	return t.Counts()
}

// Worked examples that others have printed. Results are given to as many places as the source
// prints.
func TestChao1Published(t *testing.T) {
	girdled := join([]int{46, 22, 17, 15, 15, 9, 8, 6, 6, 4, 2, 2, 2, 2}, repeat(12, 1))
	logged := join([]int{88, 22, 16, 15, 13, 10, 8, 8, 7, 7, 7, 5, 4, 4, 4, 3, 3, 3, 3, 2, 2, 2, 2}, repeat(14, 1))
	mothur := join(repeat(75, 1), repeat(6, 2), repeat(1, 3), repeat(2, 4))
	mothur2 := join(repeat(34, 1), repeat(13, 2), repeat(3, 3), repeat(2, 4), repeat(3, 7))
	mothur3 := join(repeat(94, 1), repeat(2, 2))
	const none = -1
	for _, c := range []struct {
		source string
		met    []int
		f      func(estimate.Counts, estimate.Form) estimate.Estimate
		form   estimate.Form
		total  float64
		sd     float64
		low    float64
		high   float64
		places int
	}{
		// The tests of scikit-bio's chao1 (BSD), which quote EstimateS.
		{"scikit-bio 1", []int{0, 1, 1, 4, 2, 5, 2, 4, 1, 2}, estimate.Chao1, estimate.BiasCorrected, 9.75, 1.42, 9.07, 17.45, 2},
		{"scikit-bio 1", []int{0, 1, 1, 4, 2, 5, 2, 4, 1, 2}, estimate.Chao1, estimate.Classic, 10.5, 2.29, 9.17, 21.89, 2},
		{"scikit-bio, none once", []int{0, 2, 2, 4, 5}, estimate.Chao1, estimate.BiasCorrected, 4, 0.39, 4, 4.95, 2},
		{"scikit-bio, none twice", []int{0, 1, 1, 4, 5}, estimate.Chao1, estimate.BiasCorrected, 5, 2.17, 4.08, 17.27, 2},
		{"scikit-bio, one once", []int{1, 2, 3}, estimate.Chao1, estimate.BiasCorrected, 3, none, 3, 3, 9},
		// scikit-bio falls back to the corrected form where f1 or f2 is 0, and so do we.
		{"scikit-bio, none once", []int{0, 2, 2, 4, 5}, estimate.Chao1, estimate.Classic, 4, 0.39, 4, 4.95, 2},
		{"scikit-bio, none twice", []int{0, 1, 1, 4, 5}, estimate.Chao1, estimate.Classic, 5, 2.17, 4.08, 17.27, 2},
		// The classic form of {1, 2, 3} is 3 + 1/2: by hand.
		{"by hand", []int{1, 2, 3}, estimate.Chao1, estimate.Classic, 3.5, none, none, none, 9},
		// The pages "chao" of mothur's wiki.
		{"mothur, 98 reads", mothur, estimate.Chao1, estimate.BiasCorrected, 480.428571, none, 262.946610, 962.226261, 6},
		{"mothur, second", mothur2, estimate.Chao1, estimate.BiasCorrected, 95.071429, math.Sqrt(341.249), 71.949979, 149.732827, 4},
		{"mothur, third", mothur3, estimate.Chao1, estimate.BiasCorrected, 1553, none, 658.49, 3870.02, 2},
		// The example of int.chao in the R package fossil; the corrected form would give 11.5.
		{"fossil", []int{4, 5, 1, 1, 2, 0, 0, 1, 3, 0, 8, 45, 23}, estimate.Chao1, estimate.Classic, 14.5, none, none, none, 9},
		{"fossil, by hand", []int{4, 5, 1, 1, 2, 0, 0, 1, 3, 0, 8, 45, 23}, estimate.Chao1, estimate.BiasCorrected,
			11.5, none, none, none, 9},
		// The data set spider of the R package iNEXT; results from memory of Hsieh, Ma and Chao
		// 2016. This form has the factor (n-1)/n.
		{"iNEXT, spider, girdled", girdled, estimate.Chao1Scaled, estimate.Classic, 43.893, 14.306, none, none, 3},
		{"iNEXT, spider, logged", logged, estimate.Chao1Scaled, estimate.Classic, 61.403, 18.532, none, none, 3},
		// The same data without the factor, by hand: 26 + 12²/8 and 26 + 12·11/10.
		{"girdled without the factor", girdled, estimate.Chao1, estimate.Classic, 44, none, none, none, 9},
		{"girdled without the factor", girdled, estimate.Chao1, estimate.BiasCorrected, 39.2, none, none, none, 9},
	} {
		t.Run(fmt.Sprint(c.source, c.form), func(t *testing.T) {
			e := c.f(counts(c.met), c.form)
			within := 0.5000001 * math.Pow(10, -float64(c.places))
			require.InDelta(t, c.total, e.Total, within)
			for _, v := range []struct{ want, got float64 }{{c.sd, e.SD()}, {c.low, e.Low}, {c.high, e.High}} {
				if v.want != none {
					require.InDelta(t, v.want, v.got, within)
				}
			}
		})
	}
}

func TestCoveragePublished(t *testing.T) {
	// The page "coverage" of mothur's wiki; scikit-bio's test of goods_coverage has the first as
	// well.
	require.InDelta(t, 0.234694, estimate.GoodTuring(counts(join(repeat(75, 1), repeat(6, 2), repeat(1, 3), repeat(2, 4)))), 5e-7)
	require.InDelta(t, 0.653061, estimate.GoodTuring(counts(join(repeat(34, 1), repeat(13, 2), repeat(3, 3),
		repeat(2, 4), repeat(3, 7)))), 5e-7)
	require.InDelta(t, 0.040816, estimate.GoodTuring(counts(join(repeat(94, 1), repeat(2, 2)))), 5e-7)
	// DataInfo of iNEXT for its data set spider; results from memory of Hsieh, Ma and Chao 2016.
	require.InDelta(t, 0.9289, estimate.ChaoJost(estimate.Counts{Draws: 168, Seen: 26, Once: 12, Twice: 4}), 5e-5)
	require.InDelta(t, 0.9446, estimate.ChaoJost(estimate.Counts{Draws: 252, Seen: 37, Once: 14, Twice: 4}), 5e-5)
	require.InDelta(t, 0.9286, estimate.GoodTuring(estimate.Counts{Draws: 168, Seen: 26, Once: 12, Twice: 4}), 5e-5)
}

func TestChao2Published(t *testing.T) {
	// specpool(BCI) of the R package vegan: 225 species on 50 plots, chao 236.3732, standard error
	// 6.54361, jack1 245.58, jack2 247.8722. The package does not print Q1 and Q2; the jackknives
	// give them: jack1 - 225 = Q1·49/50, and jack2 - 225 = Q1·97/50 - Q2·48²/(50·49).
	const q1, q2 = 21, 19
	require.InDelta(t, 245.58, 225+q1*49.0/50, 1e-9)
	require.InDelta(t, 247.8722, 225+q1*97.0/50-q2*48.0*48/(50*49), 5e-5)
	e := estimate.Chao2(50, estimate.Counts{Draws: 100_000, Seen: 225, Once: q1, Twice: q2}, estimate.Classic)
	require.InDelta(t, 236.3732, e.Total, 5e-5)
	require.InDelta(t, 6.54361, e.SD(), 5e-6)

	// By arithmetic: of 500 tags, each met in each of three passes with probability 0.8,
	// 500·3·0.8·0.2² = 48 are expected in one pass, 192 in two and 256 in three; 4 in none. The
	// classic form gives these 4 back without remainder.
	e = estimate.Chao2(3, estimate.Counts{Draws: 48 + 2*192 + 3*256, Seen: 496, Once: 48, Twice: 192}, estimate.Classic)
	require.InDelta(t, 500, e.Total, 1e-9)

	// The corrected form with its variance as in the function SpecInciChao2bc of SpadeR (formula;
	// by hand for T = 4, Q1 = 3, Q2 = 2): 3/4·3·2/6 = 0.75, and 0.75 + 9/16·3·25/36 +
	// 9/16·9·2·4/(4·81).
	e = estimate.Chao2(4, estimate.Counts{Draws: 40, Seen: 12, Once: 3, Twice: 2}, estimate.BiasCorrected)
	require.InDelta(t, 12.75, e.Total, 1e-12)
	require.InDelta(t, 0.75+1.171875+0.125, e.Variance, 1e-12)

	require.InDelta(t, 7.0, estimate.Chao2(1, estimate.Counts{Draws: 7, Seen: 7, Once: 7},
		estimate.BiasCorrected).Total, 0, "one pass tells nothing")
}

func TestChaoJostPasses(t *testing.T) {
	// By arithmetic, as above: 500 tags at 0.8 in each of three passes. Of 1200 meetings 48 were
	// with tags met in one; the next pass would meet 500·0.8 = 400 tags, of which 4·0.8 are new. So
	// the share that is not is 1 - 3.2/400.
	require.InDelta(t, 1-3.2/400, estimate.ChaoJostPasses(3, estimate.Counts{Draws: 1200, Seen: 496, Once: 48, Twice: 192}), 1e-12)
}

func TestChapman(t *testing.T) {
	// By hand, formula from memory: 471·476/451 - 1, and 471·476·20·25/(451²·452).
	e := estimate.Chapman(470, 475, 450)
	require.InDelta(t, 496.11, e.Total, 0.005)
	require.InDelta(t, 1.10, e.SD(), 0.005)
	require.Equal(t, 495, e.Seen)
	require.InDelta(t, 471.0*476/451-1, e.Total, 1e-9)

	e = estimate.Chapman(500, 500, 500)
	require.InDelta(t, 500, e.Total, 0)
	require.Equal(t, estimate.Interval{Low: 500, High: 500}, e.Interval)
}

func TestWilson(t *testing.T) {
	// Newcombe 1998, "Two-sided confidence intervals for the single proportion", Statistics in
	// Medicine 17, table I, method 3 (from memory); the first by the formula.
	for _, c := range []struct {
		hits, n   int
		low, high float64
		within    float64
	}{
		{95, 100, 0.888, 0.978, 5e-4},
		{81, 263, 0.2553, 0.3662, 5e-5},
		{15, 148, 0.0624, 0.1605, 5e-5},
		{0, 20, 0, 0.1611, 5e-5},
		{1, 29, 0.0061, 0.1718, 5e-5},
	} {
		i := estimate.Wilson(c.hits, c.n)
		require.InDelta(t, c.low, i.Low, c.within, "%d of %d", c.hits, c.n)
		require.InDelta(t, c.high, i.High, c.within, "%d of %d", c.hits, c.n)
	}
	require.Equal(t, estimate.Interval{Low: 0, High: 1}, estimate.Wilson(0, 0))
}
