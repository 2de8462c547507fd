package epc

// appendElements appends the element string of the identity, without a prioritised date.
func (e EPC) appendElements(out []byte) []byte {
	switch e.scheme.Family() {
	case SGTIN:
		out = appendPadded(append(out, "(01)"...), e.key, 14)
		out = append(out, "(21)"...)
		return e.appendSerial(out)
	case ITIP:
		out = appendPadded(append(out, "(8006)"...), e.key, 14)
		out = appendPadded(out, uint64(e.extra), 4)
		out = append(out, "(21)"...)
		return e.appendSerial(out)
	case SSCC:
		return appendPadded(append(out, "(00)"...), e.key, 18)
	case GSRN:
		return appendPadded(append(out, "(8018)"...), e.key, 18)
	case GSRNP:
		return appendPadded(append(out, "(8017)"...), e.key, 18)
	case SGLN:
		out = appendPadded(append(out, "(414)"...), e.key, 13)
		if e.hasExtension() {
			out = e.appendSerial(append(out, "(254)"...))
		}
		return out
	case GRAI:
		return e.appendSerial(appendPadded(append(out, "(8003)"...), e.key, 14))
	case GDTI:
		return e.appendSerial(appendPadded(append(out, "(253)"...), e.key, 13))
	case SGCN:
		return append(appendPadded(append(out, "(255)"...), e.key, 13), padded(e.num, 1)[1:]...)
	case GIAI:
		return append(append(out, "(8004)"...), e.text...)
	case CPI:
		out = append(append(out, "(8010)"...), e.text...)
		return appendPadded(append(out, "(8011)"...), e.num, 1)
	}
	return out
}

func (e EPC) appendSerial(out []byte) []byte {
	if e.flags&flagNumeric != 0 {
		return appendPadded(out, e.num, 1)
	}
	return append(out, e.text...)
}

// bracketedAI returns the Application Identifier at the beginning of s, such as "(21)", without its
// brackets.
func bracketedAI(s string) (ai string, ok bool) {
	if len(s) < 4 || s[0] != '(' {
		return "", false
	}
	for i := 1; i < len(s) && i <= 5; i++ {
		if s[i] == ')' {
			return s[1:i], i >= 3
		}
		if s[i] < '0' || s[i] > '9' {
			break
		}
	}
	return "", false
}

// hasBracketedAI reports whether s holds anything that reads as an Application Identifier in
// brackets.
func hasBracketedAI(s string) bool {
	for i := range len(s) {
		if _, ok := bracketedAI(s[i:]); ok {
			return true
		}
	}
	return false
}

// element is one Application Identifier and its value.
type element struct{ ai, value string }

// parseElements reads a GS1 element string with brackets. Identifiers that are no part of an
// identity (lot, dates, measures) are passed over.
func parseElements(s string) (EPC, error) {
	var list []element
	for rest := s; rest != ""; {
		ai, ok := bracketedAI(rest)
		if !ok {
			return EPC{}, malformed("no Application Identifier of 2 to 4 digits in brackets at the beginning")
		}
		rest = rest[len(ai)+2:]
		end := len(rest)
		for i := range len(rest) {
			if _, ok := bracketedAI(rest[i:]); ok {
				end = i
				break
			}
		}
		if end == 0 {
			return EPC{}, malformed("(%s) has no value", ai)
		}
		list = append(list, element{ai, rest[:end]})
		rest = rest[end:]
	}
	return fromElements(list)
}

// primaryKeys maps the Application Identifiers that begin an identity.
var primaryKeys = map[string]Scheme{
	"01": SGTIN, "00": SSCC, "414": SGLN, "8003": GRAI, "8004": GIAI, "8018": GSRN, "8017": GSRNP,
	"253": GDTI, "255": SGCN, "8006": ITIP, "8010": CPI,
}

// qualifierOf is the identifier that makes one thing of a key.
func qualifierOf(family Scheme) string {
	switch family {
	case SGTIN, ITIP:
		return "21"
	case SGLN:
		return "254"
	case CPI:
		return "8011"
	}
	return ""
}

// fromElements builds the identity that a list of identifiers states.
func fromElements(list []element) (EPC, error) {
	family, at := NoScheme, 0
	for i, el := range list {
		f, ok := primaryKeys[el.ai]
		if !ok {
			continue
		}
		if family != NoScheme {
			return EPC{}, malformed("(%s) and (%s) are two keys; name one thing", list[at].ai, el.ai)
		}
		family, at = f, i
	}
	if family == NoScheme {
		return EPC{}, malformed("no key that this package knows: (01) with (21), (00), (414), (8003), (8004), " +
			"(253), (255), (8006) with (21), (8010) with (8011), (8017) or (8018)")
	}
	qualifier, hasQualifier := "", false
	name := qualifierOf(family)
	for _, el := range list {
		if el.ai == "235" && family == SGTIN {
			return EPC{}, &Error{Kind: Unsupported, Section: "TDS 2.3 6.3",
				Reason: "(01) with (235) is a UPUI, which is not decoded; use the serial (21)"}
		}
		if el.ai != name {
			continue
		}
		if hasQualifier {
			return EPC{}, malformed("(%s) stands twice", name)
		}
		qualifier, hasQualifier = el.value, true
	}
	return fromKey(family, list[at].value, qualifier, hasQualifier)
}

// fromKey builds an identity from the value of its key and, where the family has one, its
// qualifier.
func fromKey(family Scheme, value, qualifier string, hasQualifier bool) (EPC, error) {
	e := EPC{scheme: family, filter: -1}
	var err error
	switch family {
	case SSCC:
		e.key, err = keyNumber(value, "the SSCC", 18, "TDS 2.3 7.4")
		return e, err
	case GSRN, GSRNP:
		e.key, err = keyNumber(value, "the GSRN", 18, "TDS 2.3 7.8, 7.9")
		return e, err
	case SGTIN:
		if len(value) < 14 && allDigits(value) {
			return EPC{}, broken("GS1 General Specifications (01)", "the GTIN of (01) has 14 digits, not %d; write "+
				"zeros in front", len(value))
		}
		if e.key, err = keyNumber(value, "the GTIN", 14, "TDS 2.3 7.3"); err != nil {
			return EPC{}, err
		}
		if err = circulation(e.key); err != nil {
			return EPC{}, err
		}
	case SGLN:
		if e.key, err = keyNumber(value, "the GLN", 13, "TDS 2.3 7.5"); err != nil {
			return EPC{}, err
		}
		if !hasQualifier {
			qualifier = "0"
		}
	case ITIP:
		return fromITIP(e, value, qualifier, hasQualifier)
	case GRAI:
		if len(value) > 0 && value[0] != '0' {
			return EPC{}, broken("TDS 2.3 7.6", "the GRAI must begin with a pad 0 before its 13 digits")
		}
		return fromCompound(e, value, "the GRAI", 14, "TDS 2.3 7.6")
	case GDTI:
		return fromCompound(e, value, "the GDTI", 13, "TDS 2.3 7.10")
	case SGCN:
		return fromCompound(e, value, "the GCN", 13, "TDS 2.3 7.12")
	case GIAI:
		if err = checkChars(value, "the GIAI", maxNumeric, &set82, "GS1 General Specifications (8004)"); err != nil {
			return EPC{}, err
		}
		e.text = value
		return e, checkPrefixedText(value, "the GIAI")
	case CPI:
		if err = checkChars(value, "the CPI", maxNumeric, &set39, "GS1 General Specifications (8010)"); err != nil {
			return EPC{}, err
		}
		if err = checkPrefixedText(value, "the CPI"); err != nil {
			return EPC{}, err
		}
		if !hasQualifier {
			return EPC{}, broken("TDS 2.3 6.3.9", "(8010) without the serial (8011) names a class, not one thing")
		}
		e.text = value
		return e, e.acceptCPISerial(qualifier)
	}
	if family == SGTIN && !hasQualifier {
		return EPC{}, broken("TDS 2.3 7.3", "(01) without the serial (21) names a class, not one thing")
	}
	return e, e.acceptSerial(qualifier)
}

// fromCompound reads a key of n digits with its serial directly behind it.
func fromCompound(e EPC, value, what string, n int, section string) (EPC, error) {
	if len(value) < n {
		return EPC{}, broken(section, "%s has %d characters; it begins with %d digits", what, len(value), n)
	}
	var err error
	if e.key, err = keyNumber(value[:n], what, n, section); err != nil {
		return EPC{}, err
	}
	if len(value) == n {
		return EPC{}, broken(section, "%s has no serial behind its %d digits: it names a class, not one thing", what, n)
	}
	return e, e.acceptSerial(value[n:])
}

func fromITIP(e EPC, value, qualifier string, hasQualifier bool) (EPC, error) {
	const section = "TDS 2.3 7.15"
	if len(value) != 18 || !allDigits(value) {
		return EPC{}, broken(section, "(8006) is a GTIN of 14 digits, a piece and a total of two digits each")
	}
	var err error
	if e.key, err = keyNumber(value[:14], "the GTIN", 14, section); err != nil {
		return EPC{}, err
	}
	if err = circulation(e.key); err != nil {
		return EPC{}, err
	}
	e.extra = uint16(numeral(value[14:]).lo)
	if !hasQualifier {
		return EPC{}, broken(section, "(8006) without the serial (21) names a class, not one thing")
	}
	return e, e.acceptSerial(qualifier)
}
