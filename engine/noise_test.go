package engine

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

// messages lists what was sent since message n: the rule, what happened, to whom.
func (sh *shop) messages(n int) []string {
	rule := make(map[string]string)
	for _, c := range sh.chgs {
		rule[c.Alert.ID] = c.Alert.Rule
	}
	var words []string
	for _, d := range sh.tells[n:] {
		words = append(words, fmt.Sprintf("%s %s > %s", rule[d.Alert], strings.TrimPrefix(d.Type, "alert."), d.Channel))
	}
	return words
}

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

func TestQuietAfterSomebodyHasItInHand(t *testing.T) {
	for _, do := range []string{"acknowledge", "close"} {
		sh := newShop(t, onTables+"    quiet: 10m\n")
		k, other := book(1, 1), book(1, 2)
		sh.shelve("front-tables", k)
		sh.act("on-tables", do)
		sh.pass(time.Minute)
		n := len(sh.tells)
		sh.shelve("shelf-a", k)
		sh.pass(time.Second)
		sh.shelve("front-tables", k, other)
		cleared := map[string][]string{"acknowledge": {"on-tables cleared > floor-team"}}[do]
		require.Equal(t, append(cleared, "on-tables opened > floor-team"), sh.messages(n), "the other book is another matter")
		n = len(sh.tells)
		require.Equal(t, event.StageQuiet, pendingOf(sh, k).Stage)
		sh.pass(8*time.Minute + 58*time.Second)
		require.Empty(t, sh.messages(n))
		sh.pass(time.Second)
		require.Equal(t, []string{"on-tables opened > floor-team"}, sh.messages(n), "it still lies there when the quiet ends")
	}
}

// shown lists the alerts that people see: none that joined another.
func shown(sh *shop) (list []event.Alert) {
	for _, a := range sh.s.Alerts() {
		if a.Lead == "" {
			list = append(list, a)
		}
	}
	return list
}

// pendingOf returns the pending alert about an item, nil if there is none.
func pendingOf(sh *shop, k epc.Key) *event.Alert {
	for _, a := range sh.s.LiveAlerts() {
		if a.Key == k && a.Status == event.AlertPending {
			return a
		}
	}
	return nil
}

func TestRemindersEndWithSomebodysHand(t *testing.T) {
	sh := newShop(t, onTables+"    remind: 10m\n")
	sh.shelve("front-tables", book(1, 1))
	sh.pass(25 * time.Minute)
	require.Equal(t, []string{"on-tables opened > floor-team", "on-tables reminded > floor-team",
		"on-tables reminded > floor-team"}, sh.messages(0))
	require.Equal(t, 2, sh.s.LiveAlerts()[0].Reminders)
	sh.act("on-tables", "acknowledge")
	n := len(sh.tells)
	sh.pass(2 * time.Hour)
	require.Empty(t, sh.messages(n))
}

func TestRemindersKeepTheHours(t *testing.T) {
	sh := newShop(t, onTables+"    remind: 1h\n    hours: mon 09:00-11:30, tue 09:00-11:30\n")
	sh.shelve("front-tables", book(1, 1)) // 10:00
	sh.pass(12 * time.Hour)
	require.Len(t, sh.messages(0), 2)
	sh.pass(11 * time.Hour) // Tuesday 09:00
	require.Len(t, sh.messages(0), 3)
	require.Equal(t, "alert.reminded", sh.tells[2].Type)
	require.Equal(t, time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC).UnixMilli(), sh.tells[2].At)
}

func TestEscalation(t *testing.T) {
	rule := onTables + "    escalate: 5m\n    escalate_to: [manager, floor-team]\n"
	sh := newShop(t, rule)
	k := book(1, 1)
	sh.shelve("front-tables", k)
	sh.pass(time.Hour)
	require.Equal(t, []string{"on-tables opened > floor-team", "on-tables escalated > manager",
		"on-tables escalated > floor-team"}, sh.messages(0), "once, not every five minutes")
	sh.shelve("shelf-a", k)
	require.Equal(t, []string{"on-tables cleared > floor-team", "on-tables cleared > manager"}, sh.messages(3),
		"who was called in hears how it ended")

	sh = newShop(t, rule)
	sh.shelve("front-tables", k)
	sh.pass(4 * time.Minute)
	sh.act("on-tables", "acknowledge")
	sh.pass(time.Hour)
	require.Equal(t, []string{"on-tables opened > floor-team", "on-tables acknowledged > floor-team"}, sh.messages(0))

}

func TestBeyondTheLimitAlertsAreOne(t *testing.T) {
	for name, text := range map[string]string{
		"of the rule":     onTables + "    limit: 3 per 10m\n",
		"of the document": "storm: 3 per 10m\n" + onTables,
	} {
		t.Run(name, func(t *testing.T) {
			sh := newShop(t, text)
			keys := copies(1, 20)
			for _, k := range keys[:8] {
				sh.shelve("front-tables", k)
				sh.pass(time.Second)
			}
			one := "on-tables opened > floor-team"
			require.Equal(t, []string{one, one, one, one}, sh.messages(0), "three, and one for all that follow")
			require.Len(t, shown(sh), 4)
			last := shown(sh)[3]
			require.Equal(t, []any{event.AboutStorm, 5, 5}, []any{last.About, last.Joined, len(last.Members)})
			require.Contains(t, last.Say, "5 more are gathered here")

			// The time is over, and it brought more than the limit: what follows still goes in
			// there.
			sh.pass(10 * time.Minute)
			require.Equal(t, []string{"on-tables gathered > floor-team"}, sh.messages(4))
			sh.shelve("front-tables", keys[8])
			require.Len(t, sh.messages(0), 5)
			// A whole time with less than the limit ends it.
			sh.pass(10 * time.Minute)
			require.Equal(t, []string{"on-tables gathered > floor-team"}, sh.messages(5))
			sh.shelve("front-tables", keys[9])
			require.Equal(t, []string{one}, sh.messages(6))
			// The alert that stands for many is over when the last of them is.
			n := len(sh.tells)
			sh.shelve("shelf-a", keys[3:8]...)
			require.Empty(t, sh.messages(n))
			sh.shelve("shelf-a", keys[8])
			require.Equal(t, []string{"on-tables cleared > floor-team"}, sh.messages(n))
			require.Equal(t, event.AboutStorm, sh.chgs[len(sh.chgs)-1].Alert.About)
		})
	}
}

// A thousand things that go wrong at once make a hundred messages and one more, and then one a
// while: not a thousand.
func TestStormGuard(t *testing.T) {
	sh := newShop(t, onTables+"    quiet: 1h\n")
	sh.shelve("front-tables", copies(1, 1000)...)
	require.Len(t, sh.messages(0), 101)
	sh.pass(24 * time.Hour)
	require.Len(t, sh.messages(0), 102)
	storm := sh.chgs[len(sh.chgs)-1].Alert
	require.Equal(t, []any{900, 100}, []any{storm.Joined, len(storm.Members)})
	// One hand ends it, and the rule is quiet about all of them.
	sh.step(event.Entry{Kind: event.EntryAct, By: "floor", Act: event.Act{Alert: storm.ID, Do: "close", Outcome: "false"}})
	require.Len(t, shown(sh), 100)
	n := len(sh.tells)
	sh.shelve("shelf-a", copies(1, 1000)...)
	sh.pass(time.Second)
	sh.shelve("front-tables", copies(1, 1000)...)
	opened := 0
	for _, m := range sh.messages(n) {
		if strings.Contains(m, "opened") {
			opened++
		}
	}
	require.Equal(t, 100, opened, "those that nobody had in hand")
}

func TestGatherByZone(t *testing.T) {
	sh := newShop(t, `rules:
  - name: put-down
    when: zone.kind in ["shelf", "floor"]
    gather: 30s
    gather_by: zone
    say: "{product.name} at {zone.name}"
    send: [floor-team]
`)
	sh.shelve("shelf-a", copies(1, 3)...)
	sh.shelve("shelf-b", copies(2, 2)...)
	one := "put-down opened > floor-team"
	require.Equal(t, []string{one, one}, sh.messages(0))
	sh.pass(30 * time.Second)
	require.Equal(t, []string{"put-down gathered > floor-team", "put-down gathered > floor-team"}, sh.messages(2))
	for _, a := range shown(sh) {
		require.Equal(t, map[string]int{"shelf-a": 2, "shelf-b": 1}[a.Zone], a.Joined)
	}
}

const bulk = `rules:
  - name: many-left
    when: cause in ["left", "arrived", "passed"] and from.kind == "shelf" and item.sellable
    gather: 1m
    gather_by: from
    needs: 3
    say: "{product.name} left {from.name}"
    send: [floor-team]
`

func TestNeedsSeveralTogether(t *testing.T) {
	sh := newShop(t, bulk)
	keys := copies(1, 8)
	sh.shelve("shelf-a", keys[:7]...)
	sh.shelve("shelf-b", keys[7])
	sh.pass(time.Second)
	sh.shelve("till", keys[0], keys[1])
	sh.shelve("till", keys[7]) // of another shelf
	require.Empty(t, sh.messages(0))
	require.Equal(t, event.StageNeeds, pendingOf(sh, keys[0]).Stage)
	sh.pass(2 * time.Minute)
	require.Empty(t, sh.s.LiveAlerts(), "two in a minute are customers")
	require.Equal(t, map[event.Stage]int{event.StageNeeds: 3}, sh.s.DroppedBy())

	sh.shelve("till", keys[2])
	sh.pass(20 * time.Second)
	sh.shelve("till", keys[3])
	sh.pass(20 * time.Second)
	sh.shelve("till", keys[4])
	require.Equal(t, []string{"many-left opened > floor-team"}, sh.messages(0))
	a := shown(sh)[0]
	require.Equal(t, []any{2, 2, keys[2]}, []any{a.Joined, len(a.Members), a.Key}, "the first message names them all")
	sh.shelve("till", keys[5]) // and whoever comes after
	sh.pass(time.Minute)
	require.Equal(t, []string{"many-left gathered > floor-team"}, sh.messages(1))
}

// hoursShop has opening hours with a holiday, in a zone with daylight saving.
func hoursShop(t *testing.T, at time.Time) *shop {
	sh := newShop(t, `rules:
  - name: few
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum
    hours: open
    send: [floor-team]
  - name: passing
    when: cause == "arrived" and zone.id == "shelf-b"
    hours: open
    send: [floor-team]
`)
	l, err := layout.Parse([]byte(strings.Replace(testLayout, `"time_zone": "Europe/London",`, `"time_zone": "Europe/Berlin",
	"hours": {"sun": "03:30-12:00", "mon": "09:00-18:00", "tue": "09:00-18:00", "except": {"2026-10-26": "closed"}},`, 1)))
	require.NoError(t, err)
	cfg := *sh.cfg
	cfg.Layout = l
	sh.cfg, sh.s, sh.now = &cfg, NewMachine("umberhithe", &cfg), at.UnixMilli()
	return sh
}

// What lasts is told when the hours begin; what was of its moment is not. The changes of 2026 in
// Europe/Berlin are 29 March, when 02:00 CET becomes 03:00 CEST, and 25 October, when 03:00 CEST
// becomes 02:00 CET (IANA time zone database, rule EU; Directive 2000/84/EC: last Sundays of March
// and October, 01:00 UTC).
func TestHoursAcrossClockChangesAndHolidays(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	for _, c := range []struct{ name, at, want string }{
		{"spring: the hour that is not there", "2026-03-28 23:00", "2026-03-29 01:30 UTC"},         // 03:30 CEST
		{"autumn: after the hour that is there twice", "2026-10-24 23:00", "2026-10-25 02:30 UTC"}, // 03:30 CET
		{"a holiday is passed over", "2026-10-25 13:00", "2026-10-27 08:00 UTC"},
		{"an ordinary night", "2026-03-02 20:00", "2026-03-03 08:00 UTC"},
	} {
		t.Run(c.name, func(t *testing.T) {
			at, err := time.ParseInLocation("2006-01-02 15:04", c.at, berlin)
			require.NoError(t, err)
			sh := hoursShop(t, at)
			sh.shelve("front-tables", book(1, 1)) // one of two
			sh.shelve("shelf-b", book(2, 1))
			require.Empty(t, sh.messages(0))
			sh.pass(72 * time.Hour)
			require.Equal(t, []string{"few opened > floor-team"}, sh.messages(0))
			require.Equal(t, c.want, time.UnixMilli(sh.tells[0].At).UTC().Format("2006-01-02 15:04 MST"))
		})
	}
	// What is over before the hours begin was nothing.
	at, _ := time.ParseInLocation("2006-01-02 15:04", "2026-03-02 20:00", berlin)
	sh := hoursShop(t, at)
	sh.shelve("front-tables", book(1, 1))
	require.Equal(t, event.StageHours, sh.s.LiveAlerts()[0].Stage)
	sh.shelve("front-tables", book(1, 2))
	sh.pass(24 * time.Hour)
	require.Empty(t, sh.messages(0))
	require.Equal(t, map[event.Stage]int{event.StageHours: 1}, sh.s.DroppedBy())
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
