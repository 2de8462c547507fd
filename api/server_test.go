package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
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
	require.JSONEq(t, `{"status":"unavailable","reason":"store"}`, string(r.get("/readyz").wants(503).body), "one word without a key")
	require.Contains(t, r.log.String(), "ear wax")
	r.get("/healthz").wants(200)
}

// deafStore does not answer pings.
type deafStore struct{ store.Store }

func (deafStore) Ping(context.Context) error { return errors.New("ear wax") }

func TestRoutesThatDoNotExist(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/v1", "/v1/nothing", "/v1/sites/umberhithe/items/a/b/c", "/console/"} {
		rep := r.get(path).wantsCode(kit.CodeNotFound)
		require.Equal(t, kit.MediaProblem, rep.header.Get("Content-Type"))
		require.Equal(t, "nosniff", rep.header.Get("X-Content-Type-Options"))
	}
	r.do("DELETE", "/v1/rules", "").wantsCode(kit.CodeMethodNotAllowed)
	metrics := string(r.get("/metrics").wants(200).body)
	require.NotContains(t, metrics, "nothing", "a wrong path is no time series")
	r.get("/metrics?x=1").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/sites?x=1").wantsCode(kit.CodeInvalidParameter)
	r.shop()
	r.get("/v1/sites/umberhithe/read-points?x=1").wantsCode(kit.CodeInvalidParameter)
}

func TestRequestIDs(t *testing.T) {
	r := newRig(t)
	rep := r.do("GET", "/v1/nothing", "", kit.HeaderRequestID, "abc-123")
	require.Equal(t, "abc-123", rep.header.Get(kit.HeaderRequestID))
	require.Equal(t, "abc-123", rep.json()["request_id"])
	for _, bad := range []string{"a b", "a\tb", strings.Repeat("x", 65), "<script>"} {
		require.NotEqual(t, bad, r.do("GET", "/healthz", "", kit.HeaderRequestID, bad).header.Get(kit.HeaderRequestID))
	}
	require.Contains(t, r.log.String(), "request=abc-123")
	require.Contains(t, r.log.String(), "level=DEBUG msg=request")
}

func TestASiteThatDoesNotExistIsNoFailureOfTheStore(t *testing.T) {
	require.Equal(t, kit.CodeUnknownSite, kit.AsProblem(unavailable(runner.ErrNoSite)).Code)
	require.Equal(t, kit.CodeUnavailable, kit.AsProblem(unavailable(errors.New("away"))).Code)
}

func TestARequestThatTakesTooLong(t *testing.T) {
	r := newRig(t).shop()
	r.api = New(Options{Store: r.store, Runner: r.run, Log: r.api.log, Timeout: time.Nanosecond})
	// The key ring asks the store, whose context is over.
	rep := r.get("/v1/sites/umberhithe/items")
	require.Contains(t, []int{503}, rep.status)
	note("listItems " + kit.CodeTimeout.Name)
}

// TestNoSecretInAnyLog goes through what handles secrets, at the most talkative level, and looks
// for them.
func TestNoSecretInAnyLog(t *testing.T) {
	r := newRig(t).shop()
	made := into[KeyView](r.post("/v1/keys", `{"name":"probe","scopes":["operate"],"sites":["*"]}`).wants(201))
	r.as(made.Key, func(r *rig) { r.get("/v1/channels").wants(200) })
	r.do("GET", "/v1/rules", "", "Authorization", "Bearer lk_somebodyelses").wantsCode(kit.CodeUnauthorized)
	r.put("/v1/channels", strings.Replace(testChannels, "webhook", "pigeon", 1)).wantsCode(kit.CodeInvalidDocument)
	r.sends.err = errors.New("dialling failed")
	r.post("/v1/channels/door-team/test", "").wantsCode(kit.CodeUnavailable)
	log := r.log.String()
	require.Contains(t, log, "key=probe")
	for _, secret := range []string{made.Key, made.Key[3:], "lk_somebodyelses", "somebodyelses", "QUJDREVG", "TOPSECRET", r.admin} {
		require.NotContains(t, log, secret)
	}
}

func TestPages(t *testing.T) {
	r := newRig(t, func(o *Options) {
		o.Pages = map[string]http.Handler{"/console/": http.HandlerFunc(func(w http.ResponseWriter,
			req *http.Request) {
			_, _ = w.Write([]byte("page " + req.URL.Path))
		})}
	})
	r.admin = ""
	require.Equal(t, "page app.js", string(r.get("/console/app.js").wants(200).body))
}

func TestAFailedRequestMayBeTriedAgainWithItsKey(t *testing.T) {
	r := newRig(t).shop()
	id := r.alert(1)
	faulty := storetest.NewFaulty(r.store, 1, storetest.Faults{})
	r.api = New(Options{Store: faulty, Runner: r.run, Dispatcher: r.sends, Log: r.api.log, Now: r.clock})
	d := into[DeliveryList](r.get("/v1/deliveries?alert=" + id)).Deliveries[0]
	r.sends.err = errors.New("shutting down")
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wantsCode(kit.CodeUnavailable)
	r.sends.err = nil
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wants(200)
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "r").wants(200)
	require.Len(t, r.sends.retried, 2)
	faulty.SetFaults(storetest.Faults{Before: 1})
	r.do("POST", "/v1/deliveries/"+d.ID+"/retry", "", "Idempotency-Key", "s").wantsCode(kit.CodeUnavailable)
}

// TestOpenAPIDocument holds the document against the schema of OpenAPI 3.1 that the OpenAPI Initiative publishes
// (https://spec.openapis.org/oas/3.1/schema/2022-10-07, Apache-2.0, in testdata), its schemas against JSON Schema
// 2020-12, and its operations against the router.
func TestOpenAPIDocument(t *testing.T) {
	r := newRig(t)
	rep := r.get("/openapi.json").wants(200)
	b, doc := rep.body, rep.json()
	official, err := os.ReadFile("testdata/oas-3.1-schema.json")
	require.NoError(t, err)
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(official))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("oas", schema))
	require.NoError(t, c.AddResource("document", doc))
	oas := c.MustCompile("oas")
	require.NoError(t, oas.Validate(doc))
	require.Error(t, oas.Validate(map[string]any{"openapi": "3.1.0"}), "the schema bites")
	for name := range doc["components"].(map[string]any)["schemas"].(map[string]any) {
		_, err := c.Compile("document#/components/schemas/" + name)
		require.NoError(t, err)
	}
	refs := regexp.MustCompile(`"\$ref":\s*"([^"]*)"`).FindAllSubmatch(b, -1)
	require.NotEmpty(t, refs)
	for _, ref := range refs {
		at := any(doc)
		for _, name := range strings.Split(strings.TrimPrefix(string(ref[1]), "#/"), "/") {
			at = at.(map[string]any)[name]
		}
		require.NotNil(t, at, "%s leads nowhere", ref[1])
	}

	declared := map[string]bool{}
	for path, item := range doc["paths"].(map[string]any) {
		for method, op := range item.(map[string]any) {
			declared[strings.ToUpper(method)+" "+path] = true
			require.NotEmpty(t, op.(map[string]any)["summary"])
			require.NotEmpty(t, op.(map[string]any)["operationId"])
		}
	}
	routed := map[string]bool{}
	for _, e := range r.api.Handler().(*echo.Echo).Routes() {
		if e.Method == "echo_route_not_found" || e.Method == "HEAD" { // which goes with GET
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
		require.False(t, names[rt.Name], "%s twice", rt.Name)
		names[rt.Name] = true
		require.NotEmpty(t, rt.Answers, rt.Name)
		require.True(t, rt.Open || len(rt.Scopes) > 0, rt.Name)
		if rt.Method == http.MethodPost {
			require.True(t, rt.Keyed || rt.Appends ||
				slices.Contains([]string{"checkRules", "checkRule", "planConfiguration", "tryRule", "signIn", "previewChannel"}, rt.Name),
				"%s changes something and takes no Idempotency-Key", rt.Name)
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
