package measure

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/sim"
)

// Shops that the weights were not tuned for, to see how fast conclusions get worse: LINTEL_LONG=1 go test ./engine/sim/measure -run Other -v
func TestOtherShops(t *testing.T) {
	if os.Getenv("LINTEL_LONG") == "" {
		t.Skip("takes minutes; set LINTEL_LONG=1")
	}
	for _, c := range []struct {
		name   string
		recall float64 // floor
		change func(*sim.Config)
	}{
		{"readers miss 30 to 60 %", 0.97, func(c *sim.Config) { c.Radio.MissMin, c.Radio.MissMax = 0.3, 0.6 }},
		{"fading of 5 dB", 0.97, func(c *sim.Config) { c.Radio.Fading = 5 }},
		{"shadowing of 5 dB", 0.95, func(c *sim.Config) { c.Radio.Shadowing = 5 }},
		{"bodies take up to 8 dB", 0.95, func(c *sim.Config) { c.Radio.BodyLoss = 8 }},
		{"a door 4 dB weaker", 0.93, func(c *sim.Config) { c.Radio.PortalPower -= 4 }},
		{"a door 4 dB stronger", 0.97, func(c *sim.Config) { c.Radio.PortalPower += 4 }},
		{"3 % of batches late", 0.97, func(c *sim.Config) { c.Network.LateShare = 0.03 }},
		{"people run", 0.93, func(c *sim.Config) { c.People.WalkMin, c.People.WalkMax = 1.5, 3 }},
		{"all turn back first", 0.97, func(c *sim.Config) {
			c.People.TurnBackChance = 1
			for k := range 400 {
				at := 2*time.Minute + time.Duration(k)*4400*time.Millisecond
				c.Scenes = append(c.Scenes, sim.Scene{At: at, Kind: sim.SceneTurnBack, N: 1 + k%2})
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := Defaults()
			o.Seeds, o.Change = []uint64{201, 202, 203}, c.change
			r, err := Run(o)
			require.NoError(t, err)
			t.Logf("recall %d of %d, false %d of %d, zone at rest %.2f %%, all %.2f %%, untrue moves %.3f; baseline: recall %d, false %d", r.Core.Recall.N, r.Core.Recall.Of,
				r.Core.FalseAlerts.N, r.Core.FalseAlerts.Of, 100*r.Core.ZoneAtRest.Value(), 100*r.Core.ZoneAll.Value(), r.Core.UntrueMoves, r.Baseline.Recall.N, r.Baseline.FalseAlerts.N)
			require.GreaterOrEqual(t, r.Core.Recall.Value(), c.recall)
			require.LessOrEqual(t, r.Core.FalseAlerts.N, 1)
			require.GreaterOrEqual(t, r.Core.ZoneAtRest.Value(), 0.98)
		})
	}
}
