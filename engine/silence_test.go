package engine

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

func TestLooksGrowBySixteenths(t *testing.T) {
	last, next := looksAround(-5)
	require.Equal(t, []int64{0, firstLook}, []int64{last, next})
	looks := 0
	for silent := int64(firstLook); silent <= 24*60*60*1000; looks++ {
		last, next = looksAround(silent)
		require.Equal(t, silent, last)
		require.LessOrEqual(t, next-last, last/16)
		below, _ := looksAround(next - 1)
		require.Equal(t, last, below)
		silent = next
	}
	require.Less(t, looks, 150)
}

const silenceRules = `rules:
  - name: long-silent
    about: reader
    when: reader.silent_seconds > 600 and reader.silent_seconds < 3600
    say: "{reader.id} is silent"
    send: [floor-team]
`

// tables-1 counts as silent after five minutes, which is a fact; the rule is true after ten, which
// is none.
func TestALongSilenceIsEvaluatedWhileItLasts(t *testing.T) {
	sh := newShop(t, silenceRules)
	sh.read("tables-1", -55, book(1, 1))
	sh.pass(10 * time.Minute)
	require.Empty(t, sh.chgs)
	sh.pass(10 * time.Minute / 16)
	require.Len(t, sh.chgs, 1)
	require.Equal(t, event.ChangeOpened, sh.chgs[0].Type)
	require.Equal(t, "tables-1", sh.chgs[0].Alert.Place)

	sh.step(event.Entry{Kind: event.EntryAct, Act: event.Act{Alert: sh.chgs[0].Alert.ID, Do: event.ActClose,
		Outcome: event.OutcomeGenuine}})
	sh.pass(2 * time.Hour)
	require.Len(t, sh.chgs, 2, "what a person closed is not raised again by the same silence")

	sh.read("tables-1", -55, book(1, 1))
	sh.pass(5*time.Minute + 10*time.Minute/16)
	require.Len(t, sh.chgs, 2)
	sh.pass(6 * time.Minute)
	require.Len(t, sh.chgs, 3, "another silence is another occasion")
	sh.pass(55 * time.Minute)
	require.Equal(t, event.ChangeCleared, sh.chgs[3].Type, "an alert ends when the silence is too long for its rule")
}
