package catalog_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/catalog"
	"lintel/engine/layout"
)

func TestJSON(t *testing.T) {
	src := `{"products":[{"gtin":"` + gtin13(1) + `","sku":"UB-1001","name":" The Harbour Light ","category":"fiction","price":9.99,
		"home_zones":["shelf-a","front-tables"],
		"limits":[{"zone":"front-tables","min":3,"max":8},{"kind":"floor","min":5}],
		"attributes":{"author":"Ada Example","note":""}}]}`
	c, errs := catalog.ParseJSON([]byte(src))
	require.Empty(t, errs)
	requireSame(t, parseCSV(t, strings.Replace(full, "9521234500014", gtin13(1), 1)), c)

	bare, errs := catalog.ParseJSON([]byte("\ufeff" + src[len(`{"products":`):len(src)-1]))
	require.Empty(t, errs)
	requireSame(t, c, bare)

	out, err := json.Marshal(c)
	require.NoError(t, err)
	require.JSONEq(t, `{"products":[{"gtin":"09520000000011","sku":"UB-1001","name":"The Harbour Light","category":"fiction","price":9.99,
		"home_zones":["shelf-a","front-tables"],"limits":[{"kind":"floor","min":5},{"zone":"front-tables","min":3,"max":8}],
		"attributes":{"author":"Ada Example"}}]}`, string(out))

	empty, errs := catalog.ParseJSON([]byte(`{"products":[]}`))
	require.Empty(t, errs)
	require.Zero(t, empty.Len())
}

func TestJSONErrors(t *testing.T) {
	g := `"gtin":"` + gtin13(1) + `"`
	for name, test := range map[string]struct {
		src  string
		want []string
	}{
		"empty": {"", []string{"line 1, column 1: not JSON: unexpected end of JSON input"}},
		"syntax": {"[\n{" + g + "},\n{" + g + ",]\n", []string{"line 3, column 25: not JSON: invalid " +
			"character ']' looking for beginning of object key string"}},
		"cut off":        {"[\n{" + g + "},\n", []string{"line 3, column 1: not JSON: unexpected end of JSON input"}},
		"behind the end": {"[]\n[]", []string{"line 2, column 1: not JSON: invalid character '[' after top-level value"}},
		"no list": {`{"products":{}}`, []string{"products: is an object where a list is expected; write it " +
			"in square brackets: [ ... ]"}},
		"number": {`7`, []string{"line 1, column 1: the document is a number where a list is expected; " +
			"write it in square brackets: [ ... ]"}},
		"other member": {`{"product":[]}`, []string{`products: is missing; write {"products": [ ... ]}`,
			`product: there is no member "product" here; did you mean "products"?`}},
		"twice":     {`{"products":[],"products":[]}`, []string{"products: stands twice; keep one of them"}},
		"no object": {`["x"]`, []string{"row 1, line 1: is a text where an object is expected; write it in braces: { ... }"}},
		"no gtin":   {`[{}]`, []string{"row 1, line 1, gtin: is missing; every product needs its GTIN"}},
		"gtin as number": {`[{"gtin":95010939}]`, []string{"row 1, line 1, gtin: is a number; write it in quotes, " +
			"so that zeros at its front stay"}},
		"duplicate": {"[{" + g + "},\n{" + g + "}]", []string{"row 2, line 2, gtin: 09520000000011 stands in " +
			"row 1 already; keep one of them"}},
		"many in one": {"[{" + g + `,"nmae":"x","sku":1,"price":"9","price":-1,"home_zones":["A"],"limits":[{"zone":"a","min":1.5},{"kind":"flor","min":1},{},{"zone":"a"},
			{"zone":"a","kind":"floor","max":1},{"zone":"b","min":2,"max":1},{"zone":"b","min":2}],"attributes":{"a":1,"":"x"}}]`, []string{
			`row 1, line 1, nmae: there is no member "nmae" here; did you mean "name"?`,
			"row 1, line 1, sku: is a number where a text is expected; write it in double quotes",
			"row 1, line 1, price: is a text where a number is expected; write a number without quotes",
			"row 1, line 1, price: stands twice; keep one of them",
			`row 1, line 1, home_zones[0]: "A" is no id of a zone; did you mean "a"?`,
			"row 1, line 1, limits[0].min: is not a whole number of pieces from 0 to 1000000",
			`row 1, line 1, limits[1].kind: there is no kind "flor"; did you mean "floor"?`,
			`row 1, line 1, limits[2]: names no place; name a "zone" or a "kind" of zones`,
			`row 1, line 1, limits[3]: limits nothing; give it a "min", a "max" or both`,
			`row 1, line 2, limits[4]: has both a "zone" and a "kind"; keep one of them`,
			"row 1, line 2, limits[5]: the minimum of b is 2, more than the maximum of 1",
			`row 1, line 2, limits[6]: "b" stands twice; put minimum and maximum of a place in one entry`,
			"row 1, line 2, attributes.a: is a number where a text is expected; write it in double quotes",
			"row 1, line 2, attributes.: the attribute has no name",
		}},
		"attribute twice": {"[{" + g + `,"attributes":{"a":"1"," a":"2"}}]`,
			[]string{"row 1, line 1, attributes. a: stands twice; keep one of them"}},
		"not UTF-8": {"[\"\xe9\"]", []string{"line 1, column 3: the text is not UTF-8; save it as UTF-8"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, errs := catalog.ParseJSON([]byte(test.src))
			var got []string
			for _, e := range errs {
				got = append(got, e.Summary())
			}
			require.Equal(t, test.want, got)
		})
	}
}

func TestBySKU(t *testing.T) {
	c := parseCSV(t, "gtin,sku\n"+gtin13(1)+",UB-2\n"+gtin13(2)+",\n"+gtin13(3)+",UB-1\n"+gtin13(4)+",UB-2\n")
	require.Equal(t, []int{0, 3}, c.BySKU("UB-2"))
	require.Equal(t, []int{2}, c.BySKU("UB-1"))
	require.Empty(t, c.BySKU("UB-3"))
	require.Empty(t, c.BySKU(""))

	var wait sync.WaitGroup // the index is built by whoever asks first
	c = c.Merge(&catalog.Catalog{})
	for range 4 {
		wait.Go(func() { _ = c.BySKU("UB-1") })
	}
	wait.Wait()
}

func TestZeroCatalog(t *testing.T) {
	var c catalog.Catalog
	require.Zero(t, c.Len())
	_, ok := c.ByGTIN(1)
	require.False(t, ok)
	require.Empty(t, c.BySKU("x"))
	b, err := c.AppendBinary(nil)
	require.NoError(t, err)
	again, err := catalog.ParseBinary(b)
	require.NoError(t, err)
	require.Zero(t, again.Len())
	require.Zero(t, c.Merge(&c).Len())
}

func TestMerge(t *testing.T) {
	a := parseCSV(t, "gtin,name,category\n"+gtin13(1)+",one,x\n"+gtin13(2)+",two,x\n")
	b := parseCSV(t, "gtin,name\n"+gtin13(3)+",three\n"+gtin13(1)+",uno\n")
	m := a.Merge(b)
	var names []string
	for i := range m.Len() {
		names = append(names, m.At(i).Name)
	}
	require.Equal(t, []string{"uno", "two", "three"}, names)
	require.Empty(t, m.At(0).Category, "a product is replaced as a whole")
	require.Equal(t, "one", a.At(0).Name, "the first is not changed")
	require.Equal(t, 2, b.Len())
	i, ok := m.ByGTIN(9520000000035)
	require.True(t, ok)
	require.Equal(t, 2, i)
}

func TestUnknownZones(t *testing.T) {
	l, err := layout.Parse([]byte(`{"site":"umberhithe","time_zone":"Europe/London","zones":[
		{"id":"shelf-a","kind":"shelf"},{"id":"front-tables","kind":"floor"},{"id":"stockroom","kind":"stockroom"}]}`))
	require.NoError(t, err)
	c := parseCSV(t, "gtin,home_zones,minimum\n"+gtin13(1)+",shelf-a,floor:1|stockroom:2\n"+
		gtin13(2)+",frnt-tables,frnt-tables:1\n"+gtin13(3)+",frnt-tables,flor:1|reading-room:1\n")
	require.Equal(t, []catalog.UnknownZone{
		{Zone: "flor", Products: 1, First: 2, Nearest: "floor"},
		{Zone: "frnt-tables", Products: 2, First: 1, Nearest: "front-tables"},
		{Zone: "reading-room", Products: 1, First: 2},
	}, c.UnknownZones(l))
	require.Empty(t, parseCSV(t, "gtin\n"+gtin13(1)+"\n").UnknownZones(l))
}

func TestEqualPartsAreKeptOnce(t *testing.T) {
	c := parseCSV(t, "gtin,home_zones,minimum,attr.author\n"+gtin13(1)+",shelf-a,shelf-a:1|floor:2,Ada\n"+gtin13(2)+
		", shelf-a|,floor:2|shelf-a:1,Ada\n")
	one, two := c.At(0), c.At(1)
	require.Same(t, &one.HomeZones[0], &two.HomeZones[0])
	require.Same(t, &one.Limits[0], &two.Limits[0])
	require.Equal(t, fmt.Sprintf("%p", one.Attributes), fmt.Sprintf("%p", two.Attributes))
}

// drawCatalog makes any catalog that the parsers can make.
func drawCatalog(t *rapid.T) *catalog.Catalog {
	text := rapid.OneOf(
		rapid.SampledFrom([]string{"", "The Harbour Light", `say "hello"`, "a,b;c|d", "=1+1", "Café", `\.`, "x\u00a0y", "#"}),
		rapid.StringOfN(rapid.RuneFrom([]rune("ab ,;\"'|:é漢\u2028")), 0, 20, 1024),
	)
	lines := rapid.Map(text, func(s string) string { return strings.ReplaceAll(s, " ", "\n") })
	zone := rapid.SampledFrom([]string{"shelf-a", "front-tables", "floor", "stockroom", "z"})
	n := rapid.IntRange(0, 12).Draw(t, "products")
	var products []map[string]any
	for i := range n {
		p := map[string]any{
			"gtin": gtin13(rapid.IntRange(0, 50).Draw(t, "item")*100 + i), "sku": text.Draw(t, "sku"),
			"name": text.Draw(t, "name"), "category": text.Draw(t, "category"),
			"price": rapid.OneOf(rapid.Just(0.0), rapid.Float64Range(1e-6, 1e9),
				rapid.Map(rapid.IntRange(1, 100_000), func(n int) float64 { return float64(n) / 100 })).Draw(t, "price"),
			"home_zones": rapid.SliceOfNDistinct(zone, 0, 3, rapid.ID).Draw(t, "home"),
		}
		var limits []map[string]any
		for _, place := range rapid.SliceOfNDistinct(zone, 0, 4, rapid.ID).Draw(t, "limits") {
			l := map[string]any{"zone": place}
			low, which := rapid.IntRange(0, 9).Draw(t, "min"), rapid.IntRange(1, 3).Draw(t, "which")
			if which&1 != 0 {
				l["min"] = low
			}
			if which&2 != 0 {
				l["max"] = low + rapid.IntRange(0, 3).Draw(t, "more")
			}
			limits = append(limits, l)
		}
		if limits != nil {
			p["limits"] = limits
		}
		attributes := map[string]string{}
		for name, value := range rapid.MapOfN(text, lines, 0, 4).Draw(t, "attributes") {
			if name = strings.TrimSpace(name); name != "" && len(name) <= 64 {
				attributes[name] = value
			}
		}
		p["attributes"] = attributes
		products = append(products, p)
	}
	if products == nil {
		products = []map[string]any{}
	}
	src, err := json.Marshal(products)
	require.NoError(t, err)
	c, errs := catalog.ParseJSON(src)
	require.Empty(t, errs, "%s", src)
	return c
}

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCatalog(t)

		stored, err := c.AppendBinary([]byte("before"))
		require.NoError(t, err)
		loaded, err := catalog.ParseBinary(bytes.TrimPrefix(stored, []byte("before")))
		require.NoError(t, err)
		requireSame(t, c, loaded)

		text, err := json.Marshal(c)
		require.NoError(t, err)
		fromJSON, errs := catalog.ParseJSON(text)
		require.Empty(t, errs)
		requireSame(t, c, fromJSON)

		var out strings.Builder
		require.NoError(t, c.WriteCSV(&out))
		fromCSV, errs := catalog.ParseCSV(strings.NewReader(out.String()), catalog.CSVOptions{})
		require.Empty(t, errs, "%s", out.String())
		requireSame(t, c, fromCSV)

		for _, other := range []*catalog.Catalog{loaded, fromJSON, fromCSV} { // equal catalogs, equal bytes
			again, err := other.AppendBinary([]byte("before"))
			require.NoError(t, err)
			require.Equal(t, stored, again)
		}
	})
}

func TestMergeProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawCatalog(t), drawCatalog(t)
		m := a.Merge(b)
		for i := range a.Len() {
			require.Equal(t, a.At(i).GTIN, m.At(i).GTIN)
		}
		want := map[uint64]*catalog.Product{}
		for _, c := range []*catalog.Catalog{a, b} {
			for i := range c.Len() {
				want[c.At(i).GTIN] = c.At(i)
			}
		}
		require.Equal(t, len(want), m.Len())
		for gtin, p := range want {
			i, ok := m.ByGTIN(gtin)
			require.True(t, ok)
			require.Equal(t, *p, *m.At(i))
		}
		requireSame(t, m, m.Merge(b))
	})
}

func TestParseBinaryRefuses(t *testing.T) {
	c := parseCSV(t, string(umberhithe(3)))
	good, err := c.AppendBinary(nil)
	require.NoError(t, err)
	for n := range good {
		_, err := catalog.ParseBinary(good[:n])
		require.Error(t, err, "cut after %d bytes", n)
	}
	_, err = catalog.ParseBinary(append(bytes.Clone(good), 0))
	require.ErrorContains(t, err, "something follows")
	newer := bytes.Clone(good)
	newer[1] = 2
	_, err = catalog.ParseBinary(newer)
	require.ErrorContains(t, err, "has version 2, and this program reads version 1")
}

func TestBinaryIsIndependent(t *testing.T) {
	c := parseCSV(t, string(umberhithe(3)))
	b, err := c.AppendBinary(nil)
	require.NoError(t, err)
	loaded, err := catalog.ParseBinary(b)
	require.NoError(t, err)
	clear(b)
	requireSame(t, c, loaded)
}
