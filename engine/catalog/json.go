package catalog

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// maxRowValues bounds how many values stand in one product.
const maxRowValues = 20_000

// ParseJSON reads products from JSON and returns the good ones, and what is wrong with the others.
// All products are checked up to the first place that is no JSON at all; of the problems MaxErrors
// are kept, and one more then counts the rest. The catalog is never nil.
func ParseJSON(src []byte) (*Catalog, doc.Errors) {
	p := newJSONParser(doc.NewReport("", MaxErrors, nil, nil))
	p.alone = true
	d, problem := doc.JSONRows(src, MaxFileBytes, maxRowValues, listMember, func(d *doc.Document, n *doc.Node) {
		p.Doc = d
		p.product(n)
	})
	p.Doc = d
	p.InRow(0, d.Root)
	if problem != nil {
		p.Add(*problem)
	} else {
		listOf(p.Report, d.Root)
	}
	return p.b.finish(), p.List()
}

// Read reads products that stand in a document, and reports what is wrong with them there.
func Read(r *doc.Report, n *doc.Node) *Catalog {
	p := newJSONParser(r)
	for _, item := range listOf(r, n) {
		p.product(item)
	}
	return p.b.finish()
}

const listMember = "products"

// listOf returns the elements of {"products": [...]} or [...].
func listOf(r *doc.Report, n *doc.Node) []*doc.Node {
	if n.Kind == doc.Mapping {
		o, _ := r.Object(n, listMember)
		if n = o.Get(listMember); n == nil {
			o.Problem(listMember, `write {"products": [ ... ]}`, "is missing")
			return nil
		}
	}
	return r.ListOf(n, math.MaxInt)
}

// jsonParser reads products one after the other.
type jsonParser struct {
	row
	b     *builder
	list  []attribute
	alone bool // the products are the document, so that paths begin in each of them
}

func newJSONParser(r *doc.Report) *jsonParser {
	return &jsonParser{row: row{Report: r}, b: newBuilder()}
}

var (
	productMembers = []string{"gtin", "sku", "name", "category", "price", "home_zones", "limits", "attributes"}
	limitMembers   = []string{"zone", "kind", "min", "max"}
)

func (p *jsonParser) product(n *doc.Node) {
	if p.number++; p.number > maxRows {
		return // one too many was reported, or so many that were bad
	}
	before := p.Len()
	if p.alone {
		p.InRow(p.number, n)
	}
	p.node, p.bad = n, false
	out := Product{}
	p.list = p.list[:0]
	o, ok := p.Object(n, productMembers...)
	switch gtin := o.Get("gtin"); {
	case gtin == nil && ok:
		o.Problem("gtin", "every product needs its GTIN", "is missing")
	case gtin != nil && gtin.Style == doc.Bare && gtin.IsNumber():
		p.About(gtin, "write it in quotes, so that zeros at its front stay", "is a number")
	case gtin != nil:
		if s, ok := p.TextOf(gtin); ok {
			out.GTIN = p.on(gtin).gtin("", s)
		}
	}
	out.SKU, out.Name, out.Category = p.field(o, "sku"), p.field(o, "name"), p.field(o, "category")
	if price := o.Get("price"); price != nil {
		if x, ok := p.NumberOf(price); ok {
			out.Price = p.on(price).priceRange("", x)
		}
	}
	out.HomeZones, out.Limits = p.homeZones(o), p.limits(o)
	p.attributes(o)
	p.node = n
	if p.bad = p.bad || !ok || p.Len() > before; !p.bad {
		out.SKU, out.Name, out.Category = p.b.keep(out.SKU), p.b.keep(out.Name), p.b.intern(out.Category)
		out.HomeZones, out.Limits, out.Attributes = p.b.homeZones(out.HomeZones), p.b.limitsOf(out.Limits), p.b.attributes(p.list)
	}
	if gtin := o.Get("gtin"); gtin != nil {
		p.node = gtin
	}
	p.b.add(&p.row, out)
}

// on says that what is found next is about a value.
func (p *jsonParser) on(n *doc.Node) *row {
	p.node = n
	return &p.row
}

func (p *jsonParser) field(o doc.Object, name string) string {
	s, ok := o.Text(name, false)
	if !ok {
		return ""
	}
	return p.on(o.Get(name)).text("", s, MaxFieldBytes, false)
}

func (p *jsonParser) homeZones(o doc.Object) (ids []string) {
	for _, n := range o.List("home_zones", maxList) {
		if s, ok := p.TextOf(n); ok {
			ids = p.on(n).addZone("", s, ids)
		}
	}
	return ids
}

func (p *jsonParser) limits(o doc.Object) []Limit {
	var limits []Limit
	for _, n := range o.List("limits", maxList) {
		before := p.Len()
		m, ok := p.Object(n, limitMembers...)
		if !ok {
			continue
		}
		var l Limit
		zone, hasZone := m.Text("zone", false)
		if hasZone {
			zone, _ = p.on(m.Get("zone")).zoneID("", zone)
		}
		kind := m.OneOf("kind", false, event.ZoneKinds.Texts())
		l.Min, l.HasMin = p.pieces(m, "min")
		l.Max, l.HasMax = p.pieces(m, "max")
		where := placed(zone + kind)
		l.Zone, l.Kind = where.Zone, where.Kind
		switch {
		case p.Len() > before:
		case zone == "" && kind == "":
			p.About(n, `name a "zone" or a "kind" of zones`, "names no place")
		case zone != "" && kind != "":
			p.About(n, "keep one of them", `has both a "zone" and a "kind"`)
		case !l.HasMin && !l.HasMax:
			p.About(n, `give it a "min", a "max" or both`, "limits nothing")
		case slices.ContainsFunc(limits, func(o Limit) bool { return o.Place() == l.Place() }):
			p.About(n, "put minimum and maximum of a place in one entry", "%q stands twice", l.Place())
		default:
			p.on(n).checkRange("", l)
			limits = append(limits, l)
		}
	}
	return limits
}

func (p *jsonParser) pieces(o doc.Object, name string) (int, bool) {
	n := o.Get(name)
	if n == nil {
		return 0, false
	}
	pieces, err := strconv.ParseUint(n.Text, 10, 32)
	if !n.IsNumber() || err != nil || pieces > MaxPieces {
		o.Problem(name, "", "is not a whole number of pieces from 0 to %d", MaxPieces)
	}
	return int(pieces), true
}

// attributes leaves the product's attributes in p.list.
func (p *jsonParser) attributes(o doc.Object) {
	n := o.Get("attributes")
	switch {
	case n == nil:
		return
	case n.Kind != doc.Mapping:
		p.About(n, "write it in braces: { ... }", "is %s where an object is expected", n.Is())
		return
	case len(n.Fields) > MaxAttributes:
		p.About(n, "", "has %d attributes; at most %d are allowed", len(n.Fields), MaxAttributes)
		return
	}
	for _, f := range n.Fields {
		name := p.on(f.Key).attributeName("", f.Key.Text)
		if name == "" {
			continue
		}
		if slices.ContainsFunc(p.list, func(a attribute) bool { return a.name == name }) {
			p.About(f.Key, "keep one of them", "stands twice")
		}
		if s, ok := p.TextOf(f.Value); ok {
			p.list = append(p.list, attribute{name, p.on(f.Value).text("", s, MaxFieldBytes, true)})
		}
	}
	slices.SortFunc(p.list, func(a, b attribute) int { return strings.Compare(a.name, b.name) })
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
