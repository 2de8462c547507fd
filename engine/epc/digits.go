package epc

import (
	"math/bits"
	"strconv"
)

// pow10[i] is 10^i, up to the largest power that fits uint64.
var pow10 = func() (p [20]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// u128 is an unsigned integer of 128 bits: a numeric value of a "+" scheme has up to 30 digits (100
// bits).
type u128 struct{ hi, lo uint64 }

func (a u128) less(b u128) bool { return a.hi < b.hi || a.hi == b.hi && a.lo < b.lo }

// times10plus returns a*10+d. The caller keeps a below 2^124.
func (a u128) times10plus(d uint64) u128 {
	carry, lo := bits.Mul64(a.lo, 10)
	lo, c := bits.Add64(lo, d, 0)
	return u128{a.hi*10 + carry + c, lo}
}

// div10 returns the quotient and the remainder of a / 10.
func (a u128) div10() (u128, byte) {
	hi, r := a.hi/10, a.hi%10
	lo, r := bits.Div64(r, a.lo, 10)
	return u128{hi, lo}, byte(r)
}

// digits writes a as exactly n digits, left-padded with zeros.
func (a u128) digits(n int) string {
	var buf [40]byte
	for i := n - 1; i >= 0; i-- {
		var d byte
		a, d = a.div10()
		buf[i] = '0' + d
	}
	return string(buf[:n])
}

// numeral reads decimal digits. The caller has checked that s is 1 to 37 digits.
func numeral(s string) (a u128) {
	for i := 0; i < len(s); i++ {
		a = a.times10plus(uint64(s[i] - '0'))
	}
	return a
}

// maxNumeric is the longest decimal numeral a value may have: a GIAI has 30 characters.
const maxNumeric = 30

// numericLimit[n] is 10^n; numericBits[n] is the width of an n-digit numeral, the ceiling of
// n*log2(10) (TDS 2.3 14.5.6.1, Table B).
var numericLimit, numericBits = func() (limit [maxNumeric + 1]u128, width [maxNumeric + 1]int) {
	limit[0] = u128{lo: 1}
	for n := 1; n <= maxNumeric; n++ {
		limit[n] = limit[n-1].times10plus(0)
		// 10^n - 1 has as many bits as 10^n, which is never a power of two.
		width[n] = bits.Len64(limit[n].hi) + 64
		if limit[n].hi == 0 {
			width[n] = bits.Len64(limit[n].lo)
		}
	}
	return limit, width
}()

func allDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// canonicalNumeral reads a decimal numeral without leading zeros (0 itself is "0") that fits 64
// bits.
func canonicalNumeral(s string) (uint64, bool) {
	if s == "" || len(s) > 20 || s[0] == '0' && len(s) > 1 || !allDigits(s) {
		return 0, false
	}
	v, err := strconv.ParseUint(s, 10, 64)
	return v, err == nil
}

// appendPadded appends v as at least n digits.
func appendPadded(dst []byte, v uint64, n int) []byte {
	var buf [20]byte
	i := len(buf)
	for v > 0 {
		i--
		buf[i] = '0' + byte(v%10)
		v /= 10
	}
	for len(buf)-i < n {
		i--
		buf[i] = '0'
	}
	return append(dst, buf[i:]...)
}

func padded(v uint64, n int) string { return string(appendPadded(nil, v, n)) }

// checkOf returns the check digit that belongs behind the digits of body. Zeros on the left change
// nothing, so one routine serves GTIN, SSCC, GLN, GRAI, GDTI, GSRN and GCN (GS1 General
// Specifications 7.9).
func checkOf(body uint64) uint64 {
	var sum uint64
	for body > 0 {
		pair := body % 100
		sum += pair%10*3 + pair/10
		body /= 100
	}
	return (10 - sum%10) % 10
}

// CheckDigit returns the check digit ('0' to '9') that belongs behind digits, which are the digits
// of a GS1 key without its check digit. Source: GS1 General Specifications 7.9; TDS 2.3 7.3 to
// 7.10.
func CheckDigit(digits string) (byte, error) {
	if digits == "" {
		return 0, malformed("no digits to compute a check digit from")
	}
	sum, weight := 0, 3
	for i := len(digits) - 1; i >= 0; i-- {
		if digits[i] < '0' || digits[i] > '9' {
			return 0, withInput(malformed("character %d is not a digit", i+1), digits)
		}
		sum += int(digits[i]-'0') * weight
		weight = 4 - weight
	}
	return '0' + byte((10-sum%10)%10), nil
}

// keyNumber reads a GS1 key of n digits (at most 18) whose last digit is its check digit.
func keyNumber(s, what string, n int, section string) (uint64, error) {
	if len(s) != n {
		return 0, broken(section, "%s has %d digits, not %d", what, n, len(s))
	}
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return 0, broken(section, "%s has %q at place %d, where only a digit can stand", what, s[i], i+1)
		}
	}
	v, _ := strconv.ParseUint(s, 10, 64)
	return v, verifyCheck(v, what)
}

// verifyCheck tests the last digit of a whole key.
func verifyCheck(v uint64, what string) error {
	if want := checkOf(v / 10); want != v%10 {
		return broken("GS1 General Specifications 7.9", "the check digit of %s must be %d, not %d", what, want, v%10)
	}
	return nil
}

// ParseGTIN reads a GTIN-8, GTIN-12, GTIN-13 or GTIN-14, verifies its check digit and returns it as
// the number of the 14-digit form. A number of restricted circulation, a coupon, a refund receipt
// and an ISSN are no GTIN and are refused with [ErrNotGS1].
func ParseGTIN(s string) (uint64, error) {
	switch len(s) {
	case 8, 12, 13, 14:
	default:
		return 0, withInput(malformed("a GTIN has 8, 12, 13 or 14 digits, not %d", len(s)), s)
	}
	v, err := keyNumber(s, "the GTIN", len(s), "GS1 General Specifications 7.9")
	if err == nil {
		err = circulation(v)
	}
	return v, withInput(err, s)
}

// circulation refuses a GTIN-14 whose GS1 Prefix says that it is no trade item number unique in the
// world, and so cannot form an SGTIN.
func circulation(gtin14 uint64) error {
	body := gtin14 / 10 % pow10[12] // without indicator and check digit: the first 12 digits of the GTIN-13
	var section, what string
	switch p2, p3, p4 := body/pow10[10], body/pow10[9], body/pow10[8]; {
	case body < pow10[7]: // 00000 and a GTIN-8 (7 digits without its check digit)
		if first := body / pow10[6]; first == 0 || first == 2 {
			section, what = "TDS 2.3 7.3.3", "an 8-digit code that begins with 0 or 2 is a restricted circulation number (RCN-8)"
		}
	case p2 == 2 || p2 >= 20 && p2 <= 29:
		section, what = "TDS 2.3 7.3.5", "GS1 Prefixes 02 and 20 to 29 are restricted circulation numbers"
	case p2 == 4 || p4 >= 1 && p4 <= 7:
		section, what = "TDS 2.3 7.3.4", "GS1 Prefixes 04 and 0001 to 0007 are company internal numbers"
	case p3 == 977:
		section, what = "TDS 2.3 7.3.8.2", "GS1 Prefix 977 is an ISSN"
	case p3 == 980:
		section, what = "TDS 2.3 7.3.7", "GS1 Prefix 980 is a refund receipt"
	case p3 >= 981 && p3 <= 984 || p2 == 99:
		section, what = "TDS 2.3 7.3.6", "GS1 Prefixes 981 to 984 and 99 are coupons"
	default:
		return nil
	}
	if section == "" {
		return nil
	}
	return &Error{Kind: NotGS1, Section: section, Reason: what + ", which cannot form an SGTIN; use the GTIN of the trade item"}
}
