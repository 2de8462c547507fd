package rules

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"lintel/engine/faults"
)

// Hours of a rule that are not windows.
const (
	HoursAlways = "always"
	HoursOpen   = "open" // the site's opening hours
)

const minutesPerDay = 24 * 60

// Window is a span of a day on some weekdays. To may pass midnight: the span then ends on the day after.
type Window struct {
	Days [7]bool // by time.Weekday, the day on which the span begins
	From int     // minutes from midnight, 0 to 1439
	To   int     // minutes from midnight, exclusive; above 1440 when it passes midnight, at most 2880
}

// Windows are spans of the week, such as "mon-fri 09:00-18:00, sat 22:00-02:00".
type Windows []Window

// Contains reports whether the minute of that day, 0 to 1439, lies in one of the windows. A window that passes midnight belongs to the day
// on which it began: "sat 22:00-02:00" contains Sunday 01:30.
func (w Windows) Contains(weekday time.Weekday, minuteOfDay int) bool {
	today := int(weekday) % 7
	before := (today + 6) % 7
	for i := range w {
		if w[i].Days[today] && minuteOfDay >= w[i].From && minuteOfDay < w[i].To {
			return true
		}
		if w[i].Days[before] && minuteOfDay+minutesPerDay < w[i].To {
			return true
		}
	}
	return false
}

const maxWindows = 50

var dayPrefixes = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseWindows reads windows separated by commas. Each is an optional day or span of days and a span of time: "mon-fri 09:00-18:00",
// "sat 22:00-02:00", "07:00-08:30" (every day). A span of time that ends before it begins ends on the next day; 24:00 is the end of the day.
func ParseWindows(text string) (Windows, error) {
	var out Windows
	for part := range strings.SplitSeq(text, ",") {
		w, err := parseWindow(strings.TrimSpace(part))
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

func parseWindow(text string) (Window, error) {
	fields := strings.Fields(text)
	var w Window
	switch len(fields) {
	case 1:
		w.Days = [7]bool{true, true, true, true, true, true, true}
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
		for d := from; ; d = (d + 1) % 7 {
			w.Days[d] = true
			if d == to {
				break
			}
		}
	default:
		return w, fmt.Errorf("%q is not a window such as mon-fri 09:00-18:00", text)
	}
	span := fields[len(fields)-1]
	first, last, ok := strings.Cut(span, "-")
	if !ok {
		return w, fmt.Errorf("%q is not a span of time such as 09:00-18:00", span)
	}
	var err error
	if w.From, err = parseMinute(first); err != nil {
		return w, err
	}
	if w.To, err = parseMinute(last); err != nil {
		return w, err
	}
	switch {
	case w.From == minutesPerDay:
		return w, fmt.Errorf("%q begins at 24:00; write 00:00 on the next day", span)
	case w.From == w.To:
		return w, fmt.Errorf("%q is empty; a whole day is 00:00-24:00", span)
	case w.To < w.From:
		w.To += minutesPerDay
	}
	return w, nil
}

func parseDay(text string) (int, error) {
	for i, p := range dayPrefixes {
		if text == p || text == strings.ToLower(time.Weekday(i).String()) {
			return i, nil
		}
	}
	err := fmt.Errorf("%q is not a day; days are mon tue wed thu fri sat sun", text)
	if n := faults.Nearest(text, dayPrefixes); n != "" {
		err = fmt.Errorf("%q is not a day; did you mean %s?", text, n)
	}
	return 0, err
}

func parseMinute(text string) (int, error) {
	h, m, ok := strings.Cut(text, ":")
	hour, errHour := strconv.Atoi(h)
	minute, errMinute := strconv.Atoi(m)
	if !ok || errHour != nil || errMinute != nil || len(h) != 2 || len(m) != 2 || hour < 0 || minute < 0 || minute > 59 ||
		hour*60+minute > minutesPerDay {
		return 0, fmt.Errorf("%q is not a time of day such as 09:00", text)
	}
	return hour*60 + minute, nil
}
