package engine

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/layout"
)

// A rule about a zone of the count plan is raised when the zone is overdue, says why, and ends when the
// zone is counted; rules about what counts found see nothing of it.
func TestAnOverdueZoneIsNotifiedUntilItIsCounted(t *testing.T) {
	cfg := testConfig(t, `rules:
  - name: not-counted
    about: count
    when: count.overdue
    hold: 1h
    say: "{zone.name} was not counted for {count.idle_days} days"
    send: [floor-team]
  - name: poor
    about: count
    when: count.found < 5 and site.id != "x"
    send: [floor-team]
`)
	cfg.Layout.Counts.Plan = []layout.Planned{{Zones: []string{"shelf-a"}, Every: 7, By: 21 * 60}}
	m := NewMachine("umberhithe", cfg)
	var changes []AlertChange
	take := func() { changes = append(changes, m.Batch().Alerts...) }
	apply := func(at int64, cmd event.CountCommand) {
		e := event.Entry{Kind: event.EntryCount, At: at, Command: cmd}
		require.NoError(t, m.Apply(&e, nil))
		take()
	}
	until := func(at int64) {
		for m.Advance(at) {
			take()
		}
	}
	apply(opening, event.CountCommand{Do: "open", Zones: []string{"front-tables"}})
	due := m.DueCounts(opening)[0].At
	until(due)
	require.Empty(t, changes)
	x, ok := m.ExplainDue("not-counted", "shelf-a")
	require.True(t, ok)
	require.Equal(t, event.ReasonHold, x.Reason)
	until(due + 2*time.Hour.Milliseconds())
	require.Len(t, changes, 1)
	require.Equal(t, event.ChangeOpened, changes[0].Type)
	require.Contains(t, changes[0].Alert.Say, "was not counted for 0 days")
	x, _ = m.ExplainDue("not-counted", "shelf-a")
	require.Equal(t, event.ReasonRaised, x.Reason)
	_, ok = m.ExplainDue("not-counted", "till")
	require.False(t, ok)

	at := due + 3*time.Hour.Milliseconds()
	apply(at, event.CountCommand{Do: "open", Zones: []string{"shelf-a"}})
	apply(at+1000, event.CountCommand{Do: "close", ID: event.CountID("umberhithe", m.Seq())})
	require.Len(t, changes, 3)
	require.Equal(t, []string{"poor", "not-counted"}, []string{changes[1].Alert.Rule, changes[2].Alert.Rule})
	require.Equal(t, event.ChangeCleared, changes[2].Type)
}
