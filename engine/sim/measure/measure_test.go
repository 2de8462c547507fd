package measure

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/sim/doors"
)

// The interval's own definition: its ends are the shares p for which the observed one lies z
// standard errors of p away.
func TestWilson(t *testing.T) {
	for _, c := range [][2]int{{1, 10}, {5, 10}, {7, 11}, {3, 1000}, {999, 1000}, {49_999, 50_000}} {
		n, of := float64(c[0]), float64(c[1])
		low, high := wilson(c[0], c[1])
		for _, p := range []float64{low, high} {
			require.InDelta(t, 1.959964, math.Abs(n/of-p)/math.Sqrt(p*(1-p)/of), 1e-6, "%v", c)
		}
		require.Less(t, low, n/of)
		require.Greater(t, high, n/of)
	}
	low, high := wilson(0, 10)
	require.Zero(t, low)
	require.InDelta(t, 0.2775, high, 5e-5, "z^2/(n+z^2)")
	low, high = wilson(0, 0)
	require.Equal(t, []float64{0, 1}, []float64{low, high})
}

func base(t *testing.T) Options {
	r, ok := doors.RegimeByName("base")
	require.True(t, ok)
	return Options{Regimes: []doors.Regime{r}, Seeds: []uint64{1}, Length: 3 * time.Minute, Every: 2 * time.Second}
}

func TestEqualOptionsEqualReports(t *testing.T) {
	o := base(t)
	o.Length = 20 * time.Second
	a, err := Run(o)
	require.NoError(t, err)
	b, err := Run(o)
	require.NoError(t, err)
	require.Equal(t, a, b)
	out, err := a.JSON()
	require.NoError(t, err)
	var back Report
	require.NoError(t, json.Unmarshal(out, &back))
	require.Equal(t, a, back)
}

// The comparison means something only if the baselines do what they are known for: the first read
// finds nearly every exit and cries wolf, and patience does neither.
func TestBaselinesAreWhatTheyAre(t *testing.T) {
	r, err := Run(base(t))
	require.NoError(t, err)
	g := &r.Regimes[0]
	for _, m := range []*Method{&g.Core, &g.First, &g.Patient} {
		require.Equal(t, g.Core.TwoSides.Recall[0].Of, m.TwoSides.Recall[0].Of)
		require.Equal(t, g.Core.TwoSides.False.Of, m.TwoSides.False.Of)
		for k := 1; k < len(within); k++ {
			require.LessOrEqual(t, m.TwoSides.Recall[k-1].N, m.TwoSides.Recall[k].N)
		}
		require.LessOrEqual(t, m.Far.N, m.AtRest.N)
	}
	require.Greater(t, g.Core.TwoSides.Recall[0].Of, 30)
	require.Greater(t, g.First.TwoSides.Recall[last].Value(), 0.9)
	require.Greater(t, g.First.TwoSides.False.Value(), 0.4)
	require.Less(t, g.Patient.TwoSides.False.Value(), g.First.TwoSides.False.Value()/3)
	require.Less(t, g.Patient.AtRest.Value(), g.First.AtRest.Value()/5)
	require.Less(t, g.First.Zone.Value(), g.Core.Zone.Value())
	require.Len(t, r.Worst, 2)
	require.Contains(t, r.String(), "street-door")
}

// The mean of Poisson counts: exact limits from tables, 0: 3.69, 1: 0.0253 to 5.57, 10: 4.80 to
// 18.39 (Garwood, Biometrika 28, 1936; from memory).
func TestRate(t *testing.T) {
	for _, c := range []struct {
		n         int
		low, high float64
	}{{0, 0, 3.69}, {1, 0.0253, 5.57}, {10, 4.80, 18.39}} {
		r := rate(c.n, 1)
		require.InDelta(t, c.low, r.Low, 0.03)
		require.InDelta(t, c.high, r.High, 0.06)
	}
}
