package layout

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/valyala/fastjson"

	"lintel/engine/event"
)

const maxNameBytes = 200

// fields are the members of one JSON object. Every read of a member records what is wrong with it and goes on, so that one Parse finds
// everything.
type fields struct {
	*report
	path   string
	values map[string]*fastjson.Value
}

// object takes the members of v. known are the names that it may have; any other is a problem, as is one that stands twice.
func (r *report) object(path string, v *fastjson.Value, known ...string) fields {
	f := fields{report: r, path: path, values: map[string]*fastjson.Value{}}
	o, err := v.Object()
	if err != nil {
		r.add(path, "write it in braces: { ... }", "%s where an object was expected", typeName(v))
		return f
	}
	o.Visit(func(key []byte, v *fastjson.Value) {
		name := string(key)
		switch _, twice := f.values[name]; {
		case twice:
			r.add(f.at(name), "keep one of them", "stands twice in this object")
		case !contains(known, name):
			r.add(f.at(name), r.nearest(name, known), "there is no field %.60q here", name)
		default:
			f.values[name] = v
		}
	})
	return f
}

func contains(names []string, name string) bool {
	for _, n := range names {
		if n == name {
			return true
		}
	}
	return false
}

func (f *fields) at(name string) string {
	if len(name) > 80 {
		name = strings.ToValidUTF8(name[:80], "") + "..."
	}
	if f.path == "" {
		return name
	}
	return f.path + "." + name
}

func typeName(v *fastjson.Value) string {
	switch v.Type() {
	case fastjson.TypeObject:
		return "an object stands"
	case fastjson.TypeArray:
		return "a list stands"
	case fastjson.TypeString:
		return "a text stands"
	case fastjson.TypeNumber:
		return "a number stands"
	case fastjson.TypeTrue, fastjson.TypeFalse:
		return "true or false stands"
	}
	return "null stands"
}

// text returns a string member with the white space around it dropped; missing or wrong, "" and false.
func (f *fields) text(name string, required bool) (string, bool) {
	v, ok := f.values[name]
	if !ok {
		if required {
			f.add(f.at(name), "", "is missing")
		}
		return "", false
	}
	b, err := v.StringBytes()
	if err != nil {
		f.add(f.at(name), "write it in double quotes", "%s where a text was expected", typeName(v))
		return "", false
	}
	s := strings.TrimSpace(string(b))
	switch {
	case s == "":
		f.add(f.at(name), "", "is empty")
	case len(s) > maxNameBytes:
		f.add(f.at(name), "", "is %d bytes long; at most %d are allowed", len(s), maxNameBytes)
	case strings.ContainsFunc(s, unicode.IsControl):
		f.add(f.at(name), "remove line breaks, tabs and other control characters", "has a control character")
	default:
		return s, true
	}
	return "", false
}

// id returns an id member.
func (f *fields) id(name string, required bool) (string, bool) {
	s, ok := f.text(name, required)
	if ok && !ValidID(s) {
		f.add(f.at(name), idHint(s), "%q is no id: an id has 1 to 64 characters of a-z, 0-9, '-' and '_'", s)
		return "", false
	}
	return s, ok
}

// idHint makes an id of what a person wrote, as far as that goes.
func idHint(s string) string {
	id := strings.Trim(strings.Map(func(r rune) rune {
		r = unicode.ToLower(r)
		if r < utf8.RuneSelf && ValidID(string(r)) {
			return r
		}
		return '-'
	}, s), "-")
	if !ValidID(id) || len(strings.Trim(id, "-_")) == 0 {
		return ""
	}
	return fmt.Sprintf("write %q, say, and keep the words in the name", id)
}

// one returns a member that is one of a few names.
func one[T ~uint8](f *fields, name string, required bool, set *event.Set[T]) T {
	s, ok := f.text(name, required)
	if !ok {
		return 0
	}
	v, ok := set.Parse(s)
	if !ok {
		f.add(f.at(name), f.nearest(s, set.Texts()), "%q is not a %s", s, name)
	}
	return v
}

// number returns a number member between low and high, or the default.
func (f *fields) number(name string, low, high, otherwise float64, unit string) float64 {
	v, ok := f.values[name]
	if !ok {
		return otherwise
	}
	if v.Type() != fastjson.TypeNumber {
		f.add(f.at(name), "write it without quotes", "%s where a number was expected", typeName(v))
		return otherwise
	}
	x, err := strconv.ParseFloat(v.String(), 64)
	if err != nil || x < low || x > high {
		f.add(f.at(name), "", "%.40s is out of range: from %v to %v%s", v.String(), low, high, unit)
		return otherwise
	}
	return x
}

func (f *fields) integer(name string, low, high, otherwise int) int {
	x := f.number(name, float64(low), float64(high), float64(otherwise), "")
	if x != math.Trunc(x) {
		f.add(f.at(name), "", "%v is not a whole number", x)
		return otherwise
	}
	return int(x)
}

// duration returns a member like "5m" or "700ms" between low and high, or the default.
func (f *fields) duration(name string, low, high, otherwise time.Duration) time.Duration {
	if _, ok := f.values[name]; !ok {
		return otherwise
	}
	s, ok := f.text(name, false)
	if !ok {
		return otherwise
	}
	d, err := time.ParseDuration(s)
	if err != nil {
		f.add(f.at(name), `write a number and a unit (ms, s, m, h), like "700ms", "90s" or "5m"`, "%q is not a length of time", s)
		return otherwise
	}
	if d < low || d > high {
		f.add(f.at(name), "", "%s is out of range: from %s to %s", s, formatDuration(low), formatDuration(high))
		return otherwise
	}
	return d
}

// formatDuration is time.Duration.String without the parts that are zero: "5m", not "5m0s".
func formatDuration(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = s[:len(s)-2]
	}
	if strings.HasSuffix(s, "h0m") {
		s = s[:len(s)-2]
	}
	return s
}

// list returns the members of an array member.
func (f *fields) list(name string, atMost int) []*fastjson.Value {
	v, ok := f.values[name]
	if !ok {
		return nil
	}
	list, err := v.Array()
	if err != nil {
		f.add(f.at(name), "write it in square brackets: [ ... ]", "%s where a list was expected", typeName(v))
		return nil
	}
	if len(list) > atMost {
		f.add(f.at(name), "", "has %d entries; at most %d are allowed", len(list), atMost)
		return nil
	}
	return list
}
