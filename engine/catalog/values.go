package catalog

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

func formatGTIN(gtin uint64) string { return fmt.Sprintf("%014d", gtin) }

// maxGTIN is the first number that has more than 14 digits.
const maxGTIN = 100_000_000_000_000

// gtin reads a GTIN as a person or a spreadsheet wrote it; 0 after an error.
func (r *row) gtin(column, s string) uint64 {
	s = strings.TrimSpace(s)
	if s == "" {
		r.fail(column, "every product needs its GTIN", "is missing")
		return 0
	}
	gtin, err := epc.ParseGTIN(s)
	if err == nil && gtin != 0 {
		return gtin
	}
	reason := "it is zero"
	if err != nil {
		reason = err.Error()
	}
	var detail *epc.Error
	if errors.As(err, &detail) {
		reason = detail.Reason
	}
	hint := ""
	switch digits := strings.Trim(s, "0123456789") == ""; {
	case digits && len(s) >= 9 && len(s) <= 11:
		hint = "a spreadsheet may have dropped zeros at its front: put them back up to 12 digits, and make the column text"
	case strings.ContainsAny(s, "eE") && strings.Trim(s, "0123456789eE+.,") == "":
		hint = "a spreadsheet has rounded it and the digits are lost: make the column text and enter the number again"
	case strings.Trim(s, "0123456789 -") == "":
		hint = "write the digits alone, without spaces and hyphens"
		if digits {
			hint = "compare it with the number under the barcode"
		}
	}
	if len(s) > 40 {
		s = strings.ToValidUTF8(s[:40], "") + "..."
	}
	r.fail(column, hint, "%q is no GTIN: %s", s, reason)
	return 0
}

// text checks a text and drops the white space around it. lines: line breaks and tabs may stand
// inside.
func (r *row) text(column, s string, atMost int, lines bool) string {
	s = strings.TrimSpace(s)
	if len(s) > atMost {
		r.fail(column, "", "is %d bytes long; at most %d are allowed", len(s), atMost)
		return ""
	}
	plain := true
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] > '~' {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	if !utf8.ValidString(s) {
		r.fail(column, "save the file as UTF-8", "is not UTF-8")
		return ""
	}
	if lines && strings.Contains(s, "\r\n") {
		s = strings.ReplaceAll(s, "\r\n", "\n") // as encoding/csv does, so that both text forms mean the same
	}
	s = doc.Unturned(s)
	for _, c := range s {
		if unicode.IsControl(c) && !(lines && (c == '\n' || c == '\t')) {
			r.fail(column, "remove it", "has the control character %U", c)
			return ""
		}
	}
	return s
}

// attributeName checks a name and drops the white space around it.
func (r *row) attributeName(column, s string) string {
	const longest = 64
	name := r.text(column, s, longest, false)
	if name == "" && strings.TrimSpace(s) == "" {
		r.fail(column, "", "the attribute has no name")
	}
	return name
}

// smallest price but 0: it keeps every price short when written without an exponent.
const minPrice = 1e-6

func (r *row) priceRange(column string, x float64) float64 {
	switch {
	case math.IsNaN(x) || x < 0 || x > MaxPrice || x > 0 && x < minPrice:
		r.fail(column, "", "%v is out of range: 0, or from %v to %v", x, minPrice, float64(MaxPrice))
		return 0
	case x == 0:
		return 0 // and not -0
	}
	return x
}

// price reads digits with a decimal point, or a decimal comma where that is allowed. Empty is 0.
func (r *row) price(column, s string, commaAllowed bool) float64 {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0
	}
	number := s
	if commaAllowed && strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		number = strings.Replace(s, ",", ".", 1)
	}
	points := 0
	for i := 0; i < len(number); i++ {
		switch c := number[i]; {
		case c >= '0' && c <= '9':
		case c == '.' && i > 0 && i < len(number)-1 && points == 0:
			points++
		default:
			hint := "write digits and a decimal point alone, like 9.99"
			if c == ',' {
				hint += ", without a divider of thousands"
			}
			r.fail(column, hint, "%.40q is no price", s)
			return 0
		}
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		x = math.Inf(1)
	}
	return r.priceRange(column, x)
}

// zoneID checks the id of a zone; ok is false after an error.
func (r *row) zoneID(column, s string) (id string, ok bool) {
	id = strings.TrimSpace(s)
	if !layout.ValidID(id) {
		hint := "an id has 1 to 64 characters of a-z, 0-9, '-' and '_'"
		if lower := strings.ReplaceAll(strings.ToLower(id), " ", "-"); lower != id && layout.ValidID(lower) {
			hint = fmt.Sprintf("did you mean %q?", lower)
		}
		r.fail(column, hint, "%.40q is no id of a zone", id)
		return "", false
	}
	return id, true
}

// addZone adds the id of a home zone to ids, which has each once.
func (r *row) addZone(column, s string, ids []string) []string {
	id, ok := r.zoneID(column, s)
	switch {
	case !ok:
	case slices.Contains(ids, id):
		r.fail(column, "keep one of them", "%q stands twice", id)
	default:
		ids = append(ids, id)
	}
	return ids
}

// placed returns a limit of the place that is named: a kind of zones if it is the name of one, else
// a zone. A layout makes sure that a zone whose id is a kind's name is the only one of that kind,
// so the two never differ.
func placed(place string) Limit {
	if event.ZoneKinds.Has(place) {
		return Limit{Kind: place}
	}
	return Limit{Zone: place}
}

func (r *row) checkRange(column string, l Limit) {
	if l.HasMin && l.HasMax && l.Min > l.Max {
		r.fail(column, "", "the minimum of %s is %d, more than the maximum of %d", l.Place(), l.Min, l.Max)
	}
}
