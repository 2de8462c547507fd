package engine

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

func (sh *shop) command(do, id string, missingAfter int, zones ...string) string {
	sh.step(event.Entry{Kind: event.EntryCount, By: "floor", Command: event.CountCommand{Do: do, ID: id, Zones: zones,
		MissingAfter: missingAfter}})
	if do == "open" {
		return event.CountID("umberhithe", sh.s.Seq())
	}
	return id
}

func (sh *shop) countReads(id, zone string, rssi float64, keys ...epc.Key) {
	e := event.Entry{Kind: event.EntryReads, At: sh.now, Points: []string{"handheld-1"}, Zones: []string{zone}, Count: id}
	for _, k := range keys {
		e.Reads = append(e.Reads, event.Read{Key: k, Zone: 1, RSSI: int16(rssi * 10), N: 1, T: sh.now})
	}
	sh.step(e)
}

func (sh *shop) result() event.CountResult {
	var last event.CountResult
	for _, c := range sh.s.flush() {
		if c.Kind == event.KindResult {
			r, err := event.DecodeCountResult(c.Value)
			require.NoError(sh.t, err)
			last = r
		}
	}
	return last
}

func findings(r event.CountResult) map[string]int {
	m := map[string]int{}
	for _, d := range r.Differences {
		m[d.Finding.String()]++
	}
	return m
}

func TestCountReconciles(t *testing.T) {
	sh := newShop(t, testRules)
	here := []epc.Key{book(1, 1), book(1, 2), book(1, 3), book(1, 4)}
	elsewhere, sold, fresh := book(2, 9), book(1, 20), book(2, 30)
	sh.readIn("handheld-1", "shelf-a", -50, here...)
	sh.readIn("handheld-1", "shelf-b", -50, elsewhere)
	sh.readIn("handheld-1", "shelf-a", -50, sold)
	sh.pass(time.Second)
	sh.event(event.EventSold, "till", sold)
	sh.pass(2 * time.Minute)

	id := sh.command("open", "", 2, "shelf-a")
	n := len(sh.facts)
	for range 3 {
		sh.pass(time.Second)
		sh.countReads(id, "shelf-a", -55, here[0], here[1], elsewhere, sold, fresh)
	}
	require.Len(t, sh.facts, n, "nothing moves until the count closes")
	sh.pass(time.Second)
	sh.command("close", id, 0)
	r := sh.result()
	require.Equal(t, 4, r.Expected)
	require.Equal(t, 2, r.Matched)
	require.Equal(t, 2, r.Missing)
	require.Equal(t, 3, r.Unexpected)
	require.Equal(t, map[string]int{"moved_here": 1, "new_here": 1, "sold_but_present": 1, "missed_once": 2}, findings(r))
	require.InDelta(t, 2.0/7, r.ItemAccuracy(), 1e-9)
	require.Contains(t, sh.told(n), "arrived shelf-a from shelf-b")
	for _, f := range sh.facts[n:] {
		require.NotEqual(t, event.Missing, f.Cause, "one miss is no missing item")
	}

	// Missed a second time it is told, and is no stock any more; found later it is told again.
	n = len(sh.facts)
	id = sh.command("open", "", 2, "shelf-a")
	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -55, here[0], elsewhere, fresh)
	sh.pass(time.Second)
	sh.command("close", id, 0)
	r = sh.result()
	require.Equal(t, map[string]int{"missed_once": 1, "missing": 2}, findings(r))
	require.Contains(t, sh.told(n), "missing from shelf-a")
	n = len(sh.facts)
	sh.pass(time.Minute)
	sh.readIn("handheld-1", "shelf-b", -50, here[3])
	require.Equal(t, []string{"arrived shelf-b", "found shelf-b", "stock shelf-b=1"}, sh.told(n))
}

func TestCountReopensForASecondPass(t *testing.T) {
	sh := newShop(t, testRules)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1), book(1, 2))
	sh.pass(2 * time.Minute)
	id := sh.command("open", "", 1, "shelf-a")
	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -50, book(1, 1))
	sh.pass(time.Second)
	sh.command("close", id, 0)
	require.Equal(t, 1, findings(sh.result())["missing"])
	sh.command("reopen", id, 0)
	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -50, book(1, 2))
	sh.pass(time.Second)
	sh.command("close", id, 0)
	r := sh.result()
	require.Equal(t, 2, r.Matched)
	require.Equal(t, 0, r.Missing)
	require.Equal(t, 1, findings(r)["found_again"])
}

func TestCountAccuracyRule(t *testing.T) {
	sh := newShop(t, testRules+"  - name: poor-count\n    about: count\n    when: count.accuracy < 0.95\n    say: "+
		"\"{count.missing} of {count.expected} missing\"\n    send: [floor-team]\n")
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1), book(1, 2))
	sh.pass(2 * time.Minute)
	id := sh.command("open", "", 1, "shelf-a")
	sh.pass(time.Second)
	sh.countReads(id, "shelf-a", -50, book(1, 1))
	sh.command("close", id, 0)
	require.Contains(t, sh.alerts(), "poor-count opened")
	require.Equal(t, "1 of 2 missing", sh.chgs[len(sh.chgs)-1].Alert.Say)
}

// BenchmarkCountFold measures count reads: 100,000 tags in batches of 500 with 20-fold repeats; the
// budget is that of any read.
func BenchmarkCountFold(b *testing.B) {
	cfg := testConfig(b, testRules)
	const tags = 100_000
	for range b.N {
		s := NewMachine("umberhithe", cfg)
		seq := uint64(1)
		require.NoError(b, s.Apply(&event.Entry{Seq: seq, Kind: event.EntryCount, At: opening,
			Command: event.CountCommand{Do: "open", Zones: []string{"shelf-a"}}}, nil))
		id := event.CountID("umberhithe", 1)
		reads := 0
		e := event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Count: id}
		for i := 0; i < tags; i += 25 {
			seq++
			e.Seq, e.At, e.Reads = seq, opening+int64(i), e.Reads[:0]
			for k := range 500 {
				e.Reads = append(e.Reads, event.Read{Key: bookN(i + k%25), RSSI: -550, N: 1, T: e.At - int64(20-k/25)})
			}
			if err := s.Apply(&e, nil); err != nil {
				b.Fatal(err)
			}
			out := s.Batch()
			out.Writes()
			reads += 500
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(reads), "ns/read")
	}
}

// BenchmarkCountClose measures closing a count of 100,000 expected items, beside a plain difference
// of two maps in the same run.
func BenchmarkCountClose(b *testing.B) {
	cfg := testConfig(b, testRules)
	const tags = 100_000
	setUp := func() *Machine {
		s, seq := stocked(b, cfg, tags)
		step := func(e event.Entry) {
			seq++
			e.Seq = seq
			require.NoError(b, s.Apply(&e, nil))
		}
		step(event.Entry{Kind: event.EntryCount, At: opening, Command: event.CountCommand{Do: "open",
			Zones: []string{"shelf-a", "shelf-b"}}})
		id := event.CountID("umberhithe", seq)
		for i := 0; i < tags*98/100; i += 500 {
			e := event.Entry{Kind: event.EntryReads, At: opening + int64(i), Points: []string{"handheld-1"},
				Zones: []string{"shelf-a", "shelf-b"}, Count: id}
			for k := i; k < i+500; k++ {
				e.Reads = append(e.Reads, event.Read{Key: bookN(k), Zone: uint16(1 + k%2), RSSI: -550, N: 1, T: e.At})
			}
			step(e)
		}
		s.Batch().Writes()
		return s
	}
	b.Run("plain-map-difference", func(b *testing.B) {
		for range b.N {
			b.StopTimer()
			want, got := make(map[string]bool, tags), make(map[string]bool, tags)
			for i := range tags {
				want[fmt.Sprint(i)] = true
				if i < tags*98/100 {
					got[fmt.Sprint(i)] = true
				}
			}
			b.StartTimer()
			missing := 0
			for k := range want {
				if !got[k] {
					missing++
				}
			}
			if missing == 0 {
				b.Fatal("nothing missing")
			}
		}
	})
	b.Run("close-and-reconcile", func(b *testing.B) {
		for range b.N {
			b.StopTimer()
			s := setUp()
			id := event.CountID("umberhithe", tags/500+1)
			b.StartTimer()
			e := event.Entry{Seq: s.seq + 1, Kind: event.EntryCount, At: opening + tags, Command: event.CountCommand{Do: "close", ID: id}}
			if err := s.Apply(&e, nil); err != nil {
				b.Fatal(err)
			}
			out := s.Batch()
			out.Writes()
		}
	})
}

func TestDeliveryAgainstItsPapers(t *testing.T) {
	sh := newShop(t, testRules)
	named, absent := book(1, 50), book(1, 51)
	sh.step(event.Entry{Kind: event.EntryCount, By: "bay", Command: event.CountCommand{
		Do: "open", Zones: []string{"stockroom"}, Delivery: true, Tags: []event.Tag{{Key: named}, {Key: absent}},
		Papers: []event.Line{{GTIN: 9521234000020, Count: 3}},
	}})
	id := event.CountID("umberhithe", sh.s.Seq())
	sh.pass(time.Second)
	sh.countReads(id, "stockroom", -50, named, book(2, 60), book(2, 61), book(1, 99))
	sh.pass(time.Second)
	sh.command("close", id, 0)
	r := sh.result()
	require.Equal(t, map[string]int{"not_delivered": 1, "not_on_papers": 1}, findings(r))
	require.Equal(t, []int{5, 3, 2, 1}, []int{r.Expected, r.Matched, r.Missing, r.Unexpected})
	require.Equal(t, []event.ProductLine{{GTIN: 9521234000013, Expected: 2, Found: 2},
		{GTIN: 9521234000020, Expected: 3, Found: 2}}, r.Products)
	it := sh.s.item(sh.s.find(book(2, 60)))
	require.Equal(t, event.SellableNotAccessible, it.Disposition)
	received := 0
	for _, f := range sh.facts {
		if f.Cause == event.Received {
			received++
		}
	}
	require.Equal(t, 4, received)
}

// A hold makes no sense for a count, whose result stays as it is; it must not silence the rule,
// though.
func TestAHoldDoesNotSilenceARuleAboutCounts(t *testing.T) {
	sh := newShop(t, "rules: []\n")
	doc, _ := rules.Parse("rules.yaml", []byte("rules: [{name: poor-count, about: count, when: count.missing > 0, hold: 5m}]\n"))
	set, found := rules.Compile(doc, rules.Known{})
	require.Len(t, found, 1, "a warning")
	cfg := *sh.cfg
	cfg.Rules = set
	sh.cfg, sh.s = &cfg, NewMachine("umberhithe", &cfg)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1))
	sh.pass(time.Second)
	id := sh.command("open", "", 1, "shelf-a")
	sh.pass(time.Second)
	sh.command("close", id, 0)
	require.Equal(t, []string{"poor-count opened"}, sh.alerts())
}
