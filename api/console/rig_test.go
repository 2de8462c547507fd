package console_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// server is a Lintel on a loopback port that can be stopped and started again with what it had.
type server struct {
	t     testing.TB
	store store.Store
	addr  string
	app   *app.App
	admin string
	more  func(*app.Options) // what a test wants otherwise; nil: nothing
}

func newServer(t testing.TB) *server { return newServerWith(t, nil) }

// newServerWith is newServer with other options.
func newServerWith(t testing.TB, more func(*app.Options)) *server {
	beside(t)
	s := &server{t: t, store: memory.Open(), addr: "127.0.0.1:0", more: more}
	text, err := kit.MintKey(context.Background(), s.store, "boss", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	s.admin = text
	s.start()
	t.Cleanup(func() {
		s.stop()
		require.NoError(t, s.store.Close())
	})
	return s
}

// beside has a test run beside others, since a test of a page mostly waits. Tests that measure run alone.
func beside(t testing.TB) {
	test, ok := t.(*testing.T)
	if _, before := seen.LoadOrStore(t.Name(), true); ok && !before && *shots == "" && !slices.Contains(measuring, t.Name()) {
		test.Parallel()
	}
}

var (
	seen      sync.Map // names of tests
	measuring = []string{"TestInteractive", "TestCountWedge", "TestFindVeryMany", "TestTenThousandAlerts", "TestShopStates",
		"TestDoor", "TestBusyShop"}
)

func (s *server) start() {
	opt := app.Options{Store: s.store, Listen: s.addr, Log: slog.New(slog.DiscardHandler)}
	if s.more != nil {
		s.more(&opt)
	}
	a, err := app.New(context.Background(), opt)
	require.NoError(s.t, err)
	require.NoError(s.t, a.Start(context.Background()))
	s.app, s.addr = a, strings.TrimPrefix(a.URL(), "http://")
}

func (s *server) stop() {
	if s.app == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	require.NoError(s.t, s.app.Stop(ctx))
	s.app = nil
}

// key makes a key for every shop.
func (s *server) key(name string, scopes ...string) string {
	text, err := kit.MintKey(context.Background(), s.store, name, scopes, []string{kit.AllSites}, "test", time.Now())
	require.NoError(s.t, err)
	time.Sleep(1100 * time.Millisecond) // for as long the server goes by the keys that it had
	return text
}

// call asks the public API with the key for everything.
func (s *server) call(method, path, media, body string) []byte {
	s.t.Helper()
	req, err := http.NewRequest(method, "http://"+s.addr+path, strings.NewReader(body))
	require.NoError(s.t, err)
	req.Header.Set("Authorization", "Bearer "+s.admin)
	req.Header.Set("Content-Type", media)
	resp, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(s.t, err)
	require.Less(s.t, resp.StatusCode, 300, "%s %s: %s", method, path, b)
	return b
}

const shopLayout = `{
  "site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
  "zones": [
    {"id": "front-tables", "name": "Front tables", "kind": "floor", "storey": "ground"},
    {"id": "shelf-a", "name": "Shelf A", "kind": "shelf", "storey": "ground"},
    {"id": "shelf-b", "name": "Shelf B", "kind": "shelf", "storey": "ground"},
    {"id": "stockroom", "name": "Stockroom", "kind": "stockroom", "storey": "first"},
    {"id": "till", "name": "Till", "kind": "checkout", "storey": "ground"},
    {"id": "street-door", "name": "Street door", "kind": "exit", "storey": "ground"}
  ],
  "read_points": [
    {"id": "street-door-in", "role": "portal", "zone": "street-door", "side": "inner"},
    {"id": "street-door-out", "role": "portal", "zone": "street-door", "side": "outer"},
    {"id": "till-1", "role": "desk", "zone": "till"},
    {"id": "handheld-1", "role": "handheld"}
  ]
}`

const shopProducts = `gtin,sku,name,category,price,home_zones,minimum
9521141123454,UB-1001,The Harbour Light,fiction,9.99,shelf-a|front-tables,front-tables:2
9521234000013,UB-1002,Low Water,crime,8.50,shelf-b,
`

const shopRules = `rules:
  - name: unpaid-at-exit
    when: zone.kind == "exit" and passage.sure and item.sellable and not item.paid
    severity: urgent
    say: "{product.name} passed {zone.name}, and no sale is known yet"
  - name: wrong-zone
    when: item.sellable and item.present and zone.selling and not item.home
    severity: info
    say: "{product.name} lies at {zone.name}, where it does not belong"
  - name: below-minimum
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum
    severity: warning
    say: "{zone.name} has {stock.count} of {product.name}, at least {stock.minimum} should be there"
`

// emptyShop has places, and nothing in them.
func (s *server) emptyShop() *server {
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", shopLayout)
	return s
}

// shop has products and rules, too.
func (s *server) shop() *server {
	s.emptyShop()
	s.call("PUT", "/v1/products", "text/csv", shopProducts)
	s.call("PUT", "/v1/rules", "application/yaml", shopRules)
	return s
}

// The Harbour Light, by SGTIN-96, and its serial number.
const harbourLight = "3036451FD40C0E40%08X"

// lies has a handheld hear a book in a zone.
func (s *server) lies(serial int, zone string) {
	s.call("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json",
		fmt.Sprintf(`[{"epc":"`+harbourLight+`","read_point":"handheld-1","zone":"%s","rssi":-50}]`, serial, zone))
}

// passes has a book lie on its shelf and then go out of the street door, 15 s ago, so that nobody waits
// until the passage is sure.
func (s *server) passes(serial int) {
	s.t.Helper()
	tag := fmt.Sprintf(harbourLight, serial)
	at := time.Now().Add(-15 * time.Second)
	list := []string{fmt.Sprintf(`{"epc":"%s","read_point":"handheld-1","zone":"shelf-a","time":%d}`, tag, at.UnixMilli())}
	s.call("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json", "["+list[0]+"]")
	list = nil
	for i, p := range []string{"in", "in", "in", "in", "out", "out", "out", "out"} {
		rssi := []float64{-66, -60, -55, -60, -60, -54, -58, -66}[i]
		list = append(list, fmt.Sprintf(`{"epc":"%s","read_point":"street-door-%s","rssi":%v,"time":%d}`, tag, p, rssi,
			at.Add(time.Duration(500+150*i)*time.Millisecond).UnixMilli()))
	}
	s.call("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json", "["+strings.Join(list, ",")+"]")
	s.until("a passage", func() bool {
		facts := string(s.call("GET", "/v1/sites/umberhithe/facts?cause=passed", "", ""))
		return strings.Contains(facts, fmt.Sprintf(`(21)%d"`, serial))
	})
}

// sold has a till report that a book was paid for.
func (s *server) sold(serial int) {
	s.call("POST", "/v1/sites/umberhithe/events?wait=5s", "application/json",
		fmt.Sprintf(`[{"type":"sold","epcs":["`+harbourLight+`"],"zone":"till","ref":"R-1"}]`, serial))
}

// until waits for something that the server does.
func (s *server) until(what string, f func() bool) {
	s.t.Helper()
	require.Eventually(s.t, f, 30*time.Second, 50*time.Millisecond, what)
}

// alerts counts the active ones.
func (s *server) alerts() int {
	var list struct {
		Alerts []struct{ ID string } `json:"alerts"`
	}
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/alerts?limit=1000", "", ""), &list))
	return len(list.Alerts)
}

// chromium is one browser for all tests.
var chromium struct {
	once sync.Once
	ctx  context.Context
	stop func()
	err  error
}

func TestMain(m *testing.M) {
	flag.Parse()
	if !given("test.parallel") {
		_ = flag.Set("test.parallel", "4") // a page mostly waits
	}
	code := m.Run()
	if chromium.stop != nil {
		chromium.stop()
	}
	os.Exit(code)
}

// given reports whether a flag was on the command line.
func given(name string) (yes bool) {
	flag.Visit(func(f *flag.Flag) { yes = yes || f.Name == name })
	return yes
}

// tab is a page in a browser of its own, without the cookies of others.
type tab struct {
	t      testing.TB
	ctx    context.Context
	server *server

	mu     sync.Mutex
	thrown []string
}

// browser returns the path of a Chromium, "" if there is none. The one without what draws windows takes half the time.
func browser() string {
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// newTab opens a page. Without Chromium the test is skipped, unless it must be there.
func newTab(t testing.TB, s *server, width, height int, dark bool) *tab {
	t.Helper()
	chromium.once.Do(func() {
		path := browser()
		if path == "" {
			chromium.err = exec.ErrNotFound
			return
		}
		dir, err := os.MkdirTemp("", "console-test-")
		if err != nil {
			chromium.err = err
			return
		}
		opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.UserDataDir(dir),
			chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
			// Whoever the pages would call but the server is not found.
			chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))
		alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, stop := chromedp.NewContext(alloc)
		chromium.ctx, chromium.stop = ctx, func() { stop(); stopAlloc(); _ = os.RemoveAll(dir) }
		chromium.err = chromedp.Do(ctx)
	})
	if chromium.err != nil {
		if os.Getenv("LINTEL_REQUIRE_CHROMIUM") != "" {
			require.NoError(t, chromium.err, "Chromium must be there")
		}
		t.Skip("there is no Chromium: ", chromium.err)
	}
	ctx, cancel := chromedp.NewContext(chromium.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx, server: s}
	require.NoError(t, chromedp.Do(ctx))
	require.NoError(t, chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*runtime.EventExceptionThrown); ok {
			b.mu.Lock()
			defer b.mu.Unlock()
			what := e.ExceptionDetails.Text
			if e.ExceptionDetails.Exception != nil {
				what += " " + e.ExceptionDetails.Exception.Description
			}
			b.thrown = append(b.thrown, fmt.Sprint(what, " ", e.ExceptionDetails.URL, " ", e.ExceptionDetails.LineNumber))
		}
	}))
	b.size(width, height)
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	require.NoError(t, err)
	return b
}

func (b *tab) size(width, height int) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: int64(width), Height: int64(height), DeviceScaleFactor: 1, Mobile: width < 600})
	require.NoError(b.t, err)
}

func (b *tab) open(path string) *tab {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.Navigate("http://"+b.server.addr+path)))
	return b
}

// js evaluates an expression.
func js[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err, expression)
	return v
}

// until waits until an expression is true.
func (b *tab) until(expression string) *tab {
	b.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if js[bool](b, "Boolean("+expression+")") {
			return b
		}
		if time.Now().After(end) {
			require.Fail(b.t, "it never became true", "%s\n%s", expression, js[string](b, "document.body.innerText"))
		}
	}
}

// shows waits until the page has a text.
func (b *tab) shows(text string) *tab {
	b.t.Helper()
	return b.until("document.body.innerText.includes(" + strconv.Quote(text) + ")")
}

// press clicks the first button or link with a text.
func (b *tab) press(text string) *tab {
	b.t.Helper()
	found := `[...document.querySelectorAll("button, a, summary")].find(e => e.innerText.trim() === ` + strconv.Quote(text) + ` && !e.disabled)`
	b.until(found)
	js[chromedp.Void](b, found+".click()")
	return b
}

// keys presses keys.
func (b *tab) keys(keys string) *tab {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.KeyEvent(keys)))
	return b
}

// watchLong has the page note from now on how long its tasks over 50 ms last; longest is the longest of them in
// milliseconds, 0 for none.
func (b *tab) watchLong() {
	b.t.Helper()
	js[chromedp.Void](b, `window.long = []; window.watching ??= new PerformanceObserver(l => window.long.push(...l.getEntries().map(e => e.duration)));
		window.watching.observe({type: "longtask"})`)
}

func (b *tab) longest() float64 {
	b.t.Helper()
	return js[float64](b, `Math.max(0, ...window.long)`)
}

// busy has 500 facts a second come, a hundred at a time: in each round the books that serial names move to the other
// of two zones. It returns how many a second there were.
func (s *server) busy(rounds int, serial func(i int) int) float64 {
	s.t.Helper()
	began := time.Now()
	for round := range rounds {
		var list []string
		for i := range 100 {
			list = append(list, fmt.Sprintf(`{"type":"moved","epc":"`+harbourLight+`","zone":"%s"}`, serial(i), []string{"shelf-a", "till"}[round%2]))
		}
		s.call("POST", "/v1/sites/umberhithe/events", "application/json", "["+strings.Join(list, ",")+"]")
		time.Sleep(time.Until(began.Add(time.Duration(round+1) * 200 * time.Millisecond)))
	}
	return float64(100*rounds) / time.Since(began).Seconds()
}

// signIn types a key and sends it.
func (b *tab) signIn(key string) *tab {
	b.t.Helper()
	b.until(`document.activeElement && document.querySelector("#key")`)
	js[chromedp.Void](b, `document.querySelector("#key").focus()`)
	return b.keys(key + "\r").until(`document.querySelector("nav")`)
}

// done holds what must be so at the end of every test: nothing was thrown, and the
// Content-Security-Policy had nothing to refuse.
func (b *tab) done() {
	b.t.Helper()
	require.Empty(b.t, js[[]string](b, "window.refused"), "refused by the Content-Security-Policy")
	b.mu.Lock()
	defer b.mu.Unlock()
	require.Empty(b.t, b.thrown)
}

var axe = sync.OnceValues(func() (string, error) {
	f, err := os.Open("npm/axe-core-4.14.1.tgz")
	if err != nil {
		return "", err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return "", err
	}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err != nil {
			return "", err
		}
		if h.Name == "package/axe.min.js" {
			b, err := io.ReadAll(r)
			return string(bytes.TrimSpace(b)), err
		}
	}
})

// accessible checks the page by axe-core (Deque, 4.14): WCAG 2.0 to 2.2, A and AA, and its best practices.
// Nothing may be wider than the window.
func (b *tab) accessible() *tab {
	b.t.Helper()
	script, err := axe()
	require.NoError(b.t, err)
	if !js[bool](b, "Boolean(window.axe)") {
		js[chromedp.Void](b, script+";undefined")
	}
	found := js[[]string](b, `axe.run({resultTypes: ["violations"]}).then(r => r.violations.map(v =>
		v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 200) + " " + n.failureSummary).join(" | ")))`)
	require.Empty(b.t, found)
	require.LessOrEqual(b.t, js[int](b, "document.documentElement.scrollWidth"), js[int](b, "document.documentElement.clientWidth"), "wider than the window")
	return b
}
