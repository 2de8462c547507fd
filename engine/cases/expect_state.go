package cases

import (
	"fmt"

	"lintel/engine/stock"
	"lintel/rules/doc"
)

// nowhere is the word for the place of an item that is in no zone.
const nowhere = "nowhere"

// itemPlace says in which zone an item should be; "": in none.
type itemPlace struct {
	place
	item thing
	zone string
}

// stockLine says how many sellable items of a product should be in a zone.
type stockLine struct {
	place
	gtin  uint64
	zone  string
	count int
}

// where reads a table of items with the zone in which each should be.
func (p *caseParser) where(f doc.Field) (list []itemPlace) {
	if f.Value.Kind != doc.Mapping || len(f.Value.Fields) == 0 {
		p.At(f.Value, "where is no table of items with their zones", "write where: {tide: shelf-a}, or where: {tide: nowhere}")
		return nil
	}
	for _, c := range f.Value.Fields {
		zone := ""
		if c.Value.Kind != doc.Scalar || c.Value.Text != nowhere {
			if zone = p.zone(c.Value); zone == "" {
				continue
			}
		}
		for _, i := range p.pick(c.Key) {
			list = append(list, itemPlace{placeOf(c.Key), i, zone})
		}
	}
	return list
}

// stock reads a table of products, each with a table of zones and how many should be there.
func (p *caseParser) stock(f doc.Field) (list []stockLine) {
	const form = "write stock: {TIDE: {front-tables: 3}}"
	if f.Value.Kind != doc.Mapping || len(f.Value.Fields) == 0 {
		p.At(f.Value, "stock is no table of products", form)
		return nil
	}
	for _, c := range f.Value.Fields {
		gtin := p.product(c.Key)
		if c.Value.Kind != doc.Mapping {
			p.At(c.Value, "it is not said how many should be in which zone", form)
			continue
		}
		for _, z := range c.Value.Fields {
			if zone := p.zone(z.Key); zone != "" && gtin != 0 {
				list = append(list, stockLine{placeOf(z.Key), gtin, zone, p.integer(z.Value, z.Key.Text, 0, 1_000_000)})
			}
		}
	}
	return list
}

// look holds where items are, and the stock, against what should be.
func (s *expectStep) look(w *world) {
	in := func(zone string) string {
		if zone == "" {
			return nowhere
		}
		return "in " + zone
	}
	for i := range s.where {
		l := &s.where[i]
		info, known := w.s.Item(l.item.tag.Key)
		if known && info.Zone == l.zone || !known && l.zone == "" {
			continue
		}
		f := w.fail(l.place, fmt.Sprintf("%s is %s, not %s", l.item.handle, in(info.Zone), in(l.zone)), "")
		if !known {
			f.add("", "nobody has heard or told of it")
		}
		for k := range w.facts {
			if x := &w.facts[k]; x.Key == l.item.tag.Key && !f.full() {
				f.add("", fmt.Sprintf("%s  %s %s", w.clock(x.At), x.Cause, in(x.Zone)))
			}
		}
	}
	for i := range s.stock {
		l := &s.stock[i]
		count := 0
		for _, row := range w.s.StockRows(stock.Filter{GTINs: []uint64{l.gtin}, Zone: l.zone}, 1) {
			count = row.Count
		}
		if count != l.count {
			w.fail(l.place, fmt.Sprintf("%d of %s are for sale at %s, not %d", count, w.c.product(l.gtin), l.zone, l.count), "")
		}
	}
}
