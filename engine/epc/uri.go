package epc

import "strings"

const (
	tagURN  = "urn:epc:tag:"
	idURN   = "urn:epc:id:"
	rawURN  = "urn:epc:raw:"
	baseDL  = "https://id.gs1.org"
	anyURN  = "urn:"
	linkTLS = "https://"
	linkWeb = "http://"
)

// Hex returns the binary form in upper-case hexadecimal, filled with zero bits to whole 16-bit
// words as tag memory holds it; "" where the form has no bits. Surplus bits and +AIDC data that
// followed the EPC are not in it.
func (e EPC) Hex() string {
	var buf [maxBits / 4]byte
	return string(e.appendHex(buf[:0]))
}

func (e EPC) appendHex(out []byte) []byte {
	b, n := e.bin, int(e.nbits)
	if b == "" {
		var bits []byte
		bits, n = e.appendBits(nil)
		b = string(bits)
	}
	size := (n + 15) / 16 * 4
	if e.scheme == RawBits {
		size = n / 4
	}
	for i := range size {
		if i/2 < len(b) {
			out = append(out, upperHex[b[i/2]>>(4-uint(i&1)*4)&15])
		} else {
			out = append(out, '0')
		}
	}
	return out
}

// Bits returns the binary form, most significant bit first, and its length in bits; the rest of the
// last byte is zero. It is nil where the form has no bits.
func (e EPC) Bits() ([]byte, int) { return e.appendBits(nil) }

// RawURI returns "urn:epc:raw:96.x..." of raw bits (TDS 2.3 15.2.1), with the Application Family
// Identifier where the PC word gave one; "" for everything else.
func (e EPC) RawURI() string {
	if e.scheme != RawBits {
		return ""
	}
	var buf [maxBits/4 + 32]byte
	return string(e.appendRawURI(buf[:0]))
}

func (e EPC) appendRawURI(out []byte) []byte {
	out = appendPadded(append(out, rawURN...), uint64(e.nbits), 1)
	if e.flags&flagAFI != 0 {
		out = append(out, '.', 'x', upperHex[e.afi>>4], upperHex[e.afi&15])
	}
	return e.appendHex(append(out, '.', 'x'))
}

// TagURI returns the EPC tag URI; "" for the "+" schemes, which have none, and for forms that are
// no tag encoding.
func (e EPC) TagURI() string {
	inf := &schemes[e.scheme]
	if inf.urn == "" {
		return ""
	}
	out := append(append(make([]byte, 0, 80), tagURN...), inf.urn...)
	out = append(out, ':')
	if e.filter >= 0 {
		out = append(appendPadded(out, uint64(e.filter), 1), '.')
	}
	return string(e.appendBody(out))
}

// PureIdentityURI returns the pure identity URI; "" where there is none: raw bits, "+" schemes, and
// identities that came without the length of their company prefix.
func (e EPC) PureIdentityURI() string {
	f := e.scheme.Family()
	if f == NoScheme || f == RawBits || e.prefix == 0 && f != GID && f != USDOD {
		return ""
	}
	out := append(append(make([]byte, 0, 64), idURN...), strings.ToLower(f.String())...)
	return string(e.appendBody(append(out, ':')))
}

// appendBody appends the fields that the tag URI and the pure identity URI share. e knows its
// company prefix.
func (e EPC) appendBody(out []byte) []byte {
	f := e.scheme.Family()
	prefix := int(e.prefix)
	switch f {
	case GID:
		out = append(appendPadded(out, e.key>>24, 1), '.')
		out = append(appendPadded(out, e.key&(1<<24-1), 1), '.')
		return appendPadded(out, e.num, 1)
	case USDOD:
		out = append(append(out, e.text...), '.')
		return appendPadded(out, e.num, 1)
	case GIAI, CPI:
		out = append(append(out, e.text[:prefix]...), '.')
		out = appendEscaped(out, e.text[prefix:], urnEscaped)
		if f == CPI {
			out = appendPadded(append(out, '.'), e.num, 1)
		}
		return out
	}
	company, ref := splitKey(f, e.key, prefix)
	out = append(appendPadded(out, company, prefix), '.')
	if n := referenceDigits(f, prefix); n > 0 {
		out = appendPadded(out, ref, n)
	}
	switch f {
	case SSCC, GSRN, GSRNP:
		return out
	case SGCN:
		return append(append(out, '.'), padded(e.num, 1)[1:]...)
	case ITIP:
		out = appendPadded(append(out, '.'), uint64(e.extra/100), 2)
		out = appendPadded(append(out, '.'), uint64(e.extra%100), 2)
	}
	return appendEscaped(append(out, '.'), e.serialText(), urnEscaped)
}

// parseURN reads the three kinds of EPC URI. Their literals are case-sensitive (RFC 7405 strings in
// TDS 2.3 6.3).
func parseURN(s string) (EPC, error) {
	switch {
	case strings.HasPrefix(s, tagURN):
		return parseTagURI(s[len(tagURN):])
	case strings.HasPrefix(s, idURN):
		name, body, _ := strings.Cut(s[len(idURN):], ":")
		family, ok := idFamilies[name]
		if !ok {
			return EPC{}, unknownIdentity(name)
		}
		return parseBody(family, body)
	case strings.HasPrefix(s, rawURN):
		return parseRawURI(s[len(rawURN):])
	}
	for _, prefix := range []string{tagURN, idURN, rawURN} {
		if len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix) {
			return EPC{}, broken("TDS 2.3 6.3", "an EPC URI is case-sensitive; write it in lower case as %s...", prefix)
		}
	}
	for _, prefix := range []string{"urn:epc:idpat:", "urn:epc:pat:", "urn:epc:class:"} {
		if strings.HasPrefix(s, prefix) {
			return EPC{}, broken("TDS 2.3 6.2", "%s names a class or pattern of things; name one thing by its "+
				"serial, as %s...", prefix, idURN)
		}
	}
	return EPC{}, malformed("not an EPC URI; those begin with %s, %s or %s", idURN, tagURN, rawURN)
}

// idFamilies maps the scheme of a pure identity URI.
var idFamilies = func() map[string]Scheme {
	m := make(map[string]Scheme)
	for s := SGTIN; s <= USDOD; s++ {
		m[strings.ToLower(schemes[s].name)] = s
	}
	return m
}()

func unknownIdentity(name string) error {
	switch name {
	case "adi", "bic", "imovn", "upui", "pgln", "ginc", "gsin":
		return &Error{Kind: Unsupported, Section: "TDS 2.3 6.3", Reason: "the identity scheme " + name +
			" has no place on a shop's tags and is not decoded"}
	}
	return broken("TDS 2.3 6.3", "%q is no EPC identity scheme; sgtin, sscc, sgln and grai are such", truncate(name))
}

// skipControl passes over the control fields of a tag URI or raw URI, such as "[att=x01][umi=1]:".
// They say what else the tag's memory holds and are no part of the identity (TDS 2.3 12.2.2, 12.4).
func skipControl(s string) (string, error) {
	const section = "TDS 2.3 12.2.2"
	if !strings.HasPrefix(s, "[") {
		return s, nil
	}
	last := ""
	for strings.HasPrefix(s, "[") {
		field, rest, ok := strings.Cut(s[1:], "]")
		name, value, _ := strings.Cut(field, "=")
		switch {
		case !ok:
			return "", broken(section, "a control field does not end; a ] is missing")
		case name != "att" && name != "umi" && name != "xpc":
			return "", broken(section, "%q is no control field; att, umi and xpc are", truncate(name))
		case name <= last:
			return "", broken(section, "the control field %s comes too late; they stand once each, in the order att, umi, xpc", name)
		}
		digits, isHex := strings.CutPrefix(value, "x")
		if !isHex && value != "0" && value != "1" || isHex && (digits == "" || unhex(make([]byte, len(digits)), digits) != nil) {
			return "", broken(section, "the control field %s is %q; it is 0, 1, or an x and hexadecimal digits", name, truncate(value))
		}
		last, s = name, rest
	}
	rest, ok := strings.CutPrefix(s, ":")
	if !ok {
		return "", broken(section, "a colon is missing behind the control fields")
	}
	return rest, nil
}

func parseTagURI(s string) (EPC, error) {
	s, err := skipControl(s)
	if err != nil {
		return EPC{}, err
	}
	name, body, _ := strings.Cut(s, ":")
	sch, ok := byURN[name]
	if !ok {
		switch name {
		case "adi-var", "cpi-var", "gdti-113":
			return EPC{}, &Error{Kind: Unsupported, Section: "TDS 2.3 Table 14-1", Reason: name +
				" is not decoded; re-encode the tag in a current scheme"}
		}
		return EPC{}, broken("TDS 2.3 14.3 step 1", "%q is no tag encoding with a tag URI; sgtin-96 is one, the "+
			"64-bit schemes ended in 2009, and \"+\" schemes have no tag URI", truncate(name))
	}
	filter := -1
	if sch != GID96 {
		var text string
		text, body, ok = strings.Cut(body, ".")
		limit := uint64(7)
		if sch == USDOD96 {
			limit = 15
		}
		v, numeric := canonicalNumeral(text)
		if !ok || !numeric || v > limit {
			return EPC{}, broken("TDS 2.3 12.3.2", "the filter value is %q; a number from 0 to %d stands before "+
				"the first full stop", truncate(text), limit)
		}
		filter = int(v)
	}
	e, err := parseBody(schemes[sch].family, body)
	if err != nil {
		return EPC{}, err
	}
	e.scheme, e.filter = sch, int8(filter)
	if schemes[sch].form == formFixed {
		return e, nil
	}
	return e, checkFits(e)
}

// parseBody reads the fields behind the scheme of a tag URI (without filter) or pure identity URI.
// A serial may hold full stops, so only those before it divide.
func parseBody(family Scheme, s string) (EPC, error) {
	e := EPC{scheme: family, filter: -1}
	section := schemes[family].section
	switch family {
	case GID:
		return parseGID(e, s)
	case USDOD:
		code, serial, _ := strings.Cut(s, ".")
		v, ok := canonicalNumeral(serial)
		if !ok || v >= 1<<36 {
			return EPC{}, broken("TDS 2.3 Table 12-2", "the serial %q of a USDOD is no number without leading "+
				"zeros below 2^36", truncate(serial))
		}
		e.text, e.num = code, v
		return e, checkCAGE(truncate(code))
	}
	company, rest, ok := strings.Cut(s, ".")
	if !ok {
		return EPC{}, broken(section, "the URI of an %s has no full stop behind the company prefix", family)
	}
	if len(company) < 6 || len(company) > 12 || !allDigits(company) {
		return EPC{}, broken("TDS 2.3 7.1, 14.3.3", "the company prefix %q is not 6 to 12 digits (prefixes of 4 or "+
			"5 digits are written with 6)", truncate(company))
	}
	e.prefix = uint8(len(company))
	if family == GIAI || family == CPI {
		return parseTextKey(e, company, rest)
	}
	ref, rest, hasSerial := strings.Cut(rest, ".")
	want := referenceDigits(family, len(company))
	if len(ref) != want || !allDigits(ref) {
		return EPC{}, broken(section, "%q behind a company prefix of %d digits must be %d digits; the check digit "+
			"is no part of the URI", truncate(ref), len(company), want)
	}
	var refValue uint64
	if want > 0 {
		refValue = numeral(ref).lo
	}
	e.key = joinKey(family, numeral(company).lo, refValue, want)
	if family == SSCC || family == GSRN || family == GSRNP {
		if hasSerial {
			return EPC{}, broken(section, "the URI of an %s ends behind its reference", family)
		}
		return e, nil
	}
	if !hasSerial {
		return EPC{}, broken(section, "the serial is missing: without it the URI names a class, not one thing")
	}
	if family == SGTIN || family == ITIP {
		if err := circulation(e.key); err != nil {
			return EPC{}, err
		}
	}
	if family == ITIP {
		var err error
		if rest, err = parsePiece(&e, rest); err != nil {
			return EPC{}, err
		}
	}
	serial, err := unescapeURN(rest, "the serial")
	if err != nil {
		return EPC{}, err
	}
	return e, e.acceptSerial(serial)
}

// acceptSerial tests and keeps the serial of a family that has one behind its key.
func (e *EPC) acceptSerial(serial string) error {
	f := e.scheme.Family()
	section := "GS1 General Specifications, TDS 2.3 Table F"
	if f == SGCN {
		if len(serial) == 0 || len(serial) > 12 || !allDigits(serial) {
			return broken(section, "the serial %q of an SGCN is not 1 to 12 digits", truncate(serial))
		}
		e.num = markedNumeral(serial).lo
		return nil
	}
	if err := checkChars(serial, "the serial", serialLimit(f), &set82, section); err != nil {
		return err
	}
	e.setSerial(serial)
	return nil
}

func parsePiece(e *EPC, s string) (rest string, err error) {
	piece, rest, _ := strings.Cut(s, ".")
	total, rest, ok := strings.Cut(rest, ".")
	if !ok || len(piece) != 2 || len(total) != 2 || !allDigits(piece) || !allDigits(total) {
		return "", broken("TDS 2.3 6.3.13", "an ITIP has a piece and a total of two digits each before its serial")
	}
	e.extra = uint16(numeral(piece).lo*100 + numeral(total).lo)
	return rest, nil
}

// parseTextKey reads what follows the company prefix of a GIAI or CPI.
func parseTextKey(e EPC, company, rest string) (EPC, error) {
	if e.scheme == CPI {
		i := strings.LastIndexByte(rest, '.')
		if i < 0 {
			return EPC{}, broken("TDS 2.3 6.3.9", "the URI of a CPI has no serial")
		}
		if err := e.acceptCPISerial(rest[i+1:]); err != nil {
			return EPC{}, err
		}
		rest = rest[:i]
	}
	ref, err := unescapeURN(rest, "the reference")
	if err != nil {
		return EPC{}, err
	}
	set := &set82
	if e.scheme == CPI {
		set = &set39
	}
	e.text = company + ref
	return e, checkChars(ref, "the reference", maxNumeric-len(company), set, schemes[e.scheme].section)
}

// acceptCPISerial tests and keeps the serial of a CPI, a number of up to 12 digits.
func (e *EPC) acceptCPISerial(s string) error {
	v, ok := canonicalNumeral(s)
	if !ok || v >= pow10[12] {
		return broken("TDS 2.3 6.3.9", "the serial %q of a CPI is no number without leading zeros of at most 12 digits", truncate(s))
	}
	e.setCPISerial(v)
	return nil
}

func parseGID(e EPC, s string) (EPC, error) {
	fields := strings.SplitN(s, ".", 4)
	if len(fields) != 3 {
		return EPC{}, broken("TDS 2.3 6.3.16", "a GID has three numbers: manager, class, serial")
	}
	widths := [3]int{28, 24, 36}
	var v [3]uint64
	for i, what := range []string{"manager number", "object class", "serial"} {
		n, ok := canonicalNumeral(fields[i])
		if !ok || n >= 1<<uint(widths[i]) {
			return EPC{}, broken("TDS 2.3 6.3.16, Table 12-2", "the %s %q of a GID is no number without leading "+
				"zeros below 2^%d", what, truncate(fields[i]), widths[i])
		}
		v[i] = n
	}
	e.key, e.num = v[0]<<24|v[1], v[2]
	return e, nil
}

// parseRawURI reads "96.x..." or "96.xAFI.x...". A raw URI without an AFI whose bits are a GS1 EPC
// after all is that EPC, so that the one thing keeps its one identity; with an AFI the bits are
// never decoded.
func parseRawURI(s string) (EPC, error) {
	const section = "TDS 2.3 12.4, 15.2.1"
	s, err := skipControl(s)
	if err != nil {
		return EPC{}, err
	}
	length, rest, _ := strings.Cut(s, ".")
	n, ok := canonicalNumeral(length)
	if !ok || n == 0 || n > maxBits || n%4 != 0 {
		return EPC{}, broken(section, "the length %q of a raw URI is no number of bits from 4 to %d in whole "+
			"hexadecimal digits", truncate(length), maxBits)
	}
	first, second, hasAFI := strings.Cut(rest, ".")
	payload := first
	if hasAFI {
		payload = second
	}
	digits, ok := strings.CutPrefix(payload, "x")
	if !ok || uint64(len(digits)) != n/4 {
		return EPC{}, broken(section, "a raw URI of %d bits ends with an x and %d hexadecimal digits (its decimal "+
			"form is deprecated)", n, n/4)
	}
	var buf [maxBits/8 + 1]byte
	if err := unhex(buf[:], digits); err != nil {
		return EPC{}, err
	}
	b := buf[:(n+7)/8]
	if !hasAFI {
		if e, err := decode(b, int(n)); err == nil {
			return e, nil
		}
		return Raw(b, int(n)), nil
	}
	afi, ok := strings.CutPrefix(first, "x")
	v, isHex := hexPair(afi)
	if !ok || len(afi) != 2 || !isHex {
		return EPC{}, broken(section, "the Application Family Identifier %q of the raw URI is not an x and two "+
			"hexadecimal digits", truncate(first))
	}
	return rawWithAFI(b, int(n), v), nil
}

// unhex reads hexadecimal digits into dst, which is long enough.
func unhex(dst []byte, s string) error {
	for i := 0; i < len(s); i++ {
		v := hexValue[s[i]]
		if v > 15 {
			return malformed("%q at place %d is not a hexadecimal digit", s[i], i+1)
		}
		dst[i/2] |= v << (4 - uint(i&1)*4)
	}
	return nil
}
