package deliver

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
)

// BenchmarkDispatcher sends over loopback to a receiver in the same process, which reads the body
// and answers 204. "memory" has a store that costs nothing; "bolt" stores every outcome durably.
func BenchmarkDispatcher(b *testing.B) {
	for _, kind := range []string{"memory", "bolt"} {
		b.Run(kind, func(b *testing.B) {
			var wg sync.WaitGroup
			recv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				io.Copy(io.Discard, r.Body)
				w.WriteHeader(204)
			}))
			defer recv.Close()
			c := hookChannel("tickets", recv.URL)
			c.MaxInFlight = 16
			r := newRig(b, func(o *Options) {
				o.Log, o.PerChannel = nil, 1<<20
				o.Observe.Settled = func(string, event.Delivery) { wg.Done() }
				if kind == "bolt" {
					bolt, err := boltstore.Open(filepath.Join(b.TempDir(), "data"), boltstore.Options{})
					require.NoError(b, err)
					b.Cleanup(func() { bolt.Close() })
					o.Store = bolt
				}
			}, c)
			stop := r.start(b, "umberhithe")
			var ds []event.Delivery
			for i := range b.N {
				d := message("tickets", fmt.Sprint(i), 1)
				ds = append(ds, d)
			}
			put(b, r, ds)
			b.ReportAllocs()
			b.ResetTimer()
			wg.Add(b.N)
			for part := range slices.Chunk(ds, 16) {
				r.Offer("umberhithe", part)
			}
			wg.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "deliveries/s")
			stop()
		})
	}
}

func put(b *testing.B, r *rig, ds []event.Delivery) {
	if r.opt.Store == Store(r.store) {
		r.store.put("umberhithe", ds...)
		return
	}
	for part := range slices.Chunk(ds, 1000) {
		c := store.Commit{Loose: true}
		for i := range part {
			c.Writes = append(c.Writes, store.Record{Kind: event.KindDelivery, Key: part[i].ID, Value: event.AppendDelivery(nil, &part[i])})
		}
		require.NoError(b, r.opt.Store.Commit(b.Context(), "umberhithe", c))
	}
}

// BenchmarkOfferToReceived measures one message at a time, from Offer until the receiver has it.
func BenchmarkOfferToReceived(b *testing.B) {
	arrived := make(chan time.Time, 1)
	recv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		arrived <- time.Now()
	}))
	defer recv.Close()
	r := newRig(b, func(o *Options) { o.Log = nil }, hookChannel("tickets", recv.URL))
	stop := r.start(b, "umberhithe")
	var took []time.Duration
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		d := message("tickets", fmt.Sprint(n), 1)
		n++
		r.store.put("umberhithe", d)
		start := time.Now()
		r.Offer("umberhithe", []event.Delivery{d})
		took = append(took, (<-arrived).Sub(start))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
	stop()
}
