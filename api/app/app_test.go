package app

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/engine"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// observed is a store that says when leases are given up.
type observed struct {
	*memory.Store
	given func(name string)
}

func (o *observed) Lease(ctx context.Context, name, owner string, ttl time.Duration) (bool, error) {
	if ttl == 0 {
		o.given(name)
	}
	return o.Store.Lease(ctx, name, owner, ttl)
}

func putDocument(t *testing.T, st store.Documents, name, body string) {
	t.Helper()
	_, err := store.PutDocument(t.Context(), st, store.Document{Name: name, At: time.Now(), By: "test", Body: []byte(body)}, 0)
	require.NoError(t, err)
}

// A receiver that hangs holds a stop up for about two seconds, and its try has ended before another
// process may send.
func TestStopEndsTriesBeforeItGivesUpLeases(t *testing.T) {
	var underWay atomic.Int32
	began, release := make(chan struct{}, 1), make(chan struct{})
	hanging := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // else the server does not notice that the connection is closed
		underWay.Add(1)
		defer underWay.Add(-1)
		began <- struct{}{}
		select {
		case <-r.Context().Done():
		case <-release:
		}
	}))
	defer hanging.Close()
	defer close(release)
	given := make(chan int32, 10)
	st := &observed{Store: memory.Open(), given: func(name string) {
		if name == "umberhithe" {
			time.Sleep(50 * time.Millisecond) // in which the receiver notices that a connection is closed
			given <- underWay.Load()
		}
	}}
	defer st.Close()
	putDocument(t, st, engine.LayoutDocument("umberhithe"),
		`{"site": "umberhithe", "name": "Umberhithe Books", "time_zone": "UTC", "zones": [{"id": "till", "name": "Till", "kind": "checkout"}], "read_points": []}`)
	putDocument(t, st, api.ChannelsDocument,
		`[{"name": "chat", "url": "`+hanging.URL+`", "secrets": ["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"]}]`)
	m := deliver.Sample("chat")
	require.NoError(t, st.Commit(t.Context(), "umberhithe", store.Commit{Loose: true,
		Writes: []store.Record{{Kind: event.KindDelivery, Key: m.ID, Value: event.AppendDelivery(nil, &m)}}}))
	a, err := New(t.Context(), Options{Store: st, Listen: "127.0.0.1:0",
		AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	select {
	case <-began:
	case <-time.After(time.Minute):
		t.Fatal("nothing was sent")
	}
	start := time.Now()
	require.NoError(t, a.Stop(t.Context()))
	require.Less(t, time.Since(start), 5*time.Second)
	require.Zero(t, <-given, "tries that were under way when the lease was given up")
}

// A channel gets what waits for it as soon as it is stored.
func TestANewChannelIsUsedAtOnce(t *testing.T) {
	ids := make(chan string, 10)
	chat := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { ids <- r.Header.Get(deliver.HeaderID) }))
	defer chat.Close()
	st := memory.Open()
	defer st.Close()
	m := deliver.Sample("chat")
	_, err := st.SetValues(t.Context(), store.Value{Kind: deliver.KindNotice, Key: m.ID, Data: event.AppendDelivery(nil, &m)})
	require.NoError(t, err)
	a, err := New(t.Context(), Options{Store: st, Listen: "127.0.0.1:0",
		AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer func() { require.NoError(t, a.Stop(t.Context())) }()
	pending := func() (d event.Delivery) {
		require.NoError(t, deliver.Stored(t.Context(), st, deliver.Notices, []string{m.ID}, func(_ string, v []byte) (err error) {
			d, err = event.DecodeDelivery(v)
			return err
		}))
		return d
	}
	require.Eventually(t, func() bool { return pending().Reason != "" }, time.Minute, 5*time.Millisecond)
	time.Sleep(4 * time.Second) // the next look for the channel is seconds off
	require.Zero(t, pending().Attempts)
	putDocument(t, st, api.ChannelsDocument, `[{"name": "chat", "url": "`+chat.URL+`", "secrets": ["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"]}]`)
	start := time.Now()
	require.NoError(t, a.channels.Refresh(t.Context()))
	require.Equal(t, m.ID, <-ids)
	require.Less(t, time.Since(start), 400*time.Millisecond)
}
