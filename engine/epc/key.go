package epc

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
)

// Key is the identity of a thing in 128 bits: the GS1 key and serial, never the filter value or the
// encoding. It is comparable and serves as a map key. The zero Key belongs to no thing.
//
// The top four bits are a kind. Kinds 1 to 13 hold the key and a numeric serial as they are and can
// be turned back into text; kind 15 is everything else (letters, leading zeros, raw bits) and holds
// 124 bits of the SHA-256 of the KeyText, so whoever stores such a Key keeps the KeyText beside it.
type Key struct{ Hi, Lo uint64 }

// The kinds of packed keys, and what they hold below the kind: Hi's 60 bits, Lo's 64.
const (
	kindSGTIN  = 1 + iota // GTIN-14; serial
	kindSSCC              // 0; SSCC
	kindSGLN              // GLN; extension, 0 for none
	kindGRAI              // GRAI without the pad zero; serial
	kindGDTI              // GDTI; serial
	kindGSRN              // 0; GSRN
	kindGSRNP             // 0; GSRN
	kindGID               // manager and class; serial
	kindSGCN              // GCN; 1 and the serial's digits
	kindITIP              // (GTIN without its check digit, piece, total); serial
	kindGIAI              // 1 and the GIAI's digits, as 124 bits
	kindCPI               // 1 and the CPI's digits; serial
	kindUSDOD             // CAGE code or DoDAAC; serial
	kindHashed = 15
)

const kindShift = 60

// Key returns the identity. It allocates nothing for an SGTIN with a numeric serial.
func (e EPC) Key() Key {
	numeric := e.flags&flagNumeric != 0
	switch e.scheme.Family() {
	case NoScheme:
		return Key{}
	case SGTIN:
		if numeric {
			return packed(kindSGTIN, e.key, e.num)
		}
	case SSCC:
		return packed(kindSSCC, 0, e.key)
	case SGLN:
		if numeric {
			return packed(kindSGLN, e.key, e.num)
		}
	case GRAI:
		if numeric {
			return packed(kindGRAI, e.key, e.num)
		}
	case GDTI:
		if numeric {
			return packed(kindGDTI, e.key, e.num)
		}
	case GSRN:
		return packed(kindGSRN, 0, e.key)
	case GSRNP:
		return packed(kindGSRNP, 0, e.key)
	case GID:
		return packed(kindGID, e.key, e.num)
	case SGCN:
		return packed(kindSGCN, e.key, e.num)
	case ITIP:
		if numeric {
			return packed(kindITIP, e.key/10*10000+uint64(e.extra), e.num)
		}
	case GIAI:
		if allDigits(e.text) {
			v := markedNumeral(e.text)
			return packed(kindGIAI, v.hi, v.lo)
		}
	case CPI:
		if allDigits(e.text) && len(e.text) <= 17 {
			return packed(kindCPI, markedNumeral(e.text).lo, e.num)
		}
	case USDOD:
		var code uint64
		for i := 0; i < len(e.text); i++ {
			code = code<<8 | uint64(e.text[i])
		}
		return packed(kindUSDOD, code, e.num)
	}
	var buf [maxBits/4 + 32]byte
	return hashed(e.appendKeyText(buf[:0]))
}

func packed(kind, hi, lo uint64) Key { return Key{kind<<kindShift | hi, lo} }

// markedNumeral reads digits with a 1 in front, which keeps leading zeros.
func markedNumeral(s string) u128 {
	v := u128{lo: 1}
	for i := 0; i < len(s); i++ {
		v = v.times10plus(uint64(s[i] - '0'))
	}
	return v
}

func hashed(text []byte) Key {
	sum := sha256.Sum256(text)
	return packed(kindHashed, binary.BigEndian.Uint64(sum[:])>>4, binary.BigEndian.Uint64(sum[8:]))
}

// GTIN14 returns the GTIN of a packed SGTIN key as the number of its 14-digit form; ok is false for
// the keys of other things and for hashed keys, whose KeyText holds it.
func (k Key) GTIN14() (gtin uint64, ok bool) {
	if k.Hi>>kindShift != kindSGTIN {
		return 0, false
	}
	return k.Hi & (1<<kindShift - 1), true
}

// IsZero reports whether k is the zero Key.
func (k Key) IsZero() bool { return k == Key{} }

// Compare orders keys: -1, 0 or 1. The order is that of the bytes.
func (k Key) Compare(o Key) int {
	if c := cmp.Compare(k.Hi, o.Hi); c != 0 {
		return c
	}
	return cmp.Compare(k.Lo, o.Lo)
}

// AppendBinary appends the key as 16 bytes, big endian. The error is always nil.
func (k Key) AppendBinary(b []byte) ([]byte, error) {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(b, k.Hi), k.Lo), nil
}

// KeyFromBytes reads what AppendBinary wrote.
func KeyFromBytes(b []byte) (Key, error) {
	if len(b) != 16 {
		return Key{}, malformed("a key has 16 bytes, not %d", len(b))
	}
	return Key{binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])}, nil
}

// Text returns the KeyText of a packed key; ok is false for a hashed key, whose text is not in it,
// and for a key that no EPC has.
func (k Key) Text() (text string, ok bool) {
	e, ok := k.unpack()
	if !ok || e.Key() != k || !e.plausible() {
		return "", false
	}
	return e.KeyText(), true
}

// plausible reports whether an unpacked identity is one that a parser would have accepted.
func (e EPC) plausible() bool {
	family := e.scheme
	digits := 0
	switch family {
	case SGTIN, ITIP:
		digits = 14
	case SSCC, GSRN, GSRNP:
		digits = 18
	case SGLN, GRAI, GDTI, SGCN:
		digits = 13
	case GID:
		return e.key < 1<<52 && e.num < 1<<36
	case USDOD:
		return checkCAGE(e.text) == nil && e.num < 1<<36
	case GIAI:
		return checkPrefixedText(e.text, "") == nil
	case CPI:
		return checkPrefixedText(e.text, "") == nil && e.num < pow10[12]
	}
	if e.key >= pow10[digits] || checkOf(e.key/10) != e.key%10 {
		return false
	}
	switch family {
	case SGTIN, ITIP:
		return circulation(e.key) == nil
	case GRAI, GDTI:
		return e.num < pow10[serialLimit(family)]
	case SGCN:
		return e.num < 2*pow10[12]
	}
	return true
}

// unpack turns a packed key back into an identity.
func (k Key) unpack() (EPC, bool) {
	hi := k.Hi & (1<<kindShift - 1)
	e := EPC{filter: -1, key: hi, num: k.Lo}
	switch k.Hi >> kindShift {
	case kindSGTIN:
		e.scheme, e.flags = SGTIN, flagNumeric
	case kindSSCC:
		e.scheme, e.key, e.num = SSCC, k.Lo, 0
	case kindSGLN:
		e.scheme, e.flags = SGLN, flagNumeric
	case kindGRAI:
		e.scheme, e.flags = GRAI, flagNumeric
	case kindGDTI:
		e.scheme, e.flags = GDTI, flagNumeric
	case kindGSRN:
		e.scheme, e.key, e.num = GSRN, k.Lo, 0
	case kindGSRNP:
		e.scheme, e.key, e.num = GSRNP, k.Lo, 0
	case kindGID:
		e.scheme = GID
	case kindSGCN:
		if !leadingOne(k.Lo) {
			return EPC{}, false
		}
		e.scheme = SGCN
	case kindITIP:
		body := hi / 10000
		e.scheme, e.flags, e.key, e.extra = ITIP, flagNumeric, body*10+checkOf(body), uint16(hi%10000)
	case kindGIAI:
		digits := u128{hi, k.Lo}.digits(39)
		n := len(digits) - maxNumeric - 1
		for n < len(digits) && digits[n] == '0' {
			n++
		}
		if n == len(digits) || digits[n] != '1' {
			return EPC{}, false
		}
		e = EPC{scheme: GIAI, filter: -1, text: digits[n+1:]}
	case kindCPI:
		if !leadingOne(hi) {
			return EPC{}, false
		}
		e = EPC{scheme: CPI, filter: -1, text: padded(hi, 1)[1:], num: k.Lo}
	case kindUSDOD:
		var code []byte
		for shift := 40; shift >= 0; shift -= 8 {
			if c := byte(hi >> uint(shift)); c != 0 {
				code = append(code, c)
			}
		}
		e = EPC{scheme: USDOD, filter: -1, text: string(code), num: k.Lo}
	default:
		return EPC{}, false
	}
	return e, true
}

// String returns the text of a packed key and the digits of a hashed one.
func (k Key) String() string {
	if text, ok := k.Text(); ok {
		return text
	}
	return fmt.Sprintf("%016x%016x", k.Hi, k.Lo)
}
