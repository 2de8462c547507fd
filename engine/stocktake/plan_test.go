package stocktake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/layout"
)

func TestAZoneBecomesOverdueAndIsCounted(t *testing.T) {
	sh := newShop(t) // opens on Monday, 2 March 2026, at 10:00 UTC
	plan := &layout.Counts{Plan: []layout.Planned{{Zones: []string{"shelf-a"}, Every: 7, By: 21 * 60}}}
	require.EqualValues(t, math.MaxInt64, sh.b.Next())
	sh.b.Plan(plan, time.UTC)
	require.True(t, sh.b.Unseen())
	sh.b.Seen(sh.now)
	require.False(t, sh.b.Unseen())
	first := sh.b.Next()
	require.Equal(t, "2026-03-02 21:00", time.UnixMilli(first).UTC().Format("2006-01-02 15:04"))
	require.Empty(t, sh.b.TakeOverdue(first-1))
	require.Equal(t, []Due{{Zone: "shelf-a", Plan: &plan.Plan[0], At: first, Overdue: true}}, sh.b.TakeOverdue(first))
	require.Empty(t, sh.b.TakeOverdue(first+1), "it was notified")
	require.Equal(t, first+day, sh.b.Next())
	require.Equal(t, 2, sh.b.TakeOverdue(first + 2*day + 1)[0].Days)
	require.Equal(t, first+3*day, sh.b.Next(), "once a day, also after a night in which nothing ran")

	sh.now = first + 2*day + 5000
	id := sh.open(event.Count{}, shelfA)
	sh.now += 1000
	sh.do("close", id)
	changed := sh.b.TakeOverdue(sh.now)
	require.Len(t, changed, 1)
	require.False(t, changed[0].Overdue)
	require.Equal(t, "2026-03-11 21:00", time.UnixMilli(sh.b.Next()).UTC().Format("2006-01-02 15:04"))
	require.Equal(t, sh.now, sh.b.Due(sh.now)[0].Last)

	sh.now += 1000
	id = sh.open(event.Count{Delivery: true}, shelfA)
	last := sh.b.Due(sh.now)[0].Last
	sh.now += 1000
	sh.do("close", id)
	require.Equal(t, last, sh.b.Due(sh.now)[0].Last, "checking a delivery counts no shelf")

	sh.b.TakeOverdue(first + 40*day)
	sh.b.Plan(&layout.Counts{}, time.UTC)
	sh.b.Seen(sh.now)
	changed = sh.b.TakeOverdue(first + 40*day)
	require.Len(t, changed, 1, "what is not planned any more is not overdue")
	require.False(t, changed[0].Overdue)
}

// Counts that earlier versions closed left no record of their zones: it follows from the counts.
func TestZonesOfEarlierVersions(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1))
	id := sh.open(event.Count{}, shelfA, shelfB)
	sh.now += 1000
	sh.do("close", id)
	var b Book
	sh.b.Flush(func(kind, key string, value []byte) {
		if kind == event.KindCount {
			require.NoError(t, b.Load(kind, key, value))
		}
	})
	b.Plan(&layout.Counts{Plan: []layout.Planned{{Zones: []string{"shelf-b"}, Every: 1}}}, time.UTC)
	b.Loaded(func(string) uint16 { return shelfA })
	require.False(t, b.Unseen())
	require.Equal(t, sh.now, b.Due(sh.now)[0].Last)
}
