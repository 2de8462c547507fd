package api

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/store/storetest"
)

func TestKeysAreMadeShownOnceAndRevoked(t *testing.T) {
	r := newRig(t).shop()
	made := into[KeyView](r.do("POST", "/v1/keys",
		`{"name":"till-1","scopes":["sales","sales"],"sites":["umberhithe"]}`, "Idempotency-Key", "k1").wants(201))
	require.Regexp(t, `^lk_[A-Za-z0-9_-]{43}$`, made.Key)
	require.Equal(t, []string{"sales"}, made.Scopes)
	again := into[KeyView](r.do("POST", "/v1/keys",
		`{"name":"till-1","scopes":["sales","sales"],"sites":["umberhithe"]}`, "Idempotency-Key", "k1").wants(201))
	require.Empty(t, again.Key, "the text is kept nowhere")
	require.Equal(t, "till-1", again.Name)
	r.do("POST", "/v1/keys", `{}`, "Idempotency-Key", "k1").wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", "/v1/keys", `{}`, "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.post("/v1/keys", `{"name":"till-1","scopes":["sales"],"sites":["*"]}`).wantsCode(codeKeyExists)
	for body, hint := range map[string]string{
		`{"name":"Till 1","scopes":["sales"],"sites":["*"]}`: "the name",
		`{"name":"x","scopes":[],"sites":["*"]}`:             "at least one scope",
		`{"name":"x","scopes":["sale"],"sites":["*"]}`:       `did you mean \"sales\"`,
		`{"name":"x","scopes":["sales"],"sites":["_y"]}`:     "can't be a site",
		`{"name":"x","scope":["sales"]}`:                     "unknown field", `{"name":"x","scopes":"sales"}`: "must be an array",
	} {
		require.Contains(t, string(r.post("/v1/keys", body).wantsCode(kit.CodeInvalidBody).body), hint, body)
	}
	r.post("/v1/keys", `{`).wantsCode(kit.CodeInvalidJSON)
	r.bodyFaults("POST", "/v1/keys", kit.MediaJSON, true)

	sale := `{"type":"sold","epc":"` + harbourLight + `"}`
	r.as(made.Key, func(r *rig) {
		r.post("/v1/sites/umberhithe/events", sale).wants(202)
		p := r.post("/v1/sites/umberhithe/reads", `[]`).wantsCode(kit.CodeMissingScope)
		require.Contains(t, p.json()["detail"], "reads")
		p = r.post("/v1/sites/pier/events", sale).wantsCode(kit.CodeMissingSite)
		require.Equal(t, "pier", p.json()["site"])
	})
	list := r.get("/v1/keys").wants(200)
	require.Len(t, into[KeyList](list).Keys, 2)
	require.NotContains(t, string(list.body), made.Key)
	require.NotContains(t, string(list.body), "hash")
	r.get("/v1/keys?x=1").wantsCode(kit.CodeInvalidParameter)

	require.Empty(t, r.do("DELETE", "/v1/keys/till-1", "").wants(204).body)
	r.as(made.Key, func(r *rig) { r.post("/v1/sites/umberhithe/events", sale).wantsCode(kit.CodeUnauthorized) })
	r.do("DELETE", "/v1/keys/till-1", "").wantsCode(codeUnknownKey)
	r.do("DELETE", "/v1/keys/boss", "").wantsCode(codeLastAdmin)
	r.do("DELETE", "/v1/keys/boss?x=1", "").wantsCode(kit.CodeInvalidParameter)
	r.post("/v1/keys", `{"name":"till-1","scopes":["sales"],"sites":["*"]}`).wantsCode(codeKeyExists)
	doc, err := r.store.GetDocument(t.Context(), kit.KeysDocument, 0)
	require.NoError(t, err)
	require.NotContains(t, string(doc.Body), made.Key[3:])
}

func TestRevokingWorksOnOtherNodesWithinASecond(t *testing.T) {
	r := newRig(t).shop()
	text := r.key("gate", kit.ScopeReads)
	r.as(text, func(r *rig) { r.reads(`[]`).wantsCode(codeNothingAccepted) })
	// Another node revokes it.
	require.NoError(t, kit.RevokeKey(t.Context(), r.store, "gate", "other", time.Now()))
	at := time.Now()
	r.as(text, func(r *rig) {
		r.until("the key to end", func() bool { return r.reads(`[]`).status == http.StatusUnauthorized })
	})
	require.Less(t, time.Since(at), 3*time.Second)
}

// TestKeysSayWhenTheyWereUsed: also after a restart, to the hour, and for each text of a rotated key.
func TestKeysSayWhenTheyWereUsed(t *testing.T) {
	r := newRig(t).shop()
	used := func(r *rig) map[string][]bool {
		m := map[string][]bool{}
		for _, k := range into[KeyList](r.get("/v1/keys").wants(200)).Keys {
			m[k.Name] = append(m[k.Name], k.Used != nil && time.Since(*k.Used) < time.Hour)
		}
		return m
	}
	text := r.key("gate", kit.ScopeReads)
	require.Equal(t, []bool{false}, used(r)["gate"])
	r.as(text, func(r *rig) { r.reads(`[]`).wantsCode(codeNothingAccepted) })
	r.post("/v1/keys/gate/rotate", `{"overlap":60}`).wants(201)
	require.Equal(t, []bool{true, false}, used(r)["gate"])
	other := New(Options{Store: r.store, Runner: r.run})
	at, err := other.server.KeysUsed(t.Context())
	require.NoError(t, err)
	require.Len(t, at, 2, "gate's first text, and boss")
}

func TestMintAndVerify(t *testing.T) {
	r := newRig(t)
	ctx := t.Context()
	text, err := kit.MintKey(ctx, r.store, "auditor", []string{kit.ScopeOperate}, []string{"umberhithe"}, "someone", time.Now())
	require.NoError(t, err)
	with := func(text string) *reply { return r.do("GET", "/v1/sites", "", "Authorization", "Bearer "+text) }
	with(text).wants(200)
	with(text + "x").wantsCode(kit.CodeUnauthorized)
	_, err = kit.MintKey(ctx, r.store, "auditor", []string{kit.ScopeOperate}, []string{"umberhithe"}, "someone", time.Now())
	require.ErrorIs(t, err, kit.ErrKeyExists)
	require.NoError(t, kit.RevokeKey(ctx, r.store, "auditor", "someone", time.Now()))
	r.api.server.ForgetKeys()
	with(text).wantsCode(kit.CodeUnauthorized)
	require.ErrorIs(t, kit.RevokeKey(ctx, r.store, "auditor", "someone", time.Now()), kit.ErrUnknownKey)
	keys, err := kit.ListKeys(ctx, r.store)
	require.NoError(t, err)
	require.Len(t, keys, 2)
	require.Equal(t, []string{"auditor", "someone"}, []string{keys[1].Name, keys[1].By})
	for i := range 3 {
		for j := range 3 {
			_, err := kit.MintKey(ctx, r.store, strings.Repeat("k", i+1), []string{kit.ScopeReads}, []string{"*"}, "x", time.Now())
			require.Equal(t, j == 0, err == nil)
		}
	}
}

// TestEveryRouteWantsAKey goes through the whole table with no key, a bad one, one without the
// scope, and one for another site.
func TestEveryRouteWantsAKey(t *testing.T) {
	r := newRig(t).shop()
	r.put("/v1/sites/pier/layout", strings.ReplaceAll(testLayout, `"umberhithe"`, `"pier"`)).wants(201)
	elsewhere, err := kit.MintKey(t.Context(), r.store, "elsewhere", []string{kit.ScopeAdmin}, []string{"pier"}, "test", time.Now())
	require.NoError(t, err)
	nothing := map[string]string{}
	for _, s := range kit.Scopes() {
		nothing[s] = r.key("only-"+s, s)
	}
	for _, rt := range r.api.routes {
		path := strings.NewReplacer("{site}", "umberhithe", "{id}", "umberhithe-1-1", "{epc}", harbourLight, "{name}",
			"nobody").Replace(rt.Path)
		if rt.Open {
			want := 200
			switch rt.Name {
			case "signIn":
				want = 400 // the key is in the body, and there is none
			case "beginSignIn", "finishSignIn":
				want = 404 // there is no provider
			}
			r.do(rt.Method, path, "", "Authorization", "").wants(want)
			continue
		}
		for _, header := range []string{"", "Bearer", "Bearer lk_wrong", "Basic dTpw", "lk_wrong",
			"Bearer " + strings.Repeat("x", 10_000)} {
			rep := r.do(rt.Method, path, "", "Authorization", header).wantsCode(kit.CodeUnauthorized)
			require.Equal(t, `Bearer realm="lintel"`, rep.header.Get("WWW-Authenticate"))
		}
		// Each scope alone opens exactly the routes that name it.
		for _, scope := range kit.Scopes() {
			k := kit.Key{Scopes: []string{scope}}
			if !k.Allows(rt.Scopes) {
				r.do(rt.Method, path, "", "Authorization", "Bearer "+nothing[scope]).wantsCode(kit.CodeMissingScope)
			}
		}
		if rt.HasSite() || rt.AllSites {
			r.do(rt.Method, path, "", "Authorization", "Bearer "+elsewhere).wantsCode(kit.CodeMissingSite)
		}
	}
	r.as(elsewhere, func(r *rig) {
		for _, path := range []string{"/v1/sites?site=umberhithe", "/v1/alerts?site=umberhithe",
			"/v1/deliveries?site=umberhithe", "/v1/alerts/umberhithe-1-1"} {
			r.get(path).wantsCode(kit.CodeMissingSite)
		}
		r.post("/v1/alerts/umberhithe-1-1/acknowledge", "").wantsCode(kit.CodeMissingSite)
		r.post("/v1/alerts/umberhithe-1-1/close", `{"outcome":"false"}`).wantsCode(kit.CodeMissingSite)
		r.post("/v1/alerts/umberhithe-1-1/correct", `{"outcome":"false"}`).wantsCode(kit.CodeMissingSite)
		r.post("/v1/alerts/umberhithe-1-1/comment", `{"note":"x"}`).wantsCode(kit.CodeMissingSite)
		r.get("/v1/alerts.csv?site=umberhithe").wantsCode(kit.CodeMissingSite)
		r.get("/v1/alerts.xlsx?site=umberhithe").wantsCode(kit.CodeMissingSite)
		r.get("/v1/deliveries/msg_umberhithe-1-1-1-door-team").wantsCode(codeUnknownDelivery)
		sites := into[SiteList](r.get("/v1/sites").wants(200)).Sites
		require.Len(t, sites, 1)
		require.Empty(t, into[AlertList](r.get("/v1/alerts").wants(200)).Alerts)
	})
}

func TestWithoutTheStoreNobodyIsLetIn(t *testing.T) {
	r := newRig(t).shop()
	faulty := storetest.NewFaulty(r.store, 1, storetest.Faults{})
	r.api = New(Options{Store: faulty, Runner: r.run, Log: r.api.log, Now: r.clock})
	r.get("/v1/sites").wants(200)
	faulty.SetFaults(storetest.Faults{Before: 1})
	r.api.server.ForgetKeys()
	rep := r.get("/v1/sites").wantsCode(kit.CodeUnavailable)
	require.NotEmpty(t, rep.header.Get("Retry-After"))
	require.NotContains(t, string(rep.body), "injected", "what is inside stays inside")
	require.Contains(t, r.log.String(), "injected")
}

// A key is given a new text while the one from before works on for a while, and ends when it was
// made to.
func TestKeysAreRotatedAndEnd(t *testing.T) {
	r := newRig(t).shop()
	make := func(body string) KeyView { return into[KeyView](r.post("/v1/keys", body).wants(201)) }
	works := func(key string) *reply { return r.do("GET", "/v1/sites", "", "Authorization", "Bearer "+key) }
	first := make(`{"name":"screen","scopes":["view"],"sites":["*"]}`)
	second := into[KeyView](r.post("/v1/keys/screen/rotate", "").wants(201))
	require.NotEqual(t, first.Key, second.Key)
	require.Equal(t, []string{"view"}, second.Scopes)
	works(first.Key).wants(200)
	works(second.Key).wants(200)
	third := into[KeyView](r.do("POST", "/v1/keys/screen/rotate", `{"overlap":0}`, "Idempotency-Key", "x").wants(201))
	again := into[KeyView](r.do("POST", "/v1/keys/screen/rotate", `{"overlap":0}`, "Idempotency-Key", "x").wants(201))
	require.Empty(t, again.Key)
	for _, old := range []string{first.Key, second.Key} {
		p := works(old).wantsCode(kit.CodeUnauthorized)
		require.Contains(t, p.json()["detail"], `The key "screen" ended at 20`)
	}
	works(third.Key).wants(200)
	r.post("/v1/keys/screen/rotate", `{"overlap":7776001}`).wantsCode(kit.CodeInvalidBody)
	r.post("/v1/keys/nobody/rotate", "").wantsCode(codeUnknownKey)
	const rotate = "/v1/keys/screen/rotate"
	r.do("POST", rotate, `{"overlap":1}`, "Idempotency-Key", "x").wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", rotate, "", "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.post(rotate+"?x=1", "").wantsCode(kit.CodeInvalidParameter)
	r.post(rotate, `{`).wantsCode(kit.CodeInvalidJSON)
	r.do("POST", rotate, `{}`, "Content-Type", "text/plain").wantsCode(kit.CodeUnsupportedType)
	r.do("POST", rotate, `{}`, "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	r.do("POST", rotate, `{}`, "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	r.post(rotate, `{"overlap":`+strings.Repeat(" ", 5<<20)+`1}`).wantsCode(kit.CodeBodyTooLarge)
	r.post("/v1/keys", `{"name":"screen","scopes":["view"],"sites":["*"]}`).wantsCode(codeKeyExists)
	r.do("DELETE", "/v1/keys/screen", "").wants(204)
	works(third.Key).wantsCode(kit.CodeUnauthorized)

	r.post("/v1/keys", `{"name":"guest","scopes":["view"],"sites":["*"],"until":"2020-01-01T00:00:00Z"}`).wantsCode(kit.CodeInvalidBody)
	guest := make(`{"name":"guest","scopes":["view"],"sites":["*"],"until":"` + time.Now().Add(time.Second).Format(time.RFC3339Nano) + `"}`)
	works(guest.Key).wants(200)
	require.Eventually(t, func() bool { return works(guest.Key).status == 401 }, 10*time.Second, 20*time.Millisecond)
	// One that ends is no reason to give up the last that does not.
	make(`{"name":"short","scopes":["admin"],"sites":["*"],"until":"` + time.Now().Add(time.Hour).Format(time.RFC3339) + `"}`)
	r.do("DELETE", "/v1/keys/boss", "").wantsCode(codeLastAdmin)
	r.do("DELETE", "/v1/keys/short", "").wants(204)
}

// Each narrow scope opens what its holder needs and nothing else.
func TestNarrowScopes(t *testing.T) {
	r := newRig(t)
	opens := map[string][]string{}
	for _, rt := range r.api.routes {
		if strings.HasPrefix(rt.Path, "/v1/sessions") {
			continue // whoever is signed in may see and end that
		}
		for _, s := range rt.Scopes {
			opens[s] = append(opens[s], rt.Name)
			require.False(t, s == kit.ScopeView && rt.Method != "GET", rt.Name)
		}
	}
	require.ElementsMatch(t, []string{"metrics"}, opens[kit.ScopeMetrics])
	require.ElementsMatch(t, []string{"listSites", "getLayout", "openCount", "listCounts", "getCount", "postCountReads", "pauseCount", "resumeCount", "passCount",
		"closeCount", "discardCount", "reopenCount", "countDifferences", "countDifferencesCSV", "countDifferencesXLSX",
		"countDifferencesPage", "countedItems", "countedItemsCSV", "countedItemsXLSX", "countedItemsText",
		"missingItems", "missingItemsCSV", "missingItemsXLSX", "missingItemsText", "countsDue", "countAccuracy", "countAccuracyCSV"}, opens[kit.ScopeCount])
	require.Contains(t, opens[kit.ScopeView], "listItems")
	require.Contains(t, opens[kit.ScopeView], "getLayout")
	require.NotContains(t, opens[kit.ScopeView], "backup")
	require.NotContains(t, opens[kit.ScopeView], "listKeys")
}
