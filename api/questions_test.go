package api

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
)

// stocked puts books into the shop: 5 Harbour Lights in the stockroom, one on the front tables, one
// Low Water on shelf A.
func (r *rig) stocked() *rig {
	var list []string
	for i := range 5 {
		list = append(list, fmt.Sprintf(`{"epc":"(01)09521141123454(21)%d","read_point":"handheld-1","zone":"stockroom"}`, 100+i))
	}
	list = append(list, `{"epc":"(01)09521141123454(21)200","read_point":"handheld-1","zone":"front-tables"}`,
		`{"epc":"(01)09521234000013(21)1","read_point":"handheld-1","zone":"shelf-a"}`)
	a := into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=10s", "["+strings.Join(list, ",")+"]").wants(200))
	require.True(r.t, *a.Processed)
	return r
}

func TestItemsOfASite(t *testing.T) {
	r := newRig(t).shop().stocked()
	path := "/v1/sites/umberhithe/items"
	all := into[ItemList](r.get(path).wants(200))
	require.Len(t, all.Items, 7)
	require.Empty(t, all.Next)
	var paged []ItemView
	for next := ""; ; {
		page := into[ItemList](r.get(path + "?limit=3&cursor=" + next).wants(200))
		paged = append(paged, page.Items...)
		if next = page.Next; next == "" {
			break
		}
		require.Len(t, page.Items, 3)
	}
	require.Equal(t, all.Items, paged)
	require.Equal(t, 7, *all.Total)
	middle := into[ItemList](r.get(path + "?limit=3&skip=2").wants(200))
	require.Equal(t, all.Items[2:5], middle.Items)
	require.Equal(t, 7, *middle.Total)
	rest := into[ItemList](r.get(path + "?cursor=" + middle.Next).wants(200))
	require.Equal(t, all.Items[5:], rest.Items)
	require.Nil(t, rest.Total)
	require.Empty(t, into[ItemList](r.get(path+"?skip=7").wants(200)).Items)
	require.Len(t, into[ItemList](r.get(path+"?zone=stockroom")).Items, 5)
	require.Len(t, into[ItemList](r.get(path+"?product=UB-1001")).Items, 6)
	require.Len(t, into[ItemList](r.get(path+"?product=9521141123454")).Items, 6)
	require.Len(t, into[ItemList](r.get(path+"?product=UB-1001&zone=front-tables&disposition=sellable_accessible")).Items, 1)
	require.Empty(t, into[ItemList](r.get(path+"?product=9521234000020")).Items)
	for query, hint := range map[string]string{
		"zone=stockrom": `did you mean \"stockroom\"?`, "product=UB-1": "no SKU", "product=9521141123455": "no GTIN",
		"only=lost": "none of stock, misplaced", "skip=-1": "",
		"disposition=sold": "none of unknown, sellable_accessible", "limit=0": "from 1 to 1000",
		"limit=x": "", "cursor=!": "", "cursor=YQ": "", "zones=stockroom": `did you mean \"zone\"?`,
	} {
		require.Contains(t, string(r.get(path+"?"+query).wantsCode(kit.CodeInvalidParameter).body), hint, query)
	}
}

func TestItemByAnyForm(t *testing.T) {
	r := newRig(t).shop()
	r.post("/v1/sites/umberhithe/reads?wait=10s", `[{"epc":"`+harbourLight+`","read_point":"handheld-1","zone":"shelf-a"}]`).wants(200)
	for _, form := range []string{
		harbourLight, "urn:epc:id:sgtin:9521141.012345.6789", "urn:epc:tag:sgtin-96:1.9521141.012345.6789", "(01)09521141123454(21)6789",
		"https://id.gs1.org/01/09521141123454/21/6789",
	} {
		for _, escaped := range []string{url.PathEscape(form), strings.ReplaceAll(url.QueryEscape(form), "+", "%20")} {
			v := into[FoundItem](r.get("/v1/sites/umberhithe/items/" + escaped).wants(200))
			require.Equal(t, "(01)09521141123454(21)6789", v.Item, form)
			require.Equal(t, "Shelf A", v.ZoneName)
			require.Equal(t, "heard", v.Sure)
			require.Equal(t, "https://id.gs1.org/01/09521141123454/21/6789", v.Forms.DigitalLink)
			facts := into[FactList](r.get("/v1/sites/umberhithe/items/" + escaped + "/trail").wants(200))
			require.NotEmpty(t, facts.Facts, form)
			for _, f := range facts.Facts {
				require.Equal(t, v.Item, f.Item)
			}
		}
	}
	for _, more := range []string{"", "/trail"} {
		r.get("/v1/sites/umberhithe/items/3036451FD40C0E4000001A86" + more).wantsCode(codeUnknownItem)
		p := r.get("/v1/sites/umberhithe/items/303E451FD40C0E4000001A85" + more).wantsCode(codeInvalidIdentity)
		require.Contains(t, p.json()["section"], "TDS")
		r.get("/v1/sites/umberhithe/items/nonsense" + more).wantsCode(codeInvalidIdentity)
		r.get("/v1/sites/umberhithe/items/" + harbourLight + more + "?x=1").wantsCode(kit.CodeInvalidParameter)
	}
	r.get("/v1/sites/umberhithe/items/" + harbourLight + "/trail?from=later").wantsCode(kit.CodeInvalidParameter)
}

func TestStockOfASite(t *testing.T) {
	r := newRig(t).shop().stocked()
	path := "/v1/sites/umberhithe/stock"
	all := into[StockList](r.get(path).wants(200)).Stock
	require.Len(t, all, 3)
	require.Equal(t, "front-tables", all[0].Place)
	require.Equal(t, 1, all[0].Count)
	require.Equal(t, 2, *all[0].Minimum)
	require.Equal(t, 1, all[0].Short)
	require.Nil(t, all[0].Maximum)
	require.Equal(t, 5, all[1].Count)
	below := into[StockList](r.get(path + "?below=minimum&product=UB-1001&zone=front-tables").wants(200)).Stock
	require.Equal(t, all[:1], below)
	first := into[StockList](r.get(path + "?limit=1").wants(200))
	rest := into[StockList](r.get(path + "?limit=10&cursor=" + first.Next).wants(200))
	require.Equal(t, all[1:], rest.Stock)
	for _, q := range []string{"below=max", "zone=nowhere", "product=x", "cursor=x", "cursor=" + kit.EncodeCursor("x", "y"), "limit=-1"} {
		r.get(path + "?" + q).wantsCode(kit.CodeInvalidParameter)
	}
}

func TestFactsOfASite(t *testing.T) {
	r := newRig(t).shop().stocked()
	path := "/v1/sites/umberhithe/facts"
	all := into[FactList](r.get(path).wants(200)).Facts
	require.NotEmpty(t, all)
	var paged []FactView
	for next := ""; ; {
		page := into[FactList](r.get(path + "?limit=4&cursor=" + next).wants(200))
		paged = append(paged, page.Facts...)
		if next = page.Next; next == "" {
			break
		}
	}
	require.Equal(t, all, paged)
	for _, f := range into[FactList](r.get(path + "?cause=stock").wants(200)).Facts {
		require.Equal(t, "stock", f.Cause)
		require.NotNil(t, f.Count)
	}
	require.Len(t, into[FactList](r.get(path+"?cause=arrived,%20passed")).Facts, 7)
	require.Empty(t, into[FactList](r.get(path+"?to=2020-01-01T00:00:00Z")).Facts)
	require.Empty(t, into[FactList](r.get(path+"?from=0&to=0")).Facts)
	require.Len(t, into[FactList](r.get(path+"?from=2020-01-01T00:00:00%2B01:00&to="+
		fmt.Sprint(time.Now().UnixMilli()+60_000))).Facts, len(all))
	for _, q := range []string{"cause=arived", "from=2026-01-02T00:00:00Z&to=2026-01-01T00:00:00Z", "from=x", "to=-5",
		"limit=x", "cursor=x", "cursor=" + kit.EncodeCursor("x")} {
		r.get(path + "?" + q).wantsCode(kit.CodeInvalidParameter)
	}
}

func TestSitesAndReadPoints(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.put("/v1/sites/pier/layout", strings.ReplaceAll(testLayout, `"umberhithe"`, `"pier"`)).wants(201)
	sites := into[SiteList](r.get("/v1/sites").wants(200)).Sites
	require.Len(t, sites, 2)
	require.Equal(t, "pier", sites[0].ID)
	require.Equal(t, 7, sites[1].Items)
	require.True(t, sites[1].Working)
	require.Len(t, into[SiteList](r.get("/v1/sites?site=pier")).Sites, 1)
	r.get("/v1/sites?site=nowhere").wantsCode(kit.CodeUnknownSite)
	r.get("/v1/sites?site=_x").wantsCode(kit.CodeUnknownSite)
	points := into[ReadPointList](r.get("/v1/sites/umberhithe/read-points").wants(200)).ReadPoints
	require.Len(t, points, 6)
	require.Nil(t, points[0].Last)
	require.Equal(t, "handheld-1", points[5].ID)
	require.NotNil(t, points[5].Last)
	require.Equal(t, "street-door", points[2].Zone)
}

func TestAlertsFromOpenToClosed(t *testing.T) {
	r := newRig(t).shop()
	id := r.alert(1)
	v := into[event.AlertView](r.get("/v1/alerts/" + id).wants(200))
	require.Equal(t, "open", v.Status)
	require.NotEmpty(t, v.Why)
	require.Equal(t, event.Notice, v.Notice)
	require.Equal(t, 1, into[SiteList](r.get("/v1/sites")).Sites[0].Alerts)

	ack := into[ActAnswer](r.do("POST", "/v1/alerts/"+id+"/acknowledge", `{"note":"I am at the door"}`, "Idempotency-Key", "a1").wants(200))
	require.Equal(t, "acknowledged", ack.Alert.Status)
	require.Equal(t, "boss", ack.Alert.AckedBy)
	again := r.do("POST", "/v1/alerts/"+id+"/acknowledge", `{"note":"I am at the door"}`, "Idempotency-Key", "a1").wants(200)
	require.Equal(t, ack, into[ActAnswer](again))
	require.Equal(t, "true", again.header.Get(kit.HeaderReplayed))
	r.do("POST", "/v1/alerts/"+id+"/acknowledge", `{"note":"another"}`, "Idempotency-Key", "a1").wantsCode(kit.CodeIdempotencyMismatch)
	p := r.post("/v1/alerts/"+id+"/acknowledge", "").wantsCode(codeAlertStatus)
	require.Equal(t, "acknowledged", p.json()["alert_status"])

	r.post("/v1/alerts/"+id+"/close", `{"outcome":"maybe"}`).wantsCode(kit.CodeInvalidBody)
	closed := into[ActAnswer](r.post("/v1/alerts/"+id+"/close", `{"outcome":"genuine","note":"paid after all at the till"}`).wants(200))
	require.Equal(t, "closed", closed.Alert.Status)
	require.Equal(t, "genuine", closed.Alert.Outcome)
	refused := r.do("POST", "/v1/alerts/"+id+"/close", `{"outcome":"false"}`, "Idempotency-Key", "c1").wantsCode(codeAlertStatus)
	require.Equal(t, refused.body, r.do("POST", "/v1/alerts/"+id+"/close", `{"outcome":"false"}`, "Idempotency-Key",
		"c1").wantsCode(codeAlertStatus).body, "an error is given again too")

	for _, do := range []string{"acknowledge", "close"} {
		path := "/v1/alerts/" + id + "/" + do
		r.post("/v1/alerts/umberhithe-99-1/"+do, map[string]string{"acknowledge": "",
			"close": `{"outcome":"false"}`}[do]).wantsCode(codeUnknownAlert)
		r.post(path, `{"outcome":"false","note":"`+strings.Repeat("x", 1001)+`"}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{"note":7}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{"outcome":"false","outcome":"genuine"}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{`).wantsCode(kit.CodeInvalidJSON)
		r.post(path, `{} {}`).wantsCode(kit.CodeInvalidJSON)
		r.post(path, `{"note":"`+strings.Repeat("x", 2<<20)+`"}`).wantsCode(kit.CodeBodyTooLarge)
		r.do("POST", path, `{}`, "Content-Type", "text/plain").wantsCode(kit.CodeUnsupportedType)
		r.do("POST", path, `{}`, "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
		r.do("POST", path, `{}`, "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
		r.do("POST", path, `{}`, "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
		r.post(path+"?x=1", `{}`).wantsCode(kit.CodeInvalidParameter)
		r.do("POST", path, `{"outcome":"unclear"}`, "Idempotency-Key", "a1").wantsCode(kit.CodeIdempotencyMismatch)
	}
	r.get("/v1/alerts/" + id + "?x=1").wantsCode(kit.CodeInvalidParameter)
	for _, bad := range []string{"x", "umberhithe-1-9", "_answers-1-1", "nowhere-1-1", strings.Repeat("x", 300) + "-1-1"} {
		r.get("/v1/alerts/" + bad).wantsCode(codeUnknownAlert)
	}
}

func TestListOfAlerts(t *testing.T) {
	r := newRig(t).shop()
	one, two := r.alert(1), r.alert(2)
	r.post("/v1/alerts/"+one+"/close", `{"outcome":"false"}`).wants(200)
	ids := func(query string) (ids []string) {
		for _, a := range into[AlertList](r.get("/v1/alerts?rule=unpaid-at-door&" + query).wants(200)).Alerts {
			ids = append(ids, a.ID)
		}
		return ids
	}
	require.Equal(t, []string{two}, ids(""))
	require.Equal(t, []string{two}, ids("status=open&site=umberhithe"))
	require.Equal(t, []string{one}, ids("status=closed"))
	require.ElementsMatch(t, []string{one, two}, ids("status=all"))
	require.Empty(t, ids("status=acknowledged"))
	first := into[AlertList](r.get("/v1/alerts?status=all&limit=1").wants(200))
	rest := into[AlertList](r.get("/v1/alerts?status=all&cursor=" + first.Next).wants(200))
	all := into[AlertList](r.get("/v1/alerts?status=all"))
	require.Equal(t, all.Alerts, append(first.Alerts, rest.Alerts...))
	for _, q := range []string{"status=gone", "limit=x", "cursor=x", "cursor=" + kit.EncodeCursor("x", "y"), "sites=umberhithe"} {
		r.get("/v1/alerts?" + q).wantsCode(kit.CodeInvalidParameter)
	}
	r.get("/v1/alerts?site=nowhere").wantsCode(kit.CodeUnknownSite)
}

func TestActsWhileNobodyFolds(t *testing.T) {
	r := newRig(t).shop()
	r.api.foldPatience = 50 * time.Millisecond
	id, closed := r.alert(1), r.alert(2)
	r.post("/v1/alerts/"+closed+"/close", `{"outcome":"genuine"}`)
	r.until("it is closed", func() bool { return into[event.AlertView](r.get("/v1/alerts/"+closed)).Status == "closed" })
	r.run.Stop()
	for path, body := range map[string]string{id + "/acknowledge": "", id + "/comment": `{"note":"x"}`, id + "/close": `{"outcome":"unclear"}`,
		closed + "/correct": `{"outcome":"false"}`} {
		a := into[ActAnswer](r.post("/v1/alerts/"+path, body).wants(202))
		require.False(t, a.Processed)
		require.NotZero(t, a.Entry)
	}
}

func TestDeliveries(t *testing.T) {
	r := newRig(t).shop()
	id := r.alert(1)
	list := into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries
	require.Len(t, list, 1)
	d := list[0]
	require.Equal(t, id, d.Alert)
	require.Equal(t, "door-team", d.Channel)
	require.Equal(t, "pending", d.Status)
	require.Empty(t, d.Data)
	for q, n := range map[string]int{"status=pending": 1, "status=dead": 0, "channel=door-team": 1, "channel=x": 0,
		"alert=" + id: 1, "alert=x": 0, "site=umberhithe": 1} {
		require.Len(t, into[DeliveryList](r.get("/v1/deliveries?"+q).wants(200)).Deliveries, n, q)
	}
	r.alert(2)
	first := into[DeliveryList](r.get("/v1/deliveries?limit=1").wants(200))
	rest := into[DeliveryList](r.get("/v1/deliveries?limit=1&cursor=" + first.Next).wants(200))
	require.Empty(t, rest.Next)
	require.NotEqual(t, first.Deliveries[0].ID, rest.Deliveries[0].ID)
	for _, q := range []string{"status=lost", "limit=x", "cursor=x", "cursor=" + kit.EncodeCursor("x", "y")} {
		r.get("/v1/deliveries?" + q).wantsCode(kit.CodeInvalidParameter)
	}
	r.get("/v1/deliveries?site=nowhere").wantsCode(kit.CodeUnknownSite)
	one := into[DeliveryView](r.get("/v1/deliveries/" + d.ID).wants(200))
	require.Contains(t, string(one.Data), event.Notice)
	r.get("/v1/deliveries/" + d.ID + "?x=1").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/deliveries/msg_umberhithe-1-1-1-x").wantsCode(codeUnknownDelivery)

	path := "/v1/deliveries/" + d.ID + "/retry"
	r.sends.out.Code, r.sends.out.Reason = 500, "the receiver answered 500"
	got := into[RetryAnswer](r.do("POST", path, "", "Idempotency-Key", "k").wants(200))
	require.Equal(t, "the receiver answered 500", got.Outcome.Reason)
	require.Equal(t, d.ID, got.Delivery.ID)
	r.do("POST", path, "", "Idempotency-Key", "k").wants(200)
	require.Len(t, r.sends.retried, 1, "the same request is carried out once")
	require.Equal(t, "umberhithe "+d.ID, r.sends.retried[0])
	r.do("POST", path, "x", "Idempotency-Key", "k").wantsCode(kit.CodeIdempotencyMismatch)
	r.keyedFaults(path)
	r.post("/v1/deliveries/nothing/retry", "").wantsCode(codeUnknownDelivery)
	r.post(path+"?x=1", "").wantsCode(kit.CodeInvalidParameter)
	r.sends.err = fmt.Errorf("the disk is full")
	r.post(path, "").wantsCode(kit.CodeUnavailable)
	r.api.opt.Dispatcher = nil
	r.post(path, "").wantsCode(kit.CodeUnavailable)
}

// keyedFaults tries what can be wrong with a body and key where the body does not matter.
func (r *rig) keyedFaults(path string) {
	r.t.Helper()
	r.do("POST", path, "", "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.do("POST", path, "x", "Idempotency-Key", "f", "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	r.do("POST", path, "x", "Idempotency-Key", "f", "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	r.do("POST", path, strings.Repeat("x", 2<<20), "Idempotency-Key", "f").wantsCode(kit.CodeBodyTooLarge)
	r.send(r.cutShort("POST", path, "Idempotency-Key", "f")).wantsCode(kit.CodeInvalidBody)
}

func TestWhatIsInEachZone(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.do("PUT", "/v1/sites/umberhithe/layout", strings.Replace(testLayout, `"kind": "shelf", "storey"`,
		`"kind": "shelf", "at": {"x": 1, "y": 2, "width": 3, "height": 0.5}, "storey"`, 1), "Content-Type", "application/json").wants(200)
	// A Low Water belongs on shelf A; one is put on the front tables, and one Harbour Light is
	// sold.
	r.post("/v1/sites/umberhithe/reads?wait=10s",
		`[{"epc":"(01)09521234000013(21)2","read_point":"handheld-1","zone":"front-tables"}]`).wants(200)
	r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"sold","epc":"(01)09521141123454(21)104","zone":"till"}`).wants(200)
	zones := into[ZoneList](r.get("/v1/sites/umberhithe/zones").wants(200)).Zones
	require.Len(t, zones, 5)
	for _, z := range zones {
		require.Len(t, into[ItemList](r.get("/v1/sites/umberhithe/items?zone="+z.Zone)).Items, z.Items, z.Zone)
		require.Len(t, into[ItemList](r.get("/v1/sites/umberhithe/items?only=stock&zone="+z.Zone)).Items, z.Stock, z.Zone)
		require.Len(t, into[ItemList](r.get("/v1/sites/umberhithe/items?only=misplaced&zone="+z.Zone)).Items, z.Misplaced, z.Zone)
	}
	require.Equal(t, ZoneView{Zone: "front-tables", Name: "Front tables", Kind: "floor", Storey: "ground", Items: 2, Stock: 2,
		Products: 2, Misplaced: 1, Minimum: 2, Below: 1, Short: 1}, zones[0])
	require.Equal(t, &areaDocument{X: 1, Y: 2, Width: 3, Height: 0.5}, zones[1].At)
	require.Equal(t, 4, zones[2].Stock)

	id := into[CountAnswer](r.post("/v1/sites/umberhithe/counts", `{"zones":["shelf-a"]}`).wants(201)).Count.ID
	r.post("/v1/sites/umberhithe/counts/"+id+"/close?anyway=true", `{}`).wants(200)
	zones = into[ZoneList](r.get("/v1/sites/umberhithe/zones").wants(200)).Zones
	require.NotNil(t, zones[1].Counted)
	require.Nil(t, zones[0].Counted)
	r.get("/v1/sites/nowhere/zones").wantsCode(kit.CodeUnknownSite)
	r.get("/v1/sites/umberhithe/zones?zone=till").wantsCode(kit.CodeInvalidParameter)
}
