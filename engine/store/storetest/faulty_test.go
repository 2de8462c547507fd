package storetest

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// counted counts the commits that reach it.
type counted struct {
	store.Store
	commits int
}

func (c *counted) Commit(context.Context, string, store.Commit) error {
	c.commits++
	return nil
}

func TestFaultyFailsBeforeAndAfterAsOftenAsAsked(t *testing.T) {
	const calls = 20_000
	run := func(seed uint64) (inner *counted, errs int, fates []bool) {
		inner = &counted{Store: memory.Open()}
		f := NewFaulty(inner, seed, Faults{Before: 0.2, After: 0.1})
		for range calls {
			err := f.Commit(t.Context(), "site", store.Commit{})
			if err != nil {
				require.ErrorIs(t, err, ErrInjected)
				errs++
			}
			fates = append(fates, err == nil)
		}
		before, after, _ := f.Injected()
		require.Equal(t, errs, before+after)
		require.Equal(t, calls-before, inner.commits)
		return inner, errs, fates
	}
	inner, errs, fates := run(7)
	require.InDelta(t, 0.8*calls, inner.commits, 0.02*calls)
	require.InDelta(t, 0.3*calls, errs, 0.02*calls)

	_, _, again := run(7)
	require.Equal(t, fates, again, "the same seed, the same failures")
	_, _, other := run(8)
	require.NotEqual(t, fates, other)
}

func TestFaultyCanStop(t *testing.T) {
	f := NewFaulty(&counted{Store: memory.Open()}, 1, Faults{Before: 1})
	require.ErrorIs(t, f.Commit(t.Context(), "site", store.Commit{}), ErrInjected)
	f.SetFaults(Faults{})
	require.NoError(t, f.Commit(t.Context(), "site", store.Commit{}))
}
