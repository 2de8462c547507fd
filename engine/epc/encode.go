package epc

// Options says what a scheme holds beside the identity.
type Options struct {
	// Filter is the filter value: 0 to 7, USDOD-96 0 to 15. GID-96 has none and ignores it.
	Filter int
	// PrefixDigits is the length of the GS1 Company Prefix, 6 to 12, for the schemes with a
	// partition. 0 takes it from the EPC, where that knows it. Prefixes of 4 or 5 digits are
	// treated as 6 digits, and individually assigned keys as a prefix of 12 (TDS 2.3 7.1, 7.2).
	PrefixDigits int
	// Method is how "+" and "++" schemes pack the serial; MethodAuto takes the fewest bits.
	Method Method
	// Toggle sets the +AIDC data toggle of "+" and "++" schemes; the data itself is not written
	// here.
	Toggle bool
	// DateAI and Date are the prioritised date of DSGTIN+ and DSGTIN++: one of 11, 13, 15, 16, 17,
	// 7006, 7007 and six digits YYMMDD, where DD may be 00. Empty takes them from the EPC, where
	// that has them.
	DateAI, Date string
	// Hostname is the name that "++" schemes carry. Empty takes it from the EPC, where that has
	// one.
	Hostname string
}

// EncodeSGTIN96 encodes a GTIN (the number of its 14-digit form, check digit included), the length
// of its GS1 Company Prefix (6 to 12 digits), a serial (below 2^38) and a filter value (0 to 7;
// garments and single trade items carry 1).
func EncodeSGTIN96(gtin14 uint64, prefixDigits int, serial uint64, filter int) (EPC, error) {
	id, err := NewSGTIN(gtin14, "0")
	if err != nil {
		return EPC{}, err
	}
	id.num = serial
	return Encode(id, SGTIN96, Options{Filter: filter, PrefixDigits: prefixDigits})
}

// NewSGTIN returns the identity of one trade item: its GTIN (the number of the 14-digit form) and
// serial (1 to 20 characters).
func NewSGTIN(gtin14 uint64, serial string) (EPC, error) {
	if gtin14 >= pow10[14] {
		return EPC{}, broken("TDS 2.3 7.3", "the GTIN %d has more than 14 digits", gtin14)
	}
	if err := verifyCheck(gtin14, "the GTIN"); err != nil {
		return EPC{}, err
	}
	if err := circulation(gtin14); err != nil {
		return EPC{}, err
	}
	if err := checkChars(serial, "the serial", 20, &set82, "GS1 General Specifications (21)"); err != nil {
		return EPC{}, err
	}
	e := EPC{scheme: SGTIN, filter: -1, key: gtin14}
	e.setSerial(serial)
	return e, nil
}

// Encode writes the identity of id, whatever form it came in, in the scheme s. The result has the
// same [Key]. It refuses a scheme of another family and one that cannot hold the serial: a 96-bit
// scheme holds no letters and no leading zeros.
func Encode(id EPC, s Scheme, opt Options) (EPC, error) {
	if s >= numSchemes || schemes[s].form == formNone {
		return EPC{}, malformed("%s is no tag encoding; name one such as SGTIN-96", s)
	}
	inf := &schemes[s]
	if inf.family != id.scheme.Family() {
		return EPC{}, broken(inf.section, "%s holds no %s", inf.name, id.scheme.Family())
	}
	limit := 7
	if s == USDOD96 {
		limit = 15
	}
	if opt.Filter < 0 || opt.Filter > limit {
		return EPC{}, broken("TDS 2.3 12.3.2", "the filter value is %d; 0 to %d exist", opt.Filter, limit)
	}
	e := id
	e.scheme, e.filter, e.bin, e.nbits, e.date = s, int8(opt.Filter), "", 0, 0
	e.flags &= flagNumeric
	switch inf.form {
	case formFixed:
		if s == GID96 {
			e.filter = -1
		}
		return e, nil
	case formPartition:
		return encodePartition(e, opt)
	}
	return encodePlus(e, id, opt)
}

// encodePartition tests that a scheme with a partition can hold e. Its bits follow from the fields:
// see appendBits.
func encodePartition(e EPC, opt Options) (EPC, error) {
	inf := &schemes[e.scheme]
	if opt.PrefixDigits != 0 {
		if opt.PrefixDigits < 6 || opt.PrefixDigits > 12 {
			return EPC{}, broken("TDS 2.3 7.1, 14.3.3", "the company prefix has %d digits; 6 to 12 can be encoded, "+
				"and a prefix of 4 or 5 digits is written as 6", opt.PrefixDigits)
		}
		e.prefix = uint8(opt.PrefixDigits)
	}
	if e.prefix == 0 {
		return EPC{}, broken("TDS 2.3 14.3.3", "%s needs the length of the company prefix, and a %s does not say "+
			"it; set PrefixDigits", inf.name, inf.family)
	}
	return e, checkFits(e)
}

// checkFits tests that the fields of e, which name a scheme with a partition, fit that scheme.
func checkFits(e EPC) error {
	inf := &schemes[e.scheme]
	prefix := int(e.prefix)
	switch inf.family {
	case GIAI, CPI:
		if len(e.text) <= prefix || !allDigits(e.text[:prefix]) {
			return broken("TDS 2.3 7.1", "%q does not begin with a company prefix of %d digits and a reference", e.text, prefix)
		}
		ref := e.text[prefix:]
		if e.scheme == GIAI202 {
			return nil // 30 characters in all, which every GIAI keeps
		}
		width := inf.keyBits - prefixBits[12-prefix]
		v, ok := canonicalNumeral(ref)
		if ok && e.scheme == CPI96 && v >= pow10[cpi96Digits-prefix] {
			return cpi96Overflow(v, prefix)
		}
		if !ok || v >= 1<<uint(width) {
			return broken("TDS 2.3 14.3.4", "%s cannot hold the reference %q beside a prefix of %d digits: it "+
				"takes a number without leading zeros, below 2^%d; use %s", inf.name, ref, prefix, width, larger(e.scheme))
		}
	}
	switch inf.serial {
	case serialInteger:
		if inf.family != CPI && e.flags&flagNumeric == 0 {
			return broken("TDS 2.3 14.3.1, Table 12-2", "%s cannot hold the serial %q: it takes a number without "+
				"leading zeros; use %s", inf.name, e.text, larger(e.scheme))
		}
		if e.num >= 1<<uint(inf.serBits) {
			return broken("TDS 2.3 Table 12-2", "the serial %d of %s is more than %d (2^%d - 1); use %s", e.num,
				inf.name, uint64(1)<<uint(inf.serBits)-1, inf.serBits, larger(e.scheme))
		}
	case serialString:
		if n := len(e.serialText()); n > inf.serBits/7 {
			return broken("TDS 2.3 14.3.2", "the serial has %d characters, %s holds %d", n, inf.name, inf.serBits/7)
		}
	}
	return nil
}

// larger names the schemes to use where the 96-bit one is too small.
func larger(s Scheme) string {
	switch s {
	case SGTIN96:
		return "SGTIN-198 or SGTIN+"
	case SGLN96:
		return "SGLN-195 or SGLN+"
	case GRAI96:
		return "GRAI-170 or GRAI+"
	case GIAI96:
		return "GIAI-202 or GIAI+"
	case GDTI96:
		return "GDTI-174 or GDTI+"
	case ITIP110:
		return "ITIP-212 or ITIP+"
	}
	return "the + scheme"
}

// appendBits appends the binary form to dst, which is empty, and returns its length in bits: 0
// where e has none.
func (e EPC) appendBits(dst []byte) ([]byte, int) {
	inf := &schemes[e.scheme]
	switch {
	case e.bin != "":
		return append(dst, e.bin...), int(e.nbits)
	case inf.form == formPartition:
		w := bitWriter{b: dst}
		e.putPartition(&w)
		return w.b, w.n
	case e.scheme == GID96:
		w := bitWriter{b: dst}
		w.put(uint64(inf.header), 8)
		w.put(e.key, 52)
		w.put(e.num, 36)
		return w.b, w.n
	case e.scheme == USDOD96:
		w := bitWriter{b: dst}
		w.put(uint64(inf.header), 8)
		w.put(uint64(e.filter), 4)
		if len(e.text) == 5 {
			w.put(' ', 8)
		}
		for i := 0; i < len(e.text); i++ {
			w.put(uint64(e.text[i]), 8)
		}
		w.put(e.num, 36)
		return w.b, w.n
	}
	return dst, 0
}

// putPartition writes a scheme with a partition, whose fields are known to fit.
func (e EPC) putPartition(w *bitWriter) {
	inf := &schemes[e.scheme]
	prefix := int(e.prefix)
	w.put(uint64(inf.header), 8)
	w.put(uint64(e.filter), 3)
	w.put(uint64(12-prefix), 3)
	width := prefixBits[12-prefix]
	refWidth := inf.keyBits - width
	switch inf.family {
	case GIAI, CPI:
		w.put(numeral(e.text[:prefix]).lo, width)
		if e.scheme == GIAI202 {
			putString(w, e.text[prefix:], refWidth)
			return
		}
		w.put(numeral(e.text[prefix:]).lo, refWidth)
	default:
		company, ref := splitKey(inf.family, e.key, prefix)
		w.put(company, width)
		w.put(ref, refWidth)
	}
	if inf.family == ITIP {
		w.put(uint64(e.extra/100), 7)
		w.put(uint64(e.extra%100), 7)
	}
	switch inf.serial {
	case serialInteger, serialNumeric:
		w.put(e.num, inf.serBits)
	case serialString:
		putString(w, e.serialText(), inf.serBits)
	case serialZeros:
		w.put(0, inf.serBits)
	}
}

// putString writes 7-bit characters and fills up to width bits with zeros.
func putString(w *bitWriter, s string, width int) {
	end := w.n + width
	for i := 0; i < len(s); i++ {
		w.put(uint64(s[i]), 7)
	}
	w.zeros(end)
}

// encodePlus writes a "+" or "++" scheme.
func encodePlus(e, id EPC, opt Options) (EPC, error) {
	inf := &schemes[e.scheme]
	e.prefix = 0
	var w bitWriter
	w.put(uint64(inf.header), 8)
	if opt.Toggle {
		w.put(1, 1)
		e.flags |= flagToggle
	} else {
		w.put(0, 1)
	}
	w.put(uint64(opt.Filter), 3)
	if e.scheme == DSGTINPlus || e.scheme == DSGTINPlusPlus {
		date, err := pickDate(id, opt)
		if err != nil {
			return EPC{}, err
		}
		e.date = date
		w.put(uint64(date/1000000), 4)
		w.put(uint64(date/10000%100), 7)
		w.put(uint64(date/100%100), 4)
		w.put(uint64(date%100), 5)
	}
	var err error
	switch inf.family {
	case SGTIN:
		putDigits(&w, padded(e.key, 14))
		err = putValue(&w, e.serialText(), opt.Method)
	case ITIP:
		putDigits(&w, padded(e.key, 14))
		putDigits(&w, padded(uint64(e.extra), 4))
		err = putValue(&w, e.serialText(), opt.Method)
	case SSCC, GSRN, GSRNP:
		putDigits(&w, padded(e.key, 18))
	case SGLN, GDTI:
		putDigits(&w, padded(e.key, 13))
		err = putValue(&w, e.serialText(), opt.Method)
	case GRAI:
		putDigits(&w, padded(e.key, 14))
		err = putValue(&w, e.serialText(), opt.Method)
	case SGCN:
		putDigits(&w, padded(e.key, 13))
		putNumericSerial(&w, padded(e.num, 1)[1:])
	case GIAI:
		err = putDelimited(&w, e.text, opt.Method)
	case CPI:
		if err = putDelimited(&w, e.text, opt.Method); err == nil {
			putNumericSerial(&w, padded(e.num, 1))
		}
	}
	if err == nil && inf.form == formPlusPlus {
		name := opt.Hostname
		if name == "" {
			name = id.Hostname()
		}
		err = putHostname(&w, name)
	}
	if err != nil {
		return EPC{}, err
	}
	if w.n > maxBits {
		return EPC{}, broken(sectionPC, "the %s would need %d bits, and a tag's EPC has at most %d; use a shorter "+
			"host name", inf.name, w.n, maxBits)
	}
	e.bin, e.nbits = string(w.b), uint16(w.n)
	return e, nil
}

// pickDate returns the prioritised date of the options or, where they are empty, of the EPC.
func pickDate(id EPC, opt Options) (uint32, error) {
	ai, date := opt.DateAI, opt.Date
	if ai == "" && date == "" {
		ai, date, _ = id.Date()
	}
	const section = "TDS 2.3 14.5.3"
	for kind, known := range dateAIs {
		if ai != known {
			continue
		}
		if len(date) != 6 || !allDigits(date) {
			return 0, broken(section, "%q is no date: six digits YYMMDD", truncate(date))
		}
		v := numeral(date).lo
		return uint32(kind*1000000) + uint32(v), checkDate(v/100%100, v%100)
	}
	return 0, broken(section, "a DSGTIN+ needs a prioritised date: set DateAI to one of 11, 13, 15, 16, 17, 7006 "+
		"and 7007, and Date (DateAI is %q)", truncate(ai))
}

func putDigits(w *bitWriter, digits string) {
	for i := 0; i < len(digits); i++ {
		w.put(uint64(digits[i]-'0'), 4)
	}
}

// putNumericSerial writes a 4-bit length and an integer (TDS 2.3 14.5.13).
func putNumericSerial(w *bitWriter, digits string) {
	w.put(uint64(len(digits)), 4)
	w.put128(numeral(digits), numericBits[len(digits)])
}

// putDelimited writes a GIAI or CPI: its leading digits, then the terminator, or the delimiter and
// the rest.
func putDelimited(w *bitWriter, text string, m Method) error {
	n := 0
	for n < len(text) && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	putDigits(w, text[:n])
	if n == len(text) {
		w.put(0xF, 4)
		return nil
	}
	w.put(0xE, 4)
	return putValue(w, text[n:], m)
}

// putValue writes an encoding indicator, a length and the characters (TDS 2.3 14.5.6). v has 1 to
// 30 characters.
func putValue(w *bitWriter, v string, m Method) error {
	if m == MethodAuto {
		m = pickMethod(v)
	}
	if m >= numMethods {
		return broken("TDS 2.3 Table E", "there is no method %d", m)
	}
	if i := firstOutside(v, &methodSets[m]); i >= 0 {
		return broken("TDS 2.3 Table E", "encoding indicator %d cannot hold %q, which is in the serial", m-1, v[i])
	}
	w.put(uint64(m-1), 3)
	w.put(uint64(len(v)), 5)
	switch m {
	case MethodNumeric:
		w.put128(numeral(v), numericBits[len(v)])
		return nil
	case MethodCode40:
		for i := 0; i < len(v); i += 3 {
			var p [3]uint64
			for j := 0; j < 3 && i+j < len(v); j++ {
				p[j] = uint64(code40Values[v[i+j]])
			}
			w.put(1600*p[0]+40*p[1]+p[2]+1, 16)
		}
		return nil
	}
	for i := 0; i < len(v); i++ {
		switch m {
		case MethodUpperHex, MethodLowerHex:
			w.put(uint64(hexValue[v[i]]), 4)
		case MethodBase64:
			w.put(uint64(base64Values[v[i]]), 6)
		case MethodASCII:
			w.put(uint64(v[i]), 7)
		}
	}
	return nil
}
