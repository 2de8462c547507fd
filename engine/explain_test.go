package engine

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/alert"
	"lintel/engine/event"
)

const explained = `rules:
  - name: held
    when: zone.id == "front-tables"
    hold: 10m
    quiet: 1h
  - name: alone
    when: zone.id == "front-tables" and product.category == "novels"
    limit: 1 per 10m
  - name: bag
    when: zone.id == "shelf-a"
    gather: 1m
  - name: several
    when: zone.id == "shelf-b" and item.present
    gather: 1m
    needs: 3
  - name: at-night
    when: zone.id == "till" and item.present
    hours: 20:00-22:00
  - name: came-at-night
    when: cause == "arrived" and zone.id == "till"
    hours: 20:00-22:00
  - name: off
    when: zone.id == "till"
    mode: off
  - name: watched
    when: zone.id == "till"
    mode: watch
  - name: few
    about: stock
    when: stock.count < stock.minimum
  - name: silent
    about: reader
    when: cause == "silent"
  - name: poor
    about: count
    when: count.accuracy < 0.9
`

func TestExplain(t *testing.T) {
	sh := newShop(t, explained)
	a, b, c := book(1, 1), book(1, 2), book(2, 1)
	item := func(rule string, n int) alert.Explanation {
		t.Helper()
		x, ok := sh.s.ExplainItem(rule, map[int]*event.Fact{1: {Key: a}, 2: {Key: b}, 3: {Key: c}}[n].Key, nil)
		require.True(t, ok)
		require.Contains(t, event.Reasons.All(), x.Reason)
		require.NotEmpty(t, x.Words(time.UTC))
		require.NotNil(t, x.Why)
		return x
	}
	sh.shelve("front-tables", a, b)
	require.Equal(t, event.ReasonHold, item("held", 1).Reason)
	require.Equal(t, opening+600_000, item("held", 1).Until)
	require.Equal(t, event.ReasonRaised, item("alone", 1).Reason)
	require.Equal(t, event.ReasonLimit, item("alone", 2).Reason)
	require.Equal(t, event.AboutStorm, sh.s.alerts.Alert(item("alone", 2).Alert).About)
	x := item("bag", 1)
	require.Equal(t, event.ReasonFalse, x.Reason)
	require.Equal(t, `The condition is false: zone.id == "shelf-a" is false (zone.id = "front-tables").`, x.Words(time.UTC))
	require.False(t, x.Why.Value)

	sh.pass(11 * time.Minute)
	require.Equal(t, event.ReasonRaised, item("held", 1).Reason)
	sh.act("held", "close")
	sh.shelve("shelf-a", a, b)
	require.Equal(t, event.ReasonRaised, item("bag", 1).Reason)
	require.Equal(t, event.ReasonGathered, item("bag", 2).Reason)
	require.Equal(t, item("bag", 1).Alert, item("bag", 2).Alert)

	sh.pass(time.Second)
	sh.shelve("shelf-b", a, b)
	require.Equal(t, []any{event.ReasonNeeds, 2, 3}, []any{item("several", 1).Reason, item("several", 1).Have, item("several", 1).Need})
	require.Equal(t, "The condition is true, but 2 of the 3 that must come together have.",
		func() string { x := item("several", 2); return x.Words(time.UTC) }())
	sh.pass(2 * time.Minute)
	require.Equal(t, event.ReasonOccasion, item("several", 1).Reason)

	sh.shelve("till", c)
	require.Equal(t, event.ReasonHours, item("at-night", 3).Reason)
	require.Equal(t, time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC).UnixMilli(), item("at-night", 3).Until)
	require.Equal(t, event.ReasonFalse, item("came-at-night", 3).Reason, "without a fact there is no cause")
	last := sh.facts[len(sh.facts)-1]
	for _, f := range sh.facts {
		if f.Key == c {
			last = f
		}
	}
	x, ok := sh.s.ExplainItem("came-at-night", c, &last)
	require.True(t, ok)
	require.Equal(t, []any{event.ReasonHours, event.Arrived}, []any{x.Reason, x.Cause})
	require.Equal(t, event.ReasonOff, item("off", 3).Reason)
	require.Equal(t, []any{event.ReasonRaised, true}, []any{item("watched", 3).Reason, item("watched", 3).Watch})

	// Which of two books an alert that a person closed was about does not matter: the rule is quiet
	// about that one alone.
	sh.pass(time.Second)
	sh.shelve("front-tables", a)
	sh.pass(10 * time.Minute)
	require.Equal(t, event.ReasonQuiet, item("held", 1).Reason)

	x, ok = sh.s.ExplainStock("few", 9521234000013, "front-tables")
	require.True(t, ok)
	require.Equal(t, event.ReasonRaised, x.Reason)
	x, ok = sh.s.ExplainReader("silent", "tables-1")
	require.True(t, ok)
	require.Equal(t, event.ReasonFalse, x.Reason)
	x, ok = sh.s.ExplainCount("poor", &event.CountResult{Count: "c", Expected: 10, Matched: 5, Missing: 5})
	require.True(t, ok)
	require.Equal(t, event.ReasonOccasion, x.Reason)

	for _, bad := range []func() bool{
		func() bool { _, ok := sh.s.ExplainItem("none", a, nil); return ok },
		func() bool { _, ok := sh.s.ExplainItem("few", a, nil); return ok },
		func() bool { _, ok := sh.s.ExplainItem("held", book(2, 99), nil); return ok },
		func() bool { _, ok := sh.s.ExplainStock("few", 1, "front-tables"); return ok },
		func() bool { _, ok := sh.s.ExplainStock("few", 9521234000013, "nowhere"); return ok },
		func() bool { _, ok := sh.s.ExplainReader("silent", "none"); return ok },
	} {
		require.False(t, bad())
	}
	before := sh.s.Digest()
	for range 3 {
		item("held", 1)
	}
	require.Equal(t, before, sh.s.Digest(), "asking changes nothing")
}
