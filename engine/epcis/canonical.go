package epcis

import (
	"strings"

	"lintel/engine/epc"
)

// canonicalHost is where the canonical form of a GS1 Digital Link URI is.
const canonicalHost = "https://id.gs1.org/"

// canonicalURI returns the constrained canonical GS1 Digital Link URI of a GS1 identifier in any of
// its URI forms: EPC, EPC class and EPC pattern URIs, and Digital Links on any host, which keep the
// finest level of identification only. Anything else comes back unchanged.
//
// This is wider and more lenient than package epc, which knows instances only and verifies check
// digits: an event names classes, lots and parties, too, and its hash id may not depend on what a
// verifier thinks of them. Source: rules 17 and 18 of the event hash id.
func canonicalURI(s string) string {
	switch {
	case strings.HasPrefix(s, "urn:epc:"):
		if link, ok := linkOfURN(s); ok {
			return link
		}
	case strings.HasPrefix(s, "https://"), strings.HasPrefix(s, "http://"):
		if link, ok := constrainedLink(s); ok {
			return link
		}
	}
	return s
}

// urnForm is how the body of a URN becomes a key: company prefix and reference fill so many digits;
// the check digit follows.
type urnForm struct {
	ai     string
	digits int    // of prefix and reference together; 0: any characters, and no check digit
	lead   string // digits in front: the zero of a GRAI
	first  bool   // the first digit of the reference goes in front of the prefix
	parts  int    // parts behind the reference
	tail   string // AI of the last part; "": it follows the key directly
}

var urnForms = map[string]urnForm{
	"id:sgtin":    {ai: "01", digits: 13, first: true, parts: 1, tail: "21"},
	"id:sscc":     {ai: "00", digits: 17, first: true},
	"id:sgln":     {ai: "414", digits: 12, parts: 1, tail: "254"},
	"id:grai":     {ai: "8003", digits: 12, lead: "0", parts: 1},
	"id:giai":     {ai: "8004"},
	"id:gsrn":     {ai: "8018", digits: 17},
	"id:gsrnp":    {ai: "8017", digits: 17},
	"id:gdti":     {ai: "253", digits: 12, parts: 1},
	"id:cpi":      {ai: "8010", parts: 1, tail: "8011"},
	"id:sgcn":     {ai: "255", digits: 12, parts: 1},
	"id:ginc":     {ai: "401"},
	"id:gsin":     {ai: "402", digits: 16},
	"id:itip":     {ai: "8006", digits: 13, first: true, parts: 3, tail: "21"},
	"id:upui":     {ai: "01", digits: 13, first: true, parts: 1, tail: "235"},
	"id:pgln":     {ai: "417", digits: 12},
	"class:lgtin": {ai: "01", digits: 13, first: true, parts: 1, tail: "10"},
	"idpat:sgtin": {ai: "01", digits: 13, first: true, parts: 1},
	"idpat:grai":  {ai: "8003", digits: 12, lead: "0", parts: 1},
	"idpat:gdti":  {ai: "253", digits: 12, parts: 1},
	"idpat:sgcn":  {ai: "255", digits: 12, parts: 1},
	"idpat:cpi":   {ai: "8010", parts: 1},
	"idpat:itip":  {ai: "8006", digits: 13, first: true, parts: 3},
	"idpat:upui":  {ai: "01", digits: 13, first: true, parts: 1},
}

func linkOfURN(s string) (string, bool) {
	rest := strings.TrimPrefix(s, "urn:epc:")
	i := strings.LastIndexByte(cut(rest, strings.IndexByte(rest, '.')+1), ':') // the serial may hold a colon, the prefix may not
	if i < 0 {
		return "", false
	}
	scheme, body := rest[:i], rest[i+1:]
	f, ok := urnForms[scheme]
	if !ok {
		return "", false
	}
	// A reference of characters may hold a dot, as may the serial behind one of digits.
	var fields []string
	switch {
	case f.digits > 0:
		fields = strings.SplitN(body, ".", 2+f.parts)
	case f.parts > 0: // a CPI: the serial is behind the last dot
		last := strings.LastIndexByte(body, '.')
		if last < 0 {
			return "", false
		}
		fields = append(strings.SplitN(body[:last], ".", 2), body[last+1:])
	default:
		fields = strings.SplitN(body, ".", 2)
	}
	if len(fields) != 2+f.parts || len(fields[0]) < 6 || len(fields[0]) > 12 || !allDigits(fields[0]) {
		return "", false
	}
	company, ref, parts := fields[0], fields[1], fields[2:]
	key := f.lead + company + ref
	if f.digits > 0 {
		if len(company)+len(ref) != f.digits || !allDigits(ref) {
			return "", false
		}
		if f.first {
			key = f.lead + ref[:1] + company + ref[1:]
		}
		check, err := epc.CheckDigit(key)
		if err != nil {
			return "", false
		}
		key += string(check)
	} else {
		if ref == "" {
			return "", false
		}
		key = company + linkEscape(ref)
	}
	out := canonicalHost + f.ai + "/" + key
	pattern := strings.HasPrefix(scheme, "idpat:")
	for i, part := range parts {
		last := i == len(parts)-1
		switch {
		case last && pattern:
			if part != "*" {
				return "", false
			}
		case part == "":
			return "", false
		case last && f.ai == "414" && part == "0": // no extension
		case last && f.tail != "":
			out += "/" + f.tail + "/" + linkEscape(part)
		default:
			out += linkEscape(part)
		}
	}
	return out, true
}

func allDigits(s string) bool {
	for i := range len(s) {
		if !isDigit(s[i]) {
			return false
		}
	}
	return true
}

// linkEscaped are the characters that stand as they are in a URN and escaped in a Digital Link.
// What is escaped already stays so. Source: GS1 Digital Link URI Syntax, table of characters to be
// percent-encoded.
const linkEscaped = "!()*+,:"

func linkEscape(s string) string {
	if !strings.ContainsAny(s, linkEscaped) {
		return s
	}
	const hex = "0123456789ABCDEF"
	out := make([]byte, 0, len(s)+8)
	for i := range len(s) {
		if c := s[i]; strings.IndexByte(linkEscaped, c) >= 0 {
			out = append(out, '%', hex[c>>4], hex[c&15])
		} else {
			out = append(out, c)
		}
	}
	return string(out)
}

// linkKey is a key of a Digital Link: the length of its digits, what may follow them, and its
// qualifiers, the finest last.
type linkKey struct {
	digits     int  // fixed digits in front; 0: any characters
	more       bool // a serial may follow them directly
	qualifiers []string
}

var linkKeys = map[string]linkKey{
	"00":   {digits: 18},
	"01":   {digits: 14, qualifiers: []string{"10", "21", "235"}},
	"253":  {digits: 13, more: true},
	"255":  {digits: 13, more: true},
	"401":  {},
	"402":  {digits: 17},
	"414":  {digits: 13, qualifiers: []string{"254"}},
	"417":  {digits: 13},
	"8003": {digits: 14, more: true},
	"8004": {},
	"8006": {digits: 18, qualifiers: []string{"10", "21"}},
	"8010": {qualifiers: []string{"8011"}},
	"8017": {digits: 18},
	"8018": {digits: 18},
}

// passedOver are qualifiers that say more than the hash id wants to know: the consumer product
// variant, the service relation.
var passedOver = map[string]bool{"22": true, "8019": true}

// constrainedLink reads a Digital Link from the end of its path.
func constrainedLink(s string) (string, bool) {
	_, rest, _ := strings.Cut(s, "://")
	if i := strings.IndexAny(rest, "?#"); i >= 0 {
		rest = rest[:i]
	}
	_, path, ok := strings.Cut(rest, "/")
	if !ok {
		return "", false
	}
	path = strings.TrimSuffix(path, "/")
	// The pairs stand at the end: at most a key and three qualifiers.
	var pairs [4][2]string
	for n := range pairs {
		i := strings.LastIndexByte(path, '/')
		if i < 0 {
			return "", false
		}
		value := path[i+1:]
		path = path[:i]
		i = strings.LastIndexByte(path, '/')
		ai := path[i+1:]
		pairs[n] = [2]string{ai, value}
		if key, ok := linkKeys[ai]; ok {
			if link, ok := constrained(ai, key, value, pairs[:n]); ok {
				return link, true
			}
		}
		if i < 0 {
			return "", false
		}
		path = path[:i]
	}
	return "", false
}

// constrained builds the link of a key and its qualifiers, which come last one first.
func constrained(ai string, key linkKey, value string, qualifiers [][2]string) (string, bool) {
	if ai == "01" && allDigits(value) && (len(value) == 8 || len(value) == 12 || len(value) == 13) {
		value = "00000000000000"[len(value):] + value
	}
	switch {
	case key.digits == 0 && (len(value) < 4 || len(value) > 3*30), len(value) < key.digits,
		!allDigits(value[:key.digits]), len(value) > key.digits && key.digits > 0 && !key.more:
		return "", false
	}
	out := canonicalHost + ai + "/" + value
	best := -1
	for _, q := range qualifiers {
		if passedOver[q[0]] {
			continue
		}
		at := -1
		for i, name := range key.qualifiers {
			if name == q[0] {
				at = i
			}
		}
		if at < 0 || q[1] == "" {
			return "", false
		}
		if at > best {
			best = at
			out = canonicalHost + ai + "/" + value + "/" + q[0] + "/" + q[1]
		}
	}
	return out, true
}
