package api

import (
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
)

// FactView is a fact as answers show it.
type FactView struct {
	ID          string             `json:"id" jsonschema_description:"Milliseconds of the site clock, and a number within the millisecond. Ids of a site only grow."`
	Entry       uint64             `json:"sequence" jsonschema_description:"Number of the journal entry that it came of."`
	Cause       string             `json:"cause" jsonschema_extras:"words=cause" jsonschema_description:"What happened."`
	At          time.Time          `json:"at" jsonschema_description:"When it happened."`
	Item        string             `json:"item,omitempty" jsonschema_description:"The item's identity in words."`
	GTIN        string             `json:"gtin,omitempty"`
	Disposition string             `json:"disposition,omitempty" jsonschema_extras:"words=disposition" jsonschema_description:"The item's business state, in the terms of the GS1 Core Business Vocabulary."`
	Zone        string             `json:"zone,omitempty" jsonschema_description:"Where the item is now; of stock: the zone that was counted."`
	From        string             `json:"from,omitempty" jsonschema_description:"Where it was before."`
	ReadPoint   string             `json:"read_point,omitempty" jsonschema_description:"The read point that reported."`
	Ref         string             `json:"ref,omitempty" jsonschema_description:"The business document."`
	Passage     *event.PassageView `json:"passage,omitempty"`
	Near        *event.NearView    `json:"near,omitempty" jsonschema_description:"Of an item that lingers near a door, or no longer does: how long and how strongly the door heard it."`
	Count       *int               `json:"count,omitempty" jsonschema_description:"Of stock: the product's items in the zone now. Of a count that closed: the tags that it found."`
	Expected    *int               `json:"expected,omitempty" jsonschema_description:"Of a count that closed: what should have been there."`
	Missing     *int               `json:"missing,omitempty" jsonschema_description:"What of it was not found."`
	Unexpected  *int               `json:"unexpected,omitempty" jsonschema_description:"What was found besides."`
	OtherSite   *OtherSiteView     `json:"other_site,omitempty" jsonschema_description:"Of other_shop: the shop of the same store that has the item; without an id, none has it any more."`
	Stocktake   *StocktakeView     `json:"stocktake,omitempty" jsonschema_description:"Of a count that closed, or of a zone that is overdue or was counted at last: what else rules see."`
}

// OtherSiteView is another shop of the same store.
type OtherSiteView struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// StocktakeView is what rules see of a fact about a count, beside its numbers of items.
type StocktakeView struct {
	Zones       []string `json:"zones,omitempty"`
	Delivery    bool     `json:"delivery,omitempty"`
	Short       int      `json:"short,omitempty" jsonschema_description:"Of a delivery: pieces fewer than the papers say, each product for itself."`
	Over        int      `json:"over,omitempty" jsonschema_description:"More than they say."`
	Wrong       int      `json:"wrong,omitempty" jsonschema_description:"Pieces of products that they do not name."`
	MostShort   int      `json:"most_short,omitempty" jsonschema_description:"Pieces fewer than expected of the product that lacks most."`
	MostShortOf string   `json:"most_short_of,omitempty" jsonschema_description:"Its GTIN."`
	Overdue     bool     `json:"overdue,omitempty"`
	Days        int      `json:"days,omitempty" jsonschema_description:"Since the zone was counted last, or is planned."`
}

func factView(f *event.Fact) FactView {
	v := FactView{
		ID: f.ID(), Entry: f.Seq, Cause: f.Cause.String(), At: time.UnixMilli(f.At).UTC(), Item: f.Name(), GTIN: event.GTINText(f.GTIN),
		Zone: f.Zone, From: f.From, ReadPoint: f.Point, Ref: f.Ref, Passage: f.Passage.View(), Near: f.Near(),
	}
	if v.Item != "" {
		v.Disposition = f.Disp.String()
	}
	if t := f.Stocktake; t != nil {
		v.Stocktake = &StocktakeView{t.Zones, t.Delivery, t.Short, t.Over, t.Wrong, t.MostShort, event.GTINText(t.MostShortOf), t.Overdue, t.Days}
	}
	if o := f.Other; o != nil {
		v.OtherSite = &OtherSiteView{o.ID, o.Name}
	}
	switch f.Cause {
	case event.Stock:
		v.Count = new(f.Count)
	case event.Counted:
		v.Count, v.Expected, v.Missing, v.Unexpected = new(f.Count), new(f.Expected), new(f.MissingItems), new(f.Unexpected)
	}
	return v
}

func factViews(facts []event.Fact) []FactView {
	views := make([]FactView, len(facts))
	for i := range facts {
		views[i] = factView(&facts[i])
	}
	return views
}

// AlertChangeView is one change of an alert, with the alert as it was then.
type AlertChangeView struct {
	Change string          `json:"change" jsonschema_extras:"words=change"`
	Alert  event.AlertView `json:"alert"`
}

// ProductView is what answers about items and stock say of a product.
type ProductView struct {
	GTIN     string  `json:"gtin"`
	SKU      string  `json:"sku,omitempty"`
	Name     string  `json:"name,omitempty"`
	Category string  `json:"category,omitempty"`
	Price    float64 `json:"price,omitempty"`
}

func productView(p *catalog.Product) *ProductView {
	return &ProductView{GTIN: event.GTINText(p.GTIN), SKU: p.SKU, Name: p.Name, Category: p.Category, Price: p.Price}
}

// productOf returns the product with a GTIN, nil if it is not in the list.
func productOf(products *catalog.Catalog, gtin uint64) *ProductView {
	if i, ok := products.ByGTIN(gtin); ok && gtin != 0 {
		return productView(products.At(i))
	}
	return nil
}

// ItemView is an item as answers show it.
type ItemView struct {
	Item        string       `json:"item" jsonschema_description:"Its identity in words: a GS1 element string, or the URI of what is no GS1 EPC."`
	GTIN        string       `json:"gtin,omitempty"`
	Product     *ProductView `json:"product,omitempty" jsonschema_description:"Left out if the product list does not have it."`
	Disposition string       `json:"disposition" jsonschema_extras:"words=disposition"`
	Zone        string       `json:"zone,omitempty" jsonschema_description:"Where it is; left out if that is not known."`
	From        string       `json:"from,omitempty"`
	ReadPoint   string       `json:"read_point,omitempty" jsonschema_description:"The read point that last heard it."`
	Since       *time.Time   `json:"since,omitempty" jsonschema_description:"When it came to where it is."`
	Seen        *time.Time   `json:"last_seen,omitempty"`
	Declared    bool         `json:"declared" jsonschema_description:"A person or a till said where it is; otherwise the readers did."`
	Foreign     bool         `json:"foreign" jsonschema_description:"The tag is not this shop's."`
	Forms       *ItemForms   `json:"forms,omitempty" jsonschema_description:"Its identity in other forms; only for a single item."`
}

// ItemForms are other ways to write an identity.
type ItemForms struct {
	PureIdentityURI string `json:"pure_identity_uri,omitempty"`
	DigitalLink     string `json:"digital_link,omitempty"`
	Serial          string `json:"serial,omitempty"`
}

func itemView(it *engine.ItemInfo, products *catalog.Catalog) ItemView {
	v := ItemView{
		Item: it.Text, GTIN: event.GTINText(it.GTIN), Disposition: it.Disposition.String(), Zone: it.Zone,
		From: it.From, ReadPoint: it.Point,
		Since: moment(it.Since), Seen: moment(it.Seen), Declared: it.Declared, Foreign: it.Foreign,
	}
	if it.Product >= 0 {
		v.Product = productView(products.At(it.Product))
	}
	return v
}

func itemForms(words string) *ItemForms {
	id, err := epc.Parse(words)
	if err != nil {
		return nil
	}
	return &ItemForms{PureIdentityURI: id.PureIdentityURI(), DigitalLink: id.DigitalLink(), Serial: id.Serial()}
}
