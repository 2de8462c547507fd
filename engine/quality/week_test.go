package quality_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/quality"
)

func at(t testing.TB, zone, s string) time.Time {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	require.NoError(t, err)
	v, err := time.ParseInLocation("2006-01-02 15:04:05", s, loc)
	require.NoError(t, err)
	return v
}

// Dates and week dates side by side. 2003-12-29, 2004-01-04: the example in the documentation of
// Python's datetime.date.isocalendar. 2005-01-01 to 2019-12-30: from memory, as commonly printed
// with ISO 8601. The rest was computed with Python 3's date.isocalendar, which shares no code with
// this; the years with a week 53 are those that begin on a Thursday, or that are leap years and
// begin on a Wednesday, and 2026 begins on a Thursday.
func TestWeeksOfDates(t *testing.T) {
	for date, want := range map[string]string{
		"2003-12-29": "2004-W01",
		"2004-01-04": "2004-W01",
		"2005-01-01": "2004-W53",
		"2005-01-02": "2004-W53",
		"2008-12-29": "2009-W01",
		"2010-01-03": "2009-W53",
		"2019-12-30": "2020-W01",
		"2025-12-29": "2026-W01",
		"2026-01-01": "2026-W01",
		"2026-12-27": "2026-W52",
		"2026-12-28": "2026-W53",
		"2026-12-31": "2026-W53",
		"2027-01-01": "2026-W53",
		"2027-01-03": "2026-W53",
		"2027-01-04": "2027-W01",
	} {
		d, err := time.Parse(time.DateOnly, date)
		require.NoError(t, err)
		require.Equal(t, want, quality.WeekOf(d).String(), date)
	}
}

func TestWeekAtNewYear(t *testing.T) {
	w := quality.Week{Year: 2026, Week: 53}
	monday, sunday := w.Days()
	require.Equal(t, "2026-12-28", monday)
	require.Equal(t, "2027-01-03", sunday)
	require.Equal(t, quality.Week{Year: 2027, Week: 1}, w.Plus(1))
	require.Equal(t, quality.Week{Year: 2026, Week: 52}, w.Plus(-1))
	require.Equal(t, "2026-W53", quality.Span{Last: quality.Week{Year: 2027, Week: 1}, Weeks: 2}.First().String())
	list := quality.Span{Last: quality.Week{Year: 2027, Week: 1}, Weeks: 3}.Each()
	require.Equal(t, []quality.Week{{Year: 2026, Week: 52}, {Year: 2026, Week: 53}, {Year: 2027, Week: 1}}, list)
}

// The week turns at midnight of the shop, not of UTC, also where a change of the clocks is near.
func TestWeekTurnsAtTheShopsMidnight(t *testing.T) {
	for _, c := range []struct{ zone, at, want string }{
		// Summer time of 2026 began on Sunday 29 March in Europe and on Sunday 8 March in the
		// United States, and ends on Sunday 25 October and Sunday 1 November (Directive 2000/84/EC;
		// 15 U.S.C. 260a).
		{"Europe/London", "2026-03-29 23:59:59", "2026-W13"},
		{"Europe/London", "2026-03-30 00:00:00", "2026-W14"}, // 23:00 of Sunday in UTC
		{"Europe/London", "2026-10-25 23:59:59", "2026-W43"},
		{"Europe/London", "2026-10-26 00:00:00", "2026-W44"},
		{"America/New_York", "2026-03-08 23:59:59", "2026-W10"},
		{"America/New_York", "2026-03-09 00:00:00", "2026-W11"},
		{"America/New_York", "2026-11-01 23:59:59", "2026-W44"},
		{"America/New_York", "2026-11-02 00:00:00", "2026-W45"},
		{"Pacific/Kiritimati", "2027-01-04 00:00:00", "2027-W01"}, // 10:00 of Sunday in UTC
		{"Pacific/Kiritimati", "2027-01-03 23:59:59", "2026-W53"},
		{"Pacific/Pago_Pago", "2027-01-03 23:59:59", "2026-W53"}, // 10:59:59 of Monday in UTC
		{"Asia/Kathmandu", "2027-01-04 00:00:00", "2027-W01"},
	} {
		require.Equal(t, c.want, quality.WeekOf(at(t, c.zone, c.at)).String(), "%s %s", c.zone, c.at)
	}
}

var zones = []string{"UTC", "Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu",
	"Pacific/Kiritimati", "Pacific/Pago_Pago"}

func TestSpansOfWeeks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		now := time.Unix(rapid.Int64Range(946684800, 4102444800).Draw(t, "now"), 0).In(loc) // 2000 to 2100
		span := quality.Span{Last: quality.WeekOf(now), Weeks: rapid.IntRange(1, 120).Draw(t, "weeks")}
		list := span.Each()
		require.Len(t, list, span.Weeks)
		require.Equal(t, span.First(), list[0])
		require.Equal(t, span.Last, list[len(list)-1])
		for i, w := range list {
			require.True(t, span.Contains(w))
			require.Equal(t, w, span.Last.Plus(i+1-len(list)))
			if i > 0 {
				require.Equal(t, 1, w.Compare(list[i-1]))
				_, sunday := list[i-1].Days()
				monday, _ := w.Days()
				before, _ := time.Parse(time.DateOnly, sunday)
				require.Equal(t, monday, before.AddDate(0, 0, 1).Format(time.DateOnly), "no day lies between two weeks, or in both")
			}
		}
		require.False(t, span.Contains(span.First().Plus(-1)))
		require.False(t, span.Contains(span.Last.Plus(1)))
		from, to := span.Around()
		require.True(t, from <= now.UnixMilli() && now.UnixMilli() < to)
		// What is outside of Around is in no week of the span.
		require.False(t, span.Contains(quality.WeekOf(time.UnixMilli(from-1).In(loc))))
		require.False(t, span.Contains(quality.WeekOf(time.UnixMilli(to).In(loc))))
	})
}
