package layout_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/layout"
)

func TestSmallest(t *testing.T) {
	l, err := layout.Parse([]byte(`{"site":"quayside","time_zone":"Europe/London","zones":[{"id":"shelf-a","kind":"shelf"}]}`))
	require.NoError(t, err)
	b, err := l.MarshalJSON()
	require.NoError(t, err)
	again, err := layout.Parse(b)
	require.NoError(t, err)
	require.Equal(t, l, again)
	_, err = layout.Parse([]byte(`{"site":"Quay Side","time_zone":"europe/london","zones":[{"id":"shelf-a","knd":"shelf"},{"id":"shelf-a","kind":"shlef"}],
	"read_points":[{"id":"x","role":"fixed","zone":"shelfa","min_rssi":70}], "hours":{"mon":"9-18","except":{"2026-02-30":"closed"}}}`))
	t.Log(err)
}
