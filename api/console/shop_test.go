package console_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
)

// placed is the layout's zone as it is stored, with where it is.
type placed struct {
	ID string `json:"id"`
	At *struct{ X, Y, Width, Height float64 }
}

func (s *server) layoutZones() map[string]placed {
	var doc struct{ Zones []placed }
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/sites/umberhithe/layout", "", ""), &doc))
	zones := make(map[string]placed)
	for _, z := range doc.Zones {
		zones[z.ID] = z
	}
	return zones
}

// counted has a count of a zone read and closed.
func (s *server) counted(zone string, serials ...int) {
	var a struct{ Count struct{ ID string } }
	require.NoError(s.t, json.Unmarshal(s.call("POST", "/v1/sites/umberhithe/counts", "application/json", `{"zones":["`+zone+`"]}`), &a))
	var list []string
	for _, n := range serials {
		list = append(list, fmt.Sprintf(`{"epc":"`+harbourLight+`","read_point":"handheld-1"}`, n))
	}
	path := "/v1/sites/umberhithe/counts/" + a.Count.ID
	s.call("POST", path+"/reads", "application/json", "["+strings.Join(list, ",")+"]")
	s.call("POST", path+"/close?anyway=true", "application/json", "{}")
}

const drawZone = `[...document.querySelectorAll(".plan .zone")].find(e => e.innerText.startsWith(%q))`

// drag has the mouse drag from the middle of what an expression finds, by pixels.
func (b *tab) drag(found string, dx, dy float64) {
	b.t.Helper()
	b.until(found)
	js[chromedp.Void](b, found+`.scrollIntoView({block: "center"})`)
	at := js[[]float64](b, `(() => { const r = `+found+`.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2] })()`)
	send := func(kind input.DispatchMouseEventType, x, y float64, buttons int64) {
		_, err := chromedp.Call(b.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{
			Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, Buttons: buttons, ClickCount: 1})
		require.NoError(b.t, err)
	}
	send(chromedp.MousePressed, at[0], at[1], 1)
	for k := range 5 {
		send(chromedp.MouseMoved, at[0]+dx*float64(k+1)/5, at[1]+dy*float64(k+1)/5, 1)
	}
	send(chromedp.MouseReleased, at[0]+dx, at[1]+dy, 0)
}

// busyShop has a shop of which every section has something to say: a reader that fell silent, and a
// channel whose address is refused before anybody calls it, since it is on loopback.
func (s *server) busyShop() *server {
	s.shop()
	s.call("PUT", "/v1/channels", "application/json", `{"channels": [{"name": "door-team", "url": "https://127.0.0.1:9/hook", "format": "webhook",
		"secrets": [{"secret": "whsec_QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVphYmNkZWY="}]}]}`)
	s.call("PUT", "/v1/rules", "application/yaml", strings.Replace(shopRules, "severity: urgent", "severity: urgent\n    send: [door-team]", 1))
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.Replace(shopLayout, `"read_points": [`,
		`"counts": {"plan": [{"zones": ["shelf-a", "shelf-b"], "every": "1d", "by": "23:59"}]}, "read_points": [
		{"id": "shelf-a-1", "name": "Above shelf A", "role": "fixed", "zone": "shelf-a", "silent_after": "1s"},`, 1))
	s.call("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json", fmt.Sprintf(`[{"epc":"`+harbourLight+`","read_point":"shelf-a-1","rssi":-50}]`, 1))
	s.lies(1, "shelf-a")
	s.lies(2, "shelf-b") // belongs on shelf A
	s.lies(3, "stockroom")
	s.lies(4, "shelf-a")
	s.counted("shelf-a", 1)
	s.passes(9)
	s.until("alerts", func() bool { return s.alerts() >= 3 })
	s.until("a silent reader", func() bool {
		return strings.Contains(string(s.call("GET", "/v1/sites/umberhithe/read-points", "", "")), `"silent":true`)
	})
	s.until("a failing channel", func() bool {
		return strings.Contains(string(s.call("GET", "/v1/channels/health", "", "")), `"state":"failing"`)
	})
	return s
}

func TestShop(t *testing.T) {
	s := newServer(t).busyShop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/shop").signIn(s.key("manager", kit.ScopeView))
	b.until(`[...document.querySelectorAll(".sums strong")].map(e => e.innerText).join() === "4,1,2"`).shows("not where they belong")
	b.shows("1 of 2 places counted").shows("Do record and shelf agree?").shows("unpaid-at-exit").shows("Above shelf A, Shelf A")
	b.until(`/door-team\s+Has failed for/.test(document.body.innerText)`)
	b.until(`document.querySelector(".plot canvas")`).accessible()
	b.shows("Silent for")
	require.False(t, js[bool](b, `document.body.innerText.includes("Arrange the plan")`), "only who may change places does")
	require.Equal(t, 403, js[int](b, `fetch("/v1/sites/umberhithe/layout", {method: "PUT", headers: {"Content-Type": "application/json"}, body: "{}"}).then(r => r.status)`),
		"nor does the server let anybody else")

	// A place that is chosen, and its numbers as ways to the things.
	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Shelf B")+".click()")
	b.until(`document.querySelector(".detail h3")?.innerText === "Shelf B"`).accessible()
	js[chromedp.Void](b, `document.querySelector(".detail a[href*=misplaced]").click()`)
	b.until(`document.querySelector(".rows a")`).shows("1 item").shows("The Harbour Light")
	require.Contains(t, js[string](b, "location.hash"), "zone=shelf-b")

	// The plan as a table has the same.
	js[chromedp.Void](b, "history.back()")
	b.press("As a table").until(`[...document.querySelectorAll("td a")].some(a => a.hash === "#/find?zone=shelf-b&only=misplaced")`).accessible()

	// What moves changes the figures, and nothing else.
	where := js[[]float64](b, `[...document.querySelectorAll(".plan .zone")].map(e => e.getBoundingClientRect().top)`)
	s.moves(2, "shelf-a")
	b.until(`document.querySelectorAll(".sums strong")[1].innerText === "0"`)
	require.Equal(t, where, js[[]float64](b, `[...document.querySelectorAll(".plan .zone")].map(e => e.getBoundingClientRect().top)`))
	b.done()
}

// TestArrange moves zones by mouse, by its corner, by keys and by numbers, takes one back, and
// saves.
func TestArrange(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, desk, deskHeight, false).open("/console/#/shop").signIn(s.key("owner", kit.ScopeOperate, kit.ScopeAuthor))
	b.press("Arrange the plan").until(`document.activeElement.id === "arrange-how"`).accessible()
	value := func(k int) float64 {
		return js[float64](b, fmt.Sprintf(`Number(document.querySelectorAll(".arrange input")[%d].value)`, k))
	}
	scale := js[float64](b, fmt.Sprintf(drawZone, "Shelf A")+".getBoundingClientRect().width / 3")
	b.drag(fmt.Sprintf(drawZone, "Shelf A"), 2*scale, scale)
	require.Equal(t, []float64{5.5, 1, 3, 2}, []float64{value(0), value(1), value(2), value(3)}, "two metres across, one down")
	b.drag(fmt.Sprintf(drawZone, "Shelf A")+`.querySelector(".corner")`, -scale, scale)
	require.Equal(t, []float64{5.5, 1, 2, 3}, []float64{value(0), value(1), value(2), value(3)})
	b.press("Take back").until(`Number(document.querySelectorAll(".arrange input")[2].value) === 3`)

	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Till")+".focus()")
	b.keys(kb.ArrowRight + kb.ArrowRight + kb.ArrowDown)
	b.until(fmt.Sprintf(drawZone, "Till") + `.textContent.includes(", at 1 and 3, 3 by 2 metres")`)
	require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(kb.ArrowRight, chromedp.KeyModifiers(chromedp.ModifierShift))))
	b.until(fmt.Sprintf(drawZone, "Till") + `.textContent.includes("3.5 by 2 metres")`)

	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Stockroom")+`.focus()`)
	js[chromedp.Void](b, `(() => { const i = document.querySelectorAll(".arrange input")[2]; i.focus(); i.select() })()`)
	b.keys("2000").shows("Write a number from 0.1 to 1000").accessible()
	js[chromedp.Void](b, `document.querySelectorAll(".arrange input")[2].select()`)
	b.keys("12.3").until(`!document.body.innerText.includes("Write a number")`)
	b.press("Save 3 places").shows("The plan is saved").accessible()

	zones := s.layoutZones()
	require.Equal(t, "{5.5 1 3 2}", fmt.Sprint(*zones["shelf-a"].At))
	require.Equal(t, "{1 3 3.5 2}", fmt.Sprint(*zones["till"].At))
	require.Equal(t, "{0 0 12.3 2}", fmt.Sprint(*zones["stockroom"].At))
	require.NotNil(t, zones["shelf-b"].At, "a storey is stored as a whole, so that nothing moves by itself")
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe/layout/versions", "", "")), `"by":"owner"`)

	// Nothing changed: nothing to save. Left as it was: nothing is saved.
	b.press("Arrange the plan").until(`[...document.querySelectorAll("button")].find(e => e.innerText === "Save")?.disabled`)
	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Till")+".focus()")
	b.keys(kb.ArrowUp).shows("Save 1 place").press("Leave it as it was").shows("Arrange the plan")
	require.Equal(t, zones, s.layoutZones())
	b.done()
}

// TestArrangeConflict: what somebody else changed meanwhile is never overwritten, and what was
// moved here is kept.
func TestArrangeConflict(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, true).open("/console/#/shop").signIn(s.key("owner", kit.ScopeOperate, kit.ScopeAuthor))
	// What was changed before the plan is arranged, and is not yet on the page, stays as well.
	b.until(`document.querySelector(".plan")`)
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.Replace(shopLayout, `"kind": "floor"`, `"kind": "floor", "at": {"x": 9, "y": 9, "width": 2, "height": 2}`, 1))
	b.press("Arrange the plan").until(`document.querySelector(".movable")`)
	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Till")+".focus()")
	b.keys(kb.ArrowRight).press("Save 1 place").shows("The plan is saved").until(`document.activeElement.innerText === "Arrange the plan"`)
	require.Equal(t, "{9 9 2 2}", fmt.Sprint(*s.layoutZones()["front-tables"].At))
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", shopLayout)

	b.open("/console/").open("/console/#/shop").press("Arrange the plan").until(`document.querySelector(".movable")`)
	js[chromedp.Void](b, fmt.Sprintf(drawZone, "Till")+".focus()")
	b.keys(kb.ArrowRight).shows("Save 1 place")
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.NewReplacer(`"Shelf B"`, `"Shelf B, crime"`,
		`"kind": "checkout"`, `"kind": "checkout", "at": {"x": 20, "y": 1, "width": 3, "height": 1}`).Replace(shopLayout))
	b.press("Save 1 place").shows("The places were changed meanwhile").shows("Nothing was saved").accessible()
	require.Equal(t, "{20 1 3 1}", fmt.Sprint(*s.layoutZones()["till"].At))
	b.press("Show theirs with mine on top").shows("Both of you moved: Till. Yours is shown").shows("Shelf B, crime")
	b.press("Save 1 place").shows("The plan is saved")
	require.Equal(t, "{0.5 2.5 3 2}", fmt.Sprint(*s.layoutZones()["till"].At))
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "Shelf B, crime")
	require.Contains(t, string(s.call("GET", "/v1/sites/umberhithe/layout", "", "")), "\n  \"zones\": [", "in lines, as people read it")
	b.done()

	// A key that lost the right meanwhile is told so, and nothing is stored.
	require.NoError(t, kit.RevokeKey(t.Context(), s.store, "owner", "test", time.Now()))
	time.Sleep(1100 * time.Millisecond) // for as long the server goes by the keys that it had
	// The end of the live stream says so, if pressing the button does not before.
	js[chromedp.Void](b, `[...document.querySelectorAll("button")].find(e => e.innerText.trim() === "Arrange the plan")?.click()`)
	b.shows("It begins with lk_")
}

// TestShopStates: an empty shop, 200 zones with names of 120 characters, a key that may only count,
// from right to left, and the keyboard alone.
func TestShopStates(t *testing.T) {
	s := newServer(t).emptyShop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/?dir=rtl#/shop").signIn(s.key("manager", kit.ScopeView))
	b.shows("for sale").shows("Nothing is planned to be counted").shows("No count was closed").shows("Nothing needs a person").shows("There is no rule yet").shows("None of 4 readers is silent").shows("No channel is set up").accessible()

	long := strings.Repeat("A very long winding name ", 5)[:116]
	var zones []string
	for i := range 200 {
		zones = append(zones, fmt.Sprintf(`{"id":"z-%d","name":"%s %03d","kind":"shelf","storey":"%d"}`, i, long, i, i/100))
	}
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", `{"site":"umberhithe","time_zone":"Europe/London","zones":[`+strings.Join(zones, ",")+`]}`)
	began := time.Now()
	b.open("/console/").open("/console/?dir=rtl#/shop").until(`document.querySelectorAll(".plan .zone").length === 200`)
	t.Logf("200 zones are drawn %v after the page was opened", time.Since(began))
	b.accessible()
	overlap := `(() => { for (const p of document.querySelectorAll(".plan")) { const r = [...p.querySelectorAll(".zone")].map(e => e.getBoundingClientRect());
		for (const a of r) for (const b of r) if (a !== b && a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1) return true } return false })()`
	require.False(t, js[bool](b, overlap), "an orderly grid")
	require.GreaterOrEqual(t, js[float64](b, `Math.min(...[...document.querySelectorAll(".plan .zone")].map(e => e.getBoundingClientRect().height))`), 44.0)
	b.press("As a table").until(`document.querySelectorAll("tbody tr").length >= 200`)

	js[chromedp.Void](b, `document.querySelector("h1").focus()`)
	for range 40 {
		b.keys(kb.Tab)
		if js[bool](b, `document.activeElement.classList.contains("zone")`) {
			break
		}
	}
	b.keys("\r").until(`document.querySelector(".detail h3")`)
	require.NotEqual(t, "none", js[string](b, `getComputedStyle(document.activeElement).outlineStyle`))
	s.emptyShop()
	b.open("/console/").open("/console/#/shop").until(`document.querySelectorAll(".plan .zone").length === 6`)
	js[chromedp.Void](b, `document.documentElement.style.fontSize = "200%"`)
	b.accessible()
	b.done()

	c := newTab(t, s, phone, phoneHeight, false).open("/console/#/shop").signIn(s.key("counter", kit.ScopeCount))
	c.shows("The key that signed in here may not do this").done()
}

// TestFindAndShopScreenshots takes the pages that show where things are.
func TestFindAndShopScreenshots(t *testing.T) {
	wantShots(t)
	s := newServer(t).busyShop()
	demo, err := os.ReadFile("../../engine/sim/umberhithe/layout.json")
	require.NoError(t, err)
	layout := strings.Replace(string(demo), `"read_points"`,
		`"counts": {"plan": [{"zones": ["shelf-a", "shelf-b", "cafe"], "every": "1d", "by": "23:59"}]}, "read_points"`, 1)
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", layout)
	counter := s.key("counter", kit.ScopeCount)
	s.call("PUT", "/v1/products", "text/csv", `gtin,sku,name,category,price,home_zones,minimum,maximum
9521141123454,UB-1001,The Harbour Light,fiction,9.99,shelf-a|front-tables,front-tables:2|cafe:4,front-tables:1500|shelf-a:1400
9521234000013,UB-1002,Low Water,crime,8.50,shelf-b,,
`)
	s.many(5000)
	s.passes(5001)
	nothing := newServer(t).emptyShop()
	eachView(t, func(open func(s *server) *tab, shoot func(b *tab, name string)) {
		b := open(s).signIn(s.admin)
		b.open("/console/#/find").until(`document.querySelectorAll(".rows a").length > 3`)
		shoot(b, "find")
		b.open("/console/#/find?q=harb").shows("found")
		shoot(b, "find-words")
		b.open("/console/#/find?q=harbor+lihgt").shows("Was it one of these?")
		shoot(b, "find-near")
		b.open("/console/#/find/product/09521141123454").until(`document.querySelectorAll(".rows a").length > 3`)
		shoot(b, "find-product")
		b.open(fmt.Sprintf("/console/#/find?q="+harbourLight, 5001)).shows("It went through Street door")
		b.press("What the door heard").until(`document.querySelector(".plot canvas")`)
		shoot(b, "find-item")
		b.open("/console/#/shop").shows("unpaid-at-exit").until(`document.querySelector(".plot canvas")`)
		js[chromedp.Void](b, fmt.Sprintf(drawZone, "Shelf B")+".click()")
		time.Sleep(200 * time.Millisecond)
		shoot(b, "shop")
		b.press("Arrange the plan").until(`document.querySelector(".movable")`)
		js[chromedp.Void](b, fmt.Sprintf(drawZone, "Till")+".focus()")
		b.keys(kb.ArrowRight).shows("Save 1 place")
		shoot(b, "shop-arrange")
		s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", strings.Replace(layout, `"Shelf B"`, fmt.Sprintf(`"Shelf B, crime %d"`, time.Now().UnixMilli()), 1))
		b.press("Save 1 place").shows("Nothing was saved")
		shoot(b, "shop-conflict")
		s.call("PUT", "/v1/sites/umberhithe/layout", "application/json", layout)
		c := open(s).signIn(counter)
		c.open("/console/#/shop").shows("may not do this")
		shoot(c, "shop-refused")
		b = open(nothing).signIn(nothing.admin)
		b.open("/console/#/shop").shows("There is no rule yet")
		shoot(b, "shop-empty")
		b.open("/console/#/find").shows("There is no such item")
		shoot(b, "find-empty")
	})
}
