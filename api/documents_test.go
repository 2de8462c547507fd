package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/store"
)

// cutShort is a request whose body ends with an error.
func (r *rig) cutShort(method, path string, headers ...string) *http.Request {
	req := httptest.NewRequest(method, path, io.MultiReader(strings.NewReader("["), brokenReader{}))
	req.ContentLength = -1
	req.Header.Set("Authorization", "Bearer "+r.admin)
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	return req
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, errors.New("the line went dead") }

// bodyFaults tries what can be wrong with the body of any route that takes one.
func (r *rig) bodyFaults(method, path, media string, jsonBody bool) {
	r.t.Helper()
	r.do(method, path, "x", "Content-Type", "image/png").wantsCode(kit.CodeUnsupportedType)
	r.do(method, path, "x", "Content-Type", media, "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	r.do(method, path, "x", "Content-Type", media, "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	r.do(method, path, strings.Repeat(" ", 5<<20), "Content-Type", media).wantsCode(kit.CodeBodyTooLarge)
	r.send(r.cutShort(method, path, "Content-Type", media)).wantsCode(kit.CodeInvalidBody)
	r.do(method, path+"?wrong=1", "x", "Content-Type", media).wantsCode(kit.CodeInvalidParameter)
}

// A layout whose door cannot be sure is stored, and whoever stores it is warned.
func TestLayoutWarnings(t *testing.T) {
	r := newRig(t)
	path := "/v1/sites/umberhithe/layout"
	require.Empty(t, into[LayoutDryRun](r.put(path+"?dry_run=1", testLayout).wants(200)).Warnings)
	deaf := strings.Replace(testLayout, `"side": "outer"`, `"side": "outer", "session": "S2"`, 1)
	dry := into[LayoutDryRun](r.put(path+"?dry_run=1", deaf).wants(200))
	require.True(t, dry.OK)
	require.Len(t, dry.Warnings, 1)
	require.Equal(t, "read_points[3].session", dry.Warnings[0].Path)
	require.Contains(t, dry.Warnings[0].Hint, `"S0"`)
	saved := into[LayoutSaved](r.put(path, deaf).wants(201))
	require.Equal(t, 1, saved.Version)
	require.Equal(t, dry.Warnings, saved.Warnings)
	require.Contains(t, string(r.put(path, testLayout).wants(200).body), `"warnings":[]`)
}

// A zone that holds items and is not in a new layout is named with their number, before and after it is
// stored.
func TestALayoutWithoutAZoneThatHoldsItems(t *testing.T) {
	r := newRig(t).shop().stocked()
	path := "/v1/sites/umberhithe/layout"
	without := strings.ReplaceAll(testLayout, `"id": "stockroom"`, `"id": "back-room"`)
	require.NotEqual(t, testLayout, without)
	warnings := into[LayoutDryRun](r.put(path+"?dry_run=1", without).wants(200)).Warnings
	require.Len(t, warnings, 1)
	require.Contains(t, warnings[0].Reason, `has no zone "stockroom", which holds 5 items`)
	require.Equal(t, warnings, into[LayoutSaved](r.put(path, without).wants(200)).Warnings)
	require.Empty(t, into[LayoutSaved](r.put(path, testLayout).wants(200)).Warnings)
}

func TestLayoutDocument(t *testing.T) {
	r := newRig(t)
	path := "/v1/sites/umberhithe/layout"
	r.put(path+"?dry_run=1", testLayout).wants(200)
	r.get(path).wantsCode(kit.CodeUnknownSite)
	first := into[Saved](r.do("PUT", path+"?note=opening", testLayout, "If-None-Match", "*").wants(201))
	require.Equal(t, 1, first.Version)
	require.True(t, first.InEffect)
	require.Equal(t, "boss", first.By)
	r.do("PUT", path, testLayout, "If-None-Match", "*").wantsCode(kit.CodeVersionMismatch)
	got := r.get(path).wants(200)
	require.JSONEq(t, testLayout, string(got.body))
	require.Equal(t, `"1"`, got.header.Get("ETag"))
	r.do("GET", path, "", "If-None-Match", `"7", W/"1"`).wants(304)

	changed := strings.Replace(testLayout, "Front tables", "Tables", 1)
	second := r.do("PUT", path, changed, "If-Match", `"1"`).wants(200)
	require.Equal(t, `"2"`, second.header.Get("ETag"))
	p := r.do("PUT", path, testLayout, "If-Match", `"1"`).wantsCode(kit.CodeVersionMismatch)
	require.EqualValues(t, 2, p.json()["version"])
	r.do("PUT", path, testLayout, "If-Match", `*`).wants(200)
	require.JSONEq(t, changed, string(r.get(path+"?version=2").wants(200).body))
	r.get(path + "?version=9").wantsCode(codeUnknownDocument)
	r.get(path + "?version=x").wantsCode(kit.CodeInvalidParameter)
	versions := into[VersionList](r.get(path + "/versions").wants(200)).Versions
	require.Len(t, versions, 3)
	require.Equal(t, 3, versions[0].Version)
	require.Equal(t, "opening", versions[2].Note)
	r.get(path + "/versions?x=1").wantsCode(kit.CodeInvalidParameter)

	bad := r.put(path, `{"site":"umberhithe","time_zone":"Mars","zones":[{"id":"A B","kind":"shelv"}]}`).wantsCode(kit.CodeInvalidDocument)
	require.GreaterOrEqual(t, len(bad.json()["errors"].([]any)), 3)
	r.put(path, `{`).wantsCode(kit.CodeInvalidDocument)
	require.Contains(t, string(r.put("/v1/sites/pier/layout", testLayout).wantsCode(kit.CodeInvalidDocument).body), "site of the path")
	r.put(path+"?note="+strings.Repeat("x", 201), testLayout).wantsCode(kit.CodeInvalidParameter)
	r.put(path+"?dry_run=2", testLayout).wantsCode(kit.CodeInvalidParameter)
	r.bodyFaults("PUT", path, kit.MediaJSON, true)
	require.Len(t, into[VersionList](r.get(path+"/versions")).Versions, 3, "nothing bad was stored")
}

func TestProductsDocument(t *testing.T) {
	r := newRig(t)
	r.get("/v1/products").wantsCode(codeUnknownDocument)
	r.get("/v1/products/versions").wantsCode(codeUnknownDocument)
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	dry := into[DryRun](r.do("PUT", "/v1/products?dry_run=1", testProducts, "Content-Type", "text/csv").wants(200))
	require.Equal(t, ProductDiff{Rows: 2, Total: 2, Added: 2}, *dry.Products)
	r.get("/v1/products").wantsCode(codeUnknownDocument)
	saved := into[ProductsSaved](r.do("PUT", "/v1/products?note=list", testProducts, "Content-Type", "text/csv",
		"If-None-Match", "*").wants(201))
	require.True(t, saved.InEffect)
	require.Equal(t, 2, saved.Products.Added)

	asJSON := r.get("/v1/products").wants(200)
	require.Equal(t, `"1"`, asJSON.header.Get("ETag"))
	r.do("GET", "/v1/products", "", "If-None-Match", `"1"`).wants(304)
	asCSV := r.do("GET", "/v1/products", "", "Accept", "text/csv").wants(200)
	require.Contains(t, string(asCSV.body), "The Harbour Light")
	require.Equal(t, asCSV.body, r.get("/v1/products?format=csv").wants(200).body)
	require.Equal(t, asJSON.body, r.do("GET", "/v1/products", "", "Accept", "text/html;q=0.5, application/*").wants(200).body)
	r.do("GET", "/v1/products", "", "Accept", "image/png, text/csv;q=0").wantsCode(kit.CodeNotAcceptable)
	r.get("/v1/products?format=xml").wantsCode(kit.CodeNotAcceptable)
	same := into[ProductsSaved](r.do("PUT", "/v1/products", string(asCSV.body), "Content-Type", "text/csv").wants(200))
	require.Equal(t, ProductDiff{Rows: 2, Total: 2, Unchanged: 2}, same.Products, "what goes out comes in")
	require.True(t, same.Unchanged)

	price := `{"products":[{"gtin":"9521141123454","sku":"UB-1001","name":"The Harbour ` +
		`Light","price":11},{"gtin":"9521234000020","name":"Ebb","home_zones":["shelf-z","shelf-b"]}]}`
	for i, method := range []string{"PATCH", "POST"} {
		merged := into[ProductsSaved](r.do(method, "/v1/products", price, "If-Match", "*").wants(200))
		require.Equal(t, 3, merged.Products.Total)
		require.Equal(t, i == 1, merged.Unchanged)
		require.Equal(t, 2, merged.Version, "what changes nothing is no version")
		require.Len(t, merged.Warnings, 2)
		require.Contains(t, merged.Warnings[0], "shelf-b")
		r.do(method, "/v1/products", price, "If-Match", `"1"`).wantsCode(kit.CodeVersionMismatch)
	}
	once := r.do("POST", "/v1/products", price, "Idempotency-Key", "p").wants(200)
	require.Equal(t, once.body, r.do("POST", "/v1/products", price, "Idempotency-Key", "p").wants(200).body)
	require.Equal(t, once.header.Get("ETag"), r.do("POST", "/v1/products", price, "Idempotency-Key", "p").header.Get("ETag"))
	r.do("POST", "/v1/products", `[]`, "Idempotency-Key", "p").wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", "/v1/products", price, "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	refused := r.do("PUT", "/v1/products", `[]`).wantsCode(codeRemoval).json()
	require.Equal(t, "This removes 3 of 3 products. Nothing was stored. If it is meant, send it with ?allow_removal=true.", refused["detail"])
	require.Contains(t, into[DryRun](r.do("PUT", "/v1/products?dry_run=true", `[]`).wants(200)).Warnings, "This removes 3 of 3 products.")
	replaced := into[ProductsSaved](r.do("PUT", "/v1/products?allow_removal=true", `[]`, "Content-Type", "application/json").wants(200))
	require.Equal(t, 3, replaced.Products.Removed)
	r.do("PUT", "/v1/products", `[]`, "If-Match", `"1"`).wantsCode(kit.CodeVersionMismatch)

	for _, method := range []string{"PUT", "PATCH", "POST"} {
		bad := r.do(method, "/v1/products", "gtin,price\n9521141123455,x\n9521141123454,2\n,1\n", "Content-Type",
			"text/csv").wantsCode(kit.CodeInvalidDocument).json()
		require.EqualValues(t, 1, bad["good_rows"])
		require.GreaterOrEqual(t, len(bad["errors"].([]any)), 3)
		require.EqualValues(t, 1, bad["errors"].([]any)[0].(map[string]any)["row"])
		r.do(method, "/v1/products", "{", "Content-Type", "application/json").wantsCode(kit.CodeInvalidDocument)
		r.do(method, "/v1/products?dry_run=x", `[]`).wantsCode(kit.CodeInvalidParameter)
		r.bodyFaults(method, "/v1/products", kit.MediaJSON, true)
	}
	require.NotEmpty(t, into[VersionList](r.get("/v1/products/versions").wants(200)).Versions)
	r.get("/v1/products/versions?x=1").wantsCode(kit.CodeInvalidParameter)
	require.Contains(t, string(r.get("/v1/products?version=1").wants(200).body), "Low Water")
	r.get("/v1/products?version=0").wantsCode(kit.CodeInvalidParameter)
}

func TestTheFirstProductsMayBeMerged(t *testing.T) {
	for _, method := range []string{"PATCH", "POST"} {
		r := newRig(t)
		saved := into[ProductsSaved](r.do(method, "/v1/products", testProducts, "Content-Type", "text/csv").wants(201))
		require.Equal(t, 2, saved.Products.Added)
	}
}

// busyStore is a store on which somebody else is always quicker.
type busyStore struct{ store.Store }

func (busyStore) PutDocuments(context.Context, []store.DocumentPut) error { return store.ErrConflict }

func TestSomebodyElseIsAlwaysQuicker(t *testing.T) {
	r := newRig(t)
	key := r.admin
	r.api = New(Options{Store: busyStore{r.store}, Runner: r.run, Log: r.api.log})
	r.admin = key
	r.put("/v1/channels", testChannels).wantsCode(kit.CodeConflict)
	r.do("PUT", "/v1/channels", testChannels, "If-None-Match", "*").wantsCode(kit.CodeVersionMismatch)
}

func TestManyProducts(t *testing.T) {
	if testing.Short() {
		t.Skip("large")
	}
	r := newRig(t)
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	var b strings.Builder
	b.WriteString("gtin,sku,name,category,price,home_zones,minimum\n")
	for i := range 50_000 {
		body := fmt.Sprintf("952%09d", i)
		sum := 0
		for k, c := range body {
			sum += int(c-'0') * (1 + 2*(k%2))
		}
		fmt.Fprintf(&b, "%s%d,UB-%d,Volume %d,fiction,9.99,shelf-a,front-tables:2\n", body, (10-sum%10)%10, i, i)
	}
	saved := into[ProductsSaved](r.do("PUT", "/v1/products", b.String(), "Content-Type", "text/csv").wants(201))
	require.Equal(t, 50_000, saved.Products.Total)
}

func TestRulesDocument(t *testing.T) {
	r := newRig(t)
	r.get("/v1/rules").wantsCode(codeUnknownDocument)
	r.get("/v1/rules/versions").wantsCode(codeUnknownDocument)
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	yaml := func(method, path, body string, headers ...string) *reply {
		return r.do(method, path, body, append([]string{"Content-Type", "text/yaml"}, headers...)...)
	}
	saved := into[RulesSaved](yaml("PUT", "/v1/rules?note=first", testRules, "If-None-Match", "*").wants(201))
	require.Equal(t, 2, saved.Rules)
	require.Len(t, saved.Diagnostics, 1, "the channel does not exist yet")
	require.Equal(t, "warning", saved.Diagnostics[0].Severity)
	require.Contains(t, saved.Diagnostics[0].Reason, "door-team")
	r.put("/v1/channels", testChannels).wants(201)
	require.Empty(t, into[RulesSaved](yaml("PUT", "/v1/rules", testRules, "If-Match", `"1"`).wants(200)).Diagnostics)
	yaml("PUT", "/v1/rules", testRules, "If-Match", `"2"`).wantsCode(kit.CodeVersionMismatch)
	yaml("PUT", "/v1/rules", testRules, "If-Match", "").wants(200)
	one := "rules: [{name: another, when: item.sellable}]"
	yaml("PUT", "/v1/rules", one).wantsCode(codeRemoval)
	yaml("PUT", "/v1/rules?allow_removal=false", one).wantsCode(codeRemoval)

	require.Equal(t, testRules, string(r.get("/v1/rules").wants(200).body))
	r.do("GET", "/v1/rules", "", "If-None-Match", `"1"`).wants(304)
	v := into[RulesView](r.do("GET", "/v1/rules", "", "Accept", "application/json").wants(200))
	require.Equal(t, 1, v.Version)
	require.Equal(t, "unpaid-at-door", v.Rules[0].Name)
	require.Equal(t, "urgent", v.Rules[0].Severity)
	require.Contains(t, v.Rules[0].Uses, "item.paid")
	r.do("GET", "/v1/rules", "", "Accept", "text/html").wantsCode(kit.CodeNotAcceptable)
	r.get("/v1/rules?version=77").wantsCode(codeUnknownDocument)
	r.get("/v1/rules?version=-1").wantsCode(kit.CodeInvalidParameter)
	require.Len(t, into[VersionList](r.get("/v1/rules/versions").wants(200)).Versions, 1)
	r.get("/v1/rules/versions?x=1").wantsCode(kit.CodeInvalidParameter)

	bad := "rules:\n  - name: broken\n    when: zone.kindd == \"exit\"\n    say: x\n"
	p := yaml("PUT", "/v1/rules", bad).wantsCode(kit.CodeInvalidDocument).json()
	d := p["errors"].([]any)[0].(map[string]any)
	require.EqualValues(t, 3, d["line"])
	require.Contains(t, fmt.Sprint(d["hint"], d["message"]), "zone.kind")
	check := into[CheckAnswer](yaml("POST", "/v1/rules/check", bad).wants(200))
	require.False(t, check.OK)
	require.NotEmpty(t, check.Diagnostics)
	check = into[CheckAnswer](yaml("POST", "/v1/rules/check", strings.Replace(testRules, "shelf-a", "shelf-q", 1)).wants(200))
	require.True(t, check.OK)
	require.Len(t, check.Rules, 2)
	require.Len(t, check.Diagnostics, 1, "no shop has shelf-q")
	yaml("PUT", "/v1/rules?note="+strings.Repeat("x", 201), testRules).wantsCode(kit.CodeInvalidParameter)
	r.bodyFaults("PUT", "/v1/rules", mediaYAML, false)
	r.bodyFaults("POST", "/v1/rules/check", mediaYAML, false)
}

func TestChannelsDocument(t *testing.T) {
	r := newRig(t)
	require.JSONEq(t, `{"channels":[]}`, string(r.get("/v1/channels").wants(200).body))
	r.get("/v1/channels/versions").wantsCode(codeUnknownDocument)
	saved := r.do("PUT", "/v1/channels?note=door", testChannels, "If-None-Match", "*").wants(201)
	shown := r.get("/v1/channels").wants(200)
	for _, rep := range []*reply{saved, shown} {
		for _, secret := range []string{"QUJDREVG", "TOPSECRET"} {
			require.NotContains(t, string(rep.body), secret)
		}
	}
	require.Contains(t, string(shown.body), "chat.example.test")
	r.do("GET", "/v1/channels", "", "If-None-Match", `"1"`).wants(304)

	// What was shown comes back: the masks stand for what they hide.
	r.do("PUT", "/v1/channels", string(shown.body), "If-Match", `"1"`).wants(200)
	stored, err := r.store.GetDocument(t.Context(), ChannelsDocument, 0)
	require.NoError(t, err)
	for _, secret := range []string{"whsec_QUJDREVG", "TOPSECRETPATH", "TOPSECRETHEADER"} {
		require.Contains(t, string(stored.Body), secret)
	}
	r.do("PUT", "/v1/channels", testChannels, "If-Match", `"2"`).wantsCode(kit.CodeVersionMismatch)
	r.get("/v1/channels?version=9").wantsCode(codeUnknownDocument)
	r.get("/v1/channels?version=x").wantsCode(kit.CodeInvalidParameter)
	require.Len(t, into[VersionList](r.get("/v1/channels/versions").wants(200)).Versions, 1)
	r.get("/v1/channels/versions?x=1").wantsCode(kit.CodeInvalidParameter)
	bad := r.put("/v1/channels", strings.Replace(testChannels, "https://", "gopher://", 1)).wantsCode(kit.CodeInvalidDocument)
	require.NotContains(t, string(bad.body), "TOPSECRET")
	r.put("/v1/channels", `{`).wantsCode(kit.CodeInvalidDocument)
	r.put("/v1/channels?note="+strings.Repeat("x", 201), testChannels).wantsCode(kit.CodeInvalidParameter)
	r.bodyFaults("PUT", "/v1/channels", kit.MediaJSON, false)

	// A channel that rules send to is missed.
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	r.do("PUT", "/v1/rules", testRules, "Content-Type", "text/yaml").wants(201)
	gone := into[struct{ Warnings []string }](r.put("/v1/channels", `{"channels":[]}`).wants(200))
	require.Len(t, gone.Warnings, 1)
	require.Contains(t, gone.Warnings[0], "unpaid-at-door")
	r.post("/v1/channels/door-team/test", "").wantsCode(codeUnknownChannel)

	r.put("/v1/channels", testChannels).wants(200)
	r.sends.out = deliver.Outcome{Code: 204}
	path := "/v1/channels/door-team/test"
	var out OutcomeView
	require.NoError(t, json.Unmarshal(r.do("POST", path, "", "Idempotency-Key", "t").wants(200).body, &out))
	require.Equal(t, 204, out.Code)
	r.do("POST", path, "", "Idempotency-Key", "t").wants(200)
	require.Len(t, r.sends.tested, 1)
	require.Equal(t, "https://chat.example.test/hook/TOPSECRETPATH", r.sends.tested[0].URL, "the sender gets the whole channel")
	r.do("POST", path, "x", "Idempotency-Key", "t").wantsCode(kit.CodeIdempotencyMismatch)
	r.keyedFaults(path)
	r.post(path+"?x=1", "").wantsCode(kit.CodeInvalidParameter)
	r.sends.err = errors.New("TOPSECRETPATH broke")
	require.NotContains(t, string(r.post(path, "").wantsCode(kit.CodeUnavailable).body), "TOPSECRET")
	r.api.opt.Dispatcher = nil
	r.post(path, "").wantsCode(kit.CodeUnavailable)
}

// usedChannels counts how often stored channels were taken into use.
type usedChannels struct {
	guard     *deliver.Guard
	refreshed int
}

func (u *usedChannels) Refresh(context.Context) error {
	u.refreshed++
	return nil
}

func (u *usedChannels) Check(c deliver.Channel) error { return u.guard.CheckChannel(c) }

// Channels are in use when the answer says so, however they were stored, and an address that nothing
// can be sent to is a warning.
func TestStoredChannelsAreUsedAtOnce(t *testing.T) {
	used := &usedChannels{guard: deliver.NewGuard(nil)}
	r := newRig(t, func(o *Options) { o.Channels = used })
	const private = `{"channels": [{"name": "chat", "format": "template", "template": "{data.alert.say}", "url": "http://10.1.2.3/hook"}]}`
	saved := into[ChannelsSaved](r.put("/v1/channels", private).wants(201))
	require.True(t, saved.InEffect)
	require.Equal(t, 1, used.refreshed)
	require.Equal(t, []string{`nothing can be sent to the channel "chat": connecting to 10.1.2.3:80 is not allowed: it is a private ` +
		`address; if that receiver is yours, start Lintel with --allow-cidr 10.1.2.3/32`}, saved.Warnings)
	r.put("/v1/channels", strings.Replace(private, "data.alert.say", "data.say", 1)).wantsCode(kit.CodeInvalidDocument)
	require.Equal(t, 1, used.refreshed)
}
