package api

import (
	"encoding/hex"
	"net/http"
	"strings"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/store"
)

// ItemList is one page of items.
type ItemList struct {
	Items []ItemView `json:"items"`
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
			return nil, badParam("product", "%s is no SKU of the product list, and no GTIN: %s", shown([]byte(text)), identityFault(err).Reason)
		}
		gtins = append(gtins, g)
	}
	return gtins, nil
}

func (c *call) listItems() error {
	limit, err := c.intParam("limit", 100, 1, 1000)
	if err != nil {
		return err
	}
	f, err := c.itemFilter()
	if err != nil {
		return err
	}
	cursor, err := c.cursorParam(1)
	if err != nil {
		return err
	}
	if cursor != nil {
		b, _ := hex.DecodeString(cursor[0]) // what is no key is found next
		if f.After, err = epc.KeyFromBytes(b); err != nil {
			return badParam("cursor", "it is none of this route")
		}
	}
	list := ItemList{Items: []ItemView{}}
	err = c.view(func(st *engine.State) error {
		if err := checkZoneParam(st.Config().Layout, f.Zone); err != nil {
			return err
		}
		products := st.Config().Catalog
		if f.GTINs, err = productsOf(c.QueryParam("product"), products); err != nil {
			return err
		}
		items := st.Items(f, limit+1)
		if len(items) > limit {
			items = items[:limit]
			b, _ := items[limit-1].Key.AppendBinary(nil)
			list.Next = encodeCursor(hex.EncodeToString(b))
		}
		for i := range items {
			list.Items = append(list.Items, itemView(&items[i], products))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, list)
}

// itemKey reads the item of the path, in any form of its identity.
func (c *call) itemKey() (epc.Key, error) {
	s, err := c.pathValue("epc")
	if err != nil {
		return epc.Key{}, err
	}
	id, err := c.identityOf(s)
	if err != nil {
		return epc.Key{}, err
	}
	k, _ := keyOf(id)
	return k, nil
}

// identityOf reads an identity in any form.
func (c *call) identityOf(s string) (epc.EPC, error) {
	id, err := parseIdentity(s, 0, false)
	if err == nil {
		return id, nil
	}
	fault := identityFault(err)
	p := problemf(codeInvalidIdentity, "The item %s: %s.", shown([]byte(s)), fault.Reason)
	if fault.Section != "" {
		p = p.with("section", fault.Section)
	}
	return id, p
}

func (c *call) getItem() error {
	k, err := c.itemKey()
	if err != nil {
		return err
	}
	var v ItemView
	err = c.view(func(st *engine.State) error {
		it, ok := st.Item(k)
		if !ok {
			return problemf(codeUnknownItem, "The site %q has never heard of this item.", c.site)
		}
		v = itemView(&it, st.Config().Catalog)
		return nil
	})
	if err != nil {
		return err
	}
	v.Forms = itemForms(v.Item)
	return c.JSON(http.StatusOK, v)
}

func (c *call) listStock() error {
	limit, err := c.intParam("limit", 100, 1, 1000)
	if err != nil {
		return err
	}
	f := engine.StockFilter{Zone: c.QueryParam("zone")}
	switch below := c.QueryParam("below"); below {
	case "":
	case "minimum":
		f.Below = true
	default:
		return badParam("below", "%s must be \"minimum\"", shown([]byte(below)))
	}
	cursor, err := c.cursorParam(2)
	if err != nil {
		return err
	}
	if cursor != nil {
		if f.AfterGTIN, err = epc.ParseGTIN(cursor[0]); err != nil {
			return badParam("cursor", "it is none of this route")
		}
		f.AfterPlace = cursor[1]
	}
	list := StockList{Stock: []StockView{}}
	err = c.view(func(st *engine.State) error {
		if err := checkZoneParam(st.Config().Layout, f.Zone); err != nil {
			return err
		}
		products := st.Config().Catalog
		if f.GTINs, err = productsOf(c.QueryParam("product"), products); err != nil {
			return err
		}
		rows := st.StockRows(f, limit+1)
		if len(rows) > limit {
			rows = rows[:limit]
			list.Next = encodeCursor(event.GTINText(rows[limit-1].GTIN), rows[limit-1].Place())
		}
		for i := range rows {
			list.Stock = append(list.Stock, stockView(&rows[i], products))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, list)
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
