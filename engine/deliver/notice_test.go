package deliver

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// letter is a message as a receiver got it.
type letter struct {
	host, id string
	header   http.Header
	body     []byte
}

func (l letter) data(t testing.TB) NoticeData {
	t.Helper()
	var body struct {
		Data NoticeData `json:"data"`
	}
	require.NoError(t, json.Unmarshal(l.body, &body))
	return body.Data
}

// post answers for all hosts and keeps what they got.
type post struct {
	mu   sync.Mutex
	code map[string]int // by host; 200 where it is not set
	got  []letter
}

func (p *post) set(host string, code int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.code == nil {
		p.code = map[string]int{}
	}
	p.code[host] = code
}

func (p *post) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.got = append(p.got, letter{r.URL.Host, r.Header.Get(HeaderID), r.Header.Clone(), body})
	code := p.code[r.URL.Host]
	if code == 0 {
		code = http.StatusOK
	}
	res := answer(code)
	res.Status = "999 what the receiver wrote"
	res.Body = io.NopCloser(strings.NewReader("what the receiver wrote"))
	return res, nil
}

// letters returns what a host got, in order.
func (p *post) letters(host string) []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []letter
	for _, l := range p.got {
		if l.host == host {
			list = append(list, l)
		}
	}
	return list
}

// told lists the types of the notices that a host got.
func (p *post) told(host string) []string {
	types := []string{}
	for _, l := range p.letters(host) {
		var m struct {
			Type string `json:"type"`
		}
		if err := json.Unmarshal(l.body, &m); err == nil && strings.HasPrefix(m.Type, "channel.") {
			types = append(types, m.Type)
		}
	}
	return types
}

func aboutChannel(name, url string) Channel {
	c := hookChannel(name, url)
	c.AboutChannels = true
	return c
}

// house is a store with one sender, which ends and starts again while days pass.
type house struct {
	*rig
	t    *testing.T
	post *post
	stop func()
	n    int

	schedule Schedule // of the senders that begin from now on
}

func newHouse(t *testing.T, channels ...Channel) *house {
	h := &house{t: t, post: &post{}}
	h.begin(newRig(t, nil, channels...))
	return h
}

func (h *house) begin(r *rig) {
	h.rig = r
	r.client.Transport = h.post
	if h.schedule.Delays != nil {
		r.opt.Schedule = h.schedule
	}
	h.stop = r.start(h.t, "umberhithe")
}

// restart starts another sender on the same store, as after the death of this one.
func (h *house) restart() {
	old := h.rig
	r := newRig(h.t, func(o *Options) { o.Store = old.store })
	r.store, r.channels = old.store, old.channels
	h.begin(r)
	synctest.Wait()
}

func (h *house) later(d time.Duration) {
	h.stop()
	pass(d)
	h.restart()
}

// message sends one to the channel, about an alert of its own, and waits until it was tried and
// notices had their time.
func (h *house) message(channel string) {
	h.n++
	h.commit("umberhithe", message(channel, fmt.Sprint("a", h.n), 1))
	pass(25 * time.Second)
}

// fail has the channel fail for as long as it takes to be on record, and returns since when.
func (h *house) fail(channel string) time.Time {
	began := time.Now()
	h.message(channel)
	pass(11 * time.Minute)
	h.message(channel)
	require.Equal(h.t, began.UnixMilli(), h.healthOf(h.t, channel).FailingSince.UnixMilli())
	return began
}

func (h *house) until(began time.Time, d time.Duration) { h.later(time.Until(began.Add(d))) }

// A channel that fails, is stopped and started again: each is told once, to the channel that asked
// for it, by the same way as every message.
func TestNotices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, hookChannel("chat", "https://chat.example/s3cr3t"), aboutChannel("ops", "https://ops.example/"))
		defer func() { h.stop() }()
		h.post.set("chat.example", 503)
		began := h.fail("chat")
		h.until(began, 24*time.Hour)
		h.message("chat")
		h.message("chat")
		require.Equal(t, []string{TypeFailing}, h.post.told("ops.example"))
		h.until(began, 48*time.Hour)
		h.message("chat")
		h.message("chat")
		require.Equal(t, []string{TypeFailing, TypeFailing}, h.post.told("ops.example"))
		h.until(began, 72*time.Hour)
		h.message("chat")
		h.message("chat")
		stopped := h.healthOf(t, "chat").Stopped
		require.False(t, stopped.IsZero())
		_, err := h.StartChannel(t.Context(), "chat")
		require.NoError(t, err)
		pass(time.Minute)
		require.Equal(t, []string{TypeFailing, TypeFailing, TypeStopped, TypeStarted}, h.post.told("ops.example"))

		ms := began.UnixMilli()
		got := h.post.letters("ops.example")
		ids := []string{
			fmt.Sprintf("msg__channels-chat_failing-24h_%d_ops", ms), fmt.Sprintf("msg__channels-chat_failing-48h_%d_ops", ms),
			fmt.Sprintf("msg__channels-chat_stopped_%d_ops", stopped.UnixMilli()),
			fmt.Sprintf("msg__channels-chat_started_%d_ops", stopped.UnixMilli()),
		}
		hook, err := standardwebhooks.NewWebhook(testSecret)
		require.NoError(t, err)
		order := 0
		for i, l := range got {
			require.Equal(t, ids[i], l.id)
			require.NoError(t, hook.VerifyIgnoringTimestamp(l.body, l.header), "Standard Webhooks' own library")
			m := h.store.get(t, Notices, l.id)
			require.Equal(t, event.DeliveryDelivered, m.Status)
			require.Greater(t, m.Order, order)
			order = m.Order
			require.NotContains(t, string(l.body), "s3cr3t")
			require.NotContains(t, string(l.body), "what the receiver wrote")
		}
		require.Equal(t, NoticeData{
			Channel: "chat", Severity: "warning", FailingSince: timestamp(ms), FailingHours: 24,
			Reason: "the receiver answered 503 Service Unavailable",
			Say: "The channel chat has had no success for 24 hours, since " + forPeople(ms) +
				": the receiver answered 503 Service Unavailable. If that goes on, it will be stopped, and nothing will be sent to it.",
			Fix: []string{
				"Fix the receiver, or the channel's address, secrets or headers (PUT /v1/channels).",
				"Try it: POST /v1/channels/chat/test. A test that gets through ends the failing.",
			},
		}, got[0].data(t))
		require.Equal(t, NoticeData{
			Channel: "chat", Severity: "urgent", FailingSince: timestamp(ms), StoppedAt: timestamp(stopped.UnixMilli()),
			StoppedBecause: StoppedFailing,
			Reason:         "the receiver answered 503 Service Unavailable",
			Say: "The channel chat was stopped, because it had no success since " + forPeople(ms) +
				": the receiver answered 503 Service Unavailable. Nothing is sent to it; what is due for it waits, " +
				"and becomes a dead letter if it waits too long.",
			Fix: []string{
				"Fix the receiver, or the channel's address, secrets or headers (PUT /v1/channels).",
				"Start it: POST /v1/channels/chat/test, which starts it if the test gets through, or POST /v1/channels/chat/start.",
				`Send again what died: POST /v1/channels/chat/recover with {"since": "` + timestamp(ms) + `"}.`,
			},
		}, got[2].data(t))
		require.Equal(t, NoticeData{
			Channel: "chat", Severity: "info", FailingSince: timestamp(ms), StoppedAt: timestamp(stopped.UnixMilli()),
			StoppedBecause: StoppedFailing,
			Say: "The channel chat is sent to again: somebody started it. It was stopped on " +
				forPeople(stopped.UnixMilli()) + ".",
			Fix: []string{`Send again what died: POST /v1/channels/chat/recover with {"since": "` + timestamp(ms) + `"}.`},
		}, got[3].data(t))
	})
}

// Gone is told with its cause, and so is what starts the channel again.
func TestNoticeOfGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		h := newHouse(t, c, aboutChannel("ops", "https://ops.example/"))
		defer func() { h.stop() }()
		h.post.set("chat.example", http.StatusGone)
		h.message("chat")
		require.Equal(t, []string{TypeStopped}, h.post.told("ops.example"), "and that one delivery died of it is not told besides")
		d := h.post.letters("ops.example")[0].data(t)
		require.Equal(t, StoppedGone, d.StoppedBecause)
		require.Contains(t, d.Say, "because the receiver answered 410 Gone")
		h.post.set("chat.example", 200)
		c.Headers = map[string]string{"Authorization": "Bearer s3cr3t"}
		h.setChannel(c)
		pass(30 * time.Second)
		require.Equal(t, []string{TypeStopped, TypeStarted}, h.post.told("ops.example"))
		require.Contains(t, h.post.letters("ops.example")[1].data(t).Say, "its settings were changed")
		// A test that gets through starts it, too.
		h.post.set("chat.example", http.StatusGone)
		h.message("chat")
		h.post.set("chat.example", 200)
		_, err := h.Test(t.Context(), c)
		require.NoError(t, err)
		pass(30 * time.Second)
		require.Equal(t, []string{TypeStopped, TypeStarted, TypeStopped, TypeStarted}, h.post.told("ops.example"))
		for _, l := range h.post.letters("ops.example") {
			require.NotContains(t, string(l.body), "s3cr3t")
		}
	})
}

// No channel is told about itself; two that tell about others tell about each other. A channel gets
// the types that it wants.
func TestWhoIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		some, none := aboutChannel("some", "https://some.example/"), aboutChannel("none", "https://none.example/")
		some.Types, none.Types = []string{"alert", TypeStopped}, []string{"alert"}
		h := newHouse(t, aboutChannel("ops", "https://ops.example/"), aboutChannel("head-office", "https://head.example/"),
			some, none, hookChannel("chat", "https://chat.example/"))
		defer func() { h.stop() }()
		h.post.set("ops.example", http.StatusGone)
		h.message("ops")
		require.Empty(t, h.post.told("ops.example"))
		require.Equal(t, []string{TypeStopped}, h.post.told("head.example"))
		require.Equal(t, []string{TypeStopped}, h.post.told("some.example"))
		_, err := h.StartChannel(t.Context(), "ops")
		require.NoError(t, err)
		h.post.set("ops.example", 200)
		pass(time.Minute)
		require.Equal(t, []string{TypeStopped, TypeStarted}, h.post.told("head.example"))
		require.Equal(t, []string{TypeStopped}, h.post.told("some.example"))
		h.post.set("head.example", http.StatusGone)
		h.message("head-office")
		require.Equal(t, []string{TypeStopped}, h.post.told("ops.example"))
		require.Empty(t, h.post.told("none.example"))
		require.Empty(t, h.post.told("chat.example"))
		require.NotContains(t, strings.Join(h.store.ids(Notices), " "), "_none")
	})
}

// Whatever the format, a notice makes a body that its receiver can use.
func TestNoticesInEveryFormat(t *testing.T) {
	channels, err := ParseChannels([]byte(`[
		{"name": "tool", "url": "https://tool.example/", "about_channels": true, "format": "template",
		 "template": {"text": "[{data.alert.severity}] {data.alert.say}", "only": "{data.alert.say}", "where": "{site}", "alert": "{alert}", "who": "{data.channel}", "rule": "{data.alert.rule}", "n": "{order}"}},
		{"name": "events", "url": "https://events.example/", "about_channels": true, "format": "cloudevents", "secrets": ["` + testSecret + `"]},
		{"name": "chat", "url": "https://chat.example/", "secrets": ["` + testSecret + `"]}
	]`))
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, channels...)
		defer func() { h.stop() }()
		h.post.set("chat.example", http.StatusGone)
		h.message("chat")
		got := h.post.letters("tool.example")
		require.Len(t, got, 1)
		say := "The channel chat was stopped, because the receiver answered 410 Gone. Nothing is sent to it; what " +
			"is due for it waits, and becomes a dead letter if it waits too long."
		require.JSONEq(t, fmt.Sprintf(`{"text": "[urgent] %s", "only": %q, "where": null, "alert": null, "who": `+
			`"chat", "rule": null, "n": %d}`, say, say, h.store.get(t, Notices, got[0].id).Order), string(got[0].body))
		require.Equal(t, "application/json", got[0].header.Get("Content-Type"))

		got = h.post.letters("events.example")
		require.Len(t, got, 1)
		var event map[string]any
		require.NoError(t, json.Unmarshal(got[0].body, &event))
		// CloudEvents 1.0.2, 3.1: these are required; source and id together are unique, subject
		// says what of the source it is about.
		require.Equal(t, "1.0", event["specversion"])
		require.Equal(t, "/channels", event["source"])
		require.Equal(t, "chat", event["subject"])
		require.Equal(t, got[0].id, event["id"])
		require.Equal(t, TypeStopped, event["type"])
		require.Equal(t, say, event["data"].(map[string]any)["say"])
	})
}

// A notice that cannot be delivered is tried again by the schedule with its id, becomes a dead
// letter, and can be sent again by hand.
func TestNoticesAreTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, hookChannel("chat", "https://chat.example/"), aboutChannel("ops", "https://ops.example/"))
		defer func() { h.stop() }()
		h.schedule, h.opt.Schedule = threeTries, threeTries
		h.post.set("chat.example", http.StatusGone)
		h.post.set("ops.example", 404)
		h.message("chat")
		ids := h.store.ids(Notices)
		require.Len(t, ids, 1)
		pass(2 * time.Hour)
		got := h.post.letters("ops.example")
		require.Len(t, got, 3, "as the schedule has it")
		for _, l := range got {
			require.Equal(t, ids[0], l.id)
		}
		require.Equal(t, event.DeliveryDead, h.store.get(t, Notices, ids[0]).Status)
		h.post.set("ops.example", 200)
		r, err := h.Recover(t.Context(), []string{"umberhithe", Notices}, "ops", time.Now().Add(-3*time.Hour), time.Now())
		require.NoError(t, err)
		require.Equal(t, 1, r.Queued)
		pass(time.Minute)
		require.Equal(t, event.DeliveryDelivered, h.store.get(t, Notices, ids[0]).Status)
		out, err := h.Retry(t.Context(), Notices, ids[0])
		require.NoError(t, err)
		require.True(t, out.OK())
		for _, l := range h.post.letters("ops.example") {
			require.Equal(t, ids[0], l.id)
		}
	})
}

// The process dies around the commit that puts an event and its notice on record: either both are
// on record or neither, and either way it is told under one id.
func TestNoticesOutliveTheProcess(t *testing.T) {
	for _, c := range []string{"before the commit", "after the commit", "after the post"} {
		t.Run(c, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t, hookChannel("chat", "https://chat.example/"), aboutChannel("ops", "https://ops.example/"))
				defer func() { h.stop() }()
				h.post.set("chat.example", 503)
				began := h.fail("chat")
				h.until(began, 24*time.Hour-30*time.Second)
				h.opt.StopWithin = time.Nanosecond // the next stop is as good as a kill: nothing more is stored
				pass(30 * time.Second)             // it has the lease by then, and nothing has told yet
				require.Empty(t, h.post.letters("ops.example"))
				h.n++
				m := message("chat", fmt.Sprint("a", h.n), 1)
				dead := false
				broken := func() error {
					if dead {
						return errBroken
					}
					return nil
				}
				switch c {
				case "before the commit":
					h.store.put("umberhithe", m)
					dead, h.store.fail = true, broken
				case "after the commit":
					h.store.lost = func() error { dead = true; return errBroken }
					h.store.fail = broken
				case "after the post":
					commits := 0
					h.store.fail = func() error {
						if commits++; commits > 1 && len(h.post.letters("ops.example")) > 0 {
							return errBroken
						}
						return nil
					}
				}
				h.commit("umberhithe", m)
				synctest.Wait()
				h.stop()
				require.Len(t, h.post.letters("ops.example"), map[string]int{"before the commit": 0,
					"after the commit": 0, "after the post": 1}[c])
				require.Len(t, h.store.ids(Notices), map[string]int{"before the commit": 0, "after the commit": 1, "after the post": 1}[c])

				h.store.fail, h.store.lost = nil, nil
				h.restart()
				pass(time.Minute)
				h.message("chat")
				h.message("chat")
				want := fmt.Sprintf("msg__channels-chat_failing-24h_%d_ops", began.UnixMilli())
				got := h.post.letters("ops.example")
				require.Len(t, got, map[string]int{"before the commit": 1, "after the commit": 1, "after the post": 2}[c])
				for _, l := range got {
					require.Equal(t, want, l.id)
				}
				require.Equal(t, []string{want}, h.store.ids(Notices))
				require.Equal(t, event.DeliveryDelivered, h.store.get(t, Notices, want).Status)
			})
		})
	}
}

// pair is two processes over one store, each with a site of its own, which end and start again
// while days pass.
type pair struct {
	t     *testing.T
	store *brittle
	post  *post
	both  [2]*rig
	stop  [2]func()
	n     int
}

var pairSites = [2]string{"umberhithe", "pier"}

func newPair(t *testing.T) *pair {
	p := &pair{t: t, store: newBrittle(), post: &post{}}
	p.start()
	return p
}

func (p *pair) start() {
	for i := range p.both {
		r := newRig(p.t, func(o *Options) { o.Store = p.store }, hookChannel("chat", "https://chat.example/"),
			aboutChannel("ops", "https://ops.example/"))
		r.store, r.client.Transport = p.store, p.post
		p.both[i] = r
	}
	for i, r := range p.both {
		p.stop[i] = r.start(p.t, pairSites[i])
	}
}

func (p *pair) end() {
	for _, stop := range p.stop {
		stop()
	}
}

func (p *pair) later(d time.Duration) {
	p.end()
	pass(d)
	p.start()
	pass(15 * time.Second)
}

// messages has both send one at the same moment, which had so many tries before.
func (p *pair) messages(attempts int) {
	p.n++
	for i, r := range p.both {
		m := message("chat", fmt.Sprint(pairSites[i], p.n), 1)
		m.At, m.Attempts = time.Now().UnixMilli(), attempts
		r.commit(pairSites[i], m)
	}
	pass(time.Minute)
}

// Two processes over one store that see the same: each event is told once, under one id, whichever
// of them has the lease; and when that one ends, the other goes on.
func TestTwoProcessesTellOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.post.set("chat.example", 503)
		p.messages(0)
		pass(11 * time.Minute)
		p.messages(0)
		p.later(24 * time.Hour)
		p.messages(0)
		require.Equal(t, []string{TypeFailing}, p.post.told("ops.example"))
		owner := p.store.holder
		require.Contains(t, []string{p.both[0].process, p.both[1].process}, owner)
		p.later(24 * time.Hour)
		p.messages(0)
		require.Equal(t, []string{TypeFailing, TypeFailing}, p.post.told("ops.example"))
		// The one that has the lease ends; the other tells the rest.
		p.later(24 * time.Hour)
		last := slices.IndexFunc(p.both[:], func(r *rig) bool { return r.process != p.store.holder })
		p.stop[1-last]()
		p.both[last].commit(pairSites[last], message("chat", "last", 1))
		pass(time.Minute)
		require.Equal(t, []string{TypeFailing, TypeFailing, TypeStopped}, p.post.told("ops.example"))
		ids := map[string]bool{}
		for _, l := range p.post.letters("ops.example") {
			require.False(t, ids[l.id], l.id)
			ids[l.id] = true
		}
	})
}

// A process that is killed keeps the lease until it runs out; then another sends the notices.
func TestTheLeaseOfAKilledProcessRunsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, hookChannel("chat", "https://chat.example/"), aboutChannel("ops", "https://ops.example/"))
		defer func() { h.stop() }()
		h.stop()
		held, err := h.store.Lease(t.Context(), Notices, "killed", noticeLease)
		require.NoError(t, err)
		require.True(t, held)
		h.restart()
		h.post.set("chat.example", http.StatusGone)
		h.commit("umberhithe", message("chat", "a", 1))
		pass(noticeLease - 5*time.Second)
		require.Empty(t, h.post.letters("ops.example"), "it may still send them")
		require.Len(t, h.store.ids(Notices), 1)
		pass(30 * time.Second)
		require.Len(t, h.post.letters("ops.example"), 1)
	})
}

// Dead letters are told of at most once an hour for each channel, with how many there were; none is
// told of that died of telling.
func TestNoticesOfDeadLetters(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, hookChannel("chat", "https://chat.example/"),
			hookChannel("tickets", "https://tickets.example/"), aboutChannel("ops", "https://ops.example/"))
		defer func() { h.stop() }()
		h.schedule, h.opt.Schedule = threeTries, threeTries
		h.post.set("chat.example", 404)
		h.post.set("tickets.example", 404)
		die := func(channel string, n int) {
			for range n {
				h.n++
				m := message(channel, fmt.Sprint("d", h.n), 1)
				m.Attempts, m.Code, m.At = 2, 404, time.Now().UnixMilli()
				h.store.put("umberhithe", m)
			}
			require.NoError(t, h.Resume(t.Context(), "umberhithe")) // that is: search again
			pass(30 * time.Second)
		}
		first := time.Now().UnixMilli()
		die("chat", 3)
		require.Equal(t, []string{TypeDeadLetters}, h.post.told("ops.example"))
		d := h.post.letters("ops.example")[0].data(t)
		require.Equal(t, NoticeData{
			Channel: "chat", Severity: "warning", DeadLetters: 3, First: timestamp(first), Last: timestamp(first),
			Reason: "given up after 3 tries: the receiver answered 404 Not Found",
			Say: "3 deliveries to the channel chat were given up; they are dead letters now. The last reason: " +
				"given up after 3 tries: the receiver answered 404 Not Found.",
			Fix: []string{
				"See them: GET /v1/deliveries?status=dead&channel=chat.",
				"Fix the receiver, or the channel's address, secrets or headers (PUT /v1/channels).",
				"Try it: POST /v1/channels/chat/test.", `Send again what died: POST /v1/channels/chat/recover with ` +
					`{"since": "` + timestamp(first) + `"}.`,
			},
		}, d)
		second := time.Now().UnixMilli()
		die("chat", 2)
		die("tickets", 1)
		die("chat", 4)
		require.Equal(t, []string{TypeDeadLetters, TypeDeadLetters}, h.post.told("ops.example"), "another channel has an hour of its own")
		d = h.post.letters("ops.example")[1].data(t)
		require.Equal(t, "tickets", d.Channel)
		require.Contains(t, d.Say, "A delivery to the channel tickets was given up")
		h.later(30 * time.Minute)
		pass(20 * time.Second)
		require.Len(t, h.post.letters("ops.example"), 2)
		h.later(30 * time.Minute)
		pass(20 * time.Second)
		got := h.post.letters("ops.example")
		require.Len(t, got, 3)
		d = got[2].data(t)
		require.Equal(t, "chat", d.Channel)
		require.Equal(t, 6, d.DeadLetters)
		require.Equal(t, timestamp(second), d.First)

		// What is on record of it goes away, too.
		h.post.set("chat.example", 200)
		h.post.set("tickets.example", 200)
		h.message("chat")
		h.message("tickets")
		pass(2 * time.Hour)
		require.Empty(t, h.store.channels())
		require.Len(t, h.post.letters("ops.example"), 3)

		// Two channels whose notices die do not keep telling each other.
		h.setChannel(aboutChannel("chat", "https://chat.example/"))
		h.post.set("ops.example", 404)
		h.post.set("chat.example", 404)
		die("ops", 1)
		require.Len(t, h.post.told("chat.example"), 1)
		pass(10 * time.Hour)
		require.Len(t, h.post.told("chat.example"), 3, "three tries")
		require.Len(t, h.post.told("ops.example"), 3, "nothing came of that they failed")
	})
}

// With nobody to tell, nothing is counted.
func TestDeadLettersThatNobodyIsToldOf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, hookChannel("chat", "https://chat.example/"))
		defer func() { h.stop() }()
		h.schedule, h.opt.Schedule = threeTries, threeTries
		h.post.set("chat.example", 404)
		m := message("chat", "a", 1)
		m.Attempts, m.Code = 2, 404
		h.commit("umberhithe", m)
		pass(5 * time.Minute)
		require.Equal(t, event.DeliveryDead, h.store.get(t, "umberhithe", m.ID).Status)
		require.Empty(t, h.store.channels())
	})
}

// Whatever commits fail, and whatever replies are lost, two processes tell each event under one id,
// in its order, and count each dead letter once.
func TestNoticesOverABadStore(t *testing.T) {
	for seed := range uint64(10) {
		synctest.Test(t, func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, 1))
			var lock sync.Mutex
			bad := true
			fail := func() error {
				lock.Lock()
				defer lock.Unlock()
				if bad && random.Float64() < 0.3 {
					return errBroken
				}
				return nil
			}
			setBad := func(b bool) {
				lock.Lock()
				defer lock.Unlock()
				bad = b
			}
			p := newPair(t)
			defer p.end()
			p.store.mu.Lock()
			p.store.fail, p.store.lost = fail, fail
			p.store.mu.Unlock()
			p.post.set("chat.example", 503)
			// Whatever is stored when a process ends is stored: what it had not got around to is
			// what the next one sees, so the store is good while they end.
			later := func(d time.Duration) {
				setBad(false)
				pass(30 * time.Second)
				p.later(d)
				setBad(true)
			}
			p.messages(0)
			pass(11 * time.Minute)
			for range 3 {
				p.messages(0)
				for range random.IntN(3) {
					p.messages(9) // the tenth try is the last
				}
				later(24 * time.Hour)
			}
			p.messages(0)
			p.messages(9)
			setBad(false)
			pass(30 * time.Second)
			p.post.set("chat.example", 200)
			_, err := p.both[0].StartChannel(t.Context(), "chat")
			require.NoError(t, err)
			pass(time.Minute)
			p.later(time.Hour)

			events, counted, order := []string{}, 0, 0
			for _, l := range p.post.letters("ops.example") {
				m := p.store.get(t, Notices, l.id)
				if m.Type == TypeDeadLetters {
					counted += l.data(t).DeadLetters
					continue
				}
				events = append(events, m.Type)
				require.Greater(t, m.Order, order)
				order = m.Order
			}
			require.Equal(t, []string{TypeFailing, TypeFailing, TypeStopped, TypeStarted}, events, "seed %d", seed)
			require.Len(t, p.post.letters("ops.example"), len(p.store.ids(Notices)), "each under one id, once")
			dead := 0
			for _, site := range pairSites {
				for _, id := range p.store.ids(site) {
					if p.store.get(t, site, id).Status == event.DeliveryDead {
						dead++
					}
				}
			}
			require.Positive(t, dead)
			require.Equal(t, dead, counted, "seed %d", seed)
		})
	}
}

// What keeps people from being told is warned of when the document is stored.
func TestAboutWarnings(t *testing.T) {
	plain, ops, second := hookChannel("chat", "https://chat.example/"), aboutChannel("ops", "https://ops.example/"),
		aboutChannel("head-office", "https://head.example/")
	off, deaf := aboutChannel("off", "https://off.example/"), aboutChannel("deaf", "https://deaf.example/")
	off.Disabled, deaf.Types = true, []string{"alert", "channels"}
	require.Empty(t, AboutWarnings(nil))
	require.Empty(t, AboutWarnings([]Channel{plain}))
	require.Empty(t, AboutWarnings([]Channel{plain, ops, second}))
	only := `nobody is notified when the channel "ops" itself fails or is stopped: no other channel has ` +
		`"about_channels"; give it to a second one`
	require.Equal(t, []string{only}, AboutWarnings([]Channel{plain, ops}))
	require.Equal(t, []string{
		`the channel "off" has "about_channels", but it is disabled, so nothing is sent to it`,
		`the channel "deaf" has "about_channels", but its "types" leave out all messages about channels; add "channel" to them`,
		only,
	}, AboutWarnings([]Channel{off, deaf, ops}))
}

// Being told about other channels is nothing that a receiver notices, so it starts no stopped
// channel again.
func TestAboutChannelsIsNoOtherSetting(t *testing.T) {
	a, b := hookChannel("ops", "https://ops.example/"), aboutChannel("ops", "https://ops.example/")
	require.Equal(t, a.fingerprint(), b.fingerprint())
	b.PerSecond = 1
	require.NotEqual(t, a.fingerprint(), b.fingerprint())
}

func TestTooManyAboutChannels(t *testing.T) {
	var list []Channel
	for i := range MaxAboutChannels + 2 {
		list = append(list, aboutChannel(fmt.Sprint("c", i), "https://ops.example/"))
	}
	doc, err := EncodeChannels(list)
	require.NoError(t, err)
	_, err = ParseChannels(doc)
	require.ErrorContains(t, err, `channels[8].about_channels: is true for more than 8 channels`)
	require.NotContains(t, err.Error(), "channels[9]")
	doc, err = EncodeChannels(list[:MaxAboutChannels])
	require.NoError(t, err)
	_, err = ParseChannels(doc)
	require.NoError(t, err)
}

// A reason is quoted up to a bound.
func TestLongReasons(t *testing.T) {
	n := notice{event: noticeStopped, channel: "chat", record: healthRecord{Reason: strings.Repeat("ä", 5000),
		Cause: StoppedFailing, Stopped: 1, FailingSince: 1}}
	b := n.data()
	require.True(t, json.Valid(b))
	require.Less(t, len(b), 2000)
}

// Channels that are notified about others are notified of an entry that was set aside, not too often,
// and whatever the process that sends the notices.
func TestNoticesOfEntriesSetAside(t *testing.T) {
	tool, err := ParseChannels([]byte(`[{"name": "tool", "url": "https://tool.example/", "about_channels": true, "format": "template",
		"template": {"text": "[{data.alert.severity}] {data.alert.say}", "type": "{type}"}}]`))
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		deaf := aboutChannel("deaf", "https://deaf.example/")
		deaf.Types = []string{"alert", "channel"}
		h := newHouse(t, aboutChannel("ops", "https://ops.example/"), deaf, hookChannel("chat", "https://chat.example/"), tool[0])
		defer func() { h.stop() }()
		pass(time.Minute)
		aside := func(site string, seq uint64) {
			require.NoError(t, h.NotifyAside(t.Context(), site, event.SetAside{Seq: seq, At: time.Now().UnixMilli(),
				Reason: "folding entry 7 panicked: poison"}))
			pass(time.Second)
		}
		aside("umberhithe", 7)
		aside("umberhithe", 8)
		aside("harbour", 7)
		got := h.post.letters("ops.example")
		require.Len(t, got, 2)
		d := got[0].data(t)
		require.Equal(t, "umberhithe", d.Site)
		require.EqualValues(t, 7, d.Sequence)
		require.Contains(t, d.Say, "set aside")
		require.Contains(t, d.Say, "panicked: poison")
		require.Contains(t, d.Fix[1], "POST /v1/sites/umberhithe/aside/7/retry")
		require.NotEqual(t, got[0].id, got[1].id)
		require.Empty(t, h.post.letters("deaf.example"))
		require.Empty(t, h.post.letters("chat.example"))
		text := h.post.letters("tool.example")
		require.Len(t, text, 2)
		require.Contains(t, string(text[0].body), `"type":"site.entry_aside"`)
		require.Contains(t, string(text[0].body), `"text":"[warning] In the shop umberhithe`)
		pass(10 * time.Minute)
		aside("umberhithe", 9)
		require.Len(t, h.post.letters("ops.example"), 3)
	})
}
