package deliver

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/store"
)

// answering has a receiver answer with what code holds, and counts.
func answering(r *rig, code *atomic.Int32) *atomic.Int32 {
	var sent atomic.Int32
	r.client.Transport = roundTrip(func(*http.Request) (*http.Response, error) {
		sent.Add(1)
		return answer(int(code.Load())), nil
	})
	return &sent
}

func (r *rig) healthOf(t testing.TB, channel string) Health {
	t.Helper()
	all, err := r.Health(context.Background())
	require.NoError(t, err)
	return all[channel]
}

// A channel that answered 410 stays stopped over a restart, until its settings change.
func TestAStopOutlivesARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		var code atomic.Int32
		code.Store(http.StatusGone)
		first := newRig(t, nil, c)
		answering(first, &code)
		stop := first.start(t, "umberhithe")
		first.commit("umberhithe", message("chat", "a", 1))
		synctest.Wait()
		at := time.Now()
		stop()

		pass(time.Hour)
		code.Store(200)
		second := newRig(t, func(o *Options) { o.Store = first.store }, c)
		second.store = first.store
		sent := answering(second, &code)
		defer second.start(t, "umberhithe")()
		second.commit("umberhithe", message("chat", "b", 1))
		pass(time.Minute)
		require.Zero(t, sent.Load())
		h := second.healthOf(t, "chat")
		require.Equal(t, at.UnixMilli(), h.Stopped.UnixMilli())
		require.Equal(t, StoppedGone, h.Cause)
		require.Equal(t, "the receiver answered 410 Gone", h.Reason)
		require.Contains(t, second.store.get(t, "umberhithe", "msg_b-1-chat").Reason, "the channel was stopped on "+
			at.UTC().Format("2006-01-02 15:04"))

		// Another channel's settings do not matter, and neither does the same document again.
		second.setChannel(hookChannel("tickets", "https://tickets.example/"))
		second.setChannel(c)
		pass(time.Minute)
		require.False(t, second.healthOf(t, "chat").Stopped.IsZero())

		c.Headers = map[string]string{"Authorization": "Bearer another"}
		second.setChannel(c)
		require.True(t, second.healthOf(t, "chat").Stopped.IsZero(), "answers go by the settings at once")
		pass(12 * time.Minute)
		require.True(t, second.healthOf(t, "chat").Stopped.IsZero())
		require.Equal(t, []string{"chat started"}, second.happened())
		require.Equal(t, event.DeliveryDelivered, second.store.get(t, "umberhithe", "msg_b-1-chat").Status)
		require.Empty(t, second.store.channels(), "nothing is on record of a channel that works")
	})
}

// shop sends through dispatchers that end and start again, so that days pass without their clocks
// ticking.
type shop struct {
	*rig
	t    *testing.T
	code atomic.Int32
	sent *atomic.Int32
	past []string // events of the dispatchers before
	stop func()
	n    int
}

func newShop(t *testing.T, code int32, channels ...Channel) *shop {
	s := &shop{t: t}
	s.code.Store(code)
	s.begin(newRig(t, nil, channels...))
	return s
}

func (s *shop) begin(r *rig) {
	s.rig, s.sent = r, answering(r, &s.code)
	s.stop = r.start(s.t, "umberhithe")
}

// later stops sending, lets the time pass and starts again with what the store has.
func (s *shop) later(d time.Duration) {
	s.stop()
	s.past = s.events()
	pass(d)
	old := s.rig
	r := newRig(s.t, func(o *Options) { o.Store = old.store })
	r.store, r.channels = old.store, old.channels
	s.begin(r)
	synctest.Wait()
}

func (s *shop) events() []string { return append(slices.Clone(s.past), s.happened()...) }

// message sends one about an alert of its own and waits until it was tried.
func (s *shop) message() {
	s.n++
	s.commit("umberhithe", message("chat", fmt.Sprint("a", s.n), 1))
	synctest.Wait()
}

// Without a success a channel is warned of after a day and after two, and stopped after three; any
// success in between begins anew.
func TestSustainedFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, 503, hookChannel("chat", "https://chat.example/"))
		defer func() { s.stop() }()
		fails := func() time.Time {
			began := time.Now()
			s.message()
			pass(11 * time.Minute)
			s.message()
			require.Equal(t, []string{"chat"}, s.store.channels())
			require.Equal(t, began.UnixMilli(), s.healthOf(t, "chat").FailingSince.UnixMilli())
			return began
		}
		until := func(began time.Time, d time.Duration) { s.later(time.Until(began.Add(d))) }

		began := fails()
		until(began, 24*time.Hour-time.Minute)
		s.message()
		require.Empty(t, s.events())
		require.Zero(t, s.healthOf(t, "chat").Warnings)
		until(began, 24*time.Hour)
		s.message()
		require.Equal(t, []string{"chat failing_24h"}, s.events())
		until(began, 48*time.Hour-time.Minute)
		s.message()
		require.Equal(t, 1, s.healthOf(t, "chat").Warnings)
		until(began, 48*time.Hour)
		s.message()
		require.Equal(t, []string{"chat failing_24h", "chat failing_48h"}, s.events())
		require.Equal(t, 2, s.healthOf(t, "chat").Warnings)

		s.code.Store(200)
		s.message()
		require.True(t, s.healthOf(t, "chat").FailingSince.IsZero(), "one success resets")
		require.False(t, s.healthOf(t, "chat").LastSuccess.IsZero())
		require.Empty(t, s.store.channels(), "nothing is on record of a channel that works")

		s.code.Store(404)
		began = fails()
		for _, d := range []time.Duration{24 * time.Hour, 48 * time.Hour, 72*time.Hour - time.Minute} {
			until(began, d)
			s.message()
		}
		require.Equal(t, []string{"chat failing_24h", "chat failing_48h"}, s.events()[2:])
		require.True(t, s.healthOf(t, "chat").Stopped.IsZero())
		until(began, 72*time.Hour)
		s.message()
		require.Equal(t, "chat stopped_failing", s.events()[4])
		h := s.healthOf(t, "chat")
		require.Equal(t, StoppedFailing, h.Cause)
		require.Equal(t, began.UnixMilli(), h.FailingSince.UnixMilli())
		require.Contains(t, s.logged(), "the channel is stopped: it had no success for three days")
		s.later(30 * time.Hour)
		s.message()
		require.Zero(t, s.sent.Load(), "nothing is sent to a stopped channel")
		require.Len(t, s.events(), 5)

		s.code.Store(200)
		stopped, err := s.StartChannel(t.Context(), "chat")
		require.NoError(t, err)
		require.True(t, stopped)
		s.message()
		require.NotZero(t, s.sent.Load())
		require.Equal(t, "chat started", s.events()[5])
		require.Zero(t, s.healthOf(t, "chat").Warnings)
		stopped, err = s.StartChannel(t.Context(), "chat")
		require.NoError(t, err)
		require.False(t, stopped)
	})
}

// A channel with few messages is warned of twice, hours apart, before it is stopped, however old
// its failing is when the next message comes.
func TestFewMessagesAreWarnedOfFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, 404, hookChannel("chat", "https://chat.example/"))
		defer func() { s.stop() }()
		s.message()
		pass(11 * time.Minute)
		s.message()
		s.later(10 * 24 * time.Hour)
		s.message()
		require.Equal(t, []string{"chat failing_24h"}, s.events())
		s.message()
		require.Len(t, s.events(), 1)
		s.later(12 * time.Hour)
		s.message()
		s.message()
		require.Equal(t, []string{"chat failing_24h", "chat failing_48h"}, s.events())
		s.later(13 * time.Hour)
		s.message()
		require.Equal(t, "chat stopped_failing", s.events()[2])
	})
}

// What is wrong here, not at the receiver, counts as failing too; that nobody wants anything sent
// does not.
func TestWhatCountsAsFailing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		off, over := hookChannel("off", "https://chat.example/"), hookChannel("over", "https://chat.example/")
		off.Disabled = true
		over.Secrets[0].NotAfter = time.Now().Add(-time.Hour)
		r := newRig(t, nil, off, over)
		var code atomic.Int32
		code.Store(200)
		sent := answering(r, &code)
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("off", "a", 1), message("over", "a", 1), message("nowhere", "a", 1))
		pass(32 * time.Hour)
		require.Zero(t, sent.Load())
		require.Equal(t, []string{"over failing_24h"}, r.happened())
		require.True(t, r.healthOf(t, "off").FailingSince.IsZero())
		require.Contains(t, r.healthOf(t, "over").Reason, "no secret of the channel signs any more")
	})
}

// Two processes over one store: what one knows, the other learns.
func TestHealthIsShared(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := hookChannel("chat", "https://chat.example/")
		var codeA, codeB atomic.Int32
		codeA.Store(200)
		codeB.Store(503)
		a := newRig(t, nil, c)
		b := newRig(t, func(o *Options) { o.Store = a.store }, c)
		b.store = a.store
		answering(a, &codeA)
		answering(b, &codeB)
		defer a.start(t, "umberhithe")()
		defer b.start(t, "pier")()
		n := 0
		halfHour := func(r *rig, site string) {
			n++
			r.commit(site, message("chat", fmt.Sprint("m", n), 1))
			pass(30 * time.Minute)
		}
		// The receiver works for one of them: it is not failing.
		for range 26 {
			halfHour(a, "umberhithe")
			halfHour(b, "pier")
		}
		require.Empty(t, b.happened())
		// It says 410 to one of them: the other stops too.
		codeB.Store(http.StatusGone)
		halfHour(b, "pier")
		require.Equal(t, []string{"chat stopped_gone"}, b.happened())
		require.Equal(t, StoppedGone, a.healthOf(t, "chat").Cause)
		sent := answering(a, &codeA)
		halfHour(a, "umberhithe")
		require.Zero(t, sent.Load())
		// Started at one of them, both send.
		codeB.Store(200)
		_, err := a.StartChannel(t.Context(), "chat")
		require.NoError(t, err)
		pass(11 * time.Second)
		require.True(t, b.healthOf(t, "chat").Stopped.IsZero())
		halfHour(a, "umberhithe")
		require.NotZero(t, sent.Load())
	})
}

// While the store takes nothing, stops hold in memory, and they are stored once it does.
func TestHealthIsStoredWhenTheStoreIsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var code atomic.Int32
		code.Store(http.StatusGone)
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		sent := answering(r, &code)
		defer r.start(t, "umberhithe")()
		broken := true
		r.store.fail = func() error {
			if broken {
				return errBroken
			}
			return nil
		}
		r.commit("umberhithe", message("chat", "a", 1))
		pass(time.Minute)
		require.Empty(t, r.store.channels())
		require.EqualValues(t, 1, sent.Load())
		require.Equal(t, StoppedGone, r.healthOf(t, "chat").Cause)
		_, err := r.StartChannel(t.Context(), "chat")
		require.ErrorIs(t, err, errBroken)
		r.store.mu.Lock()
		broken = false
		r.store.mu.Unlock()
		pass(time.Minute)
		require.Equal(t, []string{"chat"}, r.store.channels())
	})
}

// A record that cannot be read stops nothing and breaks nothing.
func TestDamagedHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var code atomic.Int32
		code.Store(200)
		r := newRig(t, nil, hookChannel("chat", "https://chat.example/"))
		sent := answering(r, &code)
		_, err := r.store.SetValues(t.Context(), store.Value{Kind: KindChannel, Key: "chat", Data: []byte(`{"v":1`)},
			store.Value{Kind: KindChannel, Key: "tickets", Data: []byte(`{"v":99}`)})
		require.NoError(t, err)
		defer r.start(t, "umberhithe")()
		r.commit("umberhithe", message("chat", "a", 1))
		synctest.Wait()
		require.EqualValues(t, 1, sent.Load())
		require.Contains(t, r.logged(), "is damaged or of another version")
	})
}
