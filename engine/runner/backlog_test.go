package runner

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// What waits grows older when it is asked, though nothing is processed meanwhile.
func TestLagGrowsWhileNothingIsProcessed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, _, _, end := openSlow(t, time.Minute)
		defer end()
		reg := prometheus.NewRegistry()
		reg.MustRegister(r)
		value := func(name string) float64 {
			families, err := reg.Gather()
			require.NoError(t, err)
			for _, f := range families {
				if f.GetName() == name {
					return f.Metric[0].GetGauge().GetValue()
				}
			}
			t.Fatalf("no %s", name)
			return 0
		}
		time.Sleep(10 * time.Minute)
		require.Zero(t, value("lintel_processing_lag_seconds"))
		require.Zero(t, value("lintel_site_halted"))
		require.Zero(t, value("lintel_readers_silent"))
		_, err := r.Append(t.Context(), "umberhithe", &event.Entry{Kind: event.EntryTick, At: time.Now().UnixMilli()}, "", "")
		require.NoError(t, err)
		time.Sleep(30 * time.Second)
		require.InDelta(t, 30, value("lintel_processing_lag_seconds"), 1)
		time.Sleep(20 * time.Second)
		require.InDelta(t, 50, value("lintel_processing_lag_seconds"), 1)
		time.Sleep(5 * time.Minute)
		require.Zero(t, value("lintel_processing_lag_seconds"))
	})
}

func TestBacklog(t *testing.T) {
	now := time.UnixMilli(100_000)
	var b backlog
	b.arrived(5, 90_000)
	b.arrived(6, 95_000)
	require.Equal(t, 10*time.Second, b.lag(now))
	b.processed(5, 90_000)
	require.Equal(t, 10*time.Second, b.lag(now), "the next one is no older")
	b.processed(6, 95_000)
	require.Zero(t, b.lag(now))
	b.arrived(6, 95_000) // noted after it was processed
	require.Zero(t, b.lag(now))
	b.arrived(9, 99_000)
	b.forget()
	require.Zero(t, b.lag(now))
	b.arrived(2, 98_000)
	require.Equal(t, 2*time.Second, b.lag(now))
}
