package api

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"time"

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
	Expected *bool        `json:"expected,omitempty" jsonschema_description:"It was one of the items that should be there, or is named by the papers. Left out where the count is blind."`
	Zone     string       `json:"zone,omitempty" jsonschema_description:"Where the count heard it best, while what it heard is kept."`
}

// CountedItems is one page of what a count found, in order of identity.
type CountedItems struct {
	Count string        `json:"count"`
	Items []CountedItem `json:"items"`
	Next  string        `json:"next,omitempty"`
}

// MissingItem is an item that a count expects and did not hear.
type MissingItem struct {
	Item      string       `json:"item"`
	GTIN      string       `json:"gtin,omitempty"`
	Product   *ProductView `json:"product,omitempty"`
	Zone      string       `json:"zone,omitempty" jsonschema_description:"Where it was known to be last."`
	ZoneName  string       `json:"zone_name,omitempty"`
	ReadPoint string       `json:"read_point,omitempty" jsonschema_description:"What heard it last."`
	LastHeard *time.Time   `json:"last_heard_at,omitempty"`
}

// MissingPieces is how many pieces of a product a delivery lacks by its papers.
type MissingPieces struct {
	GTIN    string       `json:"gtin"`
	Product *ProductView `json:"product,omitempty"`
	Pieces  int          `json:"pieces"`
}

// MissingItems is one page of what a count expects and did not hear, in order of identity.
type MissingItems struct {
	Count    string          `json:"count"`
	Items    []MissingItem   `json:"items"`
	Products []MissingPieces `json:"products,omitempty" jsonschema_description:"Of a delivery whose papers say how many of a product there are: what is lacking."`
	Caution  string          `json:"caution"`
	Next     string          `json:"next,omitempty"`
}

// mediaText is a list of identities, one a line.
const mediaText = "text/plain"

// formText is such a list.
var formText = form{".txt", mediaText}

// pageOf cuts the page of a list that the caller asks for; a table has all of it.
func pageOf[T any](c *kit.Call, f form, list []T) (page []T, next string, err error) {
	from, _, err := c.IntCursor(0)
	if err != nil || f.media != kit.MediaJSON {
		return list, "", err
	}
	list = list[min(max(from, 0), int64(len(list))):]
	if n := c.Int("limit"); len(list) > n {
		return list[:n], kit.EncodeCursor(fmt.Sprint(from + int64(n))), nil
	}
	return list, "", nil
}

// answerIdentities answers with one identity a line.
func answerIdentities(c *kit.Call, file string, identities []string) error {
	var b bytes.Buffer
	for _, s := range identities {
		b.WriteString(s)
		b.WriteByte('\n')
	}
	c.Response().Header().Set("Content-Disposition", `attachment; filename="`+file+`.txt"`)
	return c.Blob(http.StatusOK, mediaText+"; charset=utf-8", b.Bytes())
}

// foundTag is a tag that a count found; the zone is known while its tallies are kept.
type foundTag struct {
	key  epc.Key
	text string
	zone string
}

// foundTags lists what a count found so far, each tag once.
func (h countRoutes) foundTags(c *kit.Call, rec *event.Count) (tags []foundTag, err error) {
	kept := false
	err = h.view(c, func(st *engine.State) error {
		var heard []foundTag
		list, ok := st.CountHeard(rec.ID)
		for i := range list {
			heard = append(heard, foundTag{list[i].Key, list[i].Words(), st.ZoneID(list[i].Zone)})
		}
		tags, kept = heard, ok
		return nil
	})
	if err != nil || kept && rec.Status != event.CountClosed {
		return tags, err
	}
	res, err := h.storedResult(c, rec.ID)
	if err != nil || res == nil {
		return nil, err
	}
	zones := make(map[epc.Key]foundTag, len(tags))
	for _, t := range tags {
		zones[t.key] = t
	}
	tags = make([]foundTag, len(res.Found))
	for i, k := range res.Found {
		tags[i] = foundTag{k, zones[k].text, zones[k].zone}
	}
	return tags, nil
}

// countedItems answers with the items that a count found, or found so far.
func (h countRoutes) countedItems(c *kit.Call, f form) error {
	rec, err := h.storedCount(c, c.PathParam("id"))
	if err != nil {
		return err
	}
	tags, err := h.foundTags(c, &rec)
	if err != nil {
		return err
	}
	answer := CountedItems{Count: rec.ID}
	if tags, answer.Next, err = pageOf(c, f, tags); err != nil {
		return err
	}
	answer.Items = make([]CountedItem, 0, len(tags))
	blind := blindTo(c, &rec)
	err = h.view(c, func(st *engine.State) error {
		for _, t := range tags {
			v := countedItem(st, &t)
			if !blind {
				_, named := slices.BinarySearchFunc(rec.Expected, t.key, epc.Key.Compare)
				v.Expected = &named
			}
			answer.Items = append(answer.Items, v)
		}
		return nil
	})
	if err != nil {
		return err
	}
	switch f.media {
	case kit.MediaJSON:
		return c.JSON(http.StatusOK, answer)
	case mediaText:
		list := make([]string, len(tags))
		for i, it := range answer.Items {
			list[i] = it.Item
		}
		return answerIdentities(c, rec.ID+"-items", list)
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	t := sheet.Table{
		Name: "Items of a count", Site: lay.Name, Zone: lay.Location(), At: h.opt.Now(),
		Columns: []sheet.Column{
			{Name: "Item", Key: "item", Width: 34}, {Name: "GTIN", Key: "gtin"}, {Name: "SKU", Key: "sku"},
			{Name: "Product", Key: "product", Width: 30}, {Name: "Expected", Key: "expected"}, {Name: "Zone", Key: "zone"},
		},
	}
	if rec.Status == event.CountClosed {
		v, err := h.closedCount(c, "", "")
		if err != nil {
			return err
		}
		t.At, t.Notes = v.Result.Closed, v.notes(lay)
	}
	rows := make([][]sheet.Cell, len(answer.Items))
	for i := range answer.Items {
		it := &answer.Items[i]
		sku, name := productTexts(it.Product)
		expected := sheet.Cell{}
		if it.Expected != nil {
			expected = yes(*it.Expected)
		}
		rows[i] = []sheet.Cell{sheet.Text(it.Item), sheet.Text(it.GTIN), sheet.Text(sku), sheet.Text(name), expected, sheet.Text(it.Zone)}
	}
	t.Rows = sheet.Rows(rows...)
	return answerTable(c, f.media, rec.ID+"-items", t)
}

func productTexts(p *ProductView) (sku, name string) {
	if p == nil {
		return "", ""
	}
	return p.SKU, p.Name
}

// countedItem returns a tag that a count found as answers show it; what a count heard so far need not
// be an item yet.
func countedItem(st *engine.State, t *foundTag) CountedItem {
	it := knownItem(st, t.key, t.text)
	return CountedItem{Item: it.Text, GTIN: event.GTINText(it.GTIN), Zone: t.zone, Product: productOf(st.Config().Catalog, it.GTIN)}
}

// knownItem returns an item, or what its tag says of it where the site does not know it.
func knownItem(st *engine.State, k epc.Key, text string) engine.ItemInfo {
	it, known := st.Item(k)
	if !known {
		it.Text = event.KeyText(k, text)
		it.GTIN, _ = k.GTIN14()
	}
	return it
}

// missingItems answers with what a count expects and did not hear: while it is open, so far.
func (h countRoutes) missingItems(c *kit.Call, f form) error {
	rec, err := h.storedCount(c, c.PathParam("id"))
	if err != nil {
		return err
	}
	if blindTo(c, &rec) {
		return kit.Problemf(codeBlind, "The count is blind: what is missing is shown once it is closed.")
	}
	tags, lines, err := h.missingTags(c, &rec)
	if err != nil {
		return err
	}
	answer := MissingItems{Count: rec.ID, Caution: event.Notice}
	if tags, answer.Next, err = pageOf(c, f, tags); err != nil {
		return err
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	answer.Items = make([]MissingItem, 0, len(tags))
	err = h.view(c, func(st *engine.State) error {
		for _, k := range tags {
			it := knownItem(st, k, "")
			v := MissingItem{Item: it.Text, GTIN: event.GTINText(it.GTIN), Zone: it.Zone, ReadPoint: it.Point, LastHeard: moment(it.Seen),
				Product: productOf(st.Config().Catalog, it.GTIN)}
			if v.Zone == "" {
				v.Zone = it.From
			}
			v.ZoneName = zoneName(lay, v.Zone)
			answer.Items = append(answer.Items, v)
		}
		for _, l := range lines {
			answer.Products = append(answer.Products, MissingPieces{GTIN: event.GTINText(l.GTIN), Pieces: l.Count, Product: productOf(st.Config().Catalog, l.GTIN)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	switch f.media {
	case kit.MediaJSON:
		return c.JSON(http.StatusOK, answer)
	case mediaText:
		list := make([]string, len(answer.Items))
		for i, it := range answer.Items {
			list[i] = it.Item
		}
		return answerIdentities(c, rec.ID+"-missing", list)
	}
	t := sheet.Table{
		Name: "Missing items of a count", Site: lay.Name, Zone: lay.Location(), At: h.opt.Now(), Notes: []string{event.Notice},
		Columns: []sheet.Column{
			{Name: "Item", Key: "item", Width: 34}, {Name: "GTIN", Key: "gtin"}, {Name: "SKU", Key: "sku"},
			{Name: "Product", Key: "product", Width: 30}, {Name: "Zone", Key: "zone"}, {Name: "Last heard", Key: "last_heard_at", Kind: sheet.KindTime},
			{Name: "Read point", Key: "read_point"},
		},
	}
	rows := make([][]sheet.Cell, len(answer.Items))
	for i := range answer.Items {
		it := &answer.Items[i]
		sku, name := productTexts(it.Product)
		heard := sheet.Cell{}
		if it.LastHeard != nil {
			heard = sheet.Time(*it.LastHeard)
		}
		rows[i] = []sheet.Cell{sheet.Text(it.Item), sheet.Text(it.GTIN), sheet.Text(sku), sheet.Text(name), sheet.Text(it.ZoneName), heard,
			sheet.Text(it.ReadPoint)}
	}
	t.Rows = sheet.Rows(rows...)
	return answerTable(c, f.media, rec.ID+"-missing", t)
}

// missingTags lists what a count expects and did not hear, so far or by its result.
func (h countRoutes) missingTags(c *kit.Call, rec *event.Count) (tags []epc.Key, lines []event.Line, err error) {
	if rec.Status != event.CountClosed {
		err = h.view(c, func(st *engine.State) error {
			tags, lines, _ = st.CountUnheard(rec.ID)
			return nil
		})
		return tags, lines, err
	}
	res, err := h.storedResult(c, rec.ID)
	if err != nil || res == nil {
		return nil, nil, err
	}
	for i := range res.Differences {
		if missed(res.Differences[i].Finding) {
			tags = append(tags, res.Differences[i].Key)
		}
	}
	for _, l := range res.Products {
		if rec.Delivery && l.Expected > l.Found && slices.ContainsFunc(rec.Papers, func(p event.Line) bool { return p.GTIN == l.GTIN }) {
			lines = append(lines, event.Line{GTIN: l.GTIN, Count: l.Expected - l.Found})
		}
	}
	slices.SortFunc(tags, epc.Key.Compare)
	return tags, lines, nil
}
