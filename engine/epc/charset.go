package epc

import "strings"

// charset is a set of ASCII characters.
type charset [2]uint64

func setOf(chars string) (s charset) {
	for i := 0; i < len(chars); i++ {
		s[chars[i]>>6&1] |= 1 << (chars[i] & 63)
	}
	return s
}

func (s *charset) has(c byte) bool { return c < 128 && s[c>>6]>>(c&63)&1 == 1 }

const (
	digitChars = "0123456789"
	upperChars = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	lowerChars = "abcdefghijklmnopqrstuvwxyz"
)

var (
	// set82 is the GS1 AI encodable character set 82 (TDS 2.3 Annex A, Table A-1).
	set82 = setOf(`!"%&'()*+,-./:;<=>?_` + digitChars + upperChars + lowerChars)
	// set39 is the GS1 AI encodable character set 39, used by CPI (TDS 2.3 Annex A, Table A-2).
	set39 = setOf("#-/" + digitChars + upperChars)
	// setUnreserved are the characters that a URI never needs to escape (RFC 3986 2.3).
	setUnreserved = setOf("-._~" + digitChars + upperChars + lowerChars)
	// setURNEscaped are the characters of the two sets that an EPC URI writes as %XX (TDS 2.3 5,
	// Annex A).
	setURNEscaped = setOf(`"%&/<>?#`)
)

// firstOutside returns the place of the first character of v that is not in set, or -1.
func firstOutside(v string, set *charset) int {
	for i := 0; i < len(v); i++ {
		if !set.has(v[i]) {
			return i
		}
	}
	return -1
}

// checkChars refuses a value that is empty, too long, or has a character outside set.
func checkChars(v, what string, limit int, set *charset, section string) error {
	if v == "" {
		return broken(section, "%s is empty", what)
	}
	if len(v) > limit {
		return broken(section, "%s has %d characters, at most %d are allowed", what, len(v), limit)
	}
	if i := firstOutside(v, set); i >= 0 {
		return broken("TDS 2.3 Annex A", "%s has %q at place %d, which is outside the GS1 character set", what, v[i], i+1)
	}
	return nil
}

const upperHex = "0123456789ABCDEF"

// appendEscaped appends s with every character of need (or outside keep, where need is nil) as %XX.
func appendEscaped(dst []byte, s string, escape func(byte) bool) []byte {
	for i := 0; i < len(s); i++ {
		if c := s[i]; escape(c) {
			dst = append(dst, '%', upperHex[c>>4], upperHex[c&15])
		} else {
			dst = append(dst, c)
		}
	}
	return dst
}

func urnEscaped(c byte) bool  { return setURNEscaped.has(c) }
func linkEscaped(c byte) bool { return !setUnreserved.has(c) }

// unescapeURN undoes the escapes of an EPC URI. A character that must be escaped and is not is
// refused.
func unescapeURN(s, what string) (string, error) {
	if i := strings.IndexByte(s, '%'); i < 0 && !hasEscapable(s) {
		return s, nil
	}
	const section = "TDS 2.3 5, Annex A"
	out := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c != '%' && setURNEscaped.has(c):
			return "", broken(section, "%s has a bare %q; write it %%%02X", what, c, c)
		case c != '%':
			out = append(out, c)
		default:
			v, ok := hexPair(s[i+1:])
			if !ok {
				return "", broken(section, "%s ends or goes wrong inside the escape %q; two hexadecimal digits "+
					"must follow the %%", what, s[i:min(i+3, len(s))])
			}
			out = append(out, v)
			i += 2
		}
	}
	return string(out), nil
}

func hasEscapable(s string) bool {
	for i := 0; i < len(s); i++ {
		if setURNEscaped.has(s[i]) {
			return true
		}
	}
	return false
}

// unescapeLink undoes the percent-encoding of a path segment (RFC 3986 2.1).
func unescapeLink(s string) (string, error) {
	if strings.IndexByte(s, '%') < 0 {
		return s, nil
	}
	out := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] != '%' {
			out = append(out, s[i])
			continue
		}
		v, ok := hexPair(s[i+1:])
		if !ok {
			return "", malformed("the escape %q is cut off or not hexadecimal; two hexadecimal digits must follow the %%",
				s[i:min(i+3, len(s))])
		}
		out = append(out, v)
		i += 2
	}
	return string(out), nil
}

func hexPair(s string) (byte, bool) {
	if len(s) < 2 {
		return 0, false
	}
	hi, lo := hexValue[s[0]], hexValue[s[1]]
	return hi<<4 | lo&15, hi|lo < 16
}

// hexValue maps a hexadecimal digit to its value and any other byte to 255.
var hexValue = func() (t [256]byte) {
	for i := range t {
		t[i] = 255
	}
	for i := byte(0); i < 16; i++ {
		t[upperHex[i]] = i
		t["0123456789abcdef"[i]] = i
	}
	return t
}()
