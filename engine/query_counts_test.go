package engine

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epc"
	"lintel/engine/event"
)

func TestProgressOfACount(t *testing.T) {
	sh := newShop(t, testRules)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1), book(1, 2), book(1, 3))
	sh.pass(2 * time.Minute)
	id := sh.command("open", "", 1, "shelf-a", "shelf-b")
	p, ok := sh.s.CountProgress(id)
	require.True(t, ok)
	require.Equal(t, 3, p.ExpectedItems)
	require.Zero(t, p.Found+p.PassesEnded+p.Distinct)
	require.Nil(t, p.Expected)

	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -50, book(1, 1), book(1, 2), book(2, 7))
	sh.pass(time.Second)
	sh.countReads(id, "shelf-b", -60, book(1, 1)) // in both zones: one tag
	sh.command("pass", id, 0)
	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -50, book(1, 1))
	p, _ = sh.s.CountProgress(id)
	require.Equal(t, Histogram{2, 0, 1}, p.Repeats, "the two heard once, and the one heard three times in two zones")
	require.Equal(t, 1, p.PassesEnded)
	require.Equal(t, Histogram{3}, p.InPasses, "the pass that goes on is left out")
	require.Equal(t, 2, p.Found)
	require.Equal(t, 3, p.Distinct)
	require.Equal(t, 5, p.Reads)

	sh.pass(time.Second)
	sh.command("close", id, 0)
	p, ok = sh.s.CountProgress(id)
	require.True(t, ok, "it may be opened again")
	require.Equal(t, 2, p.PassesEnded)
	require.Equal(t, Histogram{2, 1}, p.InPasses)
	status, zones, ok := sh.s.CountStatus(id)
	require.True(t, ok)
	require.Equal(t, event.CountClosed, status)
	require.Equal(t, []string{"shelf-a", "shelf-b"}, zones)

	sh.command("open", "", 1, "shelf-a")
	_, ok = sh.s.CountProgress(id)
	require.False(t, ok, "a newer count of the zone ends it")
	_, _, ok = sh.s.CountStatus(id)
	require.False(t, ok)
}

func TestProgressOfADelivery(t *testing.T) {
	sh := newShop(t, testRules)
	sh.step(event.Entry{Kind: event.EntryCount, By: "bay", Command: event.CountCommand{
		Do: "open", Zones: []string{"stockroom"}, Delivery: true, Tags: []event.Tag{{Key: book(1, 50)}, {Key: book(1, 51)}}, Papers: []event.Line{{GTIN: 9521234000020, Count: 2}},
	}})
	id := event.CountID("quayside", sh.s.Seq())
	sh.pass(time.Second)
	sh.countReads(id, "stockroom", -50, book(1, 50), book(1, 99), book(2, 60), book(2, 61), book(2, 62))
	p, _ := sh.s.CountProgress(id)
	require.Equal(t, 4, p.ExpectedItems)
	require.Equal(t, 3, p.Found, "one by its name, two of three by their product")
	require.Equal(t, 5, p.Distinct)
}

// TestProgressAgreesWithPlainCounting tells the same story twice: once to a count, once to maps.
func TestProgressAgreesWithPlainCounting(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		sh := newShop(t, "rules: []")
		sh.readIn("handheld-1", "shelf-a", -50, book(1, 1), book(1, 2), book(1, 3), book(1, 4))
		sh.pass(2 * time.Minute)
		id := sh.command("open", "", 1, "shelf-a", "shelf-b")
		reads, passes := map[epc.Key]int{}, map[epc.Key]map[int]bool{}
		pass := 1
		for range rapid.IntRange(0, 60).Draw(rt, "steps") {
			sh.pass(time.Second)
			if rapid.IntRange(0, 9).Draw(rt, "what") == 0 && pass < 15 {
				sh.command("pass", id, 0)
				pass++
				continue
			}
			k := book(1, rapid.IntRange(1, 8).Draw(rt, "tag"))
			sh.countReads(id, rapid.SampledFrom([]string{"shelf-a", "shelf-b"}).Draw(rt, "zone"), -50, k)
			reads[k]++
			if passes[k] == nil {
				passes[k] = map[int]bool{}
			}
			passes[k][pass] = true
		}
		var wantReads, wantPasses Histogram
		found := 0
		for k, n := range reads {
			wantReads.add(n)
			before := 0
			for p := range passes[k] {
				if p < pass {
					before++
				}
			}
			wantPasses.add(before)
			for i := 1; i <= 4; i++ {
				if k == book(1, i) {
					found++
				}
			}
		}
		digest := sh.s.Digest()
		p, ok := sh.s.CountProgress(id)
		require.True(rt, ok)
		require.Equal(rt, digest, sh.s.Digest(), "asking changes nothing")
		require.Equal(rt, wantReads, p.Repeats)
		require.Equal(rt, wantPasses, p.InPasses)
		require.Equal(rt, found, p.Found)
		require.Equal(rt, len(reads), p.Distinct)
		require.Equal(rt, pass-1, p.PassesEnded)
	})
}

func BenchmarkCountProgress(b *testing.B) {
	cfg := testConfig(b, testRules)
	const tags = 100_000
	s, seq := stocked(b, cfg, tags)
	step := func(e event.Entry) {
		seq++
		e.Seq = seq
		require.NoError(b, s.Apply(&e, nil))
	}
	step(event.Entry{Kind: event.EntryCount, At: opening, Command: event.CountCommand{Do: "open", Zones: []string{"shelf-a", "shelf-b"}}})
	id := event.CountID("quayside", seq)
	for i := 0; i < tags; i += 500 {
		e := event.Entry{Kind: event.EntryReads, At: opening + int64(i), Points: []string{"handheld-1"}, Zones: []string{"shelf-a", "shelf-b"}, Count: id}
		for k := i; k < i+500; k++ {
			e.Reads = append(e.Reads, event.Read{Key: bookN(k), Zone: uint16(1 + k%2), RSSI: -550, N: 1, T: e.At})
		}
		step(e)
	}
	b.ReportAllocs()
	for b.Loop() {
		if p, _ := s.CountProgress(id); p.Distinct != tags {
			b.Fatal(p.Distinct)
		}
	}
}
