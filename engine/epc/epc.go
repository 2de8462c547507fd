package epc

import "strings"

// EPC is one decoded identity: what the thing is, and how it was written. It is a value: copy it
// freely. Do not compare two of them with ==; compare their [Key]s.
type EPC struct {
	scheme Scheme
	filter int8  // -1: the form has none
	prefix uint8 // digits of the GS1 Company Prefix; 0: the form does not say
	flags  flag
	afi    uint8  // raw bits with the toggle set: the Application Family Identifier
	extra  uint16 // ITIP: piece * 100 + total
	nbits  uint16 // length of bin
	date   uint32 // DSGTIN+: date type * 1000000 + YYMMDD
	key    uint64 // the GS1 key as a number, check digit included; GID: manager * 2^24 + class
	num    uint64 // the serial, when flagNumeric; SGCN: with a digit 1 in front
	text   string // the serial, when not flagNumeric; GIAI, CPI: the whole key; USDOD: the CAGE code or DoDAAC
	bin    string // the bits, where they cannot be made again from the fields: "+" schemes and raw bits
}

type flag uint8

const (
	flagNumeric flag = 1 << iota // the serial is num
	flagToggle                   // "+" schemes: the +AIDC data toggle is set
	flagAFI                      // raw: afi is known
)

// Scheme returns how the identity was written.
func (e EPC) Scheme() Scheme { return e.scheme }

// IsRaw reports whether e is no GS1 EPC, so that its identity is its raw bits.
func (e EPC) IsRaw() bool { return e.scheme == RawBits }

// IsZero reports whether e is the zero EPC, which is no identity at all.
func (e EPC) IsZero() bool { return e.scheme == NoScheme }

// Filter returns the filter value (0 to 7, USDOD 0 to 15); ok is false where the form has none.
// Values that the standard reserves are returned as they are (TDS 2.3 10.1).
func (e EPC) Filter() (value int, ok bool) {
	return max(int(e.filter), 0), e.filter >= 0 && e.scheme != NoScheme
}

// PrefixDigits returns how many digits of the key are its GS1 Company Prefix; ok is false where the
// form does not say: "+" schemes, element strings and Digital Links.
func (e EPC) PrefixDigits() (digits int, ok bool) { return int(e.prefix), e.prefix > 0 }

// HasAIDC reports whether the +AIDC data toggle of a "+" scheme is set: more data may follow the
// EPC on the tag. That data is no part of the identity and is not decoded here.
func (e EPC) HasAIDC() bool { return e.flags&flagToggle != 0 }

// GTIN14 returns the GTIN of an SGTIN as the number of its 14-digit form. An ITIP has none: it is a
// piece of a trade item, and counting pieces as items would count the item more than once.
func (e EPC) GTIN14() (uint64, bool) {
	if e.scheme.Family() != SGTIN {
		return 0, false
	}
	return e.key, true
}

// GTIN14Text returns the GTIN as 14 digits, or "".
func (e EPC) GTIN14Text() string {
	if v, ok := e.GTIN14(); ok {
		return padded(v, 14)
	}
	return ""
}

// Serial returns the serial number: SGTIN and ITIP (21), SGLN (254) with "" for none, the part
// after the check digit of a GRAI, GDTI or SGCN, CPI (8011), GID and USDOD their serial; "" for
// SSCC, GSRN and GIAI, whose whole key is one number, and for raw bits.
func (e EPC) Serial() string {
	switch e.scheme.Family() {
	case SGLN:
		if !e.hasExtension() {
			return ""
		}
	case SGCN:
		return padded(e.num, 1)[1:]
	case CPI, GID, USDOD:
		return padded(e.num, 1)
	case SSCC, GSRN, GSRNP, GIAI, RawBits, NoScheme:
		return ""
	}
	return e.serialText()
}

// serialText is the serial of the families that hold it in num or text; SGLN without an extension
// has "0".
func (e EPC) serialText() string {
	if e.flags&flagNumeric != 0 {
		return padded(e.num, 1)
	}
	return e.text
}

// setSerial keeps a serial as a number where that loses nothing.
func (e *EPC) setSerial(s string) {
	if v, ok := canonicalNumeral(s); ok {
		e.num, e.flags, e.text = v, e.flags|flagNumeric, ""
		return
	}
	e.num, e.flags, e.text = 0, e.flags&^flagNumeric, s
}

// setNumber keeps a numeric serial.
func (e *EPC) setNumber(v uint64) { e.num, e.flags, e.text = v, e.flags|flagNumeric, "" }

// hasExtension reports whether an SGLN has a GLN extension; "0" means none (TDS 2.3 7.5).
func (e EPC) hasExtension() bool { return e.flags&flagNumeric == 0 || e.num != 0 }

// dateAIs are the Application Identifiers of the prioritised date of DSGTIN+, by date type (TDS 2.3
// 14.5.3).
var dateAIs = [...]string{"11", "13", "15", "16", "17", "7006", "7007"}

// Date returns the prioritised date of a DSGTIN+: the Application Identifier that says what the
// date means ("17" is an expiry date) and its six digits YYMMDD, where DD may be 00. It is no part
// of the identity.
func (e EPC) Date() (ai, yymmdd string, ok bool) {
	if e.scheme != DSGTINPlus && e.scheme != DSGTINPlusPlus {
		return "", "", false
	}
	return dateAIs[e.date/1000000], padded(uint64(e.date%1000000), 6), true
}

// Hostname returns the host name that a "++" scheme carries in its bits, in lower case, or "". It
// is no part of the identity.
func (e EPC) Hostname() string {
	if schemes[e.scheme].form != formPlusPlus {
		return ""
	}
	// The bits decoded once already, so they decode again.
	_, host, _ := decodePlus(e.scheme, []byte(e.bin), int(e.nbits))
	return host
}

// KeyText returns the identity as text: a GS1 element string such as "(01)09521141123454(21)6789",
// the pure identity URI of a GID or USDOD, or the raw URI of raw bits. Two EPCs are the same thing
// exactly when their KeyTexts are equal, and [Parse] reads a KeyText back.
//
// A serial may hold brackets. Where they would read as another Application Identifier, as in the
// serial "a(10)b", an element string cannot hold it and the text is the canonical Digital Link URI.
func (e EPC) KeyText() string {
	var buf [maxBits/4 + 32]byte
	return string(e.appendKeyText(buf[:0]))
}

func (e EPC) appendKeyText(out []byte) []byte {
	switch e.scheme.Family() {
	case NoScheme:
		return out
	case RawBits:
		return e.appendRawURI(out)
	case GID, USDOD:
		return append(out, e.PureIdentityURI()...)
	}
	if e.text != "" && strings.IndexByte(e.text, '(') >= 0 && hasBracketedAI(e.text) {
		return e.appendLink(append(out, baseDL...))
	}
	return e.appendElements(out)
}

// ElementString returns the GS1 element string with brackets, with the prioritised date of a
// DSGTIN+ behind the serial; "" where the identity has none (GID, USDOD, raw bits).
func (e EPC) ElementString() string {
	out := string(e.appendElements(nil))
	if ai, date, ok := e.Date(); ok {
		out += "(" + ai + ")" + date
	}
	return out
}

func (e EPC) String() string { return e.KeyText() }
