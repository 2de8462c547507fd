package api

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store/storetest"
)

func TestKeysAreMadeShownOnceAndRevoked(t *testing.T) {
	r := newRig(t).shop()
	made := into[KeyView](r.do("POST", "/v1/keys", `{"name":"till-1","scopes":["sales","sales"],"sites":["quayside"]}`, "Idempotency-Key", "k1").wants(201))
	require.Regexp(t, `^lk_[A-Za-z0-9_-]{43}$`, made.Key)
	require.Equal(t, []string{"sales"}, made.Scopes)
	again := into[KeyView](r.do("POST", "/v1/keys", `{"name":"till-1","scopes":["sales","sales"],"sites":["quayside"]}`, "Idempotency-Key", "k1").wants(201))
	require.Empty(t, again.Key, "the text is kept nowhere")
	require.Equal(t, "till-1", again.Name)
	r.do("POST", "/v1/keys", `{}`, "Idempotency-Key", "k1").wantsCode(codeIdempotencyMismatch)
	r.do("POST", "/v1/keys", `{}`, "Idempotency-Key", `"`).wantsCode(codeInvalidIdempotencyKey)
	r.post("/v1/keys", `{"name":"till-1","scopes":["sales"],"sites":["*"]}`).wantsCode(codeKeyExists)
	for body, hint := range map[string]string{
		`{"name":"Till 1","scopes":["sales"],"sites":["*"]}`: "the name", `{"name":"x","scopes":[],"sites":["*"]}`: "at least one scope", `{"name":"x","scopes":["sale"],"sites":["*"]}`: `did you mean \"sales\"`,
		`{"name":"x","scopes":["sales"],"sites":["_y"]}`: "can't be a site", `{"name":"x","scope":["sales"]}`: "unknown field", `{"name":"x","scopes":"sales"}`: "must be an array",
	} {
		require.Contains(t, string(r.post("/v1/keys", body).wantsCode(codeInvalidBody).body), hint, body)
	}
	r.post("/v1/keys", `{`).wantsCode(codeInvalidJSON)
	r.bodyFaults("POST", "/v1/keys", mediaJSON, true)

	sale := `{"type":"sold","epc":"` + harbourLight + `"}`
	r.as(made.Key, func(r *rig) {
		r.post("/v1/sites/quayside/events", sale).wants(202)
		p := r.post("/v1/sites/quayside/reads", `[]`).wantsCode(codeMissingScope)
		require.Contains(t, p.json()["detail"], "reads")
		p = r.post("/v1/sites/pier/events", sale).wantsCode(codeMissingSite)
		require.Equal(t, "pier", p.json()["site"])
	})
	list := r.get("/v1/keys").wants(200)
	require.Len(t, into[KeyList](list).Keys, 2)
	require.NotContains(t, string(list.body), made.Key)
	require.NotContains(t, string(list.body), "hash")
	r.get("/v1/keys?x=1").wantsCode(codeInvalidParameter)

	require.Empty(t, r.do("DELETE", "/v1/keys/till-1", "").wants(204).body)
	r.as(made.Key, func(r *rig) { r.post("/v1/sites/quayside/events", sale).wantsCode(codeUnauthorized) })
	r.do("DELETE", "/v1/keys/till-1", "").wantsCode(codeUnknownKey)
	r.do("DELETE", "/v1/keys/boss", "").wantsCode(codeLastAdmin)
	r.do("DELETE", "/v1/keys/boss?x=1", "").wantsCode(codeInvalidParameter)
	r.post("/v1/keys", `{"name":"till-1","scopes":["sales"],"sites":["*"]}`).wantsCode(codeKeyExists)
	doc, err := r.store.GetDocument(t.Context(), KeysDocument, 0)
	require.NoError(t, err)
	require.NotContains(t, string(doc.Body), made.Key[3:])
}

func TestRevokingWorksOnOtherNodesWithinASecond(t *testing.T) {
	r := newRig(t).shop()
	text := r.key("gate", ScopeReads)
	r.as(text, func(r *rig) { r.reads(`[]`).wants(202) })
	// Another node revokes it.
	require.NoError(t, RevokeKey(t.Context(), r.store, "gate", "other", time.Now()))
	at := time.Now()
	r.as(text, func(r *rig) {
		r.until("the key to end", func() bool { return r.reads(`[]`).status == http.StatusUnauthorized })
	})
	require.Less(t, time.Since(at), 3*time.Second)
}

func TestMintAndVerify(t *testing.T) {
	r := newRig(t)
	ctx := t.Context()
	text, err := MintKey(ctx, r.store, "auditor", []string{ScopeOperate}, []string{"quayside"}, "someone", time.Now())
	require.NoError(t, err)
	k, err := VerifyKey(ctx, r.store, text)
	require.NoError(t, err)
	require.Equal(t, "auditor", k.Name)
	require.Equal(t, "someone", k.By)
	_, err = VerifyKey(ctx, r.store, text+"x")
	require.ErrorIs(t, err, ErrUnknownKey)
	_, err = MintKey(ctx, r.store, "auditor", []string{ScopeOperate}, []string{"quayside"}, "someone", time.Now())
	require.ErrorIs(t, err, ErrKeyExists)
	require.NoError(t, RevokeKey(ctx, r.store, "auditor", "someone", time.Now()))
	_, err = VerifyKey(ctx, r.store, text)
	require.ErrorIs(t, err, ErrUnknownKey)
	require.ErrorIs(t, RevokeKey(ctx, r.store, "auditor", "someone", time.Now()), ErrUnknownKey)
	keys, err := ListKeys(ctx, r.store)
	require.NoError(t, err)
	require.Len(t, keys, 2)
	for i := range 3 {
		for j := range 3 {
			_, err := MintKey(ctx, r.store, strings.Repeat("k", i+1), []string{ScopeReads}, []string{"*"}, "x", time.Now())
			require.Equal(t, j == 0, err == nil)
		}
	}
}

// TestEveryRouteWantsAKey goes through the whole table with no key, a bad one, one without the scope, and one for another site.
func TestEveryRouteWantsAKey(t *testing.T) {
	r := newRig(t).shop()
	r.put("/v1/sites/pier/layout", strings.ReplaceAll(testLayout, `"quayside"`, `"pier"`)).wants(201)
	elsewhere, err := MintKey(t.Context(), r.store, "elsewhere", []string{ScopeAdmin}, []string{"pier"}, "test", time.Now())
	require.NoError(t, err)
	nothing := map[string]string{}
	for _, s := range Scopes() {
		nothing[s] = r.key("only-"+s, s)
	}
	for _, rt := range r.api.routes {
		path := strings.NewReplacer("{site}", "quayside", "{id}", "quayside-1-1", "{epc}", harbourLight, "{name}", "nobody").Replace(rt.path)
		if rt.open {
			r.do(rt.method, path, "", "Authorization", "").wants(200)
			continue
		}
		for _, header := range []string{"", "Bearer", "Bearer lk_wrong", "Basic dTpw", "lk_wrong", "Bearer " + strings.Repeat("x", 10_000)} {
			rep := r.do(rt.method, path, "", "Authorization", header).wantsCode(codeUnauthorized)
			require.Equal(t, `Bearer realm="lintel"`, rep.header.Get("WWW-Authenticate"))
		}
		// Each scope alone opens exactly the routes that name it.
		for _, scope := range Scopes() {
			k := Key{Scopes: []string{scope}}
			if !k.allows(rt.scopes) {
				r.do(rt.method, path, "", "Authorization", "Bearer "+nothing[scope]).wantsCode(codeMissingScope)
			}
		}
		if rt.hasSite() || rt.allSites {
			r.do(rt.method, path, "", "Authorization", "Bearer "+elsewhere).wantsCode(codeMissingSite)
		}
	}
	r.as(elsewhere, func(r *rig) {
		for _, path := range []string{"/v1/sites?site=quayside", "/v1/alerts?site=quayside", "/v1/deliveries?site=quayside", "/v1/alerts/quayside-1-1"} {
			r.get(path).wantsCode(codeMissingSite)
		}
		r.post("/v1/alerts/quayside-1-1/acknowledge", "").wantsCode(codeMissingSite)
		r.post("/v1/alerts/quayside-1-1/close", `{"outcome":"false"}`).wantsCode(codeMissingSite)
		r.get("/v1/deliveries/msg_quayside-1-1-1-door-team").wantsCode(codeUnknownDelivery)
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
	r.api.keys.forget()
	rep := r.get("/v1/sites").wantsCode(codeUnavailable)
	require.NotEmpty(t, rep.header.Get("Retry-After"))
	require.NotContains(t, string(rep.body), "injected", "what is inside stays inside")
	require.Contains(t, r.log.String(), "injected")
}
