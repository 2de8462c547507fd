package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/diff"

	"lintel/api/kit"
	"lintel/engine/catalog"
	"lintel/engine/deliver"
)

// Changes are what differs between two contents of a document. Texts have a unified diff, products
// a list of those that differ.
type Changes struct {
	Text      string          `json:"text,omitempty" jsonschema_description:"The difference as unified diff: of rules and layouts as they were written (a layout on very long lines is broken into short ones first), of channels as answers show them, with masks."`
	Added     int             `json:"lines_added,omitempty"`
	Removed   int             `json:"lines_removed,omitempty"`
	Truncated bool            `json:"truncated,omitempty" jsonschema_description:"The text ends early; the counts are of all of it."`
	Masked    []string        `json:"masked,omitempty" jsonschema_description:"What differs behind a mask, such as a header's value."`
	Products  *ProductChanges `json:"products,omitempty"`
}

// ProductChanges are what differs between two lists of products. Counts are of all, the list is cut
// at the limit.
type ProductChanges struct {
	Added     int             `json:"added"`
	Removed   int             `json:"removed"`
	Changed   int             `json:"changed"`
	Unchanged int             `json:"unchanged"`
	List      []ProductChange `json:"list" jsonschema_description:"Added and changed ones in the order of the newer list, then removed ones in the order of the older."`
	More      int             `json:"more,omitempty" jsonschema_description:"Products that differ and are not in the list."`
}

// ProductChange is one product that differs.
type ProductChange struct {
	GTIN   string        `json:"gtin"`
	Name   string        `json:"name,omitempty"`
	Change string        `json:"change" jsonschema:"enum=added,enum=removed,enum=changed"`
	Fields []FieldChange `json:"fields,omitempty" jsonschema_description:"Of a changed one: what differs, written as in CSV. An empty text: not set."`
}

// FieldChange is one field of a product that differs.
type FieldChange struct {
	Field string `json:"field" jsonschema:"example=price,example=attr.author"`
	From  string `json:"from"`
	To    string `json:"to"`
}

// shortText is the most bytes of a diff where it is one of many.
const shortText = 64 << 10

// changesOfText compares two texts. Most is how many bytes of the diff are kept; 0: all.
func changesOfText(fromName string, from []byte, toName string, to []byte, most int) Changes {
	var c Changes
	text := diff.Diff(fromName, from, toName, to)
	if _, rest, ok := bytes.Cut(text, []byte("\n")); ok {
		text = rest // the first line is a command, which is no part of the format
	}
	for i, line := range bytes.Split(text, []byte("\n")) {
		switch {
		case i < 2: // the names
		case bytes.HasPrefix(line, []byte("+")):
			c.Added++
		case bytes.HasPrefix(line, []byte("-")):
			c.Removed++
		}
	}
	if most > 0 && len(text) > most {
		c.Truncated = true
		text = text[:most]
		text = text[:bytes.LastIndexByte(text, '\n')+1]
	}
	c.Text = string(text)
	return c
}

// longLine is from how many bytes on a line of JSON says too little about where it differs.
const longLine = 400

// changesOfLayout compares two layouts by their lines, which are made where they were written
// without any.
func changesOfLayout(fromName string, from []byte, toName string, to []byte, most int) Changes {
	long := func(b []byte) bool {
		for line := range bytes.Lines(b) {
			if len(line) > longLine {
				return true
			}
		}
		return false
	}
	if long(from) || long(to) {
		from, to = indented(from), indented(to)
	}
	return changesOfText(fromName, from, toName, to, most)
}

// indented breaks JSON into lines; what is none stays as it is.
func indented(b []byte) []byte {
	var out bytes.Buffer
	if json.Indent(&out, bytes.TrimPrefix(b, []byte("\ufeff")), "", "  ") != nil {
		return b
	}
	return append(bytes.TrimSpace(out.Bytes()), '\n')
}

// changesOfChannels compares channels as answers show them, so that the diff has no secret, and
// names what differs behind a mask.
func changesOfChannels(fromName string, from []deliver.Channel, toName string, to []deliver.Channel, most int) Changes {
	c := changesOfText(fromName, shownChannels(from), toName, shownChannels(to), most)
	for _, after := range to {
		k := slices.IndexFunc(from, func(ch deliver.Channel) bool { return ch.Name == after.Name })
		if k < 0 {
			continue
		}
		before := from[k]
		if before.URL != after.URL && before.Redacted().URL == after.Redacted().URL {
			c.Masked = append(c.Masked, after.Name+": url, after the host")
		}
		for _, name := range slices.Sorted(maps.Keys(after.Headers)) {
			if was, ok := before.Headers[name]; ok && was != after.Headers[name] {
				c.Masked = append(c.Masked, after.Name+": the value of the header "+name)
			}
		}
		for _, name := range slices.Sorted(maps.Keys(after.Values)) {
			if was, ok := before.Values[name]; ok && was != after.Values[name] {
				c.Masked = append(c.Masked, after.Name+": the value "+name)
			}
		}
	}
	return c
}

// shownChannels writes channels with masks, over several lines.
func shownChannels(channels []deliver.Channel) []byte {
	return indented(kit.MustJSON(redacted(channels)))
}

// changesOfProducts compares two lists of products; most is how many that differ are listed.
func changesOfProducts(from, to *catalog.Catalog, most int) Changes {
	c := ProductChanges{List: []ProductChange{}}
	add := func(p *catalog.Product, change string, fields []FieldChange) {
		if len(c.List) >= most {
			c.More++
			return
		}
		c.List = append(c.List, ProductChange{GTIN: fmt.Sprintf("%014d", p.GTIN), Name: p.Name, Change: change, Fields: fields})
	}
	for i := range to.Len() {
		after := to.At(i)
		k, ok := from.ByGTIN(after.GTIN)
		if !ok {
			c.Added++
			add(after, "added", nil)
			continue
		}
		before := from.At(k)
		if sameProduct(before, after) {
			c.Unchanged++
			continue
		}
		fields := fieldChanges(before, after)
		if len(fields) == 0 { // limits in another order
			c.Unchanged++
			continue
		}
		c.Changed++
		add(after, "changed", fields)
	}
	for i := range from.Len() {
		if _, ok := to.ByGTIN(from.At(i).GTIN); !ok {
			c.Removed++
			add(from.At(i), "removed", nil)
		}
	}
	return Changes{Products: &c}
}

// none reports whether nothing differs.
func (c *ProductChanges) none() bool { return c.Added+c.Removed+c.Changed == 0 }

func fieldChanges(a, b *catalog.Product) []FieldChange {
	var list []FieldChange
	differ := func(field, from, to string) {
		if from != to {
			list = append(list, FieldChange{field, from, to})
		}
	}
	price := func(x float64) string {
		if x == 0 {
			return ""
		}
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	limits := func(p *catalog.Product, bound func(catalog.Limit) (int, bool)) string {
		var parts []string
		for _, l := range p.Limits {
			if n, ok := bound(l); ok {
				parts = append(parts, l.Place()+":"+strconv.Itoa(n))
			}
		}
		slices.Sort(parts) // their order means nothing
		return strings.Join(parts, "|")
	}
	least := func(l catalog.Limit) (int, bool) { return l.Min, l.HasMin }
	most := func(l catalog.Limit) (int, bool) { return l.Max, l.HasMax }
	differ("sku", a.SKU, b.SKU)
	differ("name", a.Name, b.Name)
	differ("category", a.Category, b.Category)
	differ("price", price(a.Price), price(b.Price))
	differ("home_zones", strings.Join(a.HomeZones, "|"), strings.Join(b.HomeZones, "|"))
	differ("minimum", limits(a, least), limits(b, least))
	differ("maximum", limits(a, most), limits(b, most))
	names := slices.Collect(maps.Keys(a.Attributes))
	names = slices.AppendSeq(names, maps.Keys(b.Attributes))
	for _, name := range unique(names) {
		differ("attr."+name, a.Attributes[name], b.Attributes[name])
	}
	return list
}
