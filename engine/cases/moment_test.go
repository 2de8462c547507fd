package cases

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func location(t testing.TB, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

// The changes are those of the IANA time zone database: Europe/Berlin by the EU's rule (last
// Sundays of March and October at 01:00 UTC), America/New_York by the US rule (second Sunday of
// March, first of November at 02:00 local time), Lord Howe by half an hour, and Apia without 30
// December 2011.
func TestLocalTimesThatAreSkippedOrShownTwice(t *testing.T) {
	for _, c := range []struct{ zone, text, utc, message, hint string }{
		{"Europe/Berlin", "2026-03-29 01:59", "2026-03-29T00:59:00Z", "", ""},
		{"Europe/Berlin", "2026-03-29 03:00", "2026-03-29T01:00:00Z", "", ""},
		{"Europe/Berlin", "2026-03-29 02:00", "", "the clocks of Europe/Berlin never show 2026-03-29 02:00: they " +
			"go from 02:00 to 03:00 that day", "write 2026-03-29 03:00 for the moment of the change"},
		{"Europe/Berlin", "2026-03-29 02:59:59", "", "the clocks of Europe/Berlin never show 2026-03-29 02:59:59: " +
			"they go from 02:00 to 03:00 that day", "write 2026-03-29 03:00 for the moment of the change"},
		{"Europe/Berlin", "2026-03-29 02:30 +01:00", "", "the clocks of Europe/Berlin never show 2026-03-29 " +
			"02:30:00 with this distance to UTC", ""},
		{"Europe/Berlin", "2026-10-25 01:59", "2026-10-24T23:59:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 02:30", "", "the clocks of Europe/Berlin show 2026-10-25 02:30 twice, since " +
			"they are put back that day",
			"write 2026-10-25 02:30 +02:00 for the first time, 2026-10-25 02:30 +01:00 for the second"},
		{"Europe/Berlin", "2026-10-25 02:30 +02:00", "2026-10-25T00:30:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 02:30 +01:00", "2026-10-25T01:30:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 03:00", "2026-10-25T02:00:00Z", "", ""},
		{"Europe/Berlin", "2026-07-01 12:00 +01:00", "", "the clocks of Europe/Berlin never show 2026-07-01 " +
			"12:00:00 with this distance to UTC", "write 2026-07-01 12:00 +02:00, or leave the distance out"},
		{"America/New_York", "2026-03-08 02:15", "", "the clocks of America/New_York never show 2026-03-08 02:15: " +
			"they go from 02:00 to 03:00 that day", "write 2026-03-08 03:00 for the moment of the change"},
		{"America/New_York", "2026-11-01 01:15", "", "the clocks of America/New_York show 2026-11-01 01:15 twice, " +
			"since they are put back that day",
			"write 2026-11-01 01:15 -04:00 for the first time, 2026-11-01 01:15 -05:00 for the second"},
		{"America/New_York", "2026-11-01 01:15 -05:00", "2026-11-01T06:15:00Z", "", ""},
		{"Australia/Lord_Howe", "2026-04-05 01:45", "", "the clocks of Australia/Lord_Howe show 2026-04-05 01:45 " +
			"twice, since they are put back that day",
			"write 2026-04-05 01:45 +11:00 for the first time, 2026-04-05 01:45 +10:30 for the second"},
		{"Pacific/Apia", "2011-12-30 12:00", "", "the clocks of Pacific/Apia never show 2011-12-30 12:00: they go " +
			"from 00:00 to 00:00 that day", "write 2011-12-31 00:00 for the moment of the change"},
		{"UTC", "2026-03-10 09:30 Z", "2026-03-10T09:30:00Z", "", ""},
	} {
		w, err := parseWall(c.text)
		require.NoError(t, err, c.text)
		got, bad := w.resolve(location(t, c.zone))
		if c.message != "" {
			require.NotNil(t, bad, "%s %s is %s", c.zone, c.text, got)
			require.Equal(t, c.message, bad.message)
			require.Equal(t, c.hint, bad.hint)
			continue
		}
		require.Nil(t, bad, "%s %s", c.zone, c.text)
		require.Equal(t, c.utc, got.UTC().Format(time.RFC3339), "%s %s", c.zone, c.text)
	}
}

// Every moment can be written, and is read back: with its distance to UTC always, without it unless
// the clocks show it twice.
func TestEveryMomentCanBeWritten(t *testing.T) {
	zones := []string{"Europe/Berlin", "America/New_York", "Europe/London", "Australia/Lord_Howe", "Pacific/Apia",
		"Asia/Kathmandu", "Africa/Casablanca", "UTC"}
	rapid.Check(t, func(t *rapid.T) {
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		at := time.Unix(rapid.Int64Range(200_000, 4_000_000_000).Draw(t, "second"), 0)
		if rapid.Bool().Draw(t, "near a change") {
			if start, _ := at.In(loc).ZoneBounds(); start.Unix() > 200_000 {
				at = start.Add(time.Duration(rapid.IntRange(-7200, 7200).Draw(t, "seconds from it")) * time.Second)
			}
		}
		if _, offset := at.In(loc).Zone(); offset%60 != 0 {
			t.Skip("an offset of old that nobody writes")
		}
		w, err := parseWall(at.In(loc).Format("2006-01-02 15:04:05 -07:00"))
		require.NoError(t, err)
		got, bad := w.resolve(loc)
		require.Nil(t, bad)
		require.True(t, got.Equal(at), "%s is read as %s", at, got)
		w.hasOff = false
		if got, bad = w.resolve(loc); bad == nil {
			require.True(t, got.Equal(at))
		} else {
			require.Contains(t, bad.message, "twice")
		}
	})
}
