package hours

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/rules/doc"
)

// WeekWindow is a Window that begins on some weekdays. Digests of rules hold what fmt.Sprint writes
// of it, so its shape stays.
type WeekWindow struct {
	Days [7]bool // by time.Weekday, the day on which the span begins
	From int     // minutes from midnight, 0 to 1439
	To   int     // minutes from midnight, exclusive; above 1440 when it passes midnight, at most 2880
}

// Week are windows of the week, such as "mon-fri 09:00-18:00, sat 22:00-02:00".
type Week []WeekWindow

// Contains reports whether the minute of that day, 0 to 1439, lies in one of the windows. A window
// that passes midnight belongs to the day on which it began: "sat 22:00-02:00" contains Sunday
// 01:30.
func (w Week) Contains(weekday time.Weekday, minuteOfDay int) bool {
	today := int(weekday) % 7
	before := (today + 6) % 7
	for i := range w {
		if w[i].Days[today] && minuteOfDay >= w[i].From && minuteOfDay < w[i].To {
			return true
		}
		if w[i].Days[before] && minuteOfDay+Day < w[i].To {
			return true
		}
	}
	return false
}

// Longest is the length of the longest time without a break, at most a week.
func (w Week) Longest() time.Duration {
	const week = 7 * Day
	var spans []Window // in minutes of two weeks, since the week goes round
	for i := range w {
		for d, on := range w[i].Days {
			if on {
				from, to := d*Day+w[i].From, d*Day+w[i].To
				spans = append(spans, Window{from, to}, Window{from + week, to + week})
			}
		}
	}
	slices.SortFunc(spans, func(a, b Window) int { return cmp.Compare(a.From, b.From) })
	most := 0
	for i, from := 0, 0; i < len(spans); i++ {
		if i == 0 || spans[i].From > spans[i-1].To {
			from = spans[i].From
		} else {
			spans[i].To = max(spans[i].To, spans[i-1].To)
		}
		most = max(most, spans[i].To-from)
	}
	return time.Duration(min(most, week)) * time.Minute
}

const maxWindows = 50

var dayPrefixes = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseWeek reads windows separated by commas. Each is an optional day or span of days and a
// Window: "mon-fri 09:00-18:00", "sat 22:00-02:00", "07:00-08:30" (every day); or days alone, which
// are whole: "mon-fri".
func ParseWeek(text string) (Week, error) {
	var out Week
	for part := range strings.SplitSeq(text, ",") {
		w, err := parseWeekWindow(strings.TrimSpace(part))
		if err != nil {
			return nil, err
		}
		if len(out) == maxWindows {
			return nil, fmt.Errorf("more than %d windows", maxWindows)
		}
		out = append(out, w)
	}
	return out, nil
}

func parseWeekWindow(text string) (WeekWindow, error) {
	fields := strings.Fields(text)
	w := WeekWindow{Days: [7]bool{true, true, true, true, true, true, true}}
	if len(fields) == 1 && strings.Trim(text, "0123456789:-") != "" && !strings.Contains(text, ":") {
		fields = append(fields, "00:00-24:00")
	}
	switch len(fields) {
	case 1:
	case 2:
		first, last, isSpan := strings.Cut(strings.ToLower(fields[0]), "-")
		from, err := parseDay(first)
		if err != nil {
			return w, err
		}
		to := from
		if isSpan {
			if to, err = parseDay(last); err != nil {
				return w, err
			}
		}
		w.Days = [7]bool{}
		w.Days[to] = true
		for d := from; d != to; d = (d + 1) % 7 {
			w.Days[d] = true
		}
	default:
		return w, fmt.Errorf("%q is not a window such as mon-fri 09:00-18:00", text)
	}
	span, err := ParseWindow(fields[len(fields)-1])
	w.From, w.To = span.From, span.To
	return w, err
}

func parseDay(text string) (int, error) {
	for i, p := range dayPrefixes {
		if text == p || text == strings.ToLower(time.Weekday(i).String()) {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%q is not a day; %s", text, doc.Suggest(text, dayPrefixes, "days are mon tue wed thu fri sat sun"))
}
