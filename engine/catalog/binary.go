package catalog

import (
	"errors"
	"fmt"
	"math"

	"github.com/tinylib/msgp/msgp"
)

// The binary form is MessagePack: an array of the version, four tables of what products share, and
// the products.
//
//	[version, strings, home zone lists, limit lists, attribute sets, products]
//
// Tables hold indexes into strings; entry 0 of each is the empty one and is not written. A product
// is eight values in the one flat array, without a header of its own: GTIN, SKU, name, category,
// price, and the index of its home zones, limits and attributes. A price is a whole number of
// hundredths, or a float where that would not be exact.
const (
	binaryVersion = 1
	productValues = 8
)

// tables gives out the indexes of what products share.
type tables struct {
	strings, lists, limits, sets map[string]int
	b                            [4][]byte // their encodings, in order of index
	key                          []byte
}

func (t *tables) string(s string) int {
	if s == "" {
		return 0
	}
	i, ok := t.strings[s]
	if !ok {
		i = len(t.strings) + 1
		t.strings[s] = i
		t.b[0] = msgp.AppendString(t.b[0], s)
	}
	return i
}

// shared finds the encoding in t.key in a table, or adds it.
func (t *tables) shared(table int, in map[string]int) int {
	i, ok := in[string(t.key)]
	if !ok {
		i = len(in) + 1
		in[string(t.key)] = i
		t.b[table] = append(t.b[table], t.key...)
	}
	return i
}

func (t *tables) homeZones(list []string) int {
	if len(list) == 0 {
		return 0
	}
	t.key = msgp.AppendArrayHeader(t.key[:0], uint32(len(list)))
	for _, id := range list {
		t.key = msgp.AppendInt(t.key, t.string(id))
	}
	return t.shared(1, t.lists)
}

func (t *tables) limitsOf(list []Limit) int {
	if len(list) == 0 {
		return 0
	}
	t.key = msgp.AppendArrayHeader(t.key[:0], uint32(3*len(list)))
	for _, l := range list { // an absent bound is -1
		t.key = msgp.AppendInt(t.key, t.string(l.Place()))
		for _, bound := range [...]struct {
			n   int
			has bool
		}{{l.Min, l.HasMin}, {l.Max, l.HasMax}} {
			if !bound.has {
				bound.n = -1
			}
			t.key = msgp.AppendInt(t.key, bound.n)
		}
	}
	return t.shared(2, t.limits)
}

func (t *tables) attributes(set map[string]string) int {
	if len(set) == 0 {
		return 0
	}
	list := sorted(set)
	t.key = msgp.AppendArrayHeader(t.key[:0], uint32(2*len(list)))
	for _, a := range list {
		t.key = msgp.AppendInt(t.key, t.string(a.name))
		t.key = msgp.AppendInt(t.key, t.string(a.value))
	}
	return t.shared(3, t.sets)
}

// maxStored is how many products the binary form holds: a merged catalog may be larger than one
// file.
const maxStored = 4 * MaxProducts

// AppendBinary appends the binary form of the catalog to b. Equal catalogs give equal bytes. It
// fails only for more than 8,000,000 products.
func (c *Catalog) AppendBinary(b []byte) ([]byte, error) {
	if len(c.products) > maxStored {
		return b, fmt.Errorf("the catalog has %d products; at most %d can be stored", len(c.products), maxStored)
	}
	t := tables{strings: map[string]int{}, lists: map[string]int{}, limits: map[string]int{}, sets: map[string]int{}}
	var products []byte
	for i := range c.products {
		p := &c.products[i]
		products = msgp.AppendUint64(products, p.GTIN)
		products = msgp.AppendString(products, p.SKU)
		products = msgp.AppendString(products, p.Name)
		products = msgp.AppendInt(products, t.string(p.Category))
		products = appendPrice(products, p.Price)
		products = msgp.AppendInt(products, t.homeZones(p.HomeZones))
		products = msgp.AppendInt(products, t.limitsOf(p.Limits))
		products = msgp.AppendInt(products, t.attributes(p.Attributes))
	}
	b = msgp.AppendArrayHeader(b, 6)
	b = msgp.AppendInt(b, binaryVersion)
	for i, n := range []int{len(t.strings), len(t.lists), len(t.limits), len(t.sets)} {
		b = append(msgp.AppendArrayHeader(b, uint32(n)), t.b[i]...)
	}
	return append(msgp.AppendArrayHeader(b, uint32(productValues*len(c.products))), products...), nil
}

// exactHundredths is the largest number of hundredths that a price is written as.
const exactHundredths = MaxPrice * 100

func appendPrice(b []byte, x float64) []byte {
	if n := math.Round(x * 100); n <= exactHundredths && n/100 == x {
		return msgp.AppendInt64(b, int64(n))
	}
	return msgp.AppendFloat64(b, x)
}

// ParseBinary reads what AppendBinary wrote. The catalog does not keep b.
func ParseBinary(b []byte) (*Catalog, error) {
	d := decoder{all: string(b), b: b} // one copy that all texts are cut from
	c := d.catalog()
	if d.err != nil {
		return nil, fmt.Errorf("catalog, byte %d: %w", len(b)-len(d.b), d.err)
	}
	return c, nil
}

// decoder reads values one after another and remembers the first error.
type decoder struct {
	all string
	b   []byte
	err error

	strings []string
}

func (d *decoder) fail(format string, args ...any) {
	if d.err == nil {
		d.err = fmt.Errorf(format, args...)
	}
}

func next[T any](d *decoder, read func([]byte) (T, []byte, error)) T {
	var zero T
	if d.err != nil {
		return zero
	}
	v, rest, err := read(d.b)
	if err != nil {
		d.err = err
		return zero
	}
	d.b = rest
	return v
}

// array returns a length that the bytes that are left could hold, so that a false one costs no
// memory.
func (d *decoder) array(what string, atMost int) int {
	n := int(next(d, msgp.ReadArrayHeaderBytes))
	if d.err == nil && (n > len(d.b) || n > atMost) {
		d.fail("%d %s cannot be", n, what)
	}
	if d.err != nil {
		return 0
	}
	return n
}

func (d *decoder) string() string {
	v := next(d, msgp.ReadStringZC)
	end := len(d.all) - len(d.b)
	if d.err == nil && len(v) > MaxFieldBytes {
		d.fail("a text of %d bytes is too long", len(v))
	}
	if d.err != nil {
		return ""
	}
	return d.all[end-len(v) : end]
}

// index returns an index into a table with n entries, 0 for the empty one.
func (d *decoder) index(n int) int {
	i := next(d, msgp.ReadIntBytes)
	if d.err == nil && (i < 0 || i >= n) {
		d.fail("index %d is outside its table of %d", i, n)
	}
	if d.err != nil {
		return 0
	}
	return i
}

func (d *decoder) shared() string { return d.strings[d.index(len(d.strings))] }

// table reads entries behind an empty one.
func table[T any](d *decoder, what string, read func() T) []T {
	n := d.array(what, math.MaxInt32)
	list := make([]T, 1, n+1)
	for i := 0; i < n && d.err == nil; i++ {
		list = append(list, read())
	}
	return list
}

func (d *decoder) catalog() *Catalog {
	if n := d.array("parts", math.MaxInt32); d.err == nil && n != 6 {
		d.fail("has %d parts, want 6", n)
	}
	if v := next(d, msgp.ReadIntBytes); d.err == nil && v != binaryVersion {
		d.fail("has version %d, and this program reads version %d", v, binaryVersion)
	}
	d.strings = table(d, "strings", d.string)
	lists := table(d, "home zones", d.homeZones)
	limits := table(d, "limits", d.limitsOf)
	sets := table(d, "attributes", d.attributes)

	n := d.array("values", maxStored*productValues)
	if n%productValues != 0 {
		d.fail("%d values are no whole number of products", n)
	}
	if d.err != nil {
		return nil
	}
	n /= productValues
	c := &Catalog{products: make([]Product, n), byGTIN: make(map[uint64]int32, n)}
	for i := range c.products {
		p := &c.products[i]
		p.GTIN = next(d, msgp.ReadUint64Bytes)
		p.SKU, p.Name, p.Category = d.string(), d.string(), d.shared()
		p.Price = d.price()
		p.HomeZones, p.Limits, p.Attributes = lists[d.index(len(lists))], limits[d.index(len(limits))], sets[d.index(len(sets))]
		if d.err == nil && (p.GTIN == 0 || p.GTIN >= maxGTIN) {
			d.fail("%d is no GTIN", p.GTIN)
		}
		c.byGTIN[p.GTIN] = int32(i)
		if d.err == nil && len(c.byGTIN) != i+1 {
			d.fail("GTIN %s stands twice", formatGTIN(p.GTIN))
		}
		if d.err != nil {
			return nil
		}
	}
	if len(d.b) > 0 {
		d.err = errors.New("something follows after the end")
		return nil
	}
	return c
}

func (d *decoder) price() float64 {
	var x float64
	switch kind := msgp.NextType(d.b); {
	case d.err != nil:
		return 0
	case kind == msgp.Float64Type:
		x = next(d, msgp.ReadFloat64Bytes)
	default:
		x = float64(next(d, msgp.ReadInt64Bytes)) / 100
	}
	if d.err == nil && !(x >= minPrice && x <= MaxPrice || x == 0 && !math.Signbit(x)) {
		d.fail("%v is no price", x)
	}
	return x
}

func (d *decoder) homeZones() []string {
	list := make([]string, d.array("home zones", maxList))
	for i := range list {
		list[i] = d.shared()
	}
	return list
}

func (d *decoder) limitsOf() []Limit {
	n := d.array("values", 3*maxList)
	if n%3 != 0 {
		d.fail("%d values are no whole number of limits", n)
	}
	list := make([]Limit, n/3)
	for i := range list {
		l := placed(d.shared())
		bound := func() (int, bool) {
			n := next(d, msgp.ReadIntBytes)
			if d.err == nil && (n < -1 || n > MaxPieces) {
				d.fail("%d is no number of pieces", n)
			}
			if d.err != nil || n < 0 {
				return 0, false
			}
			return n, true
		}
		l.Min, l.HasMin = bound()
		l.Max, l.HasMax = bound()
		list[i] = l
	}
	return list
}

func (d *decoder) attributes() map[string]string {
	n := d.array("values", 2*MaxAttributes)
	if n%2 != 0 {
		d.fail("%d values are no whole number of attributes", n)
	}
	set := make(map[string]string, n/2)
	for range n / 2 {
		name := d.shared()
		set[name] = d.shared()
	}
	return set
}
