package layout_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/layout"
	"lintel/rules/hours"
)

func shop(t require.TestingT, zone, hours string) *layout.Layout {
	l, err := layout.Parse([]byte(`{"site":"umberhithe","time_zone":"` + zone +
		`","zones":[{"id":"a","kind":"shelf"}],"hours":` + hours + `}`))
	require.NoError(t, err)
	return l
}

// open is a line of RFC 3339 instants, each marked open or closed.
func requireOpen(t *testing.T, l *layout.Layout, want map[string]bool) {
	t.Helper()
	for at, open := range want {
		instant, err := time.Parse(time.RFC3339, at)
		require.NoError(t, err)
		require.Equal(t, open, l.OpenAt(instant), "%s, there %s", at, instant.In(l.Location()))
		require.Equal(t, open, l.OpenAt(instant.In(time.FixedZone("far", 11*3600))), "%s seen from elsewhere", at)
	}
}

func TestOpenByWeekday(t *testing.T) {
	l, err := layout.Parse(umberhithe(t))
	require.NoError(t, err)
	requireOpen(t, l, map[string]bool{
		"2026-06-08T07:59:59Z": false, // Monday 08:59:59 BST
		"2026-06-08T08:00:00Z": true,
		"2026-06-08T16:59:59Z": true,
		"2026-06-08T17:00:00Z": false, // the end is excluded
		"2026-06-11T18:30:00Z": true,  // Thursday until 20:00
		"2026-06-14T12:30:00Z": false, // Sunday 13:30, between two windows
		"2026-06-14T13:00:00Z": true,
		"2026-12-25T12:00:00Z": false, // a Friday, closed by its date
		"2026-12-24T14:30:00Z": false, // a Thursday that ends at 14:00
		"2026-12-31T17:00:00Z": false, // its usual hours are replaced
		"2026-12-31T23:59:59Z": true,
		"2027-01-01T00:59:59Z": true, // past midnight into a day with hours of its own
		"2027-01-01T01:00:00Z": false,
		"2027-01-01T09:00:00Z": true,
	})
}

func TestOpenAlwaysAndNever(t *testing.T) {
	always, err := layout.Parse([]byte(`{"site":"q","time_zone":"UTC","zones":[{"id":"a","kind":"shelf"}]}`))
	require.NoError(t, err)
	never := shop(t, "UTC", `{"mon":"closed"}`)
	whole := shop(t, "Europe/London", `{"mon":"00:00-24:00","tue":"00:00-24:00","wed":"00:00-24:00","thu":"00:00-24:00","fri":"00:00-24:00","sat":"00:00-24:00","sun":"00:00-24:00"}`)
	for at := time.Date(2026, 3, 27, 0, 0, 0, 0, time.UTC); at.Before(time.Date(2026, 4, 1, 0, 0, 0, 0,
		time.UTC)); at = at.Add(7 * time.Minute) {
		require.True(t, always.OpenAt(at))
		require.False(t, never.OpenAt(at))
		require.True(t, whole.OpenAt(at), at)
	}
}

// Source of the transitions: IANA time zone database, zone Europe/London (EU rule): on Sunday
// 2026-03-29 at 01:00 GMT clocks go to 02:00 BST, and on Sunday 2026-10-25 at 02:00 BST they go
// back to 01:00 GMT.
func TestOpenAcrossLondonTransitions(t *testing.T) {
	loc, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	_, end := time.Date(2026, 3, 28, 12, 0, 0, 0, loc).ZoneBounds()
	require.Equal(t, "2026-03-29T01:00:00Z", end.UTC().Format(time.RFC3339))
	_, end = time.Date(2026, 10, 24, 12, 0, 0, 0, loc).ZoneBounds()
	require.Equal(t, "2026-10-25T01:00:00Z", end.UTC().Format(time.RFC3339))

	// The same wall-clock hours on the days before, on and after the change.
	day := shop(t, "Europe/London", `{"sat":"09:00-18:00","sun":"09:00-18:00","mon":"09:00-18:00"}`)
	requireOpen(t, day, map[string]bool{
		"2026-03-28T08:59:59Z": false, "2026-03-28T09:00:00Z": true, "2026-03-28T17:59:59Z": true, "2026-03-28T18:00:00Z": false,
		"2026-03-29T07:59:59Z": false, "2026-03-29T08:00:00Z": true, "2026-03-29T16:59:59Z": true, "2026-03-29T17:00:00Z": false,
		"2026-03-30T07:59:59Z": false, "2026-03-30T08:00:00Z": true,
		"2026-10-24T07:59:59Z": false, "2026-10-24T08:00:00Z": true, "2026-10-24T17:00:00Z": false,
		"2026-10-25T08:59:59Z": false, "2026-10-25T09:00:00Z": true, "2026-10-25T17:59:59Z": true, "2026-10-25T18:00:00Z": false,
	})

	// A night over each change: six hours by the wall clock, five and seven hours long.
	night := shop(t, "Europe/London", `{"sat":"22:00-04:00"}`)
	requireOpen(t, night, map[string]bool{
		"2026-03-28T21:59:59Z": false, "2026-03-28T22:00:00Z": true, "2026-03-29T00:59:59Z": true,
		"2026-03-29T01:00:00Z": true, "2026-03-29T02:59:59Z": true, "2026-03-29T03:00:00Z": false,
		"2026-10-24T20:59:59Z": false, "2026-10-24T21:00:00Z": true, "2026-10-25T00:30:00Z": true,
		"2026-10-25T01:30:00Z": true, "2026-10-25T03:59:59Z": true, "2026-10-25T04:00:00Z": false,
	})

	// RFC 5545, section 3.3.5: a time that occurs twice is the first one. So 01:30 ends the night
	// once, and it does not open again.
	requireOpen(t, shop(t, "Europe/London", `{"sat":"22:00-01:30"}`), map[string]bool{
		"2026-10-25T00:29:59Z": true, "2026-10-25T00:30:00Z": false, "2026-10-25T01:15:00Z": false, "2026-10-25T01:30:00Z": false,
	})
	requireOpen(t, shop(t, "Europe/London", `{"sun":"01:30-03:00"}`), map[string]bool{
		"2026-10-25T00:29:59Z": false, "2026-10-25T00:30:00Z": true, "2026-10-25T01:00:00Z": true,
		"2026-10-25T02:59:59Z": true, "2026-10-25T03:00:00Z": false,
	})
	// The same section: a time that does not occur is read with the offset before the gap: 01:30
	// GMT, which clocks show as 02:30.
	requireOpen(t, shop(t, "Europe/London", `{"sun":"01:30-03:00"}`), map[string]bool{
		"2026-03-29T01:29:59Z": false, "2026-03-29T01:30:00Z": true, "2026-03-29T01:59:59Z": true, "2026-03-29T02:00:00Z": false,
	})
	requireOpen(t, shop(t, "Europe/London", `{"sat":"22:00-01:30"}`), map[string]bool{
		"2026-03-29T01:29:59Z": true, "2026-03-29T01:30:00Z": false,
	})
	// A window that lies in the gap altogether keeps its length, later by the clock.
	requireOpen(t, shop(t, "Europe/London", `{"sun":"01:15-01:45"}`), map[string]bool{
		"2026-03-29T01:14:59Z": false, "2026-03-29T01:15:00Z": true, "2026-03-29T01:44:59Z": true, "2026-03-29T01:45:00Z": false,
	})
}

// RFC 5545, section 3.3.5, has two examples: in New York 2007-03-11 02:30 does not occur and means
// 03:30 EDT (UTC-4), and 2007-11-04 01:30 occurs twice and means 01:30 EDT (UTC-4).
func TestOpenByRFC5545Examples(t *testing.T) {
	requireOpen(t, shop(t, "America/New_York", `{"sun":"02:30-05:00"}`), map[string]bool{
		"2007-03-11T03:29:59-04:00": false, "2007-03-11T03:30:00-04:00": true,
	})
	requireOpen(t, shop(t, "America/New_York", `{"sun":"01:30-05:00"}`), map[string]bool{
		"2007-11-04T01:29:59-04:00": false, "2007-11-04T01:30:00-04:00": true, "2007-11-04T01:00:00-05:00": true,
	})
}

// Other transitions of the IANA time zone database: half an hour (Lord Howe), at midnight
// (Santiago, where 2026-09-06 has no 00:00), and a day that never was (Apia has no 2011-12-30).
func TestOpenAcrossOddTransitions(t *testing.T) {
	requireOpen(t, shop(t, "Australia/Lord_Howe", `{"sun":"01:45-03:00"}`), map[string]bool{
		"2026-04-04T14:44:59Z": false, "2026-04-04T14:45:00Z": true, "2026-04-04T15:15:00Z": true,
		"2026-04-04T16:29:59Z": true, "2026-04-04T16:30:00Z": false,
	})
	requireOpen(t, shop(t, "America/Santiago", `{"sat":"20:00-24:00","sun":"00:00-02:00"}`), map[string]bool{
		"2026-09-06T03:59:59Z": true, "2026-09-06T04:00:00Z": true, "2026-09-06T04:59:59Z": true, "2026-09-06T05:00:00Z": false,
	})
	requireOpen(t, shop(t, "Pacific/Apia", `{"thu":"22:00-24:00","sat":"00:00-02:00"}`), map[string]bool{
		"2011-12-30T07:59:59Z": false, "2011-12-30T08:00:00Z": true, "2011-12-30T09:59:59Z": true, // Thursday 29th, UTC-10
		"2011-12-30T10:00:00Z": true, "2011-12-30T11:59:59Z": true, "2011-12-30T12:00:00Z": false, // Saturday 31st, UTC+14
	})
}

// openSlowly walks the wall clock minute by minute from a day before to find what each window's
// ends mean: the first instant that shows the time, and where none does, as long after the last
// instant before the gap as the time lies after it.
func openSlowly(l *layout.Layout, t time.Time) bool {
	loc := l.Location()
	wallOf := func(t time.Time) time.Time {
		t = t.In(loc)
		return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), 0, 0, time.UTC)
	}
	meaning := func(wall time.Time) time.Time {
		at := wall.Add(-30 * time.Hour).Truncate(time.Minute)
		last := at
		for ; at.Before(wall.Add(30 * time.Hour)); at = at.Add(time.Minute) {
			w := wallOf(at)
			if w.Equal(wall) {
				return at
			}
			if w.After(wall) {
				return last.Add(wall.Sub(wallOf(last)))
			}
			last = at
		}
		panic("unreachable")
	}
	local := t.In(loc)
	for day := -2; day <= 1; day++ {
		midnight := time.Date(local.Year(), local.Month(), local.Day()+day, 0, 0, 0, 0, time.UTC)
		for _, w := range l.Hours.On(hours.DateOf(midnight)) {
			from := meaning(midnight.Add(time.Duration(w.From) * time.Minute))
			to := meaning(midnight.Add(time.Duration(w.To) * time.Minute))
			if !t.Before(from) && t.Before(to) {
				return true
			}
		}
	}
	return false
}

func TestOpenAgreesWithAWalkOfTheClock(t *testing.T) {
	zones := []string{"Europe/London", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata",
		"Africa/Casablanca", "Pacific/Chatham"}
	transitions := []time.Time{
		time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC), // Europe/London
		time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC), time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC), // America/New_York
		time.Date(2026, 4, 4, 15, 0, 0, 0, time.UTC), time.Date(2026, 10, 3, 15, 30, 0, 0, time.UTC), // Australia/Lord_Howe
		time.Date(2026, 9, 6, 4, 0, 0, 0, time.UTC), time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC),
	}
	clock := rapid.Custom(func(t *rapid.T) string {
		return time.Unix(int64(60*15*rapid.IntRange(0, 95).Draw(t, "quarter")), 0).UTC().Format("15:04")
	})
	rapid.Check(t, func(t *rapid.T) {
		hours := "{"
		for i, day := range []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"} {
			from, to := clock.Draw(t, "from"), clock.Draw(t, "to")
			if i > 0 {
				hours += ","
			}
			if from == to {
				hours += `"` + day + `":"closed"`
			} else {
				hours += `"` + day + `":"` + from + "-" + to + `"`
			}
		}
		l := shop(t, rapid.SampledFrom(zones).Draw(t, "zone"), hours+"}")
		around := rapid.SampledFrom(transitions).Draw(t, "around")
		for range 5 {
			at := around.Add(time.Duration(rapid.IntRange(-12*96, 12*96).Draw(t,
				"quarters"))*15*time.Minute/4 + time.Duration(rapid.IntRange(0, 59).Draw(t, "s"))*time.Second)
			require.Equal(t, openSlowly(l, at), l.OpenAt(at), "%s", at.In(l.Location()))
		}
	})
}

func TestWindowsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.IntRange(0, 300).Draw(t, "first")
		var windows []hours.Window
		for at < 24*60 && len(windows) < 4 {
			to := at + rapid.IntRange(1, 600).Draw(t, "long")
			windows = append(windows, hours.Window{From: at, To: to})
			at = to + rapid.IntRange(0, 300).Draw(t, "break")
		}
		got, err := hours.ParseWindows(hours.FormatWindows(windows))
		require.NoError(t, err)
		require.Equal(t, windows, got)
	})
}

func TestMostWindows(t *testing.T) {
	const twelve = "0:00-0:01,1:00-1:01,2:00-2:01,3:00-3:01,4:00-4:01,5:00-5:01,6:00-6:01,7:00-7:01,8:00-8:01,9:00-9:01,10:00-10:01,11:00-11:01"
	l := shop(t, "UTC", `{"mon":"`+twelve+`"}`)
	out, err := l.MarshalJSON()
	require.NoError(t, err)
	again, err := layout.Parse(out)
	require.NoError(t, err)
	require.Equal(t, l, again)
	_, err = hours.ParseWindows(twelve + ",12:00-12:01")
	require.EqualError(t, err, "a day has 13 windows; at most 12 are allowed")
}

func BenchmarkOpenAt(b *testing.B) {
	l, err := layout.Parse(umberhithe(b))
	require.NoError(b, err)
	for name, at := range map[string]time.Time{
		"usual": time.Date(2026, 6, 8, 12, 0, 0, 0, time.UTC), "clock-change": time.Date(2026, 10, 25, 12, 0, 0, 0, time.UTC),
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				l.OpenAt(at)
			}
		})
	}
}
