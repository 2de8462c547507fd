package api

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules/doc"
)

const mediaCSV = "text/csv"

// ProductDiff is what storing a list of products changes, or would change.
type ProductDiff struct {
	Rows      int `json:"rows" jsonschema_description:"Products that were sent."`
	Total     int `json:"total" jsonschema_description:"Products of the list afterwards."`
	Added     int `json:"added"`
	Changed   int `json:"changed"`
	Unchanged int `json:"unchanged"`
	Removed   int `json:"removed"`
}

// ProductsSaved is the answer to storing products.
type ProductsSaved struct {
	Saved
	Products ProductDiff `json:"products"`
}

func (c *call) getProducts() error {
	form, err := c.accepts(mediaJSON, mediaCSV)
	if err != nil {
		return err
	}
	d, done, err := c.document(engine.ProductsDocument)
	if err != nil || done {
		return err
	}
	products, err := catalog.ParseBinary(d.Body)
	if err != nil {
		return fmt.Errorf("products version %d: %w", d.Version, err)
	}
	var b []byte
	if form == mediaCSV {
		var buf bytes.Buffer
		if err := products.WriteCSV(&buf); err != nil {
			return problemf(codeNotAcceptable, "The products don't fit into CSV: %v. Ask for JSON.", err)
		}
		b, form = buf.Bytes(), mediaCSV+"; charset=utf-8; header=present"
		c.Response().Header().Set("Content-Disposition", `attachment; filename="products.csv"`)
	} else if b, err = products.MarshalJSON(); err != nil {
		return err
	}
	return c.Blob(http.StatusOK, form, b)
}

func (c *call) productVersions() error { return c.versions(engine.ProductsDocument) }

// putProducts replaces the list of products.
func (c *call) putProducts() error { return c.takeProducts(false) }

// mergeProducts adds products to the list, and replaces those that it has.
func (c *call) mergeProducts() error { return c.takeProducts(true) }

func (c *call) takeProducts(merge bool) error {
	media, err := c.wantType(mediaJSON, mediaCSV)
	if err != nil {
		return err
	}
	dry, err := c.flag("dry_run")
	if err != nil {
		return err
	}
	expect, err := c.expectation(engine.ProductsDocument)
	if err != nil {
		return err
	}
	given, err := c.parseProducts(media)
	if err != nil {
		return err
	}
	warnings, err := c.unknownZones(given)
	if err != nil {
		return err
	}
	for try := 0; ; try++ {
		version, before, err := c.presentProducts()
		if err != nil {
			return err
		}
		after := given
		if merge {
			after = before.Merge(given)
		}
		diff := diffProducts(before, after)
		diff.Rows = given.Len()
		if dry {
			return c.JSON(http.StatusOK, DryRun{OK: true, Products: &diff, Warnings: warnings})
		}
		want := expect
		if merge && expect < 0 {
			want = version // what was merged into must still be there
		}
		done, err := c.saveProducts(after, want, diff, warnings)
		if errors.Is(err, store.ErrConflict) {
			if expect < 0 && try < 10 {
				continue
			}
			return conflict(expect)
		}
		if err != nil || done {
			return err
		}
	}
}

// parseProducts reads the body. Everything that is wrong with it is listed, and then nothing is taken: half a list would pass for a whole one.
func (c *call) parseProducts(media string) (*catalog.Catalog, error) {
	var products *catalog.Catalog
	var found doc.Errors
	body, err := c.readBody(c.api.opt.ProductsLimit)
	if err != nil {
		return nil, err
	}
	defer body.release()
	if media == mediaCSV {
		products, found = catalog.ParseCSV(bytes.NewReader(body.b), catalog.CSVOptions{})
	} else {
		products, found = catalog.ParseJSON(body.b)
	}
	if len(found) == 0 {
		return products, nil
	}
	return nil, problemf(codeInvalidDocument, "The products have %d problems. Nothing was stored.", found.Count()).with("errors", found).with("good_rows", products.Len())
}

func (c *call) presentProducts() (int, *catalog.Catalog, error) {
	d, err := c.api.store.GetDocument(c.Request().Context(), engine.ProductsDocument, 0)
	if errors.Is(err, store.ErrNotFound) {
		return 0, &catalog.Catalog{}, nil
	}
	if err != nil {
		return 0, nil, unavailable(err)
	}
	products, err := catalog.ParseBinary(d.Body)
	if err != nil {
		return 0, nil, fmt.Errorf("products version %d: %w", d.Version, err)
	}
	return d.Version, products, nil
}

func (c *call) saveProducts(products *catalog.Catalog, expect int, diff ProductDiff, warnings []string) (done bool, err error) {
	note, err := c.noteParam()
	if err != nil {
		return false, err
	}
	b, err := products.AppendBinary(nil)
	if err != nil {
		return false, err
	}
	if len(b) > store.MaxValue {
		return false, problemf(codeBodyTooLarge, "The products take %d bytes, at most %d can be stored.", len(b), store.MaxValue).with("limit", store.MaxValue)
	}
	ctx := c.Request().Context()
	version, err := c.api.runner.SaveDocument(ctx, engine.ProductsDocument, b, c.key.Name, note, expect)
	if err != nil {
		if errors.Is(err, store.ErrConflict) {
			return false, err
		}
		return false, unavailable(err)
	}
	inEffect := c.api.settle(ctx, event.Pin{Doc: engine.ProductsDocument, Version: version})
	c.Response().Header().Set("ETag", etag(version))
	status := http.StatusOK
	if version == 1 {
		status = http.StatusCreated
	}
	return true, c.JSON(status, ProductsSaved{
		Saved: Saved{
			Document: engine.ProductsDocument, Version: version, At: c.api.opt.Now().UTC(), By: c.key.Name, Note: note, InEffect: inEffect, Warnings: warnings,
		},
		Products: diff,
	})
}

func diffProducts(before, after *catalog.Catalog) ProductDiff {
	d := ProductDiff{Total: after.Len()}
	kept := 0
	for i := range after.Len() {
		p := after.At(i)
		k, ok := before.ByGTIN(p.GTIN)
		switch {
		case !ok:
			d.Added++
			continue
		case sameProduct(before.At(k), p):
			d.Unchanged++
		default:
			d.Changed++
		}
		kept++
	}
	d.Removed = before.Len() - kept
	return d
}

func sameProduct(a, b *catalog.Product) bool {
	return a == b || a.GTIN == b.GTIN && a.SKU == b.SKU && a.Name == b.Name && a.Category == b.Category && a.Price == b.Price &&
		slices.Equal(a.HomeZones, b.HomeZones) && slices.Equal(a.Limits, b.Limits) && maps.Equal(a.Attributes, b.Attributes)
}

// unknownZones warns of zones that products name and no shop has.
func (c *call) unknownZones(products *catalog.Catalog) ([]string, error) {
	layouts, err := c.api.allLayouts(c.Request().Context())
	if err != nil {
		return nil, err
	}
	return unknownZones(products, layouts), nil
}

func unknownZones(products *catalog.Catalog, layouts []*layout.Layout) []string {
	var unknown []catalog.UnknownZone
	for i, l := range layouts {
		here := products.UnknownZones(l)
		if i == 0 {
			unknown = here
			continue
		}
		unknown = slices.DeleteFunc(unknown, func(u catalog.UnknownZone) bool {
			return !slices.ContainsFunc(here, func(h catalog.UnknownZone) bool { return h.Zone == u.Zone })
		})
	}
	var warnings []string
	for i, u := range unknown {
		if i == 50 {
			warnings = append(warnings, fmt.Sprintf("%d more zones that no site has", len(unknown)-i))
			break
		}
		w := fmt.Sprintf("%d products name the zone %q, which no site has", u.Products, u.Zone)
		if u.Nearest != "" {
			w += fmt.Sprintf("; did you mean %q?", u.Nearest)
		}
		warnings = append(warnings, w)
	}
	return warnings
}
