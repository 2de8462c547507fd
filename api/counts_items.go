package api

import (
	"fmt"
	"net/http"
	"slices"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/sheet"
)

// CountedItem is one item that a count found.
type CountedItem struct {
	Item     string       `json:"item"`
	GTIN     string       `json:"gtin,omitempty"`
	Product  *ProductView `json:"product,omitempty"`
	Expected bool         `json:"expected" jsonschema_description:"It was one of the items that should be there, or is named by the papers."`
}

// CountedItems is one page of what a count found, in order of identity.
type CountedItems struct {
	Count string        `json:"count"`
	Items []CountedItem `json:"items"`
	Next  string        `json:"next,omitempty"`
}

// countedItems answers with the items that a closed count found.
func (h countRoutes) countedItems(c *kit.Call, f form) error {
	from, _, err := c.IntCursor(0)
	if err != nil {
		return err
	}
	v, err := h.closedCount(c, "", "its items are listed once it is closed")
	if err != nil {
		return err
	}
	rec, err := h.storedCount(c, v.Count.ID)
	if err != nil {
		return err
	}
	found, rest := v.res.Found, int64(0)
	if f.media == kit.MediaJSON {
		found = found[min(max(from, 0), int64(len(found))):]
		rest = int64(max(0, len(found)-c.Int("limit")))
		found = found[:int64(len(found))-rest]
	}
	answer := CountedItems{Count: v.Count.ID, Items: make([]CountedItem, 0, len(found))}
	if rest > 0 {
		answer.Next = kit.EncodeCursor(fmt.Sprint(from + int64(len(found))))
	}
	err = h.view(c, func(st *engine.State) error {
		for _, k := range found {
			answer.Items = append(answer.Items, countedItem(st, k, rec.Expected))
		}
		return nil
	})
	if err != nil {
		return err
	}
	if f.media == kit.MediaJSON {
		return c.JSON(http.StatusOK, answer)
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	t := sheet.Table{
		Name: "Items of a count", Site: lay.Name, Zone: lay.Location(), At: v.Result.Closed, Notes: v.notes(lay.Location()),
		Columns: []sheet.Column{
			{Name: "Item", Key: "item", Width: 34}, {Name: "GTIN", Key: "gtin"}, {Name: "SKU", Key: "sku"},
			{Name: "Product", Key: "product", Width: 30}, {Name: "Expected", Key: "expected"},
		},
	}
	rows := make([][]sheet.Cell, len(answer.Items))
	for i := range answer.Items {
		it := &answer.Items[i]
		var sku, name string
		if it.Product != nil {
			sku, name = it.Product.SKU, it.Product.Name
		}
		rows[i] = []sheet.Cell{sheet.Text(it.Item), sheet.Text(it.GTIN), sheet.Text(sku), sheet.Text(name), yes(it.Expected)}
	}
	t.Rows = sheet.Rows(rows...)
	return answerTable(c, f.media, v.Count.ID+"-items", t)
}

// countedItem returns an item as answers show it; expected is in order.
func countedItem(st *engine.State, k epc.Key, expected []epc.Key) CountedItem {
	it, _ := st.Item(k) // a count makes an item of all that it finds
	_, named := slices.BinarySearchFunc(expected, k, epc.Key.Compare)
	v := CountedItem{Item: it.Text, GTIN: event.GTINText(it.GTIN), Expected: named}
	if i, ok := st.Config().Catalog.ByGTIN(it.GTIN); ok && it.GTIN != 0 {
		v.Product = productView(st.Config().Catalog.At(i))
	}
	return v
}
