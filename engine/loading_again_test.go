// Thousands of journals are drawn here, and a pure core has nothing that the race detector could see.

package engine

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/layout"
)

// A worker that crashes and loads the site again, at any entry, must go on exactly as if nothing
// had happened: the same state, facts, alerts and delivery ids to the byte.
func TestLoadingAgainChangesNothing(t *testing.T) {
	for name, src := range map[string]string{
		// So that every field of an alert's record is at stake.
		"gathering and a clear delay": strings.NewReplacer("hold: 3s", "hold: 3s\n    gather: 20s\n    clear: 5s",
			"hold: 10m", "hold: 10s").Replace(testRules),
		"against noise":       noisyRules,
		"one after the other": sequences,
		"over days":           dayRules,
	} {
		cfg := testConfig(t, src)
		cfg.Layout.Counts.Plan = []layout.Planned{
			{Zones: []string{"shelf-a", "front-tables"}, Every: 1, By: 10*60 + 2},
			{Zones: []string{"stockroom"}, On: [7]bool{time.Monday: true}, By: 10*60 + 4},
		}
		t.Run(name, func(t *testing.T) { loadingAgainChangesNothing(t, cfg) })
	}
}

// sequences are rules of two steps, in every form, with times short enough for a random day.
const sequences = `rules:
  - {name: moment, first: cause == "arrived", within: 10s, when: cause == "passed", unless: item.paid, send: [door-team]}
  - {name: place, first: zone.kind == "shelf", within: 5s, when: zone.kind == "floor", hold: 2s, clear: 3s, send: [floor-team]}
  - {name: not-then, first: cause == "arrived", within: 15s, unless: cause == "left" or item.paid, quiet: 20s, send: [floor-team]}
  - {name: of-product, first: cause == "arrived" and zone.kind == "shelf", within: 20s, when: zone.kind == "floor", same: product, gather: 10s}
  - {name: not-of-product, first: cause == "sold" or cause == "passed", within: 20s open, unless: zone.kind == "floor", same: product}
  - {name: few, about: stock, first: stock.count == 1, within: 1m, when: stock.count == 0, hours: mon 10:02-12:00, send: [floor-team]}
  - {name: flapping, about: reader, first: cause == "heard", within: 1h, when: cause == "silent"}
`

func loadingAgainChangesNothing(t *testing.T, cfg *Config) {
	rapid.Check(t, func(rt *rapid.T) {
		log := journalOf(rt, cfg)
		whole := fold(rt, cfg, log)
		r := &run{state: NewMachine("umberhithe", cfg)}
		rec := records{}
		for i := range log {
			e := log[i]
			e.Seq = uint64(i + 1)
			require.NoError(rt, r.state.Apply(&e, nil))
			r.take(taken(r.state))
			if rapid.IntRange(0, 2).Draw(rt, "commit") == 0 {
				rec.commit(r.state)
				if rapid.IntRange(0, 2).Draw(rt, "crash") == 0 {
					was := dumped(r.state)
					r.state = rec.load(rt, cfg, log)
					require.Equal(rt, was, dumped(r.state), "loaded after entry %d", i+1)
				}
			}
		}
		require.Equal(rt, whole.exact, r.exact)
		require.Equal(rt, whole.state.Digest(), r.state.Digest())
	})
}
