package boltstore

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/engine/store"
	"lintel/engine/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store { return open(t, t.TempDir(), Options{}) })
}

func open(t testing.TB, dir string, opts Options) *Store {
	s, err := Open(dir, opts)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}
