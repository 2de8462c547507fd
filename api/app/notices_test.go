package app

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// A whole Lintel tells the channel that the stored document names of another one that is gone.
func TestNoticesAboutChannels(t *testing.T) {
	ids := make(chan string, 10)
	ops := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		ids <- r.Header.Get(deliver.HeaderID)
	}))
	defer ops.Close()
	gone := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusGone) }))
	defer gone.Close()
	st := memory.Open()
	defer st.Close()
	const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	doc := fmt.Sprintf(`[{"name": "chat", "url": %q, "secrets": [%q]}, {"name": "ops", "url": %q, "secrets": [%q], `+
		`"about_channels": true}]`, gone.URL, secret, ops.URL, secret)
	_, err := store.PutDocument(t.Context(), st, store.Document{Name: api.ChannelsDocument, At: time.Now(), By: "test",
		Body: []byte(doc)}, 0)
	require.NoError(t, err)
	// Something that is pending for the channel.
	m := deliver.Sample("chat")
	_, err = st.SetValues(t.Context(), store.Value{Kind: deliver.KindNotice, Key: m.ID, Data: event.AppendDelivery(nil, &m)})
	require.NoError(t, err)

	a, err := New(t.Context(), Options{Store: st, Listen: "127.0.0.1:0",
		AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer func() { require.NoError(t, a.Stop(t.Context())) }()
	select {
	case id := <-ids:
		require.Regexp(t, `^msg__channels-chat_stopped_[0-9]+_ops$`, id)
	case <-time.After(time.Minute):
		t.Fatal("nobody was notified")
	}
}
