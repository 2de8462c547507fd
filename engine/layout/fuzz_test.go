package layout_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/layout"
	"lintel/rules/doc"
)

func FuzzLayout(f *testing.F) {
	f.Add(umberhithe(f))
	f.Add([]byte(with(nil)))
	f.Add([]byte(with(map[string]string{"hours": `{"sat":"22:00-04:00","except":{"2026-12-25":"closed"}}`,
		"presence": `{"completeness":0.9}`})))
	f.Add([]byte(`{"site":"A b","zones":[{"id":"floor","kind":"exit"},{"idd":1}],"hours":{"mon":"1-2"},"read_points":[{"zone":"x","min_rssi":1e99}]}`))
	f.Add([]byte(with(map[string]string{"zones": `[{"id":"a","kind":"shelf","at":{"x":0,"y":1e-3,"width":1e3,"height":0.1}}]`})))
	f.Add([]byte(with(map[string]string{"zones": countedZones, "counts": countsMember})))
	f.Fuzz(func(t *testing.T, src []byte) {
		l, err := layout.Parse(src)
		if err != nil {
			require.Nil(t, l)
			var list doc.Errors
			require.ErrorAs(t, err, &list)
			require.NotEmpty(t, list)
			return
		}
		out, err := l.MarshalJSON()
		require.NoError(t, err)
		again, err := layout.Parse(out)
		require.NoError(t, err, "%s", out)
		require.Equal(t, l, again)
		twice, err := again.MarshalJSON()
		require.NoError(t, err)
		require.Equal(t, out, twice)
		for _, p := range l.ReadPoints {
			require.Less(t, p.Zone, len(l.Zones))
		}
		for _, w := range l.Warnings() {
			require.NotEmpty(t, w.Path)
			require.NotEmpty(t, w.Hint)
		}
		l.OpenAt(time.Date(2026, 3, 29, 1, 30, 0, 0, time.UTC))
	})
}
