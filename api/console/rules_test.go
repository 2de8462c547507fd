package console_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
)

// rule asks for the text of a stored rule, "" if there is none.
func (s *server) rule(name string) string {
	var list struct {
		Rules []struct{ Name string } `json:"rules"`
	}
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/rules?format=json", "", ""), &list))
	for _, r := range list.Rules {
		if r.Name == name {
			return string(s.call("GET", "/v1/rules/"+name, "", ""))
		}
	}
	return ""
}

// editor is an expression for what is editable of the editor of that label.
func editor(label string) string {
	return fmt.Sprintf(`[...document.querySelectorAll(".editor > div")].map(e =>
		e.shadowRoot?.querySelector("[aria-label='%s']")).find(Boolean)`, label)
}

// edit waits for an editor, and puts the focus into it.
func (b *tab) edit(label string) *tab {
	b.t.Helper()
	b.until(editor(label))
	js[chromedp.Void](b, editor(label)+".focus()")
	return b
}

// writes replaces all that an editor has.
func (b *tab) writes(label, text string) *tab {
	b.t.Helper()
	return b.edit(label).types(text)
}

// types replaces all that the editor with the focus has, as if it were pasted.
func (b *tab) types(text string) *tab {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.KeyEvent("a", chromedp.KeyModifiers(chromedp.ModifierCtrl))))
	js[chromedp.Void](b, fmt.Sprintf(`(() => { const data = new DataTransfer(); data.setData("text/plain", %q);
		document.activeElement.shadowRoot.activeElement.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data,
			bubbles: true, cancelable: true})) })()`, text))
	return b
}

// reach moves the focus on by Tab until it is on what has a text, or a label.
func (b *tab) reach(text string) *tab {
	b.t.Helper()
	at := `(e => e?.shadowRoot?.activeElement ?? e)(document.activeElement)`
	for range 80 {
		b.keys(kb.Tab)
		if js[string](b, at+`?.innerText?.trim().split("\n")[0] ?? ""`) == text || js[string](b,
			at+`?.getAttribute("aria-label") ?? ""`) == text {
			return b
		}
	}
	require.Fail(b.t, "never reached", text)
	return b
}

// turn goes to another address of the page, which stays what it is.
func (b *tab) turn(hash string) *tab {
	b.t.Helper()
	js[chromedp.Void](b, fmt.Sprintf("location.hash = %q", hash))
	return b
}

// pressLike clicks the first button or link that has a text among what it says, to whoever can't see it too.
func (b *tab) pressLike(text string) *tab {
	b.t.Helper()
	found := fmt.Sprintf(`[...document.querySelectorAll("button, main a")].find(e => e.textContent.includes(%q))`, text)
	b.until(found)
	js[chromedp.Void](b, found+".click()")
	return b
}

// top has the focus begin at the heading again.
func (b *tab) top() *tab {
	b.t.Helper()
	js[chromedp.Void](b, `document.querySelector("h1").focus()`)
	return b
}

const astray = `name: wrong-zone
when: item.sellable and item.present and zone.selling and not item.%s
severity: info
say: "{product.name} lies at {zone.name}"
mode: watch
`

// TestRulesKeyboardAlone: from the list to a rule that is live, without a pointer: written with an error, the
// error mended by what is offered, read back, true of something, stored, switched, and switched back.
func TestRulesKeyboardAlone(t *testing.T) {
	s := newServer(t).shop()
	s.lies(2, "shelf-b")
	b := newTab(t, s, desk, deskHeight, false).open("/console/").signIn(s.admin)
	b.top().keys("").until(`document.querySelector("nav")`)
	js[chromedp.Void](b, `document.querySelector("nav a").focus()`)
	b.reach("Rules").keys("\r").shows("below-minimum").shows("in 4 weeks").accessible()
	b.reach("wrong-zone").keys("\r").shows("It is true now of 1 thing.").until(editor("The rule"))
	b.top().reach("The rule") // the part
	b.reach("The rule")       // the editor
	b.types(fmt.Sprintf(astray, "hom")).shows("1 error: it can't be stored yet.").shows("line 2, column 63").accessible()
	b.until(editor("The rule") + `.getRootNode().querySelector(".cm-lintRange-error")?.innerText === "item.hom"`)
	require.True(t, js[bool](b, `[...document.querySelectorAll("button")].find(e => e.innerText === "Store").disabled`))
	b.keys(kb.Tab).keys("\r").shows("No error.").shows("it is not where its product belongs").shows("It is true now of 1 thing.")
	b.shows("The Harbour Light lies at Shelf B").accessible()
	require.NotContains(t, s.rule("wrong-zone"), "mode: watch", "nothing is stored while one types")
	b.until(editor("The rule") + ` === (e => e?.shadowRoot?.activeElement)(document.activeElement)`) // to write on
	b.reach("Store").keys("\r").shows("Stored, as version 2 of the rules.")
	require.Equal(t, fmt.Sprintf(astray, "home"), s.rule("wrong-zone"))
	// What changes nothing makes no version.
	b.writes("The rule", fmt.Sprintf(astray, "hom")).shows("1 error").writes("The rule", fmt.Sprintf(astray, "home")).
		shows("Nothing is changed.")

	b.top().reach("Live").keys("\r").shows("It is live now").accessible()
	require.Contains(t, s.rule("wrong-zone"), "mode: live")
	b.reach("Undo").keys("\r").shows("Taken back.")
	require.Contains(t, s.rule("wrong-zone"), "mode: watch")
	b.done()
}

// TestRulesCompletion: names, with their meaning, where they can stand.
func TestRulesCompletion(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, desk, deskHeight, false).open("/console/#/rules?new=text").signIn(s.admin)
	offered := func(typed, want, not string) {
		t.Helper()
		b.writes("The rule", typed)
		require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(" ", chromedp.KeyModifiers(chromedp.ModifierCtrl))))
		list := editor("The rule") + `.getRootNode().querySelector(".cm-tooltip-autocomplete")?.innerText ?? ""`
		b.until(`(` + list + `).includes("` + want + `")`)
		require.NotContains(t, js[string](b, list), not)
		b.keys(kb.Escape)
	}
	offered("name: x\nwhen: zone.ki", "zone.kind", "stock.count")
	offered("name: x\nabout: stock\nwhen: stock.c", "stock.count", "item.paid")
	offered("name: x\nwhen: zone.kind == \"e", "exit", "zone.kind")
	offered("name: x\nwhen: zone.id == \"s", "street-door", "zone.id")
	offered("name: x\nwhen: item.paid\nse", "severity", "item.sellable")
	offered("name: x\nwhen: item.paid\nseverity: ur", "urgent", "severity")
	offered("name: x\nwhen: item.paid\nsay: a {prod", "product.name", "stock.count")
	// The one that is chosen is put in.
	b.writes("The rule", "name: x\nwhen: not item.pai")
	require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(" ", chromedp.KeyModifiers(chromedp.ModifierCtrl))))
	b.until(editor("The rule") + `.getRootNode().querySelector(".cm-completionInfo")`)
	time.Sleep(100 * time.Millisecond) // the list takes no key in its first moments
	b.keys("\r").until(editor("The rule") + `.innerText.includes("not item.paid")`).shows("it is not paid for")
	b.done()
}

const doorCase = `items:
  book: {product: UB-1001, serial: 1}
start: 2026-03-10 10:00
cases:
  - name: carried out unpaid
    rules: [unpaid-at-exit]
    steps:
      - read: {items: book, by: handheld-1, zone: shelf-a}
      - wait: 1m
      - walk: {items: book, through: street-door}
      - wait: 10s
      - exactly: [%s]
`

// TestRulesCases: cases run as one types, in either text; what fails keeps the rule from being stored unless
// somebody says so.
func TestRulesCases(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, true).open("/console/#/rules/unpaid-at-exit").signIn(s.admin)
	b.press("Write a case").until(editor("The cases")).shows("say here what happens")
	b.writes("The cases", "cases: 3\n").shows("Error").accessible()
	b.writes("The cases", fmt.Sprintf(doorCase, "unpaid-at-exit")).shows("1 case passes.").accessible()
	b.writes("The cases", fmt.Sprintf(doorCase, "")).shows("1 of 1 case fails.").shows("line 12, column 9").
		shows("unpaid-at-exit opened").accessible()
	b.until(editor("The cases") + `.getRootNode().querySelector(".cm-lintRange-error")`)
	b.press("Store").shows("Cases do not pass. Nothing was stored.").accessible()
	b.writes("The cases", fmt.Sprintf(doorCase, "unpaid-at-exit")).shows("1 case passes.").press("Store").
		shows("Stored, as version 1 of the rules.")
	require.Equal(t, fmt.Sprintf(doorCase, "unpaid-at-exit"), string(s.call("GET", "/v1/rules/unpaid-at-exit/cases", "", "")))

	// The other text: a rule that its cases do not fit.
	b.writes("The rule", "name: unpaid-at-exit\nwhen: zone.kind == \"exit\" and item.paid\n").shows("1 of 1 case fails.")
	b.press("Store").shows("Cases do not pass. Nothing was stored.").press("Store it all the same").
		shows("Stored, as version 2 of the rules.")
	b.press("Undo").shows("Taken back.")
	require.Contains(t, s.rule("unpaid-at-exit"), "not item.paid")
	b.done()
}

// TestRulesPast: what a rule would have raised beside the version in force, and that nothing comes of it.
func TestRulesPast(t *testing.T) {
	s := newServer(t).shop()
	for serial := 1; serial <= 3; serial++ {
		s.passes(serial)
	}
	s.until("alerts", func() bool { return s.alerts() >= 3 })
	before := s.alerts()
	b := newTab(t, s, desk, deskHeight, false).open("/console/#/rules/unpaid-at-exit").signIn(s.admin)
	b.writes("The rule", `name: unpaid-at-exit
when: zone.kind == "exit" and passage.sure and item.serial == "2"
say: "{product.name} passed"
`).shows("No error.")
	b.press("Try on the past").shows("Nothing is sent and nothing is stored").shows("not stored yet")
	b.press("Try").shows("It would have raised 1 alert. The version in force: 3.").
		shows("Both raise 1; this one alone 0, the version in force alone 2.")
	b.until(`document.querySelector(".plot canvas")`).accessible()
	require.Regexp(t, `(?s)As tried.*In force.*1\s*3\s*$`, js[string](b,
		`document.querySelector(".plot table").textContent.replace(/(\d+ \w{3,4})/g, " $1 ").replace(/13$/, "1 3")`))
	b.press("Passage").shows("Inner side")
	require.Contains(t, js[string](b, `[...document.querySelectorAll(".lines a")].find(e =>
		e.innerText === "The Harbour Light passed").href`), "#/find/item/")
	require.Equal(t, before, s.alerts())
	require.Contains(t, s.rule("unpaid-at-exit"), "not item.paid")
	// A trial that takes long says how far it is, and is stopped.
	js[chromedp.Void](b, `window.fetch = (ask => (url, o) => !String(url).includes("/trial") ? ask(url, o) :
		Promise.resolve(new Response(new ReadableStream({start(c) {
		c.enqueue(new TextEncoder().encode(JSON.stringify({type: "progress", facts: 9, at: "2026-11-20T10:00:00Z", share: 0.25,
			facts_per_second: 1, raised: 7}) + "\n"));
		o.signal.addEventListener("abort", () => { window.stopped = true; c.error(new DOMException("",
			"AbortError")) }) }}))))(window.fetch)`)
	b.press("Try").shows("7 alerts so far").until(`document.querySelector("progress").value === 0.25`).accessible().press("Stop").
		until("window.stopped").until(`!document.querySelector("progress")`)

	// What was written is still there.
	b.press("The rule").until(editor("The rule") + `?.innerText.includes("item.serial")`).press("Drop my changes").
		shows("Your changes are dropped.")
	b.press("Undo").until(editor("The rule") + `.innerText.includes("item.serial")`)
	b.done()
}

// TestRulesForm: what the form writes, and that the form opens it again; and says why not, of another rule.
func TestRulesForm(t *testing.T) {
	s := newServer(t).shop()
	s.call("PUT", "/v1/channels", "application/json",
		`{"channels":[{"name":"door-team","url":"https://door.example.test/hook",
		"secrets":["whsec_QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVo="]}]}`)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/rules").signIn(s.admin)
	b.press("A new rule").shows("An unpaid item goes out of a door").accessible()
	b.pressLike("goes out of a door")
	b.shows("Which doors").shows("door-team").shows("Only watched").accessible()
	tick := func(text string) {
		t.Helper()
		js[chromedp.Void](b, fmt.Sprintf(`[...document.querySelectorAll("label")].find(e =>
			e.innerText.trim() === %q).querySelector("input").click()`, text))
	}
	tick("Street door")
	tick("door-team")
	b.press("Store").shows("Stored, as version 2 of the rules.")
	want := `name: unpaid-at-door
when: zone.kind == "exit" and passage.sure and item.sellable and not item.paid and zone.id in ["street-door"]
gather: 5s
severity: urgent
say: "{product.name} passed {zone.name}, and no sale is known yet"
send: [door-team]
mode: watch
`
	require.Equal(t, want, s.rule("unpaid-at-door"))
	b.until(`[...document.querySelectorAll("label")].find(e => e.innerText.trim() === "Street door")?.querySelector("input").checked`)
	b.press("Live").shows("It is live now")
	js[chromedp.Void](b, `(() => { const s = [...document.querySelectorAll("select")].find(e =>
		e.innerText.includes("two minutes")); s.value = "2m"; s.dispatchEvent(new Event("change")) })()`)
	b.press("Store").shows("Stored, as version 4 of the rules.")
	require.Equal(t, strings.Replace(strings.Replace(want, "gather:", "hold: 2m\ngather:", 1), "watch", "live", 1),
		s.rule("unpaid-at-door"))

	// The other two, by what the server says of them; and each form is what opens them.
	for kind, name := range map[string]string{"low": "below-minimum", "astray": "in-the-wrong-place"} {
		b.open("/console/?x=" + kind + "#/rules?new=" + kind).shows("No error.")
		if kind == "low" {
			b.press("Store").shows("There is a rule below-minimum already.").accessible()
			continue
		}
		b.press("Store").shows("as version 5 of the rules.").shows("Which places")
		require.Contains(t, s.rule(name), "mode: watch")
	}
	b.open("/console/#/rules/below-minimum").until(editor("The rule"))
	require.False(t, js[bool](b, `document.body.innerText.includes("Which places")`))
	b.writes("The rule", want).shows("As a form").writes("The rule", want+"quiet: 2h\n").
		until(`!document.body.innerText.includes("As a form")`)
	b.done()
}

// TestRulesHistory: who changed what and when, what differs, and back again; deleted, and back again.
func TestRulesHistory(t *testing.T) {
	s := newServer(t).shop()
	s.passes(1)
	s.until("an alert", func() bool { return s.alerts() >= 1 })
	s.call("PUT", "/v1/rules/unpaid-at-exit?note=too+loud", "application/yaml",
		"name: unpaid-at-exit\nwhen: zone.kind == \"exit\" and passage.sure and not item.paid\nseverity: warning\n")
	s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"mode":"watch"}`)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/rules/unpaid-at-exit/history").signIn(s.admin)
	b.shows("too loud").shows("with the key boss").shows("version 1")
	require.NotContains(t, js[string](b, `document.body.innerText`), "version 3", "that was another rule's")
	b.pressLike("What changed")
	b.shows("From version 1 to 2").
		until(`[...document.querySelectorAll(".diff .added code")].some(e => e.innerText === "+severity: warning")`).accessible()
	require.Equal(t, "-severity: urgent", js[string](b,
		`[...document.querySelectorAll(".diff .removed code")].map(e => e.innerText).find(t => t.includes("severity"))`))
	b.pressLike("Bring it back")
	b.shows("The rule is as in version 1 again.").shows("version 1 again")
	require.Contains(t, s.rule("unpaid-at-exit"), "severity: urgent")
	require.Contains(t, s.rule("wrong-zone"), "mode: watch", "no other rule goes back")

	order := string(s.call("GET", "/v1/rules", "", ""))
	b.press("Delete").shows("Its 1 open alert ends").accessible()
	b.press("Not now").press("Delete").press("Delete unpaid-at-exit").shows("unpaid-at-exit is deleted.").accessible()
	require.Empty(t, s.rule("unpaid-at-exit"))
	b.press("Undo").until(`document.querySelector("[aria-pressed]")`)
	require.Equal(t, order, string(s.call("GET", "/v1/rules", "", "")), "at its place")
	s.call("DELETE", "/v1/rules/unpaid-at-exit", "", "")
	b.open("/console/?x=1#/rules/unpaid-at-exit").shows("There is no rule unpaid-at-exit now.").shows("Deleted")
	b.pressLike("Bring it back")
	b.until(editor("The rule"))
	b.done()
}

// TestRulesConflict: of two who change one rule, the second is shown what the first did, and loses nothing. A
// change of another rule is no conflict, and a server that is gone for a while is none either.
func TestRulesConflict(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, desk, deskHeight, false).open("/console/#/rules/wrong-zone").signIn(s.admin)
	b.writes("The rule", fmt.Sprintf(astray, "home")).shows("No error.")
	s.call("PATCH", "/v1/rules/below-minimum", "application/json", `{"mode":"watch"}`)
	b.press("Store").shows("Stored, as version 3 of the rules.")
	mine := fmt.Sprintf(astray, "home") + "hold: 10m\n"
	b.writes("The rule", mine).shows("No error.")
	s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"severity":"urgent"}`)
	b.press("Store").shows("Somebody else has stored this rule meanwhile.").shows("+severity: urgent").accessible()
	require.NotContains(t, s.rule("wrong-zone"), "hold: 10m")
	b.press("Take theirs").until(editor("The rule") + `.innerText.includes("urgent")`).press("Undo").
		until(editor("The rule") + `.innerText.includes("hold: 10m")`)
	s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"severity":"warning"}`)
	b.press("Store").shows("Somebody else has stored this rule meanwhile.").press("Store mine in its place").shows("Stored, as version 6")
	require.Equal(t, mine, s.rule("wrong-zone"))

	// A server that is gone takes nothing away that was written.
	s.stop()
	b.writes("The rule", fmt.Sprintf(astray, "home")+"hold: 20m\n").shows("The server does not answer. Nothing is lost").accessible()
	s.start()
	b.press("Try again").shows("No error.").press("Store").shows("Stored, as version 7")
	require.Contains(t, s.rule("wrong-zone"), "hold: 20m")
	b.done()
}

// TestRulesRefused: who may only look sees the rules and their history, nothing to change them with, and the
// server refuses it anyway. Who may change rules and see no alerts has the list without them.
func TestRulesRefused(t *testing.T) {
	s := newServer(t).shop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/rules").signIn(s.key("viewer", kit.ScopeView))
	b.shows("in 4 weeks").press("wrong-zone").until(editor("The rule")).shows("may read rules, not change them").accessible()
	for _, action := range []string{"Store", "Delete", "Live", "Try on the past", "Write a case"} {
		require.False(t, js[bool](b, fmt.Sprintf(`[...document.querySelectorAll("button, a")].some(e => e.innerText.trim() === %q)`,
			action)), action)
	}
	require.Equal(t, "true", js[string](b, editor("The rule")+`.getAttribute("aria-readonly")`))
	require.Equal(t, 403, js[int](b, `fetch("/v1/rules/wrong-zone", {method: "PATCH",
		headers: {"Content-Type": "application/json"}, body: '{"mode":"off"}'}).then(r => r.status)`))
	b.press("History").shows("Made").press("Last alerts").shows("It has raised no alert.").accessible()
	b.open("/console/?x=1#/rules?new=").shows("may not make rules")
	b.done()

	a := newTab(t, s, phone, phoneHeight, false).open("/console/#/rules").signIn(s.key("author", kit.ScopeAuthor))
	a.shows("wrong-zone").accessible()
	require.NotContains(t, js[string](a, `document.body.innerText`), "in 4 weeks")
	a.press("wrong-zone").until(editor("The rule")).press("Last alerts").shows("The key that signed in here may not see this")
	a.done()
}

// TestRulesVeryMany: 300 rules, one of the longest name that there can be, and a word to find it by; none.
func TestRulesVeryMany(t *testing.T) {
	s := newServer(t).emptyShop()
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/rules").signIn(s.admin)
	b.shows("There is no rule yet").accessible()
	var text strings.Builder
	text.WriteString("rules:\n")
	for i := range 299 {
		fmt.Fprintf(&text, "  - {name: rule-%d, when: 'zone.id == \"shelf-a\" and item.serial == \"%d\"'}\n", i, i)
	}
	long := strings.Repeat("long-name-", 6) + "long" // 64 characters, the most that a name may have
	fmt.Fprintf(&text, "  - {name: %s, when: item.paid, say: \"%s\"}\n", long, strings.Repeat("word", 30))
	s.call("PUT", "/v1/rules", "application/yaml", text.String())
	b.open("/console/?x=1#/rules").shows("300 rules").shows("Show more (100 of 300 are shown)").accessible()
	js[chromedp.Void](b, `document.querySelector("[type=search]").focus()`)
	b.keys("wordword").shows("1 of 300 rules").accessible()
	b.press(long).until(editor("The rule")).shows("No error.").accessible()
	b.done()
}

// TestRulesPlacesVeryMany: a form over 200 places, some of whose names have 120 characters, the other way round.
func TestRulesPlacesVeryMany(t *testing.T) {
	s := newServer(t)
	zones := make([]string, 200)
	for i := range zones {
		name := fmt.Sprint("Shelf ", i)
		if i%50 == 0 {
			name = strings.Repeat("name", 28) + fmt.Sprintf("%08d", i)
		}
		zones[i] = fmt.Sprintf(`{"id":"shelf-%d","name":"%s","kind":"shelf","storey":"1"}`, i, name)
	}
	s.call("PUT", "/v1/sites/umberhithe/layout", "application/json",
		`{"site":"umberhithe","name":"Umberhithe Books","time_zone":"Europe/London","zones":[`+
			strings.Join(zones, ",")+`],"read_points":[{"id":"handheld-1","role":"handheld"}]}`)
	b := newTab(t, s, phone, phoneHeight, true).open("/console/?dir=rtl#/rules?new=astray").signIn(s.admin)
	b.shows("No error.").accessible()
	require.Equal(t, 201, js[int](b, `document.querySelectorAll("fieldset input[type=checkbox]").length`))
	js[chromedp.Void](b, `[...document.querySelectorAll("label")].find(e =>
		e.innerText.includes("00000150")).querySelector("input").click()`)
	b.until(`document.querySelector("pre").innerText.includes('zone.id in ["shelf-150"]')`).shows("No error.").accessible()
	require.Equal(t, "ltr", js[string](b, `getComputedStyle(document.querySelector("pre")).direction`),
		"what is typed for the program reads as it always does")
	b.press("As text").until(editor("The rule")).accessible()
	b.done()
}

// TestRulesScreenshots takes the page in its states.
func TestRulesScreenshots(t *testing.T) {
	wantShots(t)
	s := newServer(t).shop()
	nothing := newServer(t).emptyShop()
	s.lies(2, "shelf-b")
	s.passes(1)
	s.passes(3)
	s.until("alerts", func() bool { return s.alerts() >= 3 })
	s.call("PUT", "/v1/rules/unpaid-at-exit?note=by+night+too", "application/yaml", strings.Replace(s.rule("unpaid-at-exit"),
		"urgent", "warning", 1))
	s.call("PUT", "/v1/rules/unpaid-at-exit/cases", "application/yaml", fmt.Sprintf(doorCase, "unpaid-at-exit"))
	eachView(t, func(open func(s *server) *tab, shoot func(b *tab, name string)) {
		b := open(s).signIn(s.admin)
		b.open("/console/#/rules").shows("below-minimum").shows("in 4 weeks")
		shoot(b, "rules")
		b.open("/console/#/rules/unpaid-at-exit").shows("1 case passes.").until(editor("The cases"))
		shoot(b, "rules-one")
		b.writes("The cases", fmt.Sprintf(doorCase, "")).shows("1 of 1 case fails.")
		shoot(b, "rules-cases")
		b.writes("The rule", "name: unpaid-at-exit\nwhen: zone.kind == \"exit\" and passage.sure and item.serial == \"3\"\n").
			shows("No error.")
		b.press("Try on the past").press("Try").shows("It would have raised").until(`document.querySelector(".plot canvas")`)
		shoot(b, "rules-past")
		b.turn("#/rules/wrong-zone").writes("The rule", fmt.Sprintf(astray, "hom")).shows("1 error")
		b.until(editor("The rule") + `.getRootNode().querySelector(".cm-lintRange-error")`).press("Go to line 2").keys(kb.ArrowRight)
		require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(" ", chromedp.KeyModifiers(chromedp.ModifierCtrl))))
		b.until(editor("The rule") + `.getRootNode().querySelector(".cm-completionInfo")`).shows("1 error")
		time.Sleep(300 * time.Millisecond)
		shoot(b, "rules-error")
		b.keys(kb.Escape).writes("The rule", fmt.Sprintf(astray, "home")).shows("No error.")
		s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"severity":"urgent"}`)
		b.press("Store").shows("+severity: urgent")
		shoot(b, "rules-conflict")
		s.call("PATCH", "/v1/rules/wrong-zone", "application/json", `{"severity":"info"}`)
		b.turn("#/rules?new=").shows("An unpaid item")
		shoot(b, "rules-new")
		b.turn("#/rules?new=low").shows("What it is true of now")
		shoot(b, "rules-form")
		b.turn("#/rules/unpaid-at-exit/history").shows("Made")
		b.pressLike("What changed")
		b.shows("+severity: warning").press("Delete").shows("open alert")
		shoot(b, "rules-history")
		b.turn("#/rules/unpaid-at-exit/alerts").shows("open")
		shoot(b, "rules-alerts")
		shoot(open(nothing).signIn(nothing.admin).open("/console/#/rules").shows("There is no rule yet"), "rules-none")
	})
}
