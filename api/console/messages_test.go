package console_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
)

// channel adds a channel to a receiver, that gets what the rule about the door says.
func (s *server) channel(name string, r *receiver) {
	s.call("PUT", "/v1/channels", "application/json",
		`{"channels": [{"name": "`+name+`", "url": "`+r.URL+`/hooks/TOPSECRET", "format": "template",
		"template": {"text": "{data.alert.say}"}}]}`)
	s.call("PATCH", "/v1/rules/unpaid-at-exit", "application/json", `{"send": ["`+name+`"]}`)
}

// count asks how many deliveries there are in a state.
func (s *server) count(status string) int {
	var list struct{ Deliveries []struct{ ID string } }
	require.NoError(s.t, json.Unmarshal(s.call("GET", "/v1/deliveries?limit=1000&status="+status, "", ""), &list))
	return len(list.Deliveries)
}

// TestMessages: a channel fails and recovers, what was given up is sent again, one and all, and a channel
// that was stopped is started.
func TestMessages(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	s.channel("door-team", hook)
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/messages").signIn(s.admin)
	b.shows("Messages get through to the channel").shows("not since the server started").shows("No message yet").accessible()
	require.NotContains(t, js[string](b, "document.documentElement.outerHTML"), "TOPSECRET")

	hook.answers(http.StatusServiceUnavailable)
	s.passes(1)
	s.until("given up", func() bool { return s.count("dead") == 1 })
	b.shows("Messages do not get through to 1 of 1 channel").shows("Does not get through").shows("1 message was given up")
	b.shows("1 new").press("1 new").shows("Tried 2 times").shows("the receiver answered 503").accessible()
	b.press("Send a test").shows("It did not get through: the receiver answered 503")

	// One message, then the test, get through: and the channel does again.
	hook.answers(http.StatusOK)
	b.press("Send again").shows("It got through in").shows("Messages get through to the channel")
	require.Equal(t, 1, hook.got("passed Street door"))
	b.press("Send a test").until(`document.querySelector(".channel").innerText.includes("It got through in")`)

	// All that were given up.
	hook.answers(http.StatusServiceUnavailable)
	s.passes(2)
	s.passes(3)
	s.until("given up", func() bool { return s.count("dead") == 2 })
	hook.answers(http.StatusOK)
	b.shows("2 messages were given up").press("Send all 2 again").shows("2 messages are on the way again")
	s.until("delivered", func() bool { return hook.got("passed Street door") == 3 })
	b.until(`!document.body.innerText.includes("were given up after all tries")`)

	// Stopped by the receiver, started by hand.
	hook.answers(http.StatusGone)
	s.passes(4)
	b.shows("The receiver said that it is gone for good").accessible()
	hook.answers(http.StatusOK)
	b.press("Start again").shows("It is started").shows("Messages get through to the channel")
	b.press("Send it again").press("Given up").shows("Nothing was given up")
	b.done()
}

// TestMessagesChannelForm adds a channel by the form, changes its template with the preview beside it, and
// takes things back.
func TestMessagesChannelForm(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	b := newTab(t, s, desk, deskHeight, false).open("/console/#/messages").signIn(s.admin)
	b.shows("There is no channel yet").press("Add a channel").press("Add it").shows("Use 1 to 64 of the letters").
		shows("It must begin with https://").accessible()
	b.tick("A program of yours").shows("It is shown only now")
	secret := js[string](b, labelled("Signing secret")+".value")
	b.shows(`"type": "alert.opened"`).fill("Name", "program").fill("Address", hook.URL+"/TOPSECRET")
	b.tick("unpaid-at-exit").press("Add it").shows("The channel program is there").shows("Signed webhook").accessible()
	require.Contains(t, string(s.call("GET", "/v1/rules/unpaid-at-exit", "", "")), "program")
	require.NotContains(t, js[string](b, "document.documentElement.outerHTML + JSON.stringify(localStorage)"), secret)
	b.press("Send a test").shows("It got through")
	require.Equal(t, 1, hook.got("The Harbour Light"))

	// A second one, for a ticket tool; a slip in its template is shown in place, and mended.
	b.press("Add a channel").tick("A ticket tool").shows(`"urgency": "urgent"`).fill("Name", "tickets").fill("Address", hook.URL+"/t")
	b.until(`document.querySelector(".editor > div")?.shadowRoot?.querySelector(".cm-content")`)
	js[chromedp.Void](b, `document.querySelector(".editor > div").shadowRoot.querySelector(".cm-content").focus()`)
	b.keys(kb.Home + kb.ArrowRight + "x").
		until(`document.querySelector(".editor > div").shadowRoot.querySelector(".cm-lint-marker-error")`).shows("line 1").accessible()
	b.press("Add it").shows("1 thing is wrong")
	js[chromedp.Void](b, `document.querySelector(".editor > div").shadowRoot.querySelector(".cm-content").focus()`)
	b.keys(kb.Backspace).shows(`"urgency": "urgent"`)
	b.fill("Key that the message carries", "TOPSECRET")
	js[chromedp.Void](b, `document.querySelector(".editor > div").shadowRoot.querySelector(".cm-content").focus()`)
	b.keys(kb.Home + kb.ArrowRight)
	js[chromedp.Void](b, `(() => { const d = new DataTransfer(); d.setData("text/plain", '"key": "{values.key}",');
		document.querySelector(".editor > div").shadowRoot.querySelector(".cm-content").dispatchEvent(
			new ClipboardEvent("paste", {clipboardData: d, bubbles: true, cancelable: true})) })()`)
	b.shows(`"key": "***"`)
	b.press("Add it").shows("The channel tickets is there").press("Undo").until(`!document.body.innerText.includes("tickets")`)

	// Somebody else changes the channels meanwhile: what was typed stays, and is stored on top of theirs.
	b.press("Change").shows("Change program").shows("is kept and not shown again").tick("Switched off")
	s.call("POST", "/v1/channels/restore", "application/json", `{"version": 2}`)
	b.press("Save").shows("Somebody else changed the channels meanwhile").press("Save").
		shows("The channel program is changed").shows("Switched off")
	require.Contains(t, string(s.call("GET", "/v1/channels", "", "")), "tickets")
	b.press("Undo").until(`!document.body.innerText.includes("Switched off")`)

	// Removed, and back by the history.
	b.pressStarting("Change").press("Remove the channel").shows("The channel program is removed").
		shows("rules send to it: unpaid-at-exit").press("Fine")
	b.press("Earlier versions").shows("in force").press("What version 2 changed").shows("tickets").accessible()
	b.press("Back to version 1").shows("The earlier version is in force again")
	require.NotContains(t, string(s.call("GET", "/v1/channels", "", "")), "tickets")
	b.press("Undo")
	s.until("taken back", func() bool { return strings.Contains(string(s.call("GET", "/v1/channels", "", "")), "tickets") })
	b.press("Back to version 1").press("To the channels").press("Send a test").shows("It got through")
	require.Equal(t, 2, hook.got("The Harbour Light"), "the secret came back with the version")
	b.done()
}

// TestMessagesScopes: who may only see has nothing to do things with, and the server refuses them.
func TestMessagesScopes(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	s.channel("door-team", hook)
	hook.answers(http.StatusServiceUnavailable)
	s.passes(1)
	s.until("given up", func() bool { return s.count("dead") == 1 })
	acts := `[...document.querySelectorAll("main button, main a")].map(e => e.innerText.trim()).join()`
	b := newTab(t, s, phone, phoneHeight, true).open("/console/#/messages").signIn(s.key("viewer", kit.ScopeView))
	b.shows("Tried 2 times").accessible()
	for _, hidden := range []string{"Send", "Change", "Add a channel"} {
		require.NotContains(t, js[string](b, acts), hidden)
	}
	for _, path := range []string{"test", "start"} {
		require.Equal(t, 403, js[int](b, `fetch("/v1/channels/door-team/`+path+`", {method: "POST"}).then(r => r.status)`))
	}
	b.open("/console/#/messages/new").shows("Tried 2 times")
	require.NotContains(t, js[string](b, "document.body.innerText"), "What kind of receiver?")
	b.done()
	c := newTab(t, s, phone, phoneHeight, true).open("/console/#/messages").signIn(s.key("floor", kit.ScopeOperate))
	c.shows("Send it again").shows("Send again")
	require.NotContains(t, js[string](c, acts), "Send a test")
	c.done()
	d := newTab(t, s, phone, phoneHeight, true).open("/console/#/messages").signIn(s.key("writer", kit.ScopeAuthor))
	d.shows("Send a test").shows("To see the messages it takes a key that may see everything").accessible().done()
}

// TestMessagesVeryMany: 10,000 deliveries are scrolled through, a part at a time, and one that comes waits.
func TestMessagesVeryMany(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	s.channel("door-team", hook)
	const n = 10_000
	long := strings.TrimSpace(strings.Repeat("A very long name of a book ", 5))[:120]
	for from := 0; from < n; from += 100 {
		var values []store.Value
		for i := from; i < from+100; i++ {
			d := event.Delivery{ID: fmt.Sprintf("msg__channels-%d", i), Channel: "door-team", Type: deliver.TypeFailing,
				Alert: "ops", At: int64(1_764_000_000_000 + i),
				Status: event.DeliveryDead, Attempts: 10, Reason: "given up",
				Data: json.RawMessage(fmt.Sprintf(`{"say":"%s %d"}`, long, i))}
			values = append(values, store.Value{Kind: deliver.KindNotice, Key: d.ID, Revision: store.AnyRevision,
				Data: event.AppendDelivery(nil, &d)})
		}
		_, err := s.store.SetValues(t.Context(), values...)
		require.NoError(t, err)
	}
	b := newTab(t, s, phone, phoneHeight, false).open("/console/#/messages").signIn(s.admin)
	began := time.Now()
	b.until(`document.querySelectorAll(".delivery").length === 100`).shows("10,000 messages were given up")
	t.Logf("the newest are shown after %v", time.Since(began))
	b.accessible()
	began = time.Now()
	const step = `(() => { scrollTo(0, document.documentElement.scrollHeight); return document.querySelectorAll(".delivery").length })()`
	for js[int](b, step) < 1000 {
		time.Sleep(20 * time.Millisecond)
	}
	t.Logf("1,000 are scrolled through after %v", time.Since(began))
	s.passes(1)
	b.shows("1 new")
	require.Less(t, js[int](b, `Math.max(...[0].concat(performance.getEntriesByType("longtask").map(e => e.duration)))`), 1000)
	b.pressStarting("Given up").until(`document.querySelectorAll(".delivery").length >= 100`).done()
}

// TestMessagesByKeyboard tests a channel and sends a message again without a pointer.
func TestMessagesByKeyboard(t *testing.T) {
	hook := newReceiver(t)
	s := newServerWith(t, quickly).shop()
	s.channel("door-team", hook)
	hook.answers(http.StatusServiceUnavailable)
	s.passes(1)
	s.until("given up", func() bool { return s.count("dead") == 1 })
	b := newTab(t, s, desk, deskHeight, false).open("/console/?dir=rtl#/messages").signIn(s.admin).shows("Tried 2 times").accessible()
	reach := func(text string) {
		t.Helper()
		for range 40 {
			b.keys(kb.Tab)
			if strings.TrimSpace(js[string](b, `document.activeElement.innerText`)) == text {
				require.NotEqual(t, "none", js[string](b, `getComputedStyle(document.activeElement).outlineStyle`), "the focus is seen")
				return
			}
		}
		require.Fail(t, "never reached", text)
	}
	reach("Send a test")
	b.keys("\r").shows("It did not get through")
	hook.answers(http.StatusOK)
	js[chromedp.Void](b, `document.querySelector("#deliveries").focus()`)
	reach("Given up")
	b.keys("\r").until(`document.activeElement.getAttribute("aria-pressed") === "true"`)
	reach("Send again")

	// The server is gone for a while: what was there stays, and nothing is lost.
	s.stop()
	b.shows("Could not be asked again; this is from before").keys("\r").shows("The server does not answer. Nothing is lost").accessible()
	s.start()
	b.until(`!document.body.innerText.includes("Could not be asked again")`)
	b.press("Send again").shows("It got through in").done()
}
