package epcis

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-faster/jx"
)

// EventID returns the hash id of an event, "ni:///sha-256;...?ver=CBV2.0": the same for every way
// to write the same event. It leaves out recordTime, eventID and errorDeclaration. Source: GS1 Core
// Business Vocabulary 2.0, event hash id; RFC 6920 for the form of the URI.
func EventID(ev *Event) string {
	sum := sha256.Sum256(appendPreHash(make([]byte, 0, 768), ev))
	out := make([]byte, 0, 96)
	out = append(out, "ni:///sha-256;"...)
	out = hex.AppendEncode(out, sum[:])
	return string(append(out, "?ver=CBV2.0"...))
}

func appendPreHash(b []byte, ev *Event) []byte {
	h := hasher{ev.prefixes}
	if h.prefixes == nil {
		h.prefixes = builtin
	}
	b = append(append(b, "eventType="...), strings.TrimSpace(string(ev.Type))...)
	b = h.time(b, "eventTime", ev.Time)
	b = pair(b, "eventTimeZoneOffset", ev.Offset)
	b = append(b, h.sorted("certificationInfo=", ev.Certification)...)
	b = h.list(b, "epcList", "epc=", ev.EPCs)
	b = pair(b, "parentID", h.id(ev.Parent))
	b = h.list(b, "inputEPCList", "epc=", ev.Inputs)
	b = h.list(b, "childEPCs", "epc=", ev.Children)
	b = h.quantities(b, "quantityList", ev.Quantities)
	b = h.quantities(b, "childQuantityList", ev.ChildQuantities)
	b = h.quantities(b, "inputQuantityList", ev.InputQuantities)
	b = h.list(b, "outputEPCList", "epc=", ev.Outputs)
	b = h.quantities(b, "outputQuantityList", ev.OutputQuantities)
	b = pair(b, "action", string(ev.Action))
	b = pair(b, "transformationID", h.id(ev.Transformation))
	b = pair(b, "bizStep", h.word(ev.BizStep, bizSteps, uriBizStep))
	b = pair(b, "disposition", h.word(ev.Disposition, dispositions, uriDisposition))
	if v := ev.Persistent; v != nil {
		b = append(b, "persistentDisposition"...)
		b = h.words(b, "set=", v.Set)
		b = h.words(b, "unset=", v.Unset)
	}
	b = h.location(b, "readPoint", ev.ReadPoint)
	b = h.location(b, "bizLocation", ev.BizLocation)
	b = h.transactions(b, ev.BizTransactions)
	// The rules name sources first; the published vector with both has them in the order of the
	// alphabet.
	b = h.parties(b, "destinationList", "destination", ev.Destinations)
	b = h.parties(b, "sourceList", "source", ev.Sources)
	b = h.sensors(b, ev.Sensors)
	if ev.ILMD != nil {
		b = append(b, "ilmd"...)
		b = append(b, h.inside(jx.DecodeBytes(ev.ILMD))...)
	}
	return append(b, h.members(ev.Extensions)...)
}

// hasher knows the prefixes of the event.
type hasher struct{ prefixes map[string]string }

// pair appends key=value, if there is a value.
func pair(b []byte, key, value string) []byte {
	if value = strings.TrimSpace(value); value == "" {
		return b
	}
	b = append(append(b, key...), '=')
	return append(b, value...)
}

// time appends a time in UTC with milliseconds, rounded half up.
func (h hasher) time(b []byte, key, value string) []byte {
	t, ok := parseTime(strings.TrimSpace(value))
	if !ok {
		return pair(b, key, value)
	}
	b = append(append(b, key...), '=')
	return t.Add(500*time.Microsecond).UTC().AppendFormat(b, "2006-01-02T15:04:05.000Z")
}

// id is a URI in its canonical form.
func (h hasher) id(s string) string {
	s = strings.TrimSpace(s)
	if link := canonicalURI(s); link != s {
		return link
	}
	return h.expand(s)
}

// expand turns a name with a prefix into the URI that it represents, and an old URN of the
// vocabulary into its new address.
func (h hasher) expand(s string) string {
	for _, old := range oldVocabulary {
		if rest, ok := strings.CutPrefix(s, old[0]); ok {
			return old[1] + rest
		}
	}
	if prefix, rest, ok := strings.Cut(s, ":"); ok && !strings.HasPrefix(rest, "//") {
		if uri, ok := h.prefixes[prefix]; ok {
			return uri + rest
		}
	}
	return s
}

// word is a word of the vocabulary as its URI.
func (h hasher) word(s string, v vocabulary, uri string) string {
	if v.has[s] {
		return uri + s
	}
	return h.expand(s)
}

// sorted joins prefix+value of each value, in the order of their bytes.
func (h hasher) sorted(prefix string, list []string) string {
	switch len(list) {
	case 0:
		return ""
	case 1:
		return prefix + h.id(list[0])
	}
	out := make([]string, 0, len(list))
	for _, s := range list {
		out = append(out, prefix+h.id(s))
	}
	return join(out)
}

func join(list []string) string {
	slices.Sort(list)
	return strings.Join(list, "")
}

func (h hasher) list(b []byte, name, prefix string, list []string) []byte {
	if len(list) == 0 {
		return b
	}
	b = append(b, name...)
	return append(b, h.sorted(prefix, list)...)
}

func (h hasher) words(b []byte, prefix string, list []string) []byte {
	out := make([]string, 0, len(list))
	for _, s := range list {
		out = append(out, prefix+h.word(s, dispositions, uriDisposition))
	}
	return append(b, join(out)...)
}

func (h hasher) quantities(b []byte, name string, list []Quantity) []byte {
	if len(list) == 0 {
		return b
	}
	out := make([]string, 0, len(list))
	for _, q := range list {
		e := pair([]byte("quantityElement"), "epcClass", h.id(q.Class))
		e = pair(e, "quantity", canonicalNumber(string(q.Amount)))
		e = pair(e, "uom", q.Unit)
		out = append(out, string(e))
	}
	return append(append(b, name...), join(out)...)
}

func (h hasher) location(b []byte, name string, l *Location) []byte {
	if l == nil {
		return b
	}
	b = append(b, name...)
	b = pair(b, "id", h.id(l.ID))
	return append(b, h.members(l.Extensions)...)
}

func (h hasher) transactions(b []byte, list []BizTransaction) []byte {
	if len(list) == 0 {
		return b
	}
	out := make([]string, 0, len(list))
	for _, t := range list {
		e := pair(nil, "type", h.word(t.Type, transactionTypes, uriTransaction))
		out = append(out, string(pair(e, "bizTransaction", h.id(t.ID))))
	}
	return append(append(b, "bizTransactionList"...), join(out)...)
}

func (h hasher) parties(b []byte, name, what string, list []Party) []byte {
	if len(list) == 0 {
		return b
	}
	out := make([]string, 0, len(list))
	for _, t := range list {
		e := pair(nil, "type", h.word(t.Type, partyTypes, uriParty))
		out = append(out, string(pair(e, what, h.id(t.ID))))
	}
	return append(append(b, name...), join(out)...)
}

// members appends extensions: each by its full name in curly brackets, sorted.
func (h hasher) members(list []Member) string {
	if len(list) == 0 {
		return ""
	}
	out := make([]string, 0, len(list))
	for _, m := range list {
		out = h.value(out, m.Name, jx.DecodeBytes(m.Value))
	}
	return join(out)
}

// inside returns the members of an object, sorted.
func (h hasher) inside(d *jx.Decoder) string {
	var out []string
	_ = d.Obj(func(d *jx.Decoder, key string) error { // it is valid JSON, or nothing comes of it
		out = h.value(out, key, d)
		return nil
	})
	return join(out)
}

// commentName is a remark for people, which is no part of an event.
const commentName = "rdfs:comment"

// value adds a member of an extension to out: once, or once for each element of an array.
func (h hasher) value(out []string, name string, d *jx.Decoder) []string {
	if name == commentName {
		_ = d.Skip()
		return out
	}
	if d.Next() == jx.Array {
		_ = d.Arr(func(d *jx.Decoder) error {
			out = h.value(out, name, d)
			return nil
		})
		return out
	}
	full := h.name(name)
	if d.Next() == jx.Object {
		return append(out, full+h.inside(d))
	}
	text := literal(d)
	if s := canonicalURI(text); s != text {
		text = s
	} else {
		text = canonicalNumber(text)
	}
	return append(out, string(append([]byte(full), h.equals(text)...)))
}

func (h hasher) equals(text string) string {
	if text = strings.TrimSpace(text); text == "" {
		return ""
	}
	return "=" + text
}

// literal reads a text, a number, true, false or null as text.
func literal(d *jx.Decoder) string {
	switch d.Next() {
	case jx.String:
		s, _ := d.Str()
		return strings.TrimSpace(s)
	case jx.Number:
		n, _ := d.Num()
		return string(n)
	case jx.Bool:
		v, _ := d.Bool()
		return strconv.FormatBool(v)
	default:
		_ = d.Skip()
		return ""
	}
}

// name is the full name of a member: {namespace}local.
func (h hasher) name(name string) string {
	prefix, local, ok := strings.Cut(name, ":")
	if !ok {
		return name
	}
	if uri, ok := h.prefixes[prefix]; ok {
		return "{" + uri + "}" + local
	}
	if i := strings.LastIndexAny(name, "/#:"); i > len(prefix) && i+1 < len(name) {
		return "{" + name[:i+1] + "}" + name[i+1:]
	}
	return name
}

// canonicalNumber takes the zeros off a decimal number that say nothing; what is no number comes
// back unchanged.
func canonicalNumber(s string) string {
	body := s
	if body == "" || body[len(body)-1] > '9' { // most texts
		return s
	}
	negative := false
	if body[0] == '+' || body[0] == '-' {
		negative = body[0] == '-'
		body = body[1:]
	}
	if i := strings.IndexAny(body, "eE"); i >= 0 {
		exp, err := strconv.Atoi(body[i+1:])
		if err != nil || exp > 40 || exp < -40 || !decimal(body[:i]) || len(body) > 80 {
			return s
		}
		r, ok := new(big.Rat).SetString(body)
		if !ok {
			return s
		}
		body = r.FloatString(130)
	} else if !decimal(body) {
		return s
	}
	whole, fraction, _ := strings.Cut(body, ".")
	whole = strings.TrimLeft(whole, "0")
	fraction = strings.TrimRight(fraction, "0")
	if whole == "" {
		whole = "0"
	}
	out := whole
	if fraction != "" {
		out += "." + fraction
	}
	if negative && out != "0" {
		out = "-" + out
	}
	return out
}

// decimal reports whether s is digits, with at most one point between or beside them.
func decimal(s string) bool {
	digits, points := 0, 0
	for i := range len(s) {
		switch {
		case isDigit(s[i]):
			digits++
		case s[i] == '.':
			points++
		default:
			return false
		}
	}
	return digits > 0 && points <= 1
}

// sensors appends sensor data.
func (h hasher) sensors(b []byte, raw json.RawMessage) []byte {
	if raw == nil {
		return b
	}
	var elements []string
	_ = jx.DecodeBytes(raw).Arr(func(d *jx.Decoder) error {
		var metadata string
		var reports, more []string
		err := d.Obj(func(d *jx.Decoder, key string) error {
			switch key {
			case "sensorMetadata":
				metadata = h.sensorObject(d, sensorMetadata)
				return nil
			case "sensorReport":
				return d.Arr(func(d *jx.Decoder) error {
					reports = append(reports, "sensorReport"+h.sensorObject(d, sensorReport))
					return nil
				})
			}
			more = h.value(more, key, d)
			return nil
		})
		e := "sensorElement"
		if metadata != "" {
			e += "sensorMetadata" + metadata
		}
		elements = append(elements, e+join(reports)+join(more))
		return err
	})
	if len(elements) == 0 {
		return b
	}
	b = append(b, "sensorElementList"...)
	return append(b, join(elements)...)
}

// sensorObject writes the known members in their order, and then the extensions, sorted.
func (h hasher) sensorObject(d *jx.Decoder, order []string) string {
	values := make(map[string]string)
	var more []string
	_ = d.Obj(func(d *jx.Decoder, key string) error {
		if slices.Contains(order, key) {
			values[key] = literal(d)
		} else {
			more = h.value(more, key, d)
		}
		return nil
	})
	var b []byte
	for _, key := range order {
		v, ok := values[key]
		if !ok {
			continue
		}
		switch {
		case strings.HasSuffix(key, "ime"):
			b = h.time(b, key, v)
			continue
		case (key == "type" || key == "exception") && !strings.Contains(v, ":"):
			v = uriMeasurement + v
		case key == "component" && !strings.Contains(v, ":"):
			v = uriComponent + v
		case key == "stringValue", key == "hexBinaryValue", key == "uom":
		default:
			if n := canonicalNumber(v); n != v {
				v = n
			} else {
				v = h.id(v)
			}
		}
		b = pair(b, key, v)
	}
	return string(b) + join(more)
}
