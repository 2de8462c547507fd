package api

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"lintel/api/kit"

	"github.com/stretchr/testify/require"
)

// sseEvent is one server-sent event.
type sseEvent struct{ name, id, data string }

// listen opens a live stream on a real server and returns its events.
func (r *rig) listen(srv *httptest.Server, lastID string) (<-chan sseEvent, func()) {
	ctx, cancel := context.WithCancel(context.Background())
	req, err := http.NewRequestWithContext(ctx, "GET", srv.URL+"/v1/sites/umberhithe/live", nil)
	require.NoError(r.t, err)
	req.Header.Set("Authorization", "Bearer "+r.admin)
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := srv.Client().Do(req)
	require.NoError(r.t, err)
	require.Equal(r.t, 200, resp.StatusCode)
	require.Equal(r.t, mediaEvents, resp.Header.Get("Content-Type"))
	events := make(chan sseEvent, 1000)
	go func() {
		defer close(events)
		defer resp.Body.Close()
		var e sseEvent
		for sc := bufio.NewScanner(resp.Body); sc.Scan(); {
			name, value, _ := strings.Cut(sc.Text(), ": ")
			switch name {
			case "event":
				e.name = value
			case "id":
				e.id = value
			case "data":
				e.data = value
			case "":
				if e.name != "" {
					events <- e
				}
				e = sseEvent{}
			}
		}
	}()
	return events, cancel
}

// next returns the next event with that name.
func next(t testing.TB, events <-chan sseEvent, name string) sseEvent {
	t.Helper()
	for {
		select {
		case e, ok := <-events:
			require.True(t, ok, "the stream ended")
			if e.name == name {
				return e
			}
		case <-time.After(30 * time.Second):
			require.Fail(t, "no event "+name)
		}
	}
}

func TestLiveStream(t *testing.T) {
	r := newRig(t).shop()
	srv := httptest.NewServer(r.api.Handler())
	defer srv.Close()
	events, stop := r.listen(srv, "")
	r.alert(1)
	arrived := next(t, events, eventFact)
	require.Contains(t, arrived.data, `"cause":"arrived"`)
	require.NotEmpty(t, arrived.id)
	opened := next(t, events, eventAlert)
	require.Contains(t, opened.data, `"change":"alert.opened"`)
	require.Empty(t, opened.id, "an alert does not move the place to resume from")
	stop()

	// What happens while the client is away comes from the stored facts, each once and in order.
	r.alert(2)
	all := into[FactList](r.get("/v1/sites/umberhithe/facts")).Facts
	events, stop = r.listen(srv, arrived.id)
	r.alert(3)
	var got []string
	for len(got) == 0 || got[len(got)-1] != all[len(all)-1].ID {
		got = append(got, next(t, events, eventFact).id)
	}
	var want []string
	for _, f := range all[1:] {
		want = append(want, f.ID)
	}
	require.Equal(t, want, got)
	require.Contains(t, next(t, events, eventAlert).data, "(21)3")
	stop()

	r.do("GET", "/v1/sites/umberhithe/live", "", "Last-Event-ID", "x").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/sites/umberhithe/live?after=x").wantsCode(kit.CodeInvalidParameter)
	note("live 200")

	// Shutting down ends the streams, and says so.
	events, stop = r.listen(srv, "")
	defer stop()
	r.api.Close()
	next(t, events, eventGoodbye)
}

func TestTooManyStreams(t *testing.T) {
	r := newRig(t, func(o *Options) { o.LiveLimit = 1 }).shop()
	srv := httptest.NewServer(r.api.Handler())
	defer srv.Close()
	_, stop := r.listen(srv, "")
	defer stop()
	p := r.get("/v1/sites/umberhithe/live").wantsCode(codeTooManyStreams)
	require.NotEmpty(t, p.header.Get("Retry-After"))
	stop()
	r.until("the place of the stream", func() bool { return len(r.api.live.streams) == 0 })
}

func TestASlowClientIsDropped(t *testing.T) {
	r := newRig(t, func(o *Options) { o.writePatience = 300 * time.Millisecond }).shop()
	// Small buffers on both sides, so that it does not take megabytes until the client is seen to
	// be slow.
	srv := httptest.NewUnstartedServer(r.api.Handler())
	srv.Config.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		_ = c.(*net.TCPConn).SetWriteBuffer(4 << 10)
		return ctx
	}
	srv.Start()
	defer srv.Close()
	conn, err := net.Dial("tcp", srv.Listener.Addr().String())
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.(*net.TCPConn).SetReadBuffer(4<<10))
	fmt.Fprintf(conn, "GET /v1/sites/umberhithe/live HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\n\r\n", r.admin)
	_, err = io.ReadFull(conn, make([]byte, 12))
	require.NoError(t, err)
	r.until("the stream", func() bool { return len(r.api.live.streams) == 1 })
	// The client reads no more. The loop goes on all the same.
	for i := 0; len(r.api.live.streams) == 1 && i < 1000; i++ {
		zone := []string{"shelf-a", "front-tables"}[i%2]
		var list []string
		for k := range 40 {
			list = append(list, fmt.Sprintf(`{"epc":"(01)09521141123454(21)%d","read_point":"handheld-1","zone":"%s"}`, k+1, zone))
		}
		started := time.Now()
		r.reads("[" + strings.Join(list, ",") + "]").wants(202)
		require.Less(t, time.Since(started), 5*time.Second)
	}
	r.until("the client to be dropped", func() bool { return len(r.api.live.streams) == 0 })
}

// TestLiveOverHTTP2: a stream on which nothing happens for longer than its client has to take
// something goes on. In HTTP/2 a deadline ends a stream though nothing waits to be sent.
func TestLiveOverHTTP2(t *testing.T) {
	r := newRig(t, func(o *Options) { o.writePatience = 200 * time.Millisecond }).shop()
	srv := httptest.NewUnstartedServer(r.api.Handler())
	srv.EnableHTTP2 = true
	srv.StartTLS()
	defer srv.Close()
	resp, err := srv.Client().Get(srv.URL + "/healthz")
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, 2, resp.ProtoMajor)
	events, stop := r.listen(srv, "")
	defer stop()
	time.Sleep(600 * time.Millisecond)
	r.do("POST", "/v1/sites/umberhithe/reads?wait=5s",
		`[{"epc":"3036451FD40C0E4000000009","read_point":"handheld-1","zone":"shelf-a"}]`).wants(200)
	next(t, events, "fact")
}
