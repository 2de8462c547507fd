package cases

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/rules/hours"
)

// wall is a local time as somebody wrote it: what a clock on the shop's wall shows.
type wall struct {
	date    hours.Date
	hasDate bool
	seconds int // of the day
	offset  int // seconds east of UTC
	hasOff  bool
	exact   bool // the seconds are written too
	text    string
}

var wallForm = regexp.MustCompile(`^(?:(\d{4}-\d{2}-\d{2})[ T])?(\d{1,2}):(\d{2})(?::(\d{2}))?(?: ?([+-])(\d{2}):(\d{2})| ?(Z))?$`)

const wallHint = "write 2026-03-10 09:30, or 09:30 for a time on the same day"

// parseWall reads "2026-03-10 09:30", "09:30:05", and either with the distance to UTC behind it, as
// in "02:30 +01:00".
func parseWall(text string) (wall, error) {
	m := wallForm.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return wall{}, fmt.Errorf("%q is not a time", text)
	}
	w := wall{text: strings.TrimSpace(text), hasDate: m[1] != "", exact: m[4] != "", hasOff: m[5]+m[8] != ""}
	if w.hasDate {
		var err error
		if w.date, err = hours.ParseDate(m[1]); err != nil {
			return wall{}, fmt.Errorf("%q is not a date", m[1])
		}
		if w.date.Year < 1970 || w.date.Year > 2200 {
			return wall{}, fmt.Errorf("the year %d is out of range: 1970 to 2200", w.date.Year)
		}
	}
	number := func(i int) int { n, _ := strconv.Atoi(m[i]); return n } // at most two digits, or none
	if number(2) > 23 || number(3) > 59 || number(4) > 59 {
		return wall{}, fmt.Errorf("%q is not a time of day", text)
	}
	w.seconds = number(2)*3600 + number(3)*60 + number(4)
	w.offset = number(6)*3600 + number(7)*60
	if m[5] == "-" {
		w.offset = -w.offset
	}
	return w, nil
}

// wallError says why a local time is no moment, and what to write instead.
type wallError struct{ message, hint string }

func (e *wallError) Error() string { return e.message }

// resolve finds the moment at which the clocks of loc show w. Where the clocks were put forward
// there is none, where they were put back there are two: both are errors that say so, since a case
// must not depend on which one a library picks.
func (w *wall) resolve(loc *time.Location) (time.Time, *wallError) {
	utc := time.Date(w.date.Year, w.date.Month, w.date.Day, 0, 0, w.seconds, 0, time.UTC)
	near := time.Date(w.date.Year, w.date.Month, w.date.Day, 0, 0, w.seconds, 0, loc)
	start, end := near.ZoneBounds()
	probes := []time.Time{near}
	if !start.IsZero() {
		probes = append(probes, start.Add(-time.Second))
	}
	if !end.IsZero() {
		probes = append(probes, end)
	}
	var found []time.Time
	for _, p := range probes {
		_, offset := p.Zone()
		t := utc.Add(-time.Duration(offset) * time.Second).In(loc)
		if _, o := t.Zone(); o != offset {
			continue
		}
		if !slices.ContainsFunc(found, t.Equal) {
			found = append(found, t)
		}
	}
	if w.hasOff {
		for _, t := range found {
			if _, o := t.Zone(); o == w.offset {
				return t, nil
			}
		}
		e := &wallError{message: fmt.Sprintf("the clocks of %s never show %s with this distance to UTC", loc, utc.Format(time.DateTime))}
		if len(found) > 0 {
			e.hint = "write " + w.form(utc) + found[0].Format(" -07:00") + ", or leave the distance out"
		}
		return time.Time{}, e
	}
	switch {
	case len(found) == 2:
		if found[1].Before(found[0]) {
			found[0], found[1] = found[1], found[0]
		}
		return time.Time{}, &wallError{
			message: fmt.Sprintf("the clocks of %s show %s twice, since they are put back that day", loc, w.form(utc)),
			hint: fmt.Sprintf("write %s%s for the first time, %[1]s%[3]s for the second", w.form(utc),
				found[0].Format(" -07:00"), found[1].Format(" -07:00")),
		}
	case len(found) == 0:
		change := start // of the offset: the time that was left out is around it
		if d := end.Sub(near); change.IsZero() || !end.IsZero() && d.Abs() < near.Sub(start).Abs() {
			change = end
		}
		_, offset := change.Add(-time.Second).In(loc).Zone()
		before, after := change.UTC().Add(time.Duration(offset)*time.Second), change.In(loc)
		return time.Time{}, &wallError{
			message: fmt.Sprintf("the clocks of %s never show %s: they go from %s to %s that day", loc, w.form(utc),
				before.Format("15:04"), after.Format("15:04")),
			hint: "write " + w.onDay(after) + " for the moment of the change",
		}
	}
	return found[0], nil
}

// form writes a local time, kept as if it were UTC, as w was written.
func (w *wall) form(utc time.Time) string {
	clock := "15:04"
	if w.seconds%60 != 0 {
		clock = time.TimeOnly
	}
	if w.hasDate {
		return utc.Format(time.DateOnly + " " + clock)
	}
	return utc.Format(clock)
}

func (w *wall) onDay(t time.Time) string {
	if w.hasDate {
		return t.Format(time.DateOnly + " 15:04")
	}
	return t.Format("15:04")
}

// about writes a length of time, to the second from a minute on.
func about(d time.Duration) string {
	if d >= time.Minute {
		d = d.Round(time.Second)
	}
	return hours.FormatPeriod(d)
}
