package catalog

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/valyala/fastjson"

	"lintel/engine/event"
	"lintel/engine/faults"
)

// ParseJSON reads products from JSON and returns the good ones, and what is wrong with the others. All products are checked up to the
// first place that is no JSON at all; of the errors MaxErrors are kept, and one more then counts the rest. The catalog is never nil.
func ParseJSON(src []byte) (*Catalog, []RowError) {
	b := newBuilder()
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	p := jsonParser{b: b, src: src, line: 1}
	switch {
	case len(src) > MaxFileBytes:
		p.fail("", "%v", errTooLarge)
	case !utf8.Valid(src):
		p.fail("save it as UTF-8", "the file is not UTF-8")
	default:
		p.dec = json.NewDecoder(bytes.NewReader(src))
		p.document()
	}
	return b.finish()
}

type jsonParser struct {
	b      *builder
	src    []byte
	dec    *json.Decoder
	parser fastjson.Parser
	raw    json.RawMessage
	line   int // of src[:counted]
	count  int // bytes whose line breaks are in line
	number int // of the product
	list   []attribute
}

// fail reports something about the file as a whole.
func (p *jsonParser) fail(hint, reason string, args ...any) {
	r := row{report: &p.b.report, row: p.number}
	r.fail("", hint, reason, args...)
}

// lineAt returns the line of an offset that never falls.
func (p *jsonParser) lineAt(offset int) int {
	if offset > p.count {
		p.line += bytes.Count(p.src[p.count:offset], []byte{'\n'})
		p.count = offset
	}
	return p.line
}

// failSyntax reports an error of the decoder.
func (p *jsonParser) failSyntax(err error) {
	offset := int(p.dec.InputOffset())
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &syntax):
		offset = max(0, int(syntax.Offset)-1)
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		offset = len(p.src)
		err = errors.New("it ends too early")
	}
	r := row{report: &p.b.report, row: p.number, line: 1 + bytes.Count(p.src[:min(offset, len(p.src))], []byte{'\n'})}
	r.fail("", "", "not JSON: %v", err)
}

// document reads {"products": [...]} or [...].
func (p *jsonParser) document() {
	token, err := p.dec.Token()
	if err != nil {
		p.failSyntax(err)
		return
	}
	switch token {
	case json.Delim('['):
		if !p.products() {
			return
		}
	case json.Delim('{'):
		seen := false
		for p.dec.More() {
			key, err := p.dec.Token()
			if err != nil {
				p.failSyntax(err)
				return
			}
			switch name, _ := key.(string); {
			case name != "products":
				p.fail(faults.DidYouMean(name, []string{"products"}), "there is no member %.60q here", name)
				if err := p.dec.Decode(&p.raw); err != nil {
					p.failSyntax(err)
					return
				}
			case seen:
				p.fail("keep one of them", `"products" stands twice`)
				return
			default:
				seen = true
				if token, err := p.dec.Token(); err != nil {
					p.failSyntax(err)
					return
				} else if token != json.Delim('[') {
					p.fail(`write {"products": [ ... ]}`, `"products" is not a list`)
					return
				}
				if !p.products() {
					return
				}
			}
		}
		if _, err := p.dec.Token(); err != nil { // the closing brace
			p.failSyntax(err)
			return
		}
		if !seen {
			p.fail(`write {"products": [ ... ]}`, `"products" is missing`)
		}
	default:
		p.fail(`write {"products": [ ... ]}`, "the file is not a list of products")
		return
	}
	p.number = 0
	if _, err := p.dec.Token(); err != io.EOF {
		p.fail("remove it", "line %d: something follows after the end", p.lineAt(int(p.dec.InputOffset())))
	}
}

// products reads up to and including the closing bracket and returns whether it got there.
func (p *jsonParser) products() bool {
	for p.dec.More() {
		p.number++
		if err := p.dec.Decode(&p.raw); err != nil {
			p.failSyntax(err)
			return false
		}
		p.product(p.lineAt(int(p.dec.InputOffset()) - len(p.raw)))
	}
	if _, err := p.dec.Token(); err != nil {
		p.failSyntax(err)
		return false
	}
	p.number = 0
	return true
}

var (
	productMembers = []string{"gtin", "sku", "name", "category", "price", "home_zones", "limits", "attributes"}
	limitMembers   = []string{"zone", "kind", "min", "max"}
)

// Where errors are, written once and not for each product.
var zonePaths, limitPaths = paths("home_zones"), paths("limits")

func paths(list string) (paths [maxList]string) {
	for i := range paths {
		paths[i] = fmt.Sprintf("%s[%d]", list, i)
	}
	return paths
}

func (p *jsonParser) product(line int) {
	r := &row{report: &p.b.report, row: p.number, line: line}
	v, err := p.parser.ParseBytes(p.raw)
	if err != nil {
		r.fail("", "", "not readable: %v", err)
		return
	}
	out := Product{}
	p.list = p.list[:0]
	hasGTIN := false
	r.object("", v, productMembers, func(name string, v *fastjson.Value) {
		switch name {
		case "gtin":
			hasGTIN = true
			if v.Type() == fastjson.TypeNumber {
				r.fail(name, "write it in quotes, so that zeros at its front stay", "is a number")
			} else if s, ok := r.jsonText(name, v); ok {
				out.GTIN = r.gtin(name, s)
			}
		case "sku":
			out.SKU = r.jsonField(name, v)
		case "name":
			out.Name = r.jsonField(name, v)
		case "category":
			out.Category = r.jsonField(name, v)
		case "price":
			out.Price = r.jsonPrice(name, v)
		case "home_zones":
			out.HomeZones = r.jsonHomeZones(name, v)
		case "limits":
			out.Limits = r.jsonLimits(name, v)
		case "attributes":
			p.attributes(r, name, v)
		}
	})
	if !hasGTIN && v.Type() == fastjson.TypeObject {
		r.fail("gtin", "every product needs its GTIN", "is missing")
	}
	if !r.bad {
		out.SKU, out.Name, out.Category = p.b.keep(out.SKU), p.b.keep(out.Name), p.b.intern(out.Category)
		out.HomeZones, out.Limits, out.Attributes = p.b.homeZones(out.HomeZones), p.b.limitsOf(out.Limits), p.b.attributes(p.list)
	}
	p.b.add(r, out)
}

// object calls fn for the members of an object that are known; others and those that stand twice are errors.
func (r *row) object(path string, v *fastjson.Value, known []string, fn func(name string, v *fastjson.Value)) {
	o, err := v.Object()
	if err != nil {
		r.fail(path, "write it in braces: { ... }", "is not an object")
		return
	}
	var seen uint
	o.Visit(func(key []byte, v *fastjson.Value) {
		i := slices.IndexFunc(known, func(name string) bool { return name == string(key) })
		if i < 0 {
			hint := ""
			if !r.Full() {
				hint = faults.DidYouMean(string(key), known)
			}
			r.fail(path, hint, "there is no member %.60q here", key)
			return
		}
		if seen&(1<<i) != 0 {
			r.fail(strings.TrimPrefix(path+"."+known[i], "."), "keep one of them", "stands twice")
			return
		}
		seen |= 1 << i
		fn(known[i], v)
	})
}

// jsonText returns a string as it stands.
func (r *row) jsonText(column string, v *fastjson.Value) (string, bool) {
	s, err := v.StringBytes()
	if err != nil {
		r.fail(column, "write it in double quotes", "is not a text")
		return "", false
	}
	return string(s), true
}

func (r *row) jsonField(column string, v *fastjson.Value) string {
	s, _ := r.jsonText(column, v)
	return r.text(column, s, MaxFieldBytes, false)
}

func (r *row) jsonPrice(column string, v *fastjson.Value) float64 {
	if v.Type() != fastjson.TypeNumber {
		r.fail(column, "write a number with a decimal point, without quotes", "is not a number")
		return 0
	}
	x, err := strconv.ParseFloat(v.String(), 64)
	if err != nil {
		x = math.Inf(1)
	}
	return r.priceRange(column, x)
}

func (r *row) jsonList(column string, v *fastjson.Value) []*fastjson.Value {
	list, err := v.Array()
	switch {
	case err != nil:
		r.fail(column, "write it in square brackets: [ ... ]", "is not a list")
	case len(list) > maxList:
		r.fail(column, "", "has %d entries; at most %d are allowed", len(list), maxList)
	default:
		return list
	}
	return nil
}

func (r *row) jsonHomeZones(column string, v *fastjson.Value) []string {
	var ids []string
	for i, v := range r.jsonList(column, v) {
		at := zonePaths[i]
		s, ok := r.jsonText(at, v)
		if !ok {
			continue
		}
		id, ok := r.zoneID(at, s)
		if ok && slices.Contains(ids, id) {
			r.fail(at, "keep one of them", "%q stands twice", id)
		} else if ok {
			ids = append(ids, id)
		}
	}
	return ids
}

func (r *row) jsonLimits(column string, v *fastjson.Value) []Limit {
	var limits []Limit
	for i, v := range r.jsonList(column, v) {
		at := limitPaths[i]
		var l Limit
		zone, kind, good := "", "", true
		r.object(at, v, limitMembers, func(name string, v *fastjson.Value) {
			path := at + "." + name
			var ok bool
			switch name {
			case "zone":
				if zone, ok = r.jsonText(path, v); ok {
					zone, ok = r.zoneID(path, zone)
				}
			case "kind":
				if kind, ok = r.jsonText(path, v); ok {
					kind = strings.TrimSpace(kind)
					if !kinds[kind] {
						r.fail(path, faults.OneOf(kind, event.ZoneKinds.Texts()), "%.40q is not a kind", kind)
						ok = false
					}
				}
			case "min":
				l.Min, ok = r.jsonPieces(path, v)
				l.HasMin = true
			case "max":
				l.Max, ok = r.jsonPieces(path, v)
				l.HasMax = true
			}
			good = good && ok
		})
		if !good || v.Type() != fastjson.TypeObject {
			continue
		}
		switch {
		case zone == "" && kind == "":
			r.fail(at, `name a "zone" or a "kind" of zones`, "names no place")
			continue
		case zone != "" && kind != "":
			r.fail(at, "keep one of them", `has both a "zone" and a "kind"`)
			continue
		case !l.HasMin && !l.HasMax:
			r.fail(at, `give it a "min", a "max" or both`, "limits nothing")
			continue
		}
		where := placed(zone + kind)
		l.Zone, l.Kind = where.Zone, where.Kind
		if slices.ContainsFunc(limits, func(o Limit) bool { return o.Place() == l.Place() }) {
			r.fail(at, "put minimum and maximum of a place in one entry", "%q stands twice", l.Place())
			continue
		}
		r.checkRange(at, l)
		limits = append(limits, l)
	}
	return limits
}

func (r *row) jsonPieces(column string, v *fastjson.Value) (int, bool) {
	n, err := strconv.ParseUint(v.String(), 10, 32)
	if v.Type() != fastjson.TypeNumber || err != nil || n > MaxPieces {
		r.fail(column, "", "is not a whole number of pieces from 0 to %d", MaxPieces)
		return 0, false
	}
	return int(n), true
}

// attributes leaves the product's attributes in p.list.
func (p *jsonParser) attributes(r *row, column string, v *fastjson.Value) {
	o, err := v.Object()
	if err != nil {
		r.fail(column, "write it in braces: { ... }", "is not an object")
		return
	}
	if o.Len() > MaxAttributes {
		r.fail(column, "", "has %d attributes; at most %d are allowed", o.Len(), MaxAttributes)
		return
	}
	o.Visit(func(key []byte, v *fastjson.Value) {
		name := r.attributeName(column, string(key))
		if name == "" {
			return
		}
		at := column + "." + name
		s, ok := r.jsonText(at, v)
		if !ok {
			return
		}
		p.list = append(p.list, attribute{name, r.text(at, s, MaxFieldBytes, true)})
	})
	slices.SortFunc(p.list, func(a, b attribute) int { return strings.Compare(a.name, b.name) })
	for i := 1; i < len(p.list); i++ {
		if p.list[i].name == p.list[i-1].name {
			r.fail(column+"."+p.list[i].name, "keep one of them", "stands twice")
		}
	}
	p.list = slices.DeleteFunc(p.list, func(a attribute) bool { return a.value == "" })
}

type productJSON struct {
	GTIN       string            `json:"gtin"`
	SKU        string            `json:"sku,omitempty"`
	Name       string            `json:"name,omitempty"`
	Category   string            `json:"category,omitempty"`
	Price      float64           `json:"price,omitempty"`
	HomeZones  []string          `json:"home_zones,omitempty"`
	Limits     []Limit           `json:"limits,omitempty"`
	Attributes map[string]string `json:"attributes,omitempty"`
}

// MarshalJSON writes the product as ParseJSON reads it.
func (p *Product) MarshalJSON() ([]byte, error) {
	return json.Marshal(productJSON{formatGTIN(p.GTIN), p.SKU, p.Name, p.Category, p.Price, p.HomeZones, p.Limits, p.Attributes})
}

type limitJSON struct {
	Zone string `json:"zone,omitempty"`
	Kind string `json:"kind,omitempty"`
	Min  *int   `json:"min,omitempty"`
	Max  *int   `json:"max,omitempty"`
}

// MarshalJSON writes the limit as ParseJSON reads it.
func (l Limit) MarshalJSON() ([]byte, error) {
	out := limitJSON{Zone: l.Zone, Kind: l.Kind}
	if l.HasMin {
		out.Min = &l.Min
	}
	if l.HasMax {
		out.Max = &l.Max
	}
	return json.Marshal(out)
}

// MarshalJSON writes the products as ParseJSON reads them.
func (c *Catalog) MarshalJSON() ([]byte, error) {
	b := []byte(`{"products":[`)
	for i := range c.products {
		if i > 0 {
			b = append(b, ',')
		}
		p, err := c.products[i].MarshalJSON()
		if err != nil {
			return nil, err
		}
		b = append(b, p...)
	}
	return append(b, "]}"...), nil
}
