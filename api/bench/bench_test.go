package bench

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/rules"
)

func TestTrafficIsWhatItSays(t *testing.T) {
	s, err := newShop(1000)
	require.NoError(t, err)
	b := s.batch()
	now := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	b.stamp(now)
	var reads []plainRead
	require.NoError(t, json.Unmarshal(b.data, &reads), string(b.data[:300]))
	require.Len(t, reads, batchReads)
	distinct := map[string]bool{}
	for _, r := range reads {
		distinct[r.EPC] = true
		require.WithinDuration(t, now, r.Time, time.Second)
	}
	require.LessOrEqual(t, len(distinct), batchTags)
	require.InDelta(t, 115, len(b.data)/batchReads, 10)

	_, err = layout.Parse(layoutJSON())
	require.NoError(t, err)
	_, bad := catalog.ParseCSV(strings.NewReader(string(productsCSV())), catalog.CSVOptions{})
	require.Empty(t, bad)
	set, diags := rules.Check("rules", rulesYAML(100), rules.Known{})
	require.Empty(t, diags)
	require.Len(t, set.Rules(), 100)
}
