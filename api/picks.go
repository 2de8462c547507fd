package api

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/engine/sheet"
	"lintel/engine/stock"
)

// PickView is one line of a pick list: carry some items of a product from one zone to another.
type PickView struct {
	From     string      `json:"from"`
	To       string      `json:"to"`
	Product  ProductView `json:"product"`
	Quantity int         `json:"quantity"`
	Reason   string      `json:"reason" jsonschema:"enum=below_minimum,enum=above_maximum"`
	Items    []string    `json:"items" jsonschema_description:"Which: those that have been there longest. Any others of the product do as well."`
}

// ShortageView is a place that has less of a product than its minimum.
type ShortageView struct {
	StockView
	Supplied int `json:"supplied" jsonschema_description:"How many of them the picks bring."`
	Lacking  int `json:"lacking" jsonschema_description:"How many are missing even then: to be ordered, or to be found."`
}

// PickList is what to carry where.
type PickList struct {
	Picks     []PickView     `json:"picks"`
	Shortages []ShortageView `json:"shortages" jsonschema_description:"Every place below its minimum, by product."`
}

// stockRoutes are the routes about stock.
type stockRoutes struct{ *backend }

func (h stockRoutes) table() []kit.Route {
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/stock", Name: "listStock", Group: "Questions",
			Summary: "List stock by product and place",
			Scopes:  operate,
			Params: []kit.Param{kit.Enum("below", "Only what is below its minimum.", "minimum"), paramProduct,
				paramZone, paramLimit(100, 1000), paramCursor},
			Answers: []kit.Answer{kit.OK("One page of stock, by GTIN and place. A minimum or maximum has a row "+
				"even where nothing is there.", StockList{})}, Handle: h.listStock,
		},
		zonesRoute(h),
	}, inForms(kit.Route{
		Method: "GET", Path: "/v1/sites/{site}/picks", Name: "listPicks", Group: "Questions",
		Summary: "List what to carry where, so that places have what they should have",
		About: "Below a minimum: items come from stockrooms and receiving first, as far as those keep their own " +
			"minimum, then from places above their maximum. Above a maximum: what nobody " +
			"needs goes back to the first stockroom. Ordered by the zones to go to, in the layout's order.",
		Scopes: operate,
		Params: []kit.Param{
			kit.Query("from", "Only picks from this zone."), kit.Query("to", "Only picks to this zone."),
			kit.Enum("lines", "In tables: picks, or the places below their minimum.", "picks", "shortages"),
		},
		Answers: []kit.Answer{kit.Reply(200, "The list.")},
	}, PickList{}, h.picks, formCSV, formXLSX, formHTML)...)
}

// picks answers with the pick list.
func (h stockRoutes) picks(c *kit.Call, f form) error {
	lines := c.QueryParam("lines")
	list := PickList{Picks: []PickView{}, Shortages: []ShortageView{}}
	var lay *layout.Layout
	err := h.view(c, func(st *engine.State) error {
		lay = st.Config().Layout
		for _, name := range []string{"from", "to"} {
			if z := c.QueryParam(name); z != "" {
				if _, ok := lay.ZoneIndex(z); !ok {
					return kit.BadParam(name, "%s", noZone(lay, z))
				}
			}
		}
		picks, shortages := st.Picks()
		fillPicks(c, &list, picks, shortages, st.Config().Catalog)
		return nil
	})
	if err != nil {
		return err
	}
	if f.media == kit.MediaJSON {
		return c.JSON(http.StatusOK, list)
	}
	t, file := sheet.Table{Name: "Pick list", Site: lay.Name, At: h.opt.Now().Truncate(time.Second), Zone: lay.Location()}, "-picks"
	if lines == "shortages" {
		t.Name, file = "Below minimum", "-below-minimum"
		list.shortageTable(&t)
	} else {
		list.pickTable(&t, lay)
	}
	return answerTable(c, f.media, c.Site+file, t)
}

func fillPicks(c *kit.Call, list *PickList, picks []stock.Pick, shortages []stock.Shortage, products *catalog.Catalog) {
	from, to := c.QueryParam("from"), c.QueryParam("to")
	for i := range picks {
		p := &picks[i]
		if from != "" && p.From != from || to != "" && p.To != to {
			continue
		}
		v := PickView{From: p.From, To: p.To, Product: *productView(products.At(p.Product)), Quantity: p.Count,
			Reason: "below_minimum", Items: p.Items}
		if p.Over {
			v.Reason = "above_maximum"
		}
		if v.Items == nil {
			v.Items = []string{}
		}
		list.Picks = append(list.Picks, v)
	}
	for i := range shortages {
		s := &shortages[i]
		list.Shortages = append(list.Shortages, ShortageView{StockView: stockView(&s.Row, products),
			Supplied: s.Supplied, Lacking: s.Lacking()})
	}
}

// pickItems is how many items a line of a table names at most.
const pickItems = 100

func (l *PickList) pickTable(t *sheet.Table, lay *layout.Layout) {
	t.Notes = []string{"Any items of the product will do; those named have been there longest. Where a product is " +
		"not found, look again before anything else: that a reader heard it there once is no proof that it still is."}
	t.GroupBy = "From"
	t.Columns = []sheet.Column{
		{Name: "From", Key: "from", Width: 18}, {Name: "To", Key: "to", Width: 18}, {Name: "SKU", Key: "sku"},
		{Name: "GTIN", Key: "gtin"}, {Name: "Product", Key: "product", Width: 30},
		{Name: "Quantity", Key: "quantity", Kind: sheet.KindNumber}, {Name: "Why", Key: "why", Width: 16},
		{Name: "Items", Key: "items", Width: 40},
	}
	named := func(id string) string {
		if i, ok := lay.ZoneIndex(id); ok {
			return lay.Zones[i].Name
		}
		return id
	}
	var rows [][]sheet.Cell
	for i := range l.Picks {
		p := &l.Picks[i]
		items := strings.Join(p.Items[:min(len(p.Items), pickItems)], " ")
		if more := len(p.Items) - pickItems; more > 0 {
			items += fmt.Sprintf(" and %d more", more)
		}
		rows = append(rows, []sheet.Cell{
			sheet.Text(named(p.From)), sheet.Text(named(p.To)), sheet.Text(p.Product.SKU), sheet.Text(p.Product.GTIN),
			sheet.Text(p.Product.Name), sheet.Int(int64(p.Quantity)),
			sheet.Text(strings.ReplaceAll(p.Reason, "_", " ")), sheet.Text(items),
		})
	}
	t.Rows = sheet.Rows(rows...)
}

func (l *PickList) shortageTable(t *sheet.Table) {
	t.Columns = []sheet.Column{
		{Name: "Place", Key: "place"}, {Name: "SKU", Key: "sku"}, {Name: "GTIN", Key: "gtin"},
		{Name: "Product", Key: "product", Width: 30}, {Name: "Minimum", Key: "minimum", Kind: sheet.KindNumber},
		{Name: "There", Key: "count", Kind: sheet.KindNumber}, {Name: "Picks bring", Key: "supplied",
			Kind: sheet.KindNumber}, {Name: "Still lacking", Key: "lacking", Kind: sheet.KindNumber},
	}
	var rows [][]sheet.Cell
	for i := range l.Shortages {
		s := &l.Shortages[i]
		rows = append(rows, []sheet.Cell{
			sheet.Text(s.Place), sheet.Text(s.Product.SKU), sheet.Text(s.Product.GTIN), sheet.Text(s.Product.Name),
			sheet.Int(int64(*s.Minimum)), sheet.Int(int64(s.Count)),
			sheet.Int(int64(s.Supplied)), sheet.Int(int64(s.Lacking)),
		})
	}
	t.Rows = sheet.Rows(rows...)
}

func stockView(r *stock.Row, products *catalog.Catalog) StockView {
	v := StockView{Product: *productView(products.At(r.Product)), Place: r.Place(), Count: r.Count, Short: r.Short()}
	if r.HasMin {
		v.Minimum = &r.Min
	}
	if r.HasMax {
		v.Maximum = &r.Max
	}
	return v
}
