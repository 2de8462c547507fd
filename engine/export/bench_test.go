package export

import (
	"context"
	"flag"
	"log/slog"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/event"
)

var itemsFlag = flag.Int("items", 20_000, "items of the shop that is measured")

// bigRig is a shop with many items on its shelves.
func bigRig(b *testing.B, items int) *rig {
	r := newRig(b)
	zones := []string{"shelf-a", "shelf-b", "shelf-c", "front-tables", "stockroom"}
	const batch = 1000
	for n := 0; n < items; n += batch {
		e := event.Entry{Kind: event.EntryReads, At: r.clock().UnixMilli(), Points: []string{"handheld-1"}, Zones: zones}
		for i := n; i < min(n+batch, items); i++ {
			e.Reads = append(e.Reads, event.Read{Key: book(1+i%3, 1+i), Zone: uint16(1 + i%len(zones)), RSSI: -500, N: 1, T: e.At})
		}
		_, err := r.run.Append(context.Background(), site, &e, "", "")
		require.NoError(b, err)
	}
	require.Eventually(b, func() bool {
		n := 0
		_ = r.site().View(context.Background(), func(st *engine.State) error { n = st.Len(); return nil })
		return n == items
	}, 10*time.Minute, 10*time.Millisecond)
	r.settle()
	return r
}

// peak measures how far the heap grows while f runs, in MB. Between collections a heap grows to
// twice what is live, so that is set aside.
func peak(f func()) float64 {
	runtime.GC()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	stop, top := make(chan struct{}), make(chan uint64)
	go func() {
		var most uint64
		for {
			select {
			case <-stop:
				top <- most
				return
			case <-time.After(20 * time.Millisecond):
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		}
	}()
	f()
	close(stop)
	return max(0, float64(int64(<-top)-int64(before.HeapAlloc))/1e6)
}

// go test -bench CSV -benchtime 3x -args -items 1000000 measures a shop of a million items.
func BenchmarkCSV(b *testing.B) {
	r := bigRig(b, *itemsFlag)
	e, err := New(Options{Dir: filepath.Join(b.TempDir(), "out"), Store: r.store, Runner: r.run, Now: r.clock,
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(b, err)
	b.ReportAllocs()
	rows := 0
	for b.Loop() {
		m, err := e.Export(context.Background())
		require.NoError(b, err)
		rows = 0
		for _, f := range m.Files {
			rows += f.Rows
		}
	}
	b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	b.StopTimer()
	b.ReportMetric(peak(func() { _, _ = e.Export(context.Background()) }), "MB-live")
	b.ReportMetric(longestView(b, r), "ms-held")
}

// longestView measures for how long one page of items keeps the loop waiting.
func longestView(b *testing.B, r *rig) float64 {
	var longest time.Duration
	filter := engine.ItemFilter{}
	for range 10 {
		r.view(func(st *engine.State) {
			began := time.Now()
			list := st.Items(filter, itemsPage)
			longest = max(longest, time.Since(began))
			if len(list) > 0 {
				filter.After = list[len(list)-1].Key
			}
		})
	}
	return float64(longest.Microseconds()) / 1000
}

func databases(b *testing.B, f func(b *testing.B, newDSN func(testing.TB) string)) {
	b.Run("SQLite", func(b *testing.B) { f(b, sqliteDSN) })
	b.Run("PostgreSQL", func(b *testing.B) { f(b, startPostgres(b).database) })
}

// A first copy: facts, and then everything else.
func BenchmarkFirstCopy(b *testing.B) {
	r := bigRig(b, *itemsFlag)
	databases(b, func(b *testing.B, newDSN func(testing.TB) string) {
		b.ReportAllocs()
		rows := 0.0
		for b.Loop() {
			b.StopTimer()
			s := newSink(b, r, newDSN(b))
			b.StartTimer()
			require.NoError(b, s.Sync(context.Background()))
			for _, t := range sqlTables {
				rows += value(b, s.metrics.Rows.WithLabelValues(t.name))
			}
		}
		b.ReportMetric(rows/b.Elapsed().Seconds(), "rows/s")
	})
}

// A comparison that finds no difference, and following what happens.
func BenchmarkFollow(b *testing.B) {
	r := bigRig(b, *itemsFlag)
	databases(b, func(b *testing.B, newDSN func(testing.TB) string) {
		s := newSink(b, r, newDSN(b))
		require.NoError(b, s.Sync(context.Background()))
		b.Run("compare", func(b *testing.B) {
			b.ReportAllocs()
			s.opt.Sweep = 1
			defer func() { s.opt.Sweep = DefaultSweepEvery }()
			for b.Loop() {
				require.NoError(b, s.Sync(context.Background()))
			}
			b.ReportMetric(float64(*itemsFlag)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
		b.Run("facts", func(b *testing.B) {
			b.ReportAllocs()
			before, n := value(b, s.metrics.Rows.WithLabelValues("facts")), 0
			for b.Loop() {
				b.StopTimer()
				r.pass(time.Minute)
				e := event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"shelf-d", "shelf-e"}}
				for i := range 1000 {
					e.Reads = append(e.Reads, event.Read{Key: book(1+i%3, 1+i), Zone: uint16(1 + n%2), RSSI: -500, N: 1,
						T: r.clock().UnixMilli()})
				}
				n++
				r.add(e)
				b.StartTimer()
				require.NoError(b, s.Sync(context.Background()))
			}
			b.ReportMetric((value(b, s.metrics.Rows.WithLabelValues("facts"))-before)/b.Elapsed().Seconds(), "facts/s")
		})
		b.Run("quiet", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				require.NoError(b, s.Sync(context.Background()))
			}
		})
	})
}
