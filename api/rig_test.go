package api

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// rig is a whole server over a store in memory, without a network: Umberhithe Books with one book
// on its shelf list.
type rig struct {
	t     testing.TB
	store store.Store
	run   *runner.Runner
	api   *API
	log   *lockedBuffer
	sends *fakeDispatcher
	ahead atomic.Int64 // of the server's clock before the real one, nanoseconds
	admin string       // a key for everything
	keys  map[string]string
}

const testRules = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    severity: urgent
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]
  - name: in-the-shelf
    when: zone.id == "shelf-a"
    mode: watch
    say: "{product.name} is in {zone.name}"
`

const testProducts = `gtin,sku,name,category,price,home_zones,minimum
9521141123454,UB-1001,The Harbour Light,fiction,9.99,shelf-a|front-tables,front-tables:2
9521234000013,UB-1002,Low Water,crime,8.50,shelf-a,
`

const testChannels = `{"channels": [{"name": "door-team", "url": "https://chat.example.test/hook/TOPSECRETPATH", ` +
	`"format": "webhook", "secrets": [{"secret": "whsec_QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVphYmNkZWY="}], "headers": {"X-Token": "TOPSECRETHEADER"}}]}`

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

type fakeDispatcher struct {
	mu      sync.Mutex
	retried []string
	tested  []deliver.Channel
	health  map[string]deliver.Health
	started []string
	ranges  []string
	out     deliver.Outcome
	err     error
}

func (f *fakeDispatcher) Retry(_ context.Context, site, id string) (deliver.Outcome, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.retried = append(f.retried, site+" "+id)
	return f.out, f.err
}

func (f *fakeDispatcher) Test(_ context.Context, c deliver.Channel) (deliver.Outcome, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tested = append(f.tested, c)
	return f.out, f.err
}

func (f *fakeDispatcher) Health(context.Context) (map[string]deliver.Health, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.health, f.err
}

func (f *fakeDispatcher) StartChannel(_ context.Context, name string) (bool, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.started = append(f.started, name)
	return true, f.err
}

func (f *fakeDispatcher) Recover(_ context.Context, sites []string, channel string, since, until time.Time) (deliver.Recovery, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ranges = append(f.ranges, fmt.Sprint(sites, " ", channel, " ", since.UTC().Format(time.RFC3339), " ",
		until.UTC().Format(time.RFC3339)))
	return deliver.Recovery{Queued: 1000, More: true, First: since, Last: until.Add(-time.Second)}, f.err
}

// newRig starts a server. The site exists once layout was called.
func newRig(t testing.TB, change ...func(*Options)) *rig {
	st := memory.Open()
	r := &rig{t: t, store: st, log: &lockedBuffer{}, sends: &fakeDispatcher{}, keys: make(map[string]string)}
	log := slog.New(slog.NewTextHandler(r.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	reg := prometheus.NewRegistry()
	r.run = runner.New(runner.Options{Store: st, Log: log, Metrics: runner.NewMetrics(reg), Now: r.clock})
	require.NoError(t, r.run.Start(context.Background()))
	opt := Options{Store: st, Runner: r.run, Dispatcher: r.sends, Log: log, Registry: reg, Now: r.clock,
		BodyLimit: 1 << 20, ProductsLimit: 4 << 20}
	for _, f := range change {
		f(&opt)
	}
	r.api = New(opt)
	t.Cleanup(func() {
		r.api.Close()
		r.run.Stop()
		require.NoError(t, st.Close())
	})
	r.admin = r.key("boss", kit.ScopeAdmin)
	return r
}

// clock is the server's: the real one, and what tick added.
func (r *rig) clock() time.Time { return time.Now().Add(time.Duration(r.ahead.Load())) }

// tick puts the server's clock forward: reads of one tag at one moment are one report.
func (r *rig) tick() { r.ahead.Add(int64(2 * time.Millisecond)) }

// key returns the text of a key for all sites with these scopes, making it on first use.
func (r *rig) key(name string, scopes ...string) string {
	if k, ok := r.keys[name]; ok {
		return k
	}
	text, err := kit.MintKey(context.Background(), r.store, name, scopes, []string{kit.AllSites}, "test", r.clock())
	require.NoError(r.t, err)
	r.api.server.ForgetKeys()
	r.keys[name] = text
	return text
}

// shop stores layout, products, channels and rules.
func (r *rig) shop() *rig {
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	r.do("PUT", "/v1/products", testProducts, "Content-Type", "text/csv").wants(201)
	r.put("/v1/channels", testChannels).wants(201)
	r.do("PUT", "/v1/rules", testRules, "Content-Type", "text/yaml").wants(201)
	return r
}

// reply is an answer, checked against the OpenAPI document already.
type reply struct {
	t      testing.TB
	what   string
	status int
	header http.Header
	body   []byte
}

func (r *rig) get(path string) *reply        { return r.do("GET", path, "") }
func (r *rig) put(path, body string) *reply  { return r.do("PUT", path, body) }
func (r *rig) post(path, body string) *reply { return r.do("POST", path, body) }
func (r *rig) reads(body string) *reply      { return r.post("/v1/sites/umberhithe/reads", body) }
func (r *rig) as(key string, f func(*rig)) *rig {
	o := r.admin
	r.admin = key
	f(r)
	r.admin = o
	return r
}

// do sends a request with the admin key unless the headers, in pairs, say otherwise.
func (r *rig) do(method, path, body string, headers ...string) *reply {
	r.t.Helper()
	var rd io.Reader
	if body != "" {
		rd = strings.NewReader(body)
	}
	req := httptest.NewRequest(method, path, rd)
	if r.admin != "" {
		req.Header.Set("Authorization", "Bearer "+r.admin)
	}
	for i := 0; i < len(headers); i += 2 {
		if headers[i+1] == "" {
			req.Header.Del(headers[i])
		} else {
			req.Header.Set(headers[i], headers[i+1])
		}
	}
	return r.send(req)
}

func (r *rig) send(req *http.Request) *reply {
	r.t.Helper()
	w := httptest.NewRecorder()
	r.api.Handler().ServeHTTP(w, req)
	rep := &reply{t: r.t, what: req.Method + " " + req.URL.String(), status: w.Code, header: w.Header(), body: w.Body.Bytes()}
	checkAnswer(r.t, r.api, req, rep)
	return rep
}

func (p *reply) wants(status int) *reply {
	p.t.Helper()
	require.Equal(p.t, status, p.status, "%s: %s", p.what, p.body)
	return p
}

// wantsCode checks a problem.
func (p *reply) wantsCode(code kit.Code) *reply {
	p.t.Helper()
	require.Equal(p.t, code.Status, p.status, "%s: %s", p.what, p.body)
	require.Equal(p.t, code.Name, p.json()["code"], "%s: %s", p.what, p.body)
	return p
}

func (p *reply) json() map[string]any {
	p.t.Helper()
	var m map[string]any
	require.NoError(p.t, json.Unmarshal(p.body, &m), "%s: %s", p.what, p.body)
	return m
}

func into[T any](p *reply) T {
	p.t.Helper()
	var v T
	require.NoError(p.t, json.Unmarshal(p.body, &v), "%s: %s", p.what, p.body)
	return v
}

// The OpenAPI document, with answers strict, is what every answer of every test is held against.
var (
	strictOnce sync.Once
	strictDoc  map[string]any
	compiled   sync.Map // JSON pointer to *jsonschema.Schema
	compiler   *jsonschema.Compiler
	compiling  sync.Mutex
	seenMu     sync.Mutex
	seen       = map[string]bool{} // "operation code" and "operation status" that tests met
)

func checkAnswer(t testing.TB, a *API, req *http.Request, rep *reply) {
	t.Helper()
	strictOnce.Do(func() {
		strictDoc = roundTrip(openAPI.Of(a.routes, true))
		compiler = jsonschema.NewCompiler()
		compiler.DefaultDraft(jsonschema.Draft2020)
		require.NoError(t, compiler.AddResource("https://lintel.test/openapi.json", strictDoc))
	})
	r := routeFor(a, req)
	if r == nil {
		return
	}
	require.NotEmpty(t, rep.header.Get(kit.HeaderRequestID))
	if rep.status == http.StatusNoContent || rep.status == http.StatusNotModified {
		require.Empty(t, rep.body)
	}
	media, _, _ := strings.Cut(rep.header.Get("Content-Type"), ";")
	item := strictDoc["paths"].(map[string]any)[r.Path].(map[string]any)[strings.ToLower(r.Method)].(map[string]any)
	resp, ok := item["responses"].(map[string]any)[fmt.Sprint(rep.status)].(map[string]any)
	require.True(t, ok, "%s answered %d, which its route does not declare: %s", rep.what, rep.status, rep.body)
	declared, _ := resp["headers"].(map[string]any)
	for name := range rep.header {
		if !slices.Contains(plainHeaders, name) {
			known := slices.Collect(maps.Keys(declared))
			if rep.status >= 400 { // with headers that were set before it failed
				for _, h := range r.Headers {
					known = append(known, h.Name)
				}
			}
			require.True(t, slices.ContainsFunc(known, func(s string) bool { return http.CanonicalHeaderKey(s) == name }), "%s answered %d with the header %s, which its route does not declare", rep.what, rep.status, name)
			note(r.Name + " header " + name)
		}
	}
	if media == kit.MediaProblem {
		name := rep.json()["code"].(string)
		i := slices.IndexFunc(r.AllCodes(), func(c kit.Code) bool { return c.Name == name })
		require.GreaterOrEqual(t, i, 0, "%s answered a problem that its route does not declare: %s", rep.what, rep.body)
		require.Equal(t, r.AllCodes()[i].Status, rep.status)
		note(r.Name + " " + name)
	} else {
		note(fmt.Sprintf("%s %d", r.Name, rep.status))
	}
	if len(rep.body) == 0 {
		return
	}
	contents, _ := resp["content"].(map[string]any)
	require.Contains(t, contents, media, rep.what)
	if media != kit.MediaJSON && media != kit.MediaProblem {
		return
	}
	schema := compile(t, fmt.Sprintf("/paths/%s/%s/responses/%d/content/%s/schema", escaped(r.Path), strings.ToLower(r.Method),
		rep.status, escaped(media)))
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(rep.body))
	require.NoError(t, err, rep.what)
	require.NoError(t, schema.Validate(v), "%s: %s", rep.what, rep.body)
}

// escaped writes a name as a part of a JSON pointer (RFC 6901).
func escaped(s string) string { return strings.ReplaceAll(strings.ReplaceAll(s, "~", "~0"), "/", "~1") }

// compile returns the schema at a JSON pointer of the document.
func compile(t testing.TB, pointer string) *jsonschema.Schema {
	t.Helper()
	if schema, ok := compiled.Load(pointer); ok {
		return schema.(*jsonschema.Schema)
	}
	compiling.Lock()
	defer compiling.Unlock()
	s, err := compiler.Compile("https://lintel.test/openapi.json#" + url.PathEscape(pointer))
	if err != nil {
		s, err = compiler.Compile("https://lintel.test/openapi.json#" + pointer)
	}
	require.NoError(t, err)
	compiled.Store(pointer, s)
	return s
}

// plainHeaders are those that any answer may have.
var plainHeaders = []string{"Connection", "X-Accel-Buffering", "Content-Type", "Content-Length", "Cache-Control",
	"Content-Security-Policy", "Cross-Origin-Resource-Policy", "Strict-Transport-Security", "Referrer-Policy", "Vary",
	"X-Content-Type-Options", "X-Frame-Options", kit.HeaderRequestID}

func roundTrip(v any) map[string]any {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(kit.MustJSON(v)))
	if err != nil {
		panic(err)
	}
	return doc.(map[string]any)
}

func note(s string) {
	seenMu.Lock()
	seen[s] = true
	seenMu.Unlock()
}

// routeFor finds the route of a request by the table, not by the router.
func routeFor(a *API, req *http.Request) *kit.Route {
	path := strings.Split(req.URL.EscapedPath(), "/")
	for i := range a.routes {
		r := &a.routes[i]
		if r.Method != req.Method {
			continue
		}
		parts := strings.Split(r.Path, "/")
		if len(parts) == len(path) && slices.EqualFunc(parts, path, func(a, b string) bool {
			return a == b ||
				strings.HasPrefix(a, "{") && b != ""
		}) {
			return r
		}
	}
	return nil
}

// TestMain checks, after all tests ran, that they met every answer and every problem that any route
// declares.
func TestMain(m *testing.M) {
	code := m.Run()
	if code == 0 && !filtered() {
		if missed := missedAnswers(); len(missed) > 0 {
			fmt.Println("FAIL: these declared answers were met by no test:")
			for _, s := range missed {
				fmt.Println("   ", s)
			}
			code = 1
		}
	}
	os.Exit(code)
}

// filtered reports whether only some tests were asked for.
func filtered() bool {
	for _, arg := range os.Args[1:] {
		for _, f := range []string{"-test.run", "-test.fuzz", "-test.bench", "-test.list", "-test.skip"} {
			if strings.HasPrefix(arg, f+"=") && !strings.HasPrefix(arg, "-test.fuzzcachedir") && arg != f+"=" {
				return true
			}
		}
	}
	return false
}

// everywhere are problems that come of what is around a route, not of the route: they are tested
// once each.
var everywhere = []kit.Code{kit.CodeInternal, kit.CodeBusy, kit.CodeUnavailable, kit.CodeStoreFull, kit.CodeTimeout, kit.CodeIdempotencyBusy,
	kit.CodeIdempotencyLost, kit.CodeConflict, kit.CodeCrossOrigin, kit.CodeUnknownHost, codeManySessions}

// inKit are problems that the tests of package kit meet.
var inKit = []kit.Code{kit.CodeInternal, kit.CodeBusy, kit.CodeStoreFull, kit.CodeIdempotencyBusy, kit.CodeIdempotencyLost,
	codeManySessions}

func missedAnswers() []string {
	var missed []string
	met, all := map[string]bool{}, map[string]bool{}
	for s := range seen {
		_, code, _ := strings.Cut(s, " ")
		met[code] = true
	}
	for _, r := range new(API).table() {
		for _, ans := range r.Answers {
			if s := fmt.Sprintf("%s %d", r.Name, ans.Status); !seen[s] {
				missed = append(missed, s)
			}
		}
		for _, h := range r.Headers {
			// One function names the files of all tables.
			if s := r.Name + " header " + http.CanonicalHeaderKey(h.Name); !seen[s] && h.Name != headerFile.Name {
				missed = append(missed, s)
			}
		}
		for _, code := range r.AllCodes() {
			all[code.Name] = true
			if !seen[r.Name+" "+code.Name] && !slices.Contains(everywhere, code) {
				missed = append(missed, r.Name+" "+code.Name)
			}
		}
	}
	for code := range all {
		if !met[code] && !slices.ContainsFunc(inKit, func(c kit.Code) bool { return c.Name == code }) {
			missed = append(missed, "problem "+code)
		}
	}
	slices.Sort(missed)
	return missed
}

// until waits for a condition.
func (r *rig) until(what string, f func() bool) {
	r.t.Helper()
	// What is asked may cost as much as what is waited for: ask less and less often.
	wait := time.Millisecond
	for end := time.Now().Add(time.Minute); !f(); time.Sleep(wait) {
		wait = min(wait*3/2, 50*time.Millisecond)
		require.True(r.t, time.Now().Before(end), "waiting for %s", what)
	}
}

const harbourLight = "3036451FD40C0E4000001A85" // (01)09521141123454(21)6789

// alert carries a book out of the street door unpaid and returns the id of the alert about it.
func (r *rig) alert(serial int) string {
	r.t.Helper()
	tag := fmt.Sprintf("3036451FD40C0E40%08X", serial)
	at := r.clock().Add(-15 * time.Second) // so long ago that nobody waits until the passage is sure
	r.reads(fmt.Sprintf(`[{"epc":"%s","read_point":"handheld-1","zone":"shelf-a","time":%d}]`, tag, at.UnixMilli())).wants(202)
	var list []string
	for i, p := range []string{"in", "in", "in", "in", "out", "out", "out", "out"} {
		rssi := []float64{-66, -60, -55, -60, -60, -54, -58, -66}[i]
		list = append(list, fmt.Sprintf(`{"epc":"%s","read_point":"street-door-%s","rssi":%v,"time":%d}`, tag, p, rssi,
			at.Add(time.Duration(500+150*i)*time.Millisecond).UnixMilli()))
	}
	r.reads("[" + strings.Join(list, ",") + "]").wants(202)
	var id string
	r.until("an alert", func() bool {
		for _, a := range into[AlertList](r.get("/v1/alerts?rule=unpaid-at-door")).Alerts {
			if strings.HasSuffix(a.Item, fmt.Sprintf("(21)%d", serial)) {
				id = a.ID
			}
		}
		return id != ""
	})
	// Listed from memory; wait for the record too.
	r.until("its record", func() bool { return r.get("/v1/alerts/"+id).status == 200 })
	return id
}

var _ = event.Notice
