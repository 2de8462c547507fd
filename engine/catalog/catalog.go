package catalog

import (
	"slices"
	"strings"
	"sync"
)

// Limits on what a catalog accepts.
const (
	MaxFieldBytes = 1 << 10   // of one text: a name, a SKU, an attribute's value
	MaxAttributes = 64        // of one product, and of one CSV header
	MaxFileBytes  = 200 << 20 // of one CSV or JSON file
	MaxErrors     = 1000      // that are kept of one file; the rest is counted
	MaxPieces     = 1_000_000 // of a minimum or maximum
	MaxPrice      = 1e9
	MaxProducts   = 2_000_000

	maxRows = MaxProducts + MaxErrors // that are looked at, good or bad
	maxList = 64                      // home zones or limits of one product
)

// Product is what an item is an instance of. Products of a catalog are shared: don't change them.
type Product struct {
	GTIN       uint64 // the digits of the GTIN-14 as a number, check digit included
	SKU        string // the shop's own number, may be empty; several products may share it
	Name       string
	Category   string
	Price      float64  // in the shop's currency; 0: not known
	HomeZones  []string // ids of the zones where it belongs, best first
	Limits     []Limit  // each place once
	Attributes map[string]string
}

// Limit is how many pieces of a product should be in one place. Exactly one of Zone and Kind is
// set.
type Limit struct {
	Zone           string // a zone's id
	Kind           string // or the name of a kind: all zones of this kind, taken together
	Min, Max       int
	HasMin, HasMax bool // whether Min, Max mean anything. Max 0 with HasMax: none should be there
}

// Place returns the zone's id or the kind's name.
func (l Limit) Place() string {
	if l.Zone != "" {
		return l.Zone
	}
	return l.Kind
}

// Catalog is an immutable list of products. Its zero value is empty and ready to use.
type Catalog struct {
	products []Product
	byGTIN   map[uint64]int32

	skuOnce sync.Once
	bySKU   []int32 // indexes of the products that have a SKU, by SKU and then index; built when first asked for
}

// Len returns the number of products.
func (c *Catalog) Len() int { return len(c.products) }

// At returns product i, 0 <= i < Len. It must not be changed.
func (c *Catalog) At(i int) *Product { return &c.products[i] }

// ByGTIN returns the index of the product with that GTIN.
func (c *Catalog) ByGTIN(gtin uint64) (int, bool) {
	i, ok := c.byGTIN[gtin]
	return int(i), ok
}

// BySKU returns the indexes of the products with that SKU, ascending: one SKU often covers several
// GTINs (a reprint, an old barcode).
func (c *Catalog) BySKU(sku string) []int {
	if sku == "" {
		return nil
	}
	c.skuOnce.Do(func() {
		for i := range c.products {
			if c.products[i].SKU != "" {
				c.bySKU = append(c.bySKU, int32(i))
			}
		}
		slices.SortFunc(c.bySKU, func(a, b int32) int {
			if d := strings.Compare(c.products[a].SKU, c.products[b].SKU); d != 0 {
				return d
			}
			return int(a - b)
		})
	})
	at, _ := slices.BinarySearchFunc(c.bySKU, sku, func(i int32, sku string) int { return strings.Compare(c.products[i].SKU, sku) })
	var found []int
	for ; at < len(c.bySKU) && c.products[c.bySKU[at]].SKU == sku; at++ {
		found = append(found, int(c.bySKU[at]))
	}
	return found
}

// Merge returns a catalog with the products of c, each replaced as a whole by other's product of
// the same GTIN, and then other's new products. So every product of c keeps its index. Neither c
// nor other is changed.
func (c *Catalog) Merge(other *Catalog) *Catalog {
	merged := &Catalog{
		products: make([]Product, len(c.products), len(c.products)+len(other.products)),
		byGTIN:   make(map[uint64]int32, len(c.products)+len(other.products)),
	}
	copy(merged.products, c.products)
	for i := range merged.products {
		merged.byGTIN[merged.products[i].GTIN] = int32(i)
	}
	for i := range other.products {
		merged.put(other.products[i])
	}
	return merged
}

func (c *Catalog) put(p Product) {
	if i, ok := c.byGTIN[p.GTIN]; ok {
		c.products[i] = p
		return
	}
	c.add(p)
}

func (c *Catalog) add(p Product) {
	if c.byGTIN == nil {
		c.byGTIN = map[uint64]int32{}
	}
	c.byGTIN[p.GTIN] = int32(len(c.products))
	c.products = append(c.products, p)
}
