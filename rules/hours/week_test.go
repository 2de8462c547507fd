package hours

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestWindows(t *testing.T) {
	for _, c := range []struct {
		text    string
		in, out []string
	}{
		{"mon-fri 09:00-18:00", []string{"Mon 09:00", "Fri 17:59"}, []string{"Mon 08:59", "Fri 18:00", "Sat 12:00", "Sun 12:00"}},
		{"sat 22:00-02:00", []string{"Sat 22:00", "Sat 23:59", "Sun 00:00", "Sun 01:59"},
			[]string{"Sun 02:00", "Sat 01:00", "Sun 22:00", "Mon 00:00"}},
		{"sat-mon 10:00-11:00", []string{"Sat 10:00", "Sun 10:30", "Mon 10:59"}, []string{"Tue 10:00", "Fri 10:00"}},
		{"07:30-08:00", []string{"Wed 07:30", "Sun 07:59"}, []string{"Wed 08:00"}},
		{"00:00-24:00", []string{"Wed 00:00", "Sun 23:59"}, nil},
		{"sun 18:00-24:00, Monday 09:00-12:00", []string{"Sun 23:59", "Mon 09:00"}, []string{"Mon 00:00", "Mon 12:00"}},
	} {
		w, err := ParseWeek(c.text)
		require.NoError(t, err)
		contains := func(at string) bool {
			when, err := time.Parse("2006-01-02 Mon 15:04", at)
			require.NoError(t, err)
			return w.Contains(when.Weekday(), when.Hour()*60+when.Minute())
		}
		for _, at := range c.in {
			require.True(t, contains(dated(at)), "%s: %s", c.text, at)
		}
		for _, at := range c.out {
			require.False(t, contains(dated(at)), "%s: %s", c.text, at)
		}
	}
}

// dated puts the date of a week in November 2026 before a day and time.
func dated(at string) string {
	days := map[string]int{"Mon": 23, "Tue": 24, "Wed": 25, "Thu": 26, "Fri": 27, "Sat": 28, "Sun": 29}
	return fmt.Sprintf("2026-11-%d %s", days[at[:3]], at)
}

func TestBadWindows(t *testing.T) {
	for text, message := range map[string]string{
		"":                              "is not a window",
		"0900":                          "is not a span of time",
		"mon-fri-sat":                   "is not a day",
		"mon-fri 09:00-18:60":           "is not a time of day",
		"mon-fri 24:00-02:00":           "begins at 24:00",
		"mon 09:00-09:00":               "is empty",
		"mun 09:00-10:00":               "did you mean",
		"mon-fri,satt 09:00-10:00":      "did you mean",
		"mon 09:00 - 10:00":             "is not a window",
		"mon 09:00-24:01":               "is not a time of day",
		"mon 09:00--1:00":               "is not a time of day",
		"mon 09:00-10:00,":              "is not a window",
		"mon-tue-wed 09:00-10:00, open": "is not a day",
	} {
		_, err := ParseWeek(text)
		require.ErrorContains(t, err, message, text)
	}
}

// TestWindowsAgainstTheCalendar compares Contains with spans of real time: a window that begins on
// a day holds from that minute on for its length, whatever midnight does.
func TestWindowsAgainstTheCalendar(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := rapid.IntRange(0, 6).Draw(t, "day")
		from, to := rapid.IntRange(0, 1439).Draw(t, "from"), rapid.IntRange(0, 1440).Draw(t, "to")
		if from == to {
			t.Skip("empty")
		}
		text := fmt.Sprintf("%s %02d:%02d-%02d:%02d", dayPrefixes[day], from/60, from%60, to/60, to%60)
		w, err := ParseWeek(text)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(2026, 11, 22, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(7*1440, 14*1440-1).Draw(t,
			"at")) * time.Minute)
		want := false
		for week := range 3 { // every beginning near that minute
			begin := time.Date(2026, 11, 22+7*week+day, from/60, from%60, 0, 0, time.UTC)
			end := time.Date(2026, 11, 22+7*week+day, to/60, to%60, 0, 0, time.UTC)
			if !end.After(begin) {
				end = end.AddDate(0, 0, 1)
			}
			want = want || !at.Before(begin) && at.Before(end)
		}
		if got := w.Contains(at.Weekday(), at.Hour()*60+at.Minute()); got != want {
			t.Fatalf("%s at %s: %t, want %t", text, at.Format("Mon 15:04"), got, want)
		}
	})
}
