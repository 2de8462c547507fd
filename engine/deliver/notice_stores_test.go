package deliver

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
	"lintel/engine/store/memory"
	"lintel/engine/store/redisstore"
	"lintel/engine/store/redistest"
)

// On the stores themselves: two processes meet a channel that was failing for two days and more
// already, by what is on record, and both see it fail again at once. The notice is on record once,
// with the health, and is told once; another process that takes over finds it told.
func TestNoticesOnEveryStore(t *testing.T) {
	stores := map[string]func(t *testing.T) store.Store{
		"embedded": func(t *testing.T) store.Store {
			st, err := boltstore.Open(t.TempDir(), boltstore.Options{NoSync: true})
			require.NoError(t, err)
			return st
		},
		"memory": func(*testing.T) store.Store { return memory.Open() },
		"redis": func(t *testing.T) store.Store {
			st, err := redisstore.Open(t.Context(), redistest.Start(t).URL(), redisstore.Options{})
			require.NoError(t, err)
			return st
		},
	}
	for name, open := range stores {
		t.Run(name, func(t *testing.T) {
			st := open(t)
			defer st.Close()
			got := new(tape)
			ops := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				_, _ = io.Copy(io.Discard, r.Body)
				got.add(r.Header.Get(HeaderID))
			}))
			defer ops.Close()
			// Both are asked before either is answered, so that both see the same.
			asked, release := make(chan struct{}, 2), make(chan struct{})
			chat := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked <- struct{}{}
				<-release
				w.WriteHeader(http.StatusServiceUnavailable)
			}))
			defer chat.Close()

			since := time.Now().Add(-80 * time.Hour).Truncate(time.Millisecond)
			onRecord := healthRecord{FailingSince: millis(since), LastFailure: millis(since), Warnings: 2,
				Warned: millis(since.Add(48 * time.Hour))}
			_, err := st.SetValues(t.Context(), store.Value{Kind: KindChannel, Key: "chat", Data: onRecord.encode()})
			require.NoError(t, err)

			var stops []func()
			var both []*rig
			for _, site := range pairSites {
				r := newRig(t, func(o *Options) { o.Store = st }, hookChannel("chat", chat.URL), aboutChannel("ops", ops.URL))
				stop := r.start(t, site)
				defer stop()
				stops = append(stops, stop)
				both = append(both, r)
			}
			for i, site := range pairSites {
				m := message("chat", site, 1)
				require.NoError(t, st.Commit(t.Context(), site,
					store.Commit{Loose: true, Writes: []store.Record{{Kind: event.KindDelivery, Key: m.ID,
						Value: event.AppendDelivery(nil, &m)}}}))
				both[i].Offer(site, []event.Delivery{m})
			}
			<-asked
			<-asked
			close(release)
			read := func() (list []event.Delivery) {
				require.NoError(t, both[0].records(t.Context(), Notices, nil, func(m *event.Delivery) { list = append(list, *m) }))
				return list
			}
			require.Eventually(t, func() bool {
				list := read()
				return len(list) > 0 && list[0].Status == event.DeliveryDelivered
			}, time.Minute, 10*time.Millisecond)
			settled := func(r *rig) bool {
				r.Dispatcher.mu.Lock()
				defer r.Dispatcher.mu.Unlock()
				h := r.health["chat"]
				return h != nil && !h.Stopped.IsZero() && len(h.steps) == 0
			}
			require.Eventually(t, func() bool { return settled(both[0]) && settled(both[1]) }, time.Minute, 10*time.Millisecond)
			list := read()
			require.Len(t, list, 1)
			require.Equal(t, TypeStopped, list[0].Type)
			require.Equal(t, []string{list[0].ID}, got.all())
			records, order, err := both[0].healthRecords(t.Context(), []string{"chat"})
			require.NoError(t, err)
			require.Equal(t, since.UnixMilli(), records["chat"].FailingSince)
			require.Equal(t, fmt.Sprintf("msg__channels-chat_stopped_%d_ops", records["chat"].Stopped), list[0].ID)
			require.Equal(t, 1, list[0].Order)
			require.Equal(t, 1, order.last)
			for _, stop := range stops {
				stop()
			}

			third := newRig(t, func(o *Options) { o.Store = st }, hookChannel("chat", chat.URL), aboutChannel("ops", ops.URL))
			defer third.start(t, pairSites[0])()
			require.Eventually(t, func() bool {
				third.Dispatcher.mu.Lock()
				defer third.Dispatcher.mu.Unlock()
				s := third.sites[Notices]
				return s != nil && s.attached
			}, time.Minute, 10*time.Millisecond, "the lease was given up at the stop")
			_, err = third.StartChannel(t.Context(), "chat")
			require.NoError(t, err)
			require.Eventually(t, func() bool { return len(got.all()) == 2 }, time.Minute, 10*time.Millisecond)
			require.Contains(t, got.all()[1], "_started_")
		})
	}
}
