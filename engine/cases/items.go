package cases

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// thing is one tagged item of a case.
type thing struct {
	handle string
	tag    event.Tag
	gtin   uint64
}

// things are the words for items that a case knows, on top of those of all cases. A word may stand
// for several items.
type things struct {
	words map[string][]thing
	names map[epc.Key]string // the word that stands for an item alone; of several the first in the alphabet
	outer *things
}

func newThings(outer *things) *things {
	return &things{words: make(map[string][]thing), names: make(map[epc.Key]string), outer: outer}
}

func (t *things) add(word string, list []thing) {
	t.words[word] = list
	if len(list) == 1 {
		if had, ok := t.names[list[0].tag.Key]; !ok || word < had {
			t.names[list[0].tag.Key] = word
		}
	}
}

func (t *things) find(word string) ([]thing, bool) {
	for ; t != nil; t = t.outer {
		if list, ok := t.words[word]; ok {
			return list, true
		}
	}
	return nil, false
}

// name returns what the case calls an item, "" if it has no word for it alone.
func (t *things) name(k epc.Key) string {
	for ; t != nil; t = t.outer {
		if name, ok := t.names[k]; ok {
			return name
		}
	}
	return ""
}

// known lists the words, those for single ones of several left out.
func (t *things) known() []string {
	var names []string
	for ; t != nil; t = t.outer {
		for name := range t.words {
			if !strings.Contains(name, "/") {
				names = append(names, name)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

const itemHint = "write {product: UB-1001, serial: 7}, {product: UB-1001, serials: 1-20} or {epc: ...}"

// things reads the words for items that stand in n, on top of those that are known already.
func (p *reader) things(n *doc.Node, outer *things) *things {
	all := newThings(outer)
	if n == nil {
		return all
	}
	if n.Kind != doc.Mapping {
		p.At(n, "items are not words with what they stand for", "write for instance tide-1: "+strings.TrimPrefix(itemHint, "write "))
		return all
	}
	for _, f := range n.Fields {
		word := f.Key.Text
		if !layout.ValidID(word) {
			p.At(f.Key, fmt.Sprintf("%q is not a word for an item", word), "it has 1 to 64 of a-z, 0-9, - and _")
			continue
		}
		list := p.thing(f.Value)
		if p.made += len(list); p.made > maxThings {
			p.At(f.Key, fmt.Sprintf("the file has more than %d items", maxThings), "split it into several files")
			return all
		}
		for i := range list {
			if list[i].handle = word; len(list) > 1 {
				list[i].handle = word + "/" + list[i].serial()
				all.add(list[i].handle, list[i:i+1])
			}
		}
		if len(list) > 0 {
			all.add(word, list)
		}
	}
	return all
}

// serial tells the items of one word apart.
func (t *thing) serial() string {
	e, _ := epc.Parse(t.text())
	return e.Serial()
}

func (t *thing) text() string {
	if t.tag.Text != "" {
		return t.tag.Text
	}
	text, _ := t.tag.Key.Text()
	return text
}

// thing reads what a word stands for.
func (p *reader) thing(n *doc.Node) []thing {
	if n.Kind != doc.Mapping {
		p.At(n, "this is no item", itemHint)
		return nil
	}
	if !p.table(n, "an item", []string{"product", "serial", "serials", "epc"}) {
		return nil
	}
	product, serial, serials, tag := n.Get("product"), n.Get("serial"), n.Get("serials"), n.Get("epc")
	switch {
	case tag != nil && product == nil && serial == nil && serials == nil:
		return p.byEPC(tag)
	case tag != nil || product == nil || (serial == nil) == (serials == nil):
		p.At(n, "an item is a product with its serial, or an EPC", itemHint)
		return nil
	}
	gtin := p.product(product)
	if gtin == 0 {
		return nil
	}
	if serial != nil {
		text := p.word(serial, "serial")
		if text == "" {
			return nil
		}
		e, err := epc.NewSGTIN(gtin, text)
		if err != nil {
			p.At(serial, "serial: "+reason(err), "a serial has 1 to 20 letters, digits and a few marks")
			return nil
		}
		return []thing{newThing(e, gtin)}
	}
	first, last, ok := span(p.word(serials, "serials"))
	if !ok || first > last || last-first >= MaxItems {
		p.At(serials, fmt.Sprintf("serials is %q", serials.Text),
			fmt.Sprintf("write the first and the last, such as 1-20; at most %d", MaxItems))
		return nil
	}
	var list []thing
	for s := first; s <= last; s++ {
		e, err := epc.NewSGTIN(gtin, strconv.FormatUint(s, 10))
		if err != nil {
			p.At(serials, "serials: "+reason(err), "")
			return nil
		}
		list = append(list, newThing(e, gtin))
	}
	return list
}

func span(text string) (first, last uint64, ok bool) {
	a, b, _ := strings.Cut(text, "-")
	first, err1 := strconv.ParseUint(strings.TrimSpace(a), 10, 40)
	last, err2 := strconv.ParseUint(strings.TrimSpace(b), 10, 40)
	return first, last, err1 == nil && err2 == nil
}

func newThing(e epc.EPC, gtin uint64) thing {
	t := thing{tag: event.Tag{Key: e.Key()}, gtin: gtin}
	if _, ok := t.tag.Key.Text(); !ok {
		t.tag.Text = e.KeyText()
	}
	return t
}

func (p *reader) byEPC(n *doc.Node) []thing {
	text := p.word(n, "epc")
	if text == "" {
		return nil
	}
	e, err := epc.Parse(text)
	if errors.Is(err, epc.ErrNotGS1) {
		e, err = epc.ParseHex(text, 0, false) // a tag that is no GS1 EPC is known by its bits
	}
	if err != nil {
		p.At(n, "epc: "+reason(err), "hexadecimal bits, a URI, a Digital Link or an element string such as (01)09521141123454(21)6789")
		return nil
	}
	gtin, _ := e.GTIN14()
	return []thing{newThing(e, gtin)}
}

func reason(err error) string {
	var e *epc.Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return err.Error()
}

// product finds a product by its GTIN or SKU, 0 after a problem.
func (p *reader) product(n *doc.Node) uint64 {
	text := p.word(n, "product")
	if text == "" {
		return 0
	}
	c := p.file.Products
	switch list := c.BySKU(text); {
	case len(list) == 1:
		return c.At(list[0]).GTIN
	case len(list) > 1:
		p.At(n, fmt.Sprintf("%d products have the SKU %s", len(list), text), "write the GTIN")
		return 0
	}
	if g, err := epc.ParseGTIN(text); err == nil {
		if _, ok := c.ByGTIN(g); ok {
			return g
		}
	}
	p.unknown(n, "there is no product", skus(c))
	return 0
}

// skus lists the SKUs of a catalog, as far as hints look.
func skus(c *catalog.Catalog) []string {
	var list []string
	for i := range min(c.Len(), 5000) {
		if s := c.At(i).SKU; s != "" {
			list = append(list, s)
		}
	}
	return list
}

// part finds a part of the items of a word, such as tides/11-13; false after a problem.
func (p *caseParser) part(n *doc.Node, word string) (list []thing, ok bool) {
	word, serials, _ := strings.Cut(word, "/")
	whole, known := p.items.find(word)
	if !strings.Contains(serials, "-") {
		serials += "-" + serials
	}
	first, last, ok := span(serials)
	switch {
	case !known || len(whole) == 1:
		p.unknown(n, "there is no item", p.items.known())
		return nil, false
	case !ok || first > last || last-first >= MaxItems:
		p.At(n, fmt.Sprintf("%q is no part of %s", n.Text[len(word)+1:], word), fmt.Sprintf("write the first and the last, such as %s-%s",
			whole[0].handle, whole[1].serial()))
		return nil, false
	}
	for s := first; s <= last; s++ {
		one, ok := p.items.find(word + "/" + strconv.FormatUint(s, 10))
		if !ok {
			p.At(n, fmt.Sprintf("%s has no %d", word, s), fmt.Sprintf("it has %s to %s", whole[0].serial(), whole[len(whole)-1].serial()))
			return nil, false
		}
		list = append(list, one...)
	}
	return list, true
}

// pick reads one word for items, or a list of them. Each item comes once, in the order in which it
// is named.
func (p *caseParser) pick(n *doc.Node) []thing {
	var picked []thing
	for _, w := range listOf(n) {
		word := p.word(w, "an item")
		if word == "" {
			return nil
		}
		list, ok := p.items.find(word)
		if !ok {
			list, ok = p.part(w, word)
		}
		if !ok {
			return nil
		}
		for _, t := range list {
			if !slices.ContainsFunc(picked, func(had thing) bool { return had.tag.Key == t.tag.Key }) {
				picked = append(picked, t)
			}
		}
	}
	if len(picked) == 0 || len(picked) > MaxItems {
		p.At(n, fmt.Sprintf("%d items are named", len(picked)), fmt.Sprintf("name 1 to %d", MaxItems))
		return nil
	}
	return picked
}
