package epc

import "strings"

// Parse reads an identity in any form: hexadecimal bits ("0x" in front and blanks between are
// tolerated, in any case), EPC tag URI, pure identity URI, raw URI, GS1 element string with
// brackets, or GS1 Digital Link URI. Blanks around it are ignored. The error is an [*Error].
// Hexadecimal bits whose header belongs to no GS1 scheme give [ErrNotGS1]; see [ParseTag] for a
// reader's bits.
func Parse(s string) (EPC, error) {
	e, err := parse(strings.TrimSpace(s))
	if err != nil {
		return EPC{}, withInput(err, s)
	}
	return e, nil
}

// maxText is far longer than any form of an identity; a Digital Link may carry attributes.
const maxText = 4096

func parse(s string) (EPC, error) {
	switch {
	case len(s) > maxText:
		return EPC{}, malformed("%d bytes are longer than any form of an identity", len(s))
	case s == "":
		return EPC{}, malformed("no input; give the hexadecimal bits of a tag, an EPC URI, a GS1 element string or a Digital Link")
	case s[0] == '(':
		return parseElements(s)
	case foldPrefix(s, anyURN):
		return parseURN(s)
	case foldPrefix(s, linkTLS), foldPrefix(s, linkWeb):
		return parseLink(s)
	}
	var buf [maxBits / 8]byte
	n, err := parseHex(&buf, s)
	if err != nil {
		return EPC{}, err
	}
	return decode(buf[:(n+7)/8], n)
}

func foldPrefix(s, prefix string) bool {
	return len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix)
}

// parseHex reads hexadecimal digits, with blanks between them and 0x in front, and returns the
// number of bits.
func parseHex(buf *[maxBits / 8]byte, s string) (nbits int, err error) {
	start := 0
	if len(s) >= 2 && s[0] == '0' && s[1]|0x20 == 'x' {
		start = 2
	}
	n := 0
	if len(s)-start == 24 { // the 96 bits of most tags
		bad := byte(0)
		for i := range 12 {
			hi, lo := hexValue[s[start+2*i]], hexValue[s[start+2*i+1]]
			buf[i], bad = hi<<4|lo&15, bad|hi|lo
		}
		if bad < 16 {
			return 96, nil
		}
		clear(buf[:12])
	}
	for i := start; i < len(s); i++ {
		c := s[i]
		v := hexValue[c]
		if v > 15 {
			if c == ' ' || c == '\t' {
				continue
			}
			return 0, notHex(s, i)
		}
		if n == 2*len(buf) {
			return 0, broken(sectionPC, "more than %d hexadecimal digits; a tag's EPC has at most %d bits", n, maxBits)
		}
		buf[n>>1] |= v << (4 - uint(n&1)*4)
		n++
	}
	return n * 4, nil
}

// notHex explains a text that is no form at all. A character outside ASCII is shown whole.
func notHex(s string, i int) error {
	for _, r := range s[i:] {
		return malformed("%q at place %d is not a hexadecimal digit; other forms begin with urn:epc:, ( or https://", r, i+1)
	}
	return malformed("not hexadecimal")
}

// ParseHex reads the hexadecimal bits of a tag, as [Parse] does, and treats them as [ParseTag]
// treats bytes.
func ParseHex(s string, pc uint16, hasPC bool) (EPC, error) {
	var buf [maxBits / 8]byte
	n, err := parseHex(&buf, s)
	if err != nil {
		return EPC{}, withInput(err, s)
	}
	if hasPC {
		if n%8 != 0 {
			return EPC{}, withInput(malformed("an odd number of hexadecimal digits beside a PC word, which counts 16-bit words"), s)
		}
		e, err := ParseTag(buf[:n/8], pc, true)
		return e, withInput(err, s)
	}
	e, err := parseTagBits(buf[:(n+7)/8], n)
	return e, withInput(err, s)
}
