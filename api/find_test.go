package api

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
)

func (r *rig) found(q string) FindAnswer {
	r.t.Helper()
	return into[FindAnswer](r.get("/v1/sites/umberhithe/find?q=" + url.QueryEscape(q)).wants(200))
}

func TestFind(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"sold","epc":"(01)09521141123454(21)104","zone":"till"}`).wants(200)
	for q, meant := range map[string]string{
		"(01)09521141123454(21)100": "item", "https://id.gs1.org/01/09521141123454/21/100": "item", "3036451FD40C0E4000000064": "item",
		"9521141123454": "gtin", "09521141123454": "gtin", "UB-1001": "sku", "harbour": "name", "Light  the HARB": "name",
	} {
		a := r.found(q)
		require.Equal(t, meant, a.Meant, q)
		require.NotEmpty(t, a.Items, q)
		require.Equal(t, "The Harbour Light", a.Items[0].Product.Name, q)
		require.NotEmpty(t, a.Items[0].Words)
		if meant == "item" {
			require.Len(t, a.Items, 1)
			require.Equal(t, "Stockroom", a.Items[0].ZoneName)
			require.Equal(t, "handheld-1", a.Items[0].ReadPoint)
			require.Equal(t, "declared", a.Items[0].Sure)
			require.Contains(t, a.Items[0].Words, "a person")
		} else {
			require.Len(t, a.Items, 6)
			require.Equal(t, "away", a.Items[5].Sure, "what is sold comes last")
			require.Contains(t, a.Items[5].Words, "sold")
		}
	}
	page := into[FindAnswer](r.get("/v1/sites/umberhithe/find?q=harbour&limit=2").wants(200))
	require.Len(t, page.Items, 2)
	require.Equal(t, 4, page.More)

	for q, hint := range map[string]string{
		"(01)09521141123454(21)99999": "never heard of this item", "9521234000020": "does not have this GTIN",
		"cookery": "Nothing means that", "---": "Nothing means that",
	} {
		a := r.found(q)
		require.Empty(t, a.Items)
		require.Contains(t, a.Hint, hint, q)
	}
	r.do("PUT", "/v1/products", testProducts+"9521234000020,UB-1003,Tide,crime,1,,\n", "Content-Type", "text/csv").wants(200)
	require.Contains(t, r.found("UB-1003").Hint, "never heard of an item of it")

	for _, query := range []string{"", "q=", "q=+", "q=" + strings.Repeat("x", 201), "q=x&limit=0", "q=x&zone=till"} {
		r.get("/v1/sites/umberhithe/find?" + query).wantsCode(kit.CodeInvalidParameter)
	}
	r.get("/v1/sites/nowhere/find?q=x").wantsCode(kit.CodeUnknownSite)
}

// What is one slip away from what there is, or has some of its words, is offered.
func TestFindOffersWhatIsNear(t *testing.T) {
	r := newRig(t).shop().stocked()
	for q, near := range map[string]string{
		"harbor lihgt": "The Harbour Light", "light paperback": "The Harbour Light", "UB-1O02": "Low Water",
		"(01)09521141123454(21)99999": "The Harbour Light", "9521141123545": "The Harbour Light", "watr": "Low Water", "cookery": "", "---": "",
	} {
		a := r.found(q)
		require.Empty(t, a.Items, q)
		if near == "" {
			require.Empty(t, a.Near, q)
		} else {
			require.Equal(t, near, a.Near[0].Name, q)
		}
	}
	require.Empty(t, r.found("harbour").Near, "nothing is offered beside what was found")
	require.Contains(t, r.found("3036451FD40C0E400000006").Hint, "It looks like the identity of an item, but")
	require.Contains(t, r.found("(01)09521141123455(21)1").Hint, "check digit")
}

func TestHowSureAPlaceIs(t *testing.T) {
	const now = int64(1_800_000_000_000)
	min, hour := time.Minute.Milliseconds(), time.Hour.Milliseconds()
	for _, c := range []struct {
		it          engine.ItemInfo
		watched     bool
		sure, words string
	}{
		{engine.ItemInfo{Zone: "shelf-a", Disposition: event.SellableAccessible, Seen: now - 1000, Since: now - hour},
			true, "heard", "heard all the time"},
		{engine.ItemInfo{Zone: "shelf-a", Disposition: event.SellableAccessible, Seen: now - 1000}, false, "heard", "heard just now"},
		{engine.ItemInfo{Zone: "shelf-a", Disposition: event.SellableAccessible, Seen: now - 3*hour}, true, "stale", "not heard for 3 h"},
		{engine.ItemInfo{Zone: "shelf-a", Disposition: event.SellableAccessible, Seen: now - 5*min}, false, "stale",
			"not heard for 5 min; no reader watches this zone all the time"},
		{engine.ItemInfo{Zone: "shelf-a", Disposition: event.SellableAccessible}, true, "stale", "never heard there"},
		{engine.ItemInfo{Zone: "stockroom", Declared: true, Disposition: event.SellableNotAccessible,
			Since: now - 50*hour, Seen: now - 50*hour}, false, "declared",
			"a person, a count or a till put it there 2 days ago; last heard 2 days ago"},
		{engine.ItemInfo{Zone: "stockroom", Declared: true, Disposition: event.SellableNotAccessible,
			Since: now - 261*24*hour, Sure: now - 9*min, Seen: now - 9*min}, false, "declared",
			"a count or a handheld heard it there 9 min ago; put there 261 days ago"},
		{engine.ItemInfo{Zone: "shelf-a", Declared: true, Disposition: event.SellableAccessible, Since: now - hour,
			Seen: now}, true, "heard", "heard all the time"},
		{engine.ItemInfo{From: "shelf-a", Disposition: event.SellableAccessible, Seen: now - 3*hour}, false, "unknown",
			"not heard in shelf-a any more, nor anywhere else; last heard 3 h ago"},
		{engine.ItemInfo{}, false, "unknown", "nowhere known; never heard"},
		{engine.ItemInfo{Disposition: event.RetailSold, Since: now - min*3, Seen: now}, false, "away",
			"sold 3 min ago or before; last heard a moment ago"},
		{engine.ItemInfo{Disposition: event.InTransit, Since: now - 100*hour}, false, "away", "sent away 4 days ago"},
		{engine.ItemInfo{Disposition: event.Inactive}, false, "away", "no longer part of the stock"},
	} {
		sure, words := howSure(&c.it, now, c.watched)
		require.Equal(t, c.sure, sure)
		require.Equal(t, c.words, words)
	}
}
