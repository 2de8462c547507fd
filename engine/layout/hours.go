package layout

import (
	"fmt"
	"sort"
	"strings"
	"time"
)

// Hours are a shop's opening hours, by its own wall clock.
type Hours struct {
	Known  bool        // false: no hours were given, the shop is always open
	Week   [7][]Window // by time.Weekday; empty: closed
	Except []Exception // by date, ascending, each date once
}

// Window is a time of day from From (included) to To (excluded), in minutes after midnight of the day on which it starts. To is past 1440 if
// the window ends on the next day. 0 <= From < 1440 and From < To <= From+1440.
type Window struct{ From, To int }

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

const dayMinutes = 24 * 60

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
	// Away from a change of the clocks the wall clock alone decides, which is several times faster than turning windows into instants.
	const near = 50 * time.Hour
	start, end := local.ZoneBounds()
	if (start.IsZero() || local.Sub(start) > near) && (end.IsZero() || end.Sub(local) > near) {
		minute := local.Hour()*60 + local.Minute()
		return covers(h.On(today), minute) || covers(h.On(today.prev()), minute+dayMinutes)
	}
	// The change can put t one day off from where its windows start, on either side.
	for _, d := range [...]Date{today.prev(), today, today.next()} {
		for _, w := range h.On(d) {
			if !t.Before(instant(d, w.From, loc)) && t.Before(instant(d, w.To, loc)) {
				return true
			}
		}
	}
	return false
}

func covers(windows []Window, minute int) bool {
	for _, w := range windows {
		if w.From <= minute && minute < w.To {
			return true
		}
	}
	return false
}

// instant returns when the clocks of loc show that many minutes after midnight of d. A time that they show twice is the first
// of both, and one that they skip is read with the offset before the gap (RFC 5545, section 3.3.5). time.Date promises neither.
func instant(d Date, minutes int, loc *time.Location) time.Time {
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

// ParseWindows reads "09:00-18:00", several windows divided by commas, or "closed" (no windows). A window whose end is not after its
// start ends on the next day. Windows are returned by start; those that overlap are an error.
func ParseWindows(s string) ([]Window, error) {
	text := strings.TrimSpace(s)
	if text == "closed" {
		return nil, nil
	}
	const how = `write "closed" or windows like "09:00-18:00" or "09:00-12:30, 13:30-18:00"`
	if text == "" {
		return nil, fmt.Errorf("hours are empty: %s", how)
	}
	const most = 12
	parts := strings.Split(text, ",")
	if len(parts) > most {
		return nil, fmt.Errorf("a day has %d windows; at most %d are allowed", len(parts), most)
	}
	var windows []Window
	for _, part := range parts {
		from, to, ok := strings.Cut(strings.TrimSpace(part), "-")
		if !ok {
			return nil, fmt.Errorf("%q is no window: %s", part, how)
		}
		w := Window{}
		if w.From, ok = parseClock(from); !ok || w.From == dayMinutes {
			return nil, fmt.Errorf("%q is no time of day to start at: %s", from, how)
		}
		if w.To, ok = parseClock(to); !ok {
			return nil, fmt.Errorf("%q is no time of day to end at: %s", to, how)
		}
		if w.To == w.From {
			return nil, fmt.Errorf(`%q ends when it starts: for a whole day write "00:00-24:00"`, part)
		}
		if w.To < w.From {
			w.To += dayMinutes
		}
		windows = append(windows, w)
	}
	sort.Slice(windows, func(i, j int) bool { return windows[i].From < windows[j].From })
	for i := 1; i < len(windows); i++ {
		if windows[i].From < windows[i-1].To {
			return nil, fmt.Errorf("%s and %s overlap: join them to one window", windows[i-1], windows[i])
		}
	}
	return windows, nil
}

// String returns the window as "09:00-18:00".
func (w Window) String() string { return clock(w.From) + "-" + clock(w.To) }

// FormatWindows returns what ParseWindows reads.
func FormatWindows(windows []Window) string {
	if len(windows) == 0 {
		return "closed"
	}
	parts := make([]string, len(windows))
	for i, w := range windows {
		parts[i] = w.String()
	}
	return strings.Join(parts, ", ")
}

func clock(minute int) string {
	if minute > dayMinutes {
		minute -= dayMinutes
	}
	return fmt.Sprintf("%02d:%02d", minute/60, minute%60)
}

// parseClock reads "09:00" to "24:00" as minutes after midnight; one digit will do for the hour.
func parseClock(s string) (int, bool) {
	hour, minute, ok := strings.Cut(strings.TrimSpace(s), ":")
	if !ok || len(hour) == 0 || len(hour) > 2 || len(minute) != 2 {
		return 0, false
	}
	digits := func(s string) (n int) {
		for _, c := range []byte(s) {
			if c < '0' || c > '9' {
				ok = false
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	h, m := digits(hour), digits(minute)
	if !ok || m > 59 || h > 24 || h == 24 && m != 0 {
		return 0, false
	}
	return h*60 + m, true
}
