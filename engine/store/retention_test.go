package store_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

func TestRetention(t *testing.T) {
	const day = 24 * time.Hour
	synctest.Test(t, func(t *testing.T) {
		var r store.Retention
		begun := time.Now()
		r.Begin(begun, time.Time{})
		r.Begin(begun.Add(99*day), begun.Add(99*day)) // only the first call counts
		asOf := func(ahead, want time.Duration, held bool) {
			t.Helper()
			got, heldBack := r.AsOf(time.Now().Add(ahead), 1)
			require.Equal(t, want, time.Until(got))
			require.Equal(t, held, heldBack)
		}
		asOf(0, 0, false)
		asOf(31*day, day, true) // ahead for a moment
		asOf(31*day, day, true) // and asked more often than once an hour
		asOf(0, 0, false)
		time.Sleep(59 * time.Minute)
		asOf(31*day, 0, true)
		time.Sleep(2 * time.Minute)
		asOf(31*day, day, true)
		for range 29 {
			time.Sleep(time.Hour)
			r.AsOf(time.Now().Add(31*day), 1)
		}
		asOf(31*day, 31*day, false) // that is the time, after all

		// A process that starts with a wrong clock knows the newest on record.
		r = store.Retention{}
		r.Begin(time.Now(), time.Now().Add(-10*day))
		asOf(0, -9*day, true)
		// One whose clock runs faster than the real one.
		r = store.Retention{}
		r.Begin(time.Now(), time.Now())
		time.Sleep(day)
		_, held := r.AsOf(time.Now().Add(39*day), 40)
		require.False(t, held)
	})
}
