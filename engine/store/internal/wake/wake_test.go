package wake

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func woken(ch <-chan struct{}) bool {
	select {
	case <-ch:
		return true
	default:
		return false
	}
}

func TestWakeReachesOnlyTheWatchersOfThatSite(t *testing.T) {
	var g Group
	a1, doneA1 := g.Watch("a")
	a2, doneA2 := g.Watch("a")
	b, doneB := g.Watch("b")

	g.Wake("a")
	require.True(t, woken(a1))
	require.True(t, woken(a2))
	require.False(t, woken(b))

	a3, doneA3 := g.Watch("a")
	require.False(t, woken(a3), "a watch that starts after the news sleeps")
	doneA1()
	doneA2()
	g.Wake("a")
	require.True(t, woken(a3), "the ends of older watches leave a newer one alone")

	doneA3()
	doneB()
	require.Empty(t, g.sites, "nothing is kept for sites that nobody watches")
}
