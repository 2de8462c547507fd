package deliver

import (
	"fmt"
	"net/http"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// took is what a receiver took, by id and in order; what it refused is not in it.
func took(r *rig, code func(id string) int) *tape {
	var got tape
	r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
		id := req.Header.Get(HeaderID)
		c := code(id)
		if c < 300 {
			got.add(id)
		}
		return answer(c), nil
	})
	return &got
}

// However long the first message of an alert fails, what follows arrives after it: while it is in
// memory, while it is in the store only, and after a restart.
func TestLaterMessagesWaitForAFailingOne(t *testing.T) {
	for _, restart := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			mem := newBrittle()
			use := func(o *Options) { o.Store = mem }
			var down atomic.Bool
			down.Store(true)
			code := func(id string) int {
				if down.Load() && id == "msg_a-1-pager" {
					return 503
				}
				return 200
			}
			r := newRig(t, use, hookChannel("pager", "https://pager.example/"))
			r.store = mem
			got := took(r, code)
			stop := r.start(t, "umberhithe")
			r.commit("umberhithe", message("pager", "a", 1), message("pager", "a", 2))
			pass(4 * time.Hour)
			require.Empty(t, r.sites["umberhithe"].entries, "the next try is so far off that the store alone has it")
			if restart {
				stop()
				r = newRig(t, use, hookChannel("pager", "https://pager.example/"))
				r.store = mem
				got = took(r, code)
				stop = r.start(t, "umberhithe")
			}
			defer stop()
			r.commit("umberhithe", message("pager", "a", 3))
			pass(time.Minute)
			require.Empty(t, got.all())
			out, err := r.Retry(t.Context(), "umberhithe", "msg_a-2-pager")
			require.NoError(t, err)
			require.Contains(t, out.Reason, "not sent: it waits for number 1, an earlier message of its alert")
			down.Store(false)
			pass(5 * time.Hour)
			require.Equal(t, []string{"msg_a-1-pager", "msg_a-2-pager", "msg_a-3-pager"}, got.all())
			require.Empty(t, r.sites["umberhithe"].entries)
		})
	}
}

// What is given up holds nothing up any more.
func TestMessagesGoOnAfterADeadOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, func(o *Options) {
			o.Schedule = Schedule{Delays: []time.Duration{0, time.Minute, time.Hour}}
		}, hookChannel("pager", "https://pager.example/"))
		got := took(r, func(id string) int {
			if id == "msg_a-1-pager" {
				return 400
			}
			return 200
		})
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("pager", "a", 1), message("pager", "a", 2))
		pass(time.Hour)
		require.Empty(t, got.all())
		pass(time.Hour)
		require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", "msg_a-1-pager").Status)
		require.Equal(t, []string{"msg_a-2-pager"}, got.all())
	})
}

// A message sent again by hand lets those that wait for it go, wherever they wait.
func TestRetryByHandLetsTheNextOnesGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("pager", "https://pager.example/"))
		var down atomic.Bool
		down.Store(true)
		got := took(r, func(string) int {
			if down.Load() {
				return 500
			}
			return 200
		})
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("pager", "a", 1), message("pager", "a", 2))
		pass(4 * time.Hour)
		down.Store(false)
		out, err := r.Retry(t.Context(), "umberhithe", "msg_a-1-pager")
		require.NoError(t, err)
		require.True(t, out.OK())
		pass(10 * time.Second)
		require.Equal(t, []string{"msg_a-1-pager", "msg_a-2-pager"}, got.all())
	})
}

// When a receiver is back, what waits for it does not wait for its own time, which may be a day
// off: the oldest goes first, and no faster than the receiver takes it.
func TestWaitingMessagesAreBroughtForward(t *testing.T) {
	for _, wake := range []string{"a fresh message", "a test", "a start", "a recovery", "the channels changed"} {
		for _, outage := range []time.Duration{time.Minute, 9 * time.Hour} {
			synctest.Test(t, func(t *testing.T) {
				c := hookChannel("chat", "https://chat.example/")
				c.MaxInFlight = 1 // so that their order shows
				r := newRig(t, nil, c)
				var down atomic.Bool
				down.Store(true)
				got := took(r, func(string) int {
					if down.Load() {
						return 503
					}
					return 200
				})
				defer r.start(t, "umberhithe")()
				var want []string
				for i := range 50 {
					m := message("chat", fmt.Sprintf("%02d", i), 1)
					m.At += int64(i)
					r.commit("umberhithe", m)
					want = append(want, m.ID)
				}
				pass(outage)
				require.Empty(t, got.all())
				down.Store(false)
				switch wake {
				case "a fresh message":
					r.commit("umberhithe", message("chat", "fresh", 1))
				case "a test":
					out, err := r.Test(t.Context(), c)
					require.NoError(t, err)
					require.True(t, out.OK())
				case "a start":
					_, err := r.StartChannel(t.Context(), "chat")
					require.NoError(t, err)
				case "a recovery":
					_, err := r.Recover(t.Context(), []string{"umberhithe"}, "chat", time.Time{}, time.Now())
					require.NoError(t, err)
				case "the channels changed":
					r.ChannelsChanged()
				}
				pass(10 * time.Second)
				all := slices.DeleteFunc(got.all(), func(id string) bool { return !slices.Contains(want, id) })
				require.Equal(t, want, all, "%s after %v", wake, outage)
			})
		}
	}
}

// A message that its receiver can't take is not tried more often because others get through, and a
// try before its time does not use up one of its tries.
func TestBroughtForwardOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		tries := 0
		took(r, func(id string) int {
			if id == "msg_bad-1-chat" {
				tries++
				return 500
			}
			return 200
		})
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("chat", "bad", 1))
		for i := range 2000 {
			r.commit("umberhithe", message("chat", fmt.Sprint(i), 1))
			pass(time.Minute)
		}
		require.LessOrEqual(t, tries, 16)
		stored := r.store.get(t, "umberhithe", "msg_bad-1-chat")
		require.Equal(t, event.DeliveryPending, stored.Status)
		require.Equal(t, 8, stored.Attempts, "the schedule's own")
	})
}

// A channel that is made while messages for it wait gets them at once, and they have used up
// nothing.
func TestMessagesForANewChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil)
		got := took(r, func(string) int { return 200 })
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("new", "a", 1))
		pass(20 * time.Minute)
		stored := r.store.get(t, "umberhithe", "msg_a-1-new")
		require.Equal(t, `not sent: there is no channel "new"`, stored.Reason)
		require.Zero(t, stored.Attempts)
		r.setChannel(hookChannel("new", "https://chat.example/"))
		r.ChannelsChanged()
		synctest.Wait()
		require.Equal(t, []string{"msg_a-1-new"}, got.all())
		require.Equal(t, 1, r.store.get(t, "umberhithe", "msg_a-1-new").Attempts)
	})
}

// Of a channel with more alerts that wait than are remembered, nothing passes an earlier message: what is
// not the first of its alert, or was tried, waits until there are fewer.
func TestMoreAlertsWaitThanAreRemembered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"), hookChannel("ops", "https://ops.example/"))
		later := time.Now().Add(24 * time.Hour).UnixMilli()
		const alerts = maxParked + 50
		batch := make([]event.Delivery, 0, alerts)
		for i := range alerts {
			d := message("chat", fmt.Sprint(i), 1)
			d.Attempts, d.NextTry = 1, later
			batch = append(batch, d)
		}
		second := func(channel string, alert int) event.Delivery { return message(channel, fmt.Sprint(alert), 2) }
		batch = append(batch, second("chat", 7), second("chat", alerts-1), message("chat", "fresh", 1), second("ops", 7))
		r.store.put("umberhithe", batch...)
		found, err := r.scan(t.Context(), "umberhithe", nil)
		require.NoError(t, err)
		require.Equal(t, map[string]bool{"chat": true}, found.crowded)
		require.Len(t, found.parked["chat"], maxParked)
		var ids []string
		for _, d := range found.pending {
			ids = append(ids, d.ID)
		}
		slices.Sort(ids)
		require.Equal(t, []string{"msg_7-2-ops", "msg_fresh-1-chat"}, ids)

		// What is offered meanwhile waits too, and all are sent in order once the channel works.
		var order tape
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			order.add(req.Header.Get(HeaderID))
			return answer(200), nil
		})
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", second("chat", alerts-2))
		pass(48 * time.Hour)
		require.Len(t, order.all(), alerts+5)
		place := map[string]int{}
		for i, id := range order.all() {
			place[id] = i
		}
		for _, alert := range []int{7, alerts - 1, alerts - 2} {
			require.Less(t, place[fmt.Sprintf("msg_%d-1-chat", alert)], place[fmt.Sprintf("msg_%d-2-chat", alert)])
		}
	})
}
