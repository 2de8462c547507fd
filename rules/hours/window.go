package hours

import (
	"fmt"
	"slices"
	"strings"
)

// Day is how many minutes a day has by the clock.
const Day = 24 * 60

// Window is a time of day from From (included) to To (excluded), in minutes after midnight of the
// day on which it starts. To is past 1440 if the window ends on the next day. 0 <= From < 1440 and
// From < To <= From+1440.
type Window struct{ From, To int }

// String returns the window as "09:00-18:00".
func (w Window) String() string { return clock(w.From) + "-" + clock(w.To) }

func clock(minute int) string {
	if minute > Day {
		minute -= Day
	}
	return fmt.Sprintf("%02d:%02d", minute/60, minute%60)
}

// ParseWindow reads "09:00-18:00". A window whose end is not after its start ends on the next day;
// 24:00 is the end of the day.
func ParseWindow(text string) (Window, error) {
	from, to, ok := strings.Cut(text, "-")
	if !ok {
		return Window{}, fmt.Errorf("%q is not a span of time such as 09:00-18:00", text)
	}
	var w Window
	var err error
	if w.From, err = ParseClock(from); err != nil {
		return w, err
	}
	if w.To, err = ParseClock(to); err != nil {
		return w, err
	}
	switch {
	case w.From == Day:
		return w, fmt.Errorf("%q begins at 24:00; write 00:00 on the next day", text)
	case w.From == w.To:
		return w, fmt.Errorf("%q is empty; a whole day is 00:00-24:00", text)
	case w.To < w.From:
		w.To += Day
	}
	return w, nil
}

// ParseClock reads "09:00" to "24:00" as minutes after midnight; one digit will do for the hour.
func ParseClock(text string) (int, error) {
	hour, minute, ok := strings.Cut(strings.TrimSpace(text), ":")
	h, okHour := twoDigits(hour)
	m, okMinute := twoDigits(minute)
	if !ok || !okHour || !okMinute || len(minute) != 2 || m > 59 || h*60+m > Day {
		return 0, fmt.Errorf("%q is not a time of day such as 09:00", text)
	}
	return h*60 + m, nil
}

// twoDigits reads one or two digits.
func twoDigits(s string) (n int, ok bool) {
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, len(s) == 1 || len(s) == 2
}

const maxWindowsOfDay = 12

// ParseWindows reads "09:00-18:00", several windows divided by commas, or "closed" (no windows).
// Windows are returned by start; those that overlap are an error.
func ParseWindows(text string) ([]Window, error) {
	if strings.TrimSpace(text) == "closed" {
		return nil, nil
	}
	parts := strings.Split(text, ",")
	if len(parts) > maxWindowsOfDay {
		return nil, fmt.Errorf("a day has %d windows; at most %d are allowed", len(parts), maxWindowsOfDay)
	}
	windows := make([]Window, len(parts))
	for i, part := range parts {
		var err error
		switch windows[i], err = ParseWindow(strings.TrimSpace(part)); {
		case err != nil && len(parts) == 1 && !strings.Contains(part, "-"):
			return nil, fmt.Errorf("%w, or closed", err)
		case err != nil:
			return nil, err
		}
	}
	slices.SortFunc(windows, func(a, b Window) int { return a.From - b.From })
	for i := 1; i < len(windows); i++ {
		if windows[i].From < windows[i-1].To {
			return nil, fmt.Errorf("%s and %s overlap: join them to one window", windows[i-1], windows[i])
		}
	}
	return windows, nil
}

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
