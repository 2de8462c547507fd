package deliver

import (
	"fmt"
	"net/http"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// The dead letters of an outage come again, oldest first and under their own ids; what is outside
// of the range, of another channel, delivered or pending stays as it is.
func TestRecover(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, func(o *Options) { o.Schedule = threeTries },
			hookChannel("chat", "https://chat.example/"), hookChannel("tickets", "https://tickets.example/"))
		for _, name := range []string{"chat", "tickets"} {
			c := r.channels[name]
			c.MaxInFlight = 1 // one after the other, so that their order shows
			r.setChannel(c)
		}
		var ids tape
		code := http.StatusNotFound
		r.client.Transport = roundTrip(func(req *http.Request) (*http.Response, error) {
			ids.add(req.Header.Get(HeaderID))
			return answer(code), nil
		})
		defer r.start(t, "umberhithe", "pier")()
		start := time.Now()
		made := func(channel, alert string, order int, at time.Duration) event.Delivery {
			m := message(channel, alert, order)
			m.At = start.Add(at).UnixMilli()
			return m
		}
		// Two died of their refusals while this dispatcher looked on.
		r.commit("umberhithe", made("chat", "watched", 1, 0), made("chat", "watched", 2, 0), made("tickets", "other", 1, 0))
		pass(3 * time.Hour)
		require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", "msg_watched-2-chat").Status)
		// The others are on record from before.
		dead := func(m event.Delivery) event.Delivery {
			m.Status, m.Attempts, m.Code, m.Reason = event.DeliveryDead, 3, 404, "given up after 3 tries"
			return m
		}
		delivered := made("chat", "delivered", 1, time.Second)
		delivered.Status = event.DeliveryDelivered
		waiting := made("chat", "waiting", 1, time.Second)
		waiting.Attempts, waiting.NextTry = 4, start.Add(100*time.Hour).UnixMilli()
		r.store.put("umberhithe", dead(made("chat", "early", 1, -time.Millisecond)),
			dead(made("chat", "late", 1, time.Minute)), delivered, waiting)
		r.store.put("pier", dead(made("chat", "pier", 1, 500*time.Millisecond)),
			dead(made("chat", "last", 1, time.Minute-time.Millisecond)))
		before := len(ids.all())

		code = 200
		got, err := r.Recover(t.Context(), []string{"umberhithe", "pier"}, "chat", start, start.Add(time.Minute))
		require.NoError(t, err)
		require.Equal(t, 4, got.Queued)
		require.False(t, got.More)
		require.Equal(t, start.UnixMilli(), got.First.UnixMilli())
		require.Equal(t, start.Add(time.Minute-time.Millisecond).UnixMilli(), got.Last.UnixMilli())
		queued := r.store.get(t, "pier", "msg_pier-1-chat")
		require.Equal(t, []any{event.DeliveryPending, 0, "to be sent again, after: given up after 3 tries"},
			[]any{queued.Status, queued.Attempts, queued.Reason})
		pass(5 * time.Second)
		require.ElementsMatch(t, []string{"msg_watched-1-chat", "msg_watched-2-chat", "msg_pier-1-chat",
			"msg_last-1-chat", "msg_waiting-1-chat"}, ids.all()[before:], "what was pending is brought forward with them")
		sent := ids.all()[before:]
		require.Less(t, indexOf(sent, "msg_watched-1-chat"), indexOf(sent, "msg_watched-2-chat"))
		require.Less(t, indexOf(sent, "msg_pier-1-chat"), indexOf(sent, "msg_last-1-chat"))
		require.Equal(t, event.DeliveryDelivered, r.store.get(t, "umberhithe", "msg_watched-1-chat").Status)
		for _, id := range []string{"msg_early-1-chat", "msg_late-1-chat", "msg_other-1-tickets"} {
			require.Equal(t, event.DeliveryDead, r.store.get(t, "umberhithe", id).Status, id)
		}
		require.Equal(t, delivered, r.store.get(t, "umberhithe", delivered.ID))

		got, err = r.Recover(t.Context(), []string{"umberhithe", "pier"}, "chat", start, start.Add(time.Minute))
		require.NoError(t, err)
		require.Equal(t, Recovery{}, got, "what was delivered meanwhile is passed over")
		_, err = r.Recover(t.Context(), []string{"nowhere"}, "chat", start, start.Add(time.Minute))
		require.NoError(t, err)
	})
}

func indexOf(list []string, s string) int {
	for i := range list {
		if list[i] == s {
			return i
		}
	}
	return -1
}

// One call queues a thousand, the oldest; the next goes on. What fails again goes through the whole
// schedule.
func TestRecoverIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		var code atomic.Int32
		code.Store(503)
		sent := answering(r, &code)
		defer r.start(t, "umberhithe")()
		start := time.Now()
		for i := range 2500 {
			m := message("chat", fmt.Sprint("a", i), 1)
			m.At, m.Status, m.Attempts = start.Add(time.Duration((i*7919)%2500)*time.Second).UnixMilli(), event.DeliveryDead, 10
			r.store.put("umberhithe", m)
		}
		until := start.Add(24 * time.Hour)
		for _, want := range []struct {
			queued int
			more   bool
			first  int
		}{{1000, true, 0}, {1000, true, 1000}, {500, false, 2000}} {
			got, err := r.Recover(t.Context(), []string{"umberhithe"}, "chat", start, until)
			require.NoError(t, err)
			require.Equal(t, want.queued, got.Queued)
			require.Equal(t, want.more, got.More)
			require.Equal(t, start.Add(time.Duration(want.first)*time.Second).UnixMilli(), got.First.UnixMilli())
			require.Equal(t, start.Add(time.Duration(want.first+want.queued-1)*time.Second).UnixMilli(), got.Last.UnixMilli())
		}
		pass(3 * time.Second)
		require.GreaterOrEqual(t, sent.Load(), int32(2500))
		code.Store(200)
		pass(5 * time.Minute) // what finds no room in memory is found by the next search
		require.Equal(t, 2500, len(r.settledIDs()))
		require.Equal(t, 2, r.store.get(t, "umberhithe", "msg_a0-1-chat").Attempts)
	})
}

func TestRecoverWhileTheStoreFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		m := message("chat", "a", 1)
		m.Status = event.DeliveryDead
		r.store.put("umberhithe", m)
		r.store.fail = func() error { return errBroken }
		at := time.UnixMilli(m.At)
		got, err := r.Recover(t.Context(), []string{"umberhithe"}, "chat", at, at.Add(time.Second))
		require.ErrorIs(t, err, errBroken)
		require.Zero(t, got.Queued)
		require.Equal(t, m, r.store.get(t, "umberhithe", m.ID))
	})
}
