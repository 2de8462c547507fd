package api

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/sheet"
	"lintel/rules/doc"
)

// FuzzImport reads any table: what is taken is a row with an identity and places that exist, and
// what is not taken is explained.
func FuzzImport(f *testing.F) {
	for _, s := range []string{
		"epc,zone\n" + harbourLight + ",shelf-a\n",
		"epc;gtin;sku;zone;disposition\n(01)09521141123454(21)1;9521141123454;;till;retail_sold\n", "\ufeffEPC\n",
		"epc,epc\n", "zone\n", "epc\n\"",
		"epc,zone,zone\n", "epc\tzone\nzz\tx\n", "epc,gtin\nE200,1\n", "epc,sku\nE2003412DC03011878901234,UB-1001\n,\n", "",
	} {
		f.Add(s)
	}
	products, bad := catalog.ParseCSV(strings.NewReader(testProducts), catalog.CSVOptions{})
	require.Empty(f, bad)
	f.Fuzz(func(t *testing.T, table string) {
		b := &bulkReader{found: doc.NewReport("", bulkErrors, nil, nil), lay: testLay, products: products,
			lines: map[epc.Key]int32{}, skus: map[string]uint64{}}
		headed := false
		for r, err := range sheet.ReadCSV(strings.NewReader(table), sheet.ReadOptions{MaxRows: 1000}) {
			if err != nil {
				return
			}
			if !headed {
				headed = true
				if !b.head(r) {
					require.NotZero(t, b.found.Len())
					return
				}
				continue
			}
			b.take(r)
		}
		for _, e := range b.found.List() {
			require.NotEmpty(t, e.Reason)
			require.True(t, e.More > 0 || e.Row >= 1 && e.Row <= len(b.rows) && e.Line > e.Row, "%+v", e)
		}
		if b.found.Len() > 0 {
			return
		}
		for i := range b.rows {
			row := &b.rows[i]
			require.False(t, row.key.IsZero())
			require.Less(t, int(row.zone), len(testLay.Zones))
			require.Equal(t, row.line, b.lines[row.key])
		}
	})
}
