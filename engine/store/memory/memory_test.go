package memory_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/memory"
	"lintel/engine/store/storetest"
)

func TestConformance(t *testing.T) {
	storetest.Run(t, func(*testing.T) store.Store { return memory.Open() })
}

// Waiting, leases and idempotency keys go by the clock of a test.
func TestWithinSynctest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, st := t.Context(), memory.Open()
		defer st.Close()
		keyed := store.NewEntry{Data: []byte("a"), IdempotencyKey: "k"}
		go func() {
			time.Sleep(time.Hour)
			_, _ = st.Append(ctx, "pier", keyed)
		}()
		start := time.Now()
		entries, err := st.Read(ctx, "pier", 0, 1, 2*time.Hour)
		require.NoError(t, err)
		require.Len(t, entries, 1)
		require.Equal(t, time.Hour, time.Since(start))

		held, err := st.Lease(ctx, "pier", "one", time.Minute)
		require.NoError(t, err)
		require.True(t, held)
		held, err = st.Lease(ctx, "pier", "two", time.Minute)
		require.NoError(t, err)
		require.False(t, held)
		time.Sleep(time.Minute)
		held, err = st.Lease(ctx, "pier", "two", time.Minute)
		require.NoError(t, err)
		require.True(t, held)

		time.Sleep(store.IdempotencyWindow - 2*time.Minute)
		again, err := st.Append(ctx, "pier", keyed)
		require.NoError(t, err)
		require.True(t, again[0].Replayed)
		time.Sleep(2 * time.Minute)
		again, err = st.Append(ctx, "pier", keyed)
		require.NoError(t, err)
		require.Equal(t, store.Appended{Seq: 2}, again[0])
	})
}
