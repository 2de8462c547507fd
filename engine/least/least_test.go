package least

import (
	"cmp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Against sorting everything with the standard library.
func TestKeepsTheLeast(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		values := rapid.SliceOf(rapid.IntRange(0, 50)).Draw(rt, "values")
		l := Of[int]{Limit: rapid.IntRange(0, 20).Draw(rt, "limit"), Cmp: cmp.Compare[int]}
		for _, v := range values {
			l.Offer(v)
		}
		want := slices.Sorted(slices.Values(values))
		want = want[:min(len(want), l.Limit)]
		require.Equal(rt, len(want), len(l.Sorted()))
		require.True(rt, slices.Equal(want, l.Sorted()))
	})
}

// Against sorting everything with the standard library.
func TestRange(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		values := rapid.SliceOf(rapid.IntRange(0, 50)).Draw(rt, "values")
		skip, limit := rapid.IntRange(0, 60).Draw(rt, "skip"), rapid.IntRange(0, 60).Draw(rt, "limit")
		want := slices.Sorted(slices.Values(values))
		want = want[min(skip, len(want)):]
		want = want[:min(limit, len(want))]
		require.True(rt, slices.Equal(want, Range(values, skip, limit, cmp.Compare[int])))
	})
}
