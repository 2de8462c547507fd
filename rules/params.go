package rules

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"

	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Params are values that rules share and that each site may set for itself: how long, how many,
// from which price. A rule uses one as params.NAME in its condition and its message, and in the
// place of a length of time or a number. They are constants: a set of rules is compiled with them.

// Limits of params.
const (
	MaxParams     = 200
	maxParamSites = 1000 // sites that set values of their own, in one document
	maxParamText  = 200  // characters of a text
	paramPrefix   = "params."
)

// The types of params, as written.
const (
	paramNumber = "number"
	paramWhole  = "whole"
	paramText   = "text"
	paramPeriod = "period"
	paramYesNo  = "yes_no"
)

var (
	paramTypes = []string{paramNumber, paramWhole, paramText, paramPeriod, paramYesNo}
	paramKeys  = []string{"type", "default", "min", "max", "values", "meaning", "sites"}
)

// Param is one param of a document, with the values that hold at a site.
type Param struct {
	Name    string            `json:"name"`
	Type    string            `json:"type"` // number, whole, text, period, yes_no
	Meaning string            `json:"meaning,omitempty"`
	Default string            `json:"default"`
	Min     string            `json:"min,omitempty"`
	Max     string            `json:"max,omitempty"`
	Values  []string          `json:"values,omitempty"` // of a text: those allowed
	Sites   map[string]string `json:"sites,omitempty"`  // values of sites that set their own
}

// paramEntry is a param as it stands in the document.
type paramEntry struct {
	name   scalar
	fields map[string]scalar
	values []scalar
	sites  []siteValue
}

type siteValue struct{ site, value scalar }

// paramValue is a checked value.
type paramValue struct {
	kind   string
	text   string // as written
	number float64
	period time.Duration
	yes    bool
}

// node is the constant that stands in a condition for the value. A period is a number of seconds
// there.
func (v paramValue) node() ast.Node {
	switch v.kind {
	case paramText:
		return &ast.StringNode{Value: v.text}
	case paramYesNo:
		return &ast.BoolNode{Value: v.yes}
	case paramWhole:
		return &ast.IntegerNode{Value: int(v.number)}
	case paramPeriod:
		return &ast.FloatNode{Value: v.period.Seconds()}
	}
	return &ast.FloatNode{Value: v.number}
}

// plain is the value as an explanation shows it.
func (v paramValue) plain() any {
	switch v.kind {
	case paramText, paramPeriod:
		return v.text
	case paramYesNo:
		return v.yes
	case paramWhole:
		return int(v.number)
	}
	return v.number
}

// params reads the section of the document.
func (p *docParser) params(n *doc.Node) {
	if n.Kind == doc.Empty {
		return
	}
	p.mapping(n, "params", "write high_price: {default: 100, min: 10, max: 1000}", func(key scalar, value *doc.Node) {
		if len(p.doc.params) == MaxParams {
			p.addAt(key, Diagnostic{Reason: fmt.Sprintf("the document has more than %d params", MaxParams)})
			return
		}
		e := &paramEntry{name: key, fields: make(map[string]scalar)}
		ok := p.mapping(value, "a param", "write high_price: {default: 100, min: 10, max: 1000}", func(k scalar, v *doc.Node) {
			p.paramField(e, k, v)
		})
		if ok {
			p.doc.params = append(p.doc.params, e)
		}
	})
}

func (p *docParser) paramField(e *paramEntry, k scalar, v *doc.Node) {
	if !slices.Contains(paramKeys, k.text) {
		hint := doc.Suggest(k.text, paramKeys, "a param has the keys "+strings.Join(paramKeys, ", "))
		p.addAt(k, Diagnostic{Reason: fmt.Sprintf("unknown key %q", k.text), Hint: hint})
		return
	}
	switch k.text {
	case "sites":
		p.mapping(v, "sites", "write sites: {umberhithe: 80}", func(site scalar, value *doc.Node) {
			s, ok := p.scalar(value)
			if !ok {
				p.addAt(site, Diagnostic{Reason: "the value of a site is one text or number"})
				return
			}
			e.sites = append(e.sites, siteValue{site, s})
		})
		return
	case "values":
		if v.Kind != doc.Sequence {
			p.addAt(k, Diagnostic{Reason: "values is not a list", Hint: "write values: [maps, atlases]"})
			return
		}
		for _, n := range v.Items {
			s, ok := p.scalar(n)
			if !ok {
				p.addAt(k, Diagnostic{Reason: "values holds something that is not a text"})
				return
			}
			e.values = append(e.values, s)
		}
		return
	}
	s, ok := p.scalar(v)
	if !ok {
		p.addAt(k, Diagnostic{Reason: fmt.Sprintf("%s is not one text or number", k.text)})
		return
	}
	e.fields[k.text] = s
}

// paramSet is the checked params of a document, with the values of one site.
type paramSet struct {
	list   []*Param
	values map[string]paramValue
	used   map[string]bool
	bySite map[string]map[string]paramValue // what sites set for themselves
}

// at returns the params with the values of a site; "": the defaults.
func (s *paramSet) at(site string) *paramSet {
	own := *s
	own.values, own.used = maps.Clone(s.values), make(map[string]bool)
	maps.Copy(own.values, s.bySite[site])
	return &own
}

// params checks the section. The values are the defaults.
func (c *setCompiler) params(d *Document) *paramSet {
	set := &paramSet{values: make(map[string]paramValue), used: make(map[string]bool), bySite: make(map[string]map[string]paramValue)}
	for _, e := range d.params {
		name := e.name.text
		if !isParamName(name) {
			c.addAt(e.name, Diagnostic{Reason: fmt.Sprintf("%q is not the name of a param", name),
				Hint: "a name has 1 to 64 of a-z, 0-9 and _, and begins with a letter"})
			continue
		}
		p, v, ok := c.param(e)
		if !ok {
			set.values[name] = paramValue{kind: paramNumber, text: "1", number: 1} // so that the rules are told only of their own faults
			set.used[name] = true
			continue
		}
		for _, s := range e.sites {
			if !isName(s.site.text) {
				c.addAt(s.site, Diagnostic{Reason: fmt.Sprintf("%q is not the id of a site", s.site.text)})
				continue
			}
			if c.known.Sites != nil && !slices.Contains(c.known.Sites, s.site.text) {
				c.addAt(s.site, Diagnostic{Reason: fmt.Sprintf("there is no site %q", s.site.text),
					Hint: doc.Suggest(s.site.text, c.known.Sites, ""), Severity: doc.SeverityWarning})
			}
			if near := doc.Nearest(s.site.text, c.known.SomeSites); near != "" && near != s.site.text && c.known.Sites == nil {
				c.addAt(s.site, Diagnostic{Reason: fmt.Sprintf("%q is nearly the site of the layout", s.site.text),
					Hint: "did you mean " + near + "?", Severity: doc.SeverityWarning})
			}
			if set.bySite[s.site.text] == nil {
				if len(set.bySite) == maxParamSites {
					c.addAt(s.site, Diagnostic{Reason: fmt.Sprintf("more than %d sites have values of their own", maxParamSites)})
					break
				}
				set.bySite[s.site.text] = make(map[string]paramValue)
			}
			own, ok := c.paramValue(p, s.value, e)
			if !ok {
				continue
			}
			if p.Sites == nil {
				p.Sites = make(map[string]string)
			}
			p.Sites[s.site.text] = s.value.text
			set.bySite[s.site.text][name] = own
		}
		set.list = append(set.list, p)
		set.values[name] = v
	}
	return set
}

func isParamName(s string) bool {
	for i, b := range []byte(s) {
		if (b < 'a' || b > 'z') && (i == 0 || (b < '0' || b > '9') && b != '_') {
			return false
		}
	}
	return s != "" && len(s) <= MaxName
}

// param checks one param and its default.
func (c *setCompiler) param(e *paramEntry) (*Param, paramValue, bool) {
	p := &Param{Name: e.name.text, Meaning: e.fields["meaning"].text, Default: e.fields["default"].text}
	bad := func(at scalar, message, hint string) (*Param, paramValue, bool) {
		c.addAt(at, Diagnostic{Reason: message, Hint: hint})
		return nil, paramValue{}, false
	}
	otherwise, ok := e.fields["default"]
	if !ok {
		return bad(e.name, fmt.Sprintf("the param %s has no default", p.Name),
			"write default: and the value that holds where a site sets none")
	}
	if t, ok := e.fields["type"]; ok {
		if !slices.Contains(paramTypes, t.text) {
			hint := doc.Suggest(t.text, paramTypes, "types are "+strings.Join(paramTypes, ", "))
			return bad(t, fmt.Sprintf("%q is not a type", t.text), hint)
		}
		p.Type = t.text
	} else {
		p.Type = guessType(otherwise)
	}
	bounded := p.Type == paramNumber || p.Type == paramWhole || p.Type == paramPeriod
	for _, k := range []string{"min", "max"} {
		b, ok := e.fields[k]
		switch {
		case !ok:
			continue
		case !bounded:
			return bad(b, fmt.Sprintf("a param of type %s has no %s", p.Type, k), "write values: and the list of what is allowed")
		}
		if _, err := parseParam(p.Type, b.text); err != nil {
			return bad(b, fmt.Sprintf("%s: %v", k, err), "")
		}
	}
	p.Min, p.Max = e.fields["min"].text, e.fields["max"].text
	if len(e.values) > 0 && p.Type != paramText {
		return bad(e.values[0], fmt.Sprintf("a param of type %s has no list of values", p.Type), "write min and max")
	}
	for _, v := range e.values {
		p.Values = append(p.Values, v.text)
	}
	if utf8.RuneCountInString(p.Meaning) > maxParamText {
		return bad(e.fields["meaning"], fmt.Sprintf("meaning has more than %d characters", maxParamText), "")
	}
	v, ok := c.paramValue(p, otherwise, e)
	return p, v, ok
}

// guessType takes the type from the default: 100, 0.5, 25m, true, "maps".
func guessType(s scalar) string {
	if s.style.Quoted() {
		return paramText
	}
	for _, t := range []string{paramWhole, paramNumber, paramYesNo, paramPeriod} {
		if _, err := parseParam(t, s.text); err == nil {
			return t
		}
	}
	return paramText
}

// paramValue checks a value against the type and the bounds.
func (c *setCompiler) paramValue(p *Param, s scalar, e *paramEntry) (paramValue, bool) {
	v, err := parseParam(p.Type, s.text)
	if err != nil {
		c.addAt(s, Diagnostic{Reason: fmt.Sprintf("%s: %v", p.Name, err)})
		return v, false
	}
	if low, err := parseParam(p.Type, p.Min); p.Min != "" && err == nil && v.less(low) {
		c.addAt(s, Diagnostic{Reason: fmt.Sprintf("%s is %s, less than its min of %s", p.Name, s.text, p.Min)})
		return v, false
	}
	if high, err := parseParam(p.Type, p.Max); p.Max != "" && err == nil && high.less(v) {
		c.addAt(s, Diagnostic{Reason: fmt.Sprintf("%s is %s, more than its max of %s", p.Name, s.text, p.Max)})
		return v, false
	}
	if len(p.Values) > 0 && !slices.Contains(p.Values, s.text) {
		hint := doc.Suggest(s.text, p.Values, "values are "+strings.Join(p.Values, ", "))
		c.addAt(s, Diagnostic{Reason: fmt.Sprintf("%q is not a value of %s", s.text, p.Name), Hint: hint})
		return v, false
	}
	return v, true
}

func (v paramValue) less(w paramValue) bool {
	if v.kind == paramPeriod {
		return v.period < w.period
	}
	return v.number < w.number
}

// parseParam reads a value of a type.
func parseParam(kind, text string) (paramValue, error) {
	v := paramValue{kind: kind, text: text}
	var err error
	switch kind {
	case paramText:
		if utf8.RuneCountInString(text) > maxParamText {
			return v, fmt.Errorf("the text has more than %d characters", maxParamText)
		}
	case paramYesNo:
		switch text {
		case "true", "yes":
			v.yes = true
		case "false", "no":
		default:
			return v, fmt.Errorf("%q is not yes or no", text)
		}
	case paramWhole:
		n, e := strconv.ParseInt(text, 10, 32)
		v.number, err = float64(n), e
		if err != nil {
			return v, fmt.Errorf("%q is not a whole number up to 2147483647", text)
		}
	case paramPeriod:
		reason := ""
		if v.period, reason, _ = hours.PeriodWithin(text, 0, MaxPeriod); reason != "" {
			return v, errors.New(reason)
		}
	default:
		if v.number, err = strconv.ParseFloat(text, 64); err != nil || v.number-v.number != 0 {
			return v, fmt.Errorf("%q is not a number", text)
		}
	}
	return v, nil
}

// param resolves params.NAME in a condition to its value.
func (g *guard) param(n ast.Node, name string, loc file.Location) ast.Node {
	v, ok := g.params.find(strings.TrimPrefix(name, paramPrefix))
	if !ok {
		g.unknownParam(name, loc)
		return n
	}
	c := v.node()
	c.SetLocation(loc)
	if g.constants == nil {
		g.constants = make(map[ast.Node]string)
	}
	g.constants[c] = name
	return c
}

func (g *guard) unknownParam(name string, loc file.Location) {
	hint := "the document has no params"
	if names := g.params.names(); len(names) > 0 {
		hint = "params are " + strings.Join(names, ", ")
		if near := doc.Nearest(strings.TrimPrefix(name, paramPrefix), names); near != "" {
			hint = "did you mean " + paramPrefix + near + "?"
		}
	}
	g.fail(loc, fmt.Sprintf("there is no param %q", strings.TrimPrefix(name, paramPrefix)), hint)
}

func (s *paramSet) find(name string) (paramValue, bool) {
	if s == nil {
		return paramValue{}, false
	}
	v, ok := s.values[name]
	if ok {
		s.used[name] = true
	}
	return v, ok
}

func (s *paramSet) names() []string {
	if s == nil {
		return nil
	}
	names := make([]string, 0, len(s.list))
	for _, p := range s.list {
		names = append(names, p.Name)
	}
	return names
}

// resolve replaces the text of a key that names a param by the param's value; ok is false after an
// error.
func (c *setCompiler) resolve(s *scalar, kinds ...string) (text string, ok bool) {
	name, isParam := strings.CutPrefix(s.text, paramPrefix)
	if !isParam {
		return s.text, true
	}
	v, found := c.given.find(name)
	if !found {
		g := &guard{params: c.given}
		g.unknownParam(s.text, file.Location{})
		c.errorAt(s, g.problems[0].message, g.problems[0].hint)
		return "", false
	}
	if !slices.Contains(kinds, v.kind) {
		c.errorAt(s, fmt.Sprintf("%s is of the type %s", s.text, v.kind), "here a param of the type "+
			strings.Join(kinds, " or ")+" is needed")
		return "", false
	}
	return v.text, true
}
