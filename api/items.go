package api

import (
	"encoding/hex"
	"net/http"
	"slices"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
	"lintel/engine/store"
)

var (
	codeInvalidIdentity = kit.Code{Name: "invalid_identity", Status: 400, Meaning: "The tag identity is malformed or breaks the standard."}
	codeUnknownItem     = kit.Code{Name: "unknown_item", Status: 404, Meaning: "The site has no such item."}
)

// maxSkip is how many items a listing leaves out at most: more than a site has.
const maxSkip = 100_000_000

// itemRoutes are the routes about items.
type itemRoutes struct{ *backend }

func (h itemRoutes) table() []kit.Route {
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/items", Name: "listItems", Group: "Questions", Summary: "List items",
			Scopes: operate,
			About: "Page after page by cursor, of which each begins where the one before ended whatever changed meanwhile; or " +
				"from any place on by skip, for a list that is scrolled to its middle.",
			Params: append(slices.Clone(itemParams), kit.Query("skip", "How many of the items to leave out first.").
				Of(kit.IntSchema(0, maxSkip, 0)), paramLimit(100, 1000), paramCursor),
			Answers: []kit.Answer{kit.OK("One page of items, in the order of their identities.", ItemList{})}, Handle: h.listItems,
		}, {
			Method: "GET", Path: "/v1/sites/{site}/items/{epc}", Name: "getItem", Group: "Questions", Summary: "Get one item",
			About:  "The item is named in any form of its identity, percent-encoded.",
			Scopes: operate, Answers: []kit.Answer{kit.OK("The item, and how sure it is where it is.", FoundItem{})},
			Codes: []kit.Code{codeUnknownItem, codeInvalidIdentity}, Handle: h.getItem,
		}, {
			Method: "GET", Path: "/v1/sites/{site}/items/{epc}/trail", Name: "itemTrail", Group: "Questions",
			Summary: "Follow one item through its facts",
			Scopes:  operate, Params: []kit.Param{paramFrom, paramTo, paramLimit(200, 5000), paramCursor},
			Answers: []kit.Answer{kit.OK("The item's facts in the range, oldest first.", FactList{})},
			Codes:   []kit.Code{codeUnknownItem, codeInvalidIdentity}, Handle: h.itemTrail,
		},
	}, h.bulk()...)
}

// ItemList is one page of items.
type ItemList struct {
	Items []ItemView `json:"items"`
	Total *int       `json:"total,omitempty" jsonschema_description:"How many there are on all pages together; left out where a cursor was given."`
	Next  string     `json:"next,omitempty" jsonschema_description:"Give it as cursor to get the next page; left out on the last one."`
}

// StockView is the stock of one product in one place.
type StockView struct {
	Product ProductView `json:"product"`
	Place   string      `json:"place" jsonschema_description:"A zone's id, or kind: and the name of a kind of zones, all of them taken together."`
	Count   int         `json:"count" jsonschema_description:"Sellable items."`
	Minimum *int        `json:"minimum,omitempty"`
	Maximum *int        `json:"maximum,omitempty"`
	Short   int         `json:"short" jsonschema_description:"How many are missing to the minimum."`
}

// StockList is one page of stock.
type StockList struct {
	Stock []StockView `json:"stock"`
	Next  string      `json:"next,omitempty"`
}

// productsOf finds the GTINs that a GTIN or SKU means; nil: the parameter was not given.
func productsOf(text string, products *catalog.Catalog) ([]uint64, error) {
	if text == "" {
		return nil, nil
	}
	gtins := []uint64{}
	for _, i := range products.BySKU(text) {
		gtins = append(gtins, products.At(i).GTIN)
	}
	if len(gtins) == 0 {
		g, err := epc.ParseGTIN(text)
		if err != nil {
			return nil, kit.BadParam("product", "%s is no SKU of the product list, and no GTIN: %s",
				kit.Shown([]byte(text)), identityFault(err).Reason)
		}
		gtins = append(gtins, g)
	}
	return gtins, nil
}

// narrowed calls f with the state of the site of the path, and with the products that the parameter
// "product" means. It refuses a parameter "zone" that is no zone of the site.
func (b *backend) narrowed(c *kit.Call, f func(st *engine.State, gtins []uint64) error) error {
	return b.view(c, func(st *engine.State) error {
		if err := checkZoneParam(st.Config().Layout, c.QueryParam("zone")); err != nil {
			return err
		}
		gtins, err := productsOf(c.QueryParam("product"), st.Config().Catalog)
		if err != nil {
			return err
		}
		return f(st, gtins)
	})
}

func (h itemRoutes) listItems(c *kit.Call) error {
	limit := c.Int("limit")
	f, err := itemFilter(c)
	if err != nil {
		return err
	}
	cursor, err := c.CursorParam(1)
	if err != nil {
		return err
	}
	if cursor != nil {
		b, _ := hex.DecodeString(cursor[0]) // what is no key is found next
		if f.After, err = epc.KeyFromBytes(b); err != nil {
			return kit.BadParam("cursor", "it is none of this route")
		}
	}
	f.Skip = c.Int("skip")
	list := ItemList{Items: []ItemView{}}
	err = h.narrowed(c, func(st *engine.State, gtins []uint64) error {
		f.GTINs = gtins
		products := st.Config().Catalog
		if cursor == nil {
			total := st.CountItems(f)
			list.Total = &total
		}
		items := st.Items(f, limit+1)
		if len(items) > limit {
			items = items[:limit]
			b, _ := items[limit-1].Key.AppendBinary(nil)
			list.Next = kit.EncodeCursor(hex.EncodeToString(b))
		}
		for i := range items {
			list.Items = append(list.Items, itemView(&items[i], products))
		}
		return nil
	})
	return c.Answer(list, err)
}

// itemKey reads the item of the path, in any form of its identity.
func itemKey(c *kit.Call) (epc.Key, error) {
	s := c.PathParam("epc")
	id, err := identityOf(c, s)
	if err != nil {
		return epc.Key{}, err
	}
	k, _ := keyOf(id)
	return k, nil
}

// identityOf reads an identity in any form.
func identityOf(c *kit.Call, s string) (epc.EPC, error) {
	id, err := parseIdentity(s, 0, false)
	if err == nil {
		return id, nil
	}
	fault := identityFault(err)
	p := kit.Problemf(codeInvalidIdentity, "The item %s: %s.", kit.Shown([]byte(s)), fault.Reason)
	if fault.Section != "" {
		p = p.With("section", fault.Section)
	}
	return id, p
}

func (h itemRoutes) getItem(c *kit.Call) error {
	k, err := itemKey(c)
	if err != nil {
		return err
	}
	var v FoundItem
	err = h.view(c, func(st *engine.State) error {
		it, ok := st.Item(k)
		if !ok {
			return kit.Problemf(codeUnknownItem, "The site %q has never heard of this item.", c.Site)
		}
		lay := st.Config().Layout
		v = foundItem(&it, h.opt.Now().UnixMilli(), lay, st.Config().Catalog, watchedZones(lay))
		return nil
	})
	if err != nil {
		return err
	}
	v.Forms = itemForms(v.Item)
	return c.JSON(http.StatusOK, v)
}

func (h stockRoutes) listStock(c *kit.Call) error {
	limit := c.Int("limit")
	f := stock.Filter{Zone: c.QueryParam("zone"), Below: c.QueryParam("below") == "minimum"}
	cursor, err := c.CursorParam(2)
	if err != nil {
		return err
	}
	if cursor != nil {
		if f.AfterGTIN, err = epc.ParseGTIN(cursor[0]); err != nil {
			return kit.BadParam("cursor", "it is none of this route")
		}
		f.AfterPlace = cursor[1]
	}
	list := StockList{Stock: []StockView{}}
	err = h.narrowed(c, func(st *engine.State, gtins []uint64) error {
		f.GTINs = gtins
		products := st.Config().Catalog
		rows := st.StockRows(f, limit+1)
		if len(rows) > limit {
			rows = rows[:limit]
			list.Next = kit.EncodeCursor(event.GTINText(rows[limit-1].GTIN), rows[limit-1].Place())
		}
		for i := range rows {
			list.Stock = append(list.Stock, stockView(&rows[i], products))
		}
		return nil
	})
	return c.Answer(list, err)
}

// parseFactID reads "<milliseconds>-<number>".
func parseFactID(s string) (store.FactID, bool) {
	ms, n, ok := strings.Cut(s, "-")
	if !ok {
		return store.FactID{}, false
	}
	var id store.FactID
	var err error
	if id.Ms, err = parseInt(ms, 63); err != nil {
		return store.FactID{}, false
	}
	num, err := parseInt(n, 32)
	id.N = uint32(num)
	return id, err == nil
}
