package boltstore

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

// A document of products with minimums can change a record of every item at once. Records come in
// no order; the time that they take must grow as their number does, or a shop stands still
// meanwhile.
func TestTheTimeOfACommitGrowsAsItsSize(t *testing.T) {
	took := func(n int) time.Duration {
		s := open(t, t.TempDir(), Options{NoSync: true})
		r := rand.New(rand.NewPCG(1, uint64(n)))
		c := store.Commit{Next: 1}
		for i := range n {
			c.Writes = append(c.Writes, store.Record{Kind: "item", Key: fmt.Sprintf("%016x", r.Uint64()), Value: make([]byte, 120)})
			if i%2 == 0 {
				c.Deletes = append(c.Deletes, store.RecordKey{Kind: "alert", Key: fmt.Sprintf("%016x", r.Uint64())})
			}
		}
		started := time.Now()
		require.NoError(t, s.Commit(t.Context(), "umberhithe", c))
		return time.Since(started)
	}
	small, large := took(10_000), took(80_000) // in any order the second one takes 10 s
	t.Logf("10,000 records: %v; 80,000: %v", small, large)
	require.Less(t, large, max(24*small, 2*time.Second), "8 times as many records take far more than 8 times as long")
}

func TestOfWritesOfOneKeyTheLastOneStays(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	require.NoError(t, s.Commit(t.Context(), "umberhithe", store.Commit{Next: 1,
		Deletes: []store.RecordKey{{Kind: "item", Key: "b"}},
		Writes: []store.Record{{Kind: "item", Key: "b", Value: []byte("1")}, {Kind: "item", Key: "a", Value: []byte("2")},
			{Kind: "item", Key: "b", Value: []byte("3")}}}))
	got := map[string]string{}
	_, err := s.Records(t.Context(), "umberhithe", "item", nil, func(_ store.Kind, key string, v []byte) error {
		got[key] = string(v)
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, map[string]string{"a": "2", "b": "3"}, got)
}
