package epc

// maxBits is the longest EPC that the length field of a tag's PC word can state: 31 words (TDS 2.3
// 9.3).
const maxBits = 31 * 16

const sectionPC = "TDS 2.3 9.3"

// ParseBytes decodes the bits of a tag, beginning with the EPC header, as [Parse] does their
// hexadecimal form. It keeps no reference to b. Decoding an SGTIN-96 allocates nothing.
func ParseBytes(b []byte) (EPC, error) { return decode(b, len(b)*8) }

// ParseTag is what a report of a reader wants: the GS1 EPC where the bits are one; the raw bits
// where the header belongs to no GS1 scheme, where the PC word's toggle is set, or where the GTIN
// is one that cannot form an SGTIN (restricted circulation and the like, [ErrNotGS1]); an error
// where a GS1 header has contents that break the standard. Without a PC word (hasPC false) the
// toggle is taken to be 0.
func ParseTag(b []byte, pc uint16, hasPC bool) (EPC, error) {
	nbits := len(b) * 8
	if hasPC {
		n, err := pcBits(b, pc)
		if err != nil {
			return EPC{}, err
		}
		if pc&pcToggle != 0 {
			return rawWithAFI(b, n, uint8(pc)), nil
		}
		nbits = n
	}
	return parseTagBits(b, nbits)
}

// parseTagBits is ParseTag for bits whose toggle is 0.
func parseTagBits(b []byte, nbits int) (EPC, error) {
	if err := checkLength(nbits); err != nil {
		return EPC{}, err
	}
	if h := b[0]; byHeader[h] == NoScheme && undecoded[h] == "" {
		return Raw(b, nbits), nil
	}
	e, err := decode(b, nbits)
	if isNotGS1(err) {
		return Raw(b, nbits), nil
	}
	return e, err
}

// pcToggle is bit 17h of the EPC memory bank: the numbering system identifier of the PC word.
const pcToggle = 0x0100

func isNotGS1(err error) bool {
	e, ok := err.(*Error)
	return ok && e.Kind == NotGS1
}

// pcBits returns how many bits of b are the EPC by the length field of the PC word. A tag with an
// extended PC word counts it in that field, so a field longer than b is not held against the read.
func pcBits(b []byte, pc uint16) (int, error) {
	n := min(int(pc>>11)*16, len(b)*8)
	if n == 0 && len(b) > 0 {
		return 0, broken(sectionPC, "the length field of PC word %04X says that the tag holds no EPC; report the "+
			"PC word as the tag sent it, or leave it out", pc)
	}
	return n, checkLength(n)
}

// Raw returns the identity of a tag that is no GS1 EPC: its first nbits bits (all of bits, if there
// are fewer), as they are. Tag memory comes in 16-bit words, so nbits is a multiple of 16 there;
// any other number is filled up with zero bits to a multiple of 4, to whole hexadecimal digits.
func Raw(bits []byte, nbits int) EPC {
	nbits = max(0, min(nbits, len(bits)*8, maxBits))
	if nbits == 0 {
		return EPC{}
	}
	var buf [maxBits / 8]byte
	n := copy(buf[:], bits[:(nbits+7)/8])
	if tail := nbits & 7; tail != 0 {
		buf[n-1] &^= 0xFF >> uint(tail)
	}
	return EPC{scheme: RawBits, filter: -1, nbits: uint16(nbits+3) &^ 3, bin: string(buf[:n])}
}

func rawWithAFI(b []byte, nbits int, afi uint8) EPC {
	e := Raw(b, nbits)
	e.afi, e.flags = afi, flagAFI
	return e
}

func checkLength(nbits int) error {
	if nbits < 8 {
		return malformed("%d bits are too few for an EPC, which begins with a header of 8 bits", nbits)
	}
	if nbits > maxBits {
		return broken(sectionPC, "%d bits are more than the %d that a tag's EPC can have", nbits, maxBits)
	}
	return nil
}

// decode decodes the first nbits bits of b.
func decode(b []byte, nbits int) (EPC, error) {
	if err := checkLength(nbits); err != nil {
		return EPC{}, err
	}
	s := byHeader[b[0]]
	inf := &schemes[s]
	if inf.bits > nbits {
		return EPC{}, broken("TDS 2.3 14.4 step 2", "%s needs %d bits and only %d are there; read the tag again, whole",
			inf.name, inf.bits, nbits)
	}
	switch inf.form {
	case formPartition:
		return decodePartition(s, inf, b)
	case formPlus, formPlusPlus:
		e, _, err := decodePlus(s, b, nbits)
		return e, err
	case formFixed:
		if s == GID96 {
			return decodeGID(b), nil
		}
		return decodeUSDOD(b)
	}
	return EPC{}, headerError(b[0])
}

// decodePartition decodes the schemes with a company prefix of variable length (TDS 2.3 14.4.3,
// 14.4.4).
func decodePartition(s Scheme, inf *schemeInfo, b []byte) (EPC, error) {
	e := EPC{scheme: s, filter: int8(bitsAt(b, 8, 3))}
	p := bitsAt(b, 11, 3)
	if p > 6 {
		return EPC{}, broken("TDS 2.3 14.4.3", "the partition value of this %s is 7; only 0 to 6 exist", inf.name)
	}
	digits := 12 - int(p)
	e.prefix = uint8(digits)
	prefixWidth := prefixBits[p]
	company := bitsAt(b, 14, prefixWidth)
	if company >= pow10[digits] {
		return EPC{}, broken("TDS 2.3 14.4.3", "the company prefix %d of this %s needs more than the %d digits of "+
			"partition %d", company, inf.name, digits, p)
	}
	off := 14 + prefixWidth
	width := inf.keyBits - prefixWidth
	refDigits := referenceDigits(inf.family, digits)
	if s == GIAI202 {
		ref, err := decodeString(b, off, width, refDigits, "the asset reference")
		e.text = padded(company, digits) + ref
		return e, err
	}
	ref := bitsAt(b, off, width)
	off += width
	switch inf.family {
	case GIAI:
		e.text = string(appendPadded(appendPadded(nil, company, digits), ref, 1))
		return e, nil
	case CPI:
		if ref >= pow10[cpi96Digits-digits] {
			return EPC{}, cpi96Overflow(ref, digits)
		}
		e.text = string(appendPadded(appendPadded(nil, company, digits), ref, 1))
		e.setCPISerial(bitsAt(b, off, inf.serBits))
		return e, nil
	}
	if ref >= pow10[refDigits] {
		return EPC{}, broken("TDS 2.3 14.4.3", "the reference %d of this %s needs more than the %d digits that a "+
			"company prefix of %d digits leaves", ref, inf.name, refDigits, digits)
	}
	e.key = joinKey(inf.family, company, ref, refDigits)
	if inf.family == ITIP {
		piece, total := bitsAt(b, off, 7), bitsAt(b, off+7, 7)
		if piece > 99 || total > 99 {
			return EPC{}, broken("TDS 2.3 14.4", "piece %d of %d in this %s: both have two digits", piece, total, inf.name)
		}
		e.extra = uint16(piece*100 + total)
		off += 14
	}
	if inf.family == SGTIN || inf.family == ITIP {
		if err := circulation(e.key); err != nil {
			return EPC{}, err
		}
	}
	switch inf.serial {
	case serialInteger:
		e.setNumber(bitsAt(b, off, inf.serBits))
	case serialString:
		text, err := decodeString(b, off, inf.serBits, inf.serBits/7, "the serial")
		if err != nil {
			return EPC{}, err
		}
		e.setSerial(text)
	case serialNumeric:
		v := bitsAt(b, off, inf.serBits)
		if !leadingOne(v) {
			return EPC{}, broken("TDS 2.3 14.4.6", "the serial of this %s reads %d; a Numeric String begins with a "+
				"1 and has more digits behind it", inf.name, v)
		}
		e.num = v
	case serialZeros:
		if bitsAt(b, off, inf.serBits) != 0 {
			return EPC{}, broken("TDS 2.3 14.4 step 5", "the last %d bits of an %s are fixed zero bits, and these "+
				"are not zero", inf.serBits, inf.name)
		}
	}
	return e, nil
}

// cpi96Digits is how many digits the company prefix and the reference of a CPI-96 have together, at
// most.
const cpi96Digits = 15

// cpi96Overflow refuses a reference that the bits of a CPI-96 could hold and its definition does
// not allow.
func cpi96Overflow(ref uint64, prefix int) error {
	return broken("TDS 2.3 6.3.9", "the reference %d of this CPI-96 needs more than the %d digits that a company "+
		"prefix of %d digits leaves", ref, cpi96Digits-prefix, prefix)
}

// setCPISerial keeps the serial of a CPI beside its text.
func (e *EPC) setCPISerial(v uint64) { e.num = v }

// leadingOne reports whether the decimal form of v is a 1 followed by at least one digit.
func leadingOne(v uint64) bool {
	if v < 10 {
		return false
	}
	for v >= 10 {
		v /= 10
	}
	return v == 1
}

// joinKey puts company prefix and reference together and appends the check digit. SGTIN, ITIP and
// SSCC move the first digit of the reference (indicator, extension digit) to the front (TDS 2.3
// 7.3, 7.4); the others move nothing.
func joinKey(family Scheme, company, ref uint64, refDigits int) uint64 {
	var body uint64
	switch family {
	case SGTIN, ITIP:
		unit := pow10[refDigits-1]
		body = ref/unit*pow10[12] + company*unit + ref%unit
	case SSCC:
		unit := pow10[refDigits-1]
		body = ref/unit*pow10[16] + company*unit + ref%unit
	default:
		body = company*pow10[refDigits] + ref
	}
	return body*10 + checkOf(body)
}

// splitKey undoes joinKey for a company prefix of prefix digits.
func splitKey(family Scheme, key uint64, prefix int) (company, ref uint64) {
	body := key / 10
	refDigits := referenceDigits(family, prefix)
	switch family {
	case SGTIN, ITIP, SSCC:
		top := pow10[12]
		if family == SSCC {
			top = pow10[16]
		}
		unit := pow10[refDigits-1]
		return body % top / unit, body/top*unit + body%unit
	}
	return body / pow10[refDigits], body % pow10[refDigits]
}

// decodeString decodes 7-bit characters: at least one, all of them in set 82, and nothing but zero
// bits after the first zero character (TDS 2.3 14.4.2, 14.4.5).
func decodeString(b []byte, off, width, limit int, what string) (string, error) {
	const section = "TDS 2.3 14.4.2"
	var buf [maxNumeric]byte
	n := 0
	for ; n < limit; n++ {
		c := byte(bitsAt(b, off+7*n, 7))
		if c == 0 {
			break
		}
		if !set82.has(c) {
			return "", broken("TDS 2.3 14.4.2, Annex A", "character %d of %s is %02Xh, which is outside the GS1 "+
				"character set", n+1, what, c)
		}
		buf[n] = c
	}
	if n == 0 {
		return "", broken(section, "%s is empty; it has at least one character", what)
	}
	if !allZero(b, off+7*n, width-7*n) {
		return "", broken(section, "the bits after the end of %s must be zero", what)
	}
	return string(buf[:n]), nil
}

// decodeGID decodes a GID-96. Every bit pattern is one.
func decodeGID(b []byte) EPC {
	e := EPC{scheme: GID96, filter: -1, key: bitsAt(b, 8, 52)}
	e.num = bitsAt(b, 60, 36)
	return e
}

// decodeUSDOD decodes a USDOD-96: filter 4, CAGE code or DoDAAC 6 x 8-bit ASCII with a leading
// space for the five characters of a CAGE code, serial 36.
func decodeUSDOD(b []byte) (EPC, error) {
	e := EPC{scheme: USDOD96, filter: int8(bitsAt(b, 8, 4)), num: bitsAt(b, 60, 36)}
	var code [6]byte
	for i := range code {
		code[i] = byte(bitsAt(b, 12+8*i, 8))
	}
	text := code[:]
	if text[0] == ' ' {
		text = text[1:]
	}
	e.text = string(text)
	return e, checkCAGE(e.text)
}

var setCAGE = setOf(digitChars + "ABCDEFGHJKLMNPQRSTUVWXYZ")

// checkCAGE tests a CAGE code (5 characters) or a DoDAAC (6): digits and upper-case letters except
// I and O.
func checkCAGE(s string) error {
	if len(s) != 5 && len(s) != 6 || firstOutside(s, &setCAGE) >= 0 {
		return broken("TDS 2.3 6.3.17", "%q is no CAGE code or DoDAAC: those are 5 or 6 digits and upper-case "+
			"letters other than I and O", s)
	}
	return nil
}
