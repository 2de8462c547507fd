package quality_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/quality"
)

func precision(genuine, wrong int) quality.Precision {
	t := quality.Tally{Genuine: genuine, False: wrong, Unclear: 7}
	return t.Precision()
}

// Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3.
func TestPrecisionIsWilsons(t *testing.T) {
	for _, c := range []struct {
		genuine, n int
		low, high  float64
	}{
		{81, 263, 0.2553, 0.3662},
		{15, 148, 0.0624, 0.1605},
		{0, 20, 0, 0.1611},
		{1, 29, 0.0061, 0.1718},
	} {
		p := precision(c.genuine, c.n-c.genuine)
		require.Equal(t, c.n, p.Outcomes, "unclear ones are in neither number")
		require.InDelta(t, c.low, p.Interval.Low, 5e-5)
		require.InDelta(t, c.high, p.Interval.High, 5e-5)
		share, ok := p.Share()
		require.True(t, ok)
		require.InDelta(t, float64(c.genuine)/float64(c.n), share, 1e-15)
	}
	none := precision(0, 0)
	_, ok := none.Share()
	require.False(t, ok)
	require.Equal(t, 0.0, none.Interval.Low)
	require.Equal(t, 1.0, none.Interval.High)
}

func TestWordsClaimNoMoreThanIsKnown(t *testing.T) {
	for _, c := range []struct {
		genuine, wrong int
		want           string
	}{
		{0, 0, "No outcome yet: nothing to say."},
		{1, 0, "1 outcome: too few to say."},
		{3, 0, "3 outcomes: too few to say."},
		{2, 1, "3 outcomes: too few to say."},
		{5, 5, "10 outcomes: too few to say."},
		{17, 3, "Right 17 of 20 times: 85 %, by the 95 % interval 64 % to 95 %."},
		{0, 20, "Right 0 of 20 times: 0 %, by the 95 % interval 0 % to 16 %."},
		{2000, 0, "Right 2000 of 2000 times: 100 %, by the 95 % interval over 99 % to 100 %."},
		{1, 999, "Right 1 of 1000 times: under 1 %, by the 95 % interval under 1 % to 1 %."},
	} {
		require.Equal(t, c.want, precision(c.genuine, c.wrong).Words())
	}
}

// Newcombe 1998, Statistics in Medicine 17:873-890, table II, method 10, 56/70 against 48/80 (from
// memory).
func TestAnEditIsCompared(t *testing.T) {
	c, ok := quality.Compare(precision(48, 32), precision(56, 14))
	require.True(t, ok)
	require.InDelta(t, 0.2, c.Share, 1e-12)
	require.InDelta(t, 0.0524, c.Interval.Low, 5e-5)
	require.InDelta(t, 0.3339, c.Interval.High, 5e-5)
	require.Equal(t, "Better than the version before: right 20 points more often, by the 95 % interval 5 to 33.", c.Words())

	c, ok = quality.Compare(precision(56, 14), precision(48, 32))
	require.True(t, ok)
	require.InDelta(t, -0.3339, c.Interval.Low, 5e-5)
	require.InDelta(t, -0.0524, c.Interval.High, 5e-5)
	require.Equal(t, "Worse than the version before: right 20 points less often, by the 95 % interval 5 to 33.", c.Words())

	c, ok = quality.Compare(precision(2, 2), precision(4, 0))
	require.True(t, ok)
	require.Equal(t, "No difference to the version before can be shown.", c.Words(),
		"four outcomes show nothing, however different they look")

	_, ok = quality.Compare(precision(0, 0), precision(4, 0))
	require.False(t, ok)
	_, ok = quality.Compare(precision(4, 0), precision(0, 0))
	require.False(t, ok)
}

func TestComparingIsSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 300)
		before, now := precision(n.Draw(t, "a"), n.Draw(t, "b")), precision(n.Draw(t, "c"), n.Draw(t, "d"))
		c, ok := quality.Compare(before, now)
		require.Equal(t, before.Outcomes > 0 && now.Outcomes > 0, ok)
		if !ok {
			return
		}
		require.True(t, -1 <= c.Interval.Low && c.Interval.Low <= c.Share && c.Share <= c.Interval.High && c.Interval.High <= 1, "%+v", c)
		back, _ := quality.Compare(now, before)
		require.InDelta(t, c.Share, -back.Share, 1e-12)
		require.InDelta(t, c.Interval.Low, -back.Interval.High, 1e-12)
		same, _ := quality.Compare(now, now)
		require.True(t, same.Interval.Low <= 0 && same.Interval.High >= 0)
	})
}

func delays(seconds ...float64) *quality.Delays {
	d := new(quality.Delays)
	for _, s := range seconds {
		d.Add(int64(s * 1000))
	}
	return d
}

func TestQuantiles(t *testing.T) {
	// By hand, with h = (n-1)p (Hyndman & Fan 1996, type 7): of 1, 2, 3, 4 the 90th percentile is
	// at 2.7, so 3 + 0.7.
	q := delays(4, 1, 3, 2).Quantiles(0.5, 0.9, 0, 1)
	require.InDeltaSlice(t, []float64{2.5, 3.7, 1, 4}, q, 1e-12)
	// The example of numpy.percentile's documentation: the median of 10, 7, 4, 3, 2, 1 is 3.5.
	require.InDelta(t, 3.5, delays(10, 7, 4, 3, 2, 1).Quantiles(0.5)[0], 1e-12)
	require.Equal(t, []float64{42, 42}, delays(42).Quantiles(0.5, 0.9))
	require.Nil(t, delays().Quantiles(0.5))
	require.Equal(t, []float64{0}, delays(-5).Quantiles(0.5), "a clock that was set back makes no negative time")
	require.Equal(t, []float64{1230}, delays(1234).Quantiles(0.5))
	require.Equal(t, []float64{999}, delays(999.4).Quantiles(0.5))
	require.Equal(t, []float64{1000}, delays(999.6).Quantiles(0.5))
}

func TestQuantilesAreThoseOfTheList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.Int64Range(0, 40*24*3600*1000), 1, 200).Draw(t, "ms")
		cut := rapid.IntRange(0, len(times)).Draw(t, "cut")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		var a, b quality.Delays
		for i, ms := range times {
			if i < cut {
				a.Add(ms)
			} else {
				b.Add(ms)
			}
		}
		a.Merge(&b)
		require.Equal(t, len(times), a.Len())
		slices.Sort(times)
		at := p * float64(len(times)-1)
		low, high := float64(times[int(math.Floor(at))])/1000, float64(times[int(math.Ceil(at))])/1000
		want := low + (at-math.Floor(at))*(high-low)
		require.InDelta(t, want, a.Quantiles(p)[0], 0.5+0.006*want, "to half a second or half a percent")
	})
}

func TestDelaysStaySmall(t *testing.T) {
	different := map[string]bool{}
	for ms := int64(1); ms < 1<<60; ms += 1 + ms/5000 {
		different[fmt.Sprint(delays(float64(ms) / 1000).Quantiles(0.5)[0])] = true
	}
	require.Less(t, len(different), 12_000)
}
