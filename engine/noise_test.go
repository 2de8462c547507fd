package engine

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
)

func (sh *shop) act(rule, do string) {
	sh.t.Helper()
	for _, a := range sh.s.LiveAlerts() {
		if a.Rule == rule && a.Lead == "" && a.Status != event.AlertPending {
			sh.step(event.Entry{Kind: event.EntryAct, By: "floor", Act: event.Act{Alert: a.ID, Do: do, Outcome: "genuine"}})
			return
		}
	}
	require.Fail(sh.t, "no alert of "+rule)
}

func (sh *shop) shelve(zone string, keys ...epc.Key) { sh.readIn("handheld-1", zone, -50, keys...) }

func copies(product, n int) []epc.Key {
	keys := make([]epc.Key, n)
	for i := range keys {
		keys[i] = book(product, 1+i)
	}
	return keys
}

const onTables = `rules:
  - name: on-tables
    when: zone.id == "front-tables"
    say: "{product.name} is on the tables"
    send: [floor-team]
`

// The alert that others joined lists the first hundred of them, however many there are.
func TestAStormListsAHundred(t *testing.T) {
	sh := newShop(t, onTables)
	sh.shelve("front-tables", copies(1, 1000)...)
	sh.pass(24 * time.Hour)
	storm := sh.chgs[len(sh.chgs)-1].Alert
	require.Equal(t, []any{event.AboutStorm, 900, 100}, []any{storm.About, storm.Joined, len(storm.Members)})
}

func TestAlertsThatEndedUnseenAreCounted(t *testing.T) {
	sh := newShop(t, onTables+"    hold: 1m\n")
	sh.shelve("front-tables", copies(1, 2)...)
	sh.pass(time.Second)
	sh.shelve("shelf-a", copies(1, 2)...)
	sh.pass(time.Hour)
	require.Equal(t, map[event.Stage]int{event.StageHold: 2}, sh.s.DroppedBy())
}

// An alert that ended by itself leaves the memory after a week, and its record stays.
func TestClearedAlertsAreForgotten(t *testing.T) {
	sh := newShop(t, onTables)
	sh.shelve("front-tables", book(1, 1))
	sh.pass(time.Second)
	sh.shelve("shelf-a", book(1, 1))
	require.Len(t, sh.s.LiveAlerts(), 1)
	sh.s.flush()
	sh.pass(7*24*time.Hour + time.Second)
	require.Empty(t, sh.s.LiveAlerts())
	for _, c := range sh.s.flush() {
		require.NotEqual(t, event.KindAlert, c.Kind)
	}
}

// A rule that is taken away in the middle of its storm ends all of it, once, and leaves nothing
// behind.
func TestARuleThatIsTakenAwayEndsItsStorm(t *testing.T) {
	sh := newShop(t, onTables+"    limit: 2 per 10m\n")
	for _, k := range copies(1, 6) {
		sh.shelve("front-tables", k)
		sh.pass(time.Second)
	}
	n := len(sh.tells)
	cfg := *sh.cfg
	cfg.Rules = testConfig(t, "rules: []\n").Rules
	sh.cfg = &cfg
	sh.step(event.Entry{Kind: event.EntryConfig})
	var of []string
	for _, d := range sh.tells[n:] {
		of = append(of, d.Alert+" "+d.Type)
	}
	require.ElementsMatch(t, []string{"umberhithe-1-1 alert.cleared", "umberhithe-2-1 alert.cleared",
		"umberhithe-3-2 alert.gathered", "umberhithe-3-2 alert.cleared"}, of)
	for _, a := range sh.s.LiveAlerts() {
		require.Equal(t, event.AlertCleared, a.Status)
	}
	for _, c := range sh.s.flush() {
		require.False(t, strings.HasPrefix(c.Key, alert.RulePrefix) && c.Value != nil, c.Key)
	}
}
