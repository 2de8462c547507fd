package estimate_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/estimate"
)

func sound(t require.TestingT, e estimate.Estimate) {
	for _, x := range []float64{e.Total, e.Variance, e.Low, e.High, e.SD(), e.Unseen()} {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", e)
		require.GreaterOrEqual(t, x, 0.0, "%+v", e)
	}
	require.GreaterOrEqual(t, e.Total, float64(e.Seen))
	require.GreaterOrEqual(t, e.Low, float64(e.Seen))
	require.GreaterOrEqual(t, e.High, e.Low)
}

func drawCounts(t *rapid.T, most int) estimate.Counts {
	c := estimate.Counts{Once: rapid.IntRange(0, most).Draw(t, "once"), Twice: rapid.IntRange(0, most).Draw(t, "twice")}
	more := rapid.IntRange(0, most).Draw(t, "more")
	c.Seen = c.Once + c.Twice + more
	c.Draws = c.Once + 2*c.Twice + 3*more
	if more > 0 {
		c.Draws += rapid.IntRange(0, 100*most).Draw(t, "draws")
	}
	return c
}

func TestEstimatesAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCounts(t, 5000)
		passes := rapid.IntRange(-1, 100).Draw(t, "passes")
		for _, form := range []estimate.Form{estimate.BiasCorrected, estimate.Classic} {
			for _, e := range []estimate.Estimate{estimate.Chao1(c, form), estimate.Chao1Scaled(c, form), estimate.Chao2(passes, c, form)} {
				sound(t, e)
				if c.Once > 0 {
					require.LessOrEqual(t, e.Low, e.Total)
					require.GreaterOrEqual(t, e.High, e.Total)
				}
			}
		}
		require.GreaterOrEqual(t, estimate.Chao1(c, estimate.BiasCorrected).Total, estimate.Chao1Scaled(c, estimate.BiasCorrected).Total)
		require.GreaterOrEqual(t, estimate.ChaoJost(c)+1e-12, estimate.GoodTuring(c), "Chao and Jost never give less than Good")
		for _, x := range []float64{estimate.GoodTuring(c), estimate.ChaoJost(c), estimate.ChaoJostPasses(passes, c)} {
			require.True(t, x >= 0 && x <= 1, "%v", x)
		}
	})
}

// More tags met once, all else equal, never make the estimate smaller; more met twice never make it
// larger.
func TestEstimatesAreMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCounts(t, 1000)
		up, twice := c, c
		up.Once, up.Seen, up.Draws = c.Once+1, c.Seen+1, c.Draws+1
		twice.Twice, twice.Seen, twice.Draws = c.Twice+1, c.Seen+1, c.Draws+2
		for _, form := range []estimate.Form{estimate.BiasCorrected, estimate.Classic} {
			if form == estimate.Classic && c.Twice == 0 {
				continue // the form changes there
			}
			e := estimate.Chao1(c, form).Unseen()
			require.GreaterOrEqual(t, estimate.Chao1(up, form).Unseen()+1e-9, e)
			require.LessOrEqual(t, estimate.Chao1(twice, form).Unseen(), e+1e-9)
			require.GreaterOrEqual(t, estimate.Chao2(3, c, form).Unseen()+1e-9, estimate.Chao2(2, c, form).Unseen())
		}
	})
}

func TestWilsonAndChapmanAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 100_000).Draw(t, "n")
		hits := rapid.IntRange(0, n).Draw(t, "hits")
		i := estimate.Wilson(hits, n)
		p := float64(hits) / float64(n)
		require.True(t, 0 <= i.Low && i.Low <= p && p <= i.High && i.High <= 1, "%v", i)
		other := estimate.Wilson(n-hits, n)
		require.InDelta(t, i.Low, 1-other.High, 1e-12, "hits and misses mirror each other")

		n1, n2 := rapid.IntRange(0, 5000).Draw(t, "n1"), rapid.IntRange(0, 5000).Draw(t, "n2")
		m := rapid.IntRange(0, min(n1, n2)).Draw(t, "m")
		e := estimate.Chapman(n1, n2, m)
		sound(t, e)
		require.Equal(t, estimate.Chapman(n2, n1, m), e)
		require.InEpsilon(t, float64(n1+1)*float64(n2+1)/float64(m+1), e.Total+1, 1e-9)
	})
}

// Whatever the order in which reads come, the tally and the curve are the same.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reads := rapid.SliceOfN(rapid.IntRange(0, 30), 0, 400).Draw(t, "reads")
		times := rapid.SliceOfN(rapid.Int64Range(-5_000, 3_000_000), 0, 200).Draw(t, "times")
		seed := rapid.Uint64().Draw(t, "seed")
		tally := func() estimate.Tally {
			var tally estimate.Tally
			met := map[int]int{}
			for _, tag := range reads {
				met[tag] = tally.Meet(met[tag])
			}
			return tally
		}
		curve := func() *estimate.Curve {
			c := estimate.NewCurve(1000)
			for _, at := range times {
				c.Add(at, int(at&1), 3)
			}
			return c
		}
		t1, c1 := tally(), curve()
		require.NoError(t, t1.Check())
		r := rand.New(rand.NewPCG(seed, 1))
		r.Shuffle(len(reads), func(i, j int) { reads[i], reads[j] = reads[j], reads[i] })
		r.Shuffle(len(times), func(i, j int) { times[i], times[j] = times[j], times[i] })
		require.Equal(t, t1, tally())
		c2 := curve()
		require.Equal(t, c1.Points(), c2.Points())
		require.Equal(t, c1.Recent, c2.Recent)

		total := map[int]int{}
		for _, tag := range reads {
			total[tag]++
		}
		require.Equal(t, t1, estimate.TallyOf(values(total)...))
	})
}

func values(m map[int]int) []int {
	var list []int
	for _, v := range m {
		list = append(list, v)
	}
	return list
}

// Against what is known: simulated shelves whose number of tags is no secret.
func TestAgainstKnownNumbers(t *testing.T) {
	const tags, runs = 500, 400
	for _, c := range []struct {
		name   string
		passes int
		p      func(*rand.Rand) float64 // chance to be met in one pass, of one tag
		least  float64                  // share of the intervals that hold the true number
	}{
		{"equal tags, three passes", 3, func(*rand.Rand) float64 { return 0.8 }, 0.93},
		{"equal tags, two passes", 2, func(*rand.Rand) float64 { return 0.9 }, 0.93},
		{"equal tags, poor reading", 4, func(*rand.Rand) float64 { return 0.4 }, 0.93},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(7, 52))
			held := 0
			for range runs {
				in := simulate(r, tags, c.passes, c.p)
				a := estimate.Assess(in)
				require.True(t, a.Usable, "%+v", a)
				require.Equal(t, estimate.MethodChao2, a.Method)
				if unseen := tags - a.Distinct; a.Low <= unseen && unseen <= a.High {
					held++
				}
			}
			t.Logf("%.3f of the intervals hold the true number", float64(held)/runs)
			require.GreaterOrEqual(t, float64(held)/runs, c.least)
		})
	}
	t.Run("tags that differ: a lower bound", func(t *testing.T) {
		r := rand.New(rand.NewPCG(7, 52))
		var sum float64
		for range runs {
			a := estimate.Assess(simulate(r, tags, 3, func(r *rand.Rand) float64 { return 0.15 + 0.85*math.Sqrt(r.Float64()) }))
			require.True(t, a.Usable)
			sum += float64(a.Distinct + a.UnseenAtLeast)
		}
		require.Less(t, sum/runs, float64(tags))
		require.Greater(t, sum/runs, 0.97*tags)
	})
}

// simulate makes the passes of a count over tags of which each is met in each pass by chance.
func simulate(r *rand.Rand, tags, passes int, p func(*rand.Rand) float64) estimate.Input {
	met := make([]int, tags)
	for i := range met {
		chance := p(r)
		for range passes {
			if r.Float64() < chance {
				met[i]++
			}
		}
	}
	t := estimate.TallyOf(met...)
	return estimate.Input{Tally: t, Incidence: t, Passes: passes, Expected: -1}
}

func checkAssessment(t require.TestingT, a estimate.Assessment) {
	require.False(t, math.IsNaN(a.Coverage))
	require.True(t, a.Coverage >= 0 && a.Coverage <= 1)
	require.True(t, 0 <= a.Low && a.Low <= a.UnseenAtLeast && a.UnseenAtLeast <= a.High, "%+v", a)
	require.GreaterOrEqual(t, a.Distinct, 0)
	require.GreaterOrEqual(t, a.Expected, -1)
	require.Contains(t, estimate.Reasons(), a.Reason)
	require.Equal(t, a.Usable, a.Reason == estimate.Estimated)
	require.Equal(t, a.Usable, a.Method == estimate.MethodChao1 || a.Method == estimate.MethodChao2)
	require.Equal(t, estimate.Caution, a.Caution)
	require.True(t, strings.HasSuffix(a.Words, "."), a.Words)
	require.Equal(t, 1, strings.Count(a.Words, "."), "one sentence: %s", a.Words)
	require.NotContains(t, strings.ToLower(a.Words), "complete")
	for _, bad := range []string{"NaN", "Inf", "-"} {
		require.NotContains(t, a.Words, bad)
	}
	if !a.Usable {
		require.Zero(t, a.High)
	}
	_, err := json.Marshal(a)
	require.NoError(t, err)
}

// Any input, sound or not, gives an assessment that holds together; the inputs of real counts are
// never called inconsistent.
func TestAssessIsTotal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		passes := rapid.IntRange(0, 6).Draw(t, "passes")
		c := estimate.NewCount(0)
		marks := map[int]estimate.Mark{}
		at := int64(0)
		for p := 0; p <= passes; p++ {
			for _, tag := range rapid.SliceOfN(rapid.IntRange(0, 60), 0, 120).Draw(t, "tags") {
				at += rapid.Int64Range(0, 2000).Draw(t, "ms")
				marks[tag] = c.See(marks[tag], at)
			}
			if p < passes {
				c.EndPass()
			}
		}
		in := c.Input(rapid.IntRange(-1, 100).Draw(t, "expected"), at+rapid.Int64Range(0, 60_000).Draw(t, "later"))
		require.NoError(t, in.Check())
		a := estimate.Assess(in)
		checkAssessment(t, a)
		require.NotEqual(t, estimate.Inconsistent, a.Reason)
		require.Equal(t, len(marks), a.Distinct)

		// Stored and read again it is the same.
		b, err := json.Marshal(c)
		require.NoError(t, err)
		var again estimate.Count
		require.NoError(t, json.Unmarshal(b, &again))
		require.Equal(t, a, estimate.Assess(again.Input(in.Expected, in.At)))
	})
}

func FuzzAssess(f *testing.F) {
	f.Add(1000, 500, 12, 30, 458, 0, 0, 0, 0, int64(60_000), 3, 20, -1)
	f.Add(0, 0, 0, 0, 0, 2, 0, 0, 0, int64(0), 0, 0, 5)
	f.Add(98, 84, 75, 6, 3, 3, 40, 20, 24, int64(math.MaxInt64), math.MaxInt, 1, math.MinInt)
	f.Fuzz(func(t *testing.T, reads, distinct, once, twice, more, passes, q1, q2, q3 int, at int64, newTags, n, expected int) {
		in := estimate.Input{
			Tally: estimate.Tally{Reads: reads, Distinct: distinct, Freq: [estimate.TallyCap]int{0: once, 1: twice,
				estimate.TallyCap - 1: more}},
			Passes: passes, Expected: expected, At: at, Curve: estimate.NewCurve(0),
			Incidence: estimate.Tally{Reads: q1 + 2*q2 + 3*q3, Distinct: q1 + q2 + q3, Freq: [estimate.TallyCap]int{q1, q2, q3}},
		}
		in.Curve.Add(at, newTags, n)
		checkAssessment(t, estimate.Assess(in))
		c := estimate.Counts{Draws: reads, Seen: distinct, Once: once, Twice: twice}
		for _, form := range []estimate.Form{estimate.BiasCorrected, estimate.Classic} {
			sound(t, estimate.Chao1(c, form))
			sound(t, estimate.Chao1Scaled(c, form))
			sound(t, estimate.Chao2(passes, c, form))
		}
		sound(t, estimate.Chapman(reads, distinct, once))
		i := estimate.Wilson(once, reads)
		require.True(t, 0 <= i.Low && i.Low <= i.High && i.High <= 1)
	})
}

// A stored curve that was damaged makes no method panic or return nonsense.
func FuzzCurve(f *testing.F) {
	c := estimate.NewCurve(5)
	c.Add(5000, 3, 10)
	c.Add(900_000, 1, 4)
	seed, err := json.Marshal(c)
	require.NoError(f, err)
	f.Add(seed, int64(901_000))
	f.Add([]byte(`{"width":1000,"end":35184372088832,"bins":[{"new":4},{"new":1}]}`), int64(35184372088000))
	f.Add([]byte(`{"width":-1,"end":-9,"last_new":99,"bins":[{"new":-4}]}`), int64(math.MinInt64))
	f.Fuzz(func(t *testing.T, b []byte, at int64) {
		var c estimate.Curve
		if json.Unmarshal(b, &c) != nil {
			return
		}
		c.Points()
		c.Add(at, 1, 2)
		points := c.Points()
		require.LessOrEqual(t, len(points), estimate.CurveBins)
		require.True(t, slices.IsSortedFunc(points, func(a, b estimate.Point) int { return a.Total - b.Total }))
		n, reads, over := c.Rate(at, 20)
		require.True(t, n >= 0 && reads >= 0 && over >= 1)
		require.GreaterOrEqual(t, c.Quiet(at), int64(0))
	})
}
