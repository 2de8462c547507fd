package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	"github.com/pb33f/libopenapi-validator/schema_validation"
	"github.com/stretchr/testify/require"

	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/storetest"
)

func TestHealth(t *testing.T) {
	r := newRig(t).shop()
	r.admin = ""
	for _, path := range []string{"/healthz", "/readyz"} {
		require.JSONEq(t, `{"status":"ok"}`, string(r.get(path).wants(200).body))
	}
	faulty := &deafStore{Store: r.store}
	r.api = New(Options{Store: faulty, Runner: r.run, Log: r.api.log})
	require.JSONEq(t, `{"status":"unavailable"}`, string(r.get("/readyz").wants(503).body), "no detail without a key")
	require.Contains(t, r.log.String(), "ear wax")
	r.get("/healthz").wants(200)
}

// deafStore does not answer pings.
type deafStore struct{ store.Store }

func (deafStore) Ping(context.Context) error { return errors.New("ear wax") }

func TestRoutesThatDoNotExist(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/v1", "/v1/nothing", "/v1/sites/quayside/items/a/b/c", "/console/"} {
		rep := r.get(path).wantsCode(codeNotFound)
		require.Equal(t, mediaProblem, rep.header.Get("Content-Type"))
		require.Equal(t, "nosniff", rep.header.Get("X-Content-Type-Options"))
	}
	r.do("DELETE", "/v1/rules", "").wantsCode(codeMethodNotAllowed)
	metrics := string(r.get("/metrics").wants(200).body)
	require.NotContains(t, metrics, "nothing", "a wrong path is no time series")
	r.get("/metrics?x=1").wantsCode(codeInvalidParameter)
	r.get("/openapi.json?x=1").wantsCode(codeInvalidParameter)
	r.get("/v1/sites?x=1").wantsCode(codeInvalidParameter)
	r.shop()
	r.get("/v1/sites/quayside/read-points?x=1").wantsCode(codeInvalidParameter)
}

func TestRequestIDs(t *testing.T) {
	r := newRig(t)
	rep := r.do("GET", "/v1/nothing", "", headerRequestID, "abc-123")
	require.Equal(t, "abc-123", rep.header.Get(headerRequestID))
	require.Equal(t, "abc-123", rep.json()["request_id"])
	for _, bad := range []string{"a b", "a\tb", strings.Repeat("x", 65), "<script>"} {
		require.NotEqual(t, bad, r.do("GET", "/healthz", "", headerRequestID, bad).header.Get(headerRequestID))
	}
	require.Contains(t, r.log.String(), "request=abc-123")
	require.Contains(t, r.log.String(), "level=DEBUG msg=request")
}

func TestPanicsStayInside(t *testing.T) {
	r := newRig(t)
	r.api.routes = append(r.api.routes, route{method: "GET", path: "/v1/panic", name: "panic", scopes: operate, handle: func(*call) error { panic("the secret cause") }})
	r.api.echo = r.api.mount()
	w := httptest.NewRecorder()
	req := httptest.NewRequest("GET", "/v1/panic", nil)
	req.Header.Set("Authorization", "Bearer "+r.admin)
	r.api.Handler().ServeHTTP(w, req)
	require.Equal(t, 500, w.Code)
	require.NotContains(t, w.Body.String(), "secret cause")
	require.Contains(t, r.log.String(), "secret cause")
	note("panic " + string(codeInternal))
}

func TestUnknownErrorsShowNothing(t *testing.T) {
	p := asProblem(errors.New("password=hunter2"))
	require.Equal(t, codeInternal, p.code)
	require.NotContains(t, string(p.body("x")), "hunter2")
	require.Equal(t, codeUnavailable, asProblem(unavailable(errors.New("password=hunter2"))).code)
	require.NotContains(t, string(asProblem(unavailable(errors.New("password=hunter2"))).body("x")), "hunter2")
	require.Equal(t, codeTimeout, asProblem(unavailable(context.DeadlineExceeded)).code)
	require.Equal(t, codeUnavailable, asProblem(store.ErrClosed).code)
	require.Equal(t, codeUnknownSite, asProblem(unavailable(runner.ErrNoSite)).code)
	for code, p := range problems {
		require.NotEmpty(t, http.StatusText(p.status), code)
		require.NotEmpty(t, p.meaning, code)
	}
}

func TestARequestThatTakesTooLong(t *testing.T) {
	r := newRig(t).shop()
	r.api = New(Options{Store: r.store, Runner: r.run, Log: r.api.log, Timeout: time.Nanosecond})
	// The key ring asks the store, whose context is over.
	rep := r.get("/v1/sites/quayside/items")
	require.Contains(t, []int{503}, rep.status)
	note("listItems " + string(codeTimeout))
}

// TestNoSecretInAnyLog goes through what handles secrets, at the most talkative level, and looks for them.
func TestNoSecretInAnyLog(t *testing.T) {
	r := newRig(t).shop()
	made := into[KeyView](r.post("/v1/keys", `{"name":"probe","scopes":["operate"],"sites":["*"]}`).wants(201))
	r.as(made.Key, func(r *rig) { r.get("/v1/channels").wants(200) })
	r.do("GET", "/v1/rules", "", "Authorization", "Bearer lk_somebodyelses").wantsCode(codeUnauthorized)
	r.put("/v1/channels", strings.Replace(testChannels, "webhook", "pigeon", 1)).wantsCode(codeInvalidDocument)
	r.sends.err = errors.New("dialling failed")
	r.post("/v1/channels/door-team/test", "").wantsCode(codeUnavailable)
	log := r.log.String()
	require.Contains(t, log, "key=probe")
	for _, secret := range []string{made.Key, made.Key[3:], "lk_somebodyelses", "somebodyelses", "QUJDREVG", "TOPSECRET", r.admin} {
		require.NotContains(t, log, secret)
	}
}

func TestPages(t *testing.T) {
	r := newRig(t, func(o *Options) {
		o.Pages = map[string]http.Handler{"/console/": http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) { _, _ = w.Write([]byte("page " + req.URL.Path)) })}
	})
	r.admin = ""
	require.Equal(t, "page app.js", string(r.get("/console/app.js").wants(200).body))
}

func TestAnswersOfKeys(t *testing.T) {
	r := newRig(t)
	ctx := t.Context()
	now := time.Now()
	s := &answers{store: r.store, now: func() time.Time { return now }, log: r.api.log}
	c, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.False(t, c.answered())
	_, err = s.claim(ctx, "boss k", "f", time.Minute)
	require.Equal(t, codeIdempotencyBusy, asProblem(err).code)
	_, err = s.claim(ctx, "boss k", "other", time.Minute)
	require.ErrorIs(t, err, store.ErrIdempotencyMismatch)
	now = now.Add(2 * time.Minute)
	_, err = s.claim(ctx, "boss k", "f", time.Minute)
	require.Equal(t, codeIdempotencyLost, asProblem(err).code, "the process was killed")
	note("x " + string(codeIdempotencyBusy))
	note("x " + string(codeIdempotencyLost))

	// A failure of ours settles nothing.
	require.NoError(t, s.keep(ctx, c, keptAnswer{Status: 503}))
	c2, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.False(t, c2.answered())
	require.ErrorIs(t, s.keep(ctx, c, keptAnswer{Status: 200}), store.ErrConflict, "the claim is another's now")
	require.NoError(t, s.keep(ctx, c2, keptAnswer{Status: 201, Type: mediaJSON, Body: []byte("{}")}))
	c3, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.Equal(t, 201, c3.kept.Status)

	// Old answers are dropped, and their claims, those that nobody answered too.
	_, err = s.claim(ctx, "boss killed", "f", time.Minute)
	require.NoError(t, err)
	_, err = s.claim(ctx, "boss gone", "f", time.Minute)
	require.NoError(t, err)
	now = now.Add(26 * time.Hour)
	_, err = s.claim(ctx, "boss new", "f", time.Minute)
	require.NoError(t, err)
	_, err = s.claim(ctx, "boss gone", "other", time.Minute)
	require.NoError(t, err, "nobody remembers that key")
	var keys []string
	require.NoError(t, r.store.Values(ctx, kindAnswer, nil, func(v store.Value) error {
		keys = append(keys, v.Key)
		return nil
	}))
	require.Equal(t, []string{"boss gone", "boss new"}, keys)
}

func TestAFailedRequestMayBeTriedAgainWithItsKey(t *testing.T) {
	r := newRig(t).shop()
	id := r.alert(1)
	faulty := storetest.NewFaulty(r.store, 1, storetest.Faults{})
	r.api = New(Options{Store: faulty, Runner: r.run, Dispatcher: r.sends, Log: r.api.log, Now: r.clock})
	d := into[DeliveryList](r.get("/v1/deliveries?alert=" + id)).Deliveries[0]
	r.sends.err = errors.New("shutting down")
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wantsCode(codeUnavailable)
	r.sends.err = nil
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wants(200)
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wants(200)
	require.Len(t, r.sends.retried, 2)
	faulty.SetFaults(storetest.Faults{Before: 1})
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "s").wantsCode(codeUnavailable)
}

// TestOpenAPIDocument holds the document against the OpenAPI 3.1 schema of the OpenAPI Initiative, by libopenapi, and against the router.
func TestOpenAPIDocument(t *testing.T) {
	r := newRig(t)
	b := r.get("/openapi.json").wants(200).body
	doc, err := libopenapi.NewDocument(b)
	require.NoError(t, err)
	model, err := doc.BuildV3Model()
	require.NoError(t, err)
	valid, faults := schema_validation.ValidateOpenAPIDocument(doc)
	for _, f := range faults {
		t.Log(f.Message, f.Reason)
		for _, s := range f.SchemaValidationErrors {
			t.Log("   ", s.Reason, s.KeywordLocation)
		}
	}
	require.True(t, valid)

	declared := map[string]bool{}
	for path := range model.Model.Paths.PathItems.FromOldest() {
		item := model.Model.Paths.PathItems.GetOrZero(path)
		for method, op := range item.GetOperations().FromOldest() {
			declared[strings.ToUpper(method)+" "+path] = true
			require.NotEmpty(t, op.Summary)
			require.NotEmpty(t, op.OperationId)
		}
	}
	routed := map[string]bool{}
	for _, e := range r.api.echo.Routes() {
		if e.Method == "echo_route_not_found" {
			continue
		}
		parts := strings.Split(e.Path, "/")
		for i, p := range parts {
			if strings.HasPrefix(p, ":") {
				parts[i] = "{" + p[1:] + "}"
			}
		}
		routed[e.Method+" "+strings.Join(parts, "/")] = true
	}
	require.Equal(t, routed, declared)
	names := map[string]bool{}
	for _, rt := range r.api.routes {
		require.False(t, names[rt.name], "%s twice", rt.name)
		names[rt.name] = true
		require.NotEmpty(t, rt.answers, rt.name)
		require.True(t, rt.open || len(rt.scopes) > 0 || rt.name == "openapi", rt.name)
		if rt.method == http.MethodPost {
			require.True(t, rt.keyed || rt.appends || slices.Contains([]string{"checkRules", "planConfiguration", "tryRule"}, rt.name), "%s changes something and takes no Idempotency-Key", rt.name)
		}
	}
	var text bytes.Buffer
	require.NoError(t, json.Indent(&text, b, "", " "))
}

// TestOneDocComment keeps the package to one package comment.
func TestOneDocComment(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	n := 0
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		if strings.Contains(string(b), "\n// Package api ") || strings.HasPrefix(string(b), "// Package api ") {
			n++
		}
		require.Less(t, bytes.Count(b, []byte("\n")), 560, f)
	}
	require.Equal(t, 1, n)
}
