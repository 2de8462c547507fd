package api

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"lintel/api/kit"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

const itemsPath = "/v1/sites/umberhithe/items"

// imported posts a table of items and waits for the fold.
func (r *rig) imported(table string, status int) BulkAnswer {
	r.t.Helper()
	a := into[BulkAnswer](r.do("POST", itemsPath+".csv", table, "Content-Type", "text/csv").wants(status))
	require.True(r.t, a.Processed)
	r.tick()
	return a
}

func (r *rig) item(epc string) ItemView {
	r.t.Helper()
	return into[ItemView](r.get(itemsPath + "/" + epc).wants(200))
}

func TestItemsInEveryForm(t *testing.T) {
	r := newRig(t).shop().stocked()
	table := r.get(itemsPath + ".csv").wants(200)
	rows, err := csv.NewReader(bytes.NewReader(table.body)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 8)
	require.Equal(t, []string{"epc", "gtin", "sku", "name", "category", "zone", "disposition"}, rows[0][:7])
	require.Equal(t, []string{"(01)09521141123454(21)100", "09521141123454", "UB-1001", "The Harbour Light", "fiction",
		"stockroom", "sellable_not_accessible"}, rows[1][:7])
	require.Contains(t, table.header.Get("Content-Disposition"), "umberhithe-items.csv")
	for query, n := range map[string]int{"zone=stockroom": 5, "product=UB-1002": 1,
		"disposition=sellable_accessible": 2, "disposition=retail_sold": 0} {
		require.Len(t, bytes.Split(bytes.TrimSpace(r.get(itemsPath+".csv?"+query).wants(200).body), []byte("\n")), n+1, query)
	}
	lines := bytes.Split(bytes.TrimSpace(r.get(itemsPath+".jsonl").wants(200).body), []byte("\n"))
	require.Len(t, lines, 7)
	var first map[string]any
	require.NoError(t, json.Unmarshal(lines[0], &first))
	require.Equal(t, "stockroom", first["zone"])
	require.Nil(t, first["from"])
	book, err := excelize.OpenReader(bytes.NewReader(r.get(itemsPath + ".xlsx").wants(200).body))
	require.NoError(t, err)
	cells, err := book.GetRows(book.GetSheetName(0))
	require.NoError(t, err)
	require.Len(t, cells, 8)

	maxSheetRows = 3
	t.Cleanup(func() { maxSheetRows = 1_048_575 })
	require.Contains(t, string(r.get(itemsPath+".xlsx").wantsCode(kit.CodeNotAcceptable).body), "Take CSV")
	for _, suffix := range []string{".csv", ".xlsx", ".jsonl"} {
		for _, query := range []string{"zone=x", "product=x", "disposition=x", "limit=3"} {
			r.get(itemsPath + suffix + "?" + query).wantsCode(kit.CodeInvalidParameter)
		}
		r.get("/v1/sites/nowhere/items" + suffix).wantsCode(kit.CodeUnknownSite)
	}
	r.get(itemsPath + ".csv?defuse=x").wantsCode(kit.CodeInvalidParameter)
}

// failingWriter is a client that is gone after some bytes.
type failingWriter struct {
	http.ResponseWriter
	left int
}

func (w *failingWriter) Write(b []byte) (int, error) {
	if w.left -= len(b); w.left < 0 {
		return 0, fmt.Errorf("the line went dead")
	}
	return w.ResponseWriter.Write(b)
}

func TestABrokenAnswerIsNotedAndNotMended(t *testing.T) {
	r := newRig(t).shop().stocked()
	req := httptest.NewRequest("GET", itemsPath+".csv", nil)
	req.Header.Set("Authorization", "Bearer "+r.admin)
	w := &failingWriter{ResponseWriter: httptest.NewRecorder(), left: 10}
	r.api.Handler().ServeHTTP(w, req)
	require.Contains(t, r.log.String(), "an answer was broken off")
	require.Empty(t, w.ResponseWriter.(*httptest.ResponseRecorder).Body.String(), "no problem details within a table")
}

func TestImportOfItems(t *testing.T) {
	r := newRig(t).shop().stocked()
	table := "\ufeffEPC;GTIN;SKU;zone;disposition;name\n" +
		"(01)09521141123454(21)100;09521141123454;;stockroom;sellable_not_accessible;known\n" + // unchanged
		"(01)09521141123454(21)101;;UB-1001;front-tables;;moved\n" +
		"(01)09521141123454(21)900;;;shelf-a;;new\n" +
		"(01)09521141123454(21)901;9521141123454;;;;new, no place yet\n" +
		"E2003412DC03011878901234;;UB-1002;shelf-a;;an own tag\n" +
		"(01)09521141123454(21)102;;;till;retail_sold;\n" +
		"(01)09521141123454(21)103;;;;in_transit;\n" +
		"(01)09521141123454(21)104;;;;inactive;\n" +
		"(01)09521141123454(21)902;;;till;sellable_accessible;\n" +
		";;;;;\n"
	dry := into[BulkAnswer](r.do("POST", itemsPath+".csv?dry_run=1", table, "Content-Type", "text/csv").wants(200))
	want := BulkAnswer{Rows: 9, Unchanged: 1, Registered: 2, Moved: 3, Received: 1, Sold: 1, Shipped: 1, Retired: 1,
		Entries: 1, DryRun: true}
	require.Equal(t, want, dry)
	r.get(itemsPath + "/(01)09521141123454(21)900").wantsCode(codeUnknownItem)

	a := r.imported(table, 202)
	want.DryRun, want.Processed, want.Entry = false, true, a.Entry
	require.Equal(t, want, a)
	require.Equal(t, "front-tables", r.item("(01)09521141123454(21)101").Zone)
	require.Equal(t, "sellable_accessible", r.item("(01)09521141123454(21)900").Disposition)
	require.Equal(t, "unknown", r.item("(01)09521141123454(21)901").Disposition)
	own := r.item("E2003412DC03011878901234")
	require.Equal(t, []string{"Low Water", "shelf-a", "sellable_accessible"}, []string{own.Product.Name, own.Zone, own.Disposition})
	require.Equal(t, "retail_sold", r.item("(01)09521141123454(21)102").Disposition)
	require.Equal(t, "in_transit", r.item("(01)09521141123454(21)103").Disposition)
	require.Equal(t, "inactive", r.item("(01)09521141123454(21)104").Disposition)
	require.Equal(t, "sellable_not_accessible", r.item("(01)09521141123454(21)902").Disposition, "the till is out of reach")

	again := r.imported(table, 200)
	require.Equal(t, 9, again.Unchanged)
	require.Nil(t, again.Entry)
	// What is exported comes back unchanged.
	export := string(r.get(itemsPath + ".csv").wants(200).body)
	back := r.imported(export, 200)
	require.Equal(t, back.Rows, back.Unchanged)

	r.do("PUT", "/v1/products", "gtin,name\n9521234000013,Low Water\n", "Content-Type", "text/csv").wants(200)
	require.Equal(t, []string{"1 rows name a product that the product list does not have"},
		r.imported("epc,gtin,zone\n(01)09521141123454(21)903,9521141123454,shelf-a\n", 202).Warnings)
}

func TestImportsThatAreRefused(t *testing.T) {
	r := newRig(t).shop().stocked()
	type fault struct {
		Row    int
		Line   int
		Path   string
		Hint   string
		Reason string
	}
	for table, want := range map[string]fault{
		"":                                     {Reason: "the table is empty"},
		"gtin\n1\n":                            {Line: 1, Path: "epc", Reason: "no column epc"},
		"epc,epc\n":                            {Line: 1, Path: "epc", Reason: "there twice"},
		"epc,zones\nx,y\n":                     {Line: 1, Path: "zones", Reason: `did you mean "zone"`},
		"epc\n\"a\n":                           {Reason: "quote"},
		"epc,zone\n,till\n":                    {Row: 1, Line: 2, Path: "epc", Reason: "not named"},
		"epc\nzz\n":                            {Row: 1, Line: 2, Path: "epc", Reason: ""},
		"epc,zone\n" + harbourLight + ",til\n": {Row: 1, Line: 2, Path: "zone", Reason: `did you mean "till"`},
		"epc,zone\n" + harbourLight + ",till\n\n(01)09521141123454(21)6789,till\n": {Row: 2, Line: 4, Path: "epc",
			Reason: "in line 2 already"},
		"epc,gtin\n" + harbourLight + ",9.52E+12\n": {Row: 1, Line: 2, Path: "gtin",
			Reason: "", Hint: "format the column as text"},
		"epc,gtin\n" + harbourLight + ",9521234000013\n": {Row: 1, Line: 2, Path: "gtin",
			Reason: "own identity says 09521141123454"},
		"epc,sku\n" + harbourLight + ",UB-9\n": {Row: 1, Line: 2, Path: "sku", Reason: "no SKU"},
		"epc,disposition\n" + harbourLight + ",sold\n": {Row: 1, Line: 2,
			Path: "disposition", Reason: "no disposition"},
		"epc\n" + harbourLight + "\n":               {Row: 1, Line: 2, Reason: "says nothing of it"},
		"epc\n" + strings.Repeat("x\n", bulkRows+1): {Row: 1, Line: 2, Path: "epc"},
	} {
		p := r.do("POST", itemsPath+".csv", table, "Content-Type", "text/csv").wantsCode(kit.CodeInvalidDocument)
		var body struct{ Errors []fault }
		require.NoError(t, json.Unmarshal(p.body, &body))
		got := body.Errors[0]
		require.Equal(t, []any{want.Row, want.Line, want.Path}, []any{got.Row, got.Line, got.Path}, "%.60q %+v", table, got)
		require.Contains(t, got.Reason, want.Reason)
		require.Contains(t, got.Hint, want.Hint)
		require.LessOrEqual(t, len(body.Errors), bulkErrors+1)
	}
	r.do("POST", itemsPath+".csv?dry_run=2", "epc\n", "Content-Type", "text/csv").wantsCode(kit.CodeInvalidParameter)
	r.do("POST", "/v1/sites/nowhere/items.csv", "epc\n", "Content-Type", "text/csv").wantsCode(kit.CodeUnknownSite)
	r.bodyFaults("POST", itemsPath+".csv", "text/csv", false)
	require.Len(t, into[ItemList](r.get(itemsPath)).Items, 7, "nothing bad was taken")

	// A table that would be taken in full but for its last row is not taken at all.
	r.do("POST", itemsPath+".csv", "epc,zone\n(01)09521141123454(21)950,till\n(01)09521141123454(21)951,no\n",
		"Content-Type", "text/csv").wantsCode(kit.CodeInvalidDocument)
	r.get(itemsPath + "/(01)09521141123454(21)950").wantsCode(codeUnknownItem)
}

func TestImportsAreIdempotent(t *testing.T) {
	r := newRig(t).shop()
	table := "epc,zone\n" + harbourLight + ",shelf-a\n"
	headers := []string{"Content-Type", "text/csv", "Idempotency-Key", "load-1"}
	first := r.do("POST", itemsPath+".csv", table, headers...).wants(202)
	again := r.do("POST", itemsPath+".csv", table, headers...).wants(202)
	require.Equal(t, string(first.body), string(again.body))
	require.Equal(t, "true", again.header.Get(kit.HeaderReplayed))
	r.do("POST", itemsPath+".csv", table+"\n", headers...).wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", itemsPath+".csv", table, "Content-Type", "text/csv", "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
}

// manyItems is a table of n items, half of them in each of two zones.
func manyItems(n int) string {
	var b strings.Builder
	b.WriteString("epc,zone\n")
	for i := range n {
		fmt.Fprintf(&b, "(01)09521141123454(21)%d,%s\n", 1_000_000+i, []string{"shelf-a", "stockroom"}[i*2/n])
	}
	return b.String()
}

func TestManyItems(t *testing.T) {
	if testing.Short() {
		t.Skip("large")
	}
	r := newRig(t, func(o *Options) { o.ProductsLimit = 64 << 20 }).shop()
	const n = 50_000
	a := into[BulkAnswer](r.do("POST", itemsPath+".csv", manyItems(n), "Content-Type", "text/csv").wants(202))
	require.Equal(t, n, a.Moved)
	require.Equal(t, n/bulkTags, a.Entries)
	last := fmt.Sprintf("(01)09521141123454(21)%d", 1_000_000+n-1)
	r.until("the last item", func() bool { return r.get(itemsPath+"/"+last).status == http.StatusOK })
	require.Equal(t, n, into[SiteList](r.get("/v1/sites").wants(200)).Sites[0].Items)
	export := r.get(itemsPath + ".csv").wants(200).body
	require.Equal(t, n+1, bytes.Count(export, []byte("\n")))
	require.True(t, bytes.Contains(export, []byte(last+",")))
}

func BenchmarkImportPlan(b *testing.B) {
	r := newRig(b, func(o *Options) { o.ProductsLimit = 64 << 20 }).shop()
	table := manyItems(200_000)
	b.SetBytes(int64(len(table)))
	b.ReportAllocs()
	for b.Loop() {
		r.do("POST", itemsPath+".csv?dry_run=1", table, "Content-Type", "text/csv").wants(200)
	}
	b.ReportMetric(200_000*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkExport(b *testing.B) {
	r := newRig(b, func(o *Options) { o.ProductsLimit = 64 << 20 }).shop()
	const n = 200_000
	r.do("POST", itemsPath+".csv", manyItems(n), "Content-Type", "text/csv").wants(202)
	r.until("all items", func() bool { return into[SiteList](r.get("/v1/sites")).Sites[0].Items == n })
	for _, suffix := range []string{".csv", ".jsonl"} {
		b.Run(suffix[1:], func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r.get(itemsPath + suffix).wants(200)
			}
			b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}
