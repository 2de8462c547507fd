package measure

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// explain prints the report and what went wrong, so that a failure shows why.
func explain(t *testing.T, r Report) {
	t.Log("\n" + r.String())
	for _, a := range r.Astray[:min(8, len(r.Astray))] {
		t.Logf("%s told as %q: %.4f %% of all looks", a.In, a.Told, 100*a.Share)
	}
	for i, c := range slices.Concat(r.Missed, r.False) {
		if i == 20 {
			break
		}
		t.Logf("seed %d, %s, %s: %s", c.Seed, c.EPC, time.UnixMilli(c.At).UTC().Format("15:04:05.000"), c.What)
	}
}

func TestCoreKeepsItsFloors(t *testing.T) {
	r, err := Run(Options{Seeds: []uint64{1, 2}, Length: 6 * time.Minute, Items: 2000, UnpaidPerHour: 400, Silences: true})
	require.NoError(t, err)
	explain(t, r)
	require.Greater(t, r.UnpaidExits, 60)
	require.Greater(t, r.OtherGoods, 200)
	require.Greater(t, r.Core.Recall.Value(), 0.96)
	require.Zero(t, r.Core.FalseAlerts.N)
	require.Less(t, r.Core.DelayMax, 8.0)
	require.Greater(t, r.Core.ZoneAtRest.Value(), 0.99)
	require.Greater(t, r.Core.ZoneAll.Value(), 0.98)
	require.Less(t, r.Core.UntrueMoves, 1.0)
	// The comparison means something only if it is the same shop: the baseline must do what it is known for.
	require.Greater(t, r.Baseline.FalseAlerts.Value(), 0.5)
	require.Greater(t, r.Baseline.UntrueMoves, 10*r.Core.UntrueMoves)
	require.Less(t, r.Baseline.ZoneAtRest.Value(), r.Core.ZoneAtRest.Value())

	b, err := r.JSON()
	require.NoError(t, err)
	var back Report
	require.NoError(t, json.Unmarshal(b, &back))
	require.Equal(t, r.Core, back.Core)
}

func TestEqualOptionsEqualReports(t *testing.T) {
	o := Options{Seeds: []uint64{3, 4}, Length: time.Minute, Items: 1000, UnpaidPerHour: 400}
	a, err := Run(o)
	require.NoError(t, err)
	b, err := Run(o)
	require.NoError(t, err)
	require.Equal(t, a, b)
}

// The aims, on seeds that nothing was tuned on: LINTEL_LONG=1 go test ./engine/sim/measure -run Aims -v -timeout 30m
func TestAims(t *testing.T) {
	if os.Getenv("LINTEL_LONG") == "" {
		t.Skip("takes minutes; set LINTEL_LONG=1")
	}
	o := Defaults()
	o.Seeds = []uint64{101, 102, 103, 104, 105, 106, 107, 108, 109, 110}
	o.Length = 3 * time.Hour
	r, err := Run(o)
	require.NoError(t, err)
	explain(t, r)
	require.GreaterOrEqual(t, r.Core.Recall.Value(), 0.99)
	require.LessOrEqual(t, r.Core.FalseAlerts.Value(), 1e-4)
	require.GreaterOrEqual(t, r.Core.ZoneAtRest.Value(), 0.98)
	require.GreaterOrEqual(t, r.Core.ZoneAll.Value(), 0.98)
}

// The interval's own definition: its ends are the shares p for which the observed one lies z standard errors of p away.
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
