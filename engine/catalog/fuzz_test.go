package catalog_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/rules/doc"
)

// whatStands checks that products which a parser let through survive every form.
func whatStands(t *testing.T, c *catalog.Catalog, errs doc.Errors) {
	require.LessOrEqual(t, len(errs), catalog.MaxErrors+1)
	for _, e := range errs {
		require.NotEmpty(t, e.Reason)
	}
	stored, err := c.AppendBinary(nil)
	require.NoError(t, err)
	loaded, err := catalog.ParseBinary(stored)
	require.NoError(t, err)
	requireSame(t, c, loaded)
	text, err := json.Marshal(c)
	require.NoError(t, err)
	fromJSON, errs := catalog.ParseJSON(text)
	require.Empty(t, errs)
	requireSame(t, c, fromJSON)
	var out strings.Builder
	if c.WriteCSV(&out) != nil {
		return // more attributes than columns
	}
	fromCSV, errs := catalog.ParseCSV(strings.NewReader(out.String()), catalog.CSVOptions{})
	require.Empty(t, errs)
	requireSame(t, c, fromCSV)
}

func FuzzProductsCSV(f *testing.F) {
	f.Add(umberhithe(3))
	f.Add([]byte("\ufeffgtin;name;price\r\n" + gtin13(1) + ";\"a\"\"b\nc\";9,99\r\n"))
	f.Add([]byte("gtin,attr.a,attr.b,minimum,maximum,home_zones\n" + gtin13(1) + ",x,,a:1|floor:2,a:3,a|b\n,,,,,\n1,2\n\"x\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		c, errs := catalog.ParseCSV(bytes.NewReader(src), catalog.CSVOptions{})
		whatStands(t, c, errs)
	})
}

func FuzzProductsJSON(f *testing.F) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(3)), catalog.CSVOptions{})
	src, err := json.Marshal(c)
	require.NoError(f, err)
	f.Add(src)
	f.Add([]byte(`[{"gtin":"` + gtin13(1) + `","price":1e-6,"limits":[{"zone":"floor","max":0}],"attributes":{"a":"\ud800","b":"x\r\ny"}},{}]`))
	f.Add([]byte(`{"product":1,"products":[{"gtin":12,"gtin":null}],"products":[]} x`))
	f.Fuzz(func(t *testing.T, src []byte) {
		c, errs := catalog.ParseJSON(src)
		whatStands(t, c, errs)
	})
}

func FuzzCatalogBinary(f *testing.F) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(3)), catalog.CSVOptions{})
	src, err := c.AppendBinary(nil)
	require.NoError(f, err)
	f.Add(src)
	f.Add([]byte{0x96, 1, 0x90, 0x90, 0x90, 0x90, 0x90})
	f.Fuzz(func(t *testing.T, src []byte) {
		c, err := catalog.ParseBinary(src)
		if err != nil {
			require.Nil(t, c)
			return
		}
		once, err := c.AppendBinary(nil)
		require.NoError(t, err)
		again, err := catalog.ParseBinary(once)
		require.NoError(t, err)
		twice, err := again.AppendBinary(nil)
		require.NoError(t, err)
		require.Equal(t, once, twice)
	})
}
