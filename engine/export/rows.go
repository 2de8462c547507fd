package export

import (
	"encoding/json"
	"strings"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/stock"
)

// This file turns what the core knows into rows. A row has one value for each column of its table,
// csvOnly ones included, in their order.

// text is nil for an empty one.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func at(ms int64) any {
	if ms == 0 {
		return nil
	}
	return instant(ms)
}

func limit(n int, has bool) any {
	if !has {
		return nil
	}
	return int64(n)
}

// productWords returns SKU and name of a product.
func productWords(c *catalog.Catalog, i int) (sku, name any) {
	if i < 0 {
		return nil, nil
	}
	p := c.At(i)
	return text(p.SKU), text(p.Name)
}

func itemRow(site string, it *engine.ItemInfo, c *catalog.Catalog) []any {
	sku, name := productWords(c, it.Product)
	return []any{
		site, it.Text, text(event.GTINText(it.GTIN)), sku, name, it.Disposition.String(), text(it.Zone), text(it.From), text(it.Point),
		at(it.Since), at(it.Seen), it.Declared, it.Foreign,
	}
}

func stockRow(site string, r *stock.Row, c *catalog.Catalog) []any {
	sku, name := productWords(c, r.Product)
	return []any{
		site, event.GTINText(r.GTIN), sku, name, r.Place(), int64(r.Count), limit(r.Min, r.HasMin),
		limit(r.Max, r.HasMax), int64(r.Short()),
	}
}

func countRow(site string, c *event.Count, res *event.CountResult) []any {
	row := []any{
		site, c.ID, c.Status.String(), c.Final, strings.Join(c.Zones, "|"), c.Delivery, text(c.By), text(c.Note),
		at(c.Opened), at(c.Closed),
		int64(c.Pass), int64(c.Reads), int64(c.Distinct), nil, nil, nil, nil, nil, nil, c.Blind, c.Only, fieldsText(c.Fields),
	}
	if res != nil && c.Status == event.CountClosed {
		for i, n := range []int{res.Expected, res.Matched, res.Missing, res.Unexpected, res.Lines, res.LinesRight} {
			row[13+i] = int64(n)
		}
	}
	return row
}

// fieldsText writes the shop's own fields of a count as a JSON object, nil where there are none.
func fieldsText(fields []event.Field) any {
	if len(fields) == 0 {
		return nil
	}
	values := make(map[string]string, len(fields))
	for _, f := range fields {
		values[f.ID] = f.Value
	}
	b, _ := json.Marshal(values) // texts always can be
	return string(b)
}

// told reports whether an alert is one that people see: not one that waits for its hold, nor one
// that is notified as part of another.
func told(a *event.Alert) bool { return a.Status != event.AlertPending && a.Lead == "" }

func alertRow(site string, a *event.Alert) []any {
	row := []any{
		site, a.ID, a.Rule, text(a.Digest), a.About, a.Severity, a.Status.String(), a.Watch, text(a.Say),
		text(a.Item()), text(event.GTINText(a.GTIN)),
		text(a.Zone), text(a.Place), nil, nil, nil, nil, nil, int64(a.Joined), at(a.Since), at(a.OpenedAt),
		at(a.EndedAt), at(a.AckedAt), text(a.AckedBy),
		at(a.ClosedAt), text(a.ClosedBy), text(a.Outcome), text(a.Note),
	}
	if a.FactMs != 0 {
		row[13], row[14], row[15] = a.Cause.String(), a.FactMs, int64(a.FactN)
	}
	if a.Passage.Direction != event.DirectionNone {
		row[16], row[17] = a.Passage.Direction.String(), a.Passage.Confidence
	}
	return row
}

func factRow(site string, f *event.Fact) []any {
	row := []any{
		site, f.Ms, int64(f.N), int64(f.Seq), f.Cause.String(), at(f.At), text(f.Name()), text(event.GTINText(f.GTIN)),
		nil, text(f.Zone), text(f.From),
		text(f.Point), text(f.Ref), nil, nil, nil, nil, nil, nil, nil, nil, nil,
	}
	if row[6] != nil {
		row[8] = f.Disp.String()
	}
	if p := f.Passage; p.Direction != event.DirectionNone {
		row[13], row[14], row[15], row[17] = p.Direction.String(), p.Confidence, int64(p.Reads), p.Span
		if p.Peak != event.NoRSSI {
			row[16] = float64(p.Peak) / 10
		}
	}
	switch f.Cause {
	case event.Stock:
		row[18] = int64(f.Count)
	case event.Counted:
		row[18], row[19], row[20], row[21] = int64(f.Count), int64(f.Expected), int64(f.MissingItems), int64(f.Unexpected)
	}
	return row
}

func productRow(p *catalog.Product) []any {
	row := []any{event.GTINText(p.GTIN), text(p.SKU), text(p.Name), text(p.Category), nil, text(strings.Join(p.HomeZones, "|")), "{}"}
	if p.Price != 0 {
		row[4] = p.Price
	}
	if len(p.Attributes) > 0 {
		b, err := json.Marshal(p.Attributes) // keys in order
		if err == nil {                      // a map of texts always marshals
			row[6] = string(b)
		}
	}
	return row
}
