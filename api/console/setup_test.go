package console_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/deliver"
)

// receiver is what messages are sent to, on loopback.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	status int // that it answers
	bodies []string
}

func newReceiver(t testing.TB) *receiver {
	r := &receiver{status: http.StatusOK}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		b, _ := io.ReadAll(io.LimitReader(req.Body, 1<<20))
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.status == http.StatusOK {
			r.bodies = append(r.bodies, string(b))
		}
		w.WriteHeader(r.status)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) answers(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

// got counts what arrived that contains a text.
func (r *receiver) got(text string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for _, b := range r.bodies {
		if strings.Contains(b, text) {
			n++
		}
	}
	return n
}

// quickly lets messages reach loopback, and gives them up after two tries.
func quickly(o *app.Options) {
	o.AllowCIDRs = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	o.Retry = deliver.Schedule{Delays: []time.Duration{0, time.Second}, RetryAfterMost: time.Minute}
}

// fill types into the field with a label, in place of what it has.
func (b *tab) fill(label, text string) *tab {
	b.t.Helper()
	b.until(labelled(label))
	js[chromedp.Void](b, `(() => { const e = `+labelled(label)+`; e.focus(); e.select && e.select(); })()`)
	if text == "" {
		return b.keys(kb.Delete)
	}
	return b.keys(text)
}

// put sets the text of a field at once, as pasting does.
func (b *tab) put(label, text string) *tab {
	b.t.Helper()
	b.until(labelled(label))
	js[chromedp.Void](b, `(() => { const e = `+labelled(label)+`; e.value = `+strconv.Quote(text)+`; e.dispatchEvent(new Event("input", {bubbles: true})) })()`)
	return b
}

// tick chooses the box or the round button with a label.
func (b *tab) tick(label string) *tab {
	b.t.Helper()
	b.until(labelled(label))
	js[chromedp.Void](b, labelled(label)+".click()")
	return b
}

// labelled finds the field whose label begins with a text.
func labelled(label string) string {
	return `(() => { const l = [...document.querySelectorAll("label")].find(l => l.innerText.trim().startsWith(` + strconv.Quote(label) + `));
		return l && (l.control || document.getElementById(l.htmlFor)) || document.querySelector('[aria-label=` + strconv.Quote(label) + `]') })()`
}

// TestSetUp goes from an empty server to the first alert by the page alone, with a receiver of messages.
func TestSetUp(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/")
	began := time.Now()
	lap := func(what string) { t.Logf("%6.1f s %s", time.Since(began).Seconds(), what) }

	// The first key of an empty server begins with the shop.
	b.signIn(s.admin).shows("From nothing to the first alert").shows("What is the shop called?").accessible()
	require.Contains(t, js[string](b, "location.hash"), "setup")
	b.press("Make the shop").shows("Type the shop's name")
	b.fill("What is the shop called?", "Umberhithe Books").fill("Time zone", "Europe/London")
	b.fill("Name of Shelf A", "Crime").shows("In addresses it is umberhithe-books")
	b.press("Make the shop").shows("Umberhithe Books, 6 places")
	b.until(`document.activeElement.innerText === "2. Products"`)
	lap("the shop is there")

	// A wrong file says where, and is mended in place.
	wrong := "gtin,sku,name,category,price,home_zones,minimum\n" +
		"9521141123455,UB-1001,The Harbour Light,fiction,9.99,shelf-a,\n" +
		"9521234000013,UB-1002,Low Water,crime,cheap,shelf-b,\n"
	b.put("Or paste it here", wrong).shows("2 things are wrong").shows("line 2, gtin").shows("line 3, price").shows("compare it with the number under the barcode").accessible()
	require.True(t, js[bool](b, `[...document.querySelectorAll("button")].find(e => e.innerText.startsWith("Store")).disabled`))
	b.press("Show me the first one").until(`document.activeElement.tagName === "TEXTAREA" && document.activeElement.selectionStart > 40`)
	require.Equal(t, "9521141123455", js[string](b, `document.activeElement.value.slice(document.activeElement.selectionStart, document.activeElement.selectionEnd)`))
	b.put("Or paste it here", strings.NewReplacer("123455", "123454", "cheap", "8.50").Replace(wrong)).shows("All right: 2 products").shows("The first lines").accessible()
	b.press("Store 2 products").until(`document.activeElement.innerText === "3. A key for the reader"`)
	lap("products are stored")

	// The key is shown, works, and is shown no more.
	b.press("Make the key").shows("This is shown only now").accessible()
	key := js[string](b, labelled("Key")+".value")
	require.Contains(t, js[string](b, labelled("Line")+".value"), "curl -sS -H 'Authorization: Bearer "+key+"'")
	req, err := http.NewRequest("POST", js[string](b, labelled("Address")+".value"), strings.NewReader(`[{"read_point":"handheld-1"}]`))
	require.NoError(t, err)
	req.Header.Set("Authorization", strings.TrimPrefix(js[string](b, labelled("Header")+".value"), "Authorization: "))
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusAccepted, resp.StatusCode)
	b.press("Go on").until(`document.activeElement.innerText === "4. The first reads"`).shows("reader")
	require.NotContains(t, js[string](b, "document.body.innerHTML"), key)
	lap("the reader has its key")

	// A rule and a channel before the reads, by the form of the page Messages.
	b.press("Messages").press("Add a channel").shows("What kind of receiver?")
	b.fill("Name", "door-team").fill("Address", hook.URL+"/hook").shows(`"text": "\"The Harbour Light\" passed`)
	b.press("Add it").shows("The channel door-team is there").press("Send a test").shows("It got through")
	require.Equal(t, 1, hook.got("The Harbour Light"))
	lap("the channel gets a test")
	b.press("Set-up").shows("3 of 6 steps are done").until(`document.querySelectorAll(".step.done").length === 3`)
	js[chromedp.Void](b, `document.querySelectorAll(".step")[4].querySelector("button").click()`)
	b.tick("door-team").shows("Not paid, and out of a door").accessible()
	js[chromedp.Void](b, `[...document.querySelectorAll(".step button")].find(e => e.innerText.startsWith("Add")).click()`)
	b.shows("added")
	require.Contains(t, string(s.call("GET", "/v1/rules", "", "")), "door-team")
	lap("the rule is there")

	b.press("Play it in Umberhithe Books").shows("The door takes about ten seconds to be sure").accessible()
	lap("the scene is played")
	js[chromedp.Void](b, `document.querySelectorAll(".step")[5].querySelector("button").click()`)
	b.until(`document.querySelectorAll(".step")[5].innerText.includes("passed Street door, and no sale is known yet")`).shows("Umberhithe Books is set up")
	lap("the first alert is seen")
	require.Less(t, time.Since(began), 5*time.Minute)
	s.until("the message", func() bool { return hook.got("passed Street door, and no sale is known yet") == 1 })
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe-books/items", "", "")), "played-")
	b.accessible()
	b.press("To the page Now").shows("passed Street door, and no sale is known yet")

	// What was played is taken out again, also later.
	b.press("Set-up").shows("Umberhithe Books is set up")
	js[chromedp.Void](b, `document.querySelectorAll(".step")[3].querySelector("button").click()`)
	b.press("Take the 9 played items out again").shows("no longer part of the stock")
	require.NotContains(t, string(s.call("GET", "/v1/sites/umberhithe-books/items?zone=shelf-a", "", "")), "played-")
	b.done()
}

var _ = fmt.Sprint
var _ = json.Marshal
var _ = kit.ScopeAdmin
