package api

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// productRoutes are the routes about products.
type productRoutes struct{ documents }

func (h productRoutes) table() []kit.Route {
	write := func(method, name, summary string, merge bool) kit.Route {
		params, codes := []kit.Param{paramDryRun, paramNote, ifMatch, ifNoneMatch}, savedCodes
		if !merge {
			params, codes = append(params, paramRemoval), append([]kit.Code{codeRemoval}, codes...)
		}
		return kit.Route{
			Method: method, Path: "/v1/products", Name: name, Group: "Documents", Summary: summary,
			About:  "Everything that is wrong is listed by row, and then nothing is stored. Zones that no site has are warnings.",
			Scopes: author, AllSites: true, Long: true, Keyed: method == "POST",
			Params:  params,
			Body:    []kit.Content{{MediaType: kit.MediaJSON, Schema: productsDocument{}}, {MediaType: mediaCSV}},
			Answers: savedAnswers(ProductsSaved{}, DryRun{}), Headers: withETag, Codes: codes,
			Handle: func(c *kit.Call) error { return h.takeProducts(c, merge) },
		}
	}
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/products", Name: "getProducts", Group: "Documents", Summary: "Get the products",
			Scopes: readers, Long: true, Params: []kit.Param{paramVersion, paramFormat, ifNoneMatch},
			Answers: []kit.Answer{kit.Reply(200, "The products.", kit.As(kit.MediaJSON, productsDocument{}),
				kit.As(mediaCSV, nil)), notChanged}, Headers: append(slices.Clip(withVersion), headerFile),
			Codes: []kit.Code{codeUnknownDocument, kit.CodeNotAcceptable}, Handle: h.getProducts,
		},
		write("PUT", "putProducts", "Replace the products", false),
		write("PATCH", "patchProducts", "Add products, and replace those that are there", true),
		write("POST", "mergeProducts", "Add products, and replace those that are there", true),
	}, h.versioned("/v1/products", "product", "products", named(engine.ProductsDocument), diffProducts)...)
}

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

func (h productRoutes) getProducts(c *kit.Call) error {
	form, err := c.Accepts(kit.MediaJSON, mediaCSV)
	if err != nil {
		return err
	}
	d, done, err := h.document(c, engine.ProductsDocument)
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
			return kit.Problemf(kit.CodeNotAcceptable, "The products don't fit into CSV: %v. Ask for JSON.", err)
		}
		b, form = buf.Bytes(), mediaCSV+"; charset=utf-8; header=present"
		c.Response().Header().Set("Content-Disposition", `attachment; filename="products.csv"`)
	} else if b, err = products.MarshalJSON(); err != nil {
		return err
	}
	return c.Blob(http.StatusOK, form, b)
}

func (h productRoutes) takeProducts(c *kit.Call, merge bool) error {
	media, err := c.WantType(kit.MediaJSON, mediaCSV)
	if err != nil {
		return err
	}
	dry := c.Flag("dry_run")
	expect, err := h.expectation(c, engine.ProductsDocument)
	if err != nil {
		return err
	}
	given, err := h.parseProducts(c, media)
	if err != nil {
		return err
	}
	warnings, err := h.unknownZones(c, given)
	if err != nil {
		return err
	}
	for try := 0; ; try++ {
		version, before, err := h.presentProducts(c)
		if err != nil {
			return err
		}
		after := given
		if merge {
			after = before.Merge(given)
		}
		diff := countChanges(before, after)
		diff.Rows = given.Len()
		if dry {
			if 2*diff.Removed > before.Len() {
				warnings = append(warnings, removalWarning("products", diff.Removed, before.Len()))
			}
			return c.JSON(http.StatusOK, DryRun{OK: true, Products: &diff, Warnings: warnings})
		}
		if err := removes(c, "products", diff.Removed, before.Len()); err != nil {
			return err
		}
		want := expect
		if merge && expect < 0 {
			want = version // what was merged into must still be there
		}
		saved, err := h.saveProducts(c, after, want)
		if errors.Is(err, store.ErrConflict) && expect < 0 && try < 10 {
			continue
		}
		if err != nil {
			return err
		}
		saved.Warnings = warnings
		return answerSaved(c, saved, ProductsSaved{Saved: saved, Products: diff})
	}
}

// parseProducts reads the body. Everything that is wrong with it is listed, and then nothing is
// taken: half a list would pass for a whole one.
func (h productRoutes) parseProducts(c *kit.Call, media string) (*catalog.Catalog, error) {
	var products *catalog.Catalog
	var found doc.Errors
	body, err := c.ReadBody(h.opt.ProductsLimit)
	if err != nil {
		return nil, err
	}
	defer body.Release()
	err = c.Parse(func() error {
		if media == mediaCSV {
			products, found = catalog.ParseCSV(bytes.NewReader(body.B), catalog.CSVOptions{})
		} else {
			products, found = catalog.ParseJSON(body.B)
		}
		return nil
	})
	if err != nil || len(found) == 0 {
		return products, err
	}
	return nil, kit.Problemf(kit.CodeInvalidDocument, "The products have %d problems. Nothing was stored.",
		found.Count()).With("errors", found).With("good_rows", products.Len())
}

func (h productRoutes) presentProducts(c *kit.Call) (int, *catalog.Catalog, error) {
	d, err := h.store.GetDocument(c.Ctx(), engine.ProductsDocument, 0)
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

func (h productRoutes) saveProducts(c *kit.Call, products *catalog.Catalog, expect int) (Saved, error) {
	b, err := products.AppendBinary(nil)
	if err != nil {
		return Saved{}, err
	}
	if len(b) > store.MaxValue {
		return Saved{}, kit.Problemf(kit.CodeBodyTooLarge, "The products take %d bytes, at most %d can be stored.", len(b), store.MaxValue).
			With("limit", store.MaxValue)
	}
	return h.save(c, engine.ProductsDocument, b, expect)
}

func countChanges(before, after *catalog.Catalog) ProductDiff {
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
func (h documents) unknownZones(c *kit.Call, products *catalog.Catalog) ([]string, error) {
	layouts, err := h.allLayouts(c.Ctx())
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
