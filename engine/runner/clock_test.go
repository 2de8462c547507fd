package runner_test

import (
	"bytes"
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// shifted is a clock that somebody sets wrongly.
type shifted struct{ ahead atomic.Int64 }

func (c *shifted) now() time.Time { return time.Now().Add(time.Duration(c.ahead.Load())) }

// shelvedAt is shelved as the server receives it by its own clock.
func shelvedAt(serial int, now time.Time) *event.Entry {
	e := shelved(serial)
	e.At, e.Reads[0].T = now.UnixMilli(), now.UnixMilli()
	return e
}

func countFacts(t *testing.T, st store.Store) (n int) {
	require.NoError(t, st.Facts(t.Context(), "umberhithe", store.FactID{}, store.FactID{}, 0,
		func(store.FactID, []byte) error { n++; return nil }))
	return n
}

// gauge returns the value of a metric.
func gauge(t *testing.T, reg *prometheus.Registry, name string) float64 {
	families, err := reg.Gather()
	require.NoError(t, err)
	for _, f := range families {
		if f.GetName() == name {
			return f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	t.Fatalf("there is no metric %s", name)
	return 0
}

// A clock that is 31 days ahead for a moment, while the server runs or when it starts, deletes the
// history of a day at most.
func TestAClockThatIsAheadForAMomentKeepsHistory(t *testing.T) {
	for _, restart := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			st := memory.Open()
			defer st.Close()
			var clock shifted
			options := runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Now: clock.now, LeaseTTL: time.Hour}
			r := runner.New(options)
			require.NoError(t, r.Start(t.Context()))
			setUp(t, r)
			for i := range 5 {
				_, err := r.Append(t.Context(), "umberhithe", shelved(i), "", "")
				require.NoError(t, err)
				time.Sleep(24 * time.Hour)
			}
			settle(t, r, st)
			had := countFacts(t, st)
			require.NotZero(t, had)
			if restart {
				r.Stop()
			}
			clock.ahead.Store(int64(31 * 24 * time.Hour))
			if restart {
				r = runner.New(options)
				require.NoError(t, r.Start(t.Context()))
			}
			time.Sleep(70 * time.Second)
			clock.ahead.Store(0)
			time.Sleep(30 * time.Minute)
			require.Equal(t, had, countFacts(t, st))
			time.Sleep(31 * 24 * time.Hour)
			r.Stop()
			require.Zero(t, countFacts(t, st), "what is too old to be kept goes all the same")
		})
	}
}

// While the server's clock is behind the time that the site has seen, holds take as long as they
// always do, also after a restart.
func TestHoldsGoOnWhileTheClockIsBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		var clock shifted
		var log bytes.Buffer
		reg := prometheus.NewRegistry()
		out := &outbox{}
		options := runner.Options{
			Store: st, Deliver: out, Log: slog.New(slog.NewTextHandler(&log, nil)), Now: clock.now, Metrics: runner.NewMetrics(reg),
		}
		r := runner.New(options)
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		_, err := r.SaveDocument(t.Context(), engine.RulesDocument, []byte(`rules:
  - {name: lies, when: zone.id == "shelf-a", hold: 2s, send: [floor-team]}
`), "test", "", -1)
		require.NoError(t, err)
		clock.ahead.Store(int64(time.Hour))
		_, err = r.Append(t.Context(), "umberhithe", shelvedAt(1, clock.now()), "", "")
		require.NoError(t, err)
		time.Sleep(4 * time.Second)
		settle(t, r, st)
		clock.ahead.Store(0)
		lies := func(serial, notified int) {
			time.Sleep(time.Minute)
			_, err = r.Append(t.Context(), "umberhithe", shelvedAt(serial, clock.now()), "", "")
			require.NoError(t, err)
			time.Sleep(time.Second)
			out.has(t, notified-1)
			time.Sleep(1500 * time.Millisecond)
			settle(t, r, st)
			out.has(t, notified)
		}
		lies(2, 2)
		require.InDelta(t, 3600, gauge(t, reg, "lintel_clock_behind_seconds"), 5)
		r.Stop()
		require.Contains(t, log.String(), "the server's clock is behind the site's")
		r = runner.New(options)
		require.NoError(t, r.Start(t.Context()))
		lies(3, 3)
		r.Stop()
	})
}

// carriedOut is one report of a door: an item passes it within two seconds that end at a moment. The
// inner side hears it loudest first.
func carriedOut(serial int, end time.Time) *event.Entry {
	e := &event.Entry{Kind: event.EntryReads, At: end.UnixMilli(), Points: []string{"door-in", "door-out"}}
	for after := int64(0); after < 4000; after += 100 {
		for side, loudest := range []int64{1000, 2200} {
			off := after - loudest
			if level := -500 - 90*off*off/1_000_000; level > -720 {
				e.Reads = append(e.Reads, event.Read{Key: key(serial), Point: uint16(side), RSSI: int16(level), N: 1,
					T: end.UnixMilli() - 4000 + after})
			}
		}
	}
	return e
}

// Doors and zones go on judging what is read after the clock was ahead.
func TestReadsAreJudgedAfterTheClockWasAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		var clock shifted
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Now: clock.now})
		require.NoError(t, r.Start(t.Context()))
		defer r.Stop()
		setUp(t, r)
		isIn := func(serial int, zone string) {
			t.Helper()
			site, err := r.Site(t.Context(), "umberhithe")
			require.NoError(t, err)
			require.NoError(t, site.View(t.Context(), func(s *engine.State) error {
				item, _ := s.Item(key(serial))
				require.Equal(t, zone, item.Zone)
				return nil
			}))
		}
		put := func(e *event.Entry) {
			_, err := r.Append(t.Context(), "umberhithe", e, "", "")
			require.NoError(t, err)
			settle(t, r, st)
		}
		put(shelvedAt(1, time.Now()))
		clock.ahead.Store(int64(time.Hour))
		put(shelvedAt(2, clock.now()))
		time.Sleep(4 * time.Second)
		clock.ahead.Store(0)
		time.Sleep(time.Minute)
		put(carriedOut(1, time.Now()))
		time.Sleep(15 * time.Second)
		settle(t, r, st)
		isIn(1, "street-door")

		time.Sleep(time.Minute)
		till := shelvedAt(2, time.Now())
		till.Zones = []string{"till"}
		put(till)
		isIn(2, "till")
	})
}

// clocked is a store whose clock is 30 s behind.
type clocked struct{ store.Store }

func (clocked) Time(context.Context) (time.Time, error) {
	return time.Now().Add(-30 * time.Second), nil
}

func TestAClockThatDiffersFromTheStoresIsWarnedOf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := clocked{memory.Open()}
		defer st.Close()
		var log bytes.Buffer
		reg := prometheus.NewRegistry()
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.NewTextHandler(&log, nil)), Metrics: runner.NewMetrics(reg)})
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		time.Sleep(10 * time.Minute)
		r.Stop()
		require.InDelta(t, 30, gauge(t, reg, "lintel_clock_ahead_of_store_seconds"), 0.1)
		require.Equal(t, 1, bytes.Count(log.Bytes(), []byte("clock and the store's differ")), "once an hour is enough")
	})
}
