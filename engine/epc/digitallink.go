package epc

import "strings"

const sectionDL = "GS1 Digital Link URI Syntax 4"

// DigitalLink returns the canonical GS1 Digital Link URI of the identity, on https://id.gs1.org and
// without data attributes; "" where there is none (GID, USDOD, raw bits). Source: GS1 Digital Link
// URI Syntax 4.12, TDS 2.3 4.4.
func (e EPC) DigitalLink() string {
	return string(e.appendLink(append(make([]byte, 0, 96), baseDL...)))
}

// TagDigitalLink returns the Digital Link URI that the tag itself states: on the host name of a
// "++" scheme where that can stand in a link, with the prioritised date of a DSGTIN+ as a data
// attribute; otherwise the canonical one.
func (e EPC) TagDigitalLink() string {
	base := baseDL
	if host := e.Hostname(); host != "" && badHostChar(host) < 0 {
		base = linkTLS + host
	}
	out := e.appendLink([]byte(base))
	if ai, date, ok := e.Date(); ok {
		out = append(append(append(append(out, '?'), ai...), '='), date...)
	}
	return string(out)
}

// appendLink appends the path; it returns nothing at all for an identity without one.
func (e EPC) appendLink(out []byte) []byte {
	f := e.scheme.Family()
	step := func(ai string) { out = append(append(append(out, '/'), ai...), '/') }
	serial := func(ai string) {
		if ai != "" {
			step(ai)
		}
		out = appendEscaped(out, e.serialText(), linkEscaped)
	}
	switch f {
	case SGTIN:
		step("01")
		out = appendPadded(out, e.key, 14)
		serial("21")
	case ITIP:
		step("8006")
		out = appendPadded(appendPadded(out, e.key, 14), uint64(e.extra), 4)
		serial("21")
	case SSCC:
		step("00")
		out = appendPadded(out, e.key, 18)
	case GSRN:
		step("8018")
		out = appendPadded(out, e.key, 18)
	case GSRNP:
		step("8017")
		out = appendPadded(out, e.key, 18)
	case SGLN:
		step("414")
		out = appendPadded(out, e.key, 13)
		if e.hasExtension() {
			serial("254")
		}
	case GRAI:
		step("8003")
		out = appendPadded(out, e.key, 14)
		serial("")
	case GDTI:
		step("253")
		out = appendPadded(out, e.key, 13)
		serial("")
	case SGCN:
		step("255")
		out = append(appendPadded(out, e.key, 13), padded(e.num, 1)[1:]...)
	case GIAI:
		step("8004")
		out = appendEscaped(out, e.text, linkEscaped)
	case CPI:
		step("8010")
		out = appendEscaped(out, e.text, linkEscaped)
		step("8011")
		out = appendPadded(out, e.num, 1)
	default:
		return nil
	}
	return out
}

// pathQualifiers are the qualifiers that may follow a primary key in the path, in this order.
func pathQualifiers(family Scheme) []string {
	switch family {
	case SGTIN:
		return []string{"22", "10", "21", "235"}
	case SGLN:
		return []string{"254"}
	case ITIP:
		return []string{"10", "21"}
	case CPI:
		return []string{"8011"}
	case GSRN, GSRNP:
		return []string{"8019"}
	}
	return nil
}

// parseLink reads a GS1 Digital Link URI: any host, any path before the key, http or https. What
// follows a ? or # is no part of the identity.
func parseLink(s string) (EPC, error) {
	_, rest, _ := strings.Cut(s, "://")
	if i := strings.IndexAny(rest, "?#"); i >= 0 {
		rest = rest[:i]
	}
	host, path, _ := strings.Cut(rest, "/")
	if host == "" {
		return EPC{}, malformed("the Digital Link has no host name")
	}
	segments := strings.Split(path, "/")
	if last := len(segments) - 1; segments[last] == "" {
		// A slash behind the whole is passed over, unless it stands where a value belongs.
		if pairs, family := keyPairs(segments[:last]); pairs != nil {
			return parsePairs(family, pairs)
		}
	}
	if pairs, family := keyPairs(segments); pairs != nil {
		return parsePairs(family, pairs)
	}
	for _, seg := range segments {
		switch seg {
		case "gtin", "sscc", "gln", "grai", "giai", "ser":
			return EPC{}, broken(sectionDL, "the short name /%s/ is no longer part of the syntax; write the number "+
				"of the Application Identifier", seg)
		}
	}
	return EPC{}, broken(sectionDL, "the path of the Digital Link holds no key; it ends like /01/{GTIN}/21/{serial}")
}

// keyPairs returns the part of a path that states an identity. A path ends in pairs of an
// identifier and a value; the key is the last identifier that can begin an identity, so that digits
// in the path before it do no harm.
func keyPairs(segments []string) ([]string, Scheme) {
	for i := len(segments) - 2; i >= 0; i -= 2 {
		if family, ok := primaryKeys[segments[i]]; ok {
			return segments[i:], family
		}
	}
	return nil, NoScheme
}

// parsePairs reads the path from its key to its end.
func parsePairs(family Scheme, segments []string) (EPC, error) {
	list := make([]element, 0, 4)
	allowed := pathQualifiers(family)
	for i := 0; i < len(segments); i += 2 {
		value, err := unescapeLink(segments[i+1])
		if err != nil {
			return EPC{}, err
		}
		if value == "" {
			return EPC{}, broken(sectionDL, "/%s/ has no value", truncate(segments[i]))
		}
		if i > 0 {
			n := 0
			for n < len(allowed) && allowed[n] != segments[i] {
				n++
			}
			if n == len(allowed) {
				return EPC{}, broken(sectionDL, "%q cannot stand in the path there; a key is followed by its "+
					"qualifiers in order, for (01) those are 22, 10 and 21", truncate(segments[i]))
			}
			allowed = allowed[n+1:]
		}
		list = append(list, element{segments[i], value})
	}
	return fromElements(list)
}
