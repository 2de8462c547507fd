package engine

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
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
