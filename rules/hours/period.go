package hours

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"lintel/rules/doc"
)

// PeriodHint is how to write a length of time.
const PeriodHint = "write a number and a unit, such as 700ms, 3s, 20m, 1h30m or 2d"

// ParsePeriod reads a length of time; on top of Go's notation it knows whole days, as in 2d or
// 1d12h. The error says what is wrong, PeriodHint how to fix it.
func ParsePeriod(text string) (time.Duration, error) {
	text = strings.TrimSpace(text)
	bad := fmt.Errorf("%.60q is not a length of time", text)
	days, rest := time.Duration(0), text
	if n, after, ok := strings.Cut(text, "d"); ok {
		d, err := strconv.ParseUint(n, 10, 16)
		if err != nil {
			return 0, bad
		}
		if days, rest = time.Duration(d)*24*time.Hour, after; rest == "" {
			return days, nil
		}
	}
	d, err := time.ParseDuration(rest)
	if err != nil {
		return 0, bad
	}
	return days + d, nil
}

// spelt is a length of time whose unit is written out, or stands apart.
var spelt = regexp.MustCompile(`^(\d+(?:[.,]\d+)?)\s*([smhd])(?:ec|ecs|econd|econds|in|ins|inute|inutes|r|rs|our|ours|ay|ays)?\.?$`)

// PeriodWithin is ParsePeriod for a length of time from least to most; the reason and the hint say
// what is wrong, and are empty if nothing is.
func PeriodWithin(text string, least, most time.Duration) (d time.Duration, reason, hint string) {
	d, err := ParsePeriod(text)
	switch {
	case err != nil:
		if m := spelt.FindStringSubmatch(strings.ToLower(strings.TrimSpace(text))); m != nil {
			return 0, err.Error(), "write " + strings.ReplaceAll(m[1], ",", ".") + m[2]
		}
		return 0, err.Error(), PeriodHint
	case d < least || d > most:
		return 0, fmt.Sprintf("%s is out of range: from %s to %s", strings.TrimSpace(text), FormatPeriod(least), FormatPeriod(most)), ""
	}
	return d, "", ""
}

// Member reads a member of a document that is a length of time from least to most, else otherwise.
func Member(o doc.Object, name string, least, most, otherwise time.Duration) time.Duration {
	text, ok := o.Text(name, false)
	if !ok {
		return otherwise
	}
	d, reason, hint := PeriodWithin(text, least, most)
	if reason != "" {
		o.Problem(name, hint, "%s", reason)
		return otherwise
	}
	return d
}

// FormatPeriod writes a length of time without the parts that are zero: 10m, 1h30m, 700ms, and 2d
// for whole days.
func FormatPeriod(d time.Duration) string {
	if day := 24 * time.Hour; d >= 2*day && d%day == 0 {
		return fmt.Sprintf("%dd", d/day)
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// OpenPeriod writes a length of time as rules have it; open says that it counts opening hours alone.
func OpenPeriod(d time.Duration, open bool) string {
	if open {
		return FormatPeriod(d) + " open"
	}
	return FormatPeriod(d)
}
