package console_test

import (
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
	js[chromedp.Void](b, `(() => { const e = `+labelled(label)+`; e.value = `+strconv.Quote(text)+`;
		e.dispatchEvent(new Event("input", {bubbles: true})) })()`)
	return b
}

// tick chooses the box or the round button with a label.
func (b *tab) tick(label string) *tab {
	b.t.Helper()
	b.until(labelled(label))
	js[chromedp.Void](b, labelled(label)+".click()")
	return b
}

// step opens or shuts a step of Set-up.
func (b *tab) step(step int) {
	b.t.Helper()
	button := fmt.Sprintf(`document.querySelectorAll(".step")[%d].querySelector("button")`, step)
	b.until(button)
	js[chromedp.Void](b, button+".click()")
}

// chooseFiles has the field for files take some, each an expression.
func (b *tab) chooseFiles(files string) {
	b.t.Helper()
	js[chromedp.Void](b, `(() => { const d = new DataTransfer(), e = document.querySelector("input[type=file]");
		for (const f of [`+files+`]) d.items.add(f);
		e.files = d.files; e.dispatchEvent(new Event("change", {bubbles: true})) })()`)
}

// labelled finds the field whose label begins with a text.
func labelled(label string) string {
	name := strconv.Quote(label)
	return `(() => { const l = [...document.querySelectorAll("label")].find(l => l.innerText.trim().startsWith(` + name + `));
		return l && (l.control || document.getElementById(l.htmlFor)) || document.querySelector('[aria-label=` + name + `]') })()`
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
	b.fill("What is the shop called?", "x").fill("Time zone", "Here/There").press("Make the shop").shows("1 thing is wrong")
	b.fill("What is the shop called?", "Umberhithe Books").fill("Time zone", "Europe/London")
	b.fill("Name of Shelf A", "Crime").shows("In addresses it is umberhithe-books")
	b.press("Make the shop").shows("Umberhithe Books, 6 places")
	b.until(`document.activeElement.innerText === "2. Products"`)
	lap("the shop is there")

	// A wrong file says where, and is mended in place.
	wrong := "gtin,sku,name,category,price,home_zones,minimum\n" +
		"9521141123455,UB-1001,The Harbour Light,fiction,9.99,shelf-a,\n" +
		"9521234000013,UB-1002,Low Water,crime,cheap,shelf-b,\n"
	b.put("Or paste it here", wrong).shows("2 things are wrong").shows("line 2, gtin").shows("line 3, price").
		shows("compare it with the number under the barcode").accessible()
	require.True(t, js[bool](b, `[...document.querySelectorAll("button")].find(e => e.innerText.startsWith("Store")).disabled`))
	b.press("Show me the first one").until(`document.activeElement.tagName === "TEXTAREA" && document.activeElement.selectionStart > 40`)
	require.Equal(t, "9521141123455", js[string](b,
		`document.activeElement.value.slice(document.activeElement.selectionStart, document.activeElement.selectionEnd)`))
	b.put("Or paste it here", strings.NewReplacer("123455", "123454", "cheap", "8.50").Replace(wrong)).
		shows("All right: 2 products").shows("The first lines").accessible()
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

	// The scene is played, and marked as such, before there is a rule.
	b.press("Play it in Umberhithe Books").shows("The door takes about ten seconds to be sure").
		shows("The Harbour Light is at Front tables").shows("Handheld 1").accessible()
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe-books/items", "", "")), "played-")
	lap("the scene is played")
	b.shows("went through Street door").press("Go on").until(`document.activeElement.innerText === "5. Rules, and whom they notify"`)

	// A channel by the form of the page Messages, and a rule that sends to it.
	b.press("add a channel").shows("What kind of receiver?")
	b.fill("Name", "door-team").fill("Address", hook.URL+"/hook").shows(`"text": "\"The Harbour Light\" passed`)
	b.press("Add it").shows("The channel door-team is there").press("Send a test").shows("It got through")
	require.Equal(t, 1, hook.got("The Harbour Light"))
	lap("the channel gets a test")
	b.press("Set-up").shows("4 of 6 steps are done").tick("door-team").shows("Not paid, and out of a door").accessible()
	b.pressStarting("Add").shows("added").press("Go on").until(`document.activeElement.innerText === "6. The first alert"`)
	require.Contains(t, string(s.call("GET", "/v1/rules", "", "")), "door-team")
	lap("the rule is there")

	b.shows("None yet. It appears here by itself").press("Let one more go out of Street door")
	b.until(`document.querySelectorAll(".step")[5].innerText.includes("passed Street door, and no sale is known yet")`).
		shows("Umberhithe Books is set up").accessible()
	lap("the first alert is seen")
	require.Less(t, time.Since(began), 5*time.Minute)
	s.until("the message", func() bool { return hook.got("passed Street door, and no sale is known yet") == 1 })
	b.press("To the page Now").shows("passed Street door, and no sale is known yet")

	// What was played is taken out again, also later.
	b.press("Set-up").shows("Umberhithe Books is set up")
	b.step(3)
	b.press("Take the 9 played items out again").shows("no longer part of the stock")
	require.NotContains(t, string(s.call("GET", "/v1/sites/umberhithe-books/items?zone=shelf-a", "", "")), "played-")
	b.done()
}

// pressStarting presses the first button whose text begins so: the rest of it is for who can't see where it is.
func (b *tab) pressStarting(text string) *tab {
	b.t.Helper()
	found := `[...document.querySelectorAll("button, a, summary")].find(e => !e.disabled &&
		e.innerText.trim().startsWith(` + strconv.Quote(text) + `))`
	b.until(found)
	js[chromedp.Void](b, found+".click()")
	return b
}

// may reports whether the server lets a key do something.
func (s *server) may(key, method, path string) int {
	s.t.Helper()
	req, err := http.NewRequest(method, "http://"+s.addr+path, nil)
	require.NoError(s.t, err)
	req.Header.Set("Authorization", "Bearer "+key)
	resp, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	require.NoError(s.t, resp.Body.Close())
	return resp.StatusCode
}

// TestSetUpKeys makes a key, gives it a new text, and ends it; each text is shown once.
func TestSetUpKeys(t *testing.T) {
	s := newServer(t).emptyShop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/setup/keys").signIn(s.admin)
	b.shows("Keys that work").shows("signed in here").press("Make a key")
	b.press("Make it").shows("Give it a name").fill("Name of the key", "boss").shows("names are not used again")
	b.fill("Name of the key", "till-1").press("Make it").shows("Choose what it may do")
	b.tick("report sales").tick("These shops").press("Make it").shows("Choose for which shops").tick("Umberhithe Books").accessible()
	b.press("Make it").shows("This is shown only now").shows("For Umberhithe Books; never used").accessible()
	first := js[string](b, labelled("The new text of till-1")+".value")
	const sites = "/v1/sessions/current"
	require.Equal(t, 200, s.may(first, "GET", sites))
	require.Equal(t, 403, s.may(first, "GET", "/v1/keys"))

	// Shown once: neither another page nor a reload has it.
	b.press("First steps").shows("1. The shop").press("Keys").shows("Keys that work")
	require.NotContains(t, js[string](b,
		"document.documentElement.outerHTML + [...document.querySelectorAll('input, textarea')].map(e => e.value).join()"), first)
	require.NotContains(t, js[string](b, "JSON.stringify(localStorage) + JSON.stringify(sessionStorage)"), first)
	b.shows("last used")

	// Rotated: the old text works for a day, which the list says.
	row := `[...document.querySelectorAll("li")].find(e => e.innerText.includes("till-1"))`
	js[chromedp.Void](b, row+`.querySelector("button").click()`)
	b.shows("For how long should the old text still work?").accessible().press("Make the new text").shows("Its old text works until")
	second := js[string](b, labelled("The new text of till-1")+".value")
	require.NotEqual(t, first, second)
	require.Equal(t, []int{200, 200}, []int{s.may(first, "GET", sites), s.may(second, "GET", sites)})

	// Ended: it says first what that would do, and then both are over.
	js[chromedp.Void](b, row+`.querySelectorAll(".acts button")[1].click()`)
	b.shows("Whatever uses till-1 stops at once").press("Not now").until(row + `.innerText.includes("Give it a new text")`)
	js[chromedp.Void](b, row+`.querySelectorAll(".acts button")[1].click()`)
	b.press("End till-1 for good").shows("1 key that ended")
	s.until("both texts ended", func() bool { return s.may(first, "GET", sites) == 401 && s.may(second, "GET", sites) == 401 })
	js[chromedp.Void](b, strings.Replace(row, "till-1", "boss", 1)+`.querySelectorAll(".acts button")[1].click()`)
	b.shows("you would be signed out at once").press("End boss for good").shows("It is the last key for everything")
	b.accessible().done()
}

// TestSetUpFiles takes a document away and puts it back, after a look at what would change.
func TestSetUpFiles(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, desk, deskHeight, true).open("/console/#/setup/files").signIn(s.admin)
	b.shows("Places of Umberhithe Books").shows("Products").shows("Rules").accessible()
	// What the links give is what was stored.
	require.Equal(t, shopRules, js[string](b, `fetch(document.querySelector('a[download="rules.yaml"]').href).then(r => r.text())`))
	require.Contains(t, js[string](b,
		`fetch(document.querySelector('a[download="products.csv"]').href).then(r => r.text())`),
		"09521141123454,UB-1001,The Harbour Light")
	give := func(files map[string]string) {
		t.Helper()
		var made []string
		for name, text := range files {
			made = append(made, fmt.Sprintf("new File([%q], %q)", text, name))
		}
		b.chooseFiles(strings.Join(made, ","))
	}
	give(map[string]string{"layout.json": strings.Replace(shopLayout, "Shelf A", "Crime", 1), "notes.txt": "nothing"})
	b.shows("notes.txt is none of these documents").shows("1 document would change. Nothing is done yet").
		press("What differs").shows(`"Crime"`).accessible()
	require.NotContains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "Crime")
	b.press("Do it").shows("1 document is stored")
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "Crime")
	b.press("Undo").until(`!document.body.innerText.includes("1 document is stored")`)
	require.NotContains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "Crime")

	// What is wrong is said with its place, and nothing is done; much less than there was has to be meant.
	give(map[string]string{"rules.yaml": strings.Replace(shopRules, "item.paid", "item.payd", 1)})
	b.shows("This does not fit").shows("line 3").accessible()
	give(map[string]string{"rules.yaml": shopRules[:strings.Index(shopRules, "  - name: wrong-zone")]})
	b.shows("1 document would change").press("Do it").shows("This removes 2 of 3 rules").press("Do it all the same").
		shows("1 document is stored")

	// Somebody else was first: the plan is shown anew, and nothing was done.
	give(map[string]string{"layout.json": strings.Replace(shopLayout, "Shelf A", "Crime", 1)})
	b.shows("1 document would change")
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.Replace(shopLayout, "Shelf B", "Travel", 1))
	b.press("Do it").shows("Somebody else changed it at the same moment")
	require.NotContains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "Crime")
	b.done()
}

// TestSetUpProducts takes a file as an older spreadsheet writes it, takes away what a whole list does not
// have, and takes that back.
func TestSetUpProducts(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, true).open("/console/#/setup").signIn(s.admin).shows("steps are done")
	b.step(1)
	b.shows("Drop a file here")
	b.chooseFiles(`new File(["gtin;name\n9521141123454;Caf", new Uint8Array([0xe9, 10])], "old.csv")`)
	b.shows("The file is not written in UTF-8").shows("All right: 1 product. 1 changed.").shows("Café").accessible()
	b.tick("The file is the whole list").shows("1 product is taken away").press("Store 1 product").shows("version 2, stored")
	b.step(1)
	require.NotContains(t, string(s.call("GET", "/v1/products?format=csv", "", "")), "Low Water")
	b.press("Back to version 1").shows("version 3, stored")
	require.Contains(t, string(s.call("GET", "/v1/products?format=csv", "", "")), "Low Water")
	b.done()
}

// TestSetUpWithoutDoor: where no door has readers the scene ends with an item in the wrong place.
func TestSetUpWithoutDoor(t *testing.T) {
	s := newServer(t)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/").signIn(s.admin)
	b.fill("What is the shop called?", "Umberhithe Books").tick("No readers at the door").shows("Places (4)").
		press("Add a shelf").press("Make the shop")
	b.press("Take the sample").press("Store 9 products").until(`document.activeElement.innerText === "3. A key for the reader"`)
	b.step(4)
	b.until(`document.querySelectorAll(".step")[4].querySelectorAll(".lines button").length === 3`)
	js[chromedp.Void](b, `document.querySelectorAll(".step")[4].querySelectorAll(".lines button")[1].click()`)
	b.shows("added")
	s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"hold": "1s"}`) // nobody waits two minutes
	b.step(3)
	b.press("Play it in Umberhithe Books").shows("Played: one item was put down at Shelf C")
	b.step(5)
	b.until(`document.querySelectorAll(".step")[5].innerText.includes("lies at Shelf C, where it does not belong")`)
	b.accessible().done()
}

// TestSetUpManyAndLong: 200 places with names of 120 characters are renamed, and taken back.
func TestSetUpManyAndLong(t *testing.T) {
	s := newServer(t)
	long := strings.TrimSpace(strings.Repeat("Long narrow shelf ", 7))[:120]
	zones := make([]string, 200)
	for i := range zones {
		zones[i] = fmt.Sprintf(`{"id": "shelf-%d", "name": "%s%d", "kind": "shelf"}`, i, long[:117], i+100)
	}
	s.call("PUT", "/v1/sites/many/layout", "application/json",
		`{"site": "many", "name": "`+long+`", "time_zone": "Europe/London", "zones": [`+strings.Join(zones, ",")+`]}`)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/setup").signIn(s.admin).shows("200 places")
	b.step(0)
	b.shows("Places (200)").accessible()
	require.Equal(t, 200, js[int](b, `document.querySelectorAll(".names input").length`))
	b.fill("Name of "+long[:117]+"299", "The last shelf").press("Store the names").shows("The names are stored")
	require.Contains(t, string(s.call("GET", "/v1/sites/many/layout", "", "")), "The last shelf")
	b.press("Undo").until(`!document.body.innerText.includes("The names are stored")`)
	require.NotContains(t, string(s.call("GET", "/v1/sites/many/layout", "", "")), "The last shelf")
	b.done()
}

// TestSetUpScopes: who may not make keys does not see how; who may not set up sees no such page.
func TestSetUpScopes(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/setup").signIn(s.key("writer", kit.ScopeAuthor))
	b.shows("4 of 6 steps are done").shows("Whoever has a key for everything makes it").accessible()
	require.False(t, js[bool](b, `[...document.querySelectorAll(".choice a")].some(e => e.innerText === "Keys")`))
	b.open("/console/#/setup/keys").shows("There is no such page")
	require.Equal(t, 403, js[int](b, `fetch("/v1/keys").then(r => r.status)`))
	b.done()
	c := newTab(t, s, phone, phoneHeight, false).open("/console/#/setup").signIn(s.key("floor", kit.ScopeOperate))
	c.shows("The key that signed in here may not do this").accessible()
	require.NotContains(t, js[string](c, `document.querySelector("nav").innerText`), "Set-up")
	c.done()
	// Without a shop, who may not make one is told so.
	d := newTab(t, newServer(t), phone, phoneHeight, false)
	d.open("/console/").signIn(d.server.key("viewer", kit.ScopeView)).shows("There is no shop yet")
	require.NotContains(t, js[string](d, "document.body.innerText"), "Make one")
	d.done()
}

// TestSetUpByKeyboard makes the shop without a pointer.
func TestSetUpByKeyboard(t *testing.T) {
	s := newServer(t)
	b := newTab(t, s, desk, deskHeight, false).open("/console/").signIn(s.admin).shows("What is the shop called?")
	reach := func(what string) {
		t.Helper()
		for range 60 {
			b.keys(kb.Tab)
			if strings.HasPrefix(js[string](b, `(document.activeElement.labels?.[0] ?? document.activeElement).innerText.trim()`), what) {
				require.NotEqual(t, "none", js[string](b,
					`getComputedStyle(document.activeElement.closest("label.file") ?? document.activeElement).outlineStyle`),
					"the focus is seen")
				return
			}
		}
		require.Fail(t, "never reached", what)
	}
	reach("What is the shop called?")
	b.keys("Umberhithe Books")
	reach("One floor, one door")
	b.keys(kb.ArrowDown).shows("Places (10)")
	reach("Make the shop")
	b.keys("\r").until(`document.activeElement.innerText === "2. Products"`)
	reach("Choose a file")
	reach("Take the sample")
	b.keys("\r").shows("All right: 9 products")
	reach("Store 9 products")
	b.keys("\r").until(`document.activeElement.innerText === "3. A key for the reader"`)
	require.Empty(t, js[string](b, `[...document.querySelectorAll(".wrong")].map(e => e.innerText).join()`))
	require.NotContains(t, string(s.call("PUT", "/v1/sites/umberhithe-books/layout?dry_run=true", "application/json",
		string(s.call("GET", "/v1/sites/umberhithe-books/layout", "", "")))), `"reason"`, "no warning about the template")
	b.done()
}

// TestSetUpScreenshots takes the pages Set-up and Messages.
func TestSetUpScreenshots(t *testing.T) {
	wantShots(t)
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	s.channel("door-team", hook)
	s.passes(1)
	s.until("delivered", func() bool { return s.count("delivered") == 1 })
	hook.answers(http.StatusServiceUnavailable)
	s.passes(2)
	s.until("given up", func() bool { return s.count("dead") == 1 })
	eachView(t, func(open func(s *server) *tab, shoot func(b *tab, name string)) {
		nothing := newServer(t)
		b := open(nothing)
		b.signIn(nothing.admin).shows("What is the shop called?")
		shoot(b, "setup-nothing")
		b.fill("What is the shop called?", "Umberhithe Books").fill("Time zone", "Europe/London").
			press("Make the shop").shows("2. Products")
		b.press("Take the sample").shows("All right")
		shoot(b, "setup-products")
		b.put("From the sample",
			"gtin,sku,name,category,price,home_zones,minimum\n"+
				"9521141123455,UB-1001,The Harbour Light,fiction,cheap,shelf-a,\n").shows("2 things are wrong")
		shoot(b, "setup-products-wrong")
		b.press("Take the sample").press("Store 9 products").shows("A reader sends").press("Make the key").shows("This is shown only now")
		shoot(b, "setup-key")
		b.press("Go on").shows("No reader yet?")
		b.step(4)
		b.shows("In the wrong place").pressStarting("Add").shows("added").press("Play it in Umberhithe Books").
			shows("takes about ten seconds")
		shoot(b, "setup-reads")
		b.step(5)
		b.until(`document.querySelectorAll(".step")[5].innerText.includes("passed Street door")`)
		shoot(b, "setup-done")
		b.press("Keys").shows("Keys that work").press("Make a key")
		b.until(`document.querySelector("li .acts button")`)
		js[chromedp.Void](b, `document.querySelector("li .acts button").click()`)
		b.shows("For how long")
		shoot(b, "setup-keys")
		b.press("Files").shows("Places of Umberhithe Books")
		shoot(b, "setup-files")
		m := open(s).signIn(s.admin)
		m.press("Messages").shows("Tried 2 times")
		shoot(m, "messages")
		m.press("Change").shows(`passed the street door`).
			until(`document.querySelector(".editor > div")?.shadowRoot?.querySelector(".cm-content")`)
		shoot(m, "messages-channel")
		m.open("/console/#/messages/new").shows("What kind of receiver?").tick("A program of yours").
			shows("It is shown only now").shows("alert.opened")
		shoot(m, "messages-new")
		m.open("/console/#/messages/history").shows("in force")
		shoot(m, "messages-history")
	})
}
