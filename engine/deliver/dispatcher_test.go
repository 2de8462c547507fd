package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	reference "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
)

// receiver records what reaches it and answers as it is told.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	got    []received
	answer func(n int, id string) int // status of the nth request (from 1)
}

type received struct {
	id   string
	at   time.Time
	head http.Header
	body []byte
}

func newReceiver(t testing.TB, answer func(n int, id string) int) *receiver {
	r := &receiver{answer: answer}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, _ := io.ReadAll(req.Body)
		r.mu.Lock()
		r.got = append(r.got, received{req.Header.Get(HeaderID), time.Now(), req.Header.Clone(), body})
		n := len(r.got)
		r.mu.Unlock()
		if r.answer != nil {
			w.WriteHeader(r.answer(n, req.Header.Get(HeaderID)))
		}
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ids() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var ids []string
	for _, g := range r.got {
		ids = append(ids, g.id)
	}
	return ids
}

func TestDelivers(t *testing.T) {
	recv := newReceiver(t, func(int, string) int { return 204 })
	c := hookChannel("door-team", recv.URL+"/hook?token=x")
	c.Secrets = append(c.Secrets, Secret{Text: otherSecret}, Secret{Text: NewSecret(zeroes{}), NotAfter: time.Now().Add(-time.Hour)})
	c.Headers = map[string]string{"Authorization": "Bearer abc"}
	r := newRig(t, nil, c)
	r.start(t, "umberhithe")
	d := message("door-team", "umberhithe-1-1", 1)
	before := time.Now()
	r.commit("umberhithe", d)
	eventually(t, func() bool { return len(r.settledIDs()) == 1 })

	require.Len(t, recv.got, 1)
	got := recv.got[0]
	require.Equal(t, d.ID, got.id)
	require.Equal(t, "Bearer abc", got.head.Get("Authorization"))
	require.Equal(t, "application/json", got.head.Get("Content-Type"))
	require.Equal(t, "Lintel", got.head.Get("User-Agent"))
	require.NotContains(t, got.head, "Idempotency-Key")
	require.NotContains(t, got.head, "Accept-Encoding")
	require.Len(t, strings.Fields(got.head.Get(HeaderSignature)), 2, "one signature for each live secret")
	for _, s := range []string{testSecret, otherSecret} {
		wh, err := reference.NewWebhook(s)
		require.NoError(t, err)
		require.NoError(t, wh.Verify(got.body, got.head))
	}
	want, _, err := c.Render("umberhithe", &d)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got.body))

	stored := r.store.get(t, "umberhithe", d.ID)
	require.Equal(t, event.DeliveryDelivered, stored.Status)
	require.Equal(t, 1, stored.Attempts)
	require.Equal(t, 204, stored.Code)
	require.Empty(t, stored.Reason)
	require.GreaterOrEqual(t, stored.LastTry, before.UnixMilli())
	stored.Status, stored.Attempts, stored.Code, stored.LastTry, stored.Took = d.Status, d.Attempts, d.Code, d.LastTry, d.Took
	require.Equal(t, d, stored, "what Step wrote is as it was")
	require.Equal(t, 0, r.Stats().Queued)
}

// The schedule in synctest's time: every try has the same id and a timestamp of its own, and then
// the delivery is dead.
func TestScheduleRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var tries []time.Duration
		var ids, stamps []string
		start := time.Now()
		r := newRig(t, nil, hookChannel("tickets", "https://tickets.example/"))
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries = append(tries, time.Since(start))
			ids, stamps = append(ids, req.Header.Get(HeaderID)), append(stamps, req.Header.Get(HeaderTimestamp))
			return answer(503), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		d := message("tickets", "a", 1)
		r.commit("umberhithe", d)
		pass(time.Hour)
		require.Len(t, tries, 4)
		require.Zero(t, r.Stats().Queued, "the next try is so far off that the store alone has it")
		pass(5 * 24 * time.Hour)

		sum, want := time.Duration(0), []time.Duration{}
		for _, delay := range DefaultSchedule().Delays {
			sum += delay
			want = append(want, sum)
		}
		require.Len(t, tries, len(want))
		for i := range want {
			require.InDelta(t, want[i], tries[i], float64(2*time.Second), "try %d", i+1)
			require.Equal(t, d.ID, ids[i])
			require.Equal(t, fmt.Sprint(start.Add(tries[i]).Unix()), stamps[i])
		}
		stored := r.store.get(t, "umberhithe", d.ID)
		require.Equal(t, event.DeliveryDead, stored.Status)
		require.Equal(t, 10, stored.Attempts)
		require.Equal(t, "given up after 10 tries: the receiver answered 503 Service Unavailable", stored.Reason)
		require.Equal(t, []string{d.ID + " dead"}, r.settledIDs())
		require.Zero(t, r.Stats().Queued)
	})
}

func TestRetryAfterPausesTheChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var tries []string
		r := newRig(t, nil, hookChannel("tickets", "https://tickets.example/"))
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries = append(tries, fmt.Sprintf("%v %s", time.Since(start).Round(time.Second), req.Header.Get(HeaderID)))
			if len(tries) == 1 {
				return answer(429, "Retry-After", "30"), nil
			}
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		r.commit("umberhithe", message("tickets", "a", 1))
		synctest.Wait()
		pass(10 * time.Second)
		r.commit("umberhithe", message("tickets", "b", 1))
		pass(time.Minute)
		require.Equal(t, []string{"0s msg_a-1-tickets", "30s msg_b-1-tickets", "30s msg_a-1-tickets"}, tries)
	})
}

// A message of an alert waits while one before it is pending on the same channel; other alerts and
// channels don't wait.
func TestOrderOfAnAlert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var tries []string
		r := newRig(t, nil, hookChannel("tickets", "https://tickets.example/"), hookChannel("door-team", "https://chat.example/"))
		slow := make(chan struct{})
		var failed atomic.Bool
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			id := req.Header.Get(HeaderID)
			mu.Lock()
			tries = append(tries, id)
			mu.Unlock()
			if id == "msg_a-1-tickets" && !failed.Swap(true) {
				<-slow
				return answer(500), nil
			}
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		r.commit("umberhithe", message("tickets", "a", 1), message("door-team", "a", 1))
		r.commit("umberhithe", message("tickets", "a", 2), message("door-team", "a", 2), message("tickets", "b", 1))
		r.commit("umberhithe", message("tickets", "a", 3))
		synctest.Wait()
		mu.Lock()
		require.ElementsMatch(t, []string{"msg_a-1-tickets", "msg_a-1-door-team", "msg_a-2-door-team", "msg_b-1-tickets"}, tries)
		tries = nil
		mu.Unlock()
		close(slow)
		synctest.Wait()
		mu.Lock()
		require.Empty(t, tries, "the first failed and is tried again, and until then the others wait")
		mu.Unlock()
		pass(time.Minute)
		require.Equal(t, []string{"msg_a-1-tickets", "msg_a-2-tickets", "msg_a-3-tickets"}, tries)
		require.Empty(t, r.sites["umberhithe"].gates)
	})
}

// A message that is offered late, while a later one of its alert still waits for its channel, goes
// first.
func TestOrderOfLateOffer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("tickets", "https://tickets.example/")
		c.MaxInFlight = 1
		r := newRig(t, nil, c)
		var tries tape
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries.add(req.Header.Get(HeaderID))
			time.Sleep(time.Second)
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		r.commit("umberhithe", message("tickets", "z", 1))
		r.commit("umberhithe", message("tickets", "a", 2))
		r.commit("umberhithe", message("tickets", "a", 1))
		pass(time.Minute)
		require.Equal(t, []string{"msg_z-1-tickets", "msg_a-1-tickets", "msg_a-2-tickets"}, tries.all())
	})
}

// What another process settled or put off, or somebody deleted, between two tries is seen before
// the second.
func TestRetryReadsTheRecordAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("tickets", "https://tickets.example/"))
		var tries tape
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries.add(req.Header.Get(HeaderID))
			return answer(500), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		delivered, deleted, later := message("tickets", "a", 1), message("tickets", "b", 1), message("tickets", "c", 1)
		r.commit("umberhithe", delivered, deleted, later)
		synctest.Wait()
		require.Len(t, tries.all(), 3)
		delivered.Status, delivered.Attempts = event.DeliveryDelivered, 2
		later.Attempts, later.NextTry = 2, time.Now().Add(10*time.Minute).UnixMilli()
		r.store.put("umberhithe", delivered, later)
		require.NoError(t, r.store.Commit(t.Context(), "umberhithe",
			store.Commit{Loose: true, Deletes: []store.RecordKey{{Kind: event.KindDelivery, Key: deleted.ID}}}))
		pass(9 * time.Minute)
		require.Len(t, tries.all(), 3)
		pass(2 * time.Minute)
		require.Equal(t, later.ID, tries.all()[3])
		require.Equal(t, delivered, r.store.get(t, "umberhithe", delivered.ID))
		require.NotContains(t, r.store.ids("umberhithe"), deleted.ID)
	})
}

// After a restart the order of first tries is that of the alert, whatever order the store lists.
func TestResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var tries tape
		c := hookChannel("tickets", "https://tickets.example/")
		c.MaxInFlight = 1
		// A success brings forward what waits for its channel, so these have channels of their own.
		r := newRig(t, nil, c, hookChannel("chat", "https://chat.example/"), hookChannel("pager", "https://pager.example/"))
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries.add(req.Header.Get(HeaderID))
			return answer(200), nil
		})
		start := time.Now()
		delivered, dead, waiting := message("tickets", "z", 1), message("tickets", "z", 2), message("chat", "z", 3)
		delivered.Status, dead.Status = event.DeliveryDelivered, event.DeliveryDead
		delivered.LastTry, dead.LastTry = start.UnixMilli(), start.UnixMilli()
		waiting.Attempts, waiting.NextTry = 2, start.Add(20*time.Minute).UnixMilli()
		far := message("pager", "z", 4)
		far.Attempts, far.NextTry = 4, start.Add(5*time.Hour).UnixMilli()
		r.store.put("umberhithe", delivered, dead, waiting, far)
		for i := range 20 {
			d := message("tickets", "a", i+1)
			d.At += int64(i)
			r.store.put("umberhithe", d)
		}
		r.store.put("harbour", message("tickets", "other-site", 1))
		stop := r.start(t, "umberhithe")
		defer stop()
		synctest.Wait()
		var want []string
		for i := range 20 {
			want = append(want, fmt.Sprintf("msg_a-%d-tickets", i+1))
		}
		require.Equal(t, want, tries.all())
		pass(19 * time.Minute)
		require.Len(t, tries.all(), 20)
		pass(2 * time.Minute)
		require.Equal(t, waiting.ID, tries.all()[20])
		pass(5*time.Hour - 22*time.Minute)
		require.Len(t, tries.all(), 21)
		pass(5 * time.Minute)
		require.Equal(t, far.ID, tries.all()[21])
		require.Equal(t, event.DeliveryPending, r.store.get(t, "harbour", "msg_other-site-1-tickets").Status, "not ours")
	})
}

// A delivery whose success is stored is never sent again, even if it is offered or found again; one
// whose success could not be stored is, with the same id.
func TestNeverAgainAfterSuccessIsStored(t *testing.T) {
	recv := newReceiver(t, nil)
	mem := newBrittle()
	use := func(o *Options) { o.Store, o.StopWithin = mem, 100*time.Millisecond }
	c := hookChannel("tickets", recv.URL)
	d := message("tickets", "a", 1)
	mem.put("umberhithe", d)
	mem.fail = func() error { return errBroken }
	r := newRig(t, use, c)
	stop := r.start(t, "umberhithe")
	eventually(t, func() bool { return len(recv.ids()) == 1 })
	eventually(t, func() bool { return strings.Contains(r.logged(), "can't be stored") })
	stop()
	require.Equal(t, event.DeliveryPending, mem.get(t, "umberhithe", d.ID).Status)

	mem.mu.Lock()
	mem.fail = nil
	mem.mu.Unlock()
	r = newRig(t, use, c)
	stop = r.start(t, "umberhithe")
	eventually(t, func() bool { return len(r.settledIDs()) == 1 })
	require.Equal(t, []string{d.ID, d.ID}, recv.ids())
	require.NoError(t, r.Resume(t.Context(), "umberhithe"))
	r.Forget("umberhithe")
	require.NoError(t, r.Resume(t.Context(), "umberhithe"))
	stop()
	r = newRig(t, use, c)
	r.start(t, "umberhithe")
	time.Sleep(20 * time.Millisecond)
	require.Equal(t, []string{d.ID, d.ID}, recv.ids())
}

// While the store takes no outcomes, no more is sent for the site than was under way, and all goes
// on when it does again.
func TestStoreFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var sent, broken atomic.Int32
		c := hookChannel("tickets", "https://tickets.example/")
		c.MaxInFlight = 4
		r := newRig(t, nil, c)
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			sent.Add(1)
			time.Sleep(time.Millisecond)
			return answer(200), nil
		})
		broken.Store(1)
		r.store.fail = func() error {
			if broken.Load() == 1 {
				return errBroken
			}
			return nil
		}
		stop := r.start(t, "umberhithe", "harbour")
		defer stop()
		var ds []event.Delivery
		for i := range 100 {
			ds = append(ds, message("tickets", fmt.Sprint(i), 1))
		}
		r.commit("umberhithe", ds...)
		pass(time.Hour)
		require.LessOrEqual(t, sent.Load(), int32(8))
		broken.Store(0)
		pass(time.Minute)
		require.EqualValues(t, 100, sent.Load())
		require.Len(t, r.settledIDs(), 100)
		for _, d := range ds {
			require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", d.ID).Status)
		}
	})
}

// A channel that hangs holds up nobody else, even when there are fewer workers than it could use.
func TestSlowChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, quick := hookChannel("slow", "https://slow.example/"), hookChannel("quick", "https://quick.example/")
		slow.MaxInFlight = 64
		r := newRig(t, func(o *Options) { o.Workers = 4 }, slow, quick)
		var got atomic.Int32
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			if req.URL.Host == "slow.example" {
				<-req.Context().Done()
				return nil, req.Context().Err()
			}
			got.Add(1)
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		for i := range 100 {
			r.commit("umberhithe", message("slow", fmt.Sprint(i), 1))
		}
		synctest.Wait()
		require.Equal(t, 4, r.Stats().InFlight)
		for i := range 100 {
			r.commit("umberhithe", message("quick", fmt.Sprint(i), 1))
		}
		synctest.Wait()
		require.EqualValues(t, 100, got.Load(), "without any time passing")
		pass(DefaultTimeout)
		synctest.Wait()
		require.Equal(t, 1, r.Stats().Channels["slow"].Limit, "a receiver in trouble is asked by one try at a time")
		require.Contains(t, r.logged(), "no answer within 15s")
		stop()
	})
}

func TestMaxInFlightAndRecovery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("tickets", "https://tickets.example/")
		c.MaxInFlight = 3
		r := newRig(t, nil, c)
		var now, most atomic.Int32
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			n := now.Add(1)
			most.Store(max(n, most.Load()))
			time.Sleep(10 * time.Millisecond)
			now.Add(-1)
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		for i := range 50 {
			r.commit("umberhithe", message("tickets", fmt.Sprint(i), 1))
		}
		pass(time.Second)
		require.EqualValues(t, 3, most.Load())
		require.Len(t, r.settledIDs(), 50)
	})
}

func TestPerSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		c.PerSecond = 2
		var waited atomic.Int32
		r := newRig(t, func(o *Options) { o.Observe.Waited = func(string) { waited.Add(1) } }, c)
		start := time.Now()
		var at []time.Duration
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			at = append(at, time.Since(start).Round(time.Millisecond))
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		for i := range 5 {
			r.commit("umberhithe", message("chat", fmt.Sprint(i), 1))
		}
		pass(time.Minute)
		require.Equal(t, []time.Duration{0, 500 * time.Millisecond, time.Second, 1500 * time.Millisecond, 2 * time.Second}, at)
		require.EqualValues(t, 4, waited.Load())
		require.EqualValues(t, 4, r.Stats().Channels["chat"].Waited)
	})
}

// 410 kills the delivery and stops the channel: the next messages wait without being sent, until a
// test succeeds.
func TestGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		r := newRig(t, nil, c)
		code, sent := http.StatusGone, 0
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			sent++
			return answer(code), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		r.commit("umberhithe", message("chat", "a", 1))
		synctest.Wait()
		require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", "msg_a-1-chat").Status)
		require.Equal(t, "the receiver answered 410 Gone", r.store.get(t, "umberhithe", "msg_a-1-chat").Reason)
		require.Equal(t, []string{"chat stopped_gone"}, r.happened())
		require.True(t, r.Stats().Channels["chat"].Stopped)

		r.commit("umberhithe", message("chat", "b", 1))
		pass(time.Minute)
		require.Equal(t, 1, sent)
		b := r.store.get(t, "umberhithe", "msg_b-1-chat")
		require.Equal(t, event.DeliveryPending, b.Status)
		require.Equal(t, 2, b.Attempts)
		require.Contains(t, b.Reason, "because the receiver answered 410 Gone")

		code = 200
		out, err := r.Test(t.Context(), c)
		require.NoError(t, err)
		require.True(t, out.OK())
		pass(10 * time.Minute)
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", "msg_b-1-chat").Status)
		require.Equal(t, 3, sent)
	})
}

func TestUnknownAndDisabledChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		off := hookChannel("off", "https://chat.example/")
		off.Disabled = true
		r := newRig(t, nil, off)
		sent := 0
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			sent++
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		r.commit("umberhithe", message("nowhere", "a", 1), message("off", "a", 1), message("later", "a", 1))
		synctest.Wait()
		require.Equal(t, `not sent: there is no channel "nowhere"`, r.store.get(t, "umberhithe", "msg_a-1-nowhere").Reason)
		require.Equal(t, "not sent: the channel is disabled", r.store.get(t, "umberhithe", "msg_a-1-off").Reason)
		require.Equal(t, event.DeliveryPending, r.store.get(t, "umberhithe", "msg_a-1-off").Status)
		r.setChannel(hookChannel("later", "https://chat.example/"))
		pass(time.Minute)
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", "msg_a-1-later").Status)
		pass(5 * 24 * time.Hour)
		require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", "msg_a-1-nowhere").Status)
		require.Equal(t, `given up after 10 tries: not sent: there is no channel "nowhere"`,
			r.store.get(t, "umberhithe", "msg_a-1-nowhere").Reason)
		require.Equal(t, 1, sent)
	})
}

func TestTypesAreFiltered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		c.Types = []string{"alert.opened"}
		r := newRig(t, nil, c)
		sent := 0
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			sent++
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		cleared := message("chat", "a", 2)
		cleared.Type = "alert.cleared"
		r.commit("umberhithe", message("chat", "a", 1), cleared)
		synctest.Wait()
		require.Equal(t, 1, sent)
		require.Equal(t, []string{"msg_a-1-chat"}, r.store.ids("umberhithe"), "what was left out is not kept as delivered")
		require.Equal(t, []string{"msg_a-1-chat delivered"}, r.settledIDs())
		require.EqualValues(t, 1, r.Stats().Channels["chat"].LeftOut)
		require.Zero(t, r.Stats().Queued)

		// What comes after it in its alert goes on.
		again := message("chat", "a", 3)
		r.commit("umberhithe", again)
		synctest.Wait()
		require.Equal(t, 2, sent)

		// While the store takes nothing it stays pending, so nothing is lost if the channel wants
		// it after a restart.
		r.store.mu.Lock()
		r.store.fail = func() error { return errBroken }
		r.store.mu.Unlock()
		later := message("chat", "a", 4)
		later.Type = "alert.cleared"
		r.commit("umberhithe", later)
		pass(time.Minute)
		require.Equal(t, event.DeliveryPending, r.store.get(t, "umberhithe", later.ID).Status)
		r.store.mu.Lock()
		r.store.fail = nil
		r.store.mu.Unlock()
		pass(time.Minute)
		require.Equal(t, []string{"msg_a-1-chat", "msg_a-3-chat"}, r.store.ids("umberhithe"))
	})
}

func TestRetryByHand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		var code atomic.Int32
		code.Store(200)
		var ids tape
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			ids.add(req.Header.Get(HeaderID))
			return answer(int(code.Load())), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		d := message("chat", "a", 1)
		r.commit("umberhithe", d)
		synctest.Wait()

		_, err := r.Retry(t.Context(), "umberhithe", "msg_nothing")
		require.ErrorIs(t, err, store.ErrNotFound)

		// Of a delivered one, with success and without.
		out, err := r.Retry(t.Context(), "umberhithe", d.ID)
		require.NoError(t, err)
		require.True(t, out.OK())
		require.Equal(t, 2, r.store.get(t, "umberhithe", d.ID).Attempts)
		code.Store(500)
		out, err = r.Retry(t.Context(), "umberhithe", d.ID)
		require.NoError(t, err)
		require.Equal(t, 500, out.Code)
		stored := r.store.get(t, "umberhithe", d.ID)
		require.Equal(t, event.DeliveryDelivered, stored.Status)
		require.Equal(t, "sent again by hand: the receiver answered 500 Internal Server Error", stored.Reason)
		require.Equal(t, []string{d.ID, d.ID, d.ID}, ids.all())

		// Of a dead one: it stays dead until it succeeds.
		dead := message("chat", "b", 1)
		dead.Status, dead.Attempts = event.DeliveryDead, 10
		r.store.put("umberhithe", dead)
		_, err = r.Retry(t.Context(), "umberhithe", dead.ID)
		require.NoError(t, err)
		pass(time.Hour)
		require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", dead.ID).Status)
		require.Equal(t, 11, r.store.get(t, "umberhithe", dead.ID).Attempts)
		code.Store(204)
		_, err = r.Retry(t.Context(), "umberhithe", dead.ID)
		require.NoError(t, err)
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", dead.ID).Status)

		// Of a pending one that waits: it goes on by the schedule.
		code.Store(500)
		waiting := message("chat", "c", 1)
		r.commit("umberhithe", waiting)
		synctest.Wait()
		start := time.Now()
		_, err = r.Retry(t.Context(), "umberhithe", waiting.ID)
		require.NoError(t, err)
		require.Zero(t, time.Since(start))
		stored = r.store.get(t, "umberhithe", waiting.ID)
		require.Equal(t, 2, stored.Attempts)
		require.Equal(t, start.Add(5*time.Minute).UnixMilli(), stored.NextTry)
		code.Store(200)
		pass(6 * time.Minute)
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", waiting.ID).Status)

		// Of a site that another process has: what it wrote meanwhile stays.
		r.store.put("harbour", message("chat", "d", 1))
		out, err = r.Retry(t.Context(), "harbour", "msg_d-1-chat")
		require.NoError(t, err)
		require.True(t, out.OK())
		synctest.Wait()
		require.NotContains(t, r.sites, "harbour")

		// Through a disabled channel: nothing happens, and nothing is written.
		r.setChannel(Channel{Name: "chat", Disabled: true})
		before := r.store.get(t, "umberhithe", d.ID)
		out, err = r.Retry(t.Context(), "umberhithe", d.ID)
		require.NoError(t, err)
		require.Equal(t, "not sent: the channel is disabled", out.Reason)
		require.Equal(t, before, r.store.get(t, "umberhithe", d.ID))
		synctest.Wait()
		require.Zero(t, r.Stats().Queued)

		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err = r.Retry(ctx, "umberhithe", d.ID)
		require.ErrorIs(t, err, context.Canceled)
	})
}

// Another process that has the site now, and stored a success, is not overruled by a late failure
// of ours.
func TestForget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, func(o *Options) { o.AboutChannels = nil }, hookChannel("chat", "https://chat.example/"))
		code, release := 500, make(chan struct{})
		r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
			<-release
			return answer(code), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		a, b := message("chat", "a", 1), message("chat", "a", 2)
		r.commit("umberhithe", a, b)
		synctest.Wait()
		r.Forget("umberhithe")
		r.Offer("umberhithe", []event.Delivery{message("chat", "c", 1)})
		require.Equal(t, 1, r.Stats().Queued, "only what is under way")
		theirs := a
		theirs.Status, theirs.Attempts = event.DeliveryDelivered, 1
		r.store.put("umberhithe", theirs)
		close(release)
		pass(time.Hour)
		require.Equal(t, theirs, r.store.get(t, "umberhithe", a.ID))
		require.Zero(t, r.store.get(t, "umberhithe", b.ID).Attempts)
		require.Empty(t, r.sites)

		// Success is stored even so.
		code = 200
		require.NoError(t, r.Resume(t.Context(), "umberhithe"))
		r.Forget("umberhithe")
		pass(time.Second)
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", b.ID).Status)
	})
}

// A lease that is lost while the site is being loaded, and deliveries that are made meanwhile.
func TestForgetAndOfferWhileResuming(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var tries tape
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			tries.add(req.Header.Get(HeaderID))
			return answer(200), nil
		})
		stop := r.start(t)
		defer stop()
		first, second := message("chat", "a", 1), message("chat", "a", 2)
		r.store.put("umberhithe", first)
		resume := func(meanwhile func()) error {
			r.store.hold = make(chan struct{})
			done := make(chan error, 1)
			go func() { done <- r.Resume(context.Background(), "umberhithe") }()
			synctest.Wait()
			meanwhile()
			close(r.store.hold)
			return <-done
		}
		require.ErrorIs(t, resume(func() { r.Forget("umberhithe") }), ErrStopped)
		synctest.Wait()
		require.Empty(t, tries.all())
		require.Empty(t, r.sites)

		require.NoError(t, resume(func() {
			r.commit("umberhithe", second)
		}))
		synctest.Wait()
		require.Equal(t, []string{first.ID, second.ID}, tries.all())
		r.Offer("umberhithe", []event.Delivery{second})
		synctest.Wait()
		require.Len(t, tries.all(), 2, "found by the scan, done, and then offered")
	})
}

// What finds no room in memory is sent later, in order, and nothing is lost.
func TestMemoryBounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		c.MaxInFlight = 1
		r := newRig(t, func(o *Options) { o.PerChannel, o.DataBytes = 10, 3000 }, c)
		var got []string
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			got = append(got, req.Header.Get(HeaderID))
			time.Sleep(100 * time.Millisecond)
			return answer(200), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		var want []string
		for i := range 100 {
			d := message("chat", "a", i+1)
			d.At += int64(i)
			want = append(want, d.ID)
			r.commit("umberhithe", d)
		}
		require.LessOrEqual(t, r.Stats().Queued, 10)
		require.LessOrEqual(t, r.data, 3000)
		require.True(t, r.Stats().Channels["chat"].Left)
		pass(10 * time.Minute)
		require.Equal(t, want, got)
		require.Zero(t, r.data)
		require.False(t, r.Stats().Channels["chat"].Left)
	})
}

// Retries in great number leave room for new messages and come when they are due.
func TestManyRetries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, func(o *Options) { o.PerChannel = 20 }, hookChannel("chat", "https://chat.example/"))
		code := 500
		got := map[string]int{}
		var mu sync.Mutex
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			mu.Lock()
			defer mu.Unlock()
			got[req.Header.Get(HeaderID)]++
			return answer(code), nil
		})
		stop := r.start(t, "umberhithe")
		defer stop()
		for i := range 200 {
			r.commit("umberhithe", message("chat", fmt.Sprint(i), 1))
			time.Sleep(10 * time.Millisecond)
		}
		synctest.Wait()
		mu.Lock()
		code = 200
		mu.Unlock()
		fresh := message("chat", "fresh", 1)
		r.commit("umberhithe", fresh)
		synctest.Wait()
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", fresh.ID).Status)
		pass(time.Hour)
		for i := range 200 {
			require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", fmt.Sprintf("msg_%d-1-chat", i)).Status)
		}
	})
}

func TestOldOnesAreDeleted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		put := func(alert string, status event.DeliveryStatus, age time.Duration) {
			d := message("chat", alert, 1)
			d.Status, d.Attempts, d.At, d.LastTry = status, 1, 0, time.Now().Add(-age).UnixMilli()
			d.NextTry = time.Now().Add(365 * 24 * time.Hour).UnixMilli()
			r.store.put("umberhithe", d)
		}
		day := 24 * time.Hour
		for i := range 1200 {
			put(fmt.Sprint("old", i), event.DeliveryDelivered, 8*day)
		}
		put("young", event.DeliveryDelivered, 6*day)
		put("dead", event.DeliveryDead, 80*day)
		put("long-dead", event.DeliveryDead, 91*day)
		put("pending", event.DeliveryPending, 100*day)
		put("recent", event.DeliveryDelivered, 0)
		stop := r.start(t, "umberhithe")
		defer stop()
		pass(31 * time.Minute)
		require.Equal(t, []string{"msg_dead-1-chat", "msg_pending-1-chat", "msg_recent-1-chat", "msg_young-1-chat"}, r.store.ids("umberhithe"))
		require.Equal(t, 3, r.store.commitCount(), "not all in one commit")
		pass(2 * day)
		require.Equal(t, []string{"msg_dead-1-chat", "msg_pending-1-chat", "msg_recent-1-chat"}, r.store.ids("umberhithe"))
	})
}

// A process that starts with a clock that is far ahead of all that is on record deletes the history of
// a day an hour, until its clock is set or proves right.
func TestAClockThatIsAheadDeletesLittle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		for i, age := range []time.Duration{30, 35, 38} {
			d := message("chat", fmt.Sprint(i), 1)
			d.Status, d.Attempts, d.At, d.LastTry = event.DeliveryDelivered, 1, 0, time.Now().Add(-age*24*time.Hour).UnixMilli()
			r.store.put("umberhithe", d)
		}
		defer r.start(t, "umberhithe")()
		pass(31 * time.Minute)
		require.Equal(t, []string{"msg_0-1-chat", "msg_1-1-chat"}, r.store.ids("umberhithe"), "the newest is a day younger than the oldest may be")
		pass(31 * time.Minute)
		require.Len(t, r.store.ids("umberhithe"), 2)
		pass(30 * time.Hour)
		require.Empty(t, r.store.ids("umberhithe"))
	})
}

// A stop lets tries end and stores their outcomes; what takes too long is cut off and stays
// pending.
func TestGracefulStop(t *testing.T) {
	for _, c := range []struct {
		takes  time.Duration
		status event.DeliveryStatus
		after  time.Duration
	}{{time.Second, event.DeliveryDelivered, time.Second}, {14 * time.Second, event.DeliveryPending, 5 * time.Second}} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, func(o *Options) { o.StopWithin = 5 * time.Second }, hookChannel("chat", "https://chat.example/"))
			r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
				select {
				case <-time.After(c.takes):
					return answer(200), nil
				case <-req.Context().Done():
					return nil, req.Context().Err()
				}
			})
			stop := r.start(t, "umberhithe")
			d := message("chat", "a", 1)
			r.commit("umberhithe", d, message("chat", "a", 2))
			synctest.Wait()
			start := time.Now()
			stop()
			require.Equal(t, c.after, time.Since(start))
			require.Equal(t, c.status, r.store.get(t, "umberhithe", d.ID).Status)
			require.Zero(t, r.store.get(t, "umberhithe", "msg_a-2-chat").Attempts, "nothing new is started")
			require.ErrorIs(t, r.Resume(t.Context(), "umberhithe"), ErrStopped)
			_, err := r.Retry(t.Context(), "umberhithe", d.ID)
			require.ErrorIs(t, err, ErrStopped)
			_, err = r.Test(t.Context(), hookChannel("chat", "https://chat.example/"))
			require.ErrorIs(t, err, ErrStopped)
			r.Offer("umberhithe", []event.Delivery{d})
		})
	}
}

func TestTestIsLikeADelivery(t *testing.T) {
	recv := newReceiver(t, func(n int, _ string) int { return []int{204, 404}[n-1] })
	r := newRig(t, nil)
	defer r.client.CloseIdleConnections()
	c := hookChannel("tickets", recv.URL)
	c.Disabled = true
	out, err := r.Test(t.Context(), c)
	require.NoError(t, err)
	require.Regexp(t, `^delivered in \d+\.\d ms: the receiver answered 204 No Content$`, out.String())
	require.NoError(t, Verify([]string{testSecret}, recv.got[0].head, recv.got[0].body, time.Now(), 0))
	var body struct {
		Data struct{ Test bool }
	}
	require.NoError(t, json.Unmarshal(recv.got[0].body, &body))
	require.True(t, body.Data.Test)
	out, err = r.Test(t.Context(), c)
	require.NoError(t, err)
	require.Equal(t, "not delivered: the receiver answered 404 Not Found", out.String())
	require.NotEqual(t, recv.got[0].id, recv.got[1].id)

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = r.Test(ctx, c)
	require.ErrorIs(t, err, context.Canceled)
}

func TestNewRefuses(t *testing.T) {
	_, err := New(Options{})
	require.EqualError(t, err, "deliver: Options.Store is missing")
	_, err = New(Options{Store: newBrittle()})
	require.EqualError(t, err, "deliver: Options.Channels is missing")
	none := func(string) (Channel, bool) { return Channel{}, false }
	_, err = New(Options{Store: newBrittle(), Channels: none})
	require.ErrorContains(t, err, "Options.Guard is missing")
	_, err = New(Options{Store: newBrittle(), Channels: none, Guard: NewGuard(nil), Schedule: Schedule{Delays: []time.Duration{-1}}})
	require.ErrorContains(t, err, "delay 1 is -1ns: allowed are 0 to")
}

// Everything at once over the embedded store: failures, restarts at any moment, two sites, a
// receiver that is often down. In the end each message has arrived, each alert's messages came in
// order, and no message came again after its success was stored.
func TestCrashesLoseNothing(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	bolt, err := boltstore.Open(filepath.Join(t.TempDir(), "data"), boltstore.Options{})
	require.NoError(t, err)
	defer bolt.Close()
	var lock sync.Mutex
	down := false
	stored := map[string]bool{} // ids whose success is stored
	var problems []string
	got := map[string]int{}
	reached := map[string]int{} // by alert: the last order that was taken
	recv := newReceiver(t, func(_ int, id string) int {
		lock.Lock()
		defer lock.Unlock()
		got[id]++
		if stored[id] {
			problems = append(problems, id+" came again after its success was stored")
		}
		if down {
			return 500
		}
		var site string
		var alert, order int
		if _, err := fmt.Sscanf(strings.ReplaceAll(id, "-", " "), "msg_%s %d %d chat", &site, &alert, &order); err != nil {
			problems = append(problems, err.Error())
		}
		key := fmt.Sprint(site, alert)
		if order > reached[key]+1 {
			problems = append(problems, fmt.Sprintf("%s came before number %d of its alert", id, reached[key]+1))
		}
		reached[key] = max(reached[key], order)
		return 200
	})
	c := hookChannel("chat", recv.URL)
	next := 0
	sites := []string{"umberhithe", "harbour"}
	all := map[string]bool{}
	for round := range 12 {
		lock.Lock()
		down = round%3 == 1
		lock.Unlock()
		r := newRig(t, func(o *Options) {
			o.Store, o.StopWithin, o.PerChannel = bolt, time.Nanosecond, 50
			o.Schedule = Schedule{Delays: []time.Duration{0, time.Second, time.Second, time.Second}}
			o.Schedule.Delays = append(o.Schedule.Delays, slices.Repeat([]time.Duration{time.Second}, 20)...)
			o.Rand = func() float64 { return 0.2 } // a slow machine must not use up all tries while the receiver is down
			o.Observe.Settled = func(_ string, d event.Delivery) {
				lock.Lock()
				defer lock.Unlock()
				stored[d.ID] = d.Status == event.DeliveryDelivered
			}
		}, c)
		stop := r.start(t, sites...)
		for range 20 {
			site := sites[random.IntN(2)]
			var ds []event.Delivery
			for i := range 1 + random.IntN(10) {
				d := message("chat", fmt.Sprintf("%s-%d", site, next), i+1)
				ds = append(ds, d)
				all[d.ID] = true
			}
			next++
			writes := []store.Record{}
			for i := range ds {
				writes = append(writes, store.Record{Kind: event.KindDelivery, Key: ds[i].ID, Value: event.AppendDelivery(nil, &ds[i])})
			}
			require.NoError(t, bolt.Commit(t.Context(), site, store.Commit{Loose: true, Writes: writes}))
			r.Offer(site, ds)
		}
		time.Sleep(time.Duration(random.IntN(20)) * time.Millisecond)
		stop() // without patience: tries are cut off in the middle
	}
	lock.Lock()
	down = false
	lock.Unlock()
	r := newRig(t, func(o *Options) { o.Store = bolt }, c)
	r.start(t, sites...)
	pending := func() int {
		n := 0
		for _, s := range sites {
			require.NoError(t, r.records(t.Context(), s, nil, func(d *event.Delivery) {
				if d.Status != event.DeliveryDelivered {
					n++
				}
			}))
		}
		return n
	}
	require.Eventually(t, func() bool { return pending() == 0 }, time.Minute, 50*time.Millisecond)
	lock.Lock()
	defer lock.Unlock()
	require.Empty(t, problems)
	for id := range all {
		require.Positive(t, got[id], id)
	}
	require.Len(t, got, len(all))
}
