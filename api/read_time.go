package api

import (
	"fmt"
	"strconv"
	"time"
	"unsafe"

	"lintel/api/kit"
)

// aheadLimit is how far a time may be ahead of the server's clock. A reader whose clock runs
// further ahead must be set right: its reads would otherwise hide all that others see of the same
// items.
const aheadLimit = 5 * time.Minute

// earliest is the first moment that a time may name: reads are younger than the standard that they
// follow, and Unix seconds given for milliseconds land before it.
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

// instants parses the times of one batch. They are mostly of the same minute, so the minute is
// kept.
type instants struct {
	minute   [16]byte // "2026-11-25T09:14"
	minuteMs int64    // as UTC
	known    bool
}

// parse reads an RFC 3339 date-time as Unix milliseconds; what is finer is cut off.
func (p *instants) parse(b []byte) (int64, error) {
	if len(b) < len("2026-11-25T09:14:07Z") || b[16] != ':' || !p.known || [16]byte(b[:16]) != p.minute {
		return p.parseSlow(b)
	}
	s1, s2 := b[17]-'0', b[18]-'0'
	if s1 > 5 || s2 > 9 {
		return p.parseSlow(b)
	}
	ms := p.minuteMs + int64(s1*10+s2)*1000
	i := 19
	if b[i] == '.' {
		i++
		start, scale := i, int64(100)
		for i < len(b) && b[i]-'0' <= 9 {
			ms += int64(b[i]-'0') * scale
			scale /= 10
			i++
		}
		if i == start {
			return p.parseSlow(b)
		}
	}
	switch rest := b[i:]; {
	case len(rest) == 1 && rest[0] == 'Z':
		return ms, nil
	case len(rest) == 6 && (rest[0] == '+' || rest[0] == '-') && rest[3] == ':':
		h1, h2, m1, m2 := rest[1]-'0', rest[2]-'0', rest[4]-'0', rest[5]-'0'
		if h1 > 9 || h2 > 9 || m1 > 9 || m2 > 9 || h1*10+h2 > 23 || m1 > 5 {
			return p.parseSlow(b)
		}
		off := (int64(h1*10+h2)*60 + int64(m1*10+m2)) * 60_000
		if rest[0] == '-' {
			return ms + off, nil
		}
		return ms - off, nil
	}
	return p.parseSlow(b)
}

// parseSlow reads one time by the standard library, and keeps its minute.
func (p *instants) parseSlow(b []byte) (int64, error) {
	if len(b) > 64 {
		return 0, fmt.Errorf("time %s is too long; write RFC 3339, such as \"2026-11-25T09:14:07Z\"", kit.Shown(b))
	}
	t, err := time.Parse(time.RFC3339Nano, text(b))
	if err != nil {
		return 0, fmt.Errorf("time %s is no RFC 3339 time; write \"2026-11-25T09:14:07Z\", with the zone, or Unix "+
			"milliseconds as a number", kit.Shown(b))
	}
	if m, err := time.Parse("2006-01-02T15:04", text(b[:min(16, len(b))])); err == nil {
		p.minute, p.minuteMs, p.known = [16]byte(b[:16]), m.UnixMilli(), true
	}
	return t.UnixMilli(), nil
}

// millis reads Unix milliseconds written as a JSON number.
func millis(b []byte) (int64, error) {
	ms, err := strconv.ParseInt(text(b), 10, 64)
	if err != nil {
		f, ferr := strconv.ParseFloat(text(b), 64)
		if ferr != nil || f < -1e15 || f > 1e15 || f != float64(int64(f)) {
			return 0, fmt.Errorf("time %s is no whole number of Unix milliseconds", kit.Shown(b))
		}
		ms = int64(f)
	}
	return ms, nil
}

// checkInstant tests that a time is one that a batch may name.
func checkInstant(ms, now int64) (reasonClass, error) {
	switch {
	case ms < earliest && ms > 0 && ms > earliest/1000:
		return reasonTime, fmt.Errorf("time %d is before 2000; it looks like Unix seconds: write milliseconds", ms)
	case ms < earliest:
		return reasonTime, fmt.Errorf("time %s is before 2000", written(ms))
	case ms > now+aheadLimit.Milliseconds():
		ahead := fmt.Sprintf("%d days", (ms-now)/(24*time.Hour).Milliseconds())
		if ms-now < (48 * time.Hour).Milliseconds() {
			ahead = (time.Duration(ms-now) * time.Millisecond).Round(time.Second).String()
		}
		return reasonAhead, fmt.Errorf("time %s is %s ahead of the server's clock, at most %v are taken; set the sender's clock",
			written(ms), ahead, aheadLimit)
	}
	return 0, nil
}

// written writes Unix milliseconds as RFC 3339 in UTC, or as they are where that has no year for them.
func written(ms int64) string {
	if t := time.UnixMilli(ms).UTC(); t.Year() >= 0 && t.Year() <= 9999 {
		return t.Format(time.RFC3339)
	}
	return strconv.FormatInt(ms, 10)
}

// text views bytes as a string without copying them. The string must not be kept longer than the
// bytes stay unchanged.
func text(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }

// moment is Unix milliseconds as a time in UTC, nil for 0.
func moment(ms int64) *time.Time {
	if ms == 0 {
		return nil
	}
	t := time.UnixMilli(ms).UTC()
	return &t
}
