package alert

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

const shelfThenTables = onTables + afterShelf

// What has begun is bounded by number: the oldest leaves, with its record.
func TestFirstStepsAreBounded(t *testing.T) {
	sh := newShop(t, shelfThenTables)
	for n := range maxBegun + 3 {
		sh.put("shelf", n)
	}
	require.Equal(t, 3, sh.b.Dropped()[event.StageWithin])
	require.Len(t, sh.b.byID, maxBegun)
	sh.load()
	require.Len(t, sh.b.byID, maxBegun, "loaded again")
	sh.put("tables", 1, 2, 3, maxBegun+2)
	require.Equal(t, []string{"opened", "opened"}, sh.changes, "of the first three nothing is remembered")
}

// And by time: a place counts until it ends, at most for a day.
func TestAFirstStepThatLasts(t *testing.T) {
	sh := newShop(t, shelfThenTables)
	sh.put("shelf", 1, 2, 3)
	sh.pass(5 * time.Hour)
	sh.put("tables", 1)
	require.Equal(t, []string{"opened"}, sh.changes, "it lay there until now")
	require.Equal(t, sh.now, sh.alerts[0].First.At)
	require.Equal(t, "shelf", sh.alerts[0].First.Zone)
	require.Contains(t, string(sh.alerts[0].Why), `"first":{"text":"zone.id == \"shelf\"","line":8,"column":12,"value":true,"at":"2026-03-02T15:00:00Z","zone":"shelf"}`)
	sh.put("", 2)
	sh.pass(10 * time.Minute)
	sh.put("tables", 2)
	sh.pass(20 * time.Hour)
	sh.put("tables", 3)
	for _, a := range sh.alerts {
		require.Equal(t, thing(1), a.Key, "the third lay there for more than a day")
	}
}

// One fact is never both steps.
func TestOneFactIsNotBothSteps(t *testing.T) {
	sh := newShop(t, `rules:
  - {name: twice, first: cause == "arrived", within: 10m, when: cause == "arrived"}
`)
	sh.put("shelf", 1)
	require.Empty(t, sh.changes)
	sh.put("tables", 1)
	require.Equal(t, []string{"opened"}, sh.changes)
}

// A rule that loses its first step forgets what has begun.
func TestAFirstStepOfAnOlderRule(t *testing.T) {
	sh := newShop(t, shelfThenTables)
	sh.put("shelf", 1)
	require.Len(t, sh.b.byID, 1)
	sh.set = compile(t, onTables)
	sh.b.Bind(sh.set, sh)
	sh.b.Withdraw()
	require.Empty(t, sh.b.byID)
}

func TestExplainASequence(t *testing.T) {
	sh := newShop(t, shelfThenTables)
	ask := func() Explanation {
		f := event.Fact{Cause: event.Arrived, Key: thing(1), At: sh.now}
		return sh.b.Explain(sh, sh.set.Rules()[0], Item(f.Key), &f, sh.env(&f))
	}
	x := ask()
	require.Equal(t, event.ReasonFirst, x.Reason)
	require.Equal(t, "What must come first has not happened, or is too long ago.", x.Words(time.UTC))
	require.False(t, x.Why.First.Value)
	sh.put("shelf", 1)
	sh.put("", 1)
	x = ask()
	require.Equal(t, event.ReasonWithin, x.Reason)
	require.Equal(t, sh.now+10*60_000, x.Until)
	require.Equal(t, "The first step happened on Mon 2 Mar 10:00:00. What comes then has not; the time for it is over on Mon 2 Mar 10:10:00.",
		x.Words(time.UTC))
}
