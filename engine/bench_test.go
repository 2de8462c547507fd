package engine

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// pinnedRules writes n rules of the kinds that shops have: most about one zone, product or
// category, and the general ones that everybody has.
func pinnedRules(n int) string {
	var b strings.Builder
	b.WriteString(testRules)
	for i := 4; i < n; i++ {
		switch i % 3 {
		case 0:
			fmt.Fprintf(&b, "  - name: rule-%d\n    when: zone.id == \"cabinet-%d\" and item.sellable and "+
				"product.price > 100\n    send: [floor-team]\n", i, i)
		case 1:
			fmt.Fprintf(&b, "  - name: rule-%d\n    when: product.category == \"rare-%d\" and zone.kind == "+
				"\"floor\" and not item.home\n    send: [floor-team]\n", i, i)
		case 2:
			fmt.Fprintf(&b, "  - name: rule-%d\n    when: product.sku == \"UB-%d\" and zone.kind == \"fitting\"\n  "+
				"  hold: 20m\n    send: [floor-team]\n", i, i+1000)
		}
	}
	return b.String()
}

// zoneRuleTexts writes n rules about zones, most about one zone, and the items of one category.
func zoneRuleTexts(n int) string {
	var b strings.Builder
	zones := []string{"shelf-a", "shelf-b", "front-tables", "stockroom"}
	for i := range n {
		switch i % 5 {
		case 0:
			fmt.Fprintf(&b, "  - name: zone-%d\n    about: zone\n    items: item.sellable\n    when: zone.id == %q and items.count > %d\n",
				i, zones[i/5%4], 1_000_000+i)
		case 1:
			fmt.Fprintf(&b, "  - name: zone-%d\n    about: zone\n    within: 10m\n    when: zone.id == %q and items.went > %d\n",
				i, zones[i/5%4], 1_000_000+i)
		default:
			fmt.Fprintf(&b, "  - name: zone-%d\n    about: zone\n    when: zone.id == \"cabinet-%d\" and items.count > 20\n", i, i)
		}
	}
	return b.String()
}

// traffic is batches of 500 reads by handhelds and fixed readers: each batch names 100 tags five
// times (80 % repeats), and one tag in ten is somewhere else than it was.
func traffic(items, batches int) []event.Entry {
	rng := rand.New(rand.NewPCG(1, 2))
	zones := []string{"shelf-a", "shelf-b", "front-tables", "stockroom"}
	log := make([]event.Entry, batches)
	now := opening
	at := make(map[int]int)
	for i := range log {
		now += 40
		e := event.Entry{Seq: uint64(i + 1), Kind: event.EntryReads, At: now, Points: []string{"handheld-1"}, Zones: zones}
		who := make([]int, 100)
		for k := range who {
			who[k] = rng.IntN(items)
			if _, ok := at[who[k]]; !ok || rng.IntN(10) == 0 {
				at[who[k]] = rng.IntN(len(zones))
			}
		}
		for k := range 500 {
			item := who[k%100]
			e.Reads = append(e.Reads, event.Read{Key: bookN(item), Zone: uint16(1 + at[item]),
				RSSI: int16(-700 + rng.IntN(200)), N: 1, T: now - int64(k%40)})
		}
		log[i] = e
	}
	return log
}

func bookN(i int) epc.Key {
	gtin := []uint64{9521234000013, 9521234000020}[i%2]
	return epc.Key{Hi: 1<<60 | gtin, Lo: uint64(i)}
}

// stocked returns a state that already knows the items.
func stocked(tb testing.TB, cfg *Config, items int) (*Machine, uint64) {
	s := NewMachine("umberhithe", cfg)
	seq := uint64(0)
	for i := 0; i < items; i += 500 {
		seq++
		e := event.Entry{Seq: seq, Kind: event.EntryReads, At: opening - 3_600_000, Points: []string{"handheld-1"},
			Zones: []string{"shelf-a", "shelf-b"}}
		for k := i; k < min(items, i+500); k++ {
			e.Reads = append(e.Reads, event.Read{Key: bookN(k), Zone: uint16(1 + k%2), RSSI: -500, N: 1, T: e.At})
		}
		require.NoError(tb, s.Apply(&e, nil))
		s.Batch().Writes()
	}
	return s, seq
}

// BenchmarkFold measures Step and Flush: nanoseconds a read, over the number of items and of rules.
// The budgets: flat over items, and 1,000 rules at most 1.5 times what 10 cost.
func BenchmarkFold(b *testing.B) {
	for _, c := range []struct{ items, rules, zones int }{
		{10_000, 10, 0}, {10_000, 100, 0}, {10_000, 1000, 0}, {100_000, 100, 0}, {1_000_000, 100, 0}, {10_000, 100, 10}, {10_000, 1000, 100},
	} {
		b.Run(fmt.Sprintf("items=%d/rules=%d/zones=%d", c.items, c.rules, c.zones), func(b *testing.B) {
			cfg := testConfig(b, pinnedRules(c.rules-c.zones)+zoneRuleTexts(c.zones))
			s, seq := stocked(b, cfg, c.items)
			log := traffic(c.items, 400)
			// What the stock-up left behind is settled before the clock starts.
			seq++
			require.NoError(b, s.Apply(&event.Entry{Seq: seq, Kind: event.EntryTick, At: opening}, nil))
			s.Batch().Writes()
			runtime.GC()
			reads, facts := 0, 0
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				e := &log[i%len(log)]
				seq++
				e.Seq = seq
				shift := int64(i/len(log)) * 40 * int64(len(log))
				was := e.At
				e.At += shift
				for k := range e.Reads {
					e.Reads[k].T += shift
				}
				if err := s.Apply(e, nil); err != nil {
					b.Fatal(err)
				}
				out := s.Batch()
				out.Writes()
				reads += len(e.Reads)
				facts += len(out.Facts)
				for k := range e.Reads {
					e.Reads[k].T -= shift
				}
				e.At = was
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(reads), "ns/read")
			b.ReportMetric(float64(facts)/float64(reads), "facts/read")
		})
	}
}

// BenchmarkItemMemory measures what an item costs a worker: at most 200 bytes. It is measured once,
// however long the benchmark is asked to run.
func BenchmarkItemMemory(b *testing.B) {
	cfg := testConfig(b, testRules)
	const items = 500_000
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	s, _ := stocked(b, cfg, items)
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/items, "B/item")
	runtime.KeepAlive(s)
}

func BenchmarkDecodeEntry(b *testing.B) {
	log := traffic(10_000, 1)
	data := event.AppendEntry(nil, &log[0])
	var e event.Entry
	b.ReportAllocs()
	b.SetBytes(int64(len(data)))
	for range b.N {
		if err := event.DecodeEntry(data, &e); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/500, "ns/read")
	b.ReportMetric(float64(len(data))/500, "B/read")
}

// BenchmarkDoor measures what a door costs: nanoseconds a read where forty goods lie near it and
// are heard all the time, and where forty are carried through every ten seconds.
func BenchmarkDoor(b *testing.B) {
	for _, carried := range []bool{false, true} {
		b.Run(fmt.Sprintf("carried=%v", carried), func(b *testing.B) {
			cfg := testConfig(b, testRules)
			s, seq := stocked(b, cfg, 1000)
			e := event.Entry{Kind: event.EntryReads, Points: []string{"door-in", "door-out"}}
			now, reads := opening, 0
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N { // a report of 300 ms
				now += 300
				e.Reads = e.Reads[:0]
				step := i % 33 // of ten seconds
				for k := range 40 {
					for n := range 3 {
						level := int16(-680 - k%5*10)
						point := n % 2
						if carried {
							if step > 12 {
								break
							}
							level, point = -700+int16(20*(6-max(step-6, 6-step))), min(1, step/7)
						}
						e.Reads = append(e.Reads, event.Read{Key: bookN(k), Point: uint16(point), RSSI: level, N: 1,
							T: now - int64(280-90*n)})
					}
				}
				seq++
				e.Seq, e.At = seq, now
				if err := s.Apply(&e, nil); err != nil {
					b.Fatal(err)
				}
				out := s.Batch()
				out.Writes()
				reads += len(e.Reads)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(max(1, reads)), "ns/read")
		})
	}
}
