package api

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"lintel/api/kit"
	"lintel/engine/estimate"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/stocktake"
)

const countsPath = "/v1/sites/umberhithe/counts"

// openedCount opens a count and returns its path.
func (r *rig) openedCount(body string) string {
	r.t.Helper()
	a := into[CountAnswer](r.post(countsPath, body).wants(201))
	require.True(r.t, a.Processed)
	require.Equal(r.t, "open", a.Count.Status)
	require.Equal(r.t, event.CountID("umberhithe", a.Entry), a.ID)
	r.tick()
	return countsPath + "/" + a.ID
}

// counted posts reads of Harbour Lights with these serials to a count and waits for the fold.
func (r *rig) counted(path, zone string, serials ...int) BatchAnswer {
	r.t.Helper()
	var list []string
	for _, n := range serials {
		list = append(list, fmt.Sprintf(`{"epc":"(01)09521141123454(21)%d","read_point":"handheld-1","zone":"%s","rssi":-55}`, n, zone))
	}
	a := into[BatchAnswer](r.post(path+"/reads?wait=10s", "["+strings.Join(list, ",")+"]").wants(200))
	require.True(r.t, *a.Processed)
	r.tick()
	return a
}

func (r *rig) told(path, verb string) *CountDetail {
	r.t.Helper()
	a := into[CountAnswer](r.post(path+"/"+verb, "").wants(200))
	require.True(r.t, a.Processed)
	r.tick()
	return a.Count
}

func TestACountFromOpenToClosed(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.tick()
	path := r.openedCount(`{"zones":["stockroom"],"note":"Monday","missing_after":1}`)
	v := into[CountDetail](r.get(path).wants(200))
	require.Equal(t, 5, v.Expected)
	require.Equal(t, "boss", v.By)
	require.Equal(t, "Monday", v.Note)
	require.Equal(t, estimate.NothingRead, v.Assessment.Reason)
	require.Equal(t, estimate.Caution, v.Caution)

	for range 3 {
		a := r.counted(path, "stockroom", 100, 101, 102, 103, 200)
		require.Empty(t, a.Facts, "nothing moves until the count closes")
	}
	a := into[BatchAnswer](r.post(path+"/reads", `[
	  {"epc":"(01)09521141123454(21)100","read_point":"handheld-1","zone":"stockrom"},
	  {"epc":"(01)09521141123454(21)100","read_point":"handheld-1","zone":"shelf-a"},
	  {"epc":"(01)09521141123454(21)100","read_point":"tables-1"},
	  {"read_point":"tables-1"},
	  {"epc":"urn:epc:raw:96.xE20000000000000000000001","read_point":"handheld-1"}]`).wants(202))
	require.Equal(t, 2, a.Accepted)
	require.Len(t, a.Rejected, 3)
	require.Contains(t, a.Rejected[0].Reason, `did you mean "stockroom"`)
	require.Contains(t, a.Rejected[1].Reason, "not part of this count")
	require.Contains(t, a.Rejected[2].Reason, `sees the zone "front-tables"`)
	r.until("the tag", func() bool { return into[CountDetail](r.get(path)).Unique == 6 })

	v = into[CountDetail](r.get(path).wants(200))
	require.Equal(t, 4, v.Progress.Found)
	require.Nil(t, v.Progress.Curve, "polls are short")
	v = into[CountDetail](r.get(path + "?curve=true").wants(200))
	require.Equal(t, &stocktake.Histogram{1, 0, 5}, v.Progress.Repeats)
	require.Equal(t, 16, v.Reads)
	require.NotEmpty(t, v.Advice)
	require.NotEmpty(t, v.Progress.Curve)
	require.Equal(t, 6, v.Progress.Curve[len(v.Progress.Curve)-1].Total)
	require.Positive(t, v.Progress.NewPerSecond)
	require.Equal(t, nextGoOn, v.Next)
	r.get(path + "/differences").wantsCode(codeCountStatus)

	require.Equal(t, 2, r.told(path, "pass").Pass)
	r.counted(path, "stockroom", 100, 101, 102, 103, 200)
	v = *r.told(path, "pause")
	require.Equal(t, "paused", v.Status)
	require.Contains(t, string(r.post(path+"/reads", `[]`).wantsCode(codeCountStatus).body), "resume")
	r.told(path, "resume")
	v = *r.told(path, "close")
	require.Equal(t, 2, v.Progress.PassesEnded)
	require.Empty(t, v.Advice)
	require.Equal(t, nextDone, v.Next)
	require.NotContains(t, v.Assessment.Words, "go on")
	require.Equal(t, &CountSummary{
		Closed: v.Result.Closed, Expected: 5, Matched: 4, Missing: 1, Unexpected: 2, ItemAccuracy: 4.0 / 7, Lines: 2,
		LinesRight: 1, LineAccuracy: 0.5, AccuracyNotes: accuracyNotes,
	}, v.Result)
	require.Contains(t, string(r.post(path+"/reads", `[]`).wantsCode(codeCountStatus).body), "reopen")
	require.Equal(t, "stockroom", into[ItemView](r.get("/v1/sites/umberhithe/items/(01)09521141123454(21)200")).Zone)

	d := into[DifferencesView](r.get(path + "/differences").wants(200))
	findings := map[string]int{}
	for _, l := range d.Differences {
		findings[l.Finding]++
		require.NotEmpty(t, l.Words)
		require.NotEmpty(t, l.Item)
	}
	require.Equal(t, map[string]int{"missing": 1, "moved_here": 1, "foreign": 1}, findings)

	var items []CountedItem
	for next := ""; ; {
		page := into[CountedItems](r.get(path + "/items?limit=4&cursor=" + next).wants(200))
		items = append(items, page.Items...)
		if next = page.Next; next == "" {
			break
		}
	}
	require.Len(t, items, 6)
	expected := map[string]bool{}
	for _, it := range items {
		expected[it.Item] = *it.Expected
	}
	require.Equal(t, true, expected["(01)09521141123454(21)100"])
	require.Equal(t, false, expected["(01)09521141123454(21)200"])
	require.Contains(t, expected, "urn:epc:raw:96.xE20000000000000000000001")
	require.Equal(t, "The Harbour Light", items[0].Product.Name)
	rows, err := csv.NewReader(bytes.NewReader(r.get(path + "/items.csv").wants(200).body)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 7)
	require.Equal(t, []string{"Item", "GTIN", "SKU", "Product", "Expected", "Zone"}, rows[0])
	require.Len(t, d.Products, 2)

	// Another round finds it.
	require.Equal(t, "open", r.told(path, "reopen").Status)
	r.get(path + "/differences").wantsCode(codeCountStatus)
	r.counted(path, "stockroom", 104)
	require.Equal(t, 0, r.told(path, "close").Result.Missing)

	// A newer count of the zone ends it for good; what could be said of it is kept.
	said := into[CountDetail](r.get(path)).Assessment
	second := r.openedCount(`{"zones":["stockroom","shelf-a"]}`)
	v = into[CountDetail](r.get(path).wants(200))
	require.True(t, v.Final)
	require.Nil(t, v.Progress)
	require.Equal(t, said, v.Assessment)
	require.NotNil(t, v.Result)
	r.post(path+"/reopen", "").wantsCode(codeCountStatus)
	r.get(path + "/differences").wants(200)
	require.Equal(t, "discarded", r.told(second, "discard").Status)
	r.get(second + "/differences").wantsCode(codeCountStatus)
	for _, verb := range []string{"pause", "resume", "pass", "close", "discard", "reopen"} {
		r.post(second+"/"+verb, "").wantsCode(codeCountStatus)
	}
}

func TestASlipWithACountIsAsked(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.tick()
	path := r.openedCount(`{"zones":["stockroom"]}`)
	id := strings.TrimPrefix(path, countsPath+"/")
	p := r.post(countsPath, `{"zones":["shelf-a","stockroom"]}`).wantsCode(codeZoneCounted)
	require.Contains(t, string(p.body), `"count":"`+id+`"`)
	require.Contains(t, string(p.body), `"zone":"stockroom"`)
	beside := countsPath + "/" + into[CountAnswer](r.post(countsPath+"?also=true", `{"zones":["stockroom"]}`).wants(201)).ID

	// What a handheld kept from yesterday is no evidence of today.
	old := r.clock().Add(-26*time.Hour - time.Second).UTC().Format(time.RFC3339)
	near := r.clock().Add(-90 * time.Second).UTC().Format(time.RFC3339)
	read := `{"epc":"(01)09521141123454(21)%d","read_point":"handheld-1","time":"%s"}`
	a := into[BatchAnswer](r.post(path+"/reads?wait=10s", "["+fmt.Sprintf(read, 100, old)+","+fmt.Sprintf(read, 101, near)+"]").wants(200))
	require.Equal(t, 1, a.Accepted)
	require.Contains(t, a.Rejected[0].Reason, "read 26h before the count was opened")

	p = r.post(beside+"/close", "").wantsCode(codeLittleRead)
	require.Contains(t, string(p.body), `"expected":5`)
	require.Contains(t, string(p.body), `"found":0`)
	require.Equal(t, "open", into[CountDetail](r.get(beside)).Status)
	require.Equal(t, 5, into[CountAnswer](r.post(beside+"/close?anyway=true", "").wants(200)).Count.Result.Missing)
	require.Equal(t, 1, r.told(path, "close").Result.Matched)
}

func TestTwoCountsCompared(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.tick()
	first := r.openedCount(`{"zones":["stockroom"]}`)
	r.counted(first, "stockroom", 100, 101, 102)
	r.told(first, "close")
	second := r.openedCount(`{"zones":["stockroom","shelf-a"]}`)
	r.counted(second, "stockroom", 101, 102, 103)
	id := strings.TrimPrefix(second, countsPath+"/")
	r.get(first + "/differences?against=" + id).wantsCode(codeCountStatus)
	r.told(second, "close")
	d := into[DifferencesView](r.get(first + "/differences?against=" + id).wants(200))
	require.Equal(t, 2, *d.InBoth)
	require.Len(t, d.Differences, 2)
	require.Equal(t, "only_here", d.Differences[0].Finding)
	require.Equal(t, "(01)09521141123454(21)100", d.Differences[0].Item)
	require.Equal(t, "only_there", d.Differences[1].Finding)
	require.Equal(t, "(01)09521141123454(21)103", d.Differences[1].Item)
	require.Contains(t, string(r.get(first+"/differences.html?against="+id).wants(200).body), "Both found 2 items.")

	third := r.openedCount(`{"zones":["front-tables"]}`)
	r.told(third, "close?anyway=1")
	for query, hint := range map[string]string{
		"against=" + strings.TrimPrefix(third, countsPath+"/"): "no zone in common",
		"against=umberhithe-count-9999":                        "no count", "against=" + strings.TrimPrefix(first,
			countsPath+"/"): "same count",
		"lines=all": "none of items, products", "lines=products&against=" + id: "by item only",
		"defuse=2": "must be true or false", "agains=x": "did you mean",
	} {
		for _, suffix := range []string{"", ".csv", ".xlsx", ".html"} {
			if strings.HasPrefix(query, "defuse") && suffix == "" {
				continue
			}
			require.Contains(t, string(r.get(first+"/differences"+suffix+"?"+query).wantsCode(kit.CodeInvalidParameter).body), hint)
		}
	}
}

func TestDifferencesInEveryForm(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.do("PATCH", "/v1/products", strings.Replace(testProducts, "The Harbour Light", "=2+2", 1), "Content-Type", "text/csv").wants(200)
	r.tick()
	path := r.openedCount(`{"zones":["stockroom"],"note":"<b>Monday</b>"}`)
	r.counted(path, "stockroom", 100, 101, 102, 200)
	r.told(path, "close")
	table := r.get(path + "/differences.csv").wants(200)
	rows, err := csv.NewReader(bytes.NewReader(table.body)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 4)
	require.Equal(t, []string{"What", "Finding", "Item", "GTIN", "SKU", "Product", "Zone", "Was in", "Reads"}, rows[0])
	require.Equal(t, "missed_once", rows[1][1])
	require.Equal(t, "'=2+2", rows[1][5], "no spreadsheet runs a product's name")
	require.Contains(t, table.header.Get("Content-Disposition"), ".csv")
	require.Contains(t, string(r.get(path+"/differences.csv?defuse=0").wants(200).body), ",=2+2,")
	require.Equal(t, table.body, r.do("GET", path+"/differences", "", "Accept", "text/csv").wants(200).body)

	book, err := excelize.OpenReader(bytes.NewReader(r.get(path + "/differences.xlsx").wants(200).body))
	require.NoError(t, err)
	cell, err := book.GetCellValue(book.GetSheetName(0), "D2")
	require.NoError(t, err)
	require.Equal(t, "09521141123454", cell, "no GTIN loses its zeros")

	page := r.get(path + "/differences.html").wants(200)
	text := string(page.body)
	require.Contains(t, text, "Umberhithe Books")
	require.Contains(t, text, "&lt;b&gt;Monday")
	require.Contains(t, text, "5 expected: 3 of them found, 2 not heard. 1 more found that were not expected.")
	require.Contains(t, text, "Accuracy by item 50.0 %, by product line 0.0 % (0 of 1 lines).")
	require.Contains(t, text, "one item too many or too few")
	require.Contains(t, text, estimate.Caution)
	require.Contains(t, text, "Expected, not heard this time: look again")
	require.Contains(t, page.header.Get("Content-Security-Policy"), "default-src 'none'")
	require.Contains(t, string(r.get(path+"/differences.html?lines=products").wants(200).body), "09521141123454")
	r.do("GET", path+"/differences", "", "Accept", "image/png").wantsCode(kit.CodeNotAcceptable)
	require.Contains(t, string(r.do("GET", path+"/differences", "", "Accept",
		"text/html,application/xhtml+xml,*/*;q=0.8").wants(200).body), "<!doctype html>")
	book, err = excelize.OpenReader(bytes.NewReader(r.get(path + "/items.xlsx").wants(200).body))
	require.NoError(t, err)
	cell, err = book.GetCellValue(book.GetSheetName(0), "B2")
	require.NoError(t, err)
	require.Equal(t, "09521141123454", cell)
	r.do("GET", path+"/items", "", "Accept", "image/png").wantsCode(kit.CodeNotAcceptable)
	open := r.openedCount(`{"zones":["till"]}`)
	for _, suffix := range []string{"", ".csv", ".xlsx"} {
		r.get(countsPath + "/umberhithe-count-9999/items" + suffix).wantsCode(codeUnknownCount)
		r.get("/v1/sites/nowhere/counts/nowhere-count-1/items" + suffix).wantsCode(kit.CodeUnknownSite)
		r.get(open + "/items" + suffix).wants(200)
		r.get(path + "/items" + suffix + "?limits=3").wantsCode(kit.CodeInvalidParameter)
	}
	for _, suffix := range []string{".csv", ".xlsx", ".html"} {
		r.get(countsPath + "/umberhithe-count-9999/differences" + suffix).wantsCode(codeUnknownCount)
		r.get("/v1/sites/nowhere/counts/nowhere-count-1/differences" + suffix).wantsCode(kit.CodeUnknownSite)
		r.get(open + "/differences" + suffix).wantsCode(codeCountStatus)
	}
}

func TestADeliveryAgainstItsPapers(t *testing.T) {
	r := newRig(t).shop()
	path := r.openedCount(`{"zones":["stockroom"],"delivery":{"epcs":["(01)09521141123454(21)1","3036451FD40C0E4000000002"],"products":[{"sku":"UB-1001","quantity":2},{"gtin":"9521234000013","quantity":1}]}}`)
	r.counted(path, "stockroom", 1, 3, 4, 5)
	v := into[CountDetail](r.get(path).wants(200))
	require.True(t, v.Delivery)
	require.Equal(t, 5, v.Expected)
	require.Equal(t, 3, v.Progress.Found)
	v = *r.told(path, "close")
	require.Equal(t, []int{5, 3, 2, 1}, []int{v.Result.Expected, v.Result.Matched, v.Result.Missing, v.Result.Unexpected})
	d := into[DifferencesView](r.get(path + "/differences").wants(200))
	require.Equal(t, "not_delivered", d.Differences[0].Finding)
	require.Equal(t, "more_than_papers", d.Differences[1].Finding)
	require.Equal(t, "sellable_not_accessible", into[ItemView](
		r.get("/v1/sites/umberhithe/items/(01)09521141123454(21)3").wants(200)).Disposition)
}

func TestCountsThatAreNotOpened(t *testing.T) {
	r := newRig(t).shop()
	twice := strings.Replace(testProducts, "UB-1002", "UB-1001", 1)
	r.do("PUT", "/v1/products", twice, "Content-Type", "text/csv").wants(200)
	for body, want := range map[string]string{
		`{}`:                                   "zones: it is empty",
		`{"zones":["stockrom"]}`:               `did you mean \"stockroom\"?`,
		`{"zones":["till","till"]}`:            "twice",
		`{"zones":["till"],"missing_after":3}`: "1 or 2",
		`{"zones":["till"],"note":"` + strings.Repeat("x", 1001) + `"}`:                                      "longer than",
		`{"zones":["till"],"delivery":{}}`:                                                                   "it says nothing",
		`{"zones":["till"],"delivery":{"epcs":["zz"]}}`:                                                      "delivery.epcs[0]",
		`{"zones":["till"],"delivery":{"epcs":["` + harbourLight + `","` + harbourLight + `"]}}`:             "twice",
		`{"zones":["till"],"delivery":{"products":[{"quantity":1}]}}`:                                        "no product is named",
		`{"zones":["till"],"delivery":{"products":[{"gtin":"9521234000013","sku":"UB-1001","quantity":1}]}}`: "not both",
		`{"zones":["till"],"delivery":{"products":[{"gtin":"9521234000014","quantity":1}]}}`:                 "gtin:",
		`{"zones":["till"],"delivery":{"products":[{"sku":"UB-9","quantity":1}]}}`:                           "no SKU",
		`{"zones":["till"],"delivery":{"products":[{"sku":"UB-1001","quantity":1}]}}`:                        "stands for 2 products",
		`{"zones":["till"],"delivery":{"products":[{"gtin":"9521234000013","quantity":0}]}}`:                 "no number from 1",
		`{"zones":["till"],"delivery":{"products":[` + strings.Repeat(`{},`, maxPapersProducts) + `{}]}}`:    "at most 10000",
		`{"zones":["till"],"delivery":{"epcs":[` + strings.Repeat(`"",`, maxPapersTags) + `""]}}`:            "at most 50000",
		`{"zones":[` + strings.Repeat(`"a",`, 200) + `"a"]}`:                                                 "and 200 more",
		`{"zones":["till"],"zone":"till"}`:                                                                   "unknown field",
	} {
		p := r.post(countsPath, body).wantsCode(kit.CodeInvalidBody)
		require.Contains(t, string(p.body), want, body[:min(len(body), 200)])
	}
	r.post(countsPath, `{`).wantsCode(kit.CodeInvalidJSON)
	r.bodyFaults("POST", countsPath, kit.MediaJSON, true)
	require.Empty(t, into[CountList](r.get(countsPath)).Counts)
}

func TestListOfCounts(t *testing.T) {
	r := newRig(t).shop()
	var ids []string
	for _, zone := range []string{"till", "stockroom", "shelf-a"} {
		ids = append([]string{strings.TrimPrefix(r.openedCount(`{"zones":["`+zone+`"]}`), countsPath+"/")}, ids...)
	}
	r.told(countsPath+"/"+ids[0], "close")
	r.told(countsPath+"/"+ids[1], "pause")
	var got []string
	for next := ""; ; {
		page := into[CountList](r.get(countsPath + "?limit=2&cursor=" + next).wants(200))
		for _, v := range page.Counts {
			got = append(got, v.ID)
		}
		if next = page.Next; next == "" {
			break
		}
	}
	require.Equal(t, ids, got)
	for query, n := range map[string]int{"": 3, "status=all": 3, "status=active": 2, "status=closed": 1,
		"status=open": 1, "status=paused": 1, "status=discarded": 0, "zone=till": 1, "zone=till&status=closed": 0} {
		require.Len(t, into[CountList](r.get(countsPath+"?"+query).wants(200)).Counts, n, query)
	}
	for _, query := range []string{"status=done", "zone=tilll", "limit=0", "cursor=!", "cursor=YQ", "x=1"} {
		r.get(countsPath + "?" + query).wantsCode(kit.CodeInvalidParameter)
	}
	for _, id := range []string{"umberhithe-count-9999", "pier-count-1", "x", "umberhithe-count-" + strings.Repeat("1", 300)} {
		r.get(countsPath + "/" + id).wantsCode(codeUnknownCount)
		r.get(countsPath + "/" + id + "/differences").wantsCode(codeUnknownCount)
		r.post(countsPath+"/"+id+"/reads", `[]`).wantsCode(codeUnknownCount)
		for _, v := range countVerbs {
			r.post(countsPath+"/"+id+"/"+v.do, "").wantsCode(codeUnknownCount)
		}
	}
	r.get(countsPath + "/" + ids[0] + "?x=1").wantsCode(kit.CodeInvalidParameter)
}

// The word for what to do next agrees with the figures beside it.
func TestWhatToDoNextInACount(t *testing.T) {
	for _, x := range []struct {
		next              string
		unique, found     int
		pass, unseen      int
		quiet             float64
		closed, discarded bool
	}{
		{next: nextGoOn},
		{next: nextGoOn, unique: 20, found: 20, pass: 1, quiet: 19},
		{next: nextOnceMore, unique: 19, found: 19, pass: 1, quiet: 45},
		{next: nextDone, unique: 20, found: 20, pass: 1, quiet: 45},
		{next: nextDone, unique: 19, found: 19, pass: 2, quiet: 45},
		{next: nextOnceMore, unique: 20, found: 20, pass: 2, unseen: 3, quiet: 45},
		{next: nextDone, unique: 20, found: 20, pass: 4, unseen: 3, quiet: 45},
		{next: nextDone, unique: 1, pass: 1, closed: true},
		{next: nextDone, unique: 1, pass: 1, discarded: true},
	} {
		v := &CountDetail{
			CountView: CountView{Unique: x.unique, Expected: 20, Pass: x.pass}, Progress: &CountProgress{Found: x.found, QuietSeconds: x.quiet},
			Assessment: &estimate.Assessment{Usable: x.unseen > 0, UnseenAtLeast: x.unseen},
		}
		if x.closed {
			v.Closed = moment(1)
		}
		if x.discarded {
			v.Status = event.CountDiscarded.String()
		}
		require.Equal(t, x.next, v.next(), "%+v", x)
	}
}

// keyFaults tries what can be wrong with any POST that keeps its answer for an Idempotency-Key, and
// has a body or none.
func (r *rig) keyFaults(path, body string, ok int) {
	r.t.Helper()
	r.do("POST", path, body, "Idempotency-Key", `"a"b"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.do("POST", path+"?x=1", body).wantsCode(kit.CodeInvalidParameter)
	r.do("POST", path, "x", "Idempotency-Key", "f1", "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	r.do("POST", path, "x", "Idempotency-Key", "f2", "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	r.do("POST", path, strings.Repeat(" ", 5<<20), "Idempotency-Key", "f3").wantsCode(kit.CodeBodyTooLarge)
	r.send(r.cutShort("POST", path, "Idempotency-Key", "f4")).wantsCode(kit.CodeInvalidBody)
	first := r.do("POST", path, body, "Idempotency-Key", path).wants(ok)
	again := r.do("POST", path, body, "Idempotency-Key", path).wants(ok)
	require.Equal(r.t, string(first.body), string(again.body))
	require.Equal(r.t, "true", again.header.Get(kit.HeaderReplayed))
	r.do("POST", path, body+" ", "Idempotency-Key", path).wantsCode(kit.CodeIdempotencyMismatch)
}

func TestCountsAreIdempotent(t *testing.T) {
	r := newRig(t).shop()
	r.keyFaults(countsPath, `{"zones":["till"]}`, 201)
	list := into[CountList](r.get(countsPath)).Counts
	require.Len(t, list, 1, "one count, whatever was sent twice")
	path := countsPath + "/" + list[0].ID
	for _, verb := range []string{"pass", "pause", "resume", "close", "reopen", "discard"} {
		r.keyFaults(path+"/"+verb, "", 200)
	}
	require.Equal(t, 3, into[CountDetail](r.get(path)).Pass, "one pass marked, one reopening")

	path = r.openedCount(`{"zones":["till"]}`)
	body := `[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"till"}]`
	first := r.do("POST", path+"/reads", body, "Idempotency-Key", "k").wants(202)
	again := r.do("POST", path+"/reads", body, "Idempotency-Key", "k").wants(202)
	require.Equal(t, string(first.body), string(again.body))
	r.do("POST", path+"/reads", body+" ", "Idempotency-Key", "k").wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", path+"/reads", body, "Idempotency-Key", `""`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.post(path+"/reads?wait=soon", body).wantsCode(kit.CodeInvalidParameter)
	r.post(path+"/reads", `[{]`).wantsCode(kit.CodeInvalidJSON)
	r.post(path+"/reads", `"x"`).wantsCode(kit.CodeInvalidBody)
	r.post(path+"/reads", "["+strings.Repeat("{},", r.api.opt.BatchLimit)+"{}]").wantsCode(codeBatchTooLarge)
	r.bodyFaults("POST", path+"/reads", kit.MediaJSON, true)
	a := into[BatchAnswer](r.do("POST", path+"/reads?wait=5s", `{"epc":"`+harbourLight+`","read_point":"till-1"}`+"\n",
		"Content-Type", mediaNDJSON).wants(200))
	require.Equal(t, 1, a.Accepted)
	require.Equal(t, 1, into[CountDetail](r.get(path)).Unique)

	r.told(path, "discard")
	several := r.openedCount(`{"zones":["till","shelf-a"]}`)
	b := into[BatchAnswer](r.post(several+"/reads", `[{"epc":"`+harbourLight+`","read_point":"handheld-1"},{"epc":"`+
		harbourLight+`","read_point":"shelf-a-1"}]`).wants(202))
	require.Equal(t, 1, b.Accepted, "a fixed reader says by itself where it is")
	require.Contains(t, b.Rejected[0].Reason, "say which: till, shelf-a")
}

func TestCountsWhileNobodyFolds(t *testing.T) {
	r := newRig(t).shop()
	path := r.openedCount(`{"zones":["till"]}`)
	r.told(path, "close")
	other := r.openedCount(`{"zones":["shelf-a"]}`)
	r.run.Stop()
	r.api.foldPatience = 10 * time.Millisecond
	require.False(t, into[CountAnswer](r.post(countsPath, `{"zones":["till"]}`).wants(202)).Processed)
	for _, verb := range []string{"pass", "pause", "close", "discard"} {
		require.False(t, into[CountAnswer](r.post(other+"/"+verb, "").wants(202)).Processed)
	}
	require.False(t, into[CountAnswer](r.post(path+"/reopen", "").wants(202)).Processed)
	note("resumeCount 202") // the same code
}

// TestACountSurvivesARestart stops the process in the middle of a count and goes on with another on
// the same store.
func TestACountSurvivesARestart(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.tick()
	path := r.openedCount(`{"zones":["stockroom"]}`)
	r.counted(path, "stockroom", 100, 101)
	r.told(path, "pass")
	r.counted(path, "stockroom", 101, 102)
	before := into[CountDetail](r.get(path + "?curve=true").wants(200))

	r.run.Stop()
	r.run = runner.New(runner.Options{Store: r.store, Log: r.api.log, Now: r.clock, Node: "second"})
	require.NoError(t, r.run.Start(context.Background()))
	r.api = New(Options{Store: r.store, Runner: r.run, Dispatcher: r.sends, Log: r.api.log, Now: r.clock})
	after := into[CountDetail](r.get(path + "?curve=true").wants(200))
	require.Equal(t, before.CountView, after.CountView)
	require.Equal(t, before.Progress.Repeats, after.Progress.Repeats)
	require.Equal(t, before.Progress.InPasses, after.Progress.InPasses)

	r.counted(path, "stockroom", 100, 101, 102, 103)
	r.told(path, "close")
	closed := into[CountDetail](r.get(path + "?curve=true").wants(200))
	v := &closed
	require.Equal(t, 4, v.Unique, "no tag twice")
	require.Equal(t, &stocktake.Histogram{1, 2, 1}, v.Progress.Repeats)
	require.Equal(t, &stocktake.Histogram{2, 2}, v.Progress.InPasses)
	require.Equal(t, []int{5, 4, 1, 0}, []int{v.Result.Expected, v.Result.Matched, v.Result.Missing, v.Result.Unexpected})
	require.Equal(t, http.StatusOK, r.get(path+"/differences.html").status)
}

func TestCountsOfUnknownSites(t *testing.T) {
	r := newRig(t)
	const path = "/v1/sites/nowhere/counts"
	r.get(path).wantsCode(kit.CodeUnknownSite)
	r.post(path, `{"zones":["till"]}`).wantsCode(kit.CodeUnknownSite)
	for _, rest := range []string{"", "/differences"} {
		r.get(path + "/nowhere-count-1" + rest).wantsCode(kit.CodeUnknownSite)
	}
	r.post(path+"/nowhere-count-1/reads", `[]`).wantsCode(kit.CodeUnknownSite)
	for _, v := range countVerbs {
		r.post(path+"/nowhere-count-1/"+v.do, "").wantsCode(kit.CodeUnknownSite)
	}
}
