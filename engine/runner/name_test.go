package runner_test

import (
	"bytes"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine/runner"
	"lintel/engine/store/memory"
)

// Two processes with one name are told of it, as long as there are two.
func TestTwoProcessesWithOneName(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		var mu sync.Mutex
		var log bytes.Buffer
		logger := slog.New(slog.NewTextHandler(lockedWriter{&mu, &log}, nil))
		said := func() string {
			mu.Lock()
			defer mu.Unlock()
			return log.String()
		}
		begin := func(node string) (*runner.Runner, *prometheus.Registry) {
			reg := prometheus.NewRegistry()
			r := runner.New(runner.Options{Store: st, Node: node, Log: logger, Metrics: runner.NewMetrics(reg)})
			require.NoError(t, r.Start(t.Context()))
			return r, reg
		}
		first, _ := begin("front")
		other, otherReg := begin("back")
		time.Sleep(time.Minute)
		require.NotContains(t, said(), "the same name")
		second, secondReg := begin("front")
		time.Sleep(4 * time.Second)
		require.NotContains(t, said(), "the same name", "the other one may just have been killed")
		time.Sleep(time.Minute)
		require.Equal(t, 1.0, gauge(t, secondReg, "lintel_node_name_taken"))
		require.Equal(t, 0.0, gauge(t, otherReg, "lintel_node_name_taken"))
		first.Stop()
		time.Sleep(time.Minute)
		require.Equal(t, 0.0, gauge(t, secondReg, "lintel_node_name_taken"))
		second.Stop()
		other.Stop()
		require.Equal(t, 1, strings.Count(said(), "has the same name"), "once an hour is enough")
		require.Contains(t, said(), "node=front")
	})
}
