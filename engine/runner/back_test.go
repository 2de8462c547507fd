package runner_test

import (
	"bytes"
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/runner"
	"lintel/engine/store/redisstore"
	"lintel/engine/store/redistest"
)

// A Redis that starts again from a snapshot has less than was folded. That is an error to look at,
// and the site goes on from what there is.
func TestAStoreThatWentBackIsLoggedAndCounted(t *testing.T) {
	server := redistest.Start(t)
	st, err := redisstore.Open(t.Context(), server.URL(), redisstore.Options{Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	defer st.Close()
	var mu sync.Mutex
	var log bytes.Buffer
	metrics := runner.NewMetrics(nil)
	r := runner.New(runner.Options{Store: st, Log: slog.New(slog.NewTextHandler(lockedWriter{&mu, &log}, nil)), Metrics: metrics,
		LeaseTTL: 300 * time.Millisecond})
	require.NoError(t, r.Start(t.Context()))
	defer r.Stop()
	setUp(t, r)
	settle(t, r, st)
	require.NoError(t, server.Client(t).Save(t.Context()).Err())
	for i := range 5 {
		_, err := r.Append(t.Context(), "umberhithe", shelved(i), "", "")
		require.NoError(t, err)
	}
	settle(t, r, st)
	server.Kill()
	server.Restart(t)
	logged := func() string {
		mu.Lock()
		defer mu.Unlock()
		return log.String()
	}
	require.Eventually(t, func() bool {
		return bytes.Contains([]byte(logged()), []byte("level=ERROR msg=\"the store went back in time"))
	}, 30*time.Second, 20*time.Millisecond)
	counted := make(chan prometheus.Metric, 10)
	metrics.WentBack.Collect(counted)
	require.Len(t, counted, 1)
	require.Eventually(t, func() bool {
		_, err := r.Append(context.Background(), "umberhithe", shelved(9), "", "")
		return err == nil
	}, 30*time.Second, 20*time.Millisecond)
	settle(t, r, st)
	s, err := r.Site(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.NoError(t, s.View(t.Context(), func(st *engine.State) error {
		require.Equal(t, 1, st.Len())
		return nil
	}))
}

type lockedWriter struct {
	mu *sync.Mutex
	b  *bytes.Buffer
}

func (w lockedWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}
