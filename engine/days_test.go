package engine

import (
	"encoding/binary"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

const dayRules = `rules:
  - {name: unheard, when: item.days_unheard >= 1, hours: open, hold: 1h open, say: "{item.days_unheard}", send: [floor-team]}
  - {name: uncounted, when: item.days_uncounted >= 2 and item.present, quiet: 20h, remind: 10h, send: [floor-team]}
  - {name: after-days, first: item.days_unheard >= 1, within: 24h, when: item.days_unheard == 0 and item.present}
`

// An item of before counts were remembered counts as counted on the day on which it came to its place.
func TestItemsOfEarlierVersions(t *testing.T) {
	sh := newShop(t, testRules)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1))
	for _, c := range sh.s.flush() {
		if c.Kind != event.KindItem {
			continue
		}
		it := sh.s.item(0)
		n := len(binary.AppendUvarint(nil, uint64(it.counted)))
		require.Equal(t, 2, int(c.Value[0]))
		before := append([]byte{1}, c.Value[1:len(c.Value)-n]...)
		for value, counted := range map[string]uint16{string(c.Value): it.counted, string(before): uint16(sh.s.bound.dayOf(it.Since))} {
			l, err := NewLoader("umberhithe", testConfig(t, testRules), Meta{}, map[uint16]string{1: "a", 2: "b", 3: "c", 4: "d", 5: "e", 6: "f",
				7: "g", 8: "h", 9: "i", 10: "j", 11: "k", 12: "l", 13: "m"})
			require.NoError(t, err)
			require.NoError(t, l.Record(c.Kind, c.Key, []byte(value)))
			require.Equal(t, counted, l.s.item(0).counted)
			require.Empty(t, l.s.text(l.s.item(0)))
		}
	}
}

// A rule about days is met by every item once it is stored, and costs nothing where there is none.
func TestANewRuleAboutDays(t *testing.T) {
	const unheard = "rules:\n  - {name: unheard, when: item.days_unheard >= 2}\n"
	s := NewMachine("umberhithe", testConfig(t, testRules))
	at := opening
	apply := func(e event.Entry, cfg *Config) {
		e.At = at
		require.NoError(t, s.Apply(&e, cfg))
	}
	apply(event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"shelf-a"},
		Reads: []event.Read{{Key: book(1, 1), N: 1, Zone: 1, RSSI: -500, T: at}}}, nil)
	require.Equal(t, time.Duration(1<<63-1).Milliseconds() < s.view.daysNext(), true, "never")
	at += 3 * 24 * hourMs
	apply(event.Entry{Kind: event.EntryTick}, nil)
	require.Empty(t, s.Batch().Alerts)
	apply(event.Entry{Kind: event.EntryConfig}, testConfig(t, unheard))
	require.Len(t, s.Batch().Alerts, 1)
	require.LessOrEqual(t, s.NextTimer(), at+hourMs)
}

// A site of which nothing is known yet has no hours and days behind it: it must not be led through
// those since 1970.
func TestNoTimeHasPassedBeforeTheFirstEntry(t *testing.T) {
	m := NewMachine("umberhithe", testConfig(t, dayRules+"  - {name: late, about: zone, when: items.count > 0 and not site.open}\n"))
	_, due := m.Tick(opening)
	require.False(t, due)
	require.NoError(t, m.Apply(&event.Entry{Kind: event.EntryTick, At: opening}, nil))
	require.Greater(t, m.NextTimer(), opening)
	require.LessOrEqual(t, m.NextTimer(), opening+hourMs)
}
