package api

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/sheet"
	"lintel/rules/doc"
)

// BulkAnswer says what became of a table of items.
type BulkAnswer struct {
	DryRun     bool     `json:"dry_run"`
	Rows       int      `json:"rows"`
	Unchanged  int      `json:"unchanged" jsonschema_description:"Rows that say what is known already."`
	Registered int      `json:"registered" jsonschema_description:"Items that were tied to a product."`
	Moved      int      `json:"moved"`
	Received   int      `json:"received" jsonschema_description:"Items that became stock."`
	Sold       int      `json:"sold"`
	Shipped    int      `json:"shipped"`
	Retired    int      `json:"retired"`
	Entries    int      `json:"parts" jsonschema_description:"In how many journal entries what was taken is held."`
	Entry      *uint64  `json:"sequence" jsonschema:"nullable" jsonschema_description:"Number of the last of them; null if nothing was taken."`
	Processed  bool     `json:"processed" jsonschema_description:"Whether all was processed in time; it will be."`
	Warnings   []string `json:"warnings,omitempty"`
}

// Limits of a table of items.
const (
	bulkRows   = 200_000
	bulkErrors = 1000 // that are listed; the rest is counted
	bulkTags   = 2000 // items in one journal entry
	bulkLook   = 5000 // rows that are compared with the state at one time
)

// columns of a table of items that an import takes.
const (
	bulkEPC = iota
	bulkGTIN
	bulkSKU
	bulkZone
	bulkDisposition
	bulkColumns
)

var bulkColumnNames = []string{"epc", "gtin", "sku", "zone", "disposition"}

// bulkRow is a row as it was read.
type bulkRow struct {
	key     epc.Key
	text    string
	gtin    uint64 // 0: not said
	line    int32
	zone    int32 // in the layout, -1: not said
	disp    event.Disposition
	hasDisp bool
}

// bulkReader reads a table of items. Its rows keep nothing of the body.
type bulkReader struct {
	lay      *layout.Layout
	products *catalog.Catalog
	at       [bulkColumns]int // -1: there is no such column
	rows     []bulkRow
	lines    map[epc.Key]int32
	skus     map[string]uint64
	found    *doc.Report
	unknown  int // rows with a product that the list does not have
}

// fail notes what is wrong with the row at hand.
func (b *bulkReader) fail(line int, column, hint, format string, args ...any) {
	b.failRow(&bulkRow{line: int32(line)}, len(b.rows), column, hint, fmt.Sprintf(format, args...))
}

func (b *bulkReader) failRow(row *bulkRow, index int, column, hint, reason string) {
	b.found.Cell(index+1, int(row.line), column, hint, "%s", reason)
}

// head finds the columns. It reports whether rows can be read.
func (b *bulkReader) head(r sheet.Row) bool {
	for i := range b.at {
		b.at[i] = -1
	}
	ok := true
	for i, cell := range r.Cells {
		name := strings.ToLower(strings.TrimSpace(cell))
		k := slices.Index(bulkColumnNames, name)
		switch {
		case k >= 0 && b.at[k] >= 0:
			b.found.Cell(0, r.Number, name, "keep one of them", "the column is there twice")
			ok = false
		case k >= 0:
			b.at[k] = i
		case name != "" && !slices.ContainsFunc(itemColumns, func(c sheet.Column) bool { return c.Name == name }):
			b.found.Cell(0, r.Number, strings.Clone(cell), "use "+strings.Join(bulkColumnNames, ", "),
				"there is no such column%s", doc.OrDidYouMean(name, bulkColumnNames))
			ok = false
		}
	}
	if b.at[bulkEPC] < 0 {
		b.found.Cell(0, r.Number, "epc", "begin with a header row: "+strings.Join(bulkColumnNames, ","),
			"there is no column epc, which names the item")
		ok = false
	}
	return ok
}

// take reads one row.
func (b *bulkReader) take(r sheet.Row) {
	cell := func(k int) string {
		if b.at[k] < 0 || b.at[k] >= len(r.Cells) {
			return ""
		}
		return strings.TrimSpace(r.Cells[b.at[k]])
	}
	if !slices.ContainsFunc(r.Cells, func(s string) bool { return strings.TrimSpace(s) != "" }) {
		return // what spreadsheets leave below a table
	}
	row := bulkRow{line: int32(r.Number), zone: -1}
	bad := b.found.Len()
	if s := cell(bulkEPC); s == "" {
		b.fail(r.Number, "epc", "", "the item is not named")
	} else if id, err := parseIdentity(s, 0, false); err != nil {
		b.fail(r.Number, "epc", "", "%s", identityFault(err).Reason)
	} else {
		row.key, row.text = keyOf(id)
		row.text = strings.Clone(row.text)
		if first, ok := b.lines[row.key]; ok {
			b.fail(r.Number, "epc", "keep one of them", "the item stands in line %d already", first)
		}
		b.lines[row.key] = row.line
	}
	b.product(&row, r.Number, cell(bulkGTIN), cell(bulkSKU))
	if z := cell(bulkZone); z != "" {
		i, ok := b.lay.ZoneIndex(z)
		if !ok {
			b.fail(r.Number, "zone", "", "%s", noZone(b.lay, z))
		}
		row.zone = int32(i)
	}
	if d := cell(bulkDisposition); d != "" && d != event.Unknown.String() {
		disp, ok := event.Dispositions.Parse(d)
		if !ok || !slices.Contains(bulkDispositions, d) {
			b.fail(r.Number, "disposition", "use one of "+strings.Join(bulkDispositions, ", "),
				"there is no disposition %s%s", kit.Shown([]byte(d)), doc.OrDidYouMean(d, bulkDispositions))
		}
		row.disp, row.hasDisp = disp, true
	}
	if b.found.Len() > bad {
		b.rows = append(b.rows, bulkRow{}) // so that rows go on being numbered; nothing is taken anyway
		return
	}
	b.rows = append(b.rows, row)
}

// bulkDispositions are those that a row may ask for.
var bulkDispositions = []string{
	event.SellableAccessible.String(), event.SellableNotAccessible.String(), event.RetailSold.String(),
	event.InTransit.String(), event.Inactive.String(),
}

// product reads the product of a row.
func (b *bulkReader) product(row *bulkRow, line int, gtin, sku string) {
	switch {
	case gtin != "":
		g, err := epc.ParseGTIN(gtin)
		if err != nil {
			b.fail(line, "gtin", "a spreadsheet may have dropped zeros or rounded it: format the column as text", "%s",
				identityFault(err).Reason)
			return
		}
		row.gtin = g
	case sku != "":
		g, ok := b.skus[sku]
		if !ok {
			var err error
			if g, err = oneProduct("", sku, b.products); err != nil {
				b.fail(line, "sku", "", "%s", err)
				return
			}
			b.skus[strings.Clone(sku)] = g
		}
		row.gtin = g
	default:
		return
	}
	if _, ok := b.products.ByGTIN(row.gtin); !ok {
		b.unknown++
	}
}

// importItems registers and moves the items of a table.
func (h itemRoutes) importItems(c *kit.Call) error {
	if _, err := c.WantType(mediaCSV); err != nil {
		return err
	}
	dry := c.Flag("dry_run")
	b := &bulkReader{found: doc.NewReport("", bulkErrors, nil, nil), lines: make(map[epc.Key]int32), skus: make(map[string]uint64)}
	err := h.view(c, func(st *engine.State) error {
		b.lay, b.products = st.Config().Layout, st.Config().Catalog
		return nil
	})
	if err != nil {
		return err
	}
	body, err := c.ReadBody(h.opt.ProductsLimit)
	if err != nil {
		return err
	}
	defer body.Release()
	if err := c.Parse(func() error { b.read(body.B); return nil }); err != nil {
		return err
	}
	plan := bulkPlan{now: h.opt.Now().UnixMilli(), by: c.Key.Name}
	plan.answer.Rows, plan.answer.DryRun = len(b.rows), dry
	if b.found.Len() == 0 {
		if err := h.planItems(c, b, &plan); err != nil {
			return err
		}
	}
	if n := b.found.Len(); n > 0 {
		return kit.Problemf(kit.CodeInvalidDocument, "The table has %d problems. Nothing was taken.", n).With("errors",
			b.found.List()).With("rows", len(b.rows))
	}
	if b.unknown > 0 {
		plan.answer.Warnings = append(plan.answer.Warnings, fmt.Sprintf("%d rows name a product that the product "+
			"list does not have", b.unknown))
	}
	plan.end()
	plan.answer.Entries = len(plan.entries)
	if dry || len(plan.entries) == 0 {
		plan.answer.Processed = !dry
		return c.JSON(http.StatusOK, plan.answer)
	}
	return h.appendPlan(c, &plan)
}

// read reads the rows of a table.
func (b *bulkReader) read(table []byte) {
	headed := false
	for r, err := range sheet.ReadCSV(bytes.NewReader(table), sheet.ReadOptions{MaxBytes: 1 << 40, MaxRows: bulkRows + 1}) {
		switch {
		case err != nil:
			b.found.Cell(0, 0, "", "", "%v", err)
			return
		case !headed:
			headed = true
			if !b.head(r) {
				return
			}
		default:
			b.take(r)
		}
	}
	if !headed {
		b.found.Cell(0, 0, "", "begin with a header row: "+strings.Join(bulkColumnNames, ","), "the table is empty")
	}
}

// bulkPlan gathers the events of a table, in the order of its rows as far as they go into one
// event.
type bulkPlan struct {
	now     int64
	by      string
	answer  BulkAnswer
	events  []event.Event
	tags    int
	entries []*event.Entry
}

// add adds an item to the plan: to the last event of its sort, if that is among the events of this
// entry.
func (p *bulkPlan) add(typ event.EventType, row *bulkRow, zone string, gtin uint64) {
	tag := event.Tag{Key: row.key, Text: row.text}
	p.tags++
	for i := len(p.events) - 1; i >= 0; i-- {
		ev := &p.events[i]
		if ev.Type == typ && ev.Zone == zone && ev.GTIN == gtin {
			ev.Tags = append(ev.Tags, tag)
			return
		}
	}
	p.events = append(p.events, event.Event{Type: typ, Tags: []event.Tag{tag}, Zone: zone, T: p.now, GTIN: gtin})
}

// next begins another entry if this one is full. What concerns one item is never divided.
func (p *bulkPlan) next() {
	if p.tags >= bulkTags || len(p.events) >= 200 {
		p.end()
	}
}

func (p *bulkPlan) end() {
	if p.tags == 0 {
		return
	}
	// An item is tied to its product before it moves: what it is decides what a move means.
	slices.SortStableFunc(p.events, func(a, b event.Event) int {
		order := func(t event.EventType) int {
			if t == event.EventRegistered {
				return 0
			}
			return 1
		}
		return order(a.Type) - order(b.Type)
	})
	p.entries = append(p.entries, &event.Entry{Kind: event.EntryEvents, At: p.now, By: p.by, Events: p.events})
	p.events, p.tags = nil, 0
}

// planItems compares the rows with what is known, and plans events for what is not.
func (h itemRoutes) planItems(c *kit.Call, b *bulkReader, p *bulkPlan) error {
	for from := 0; from < len(b.rows); from += bulkLook {
		rows := b.rows[from:min(from+bulkLook, len(b.rows))]
		err := h.view(c, func(st *engine.State) error {
			for i := range rows {
				b.plan(&rows[i], from+i, st, p)
				p.next()
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// plan plans the events for one row.
func (b *bulkReader) plan(row *bulkRow, index int, st *engine.State, p *bulkPlan) {
	it, known := st.Item(row.key)
	own, hasOwn := row.key.GTIN14()
	changed := false
	if row.gtin != 0 && !(known && it.GTIN == row.gtin) && !(hasOwn && own == row.gtin) {
		if hasOwn {
			b.failRow(row, index, "gtin", "leave the product out, or fix it", "the item's own identity says "+event.GTINText(own))
			return
		}
		p.add(event.EventRegistered, row, "", row.gtin)
		p.answer.Registered++
		changed = true
	}
	zone := ""
	if row.zone >= 0 {
		zone = b.lay.Zones[row.zone].ID
	}
	count := func(typ event.EventType, n *int) {
		p.add(typ, row, zone, 0)
		*n++
		changed = true
	}
	there := zone == "" || known && it.Zone == zone
	switch {
	case row.hasDisp && row.disp.Sellable() && !(known && it.Disposition.Sellable()):
		count(event.EventReceived, &p.answer.Received)
	case row.hasDisp && !row.disp.Sellable() && !(known && it.Disposition == row.disp):
		switch row.disp {
		case event.RetailSold:
			count(event.EventSold, &p.answer.Sold)
		case event.InTransit:
			zone = ""
			count(event.EventShipped, &p.answer.Shipped)
		case event.Inactive:
			zone = ""
			count(event.EventRetired, &p.answer.Retired)
		}
	case !there:
		count(event.EventMoved, &p.answer.Moved)
	case !known && !changed && row.gtin != 0: // what the identity says anyway: the shop knows of the item from now on
		p.add(event.EventRegistered, row, "", row.gtin)
		p.answer.Registered++
		changed = true
	case !known && !changed:
		b.failRow(row, index, "", "give a product, a zone or a disposition", "nobody has heard of the item, and the row says nothing of it")
		return
	}
	if !changed {
		p.answer.Unchanged++
	}
}

// appendPlan puts the entries of a plan into the journal, in their order.
func (h itemRoutes) appendPlan(c *kit.Call, p *bulkPlan) error {
	for _, e := range p.entries[:len(p.entries)-1] {
		if _, err := h.runner.Append(c.Ctx(), c.Site, e, "", ""); err != nil {
			return unavailable(err)
		}
	}
	d, err := h.carryOut(c.Ctx(), c.Site, p.entries[len(p.entries)-1])
	if err != nil {
		return err
	}
	p.answer.Entry, p.answer.Processed = &d.seq, d.folded
	return c.JSON(http.StatusAccepted, p.answer)
}
