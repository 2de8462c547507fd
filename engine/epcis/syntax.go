package epcis

import (
	"strings"
	"time"
)

// uriByte are the characters of a URI besides the percent sign. Source: RFC 3986, section 2. The
// square brackets of an IP literal are not among them: no identifier of the standard has them, and
// elsewhere in a URI they are wrong.
var uriByte = func() (set [256]bool) {
	for c := range 256 {
		set[c] = isAlpha(byte(c)) || isDigit(byte(c))
	}
	for _, c := range "-._~:/?#@!$&'()*+,;=" {
		set[c] = true
	}
	return set
}()

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
func isAlpha(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }
func isHex(c byte) bool   { return isDigit(c) || c|0x20 >= 'a' && c|0x20 <= 'f' }

// validURI reports whether s is an absolute URI: a scheme, a colon and something behind it. A name
// with a prefix is one, too.
func validURI(s string) bool {
	if s == "" || !isAlpha(s[0]) {
		return false
	}
	i := 1
	for i < len(s) && (isAlpha(s[i]) || isDigit(s[i]) || s[i] == '+' || s[i] == '-' || s[i] == '.') {
		i++
	}
	if i+1 >= len(s) || s[i] != ':' {
		return false
	}
	fragment := false
	for i++; i < len(s); i++ {
		switch c := s[i]; {
		case c == '%':
			if i+2 >= len(s) || !isHex(s[i+1]) || !isHex(s[i+2]) {
				return false
			}
			i += 2
		case c == '#':
			if fragment {
				return false
			}
			fragment = true
		case !uriByte[c]:
			return false
		}
	}
	return true
}

// parseTime reads an RFC 3339 time. The standard library takes a few forms that are none: an hour
// of one digit, a comma, an offset of 24 hours.
func parseTime(s string) (time.Time, bool) {
	const shape = "0000-00-00T00:00:00"
	if len(s) <= len(shape) || len(s) > 64 {
		return time.Time{}, false
	}
	for i := range len(shape) {
		if shape[i] == '0' && !isDigit(s[i]) || shape[i] != '0' && s[i] != shape[i] {
			return time.Time{}, false
		}
	}
	zone := strings.TrimLeft(strings.TrimPrefix(s[len(shape):], "."), "0123456789")
	if strings.IndexByte(s, ',') >= 0 || zone != "Z" && (len(zone) != 6 || zone[1:3] > "23" || zone[4:] > "59") {
		return time.Time{}, false
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	return t, err == nil
}

// millis rounds half up to milliseconds.
func millis(t time.Time) int64 {
	return t.Add(500*time.Microsecond).Unix()*1000 + int64(t.Add(500*time.Microsecond).Nanosecond())/1e6
}

// validOffset reports whether s is a time zone offset of at most 14 hours.
func validOffset(s string) bool {
	if len(s) != 6 || s[0] != '+' && s[0] != '-' || s[3] != ':' || !isDigit(s[1]) || !isDigit(s[2]) || !isDigit(s[4]) || !isDigit(s[5]) {
		return false
	}
	h := int(s[1]-'0')*10 + int(s[2]-'0')
	m := int(s[4]-'0')*10 + int(s[5]-'0')
	return h <= 13 && m <= 59 || h == 14 && m == 0
}

// validUnit reports whether s looks like a code of UN/ECE Recommendation 20.
func validUnit(s string) bool {
	if len(s) < 2 || len(s) > 3 {
		return false
	}
	for i := range len(s) {
		if !isDigit(s[i]) && (s[i] < 'A' || s[i] > 'Z') {
			return false
		}
	}
	return true
}
