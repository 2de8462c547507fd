package engine

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

func books(n int) (list []epc.Key) {
	for i := range n {
		list = append(list, book(1, i+1))
	}
	return list
}

func (sh *shop) zoneOf(k epc.Key) string {
	info, ok := sh.s.Item(k)
	require.True(sh.t, ok)
	return info.Zone
}

// count counts facts of a cause.
func (sh *shop) count(c event.Cause) (n int) {
	for _, f := range sh.facts {
		if f.Cause == c {
			n++
		}
	}
	return n
}

// A handheld that is swept along one shelf hears the shelf behind it too. What it hears more weakly
// than goods of the shelf that it is at stays where it was counted, until nobody has confirmed it
// there for long.
func TestAHandheldLeavesWhatItHearsFromAfar(t *testing.T) {
	sh := newShop(t, testRules)
	mine, other := books(20), []epc.Key{book(2, 1), book(2, 2), book(2, 3)}
	sh.shelve("shelf-b", other...)
	sweep := func(far float64) {
		for range 10 {
			sh.readIn("handheld-1", "shelf-a", -50, mine...)
			sh.readIn("handheld-1", "shelf-a", far, other...)
			sh.pass(time.Second)
		}
	}
	sh.shelve("shelf-a", mine...)
	sweep(-62)
	require.Equal(t, "shelf-b", sh.zoneOf(other[0]), "from afar")
	sh.readIn("handheld-1", "shelf-a", -52, other[0])
	sh.step(event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"shelf-a"},
		Reads: []event.Read{{Key: other[1], Zone: 1, RSSI: event.NoRSSI, N: 1, T: sh.now}}})
	require.Equal(t, "shelf-a", sh.zoneOf(other[0]), "as well as the others")
	require.Equal(t, "shelf-a", sh.zoneOf(other[1]), "without a strength a person's word holds")
	sh.pass(37 * time.Hour)
	sweep(-62)
	require.Equal(t, "shelf-a", sh.zoneOf(other[2]), "nobody has confirmed it for long")
}

func TestASlowReaderIsNotDeaf(t *testing.T) {
	// It reports every six seconds. What is taken away leaves.
	sh := newShop(t, testRules)
	keys := books(8)
	for range 40 {
		sh.read("shelf-a-1", -55, keys...)
		sh.pass(6 * time.Second)
	}
	n := sh.count(event.Left)
	for range 40 {
		sh.read("shelf-a-1", -55, keys[1:]...)
		sh.pass(6 * time.Second)
	}
	require.Equal(t, n+1, sh.count(event.Left))
	require.Empty(t, sh.zoneOf(keys[0]))
}

func TestBadlyHeardItemFlapsOnce(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -68, 3, k)
	n := len(sh.facts)
	for range 30 { // a read every 70 seconds
		sh.pass(70 * time.Second)
		sh.read("shelf-a-1", -72, k)
		sh.read("shelf-a-1", -72, book(1, 2))
		sh.pass(time.Second)
		sh.read("shelf-a-1", -72, k)
	}
	lefts := 0
	for _, f := range sh.facts[n:] {
		if f.Cause == event.Left && f.Key == k {
			lefts++
		}
	}
	require.Equal(t, 1, lefts, "from then on it is held where it is heard")
	require.Equal(t, "shelf-a", sh.zoneOf(k))
	// Being heard elsewhere, clearly, still moves it.
	sh.stand("shelf-b-1", -55, 40, k)
	require.Equal(t, "shelf-b", sh.zoneOf(k))
}

// Items at a border, in session S1: each is heard in one epoch of four, by the one reader or, 5 dB
// weaker, by the other. An hour, seeded.
func TestBordersDoNotFlap(t *testing.T) {
	sh := newShop(t, testRules)
	rng := rand.New(rand.NewPCG(3, 4))
	keys := books(20)
	for range 3600 {
		for _, k := range keys {
			switch x := rng.Float64(); {
			case x < 0.25:
				sh.read("shelf-a-1", -60+3*rng.NormFloat64(), k)
			case x < 0.37:
				sh.read("shelf-b-1", -65+3*rng.NormFloat64(), k)
			}
		}
		sh.pass(time.Second)
	}
	moves := sh.count(event.Arrived) + sh.count(event.Left)
	require.GreaterOrEqual(t, moves, 20)
	require.LessOrEqual(t, moves, 30, "20 first arrivals, and at most one move in two hours and items")
	for _, k := range keys {
		require.Equal(t, "shelf-a", sh.zoneOf(k))
	}
}

// What is known of a deaf reader and of badly heard items outlives the evidence, so it must come
// back from records.
func TestLoadingWhileDeafChangesNothing(t *testing.T) {
	sh := newShop(t, testRules)
	keys := books(8)
	sh.stand("shelf-a-1", -55, 20, keys...)
	sh.read("shelf-b-1", -60, book(2, 9))
	for range 3 { // heard badly
		sh.pass(70 * time.Second)
		sh.stand("tables-1", -70, 2, book(2, 9))
	}
	for range 120 { // longer than evidence lasts
		sh.read("shelf-b-1", -54, keys...)
		sh.pass(1700 * time.Millisecond)
	}
	for range 30 {
		sh.read("shelf-a-1", -55, keys[:4]...)
		sh.read("shelf-b-1", -54, keys[4:]...)
		sh.pass(time.Second)
	}
	s, rec := NewMachine("umberhithe", sh.cfg), records{}
	for i := range sh.log {
		e := sh.log[i]
		require.NoError(t, s.Apply(&e, nil))
		if i%5 == 0 {
			rec.commit(s)
			was := dumped(s)
			s = rec.load(t, sh.cfg, sh.log)
			require.Equal(t, was, dumped(s), "loaded after entry %d", i+1)
		}
	}
	require.Equal(t, sh.s.Digest(), s.Digest())
}

// In session S2 a tag that was read keeps quiet, so a reader hears it once in a while at most.
func TestOneReadPlacesWhereTagsKeepQuiet(t *testing.T) {
	for _, c := range []struct {
		point  string
		placed bool
	}{
		{`"session":"S2","min_reads":1`, true},
		{`"session":"S2"`, true},
		{`"session":"S3"`, true},
		{`"session":"S2","min_reads":2`, false},
		{`"min_reads":1`, true},
		{`"session":"S1"`, false}, // two within the window
	} {
		sh := newShop(t, "rules: []")
		l, err := layout.Parse([]byte(`{"site":"umberhithe","time_zone":"UTC","zones":[{"id":"shelf-a","kind":"shelf"}],"read_points":[{"id":"shelf-a-1","role":"fixed","zone":"shelf-a",` + c.point + `}]}`))
		require.NoError(t, err)
		sh.cfg = &Config{Layout: l, Catalog: sh.cfg.Catalog, Rules: sh.cfg.Rules}
		sh.s = NewMachine("umberhithe", sh.cfg)
		var arrived int
		for range 20 {
			sh.read("shelf-a-1", -50, book(1, 1))
			sh.now += 40_000
		}
		for _, f := range sh.facts {
			if f.Cause == event.Arrived {
				arrived++
			}
		}
		it, ok := sh.s.Item(book(1, 1))
		require.True(t, ok)
		if c.placed {
			require.NotZero(t, arrived, c.point)
		} else {
			require.Zero(t, arrived, c.point)
		}
		if c.placed && strings.Contains(c.point, "session") {
			require.Equal(t, "shelf-a", it.Zone, c.point)
		}
	}
}

// A declaration that comes too late to be evidence is on record all the same: what moves the item
// later depends on it.
func TestLateDeclarationsAreKept(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.read("till-1", -45, k)
	sh.pass(200 * time.Second)
	sh.read("shelf-a-1", -70, k)
	rec := records{}
	rec.commit(sh.s)
	sh.step(event.Entry{Kind: event.EntryReads, Points: []string{"till-1"},
		Reads: []event.Read{{Key: k, RSSI: -450, N: 1, T: sh.now - 120_000}}})
	for range 10 { // until that batch is no part of the journal's tail any more
		sh.pass(40 * time.Second)
		sh.read("shelf-a-1", -80, k)
	}
	rec.commit(sh.s)
	was := dumped(sh.s)
	require.Equal(t, was, dumped(rec.load(t, sh.cfg, sh.log)))
}
