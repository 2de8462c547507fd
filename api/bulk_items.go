package api

import (
	"context"
	"iter"
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/sheet"
	"lintel/rules/doc"
)

// maxSheetRows is how many rows a workbook holds beside its header.
var maxSheetRows = 1_048_575

// itemPage is how many items are read from the state at one time, so that nothing else waits long.
const itemPage = 20_000

func bulkRoutes() []route {
	list := route{
		method: "GET", path: "/v1/sites/{site}/items", name: "exportItems", group: "Bulk", summary: "Get all items",
		about:  "In the order of their identities. What changes while the answer streams may be in it or not. An answer that breaks off is not whole.",
		scopes: operate, stream: true,
		params:  []param{paramZone, paramProduct, enumParam("disposition", "Only items in this business state.", dispositionNames()...), paramDefuse},
		answers: []answer{{200, "The items.", nil}},
	}
	lines := list
	lines.params = list.params[:3]
	book := inForm(list, formXLSX, (*call).exportItems)
	book.codes = []Code{codeNotAcceptable}
	return []route{
		inForm(list, formCSV, (*call).exportItems), book, inForm(lines, formLines, (*call).exportItems),
		{
			method: "POST", path: "/v1/sites/{site}/items.csv", name: "importItems", group: "Bulk", summary: "Register and move items in bulk",
			about: "Columns: epc, and any of gtin or sku, zone, disposition; those that the export has besides are passed over. A row says how things are: only what is known otherwise becomes an event. " +
				"sellable_accessible and sellable_not_accessible say that the item is stock; which of the two it is follows from its zone. " +
				"Everything that is wrong is listed by row and column, and then nothing is taken. At most 200,000 rows.",
			scopes: []string{ScopeSales, ScopeOperate}, long: true, keyed: true, params: []param{paramDryRun}, body: []content{{mediaCSV, nil}},
			answers: []answer{
				{202, "Taken.", inJSON(BulkAnswer{})},
				{200, "With dry_run, or where nothing had to change: what the rows come to.", inJSON(BulkAnswer{})},
			},
			codes: []Code{codeInvalidDocument}, handle: (*call).importItems,
		},
	}
}

// itemColumns are the columns of an export. Those that an import takes have the names that it takes them by.
var itemColumns = []sheet.Column{
	{Name: "epc", Width: 34}, {Name: "gtin"}, {Name: "sku"}, {Name: "name", Width: 30}, {Name: "category"}, {Name: "zone"}, {Name: "disposition", Width: 24}, {Name: "from"}, {Name: "read_point"},
	{Name: "since", Kind: sheet.KindTime}, {Name: "last_seen", Kind: sheet.KindTime}, {Name: "declared"}, {Name: "foreign"},
}

// exportItems streams the items of a site.
func (c *call) exportItems(f form) error {
	filter, err := c.itemFilter()
	if err != nil {
		return err
	}
	t := sheet.Table{Name: "Items", Columns: itemColumns, At: c.api.opt.Now().Truncate(time.Second)}
	err = c.view(func(st *engine.State) error {
		lay := st.Config().Layout
		t.Site = lay.Name
		if err := checkZoneParam(lay, filter.Zone); err != nil {
			return err
		}
		if filter.GTINs, err = productsOf(c.QueryParam("product"), st.Config().Catalog); err != nil {
			return err
		}
		if f.media == mediaXLSX && st.Len() > maxSheetRows {
			return problemf(codeNotAcceptable, "The site knows %d items, and a workbook holds %d rows. Take CSV, or narrow it down by zone or product.", st.Len(), maxSheetRows)
		}
		return nil
	})
	if err != nil {
		return err
	}
	t.Rows = c.itemRows(c.Request().Context(), filter)
	return c.streamTable(f.media, c.site+"-items", t)
}

// itemFilter reads the parameters that narrow a listing of items, except for the product.
func (c *call) itemFilter() (engine.ItemFilter, error) {
	f := engine.ItemFilter{Zone: c.QueryParam("zone")}
	if d := c.QueryParam("disposition"); d != "" {
		disp, ok := dispositionByName(d)
		if !ok {
			return f, badParam("disposition", "there is no disposition %s%s", shown([]byte(d)), doc.OrDidYouMean(d, dispositionNames()))
		}
		f.Disposition = &disp
	}
	return f, nil
}

// itemRows gives the items one page after the other.
func (c *call) itemRows(ctx context.Context, filter engine.ItemFilter) iter.Seq2[[]sheet.Cell, error] {
	return func(yield func([]sheet.Cell, error) bool) {
		row := make([]sheet.Cell, len(itemColumns))
		for {
			var page []engine.ItemInfo
			var products *catalog.Catalog
			err := c.api.view(ctx, c.site, func(st *engine.State) error {
				page, products = st.Items(filter, itemPage), st.Config().Catalog
				return nil
			})
			if err != nil {
				yield(nil, err)
				return
			}
			for i := range page {
				fillItemRow(row, &page[i], products)
				if !yield(row, nil) {
					return
				}
			}
			if len(page) < itemPage {
				return
			}
			filter.After = page[len(page)-1].Key
		}
	}
}

func fillItemRow(row []sheet.Cell, it *engine.ItemInfo, products *catalog.Catalog) {
	var p catalog.Product
	if it.Product >= 0 && it.Product < products.Len() {
		p = *products.At(it.Product)
	}
	when := func(ms int64) sheet.Cell {
		if ms == 0 {
			return sheet.Cell{}
		}
		return sheet.Time(time.UnixMilli(ms))
	}
	yes := func(b bool) sheet.Cell {
		if b {
			return sheet.Text("yes")
		}
		return sheet.Text("no")
	}
	copy(row, []sheet.Cell{
		sheet.Text(it.Text), sheet.Text(event.GTINText(it.GTIN)), sheet.Text(p.SKU), sheet.Text(p.Name), sheet.Text(p.Category), sheet.Text(it.Zone), sheet.Text(it.Disposition.String()),
		sheet.Text(it.From), sheet.Text(it.Point), when(it.Since), when(it.Seen), yes(it.Declared), yes(it.Foreign),
	})
}
