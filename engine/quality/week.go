package quality

import (
	"cmp"
	"fmt"
	"time"
)

// Week is a week of ISO 8601: Monday to Sunday, in the year that has its Thursday. Weeks compare
// with Compare; the zero value is no week.
type Week struct {
	Year int // of the week date, which differs from the calendar's around New Year
	Week int // 1 to 53
}

// WeekOf returns the week of t's date in t's own location.
func WeekOf(t time.Time) Week {
	y, w := t.ISOWeek()
	return Week{y, w}
}

// String returns the week as "2026-W53".
func (w Week) String() string { return fmt.Sprintf("%04d-W%02d", w.Year, w.Week) }

// Compare orders two weeks as -1, 0 or +1.
func (w Week) Compare(o Week) int {
	return cmp.Or(cmp.Compare(w.Year, o.Year), cmp.Compare(w.Week, o.Week))
}

// monday returns the week's first day as a date, at midnight UTC: dates are counted there, where
// every day has 24 hours.
func (w Week) monday() time.Time {
	fourth := time.Date(w.Year, time.January, 4, 0, 0, 0, 0, time.UTC) // always in week 1
	sinceMonday := (int(fourth.Weekday()) + 6) % 7
	return fourth.AddDate(0, 0, 7*(w.Week-1)-sinceMonday)
}

// Days returns the first and the last day of the week, like "2026-12-28" and "2027-01-03".
func (w Week) Days() (monday, sunday string) {
	m := w.monday()
	return m.Format(time.DateOnly), m.AddDate(0, 0, 6).Format(time.DateOnly)
}

// Plus returns the week that many weeks later, or earlier where n is negative.
func (w Week) Plus(n int) Week { return WeekOf(w.monday().AddDate(0, 0, 7*n)) }

// Span is a range of weeks that ends with Last.
type Span struct {
	Last  Week
	Weeks int // how many, at least 1
}

// First returns the first week of the range.
func (s Span) First() Week { return s.Last.Plus(1 - max(1, s.Weeks)) }

// Contains reports whether the week is in the range.
func (s Span) Contains(w Week) bool { return w.Compare(s.First()) >= 0 && w.Compare(s.Last) <= 0 }

// Each lists the weeks of the range, oldest first.
func (s Span) Each() []Week {
	n := max(1, s.Weeks)
	list := make([]Week, 0, n)
	for i := range n {
		list = append(list, s.Last.Plus(i+1-n))
	}
	return list
}

// Around returns Unix milliseconds that enclose the range in every time zone: what opened outside
// of them is in none of its weeks. Local time is at most 26 hours from UTC, with room to spare.
func (s Span) Around() (from, to int64) {
	const spare = 2 * 24 * time.Hour
	return s.First().monday().Add(-spare).UnixMilli(), s.Last.Plus(1).monday().Add(spare).UnixMilli()
}
