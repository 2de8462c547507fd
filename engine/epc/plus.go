package epc

// Method is how a "+" scheme packs the characters of a value (TDS 2.3 14.5.6, Table E). The
// encoding indicator on the tag is Method - 1. A less compact method than necessary is still
// conformant, so one serial has several encodings.
type Method uint8

const (
	MethodAuto    Method = iota // the fewest bits; of equals, the first in this list
	MethodNumeric               // digits as one integer
	MethodUpperHex
	MethodLowerHex
	MethodBase64 // the file-safe alphabet of RFC 4648 5
	MethodASCII  // 7 bits each
	MethodCode40 // URN Code 40, 16 bits for three characters
	numMethods
)

const base64Chars = upperChars + lowerChars + digitChars + "-_"

// code40Chars is URN Code 40; place 0 is the pad (TDS 2.3 14.5.6.5).
const code40Chars = "\x00" + upperChars + "-.:" + digitChars

// positions inverts an alphabet: the place of each character, 255 for the others.
func positions(alphabet string) (t [256]byte) {
	for i := range t {
		t[i] = 255
	}
	for i := 0; i < len(alphabet); i++ {
		t[alphabet[i]] = byte(i)
	}
	return t
}

var (
	base64Values = positions(base64Chars)
	code40Values = positions(code40Chars)
	methodSets   = [numMethods]charset{
		MethodNumeric:  setOf(digitChars),
		MethodUpperHex: setOf(digitChars + "ABCDEF"),
		MethodLowerHex: setOf(digitChars + "abcdef"),
		MethodBase64:   setOf(base64Chars),
		MethodASCII:    {set82[0] | set39[0], set82[1] | set39[1]},
		MethodCode40:   setOf(code40Chars[1:]),
	}
)

// methodBits returns the width of n characters.
func methodBits(m Method, n int) int {
	switch m {
	case MethodNumeric:
		return numericBits[n]
	case MethodUpperHex, MethodLowerHex:
		return 4 * n
	case MethodBase64:
		return 6 * n
	case MethodCode40:
		return (n + 2) / 3 * 16
	}
	return 7 * n
}

// pickMethod chooses the method for a value: the fewest bits.
func pickMethod(v string) Method {
	best := MethodASCII
	for m := MethodNumeric; m < numMethods; m++ {
		if firstOutside(v, &methodSets[m]) < 0 && methodBits(m, len(v)) < methodBits(best, len(v)) {
			best = m
		}
	}
	return best
}

func cutShort(what string) error {
	return broken("TDS 2.3 14.5.6", "the bits end inside %s; read the tag again, whole", what)
}

// decodePlus decodes the "+" and "++" schemes (TDS 2.3 14.5, 14.6). The bits that follow the EPC
// (padding, +AIDC data) are dropped. host is the name that a "++" scheme carries.
func decodePlus(s Scheme, b []byte, nbits int) (e EPC, host string, err error) {
	inf := &schemes[s]
	r := bitReader{b: b, n: nbits, pos: 8}
	top, ok := r.take(4)
	if !ok {
		return EPC{}, "", cutShort("the filter value")
	}
	e = EPC{scheme: s, filter: int8(top & 7)}
	if top&8 != 0 {
		e.flags = flagToggle
	}
	if s == DSGTINPlus || s == DSGTINPlusPlus {
		if e.date, err = takeDate(&r); err != nil {
			return EPC{}, "", err
		}
	}
	switch inf.family {
	case SGTIN:
		e.key, err = takeKey(&r, 14, "the GTIN")
	case SSCC:
		e.key, err = takeKey(&r, 18, "the SSCC")
	case GSRN, GSRNP:
		e.key, err = takeKey(&r, 18, "the GSRN")
	case SGLN:
		e.key, err = takeKey(&r, 13, "the GLN")
	case GDTI:
		e.key, err = takeKey(&r, 13, "the GDTI")
	case SGCN:
		e.key, err = takeKey(&r, 13, "the GCN")
	case GRAI:
		if e.key, err = takeKey(&r, 14, "the GRAI"); err == nil && e.key >= pow10[13] {
			err = broken("TDS 2.3 7.6", "the first digit of the GRAI is %d; it is a pad and always 0", e.key/pow10[13])
		}
	case ITIP:
		if e.key, err = takeKey(&r, 14, "the GTIN"); err == nil {
			var parts uint64
			parts, err = takeNibbles(&r, 4, "the piece and total")
			e.extra = uint16(parts)
		}
	case GIAI:
		e.text, err = takeDelimited(&r, "the GIAI", &set82)
	case CPI:
		e.text, err = takeDelimited(&r, "the CPI", &set39)
	}
	if err != nil {
		return EPC{}, "", err
	}
	switch inf.family {
	case SGTIN, ITIP:
		if err = circulation(e.key); err == nil {
			err = takeSerial(&r, &e, "the serial", 20)
		}
	case SGLN:
		err = takeSerial(&r, &e, "the GLN extension", 20)
	case GRAI, GDTI:
		err = takeSerial(&r, &e, "the serial", serialLimit(inf.family))
	case SGCN, CPI:
		err = takeNumericSerial(&r, &e, inf.family)
	}
	if err == nil && inf.form == formPlusPlus {
		host, err = takeHostname(&r)
	}
	if err != nil {
		return EPC{}, "", err
	}
	e.nbits = uint16(r.pos)
	e.bin = trimBits(b, r.pos)
	return e, host, nil
}

// trimBits copies the first n bits of b; the rest of the last byte is zero.
func trimBits(b []byte, n int) string {
	if n&7 == 0 {
		return string(b[:n/8])
	}
	var buf [maxBits/8 + 1]byte
	size := copy(buf[:], b[:(n+7)/8])
	buf[size-1] &^= 0xFF >> uint(n&7)
	return string(buf[:size])
}

// takeDate reads a date type and a date (TDS 2.3 14.5.3).
func takeDate(r *bitReader) (uint32, error) {
	const section = "TDS 2.3 14.5.3"
	kind, ok1 := r.take(4)
	yy, ok2 := r.take(7)
	mm, ok3 := r.take(4)
	dd, ok := r.take(5)
	switch {
	case !(ok1 && ok2 && ok3 && ok):
		return 0, cutShort("the date")
	case int(kind) >= len(dateAIs):
		return 0, broken(section, "date type %d is reserved; 0 to 6 exist", kind)
	case yy > 99:
		return 0, broken(section, "the year %d of the date has more than two digits", yy)
	}
	return uint32(kind*1000000 + yy*10000 + mm*100 + dd), checkDate(mm, dd)
}

// daysIn are the days of each month; the standard looks at the month alone, so February may have
// 29.
var daysIn = [13]uint64{1: 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

// checkDate tests month and day, where day 00 means the month as a whole (TDS 2.3 14.5.3.2).
func checkDate(mm, dd uint64) error {
	const section = "TDS 2.3 14.5.3.2"
	if mm < 1 || mm > 12 {
		return broken(section, "the month of the date is %d; 1 to 12 exist", mm)
	}
	if dd > daysIn[mm] {
		return broken(section, "the day of the date is %d, and month %d has %d days", dd, mm, daysIn[mm])
	}
	return nil
}

// takeNibbles reads n digits of 4 bits each (TDS 2.3 14.5.4).
func takeNibbles(r *bitReader, n int, what string) (v uint64, err error) {
	for i := 1; i <= n; i++ {
		d, ok := r.take(4)
		if !ok {
			return 0, cutShort(what)
		}
		if d > 9 {
			return 0, broken("TDS 2.3 14.5.4.2", "digit %d of %s is %X; only 0 to 9 are digits", i, what, d)
		}
		v = v*10 + d
	}
	return v, nil
}

// takeKey reads a whole key and verifies its check digit, which these schemes carry.
func takeKey(r *bitReader, n int, what string) (uint64, error) {
	v, err := takeNibbles(r, n, what)
	if err == nil {
		err = verifyCheck(v, what)
	}
	return v, err
}

// takeDelimited reads a GIAI or CPI: leading digits of 4 bits each, then F for the end, or E and
// the rest as a value with an encoding indicator (TDS 2.3 14.5.5).
func takeDelimited(r *bitReader, what string, set *charset) (string, error) {
	var buf [maxNumeric]byte
	n := 0
	for {
		d, ok := r.take(4)
		switch {
		case !ok:
			return "", cutShort(what)
		case d <= 9:
			if n == maxNumeric {
				return "", broken("TDS 2.3 14.5.5", "%s has more than %d characters", what, maxNumeric)
			}
			buf[n] = '0' + byte(d)
			n++
			continue
		case d == 0xE:
			rest, num, err := takeValue(r, what, maxNumeric-n, set)
			if err != nil {
				return "", err
			}
			if rest == "" {
				rest = padded(num, 1)
			}
			text := string(buf[:n]) + rest
			return text, checkPrefixedText(text, what)
		case d == 0xF:
			text := string(buf[:n])
			return text, checkPrefixedText(text, what)
		}
		return "", broken("TDS 2.3 14.5.5", "digit %d of %s is %X; only 0 to 9, the delimiter E and the terminator "+
			"F can stand there", n+1, what, d)
	}
}

// minPrefix is the fewest digits that a GS1 Company Prefix has (TDS 2.3 7.1).
const minPrefix = 4

// checkPrefixedText tests that a GIAI or CPI begins with the digits of a company prefix and has a
// reference behind it.
func checkPrefixedText(text, what string) error {
	if len(text) <= minPrefix || !allDigits(text[:minPrefix]) {
		return broken("TDS 2.3 7.1, 7.7", "%s must begin with the digits of a GS1 Company Prefix, at least %d, and "+
			"have a reference behind them", what, minPrefix)
	}
	return nil
}

// takeSerial reads an alphanumeric value of the 82-character set into the serial.
func takeSerial(r *bitReader, e *EPC, what string, limit int) error {
	text, v, err := takeValue(r, what, limit, &set82)
	if err != nil {
		return err
	}
	if text == "" {
		e.setNumber(v)
		return nil
	}
	e.setSerial(text)
	return nil
}

// takeValue reads an encoding indicator, a length and a value (TDS 2.3 14.5.6). A value that is a
// decimal numeral without leading zeros and fits 64 bits is returned as num with an empty text, so
// that it costs no allocation.
func takeValue(r *bitReader, what string, limit int, set *charset) (text string, num uint64, err error) {
	ind, ok1 := r.take(3)
	length, ok := r.take(5)
	n := int(length)
	m := Method(ind + 1)
	switch {
	case !ok1 || !ok:
		return "", 0, cutShort(what)
	case m >= numMethods:
		return "", 0, broken("TDS 2.3 Table E", "the encoding indicator %d of %s is reserved; 0 to 5 exist", ind, what)
	case n == 0:
		return "", 0, broken("TDS 2.3 Table F", "%s is empty; it has at least one character", what)
	case n > limit:
		return "", 0, broken("TDS 2.3 14.5.6, Table F", "%s has %d characters, at most %d are allowed", what, n, limit)
	case r.n-r.pos < methodBits(m, n):
		return "", 0, cutShort(what)
	}
	if m == MethodNumeric {
		v, _ := r.take128(numericBits[n])
		if !v.less(numericLimit[n]) {
			return "", 0, broken("TDS 2.3 14.5.6.1", "%s holds a number of more than its %d digits", what, n)
		}
		if v.hi == 0 && (n == 1 || !v.less(numericLimit[n-1])) {
			return "", v.lo, nil
		}
		return v.digits(n), 0, nil
	}
	var buf [maxNumeric + 2]byte
	for i := 0; i < n; i++ {
		switch m {
		case MethodUpperHex:
			d, _ := r.take(4)
			buf[i] = upperHex[d]
		case MethodLowerHex:
			d, _ := r.take(4)
			buf[i] = "0123456789abcdef"[d]
		case MethodBase64:
			d, _ := r.take(6)
			buf[i] = base64Chars[d]
		case MethodASCII:
			d, _ := r.take(7)
			buf[i] = byte(d)
		case MethodCode40:
			if i%3 == 0 {
				d, _ := r.take(16)
				if err := uncode40(buf[i:i+3], d, n-i, what); err != nil {
					return "", 0, err
				}
			}
		}
	}
	text = string(buf[:n])
	return text, 0, checkChars(text, what, limit, set, "TDS 2.3 14.5.6")
}

// uncode40 unpacks three characters from 16 bits; left of them count, the others must be pads (TDS
// 2.3 14.5.6.5).
func uncode40(dst []byte, v uint64, left int, what string) error {
	const section = "TDS 2.3 14.5.6.5"
	if v == 0 || v > 64000 {
		return broken(section, "%s has the URN Code 40 group %04X, which stands for no characters", what, v)
	}
	v--
	for i, p := range [3]uint64{v / 1600, v / 40 % 40, v % 40} {
		if (p == 0) != (i >= left) {
			return broken(section, "%s has a URN Code 40 pad inside its length, or a character behind it", what)
		}
		dst[i] = code40Chars[p]
	}
	return nil
}

// takeNumericSerial reads the serial of an SGCN or CPI: a 4-bit length and an integer, without an
// encoding indicator (TDS 2.3 14.5.13).
func takeNumericSerial(r *bitReader, e *EPC, family Scheme) error {
	const section = "TDS 2.3 14.5.13"
	length, ok := r.take(4)
	n := int(length)
	switch {
	case !ok:
		return cutShort("the serial")
	case n == 0:
		return broken(section, "the serial is empty; it has at least one digit")
	case n > 12:
		return broken(section, "the serial has %d digits, at most 12 are allowed", n)
	}
	v, ok := r.take(numericBits[n])
	switch {
	case !ok:
		return cutShort("the serial")
	case v >= pow10[n]:
		return broken(section, "the serial holds a number of more than its %d digits", n)
	case family == SGCN:
		e.num = pow10[n] + v
		return nil
	case n > 1 && v < pow10[n-1]:
		return broken("TDS 2.3 6.3.9", "the serial of a CPI is a number without leading zeros")
	}
	e.setCPISerial(v)
	return nil
}
