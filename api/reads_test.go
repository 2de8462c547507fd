package api

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"lintel/api/kit"

	"github.com/stretchr/testify/require"
)

func TestReadsBecomeItems(t *testing.T) {
	r := newRig(t).shop()
	a := into[BatchAnswer](r.reads(`[{"epc":"` + harbourLight +
		`","read_point":"handheld-1","zone":"shelf-a"},{"epc":"zz","read_point":"handheld-1"},{"read_point":"tables-1"}]`).wants(202))
	require.Equal(t, 2, a.Accepted)
	require.Len(t, a.Rejected, 1)
	require.Equal(t, 1, a.Rejected[0].Index)
	require.NotNil(t, a.Entry)
	require.Nil(t, a.Processed)
	r.until("the item", func() bool { return r.get("/v1/sites/umberhithe/items/"+harbourLight).status == 200 })
	v := into[ItemView](r.get("/v1/sites/umberhithe/items/" + harbourLight))
	require.Equal(t, "(01)09521141123454(21)6789", v.Item)
	require.Equal(t, "shelf-a", v.Zone)
	require.Equal(t, "The Harbour Light", v.Product.Name)
	require.Equal(t, "sellable_accessible", v.Disposition)
	require.Equal(t, "https://id.gs1.org/01/09521141123454/21/6789", v.Forms.DigitalLink)

	metrics := string(r.get("/metrics").wants(200).body)
	require.Contains(t, metrics, `lintel_accepted_total{kind="read",site="umberhithe"} 2`)
	require.Contains(t, metrics, `lintel_rejected_total{kind="read",read_point="handheld-1",reason="identity",site="umberhithe"} 1`)
	require.Contains(t, metrics, `lintel_http_requests_total{code="202",method="POST",route="/v1/sites/:site/reads"} 1`)
}

// An operator who declares an item in one place and then in another means the second, even if the
// server's clock shows the same millisecond for both.
func TestTheLaterDeclarationHoldsWithinOneMillisecond(t *testing.T) {
	now := time.Now()
	r := newRig(t, func(o *Options) { o.Now = func() time.Time { return now } }).shop()
	where := func(zone string) {
		t.Helper()
		require.Equal(t, zone, into[ItemView](r.get("/v1/sites/umberhithe/items/"+harbourLight).wants(200)).Zone)
	}
	for _, zone := range []string{"shelf-a", "front-tables", "shelf-a"} {
		a := into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=5s", `[{"epc":"`+harbourLight+
			`","read_point":"handheld-1","zone":"`+zone+`"}]`).wants(200))
		require.NotEmpty(t, a.Facts, "%s is a move", zone)
		where(zone)
	}
	for _, zone := range []string{"front-tables", "shelf-a"} {
		r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"moved","epc":"`+harbourLight+`","zone":"`+zone+`"}`).wants(200)
		where(zone)
	}
	// A batch that is sent again with its own time changes nothing.
	once := fmt.Sprintf(`[{"epc":"%s","read_point":"handheld-1","zone":"front-tables","time":%d}]`, harbourLight, now.UnixMilli()+100)
	now = now.Add(100 * time.Millisecond)
	for range 2 {
		r.post("/v1/sites/umberhithe/reads?wait=5s", once).wants(200)
	}
	where("front-tables")
	require.Empty(t, into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=5s", once).wants(200)).Facts)
}

func TestStampsKeepNearTheClock(t *testing.T) {
	s := stamps{last: make(map[string]int64)}
	require.EqualValues(t, 5000, s.next("umberhithe", 5000))
	require.EqualValues(t, 5001, s.next("umberhithe", 5000))
	require.EqualValues(t, 5000, s.next("pier", 5000), "sites have clocks of their own")
	require.EqualValues(t, 5002, s.next("umberhithe", 4990), "nor back when the clock is set back a little")
	for range 3 * stampLead {
		require.LessOrEqual(t, s.next("umberhithe", 5000), int64(5000+stampLead))
	}
	require.EqualValues(t, 9000, s.next("umberhithe", 9000))
}

func TestNothingAcceptedIsNoEntry(t *testing.T) {
	r := newRig(t).shop()
	_, before, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	for _, body := range []string{`[]`, `{"reads":[]}`, `[{"epc":"zz","read_point":"tables-1"}]`} {
		r.reads(body).wantsCode(codeNothingAccepted)
	}
	bad := r.reads(`[{"epc":"zz","read_point":"tables-1"},7]`).wantsCode(codeNothingAccepted).json()
	require.Len(t, bad["rejected"], 2)
	r.reads(`[{"epc":"` + harbourLight + `","read_point":"tables-1","antenna":1}]`).wantsCode(codeNothingAccepted)
	require.Equal(t, 1, strings.Count(r.log.String(), `read_point=tables-1`), "it is logged once a minute for a read point")
	r.post("/v1/sites/umberhithe/events", `{"events": [{"type": "sold", "epc": "`+harbourLight+`"}]}`).wantsCode(codeNothingAccepted)
	require.Contains(t, string(r.post("/v1/sites/umberhithe/events", `{"events": []}`).body), "send the array itself")
	_, newest, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.Equal(t, before, newest)
}

func TestReadsWaitForTheFold(t *testing.T) {
	r := newRig(t).shop()
	a := into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=5s", `[{"epc":"`+harbourLight+
		`","read_point":"handheld-1","zone":"shelf-a"}]`).wants(200))
	require.True(t, *a.Processed)
	require.True(t, *a.Complete)
	require.NotEmpty(t, a.Facts)
	require.Equal(t, "arrived", a.Facts[0].Cause)
	require.Equal(t, *a.Entry, a.Facts[0].Entry)
	require.Len(t, a.Alerts, 1)
	require.Equal(t, "in-the-shelf", a.Alerts[0].Alert.Rule)
	require.NotEmpty(t, a.Alerts[0].Alert.Notice)

	sale := into[BatchAnswer](r.post("/v1/sites/umberhithe/events?wait=5",
		`{"type":"sold","epc":"(01)09521141123454(21)6789","zone":"till","ref":"R-1"}`).wants(200))
	require.Equal(t, "sold", sale.Facts[0].Cause)
	require.Equal(t, "R-1", sale.Facts[0].Ref)

	for _, bad := range []string{"11s", "-1s", "soon", "1e9", "NaN"} {
		r.post("/v1/sites/umberhithe/reads?wait="+bad, `[]`).wantsCode(kit.CodeInvalidParameter)
		r.post("/v1/sites/umberhithe/events?wait="+bad, `[]`).wantsCode(kit.CodeInvalidParameter)
	}
}

func TestWaitEndsWithoutTheFold(t *testing.T) {
	r := newRig(t).shop()
	r.run.Stop() // nobody folds
	a := into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=20ms", `[{"epc":"`+harbourLight+
		`","read_point":"tables-1"}]`).wants(202))
	require.False(t, *a.Processed)
	require.NotNil(t, a.Entry)
}

func TestReadsAreIdempotent(t *testing.T) {
	r := newRig(t).shop()
	body := `[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`
	for _, path := range []string{"/v1/sites/umberhithe/reads", "/v1/sites/umberhithe/events"} {
		if strings.HasSuffix(path, "events") {
			body = `[{"type":"sold","epc":"` + harbourLight + `","zone":"till"}]`
		}
		key := `"` + path + `-1"`
		first := r.do("POST", path, body, "Idempotency-Key", key).wants(202)
		again := r.do("POST", path, body, "Idempotency-Key", strings.Trim(key, `"`)).wants(202)
		require.Equal(t, string(first.body), string(again.body), "quoted or bare, it is the same key")
		require.Empty(t, first.header.Get(kit.HeaderReplayed))
		require.Equal(t, "true", again.header.Get(kit.HeaderReplayed))

		waited := into[BatchAnswer](r.do("POST", path+"?wait=5s", body, "Idempotency-Key", key).wants(200))
		require.True(t, *waited.Complete)
		require.NotEmpty(t, waited.Facts, "what an earlier entry came to is on record")
		require.Equal(t, into[BatchAnswer](first).Entry, waited.Entry)

		r.do("POST", path, "["+body[1:len(body)-1]+","+body[1:], "Idempotency-Key", key).wantsCode(kit.CodeIdempotencyMismatch)
		for _, bad := range []string{`""`, `"a`, `"a"b"`, strings.Repeat("x", 256), "caf\u00e9"} {
			r.do("POST", path, body, "Idempotency-Key", bad).wantsCode(kit.CodeInvalidIdempotencyKey)
		}
		// Another caller's key of the same name is another key.
		r.as(r.key("gate", kit.ScopeReads, kit.ScopeSales), func(r *rig) {
			other := r.do("POST", path, body, "Idempotency-Key", key).wants(202)
			require.NotEqual(t, into[BatchAnswer](first).Entry, into[BatchAnswer](other).Entry)
		})
	}
	metrics := string(r.get("/metrics").body)
	require.Contains(t, metrics, `lintel_accepted_total{kind="read",site="umberhithe"} 2`, "a repeated batch counts once")
}

func TestBodiesThatAreRefused(t *testing.T) {
	r := newRig(t, func(o *Options) { o.BodyLimit, o.BatchLimit = 4096, 10 }).shop()
	good := `[{"epc":"` + harbourLight + `","read_point":"tables-1"}]`
	for _, path := range []string{"/v1/sites/umberhithe/reads", "/v1/sites/umberhithe/events"} {
		r.post(path, `[{]`).wantsCode(kit.CodeInvalidJSON)
		r.post(path, `"x"`).wantsCode(kit.CodeInvalidBody)
		r.post(path, "[\"\xff\"]").wantsCode(kit.CodeInvalidJSON)
		r.post(path, strings.Repeat("[", 3000)).wantsCode(kit.CodeInvalidJSON)
		r.post(path, "["+strings.Repeat("{},", 10)+"{}]").wantsCode(codeBatchTooLarge)
		p := r.post(path, "["+strings.Repeat(" ", 5000)+"]").wantsCode(kit.CodeBodyTooLarge)
		require.EqualValues(t, 4096, p.json()["limit"])
		r.do("POST", path, good, "Content-Type", "text/csv").wantsCode(kit.CodeUnsupportedType)
		r.do("POST", path, good, "Content-Type", "/;").wantsCode(kit.CodeUnsupportedType)
		r.do("POST", path, good, "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
		r.do("POST", path, good, "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
		r.do("POST", path, string(zipped(t, []byte(good))[:20]), "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
		// A body of unknown length is cut off too.
		req := httptest.NewRequest("POST", path, strings.NewReader("["+strings.Repeat(" ", 5000)+"]"))
		req.ContentLength = -1
		req.Header.Set("Authorization", "Bearer "+r.admin)
		r.send(req).wantsCode(kit.CodeBodyTooLarge)
	}
	// A bomb: few bytes that inflate to many.
	bomb := bytes.Repeat(zipped(t, bytes.Repeat([]byte(" "), 1<<20)), 50) // gzip data may have several members (RFC 1952, section 2.2)
	require.Less(t, len(bomb), 100_000)
	small := newRig(t, func(o *Options) { o.BodyLimit = 1 << 20 }).shop()
	small.do("POST", "/v1/sites/umberhithe/reads", string(bomb), "Content-Encoding", "gzip").wantsCode(kit.CodeBodyTooLarge)
}

func zipped(t testing.TB, b []byte) []byte {
	var buf bytes.Buffer
	z := gzip.NewWriter(&buf)
	_, err := z.Write(b)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return buf.Bytes()
}

func TestReadsInOtherClothes(t *testing.T) {
	r := newRig(t).shop()
	one := `{"epc":"` + harbourLight + `","read_point":"tables-1"}`
	a := into[BatchAnswer](r.do("POST", "/v1/sites/umberhithe/reads", one+"\n"+one+"\n{oops}\n", "Content-Type",
		"application/x-ndjson; charset=utf-8").wants(202))
	require.Equal(t, 2, a.Accepted)
	require.Len(t, a.Rejected, 1)
	a = into[BatchAnswer](r.do("POST", "/v1/sites/umberhithe/reads", string(zipped(t, []byte("["+one+"]"))),
		"Content-Encoding", "gzip", "Content-Type", "application/json").wants(202))
	require.Equal(t, 1, a.Accepted)
	// The body counts for the kit.Fingerprint, not how it was packed.
	first := r.do("POST", "/v1/sites/umberhithe/reads", "["+one+"]", "Idempotency-Key", "k").wants(202)
	again := r.do("POST", "/v1/sites/umberhithe/reads", string(zipped(t, []byte("["+one+"]"))), "Content-Encoding",
		"gzip", "Idempotency-Key", "k").wants(202)
	require.Equal(t, string(first.body), string(again.body))
}

func TestEvents(t *testing.T) {
	r := newRig(t).shop()
	path := "/v1/sites/umberhithe/events?wait=5s"
	a := into[BatchAnswer](r.post(path, `[
	  {"type":"received","epcs":["(01)09521141123454(21)1","(01)09521141123454(21)2","(01)09521141123454(21)1"],"zone":"stockroom","ref":"D-7","time":"2026-01-01T00:00:00Z"},
	  {"type":"registered","epc":"E2003412DC03011878901234","gtin":"9521141123454"},
	  {"type":"moved","epc":"(01)09521141123454(21)1","zone":"front-tables","time":null}
	]`).wants(200))
	require.Equal(t, 3, a.Accepted)
	it := into[ItemView](r.get("/v1/sites/umberhithe/items/E2003412DC03011878901234").wants(200))
	require.Equal(t, "09521141123454", it.GTIN)

	for body, want := range map[string]string{
		`{"epc":"` + harbourLight + `"}`:                                                        `"type" is missing`,
		`{"type":"solt","epc":"` + harbourLight + `"}`:                                          `did you mean "sold"?`,
		`{"type":"sold"}`:                                                                       "no item",
		`{"type":"sold","epc":"` + harbourLight + `","epcs":[]}`:                                "not both",
		`{"type":"sold","epcs":["` + harbourLight + `","zz"]}`:                                  "epcs[1]",
		`{"type":"sold","epcs":"` + harbourLight + `"}`:                                         "array of texts",
		`{"type":"sold","epc":7}`:                                                               "must be a text",
		`{"type":"sold","type":"sold","epc":"` + harbourLight + `"}`:                            "twice",
		`{"type":"sold","epc":"` + harbourLight + `","zone":"til"}`:                             `did you mean "till"?`,
		`{"type":"sold","epc":"` + harbourLight + `","till":"1"}`:                               "unknown member",
		`{"type":"sold","epc":"` + harbourLight + `","time":"2126-01-01T00:00:00Z"}`:            "ahead",
		`{"type":"sold","epc":"` + harbourLight + `","time":1700000000}`:                        "seconds",
		`{"type":"sold","epc":"` + harbourLight + `","time":[]}`:                                "RFC 3339",
		`{"type":"sold","epc":"` + harbourLight + `","ref":"` + strings.Repeat("x", 129) + `"}`: `"ref"`,
		`{"type":"sold","epc":"` + harbourLight + `","gtin":"9521141123454"}`:                   "registered only",
		`{"type":"moved","epc":"` + harbourLight + `"}`:                                         "where the items are now",
		`{"type":"registered","epc":"` + harbourLight + `"}`:                                    "needs a",
		`{"type":"registered","epc":"` + harbourLight + `","gtin":"9521141123455"}`:             "gtin",
		`7`: "an event is an object",
	} {
		a := into[BatchAnswer](r.post("/v1/sites/umberhithe/events", "["+body+"]").wantsCode(codeNothingAccepted))
		require.Len(t, a.Rejected, 1)
		require.Contains(t, a.Rejected[0].Reason, want, body)
	}
	r.post("/v1/sites/umberhithe/events", `{"type":"sold","epc":"`+harbourLight+`"} x`).wantsCode(kit.CodeInvalidJSON)
}

func TestReadsOfALoadingSiteAreTaken(t *testing.T) {
	r := newRig(t).shop()
	r.reads(`[{"epc":"` + harbourLight + `","read_point":"tables-1"}]`).wants(202)
	// Nobody works the site here, and it was never loaded by this API.
	r.run.Stop()
	other := New(Options{Store: r.store, Runner: r.run, Log: r.api.log, Now: r.clock})
	r.api = other
	a := into[BatchAnswer](r.reads(`[{"epc":"` + harbourLight + `","read_point":"tables-1"},{"epc":"` + harbourLight +
		`","read_point":"no"}]`).wants(202))
	require.Equal(t, 1, a.Accepted)
	require.Len(t, a.Rejected, 1)
}

func TestUnknownSites(t *testing.T) {
	r := newRig(t)
	for _, site := range []string{"nowhere", "_answers", "No-Such", "a%2Fb"} {
		r.post("/v1/sites/"+site+"/reads", `[]`).wantsCode(kit.CodeUnknownSite)
		r.post("/v1/sites/"+site+"/events", `[]`).wantsCode(kit.CodeUnknownSite)
		for _, path := range []string{"items", "items/" + harbourLight, "items/" + harbourLight + "/trail", "stock",
			"facts", "live", "layout", "layout/versions", "read-points"} {
			rep := r.get("/v1/sites/" + site + "/" + path)
			if path == "layout/versions" && site == "nowhere" {
				rep.wantsCode(codeUnknownDocument)
			} else {
				rep.wantsCode(kit.CodeUnknownSite)
			}
		}
	}
	r.put("/v1/sites/_answers/layout", testLayout).wantsCode(kit.CodeUnknownSite)
}

func TestManyReadsAtOnce(t *testing.T) {
	r := newRig(t).shop()
	const workers, batches = 8, 20
	done := make(chan bool, workers)
	for w := range workers {
		go func() {
			defer func() { done <- true }()
			for b := range batches {
				var list []string
				for i := range 10 {
					list = append(list, fmt.Sprintf(
						`{"epc":"3036451FD40C0E4000%06X","read_point":"handheld-1","zone":"shelf-a"}`, w*1000+b*10+i))
				}
				req := httptest.NewRequest("POST", "/v1/sites/umberhithe/reads", strings.NewReader("["+strings.Join(list, ",")+"]"))
				req.Header.Set("Authorization", "Bearer "+r.admin)
				rec := httptest.NewRecorder()
				r.api.Handler().ServeHTTP(rec, req)
				if rec.Code != 202 {
					t.Errorf("%d: %s", rec.Code, rec.Body)
				}
			}
		}()
	}
	for range workers {
		<-done
	}
	r.until("all items", func() bool {
		return into[SiteList](r.get("/v1/sites")).Sites[0].Items == workers*batches*10
	})
}
