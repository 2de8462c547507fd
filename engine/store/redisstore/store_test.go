package redisstore

import (
	"context"
	"log/slog"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
	"lintel/engine/store/storetest"
)

func TestMain(m *testing.M) {
	slog.SetDefault(slog.New(slog.DiscardHandler)) // the servers of most tests keep nothing on their disks
	goleak.VerifyTestMain(m)
}

func TestConformanceSingle(t *testing.T) {
	conformance(t, redistest.Start(t).URL())
}

func TestConformanceCluster(t *testing.T) {
	conformance(t, redistest.Cluster(t).URL())
}

func conformance(t *testing.T, url string) {
	storetest.Run(t, func(t *testing.T) store.Store { return open(t, url) }, storetest.Shared())
}

func open(t testing.TB, url string) *Store {
	t.Helper()
	s, err := Open(context.Background(), url, Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}
