package console_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/epc"
)

// scan has a keyboard wedge send tags of The Harbour Light, by serial number: real keys, as the browser gets
// them from a reader, with an Enter after each.
func (b *tab) scan(serials ...int) *tab {
	b.t.Helper()
	for _, n := range serials {
		b.keys(fmt.Sprintf(harbourLight, n) + "\r")
	}
	return b
}

// wedge has n tags come as the key events of a wedge, made in the page, as fast as it takes them. It returns
// how many a second over all, and of the best hundred: others may be busy on the machine.
func (b *tab) wedge(from, n int) (all, best float64) {
	b.t.Helper()
	rates := js[[]float64](b, fmt.Sprintf(`(async () => {
		const at = document.activeElement ?? document.body, began = performance.now();
		const press = key => at.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true, composed: true}));
		let hundred = began, best = 0;
		for (let i = %d; i < %d; i++) {
			for (const c of "3036451FD40C0E40" + i.toString(16).toUpperCase().padStart(8, "0")) press(c);
			press("Enter");
			if (i %% 100 !== 99) continue;
			await new Promise(done => setTimeout(done));
			best = Math.max(best, 100_000 / (performance.now() - hundred));
			hundred = performance.now();
		}
		return [%d / (performance.now() - began) * 1000, best];
	})()`, from, from+n, n))
	return rates[0], rates[1]
}

// stocked has books lie on shelf A, by serial number from 1.
func (s *server) stocked(n int) *server {
	s.t.Helper()
	for from := 1; from <= n; from += 5000 {
		var list []string
		for serial := from; serial < from+5000 && serial <= n; serial++ {
			list = append(list, fmt.Sprintf(`{"epc":"`+harbourLight+`","read_point":"handheld-1","zone":"shelf-a","rssi":-50}`, serial))
		}
		s.call("POST", "/v1/sites/umberhithe/reads?wait=10s", "application/json", "["+strings.Join(list, ",")+"]")
	}
	return s
}

// paste pastes lines while no field has the focus.
func (b *tab) paste(lines ...string) {
	b.t.Helper()
	js[chromedp.Void](b, fmt.Sprintf(`(() => { const d = new DataTransfer(); d.setData("text/plain", %q);
		document.body.dispatchEvent(new ClipboardEvent("paste", {clipboardData: d, bubbles: true, cancelable: true})) })()`,
		strings.Join(lines, "\r\n")))
}

// backAndSend starts the server again, and presses what sends now: it is there while the server is away. What
// waits is sent without that, too, and the button then goes.
func (b *tab) backAndSend() {
	b.t.Helper()
	b.shows("Send now").server.start()
	js[chromedp.Void](b, `[...document.querySelectorAll("button")].find(e => e.innerText.trim() === "Send now")?.click()`)
}

// pick chooses in a list.
func (b *tab) pick(field, value string) {
	b.t.Helper()
	js[chromedp.Void](b, fmt.Sprintf(`(() => { const s = document.querySelector(%q); s.value = %q;
		s.dispatchEvent(new Event("change", {bubbles: true})) })()`, field, value))
}

type countView struct {
	ID       string            `json:"id"`
	Status   string            `json:"status"`
	Expected int               `json:"expected"`
	Unique   int               `json:"unique"`
	Reads    int               `json:"reads"`
	Pass     int               `json:"pass"`
	Zones    []string          `json:"zones"`
	Blind    bool              `json:"blind"`
	Only     bool              `json:"only"`
	Next     string            `json:"next"`
	Fields   map[string]string `json:"fields"`
	Progress struct {
		Found int `json:"found"`
	} `json:"progress"`
}

// counts lists the counts of the shop, newest first.
func (s *server) counts() []countView {
	s.t.Helper()
	var list struct {
		Counts []countView `json:"counts"`
	}
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/sites/umberhithe/counts", "", ""), &list))
	return list.Counts
}

// newestCount asks how the newest count stands.
func (s *server) newestCount() (v countView) {
	s.t.Helper()
	list := s.counts()
	require.NotEmpty(s.t, list)
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/sites/umberhithe/counts/"+list[0].ID, "", ""), &v))
	return v
}

// choose clicks the first link or list whose text begins so.
func (b *tab) choose(text string) *tab {
	b.t.Helper()
	found := fmt.Sprintf(`[...document.querySelectorAll("main a, summary")].find(e => e.innerText.trim().startsWith(%q))`, text)
	b.until(found)
	js[chromedp.Void](b, found+".click()")
	return b
}

// counting opens a count of shelf A.
func (b *tab) counting() *tab {
	b.t.Helper()
	return b.choose("Shelf A").press("Start counting").shows("Everything is sent")
}

// counter signs in with a key that may do nothing but count.
func counter(t *testing.T, s *server, name string) *tab {
	return counterBy(t, s, s.key(name, kit.ScopeCount))
}

func counterBy(t *testing.T, s *server, key string) *tab {
	return newTab(t, s, phone, phoneHeight, false).open("/console/#/count").signIn(key)
}

// sibling is a tab of the same browser as its owner, which shows nothing.
type sibling struct {
	*tab
	owner *tab
}

// beside opens another tab of the same browser, with its cookies and all that it keeps.
func (b *tab) beside() *sibling {
	b.t.Helper()
	if at := js[string](b, "location.href"); at != "about:blank" {
		require.NoError(b.t, chromedp.Do(b.ctx, chromedp.Navigate("about:blank")))
	}
	ctx, cancel := chromedp.NewContext(b.ctx)
	b.t.Cleanup(cancel)
	other := &sibling{&tab{t: b.t, ctx: ctx, server: b.server}, b}
	require.NoError(b.t, chromedp.Do(ctx))
	other.size(phone, phoneHeight)
	other.open("/console/#/count")
	return other
}

// shut closes the tab, not the browser.
func (b *sibling) shut() {
	b.t.Helper()
	require.NoError(b.t, chromedp.Cancel(b.ctx))
}

func TestCount(t *testing.T) {
	s := newServer(t).shop().stocked(5)
	b := counter(t, s, "counter").shows("Where do you count?").shows("Not counted so far").accessible()
	b.scan(1).shows("Choose a place first: 1 read could not be taken")
	js[chromedp.Void](b, `window.tones = []; window.Started = OscillatorNode.prototype.start;
		OscillatorNode.prototype.start = function (at) { tones.push(this.frequency.value); Started.call(this, at) }`)
	b.counting().shows("0 of 5").shows("Read the first tag")
	b.scan(1, 2, 3, 3, 90).shows("3 of 5").shows("4 different tags heard in all").shows("Everything is sent").shows("Go on").accessible()
	require.Subset(t, js[[]float64](b, "tones"), []float64{1400, 330}, "a click for what is new, another for what is not expected here")
	require.LessOrEqual(t, js[int](b, "tones.length"), 4, "none for what was heard before")
	v := s.newestCount()
	require.Equal(t, []int{5, 4, 3}, []int{v.Expected, v.Unique, v.Progress.Found})
	require.Equal(t, "go_on", v.Next, "the page has the API's word")

	// What is missing, with where it was last; what is not expected; one of them looked for.
	b.choose("2 not heard so far").shows("The Harbour Light").shows("last at Shelf A, heard").accessible()
	b.choose("1 not expected here").until(`document.querySelectorAll(".fold[open] li").length === 3`).shows("90")
	js[chromedp.Void](b, `[...document.querySelectorAll(".fold button")].find(e => e.innerText.includes("4")).click()`)
	b.shows("Finding The Harbour Light 4").shows("Not heard yet").accessible()
	b.scan(4).shows("Heard 1 time").shows("This reader gives no strength").shows("1 was heard since")
	b.keys(fmt.Sprintf(harbourLight, 4) + " -48\r").shows("-48 dBm").press("Stop finding").shows("4 of 5")

	// By hand, pasted, and what is no tag.
	b.choose("By hand")
	js[chromedp.Void](b, fmt.Sprintf(`document.querySelector("#hand").value = %q`,
		fmt.Sprintf(harbourLight+"\nno tag\n"+harbourLight, 91, 92)))
	b.press("Add to the count").shows("3 lines added").shows("1 read was not taken by the server").shows("Everything is sent")
	b.choose("1 read was not taken").shows("no tag")

	b.paste("0x"+fmt.Sprintf(harbourLight, 92), "urn:epc:id:sgtin:9521141.012345.93")
	b.shows("8 different tags").shows("Everything is sent")

	// Paused: nothing is taken, and that is said.
	b.press("Pause").shows("Paused. What is read now is not taken").scan(5).shows("1 read was not taken.").
		press("Go on counting").shows("4 of 5")
	b.press("Sound is on").press("Another round")
	s.until("a round", func() bool { return s.newestCount().Pass == 2 })
	b.shows("Round 2, 8 different tags")

	// Submitted: first in numbers, then done.
	b.press("Submit").shows("4 items found, 1 not heard, 4 not expected here").accessible()
	b.press("Submit").shows("Submitted").shows("Not heard this time: look again").shows("New here").accessible()
	require.Equal(t, "closed", s.newestCount().Status)
	for _, link := range js[[]string](b, `[...document.querySelectorAll("main a.button")].map(a => a.href)`) {
		require.Equal(t, 200, js[int](b, fmt.Sprintf(`fetch(%q).then(r => r.status)`, link)), link)
	}
	require.Equal(t, 9, js[int](b, `document.querySelectorAll("main a.button").length`), "a page to print, and text, CSV and sheets")
	b.press("Open it again").shows("4 of 5").scan(5).shows("5 of 5").shows("Everything is sent")
	b.press("Submit").shows("5 items found, 0 not heard").press("Submit").shows("Submitted")
	require.Equal(t, "closed", s.newestCount().Status)
	b.choose("All places").until(`/Counted \d+ s ago/.test(document.body.innerText)`)
	b.done()
}

// TestCountLittle: a count with little read says what closing it would do, and one that is dropped is gone.
func TestCountLittle(t *testing.T) {
	s := newServer(t).shop().stocked(40)
	b := counterBy(t, s, s.admin).counting().shows("0 of 40").scan(1).shows("1 of 40").shows("Everything is sent")
	b.press("Submit").shows("Only 1 of 40 were read. Submitted now, 39 items are missed").accessible()
	b.press("Not now").press("Drop the count").shows("1 different tag would be forgotten").press("Not now")
	b.press("Submit").press("Submit all the same").shows("Submitted").press("Look for what is missing")
	b.shows("0 of 39").scan(7).shows("1 of 39").shows("Everything is sent")
	require.True(t, s.newestCount().Only)
	b.press("Drop the count").press("Drop the count").shows("The count was dropped")
	require.Equal(t, "discarded", s.newestCount().Status)
	b.done()
}

// TestCountAsks: what the shop asks of each count, blind counts, and several places in one.
func TestCountAsks(t *testing.T) {
	s := newServer(t).shop().stocked(3)
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.TrimSuffix(shopLayout, "}")+`, "counts": {
		"plan": [{"zones": ["shelf-a"], "every": "7d", "by": "21:00", "team": "floor"},
			{"zones": ["shelf-b"], "every": "7d", "by": "21:00", "blind": true}],
		"fields": [{"id": "round", "name": "Which round", "type": "choice", "choices": ["morning", "night"], "required": true}]}}`)
	b := counter(t, s, "counter").shows("Due tonight").shows("team floor").accessible()
	b.choose("Shelf B").shows("This place is counted blind").press("Start counting").shows("Which round is needed").accessible()
	b.pick("[name=field-round]", "night")
	b.pick("#together", "shelf-a")
	b.shows("without Shelf A").press("Start counting").shows("The count is blind").scan(1).shows("Everything is sent")
	require.False(t, js[bool](b, `document.body.innerText.includes(" of ")`), "nothing says what is expected")
	b.pick("#stand", "shelf-a")
	b.scan(2).until(`document.querySelector(".great").innerText === "2"`).shows("Everything is sent").accessible()
	s.until("both", func() bool { return s.newestCount().Unique == 2 })
	v := s.newestCount()
	require.True(t, v.Blind)
	require.Equal(t, []string{"shelf-b", "shelf-a"}, v.Zones)
	require.Equal(t, map[string]string{"round": "night"}, v.Fields)

	// Somebody else sees who counts, and counts along: one count, both of their tags.
	c := counter(t, s, "second").shows("Being counted with the key counter since").choose("Shelf A").
		press("Count along").shows("Everything is sent")
	c.scan(3, 2).until(`document.querySelector(".great").innerText === "3"`)
	s.until("all three", func() bool { return s.newestCount().Unique == 3 })
	b.until(`document.querySelector(".great").innerText === "3"`)
	require.Len(t, s.counts(), 1)
	b.done()
	c.done()
}

// TestCountWedge: 5,000 tags at full speed, and none is lost; none lands in a field, and what a person types does.
func TestCountWedge(t *testing.T) {
	const n = 5000
	s := newServer(t).shop().stocked(n)
	b := counterBy(t, s, s.admin).counting().shows("0 of 5,000")
	b.watchLong()
	half, best := b.wedge(1, n/2)
	b.choose("By hand")
	js[chromedp.Void](b, `document.querySelector("#hand").focus()`)
	in, bestIn := b.wedge(n/2+1, n/2)
	t.Logf("tags a second: %.0f outside of fields, %.0f while a field has the focus; the best hundred %.0f and %.0f; long tasks of %v ms",
		half, in, best, bestIn, js[[]float64](b, "window.long"))
	require.Greater(t, min(best, bestIn), 1000.0, "tags a second")
	require.Equal(t, "hand", js[string](b, `document.activeElement.id`))
	require.Empty(t, js[string](b, `document.querySelector("#hand").value`))
	b.shows("5,000 of 5,000").shows("Everything is sent")
	s.until("all", func() bool { return s.newestCount().Progress.Found == n })

	// Real keys: a burst while somebody types, and their typing.
	b.keys("No 12").until(`document.querySelector("#hand").value === "No 12"`)
	b.scan(n+1, n+2).shows("5,002 different tags").until(`document.querySelector("#hand").value === "No 12"`)
	b.keys(" and\r").until(`document.querySelector("#hand").value === "No 12 and\n"`)
	// Without a final Enter, and all at once, as handhelds do that act as the keyboard of the screen.
	b.keys(fmt.Sprintf(harbourLight, n+3)).shows("5,003 different tags")
	// A reader as slow as a person is found out by its Enter.
	js[chromedp.Void](b, fmt.Sprintf(`(async () => { for (const key of [...%q, "Enter"]) {
		document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
		await new Promise(done => setTimeout(done, 70)) } })()`, fmt.Sprintf(harbourLight, n+5)))
	b.shows("5,004 different tags")
	_, err := chromedp.Call(b.ctx, input.InsertText, input.InsertTextParams{Text: fmt.Sprintf(harbourLight, n+4)})
	require.NoError(t, err)
	b.shows("5,005 different tags")
	require.Equal(t, "No 12 and\n", js[string](b, `document.querySelector("#hand").value`))
	b.done()
}

// TestCountOffline: tags read while the server is away, through a closed tab and a reload, arrive once and whole.
func TestCountOffline(t *testing.T) {
	n := 4000
	if os.Getenv("LINTEL_LONG") != "" {
		n = 20_000
	}
	s := newServer(t).shop().stocked(n)
	b := counterBy(t, s, s.admin).beside()
	b.counting().shows(" of ").until(`navigator.serviceWorker.controller`)
	b.wedge(1, 100)
	b.shows("100 of").shows("Everything is sent")
	began := time.Now()
	s.stop()
	rate, _ := b.wedge(101, n-100)
	b.until(fmt.Sprintf(`document.body.innerText.includes("%s reads not sent yet")`, grouped(n-100))).accessible()
	at := js[string](b.tab, "location.hash")
	b.shut()
	t.Logf("%.0f tags a second without a server", rate)

	c := b.owner.beside()
	c.open("/console/" + at).shows(grouped(n) + " of " + grouped(n)).shows(grouped(n-100) + " reads not sent yet").
		shows("Shelf A").accessible()
	require.NoError(t, chromedp.Do(c.ctx, chromedp.Reload()))
	c.shows(grouped(n-100) + " reads not sent yet")
	back := time.Now()
	c.backAndSend()
	c.shows("Everything is sent")
	s.until("all", func() bool { return s.newestCount().Progress.Found == n })
	t.Logf("%d tags: %v from the server's end to all there, %v of it after its return", n, time.Since(began), time.Since(back))
	v := s.newestCount()
	require.Equal(t, []int{n, n}, []int{v.Unique, v.Reads}, "each of them once")
	c.done()
}

func grouped(n int) string {
	if n < 1000 {
		return fmt.Sprint(n)
	}
	return fmt.Sprintf("%d,%03d", n/1000, n%1000)
}

// TestCountOpenedOffline: a count begins while the server is away, and what two people open meanwhile is settled by
// one of them.
func TestCountOpenedOffline(t *testing.T) {
	s := newServer(t).shop().stocked(3)
	b := counterBy(t, s, s.admin).shows("Not counted so far").until(`navigator.serviceWorker.controller`)
	s.stop()
	b.open("/console/?again#/count").shows("The server does not answer: as of").choose("Shelf A").shows("You can start all the same")
	b.press("Start counting").shows("The count is not opened yet").scan(1, 2).shows("2 reads not sent yet").accessible()
	b.backAndSend()
	b.shows("2 of 3").shows("Everything is sent")
	require.Len(t, s.counts(), 1)
	require.Equal(t, 2, s.newestCount().Progress.Found)

	// Somebody else is first.
	b.press("Drop the count").press("Drop the count").shows("The count was dropped")
	s.stop()
	b.open("/console/?once#/count").choose("Shelf A").press("Start counting").shows("The count is not opened yet").
		scan(3).shows("1 read not sent yet")
	s.start()
	s.call("POST", "/v1/sites/umberhithe/counts", "application/json", `{"zones": ["shelf-a"]}`)
	b.shows("Somebody opened a count of this place first").accessible().press("Give my reads to that count").
		shows("Everything is sent").shows("1 of 3")
	require.Equal(t, []int{2, 1}, []int{len(s.counts()), s.newestCount().Unique})

	// One that was never opened is dropped on this device alone.
	s.stop()
	b.open("/console/?thrice#/count").choose("Shelf B").press("Start counting").shows("The count is not opened yet").
		scan(2).shows("1 read not sent yet")
	b.press("Drop the count").press("Drop the count").shows("Where do you count?").
		until(`document.querySelectorAll("[aria-label='On this device'] li").length === 1`)
	s.start()
	b.done()
}

// TestCountOnce: answers that are lost, two tabs that send, a device without room and a session that ended; each read
// counts once.
func TestCountOnce(t *testing.T) {
	s := newServer(t).shop().stocked(60)
	b := counter(t, s, "counter").beside()
	b.counting().shows("0 of 60")
	lose := `(() => { const ask = window.fetch; let lost = 0;
		window.fetch = async (url, o) => {
			const answer = await ask(url, o);
			if (o?.method === "POST" && /reads$/.test(url) && lost++ < 2) throw new TypeError("lost");
			return answer;
		} })()`
	js[chromedp.Void](b.tab, lose)
	at := js[string](b.tab, "location.hash")
	c := b.owner.beside()
	c.open("/console/" + at).shows("0 of 60")
	js[chromedp.Void](c.tab, lose)
	b.wedge(1, 20)
	c.wedge(21, 20)
	b.shows("40 of 60").shows("Everything is sent")
	c.shows("40 of 60").shows("Everything is sent")
	require.Equal(t, []int{40, 40}, []int{s.newestCount().Unique, s.newestCount().Reads}, "once each")
	c.shut()

	// The device has no room: that is said, and the reads go straight to the server.
	js[chromedp.Void](b.tab, `window.add = IDBObjectStore.prototype.add;
		IDBObjectStore.prototype.add = () => { throw new DOMException("full", "QuotaExceededError") }`)
	b.wedge(41, 5)
	b.shows("45 of 60").shows("Everything is sent")
	s.until("five more", func() bool { return s.newestCount().Unique == 45 })
	s.stop()
	b.wedge(46, 5)
	b.shows("This device has no room left: 5 reads would be lost with this page").accessible()
	js[chromedp.Void](b.tab, `IDBObjectStore.prototype.add = window.add`)
	b.until(`!document.body.innerText.includes("no room")`).shows("5 reads not sent yet")

	// The session ends meanwhile: the reads stay, and are sent when somebody signs in.
	require.NoError(t, kit.RevokeKey(t.Context(), s.store, "counter", "test", time.Now()))
	time.Sleep(1100 * time.Millisecond)
	b.backAndSend()
	b.shows("It begins with lk_").shows("Reads of a count wait on this device").accessible()
	b.signIn(s.key("evening", kit.ScopeCount)).shows("50 of 60").shows("Everything is sent")
	require.Equal(t, []int{50, 50}, []int{s.newestCount().Unique, s.newestCount().Reads})

	// The count is closed by somebody else while reads wait.
	s.stop()
	b.wedge(51, 2)
	b.shows("2 reads not sent yet")
	b.shut()
	s.start()
	s.call("POST", "/v1/sites/umberhithe/counts/"+s.counts()[0].ID+"/close", "application/json", "")
	d := b.owner.beside()
	d.open("/console/" + at).shows("The count was closed before these reads came").shows("2 reads not sent yet").
		accessible().press("Open it again").shows("52 of 60").shows("Everything is sent")
	require.Equal(t, 52, s.newestCount().Unique)
	d.done()
}

// TestCountReaderGone: reads of a reader that the shop no longer has are not thrown away.
func TestCountReaderGone(t *testing.T) {
	s := newServer(t).shop().stocked(3)
	b := counterBy(t, s, s.admin).counting().shows("0 of 3").scan(1).shows("1 of 3").shows("Everything is sent")
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.ReplaceAll(shopLayout, "handheld-1", "handheld-2"))
	b.scan(2, 3).shows("The server does not take what was read").shows("handheld-1").accessible()
	b.open("/console/?again" + js[string](b, "location.hash")).shows("The server does not take").press("Try again").
		shows("Everything is sent").shows("3 of 3")
	require.Equal(t, 3, s.newestCount().Progress.Found)
	b.done()
}

// TestCountSchemes: of SGTIN-96 and SGTIN-198, as bits and as URIs, it is known without the server whether they are
// expected; of other kinds of tags once the server has read them. The tags are examples of the GS1 EPC Tag Data
// Standard, as in engine/epc/testdata/encodings.json.
func TestCountSchemes(t *testing.T) {
	s := newServer(t).shop()
	s.call("PUT", "/v1/products", "text/csv",
		shopProducts+"80614141123458,UB-8,Example,fiction,1.00,,\n70614141123451,UB-7,Example,fiction,1.00,,\n")
	s.call("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json", `[
		{"epc": "(01)80614141123458(21)6789", "read_point": "handheld-1", "zone": "shelf-a"},
		{"epc": "(01)70614141123451(21)32a/b", "read_point": "handheld-1", "zone": "shelf-a"},
		{"epc": "(01)70614141123451(21)32a/c", "read_point": "handheld-1", "zone": "shelf-a"},
		{"epc": "(01)80614141123458(21)6790", "read_point": "handheld-1", "zone": "shelf-a"},
		{"epc": "(01)09521141123454(21)A-7", "read_point": "handheld-1", "zone": "shelf-a"}]`)
	plus, err := epc.Parse("(01)09521141123454(21)A-7")
	require.NoError(t, err)
	plus, err = epc.Encode(plus, epc.SGTINPlus, epc.Options{Filter: 1})
	require.NoError(t, err)
	b := counterBy(t, s, s.admin).counting().shows("0 of 5")
	s.stop()
	b.paste("3074257BF7194E4000001A85", "3674257BF6B7A659B2C2BF1000000000000000000000000000",
		"urn:epc:id:sgtin:0614141.712345.32a%2Fc", "urn:epc:tag:sgtin-96:3.0614141.812345.6790")
	b.shows("4 of 5").shows("4 reads not sent yet")
	b.paste(plus.Hex(), plus.Hex())
	b.shows("5 different tags heard in all")
	b.backAndSend()
	b.shows("Everything is sent").shows("5 of 5").shows("0 not heard so far").
		shows("0 not expected here").shows("5 different tags heard in all")
	b.done()
}

// TestCountScopes: whoever may not count sees no page for it, and the server refuses them in any case.
func TestCountScopes(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/count").signIn(s.key("viewer", kit.ScopeView))
	b.shows("The key that signed in here may not do this").accessible()
	require.NotContains(t, js[string](b, `document.querySelector("nav").innerText`), "Count")
	require.Equal(t, 403, js[int](b, `fetch("/v1/sites/umberhithe/counts", {
		method: "POST", headers: {"Content-Type": "application/json"}, body: '{"zones":["till"]}'}).then(r => r.status)`))
	require.Empty(t, s.counts())
	b.done()
}

// TestCountPlainHTTP: over plain http there is no service worker, and the page says so. Only a script can make an
// address of the loopback insecure.
func TestCountPlainHTTP(t *testing.T) {
	s := newServer(t).shop().stocked(2)
	b := newTab(t, s, phone, phoneHeight, false)
	_, err := chromedp.Call(b.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
		Source: `Object.defineProperty(window, "isSecureContext", {value: false});
			Object.defineProperty(navigator, "locks", {value: undefined})`})
	require.NoError(t, err)
	b.open("/console/#/count").signIn(s.admin).counting().shows("This page came over plain http").scan(1).
		shows("1 of 2").shows("Everything is sent")
	require.Equal(t, 0, js[int](b, `navigator.serviceWorker.getRegistrations().then(l => l.length)`))
	b.accessible().done()
}

// TestCountKeyboard counts without a pointer. The reader is a keyboard too, and presses nothing that has the focus.
func TestCountKeyboard(t *testing.T) {
	s := newServer(t).shop().stocked(2)
	b := newTab(t, s, desk, deskHeight, true).open("/console/?dir=rtl#/count").signIn(s.admin).shows("Where do you count?").accessible()
	reach := func(text string) {
		t.Helper()
		for range 60 {
			b.keys(kb.Tab)
			if strings.HasPrefix(strings.TrimSpace(js[string](b, `document.activeElement.innerText || document.activeElement.id`)), text) {
				require.NotEqual(t, "none", js[string](b, `getComputedStyle(document.activeElement).outlineStyle`), "the focus is seen")
				return
			}
		}
		require.Fail(t, "never reached", text)
	}
	reach("Shelf A")
	b.keys("\r").shows("Start counting")
	reach("Start counting")
	b.keys("\r").shows("0 of 2").shows("Everything is sent")
	reach("Pause")
	b.scan(1, 2).shows("2 of 2").shows("Everything is sent")
	b.accessible()
	require.Equal(t, "open", s.newestCount().Status, "the reader's Enter pressed nothing")
	b.keys(" ").shows("Paused.").until(`document.activeElement.innerText === "Go on counting"`).keys(" ").shows("Pause")
	js[chromedp.Void](b, `document.querySelector("h1").focus()`)
	reach("Submit")
	b.keys("\r").shows("Submit the count?").until(`document.activeElement.innerText === "Submit"`)
	b.keys(kb.Escape).until(`!document.body.innerText.includes("Submit the count?")`).until(`document.activeElement.innerText === "Submit"`)
	b.keys("\r").shows("Submit the count?").keys("\r").shows("Submitted")
	b.done()
}

// TestCountManyPlaces: 200 places with names of 120 characters, searched; and a shop with none of anything.
func TestCountManyPlaces(t *testing.T) {
	s := newServer(t)
	var zones []string
	for i := range 200 {
		name := fmt.Sprintf("Bay %d ", i) + strings.Repeat("Umberhithe ", 11)
		zones = append(zones, fmt.Sprintf(`{"id": "bay-%d", "name": "%s", "kind": "shelf"}`, i, strings.TrimSpace(name[:120])))
	}
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json",
		`{"site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
		"zones": [`+strings.Join(zones, ",")+`], "read_points": [{"id": "handheld-1", "role": "handheld"}]}`)
	b := counterBy(t, s, s.admin).shows("Bay 99").accessible()
	require.Equal(t, 100, js[int](b, `document.querySelectorAll(".rowlinks li").length`))
	b.press("Show more (100 of 200 are shown)").shows("Bay 199")
	js[chromedp.Void](b, `document.querySelector("#place").focus()`)
	b.keys("bay 199").until(`document.querySelector("#place").value === "bay 199"`).
		until(`document.querySelectorAll(".rowlinks li").length === 1`)
	b.keys("no").shows("No place has this in its name").accessible()
	b.keys(strings.Repeat(kb.Backspace, 2)).choose("Bay 199").press("Start counting").shows("0 of 0").
		shows("Everything is sent").scan(1).shows("1 different tag heard in all").accessible()
	b.press("Submit").shows("1 not expected here").press("Submit").shows("Submitted").shows("Product not in the list").accessible()
	b.done()

	empty := newServer(t).emptyShop()
	c := counterBy(t, empty, empty.admin).counting().shows("0 of 0").accessible()
	c.press("Submit").shows("0 items found").press("Submit").shows("Record and shelf agree.").accessible()
	c.done()
}

// TestCountScreenshots takes the page in its states.
func TestCountScreenshots(t *testing.T) {
	wantShots(t)
	eachView(t, func(open func(s *server) *tab, shoot func(b *tab, name string)) {
		s := newServer(t).shop().stocked(40)
		s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.TrimSuffix(shopLayout, "}")+`, "counts": {
			"plan": [{"zones": ["shelf-a"], "every": "7d", "by": "21:00", "team": "floor"},
				{"zones": ["till"], "every": "7d", "by": "23:00"}]}}`)
		b := open(s).signIn(s.admin)
		b.open("/console/#/count").shows("Where do you count?").shows("Due tonight")
		shoot(b, "count-choose")
		b.choose("Shelf A").shows("Start counting")
		shoot(b, "count-open")
		b.press("Start counting").shows("0 of 40").until(`navigator.serviceWorker.controller`)
		for from := 1; from < 29; from += 7 {
			b.wedge(from, 7)
			time.Sleep(1200 * time.Millisecond)
		}
		b.wedge(90, 2)
		b.shows("28 of 40").shows("Everything is sent").until(`document.querySelector(".plot canvas")`)
		time.Sleep(5 * time.Second)
		shoot(b, "count")
		b.choose("12 not heard so far").shows("last at Shelf A")
		shoot(b, "count-missing")
		js[chromedp.Void](b, `[...document.querySelectorAll(".fold button")].find(e => e.textContent.startsWith("Find The")).click()`)
		serial := js[int](b, `Number(document.querySelector("#seek").innerText.split(" ").at(-1))`)
		b.keys(fmt.Sprintf(harbourLight, serial) + " -52\r").shows("dBm")
		shoot(b, "count-find")
		b.press("Stop finding").press("Submit").shows("Submit the count?")
		shoot(b, "count-submit")
		b.press("Not now")
		s.stop()
		b.wedge(30, 4)
		b.shows("4 reads not sent yet")
		shoot(b, "count-offline")
		at := js[string](b, "location.hash")
		b.open("/console/?away#/count").shows("4 reads not sent yet").shows("The server does not answer: as of")
		shoot(b, "count-away")
		b.choose("Shelf B").press("Start counting").shows("The count is not opened yet")
		b.wedge(1, 3)
		b.shows("3 reads not sent yet").choose("By hand")
		shoot(b, "count-unopened")
		b.open("/console/?back" + at).shows("4 reads not sent yet")
		s.start()
		b.shows("Everything is sent").press("Submit").shows("Submit the count?").press("Submit").
			shows("Submitted").shows("Not heard this time")
		shoot(b, "count-over")
	})
}
