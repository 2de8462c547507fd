package api

import (
	"context"
	"iter"
	"slices"
	"time"

	"lintel/api/kit"
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

// itemParams narrow a listing of items.
var itemParams = []kit.Param{
	paramZone, paramProduct, kit.Enum("disposition", "Only items in this business state.", event.Dispositions.Texts()...),
	kit.Enum("only", "stock: only items that are for sale and in a zone. misplaced: of them, only those that lie where "+
		"goods are offered, in a zone that is none of their product's home zones.", "stock", "misplaced"),
}

// bulk are the routes by which all items are taken out, or many brought in.
func (h itemRoutes) bulk() []kit.Route {
	list := kit.Route{
		Method: "GET", Path: "/v1/sites/{site}/items", Name: "exportItems", Group: "Bulk", Summary: "Get all items",
		About: "In the order of their identities. What changes while the answer streams may be in it or not. An " +
			"answer that breaks off is not whole.",
		Scopes: operate, Stream: true,
		Params:  append(slices.Clone(itemParams), paramDefuse),
		Answers: []kit.Answer{kit.Reply(200, "The items.")}, Headers: withFile,
	}
	lines := list
	lines.Params = itemParams
	book := inForm(list, formXLSX, h.exportItems)
	book.Codes = []kit.Code{kit.CodeNotAcceptable}
	return []kit.Route{
		inForm(list, formCSV, h.exportItems), book, inForm(lines, formLines, h.exportItems),
		{
			Method: "POST", Path: "/v1/sites/{site}/items.csv", Name: "importItems", Group: "Bulk",
			Summary: "Register and move items in bulk",
			About: "Columns: epc, and any of gtin or sku, zone, disposition; those that the export has besides are " +
				"passed over. A row says how things are: only what is known otherwise becomes an event. " +
				"sellable_accessible and sellable_not_accessible say that the item is stock; which of the two it " +
				"is follows from its zone. " +
				"Everything that is wrong is listed by row and column, and then nothing is taken. At most 200,000 rows.",
			Scopes: []string{kit.ScopeSales, kit.ScopeOperate}, Long: true, Keyed: true,
			Params: []kit.Param{paramDryRun}, Body: []kit.Content{kit.As(mediaCSV, nil)},
			Answers: []kit.Answer{
				kit.Reply(202, "Taken.", kit.JSON(BulkAnswer{})...),
				kit.Reply(200, "With dry_run, or where nothing had to change: what the rows come to.", kit.JSON(BulkAnswer{})...),
			},
			Codes: []kit.Code{kit.CodeInvalidDocument}, Handle: h.importItems,
		},
	}
}

// itemColumns are the columns of an export. Those that an import takes have the names that it takes
// them by.
var itemColumns = []sheet.Column{
	{Name: "epc", Width: 34}, {Name: "gtin"}, {Name: "sku"}, {Name: "name", Width: 30}, {Name: "category"},
	{Name: "zone"}, {Name: "disposition", Width: 24}, {Name: "from"}, {Name: "read_point"},
	{Name: "since", Kind: sheet.KindTime}, {Name: "last_seen", Kind: sheet.KindTime}, {Name: "declared"}, {Name: "foreign"},
}

// exportItems streams the items of a site.
func (h itemRoutes) exportItems(c *kit.Call, f form) error {
	filter, err := itemFilter(c)
	if err != nil {
		return err
	}
	t := sheet.Table{Name: "Items", Columns: itemColumns, At: h.opt.Now().Truncate(time.Second)}
	err = h.narrowed(c, func(st *engine.State, gtins []uint64) error {
		t.Site, filter.GTINs = st.Config().Layout.Name, gtins
		if f.media == mediaXLSX && st.Len() > maxSheetRows {
			return kit.Problemf(kit.CodeNotAcceptable, "The site knows %d items, and a workbook holds %d rows. "+
				"Take CSV, or narrow it down by zone or product.", st.Len(), maxSheetRows)
		}
		return nil
	})
	if err != nil {
		return err
	}
	t.Rows = h.itemRows(c, c.Ctx(), filter)
	return streamTable(c, f.media, c.Site+"-items", t)
}

// itemFilter reads the parameters that narrow a listing of items, except for the product.
func itemFilter(c *kit.Call) (engine.ItemFilter, error) {
	only := c.QueryParam("only")
	f := engine.ItemFilter{Zone: c.QueryParam("zone"), Stock: only == "stock", Misplaced: only == "misplaced"}
	if d := c.QueryParam("disposition"); d != "" {
		disp, ok := event.Dispositions.Parse(d)
		if !ok {
			return f, kit.BadParam("disposition", "there is no disposition %s%s", kit.Shown([]byte(d)),
				doc.OrDidYouMean(d, event.Dispositions.Texts()))
		}
		f.Disposition = &disp
	}
	return f, nil
}

// itemRows gives the items one page after the other.
func (h itemRoutes) itemRows(c *kit.Call, ctx context.Context, filter engine.ItemFilter) iter.Seq2[[]sheet.Cell, error] {
	return func(yield func([]sheet.Cell, error) bool) {
		row := make([]sheet.Cell, len(itemColumns))
		for {
			var page []engine.ItemInfo
			var products *catalog.Catalog
			err := h.viewSite(ctx, c.Site, func(st *engine.State) error {
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

func yes(b bool) sheet.Cell {
	if b {
		return sheet.Text("yes")
	}
	return sheet.Text("no")
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
	copy(row, []sheet.Cell{
		sheet.Text(it.Text), sheet.Text(event.GTINText(it.GTIN)), sheet.Text(p.SKU), sheet.Text(p.Name),
		sheet.Text(p.Category), sheet.Text(it.Zone), sheet.Text(it.Disposition.String()),
		sheet.Text(it.From), sheet.Text(it.Point), when(it.Since), when(it.Seen), yes(it.Declared), yes(it.Foreign),
	})
}
