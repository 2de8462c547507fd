package doc

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Object is a mapping that is being read. Every method that reads a member reports what is wrong
// with it, so that one reading finds everything; a member that is null is not there.
type Object struct {
	*Report
	Node *Node
}

// Object takes the members of a mapping. Known are the names that they may have; any other is a
// problem, as is one that stands twice. It returns false, and an object without members, if the
// value is something else.
func (r *Report) Object(n *Node, known ...string) (Object, bool) {
	if n.Kind != Mapping {
		r.About(n, "write it in braces: { ... }", "is %s where an object is expected", n.Is())
		return Object{r, &Node{Kind: Mapping, Line: n.Line, Column: n.Column}}, false
	}
	var seen uint64
	for _, f := range n.Fields {
		switch i := slices.Index(known, f.Key.Text); {
		case i < 0 && r.Full():
			r.Add(Diagnostic{})
		case i < 0:
			hint := OneOf(f.Key.Text, known)
			r.About(f.Key, hint, "there is no member %q here", Clip(f.Key.Text))
		case seen&(1<<i) != 0:
			r.About(f.Key, "keep one of them", "stands twice")
		default:
			seen |= 1 << i
		}
	}
	return Object{r, n}, true
}

// Get returns the value of a member, nil if it is not there.
func (o Object) Get(name string) *Node {
	if n := o.Node.Get(name); n != nil && n.Kind != Empty {
		return n
	}
	return nil
}

// Problem adds a problem with a member, which may be missing. The reason goes on where its path
// ends.
func (o Object) Problem(name, hint, reason string, args ...any) {
	if n := o.Node.Get(name); n != nil {
		o.About(n, hint, reason, args...)
		return
	}
	o.about(o.Node, name, hint, reason, args)
}

// Text returns a member that is a text, as it stands; false if it is missing or something else.
func (o Object) Text(name string, required bool) (string, bool) {
	n := o.Get(name)
	if n == nil {
		if required {
			o.Problem(name, "", "is missing")
		}
		return "", false
	}
	return o.TextOf(n)
}

// TextOf returns a value that is a text, as it stands. No problem quotes it, since it may be a
// secret.
func (r *Report) TextOf(n *Node) (string, bool) {
	if !n.IsText() {
		r.About(n, "write it in double quotes", "is %s where a text is expected", n.Is())
		return "", false
	}
	return n.Text, true
}

// Number returns a member from low to high, else otherwise.
func (o Object) Number(name string, low, high, otherwise float64, unit string) float64 {
	n := o.Get(name)
	if n == nil {
		return otherwise
	}
	x, ok := o.NumberOf(n)
	if ok && !(x >= low && x <= high) {
		o.About(n, "", "%.40s is out of range: from %v to %v%s", n.Text, low, high, unit)
		ok = false
	}
	if !ok {
		return otherwise
	}
	return x
}

// NumberOf returns a value that is a number; one that is too large is infinite.
func (r *Report) NumberOf(n *Node) (float64, bool) {
	if !n.IsNumber() {
		r.About(n, "write a number without quotes", "is %s where a number is expected", n.Is())
		return 0, false
	}
	x, err := strconv.ParseFloat(n.Text, 64)
	if err != nil {
		x = math.Copysign(math.Inf(1), x)
	}
	return x, true
}

// Whole returns a member that is a whole number from low to high, else otherwise.
func (o Object) Whole(name string, low, high, otherwise int) int {
	x := o.Number(name, float64(low), float64(high), float64(otherwise), "")
	if x != math.Trunc(x) {
		o.Problem(name, "", "%v is not a whole number", x)
		return otherwise
	}
	return int(x)
}

// Flag returns a member that is true or false.
func (o Object) Flag(name string) bool {
	n := o.Get(name)
	if n == nil {
		return false
	}
	if n.Kind != Scalar || n.Style != Bare && n.Style != Plain || n.Text != "true" && n.Text != "false" {
		o.About(n, "write true or false", "is %s", n.Is())
	}
	return n.Text == "true"
}

// Time returns a member that is a moment by RFC 3339.
func (o Object) Time(name string, required bool) (time.Time, bool) {
	s, ok := o.Text(name, required)
	if !ok {
		return time.Time{}, false
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		o.Problem(name, "write it like 2026-11-14T18:00:00Z", "is not a time")
	}
	return t, err == nil
}

// List returns the values of a member that is a list of at most so many.
func (o Object) List(name string, most int) []*Node {
	n := o.Get(name)
	if n == nil {
		return nil
	}
	return o.ListOf(n, most)
}

// ListOf returns the values of a list of at most so many.
func (r *Report) ListOf(n *Node, most int) []*Node {
	switch {
	case n.Kind != Sequence:
		r.About(n, "write it in square brackets: [ ... ]", "is %s where a list is expected", n.Is())
	case len(n.Items) > most:
		r.About(n, "", "has %d entries; at most %d are allowed", len(n.Items), most)
	default:
		return n.Items
	}
	return nil
}

// OneOf returns a member that is one of a few words, or "" if it is missing or none of them.
func (o Object) OneOf(name string, required bool, words []string) string {
	s, ok := o.Text(name, required)
	if s = strings.TrimSpace(s); ok && !slices.Contains(words, s) {
		o.Problem(name, OneOf(s, words), "there is no %s %q", name, Clip(s))
		return ""
	}
	return s
}
