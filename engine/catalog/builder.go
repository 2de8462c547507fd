package catalog

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// builder makes a catalog product by product and keeps equal parts once. What it remembers for that
// is dropped with it.
type builder struct {
	c       *Catalog
	rows    []int32 // the row of each product, to name the first of two
	shared  map[string]string
	lists   map[string][]string
	limits  map[string][]Limit
	sets    map[string]map[string]string
	key     []byte // scratch
	arena   strings.Builder
	tooMany bool
}

func newBuilder() *builder {
	return &builder{
		c:      &Catalog{byGTIN: map[uint64]int32{}},
		shared: map[string]string{},
		lists:  map[string][]string{},
		limits: map[string][]Limit{},
		sets:   map[string]map[string]string{},
	}
}

// intern returns the one copy of a string that is likely to come again.
func (b *builder) intern(s string) string {
	if s == "" {
		return ""
	}
	if one, ok := b.shared[s]; ok {
		return one
	}
	s = b.keep(s)
	b.shared[s] = s
	return s
}

// keep copies a string that is likely to be unlike all others into a larger block, so that neither
// the text it was cut from stays in memory nor every product costs allocations. A block is never
// written again below its length, so the strings cut from it stay what they are.
func (b *builder) keep(s string) string {
	const block = 64 << 10
	if s == "" {
		return ""
	}
	if b.arena.Cap()-b.arena.Len() < len(s) {
		b.arena = strings.Builder{}
		b.arena.Grow(max(block, len(s)))
	}
	from := b.arena.Len()
	b.arena.WriteString(s)
	return b.arena.String()[from:]
}

// homeZones returns the one copy of a list of valid zone ids.
func (b *builder) homeZones(ids []string) []string {
	if len(ids) == 0 {
		return nil
	}
	b.key = b.key[:0]
	for _, id := range ids {
		b.key = append(append(b.key, id...), '|')
	}
	if list, ok := b.lists[string(b.key)]; ok {
		return list
	}
	list := make([]string, len(ids))
	for i, id := range ids {
		list[i] = b.intern(id)
	}
	b.lists[string(b.key)] = list
	return list
}

// limitsOf sorts limits by place and returns the one copy of them.
func (b *builder) limitsOf(limits []Limit) []Limit {
	if len(limits) == 0 {
		return nil
	}
	slices.SortFunc(limits, func(x, y Limit) int { return cmp.Compare(x.Place(), y.Place()) })
	b.key = b.key[:0]
	for _, l := range limits {
		b.key = append(append(b.key, l.Place()...), ':')
		if l.HasMin {
			b.key = strconv.AppendInt(b.key, int64(l.Min), 10)
		}
		b.key = append(b.key, ':')
		if l.HasMax {
			b.key = strconv.AppendInt(b.key, int64(l.Max), 10)
		}
		b.key = append(b.key, '|')
	}
	if list, ok := b.limits[string(b.key)]; ok {
		return list
	}
	list := slices.Clone(limits)
	for i := range list {
		list[i].Zone, list[i].Kind = b.intern(list[i].Zone), b.intern(list[i].Kind)
	}
	b.limits[string(b.key)] = list
	return list
}

type attribute struct{ name, value string }

// attributes returns the one copy of a set of attributes, which must be in order of name, each once
// and with a value.
func (b *builder) attributes(list []attribute) map[string]string {
	if len(list) == 0 {
		return nil
	}
	b.key = b.key[:0]
	for _, a := range list { // the lengths make the key unambiguous whatever the texts hold
		b.key = strconv.AppendInt(b.key, int64(len(a.name)), 10)
		b.key = append(append(b.key, '.'), a.name...)
		b.key = strconv.AppendInt(b.key, int64(len(a.value)), 10)
		b.key = append(append(b.key, '.'), a.value...)
	}
	if set, ok := b.sets[string(b.key)]; ok {
		return set
	}
	set := make(map[string]string, len(list))
	for _, a := range list {
		set[b.intern(a.name)] = b.intern(a.value)
	}
	b.sets[string(b.key)] = set
	return set
}

// sorted returns the attributes in order of name.
func sorted(set map[string]string) []attribute {
	list := make([]attribute, 0, len(set))
	for _, name := range slices.Sorted(maps.Keys(set)) {
		list = append(list, attribute{name, set[name]})
	}
	return list
}

// add takes a product whose parts come from this builder, unless its row was bad or its GTIN is
// there already.
func (b *builder) add(r *row, p Product) {
	if p.GTIN != 0 {
		if i, twice := b.c.byGTIN[p.GTIN]; twice {
			r.fail("gtin", "keep one of them", "%s stands in row %d already", formatGTIN(p.GTIN), b.rows[i])
		}
	}
	switch {
	case r.bad:
	case len(b.c.products) == MaxProducts:
		if !b.tooMany {
			b.tooMany = true
			r.fail("", "", "this is product %d; at most %d are allowed", MaxProducts+1, MaxProducts)
		}
	default:
		b.c.add(p)
		b.rows = append(b.rows, int32(r.number))
	}
}

func (b *builder) finish() *Catalog {
	b.c.products = slices.Clip(b.c.products)
	return b.c
}
