package api

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/estimate"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/sheet"
)

// DifferenceView is one line of what a count found otherwise than expected.
type DifferenceView struct {
	Finding string       `json:"finding" jsonschema:"enum=only_here,enum=only_there" jsonschema_extras:"words=finding"`
	Words   string       `json:"words"`
	Item    string       `json:"item"`
	GTIN    string       `json:"gtin,omitempty"`
	Product *ProductView `json:"product,omitempty"`
	Zone    string       `json:"zone,omitempty" jsonschema_description:"Where it was counted, or expected."`
	Was     string       `json:"was,omitempty" jsonschema_description:"Where it was known to be before, or the other zone."`
	Reads   int          `json:"reads,omitempty"`
}

// ProductLineView is what was expected and found of one product.
type ProductLineView struct {
	GTIN     string       `json:"gtin,omitempty" jsonschema_description:"Left out: all tags without a product."`
	Product  *ProductView `json:"product,omitempty"`
	Expected int          `json:"expected"`
	Found    int          `json:"found"`
}

// DifferencesView is what closing a count found.
type DifferencesView struct {
	Count       CountView            `json:"count"`
	Result      *CountSummary        `json:"result,omitempty"`
	Assessment  *estimate.Assessment `json:"assessment,omitempty"`
	Caution     string               `json:"caution"`
	Against     *CountView           `json:"against,omitempty" jsonschema_description:"The other count, where two are compared."`
	InBoth      *int                 `json:"in_both,omitempty" jsonschema_description:"Items that both counts found."`
	Differences []DifferenceView     `json:"differences"`
	Products    []ProductLineView    `json:"products,omitempty"`
}

// onlyIn are the differences between two counts, beside the findings of one.
var onlyIn = map[string]string{"only_here": "Found by this count only", "only_there": "Found by the other count only"}

// differences answers with what closing the count of the path found, or with how it differs from
// another.
func (h countRoutes) differences(c *kit.Call, f form) error {
	lines := c.QueryParam("lines")
	v, err := h.closedCount(c, "", "its differences are known once it is closed")
	if err != nil {
		return err
	}
	if other := c.QueryParam("against"); other != "" {
		if lines == "products" {
			return kit.BadParam("lines", "two counts are compared by item only")
		}
		err = h.against(c, v, other)
	} else {
		err = h.fillDifferences(c, v)
	}
	if err != nil {
		return err
	}
	if f.media == kit.MediaJSON {
		return c.JSON(http.StatusOK, v.DifferencesView)
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	t := sheet.Table{Name: "Differences of a count", Site: lay.Name, Zone: lay.Location(), Notes: v.notes(lay)}
	if v.Result != nil {
		t.At = v.Result.Closed
	}
	if lines == "products" {
		t.Name = "Products of a count"
		v.productTable(&t)
	} else {
		v.itemTable(&t, lay, f.media == mediaHTML)
	}
	if f.media == mediaHTML {
		if n := slices.Index(t.Notes, accuracyNotes); n >= 0 { // the list comes first
			t.Notes, t.Below = slices.Delete(t.Notes, n, n+1), []string{accuracyNotes}
		}
		t.Below = append(t.Below, "Looked at by: ______________________________    Date and time: ____________________")
	}
	return answerTable(c, f.media, v.Count.ID, t)
}

// closedOne is a closed count with its result.
type closedOne struct {
	DifferencesView
	res *event.CountResult
}

// closedCount returns a count that is closed; id "": that of the path.
func (h countRoutes) closedCount(c *kit.Call, id, otherwise string) (*closedOne, error) {
	var err error
	if id == "" {
		id = c.PathParam("id")
	}
	detail, err := h.countDetail(c, id)
	if err != nil {
		return nil, err
	}
	if detail.Result == nil {
		return nil, kit.Problemf(codeCountStatus, "The count %s is %s; %s.", id, detail.Status,
			otherwise).With("count_status", detail.Status)
	}
	v := &closedOne{DifferencesView: DifferencesView{
		Count: detail.CountView, Result: detail.Result, Assessment: detail.Assessment, Caution: detail.Caution,
		Differences: []DifferenceView{},
	}}
	v.res, err = h.storedResult(c, id)
	if err == nil && v.res == nil {
		err = kit.Problemf(codeCountStatus, "The count %s is open again; %s.", id, otherwise)
	}
	return v, err
}

func (h countRoutes) fillDifferences(c *kit.Call, v *closedOne) error {
	return h.view(c, func(st *engine.State) error {
		products := st.Config().Catalog
		for i := range v.res.Differences {
			d := &v.res.Differences[i]
			v.Differences = append(v.Differences, differenceView(d.Finding.String(), d.Key, d.Text, d.GTIN, d.Zone,
				d.Was, d.Reads, products))
		}
		for _, l := range v.res.Products {
			v.Products = append(v.Products, ProductLineView{GTIN: event.GTINText(l.GTIN), Expected: l.Expected, Found: l.Found,
				Product: productOf(products, l.GTIN)})
		}
		return nil
	})
}

func differenceView(finding string, k epc.Key, text string, gtin uint64, zone, was string, reads int,
	products *catalog.Catalog) DifferenceView {
	d := DifferenceView{Finding: finding, Words: cmp.Or(event.Findings.Meaning(finding), onlyIn[finding]), Item: text,
		GTIN: event.GTINText(gtin), Zone: zone, Was: was, Reads: reads, Product: productOf(products, gtin)}
	if words, ok := k.Text(); ok {
		d.Item = words
	}
	return d
}

// against compares what two closed counts found.
func (h countRoutes) against(c *kit.Call, v *closedOne, other string) error {
	if other == v.Count.ID {
		return kit.BadParam("against", "it is the same count")
	}
	o, err := h.closedCount(c, other, "two counts can be compared once both are closed")
	if codeOf(err) == codeUnknownCount {
		return kit.BadParam("against", "there is no count %s", kit.Shown([]byte(other)))
	}
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(v.Count.Zones, func(z string) bool { return slices.Contains(o.Count.Zones, z) }) {
		return kit.BadParam("against", "the counts have no zone in common: this one counted %s, the other %s",
			strings.Join(v.Count.Zones, ", "), strings.Join(o.Count.Zones, ", "))
	}
	both := 0
	v.Against, v.InBoth = &o.Count, &both
	return h.view(c, func(st *engine.State) error {
		products := st.Config().Catalog
		only := func(finding string, k epc.Key) {
			text, gtin, zone := "", uint64(0), ""
			if it, ok := st.Item(k); ok {
				text, gtin, zone = it.Text, it.GTIN, it.Zone
			} else if g, ok := k.GTIN14(); ok {
				gtin = g
			}
			v.Differences = append(v.Differences, differenceView(finding, k, text, gtin, zone, "", 0, products))
		}
		a, b := v.res.Found, o.res.Found // both in order of identity
		var there []epc.Key
		for len(a) > 0 || len(b) > 0 {
			switch {
			case len(b) == 0 || len(a) > 0 && a[0].Compare(b[0]) < 0:
				only("only_here", a[0])
				a = a[1:]
			case len(a) == 0 || b[0].Compare(a[0]) < 0:
				there = append(there, b[0])
				b = b[1:]
			default:
				both++
				a, b = a[1:], b[1:]
			}
		}
		for _, k := range there {
			only("only_there", k)
		}
		return nil
	})
}

// notes are the sentences that must be read with the table.
func (v *closedOne) notes(lay *layout.Layout) []string {
	when := func(t time.Time) string { return t.In(lay.Location()).Format("2 January 2006, 15:04 MST") }
	notes := []string{fmt.Sprintf("Count %s of %s, opened %s by %s.", v.Count.ID, zoneNames(lay, v.Count.Zones),
		when(v.Count.Opened), v.Count.By)}
	if v.Count.Note != "" {
		notes = append(notes, "Note: "+v.Count.Note)
	}
	for _, f := range lay.Counts.Fields {
		if value := v.Count.Fields[f.ID]; value != "" {
			notes = append(notes, f.Name+": "+value)
		}
	}
	if v.Against != nil {
		return append(notes, fmt.Sprintf("Compared with count %s of %s, opened %s. Both found %d items.",
			v.Against.ID, zoneNames(lay, v.Against.Zones), when(v.Against.Opened), *v.InBoth), v.Caution)
	}
	r := v.Result
	notes = append(notes,
		fmt.Sprintf("%d expected: %d of them found, %d not heard. %d more found that were not expected.", r.Expected,
			r.Matched, r.Missing, r.Unexpected),
		fmt.Sprintf("Accuracy by item %s, by product line %s (%d of %d lines).", percent(r.ItemAccuracy),
			percent(r.LineAccuracy), r.LinesRight, r.Lines),
		accuracyNotes)
	if v.Assessment != nil {
		notes = append(notes, v.Assessment.Words)
	} else {
		notes = append(notes, "How many tags were not read can't be estimated any more, since the reads of this count are no longer kept.")
	}
	return append(notes, v.Caution)
}

// zoneName is the name of a zone, its id where the layout no longer has it.
func zoneName(lay *layout.Layout, id string) string {
	if i, ok := lay.ZoneIndex(id); ok {
		return lay.Zones[i].Name
	}
	return id
}

func zoneNames(lay *layout.Layout, ids []string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = zoneName(lay, id)
	}
	return strings.Join(names, ", ")
}

func percent(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }

// itemTable fills in the lines by item. On paper zones go by their names, and each line has a box to
// tick; the codes are for programs.
func (v *closedOne) itemTable(t *sheet.Table, lay *layout.Layout, paper bool) {
	t.GroupBy = "What"
	t.Columns = []sheet.Column{
		{Name: "What", Key: "words", Width: 40}, {Name: "Finding", Key: "finding"},
		{Name: "Item", Key: "item", Width: 34}, {Name: "GTIN", Key: "gtin"}, {Name: "SKU", Key: "sku"},
		{Name: "Product", Key: "product", Width: 30}, {Name: "Zone", Key: "zone"}, {Name: "Was in", Key: "was"},
		{Name: "Reads", Key: "reads", Kind: sheet.KindNumber},
	}
	if paper {
		t.Columns[1] = sheet.Column{Name: "Done", Key: "done"}
		t.Columns = t.Columns[:8]
	}
	var rows [][]sheet.Cell
	for i := range v.Differences {
		d := &v.Differences[i]
		sku, name := productTexts(d.Product)
		row := []sheet.Cell{
			sheet.Text(d.Words), sheet.Text(d.Finding), sheet.Text(d.Item), sheet.Text(d.GTIN), sheet.Text(sku),
			sheet.Text(name), sheet.Text(d.Zone), sheet.Text(d.Was), sheet.Int(int64(d.Reads)),
		}
		if paper {
			was := zoneName(lay, d.Was)
			if d.Was == d.Zone {
				was = ""
			}
			row[1], row[6], row[7] = sheet.Text("\u2610"), sheet.Text(zoneName(lay, d.Zone)), sheet.Text(was)
			row = row[:8]
		}
		rows = append(rows, row)
	}
	t.Rows = sheet.Rows(rows...)
}

// productTable fills in the lines by product.
func (v *closedOne) productTable(t *sheet.Table) {
	t.Columns = []sheet.Column{
		{Name: "GTIN", Key: "gtin"}, {Name: "SKU", Key: "sku"}, {Name: "Product", Key: "product", Width: 30},
		{Name: "Expected", Key: "expected", Kind: sheet.KindNumber},
		{Name: "Found", Key: "found", Kind: sheet.KindNumber}, {Name: "Difference", Key: "difference", Kind: sheet.KindNumber},
	}
	var rows [][]sheet.Cell
	for _, l := range v.Products {
		sku, name := productTexts(l.Product)
		rows = append(rows, []sheet.Cell{
			sheet.Text(l.GTIN), sheet.Text(sku), sheet.Text(name), sheet.Int(int64(l.Expected)),
			sheet.Int(int64(l.Found)), sheet.Int(int64(l.Found - l.Expected)),
		})
	}
	t.Rows = sheet.Rows(rows...)
}

// oneProduct finds the GTIN that either a GTIN or a SKU means.
func oneProduct(gtin, sku string, products *catalog.Catalog) (uint64, error) {
	switch {
	case gtin != "" && sku != "":
		return 0, errors.New("write gtin or sku, not both")
	case gtin == "" && sku == "":
		return 0, errors.New("no product is named; write gtin or sku")
	case gtin != "":
		g, err := epc.ParseGTIN(gtin)
		if err != nil {
			return 0, fmt.Errorf("gtin: %s", identityFault(err).Reason)
		}
		return g, nil
	}
	found := products.BySKU(sku)
	switch len(found) {
	case 0:
		return 0, fmt.Errorf("the product list has no SKU %s", kit.Shown([]byte(sku)))
	case 1:
		return products.At(found[0]).GTIN, nil
	}
	var gtins []string
	for _, i := range found[:min(len(found), 5)] {
		gtins = append(gtins, event.GTINText(products.At(i).GTIN))
	}
	return 0, fmt.Errorf("the SKU %s stands for %d products; write the gtin, one of %s", kit.Shown([]byte(sku)),
		len(found), strings.Join(gtins, ", "))
}
