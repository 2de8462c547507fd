package hours

import (
	"fmt"
	"sort"
	"time"
)

// Hours are a shop's opening hours, by its own wall clock.
type Hours struct {
	Known  bool        // false: no hours were given, the shop is always open
	Week   [7][]Window // by time.Weekday; empty: closed
	Except []Exception // by date, ascending, each date once
}

// Exception replaces the windows that start on one date. No windows: closed.
type Exception struct {
	Date    Date
	Windows []Window
}

// Date is a day of the Gregorian calendar.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the date that t has in its own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// ParseDate reads "2026-12-25".
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date: write year-month-day, like 2026-12-25", s)
	}
	return DateOf(t), nil
}

// String returns the date as "2026-12-25".
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }

// Compare orders two dates as -1, 0 or +1.
func (d Date) Compare(o Date) int {
	a, b := (d.Year*16+int(d.Month))*32+d.Day, (o.Year*16+int(o.Month))*32+o.Day
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (d Date) next() Date { return DateOf(time.Date(d.Year, d.Month, d.Day+1, 0, 0, 0, 0, time.UTC)) }
func (d Date) prev() Date { return DateOf(time.Date(d.Year, d.Month, d.Day-1, 0, 0, 0, 0, time.UTC)) }
func (d Date) weekday() time.Weekday {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC).Weekday()
}

// On returns the windows that start on a date.
func (h *Hours) On(d Date) []Window {
	i := sort.Search(len(h.Except), func(i int) bool { return h.Except[i].Date.Compare(d) >= 0 })
	if i < len(h.Except) && h.Except[i].Date == d {
		return h.Except[i].Windows
	}
	return h.Week[d.weekday()]
}

// OpenAt reports whether t lies in a window, by the wall clock of loc.
func (h *Hours) OpenAt(t time.Time, loc *time.Location) bool {
	if !h.Known {
		return true
	}
	local := t.In(loc)
	today := DateOf(local)
	// Away from a change of the clocks the wall clock alone decides, which is several times faster
	// than turning windows into instants.
	const near = 50 * time.Hour
	start, end := local.ZoneBounds()
	if (start.IsZero() || local.Sub(start) > near) && (end.IsZero() || end.Sub(local) > near) {
		minute := local.Hour()*60 + local.Minute()
		return covers(h.On(today), minute) || covers(h.On(today.prev()), minute+Day)
	}
	// The change can put t one day off from where its windows start, on either side.
	for _, d := range [...]Date{today.prev(), today, today.next()} {
		for _, w := range h.On(d) {
			if !t.Before(Instant(d, w.From, loc)) && t.Before(Instant(d, w.To, loc)) {
				return true
			}
		}
	}
	return false
}

// mostDays is how far OpenAfter looks.
const mostDays = 400

// OpenAfter returns the moment at which the shop has been open for so long since from, by the wall
// clock of loc; after mostDays days if it has not been by then.
func (h *Hours) OpenAfter(from time.Time, length time.Duration, loc *time.Location) time.Time {
	if !h.Known {
		return from.Add(length)
	}
	at := from // all before it has been looked at
	d := DateOf(from.In(loc)).prev()
	for range mostDays {
		for _, w := range h.On(d) {
			start, end := Instant(d, w.From, loc), Instant(d, w.To, loc)
			if start.Before(at) {
				start = at
			}
			open := end.Sub(start)
			if open <= 0 {
				continue
			}
			if open >= length {
				return start.Add(length)
			}
			length -= open
			at = end
		}
		d = d.next()
	}
	return from.AddDate(0, 0, mostDays)
}

func covers(windows []Window, minute int) bool {
	for _, w := range windows {
		if w.From <= minute && minute < w.To {
			return true
		}
	}
	return false
}

// Instant returns when the clocks of loc show that many minutes after midnight of d. A time that
// they show twice is the first of both, and one that they skip is read with the offset before the
// gap (RFC 5545, section 3.3.5). time.Date promises neither.
func Instant(d Date, minutes int, loc *time.Location) time.Time {
	wall := time.Date(d.Year, d.Month, d.Day, 0, minutes, 0, 0, time.UTC)
	at := func(offset int) time.Time { return wall.Add(-time.Duration(offset) * time.Second).In(loc) }

	t := time.Date(d.Year, d.Month, d.Day, 0, minutes, 0, 0, loc)
	_, offset := t.Zone()
	if other := at(offset); !other.Equal(t) { // skipped: the two readings differ by the gap, and the offset before it gives the later one
		if other.After(t) {
			return other
		}
		return t
	}
	if start, _ := t.ZoneBounds(); !start.IsZero() {
		_, before := start.Add(-time.Second).Zone()
		if first := at(before); first.Before(start) && first.Before(t) {
			return first
		}
	}
	return t
}
