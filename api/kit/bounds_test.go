package kit

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// ask sends a request with the key, without a network.
func ask(s *Server, key, method, path, body string, headers ...string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	req := httptest.NewRequest(method, path, strings.NewReader(body))
	req.Header.Set("Authorization", "Bearer "+key)
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	s.Handler().ServeHTTP(w, req)
	return w
}

// echoBody is a route that reads its body and answers how long it is.
func echoBody(path string) Route {
	return Route{Method: "POST", Path: path, Name: strings.Trim(path, "/"), Scopes: []string{ScopeReads},
		Body: []Content{{MediaType: MediaJSON}}, Handle: func(c *Call) error {
			b, err := c.ReadBody(c.BodyLimit())
			if err != nil {
				return err
			}
			defer b.Release()
			return c.String(http.StatusOK, fmt.Sprint(len(b.B)))
		}}
}

func ok(c *Call) error { return c.String(http.StatusOK, "ok") }

func TestMethodsAreCountedByNameOnlyIfTheyAreKnown(t *testing.T) {
	reg := prometheus.NewRegistry()
	s := New(Options{Routes: []Route{{Method: "GET", Path: "/ok", Name: "ok", Open: true, Handle: ok}}, Store: openStore(t),
		Log: slog.New(slog.DiscardHandler), Registry: reg, Timeout: time.Minute})
	for i := range 50 {
		ask(s, "", fmt.Sprintf("M%d", i), "/nope", "")
	}
	families, err := reg.Gather()
	require.NoError(t, err)
	for _, f := range families {
		if f.GetName() == "lintel_http_requests_total" {
			require.Len(t, f.GetMetric(), 1)
			require.Contains(t, f.GetMetric()[0].String(), `"other"`)
		}
	}
}

func zipped(t testing.TB, b []byte) string {
	var buf bytes.Buffer
	z := gzip.NewWriter(&buf)
	_, err := z.Write(b)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return buf.String()
}

// All bodies together take no more than the budget, counted as they are inflated; what needs no
// memory is answered all the same.
func TestBodiesShareOneBudget(t *testing.T) {
	hold, held := make(chan struct{}), make(chan struct{}, 10)
	s, key, _ := serve(t, echoBody("/read"), Route{Method: "GET", Path: "/healthz", Name: "healthz", Open: true, Handle: ok},
		Route{Method: "POST", Path: "/hold", Name: "hold", Handle: func(c *Call) error {
			b, err := c.ReadBody(c.BodyLimit())
			if err != nil {
				return err
			}
			defer b.Release()
			held <- struct{}{}
			<-hold
			return ok(c)
		}})
	bomb := zipped(t, make([]byte, 1<<20-1))
	require.Less(t, len(bomb), 2000)
	other, err := MintKey(t.Context(), s.opt.Store, "other", []string{ScopeAdmin}, []string{AllSites}, "test", time.Now())
	require.NoError(t, err)
	s.ForgetKeys()
	for range 3 { // the budget of this server is 4 MiB
		go ask(s, key, "POST", "/hold", bomb, "Content-Encoding", "gzip")
		<-held
	}
	require.Contains(t, ask(s, key, "POST", "/read", bomb, "Content-Encoding", "gzip").Body.String(), `"code":"busy"`,
		"one key can't have all of it")
	go ask(s, other, "POST", "/hold", bomb, "Content-Encoding", "gzip")
	<-held
	w := ask(s, key, "POST", "/read", bomb, "Content-Encoding", "gzip")
	require.Equal(t, 503, w.Code)
	require.Contains(t, w.Body.String(), `"code":"busy"`)
	require.Equal(t, "1", w.Header().Get("Retry-After"))
	require.Equal(t, 200, ask(s, "", "GET", "/healthz", "").Code)
	close(hold)
	left := func() int64 {
		s.memory.mu.Lock()
		defer s.memory.mu.Unlock()
		return s.memory.left
	}
	require.Eventually(t, func() bool { return left() == 4<<20 }, 5*time.Second, time.Millisecond, "all is given back")
	require.Equal(t, "1048575", ask(s, key, "POST", "/read", bomb, "Content-Encoding", "gzip").Body.String())
	ask(s, key, "POST", "/read", bomb[:500], "Content-Encoding", "gzip")
	ask(s, key, "POST", "/read", strings.Repeat("x", 2<<20))
	require.Empty(t, s.memory.byKey)
	require.EqualValues(t, 4<<20, left(), "also of bodies that are refused")
}

func TestDocumentsAreParsedOneAtATime(t *testing.T) {
	var now, most atomic.Int32
	s, key, _ := serve(t, Route{Method: "GET", Path: "/parse", Name: "parse", Handle: func(c *Call) error {
		return c.Answer("done", c.Parse(func() error {
			most.Store(max(most.Load(), now.Add(1)))
			time.Sleep(5 * time.Millisecond)
			now.Add(-1)
			return nil
		}))
	}})
	done := make(chan int, 8)
	for range cap(done) {
		go func() { done <- ask(s, key, "GET", "/parse", "").Code }()
	}
	for range cap(done) {
		require.Equal(t, 200, <-done)
	}
	require.EqualValues(t, 1, most.Load())
	s.parsing <- struct{}{}
	s.opt.Timeout = 20 * time.Millisecond
	require.Contains(t, ask(s, key, "GET", "/parse", "").Body.String(), `"code":"busy"`, "it waits no longer than a request may take")
}

func TestValuesAreCountedBeforeTheyAreDecoded(t *testing.T) {
	require.False(t, TooManyValues([]byte(`{"a":[1,2,"{,[\",["]}`), 6))
	require.True(t, TooManyValues([]byte(`{"a":[1,2,3]}`), 4))
	require.True(t, TooManyValues([]byte(`[[[[[`), 4))
	var v struct {
		Documents []struct{ Text string } `json:"documents"`
	}
	text := []byte(`{"documents":[` + strings.Repeat("{},", maxValues) + `{}]}`)
	require.Equal(t, CodeInvalidBody, AsProblem(DecodeStrict(text, &v)).Code)
	require.Empty(t, v.Documents)
}

// dial sends the head of a request over a connection, and returns what is answered at once.
func dial(t *testing.T, addr, head string) (answer string, closed bool) {
	conn, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.SetDeadline(time.Now().Add(3*time.Second)))
	_, err = io.WriteString(conn, strings.ReplaceAll(head, "\n", "\r\n"))
	require.NoError(t, err)
	b, err := io.ReadAll(bufio.NewReader(conn))
	return string(b), err == nil
}

// A request whose body does not come is answered all the same, and its connection ends.
func TestAnswersDoNotWaitForABodyThatNobodyReads(t *testing.T) {
	s, key, _ := serve(t, echoBody("/read"), Route{Method: "POST", Path: "/stream", Name: "stream", Stream: true, Handle: ok},
		Route{Method: "GET", Path: "/healthz", Name: "healthz", Open: true, Handle: ok})
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	addr := srv.Listener.Addr().String()
	for line, want := range map[string]string{"POST /nope": "404", "POST /healthz": "405", "POST /read": "401", "POST /stream": "401",
		"GET /healthz": "200", "POST /read?x=1": "401"} {
		got, closed := dial(t, addr, line+" HTTP/1.1\nHost: x\nContent-Length: 100\n\n")
		require.True(t, closed, line+got)
		require.Contains(t, got, "HTTP/1.1 "+want, line)
		require.Contains(t, got, "Connection: close", line)
	}
	s.opt.Timeout = 100 * time.Millisecond
	got, closed := dial(t, addr, "POST /read HTTP/1.1\nHost: x\nAuthorization: Bearer "+key+"\nContent-Length: 100\n\nabc")
	require.True(t, closed)
	require.Contains(t, got, `"code":"timeout"`)
	require.Contains(t, got, "Nothing was taken")
}

// A client that ends in the middle of its body is told so, and not that it may still take effect.
func TestATruncatedBodyIsTheClientsFault(t *testing.T) {
	s, key, _ := serve(t, echoBody("/read"))
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	conn, err := net.Dial("tcp", srv.Listener.Addr().String())
	require.NoError(t, err)
	defer conn.Close()
	_, err = fmt.Fprintf(conn, "POST /read HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Length: 100\r\n\r\nabc", key)
	require.NoError(t, err)
	require.NoError(t, conn.(*net.TCPConn).CloseWrite())
	b, err := io.ReadAll(conn)
	require.NoError(t, err)
	require.Contains(t, string(b), "HTTP/1.1 400")
	require.Contains(t, string(b), "Nothing was taken")
}

func TestParametersThatCannotBeMeant(t *testing.T) {
	s, key, _ := serve(t, Route{Method: "GET", Path: "/f", Name: "f", Params: []Param{Flag("dry_run", ""), Query("zone", "")},
		Handle: func(c *Call) error { return c.String(200, fmt.Sprint(c.Flag("dry_run"))) }},
		Route{Method: "GET", Path: "/healthz", Name: "healthz", Open: true, Handle: ok})
	for query, want := range map[string]string{"dry_run=true": "true", "dry_run=1": "true", "dry_run=false": "false", "": "false"} {
		require.Equal(t, want, ask(s, key, "GET", "/f?"+query, "").Body.String(), query)
	}
	for _, query := range []string{"dry_run", "dry_run=", "dry_run=True", "dry_run=yes"} {
		w := ask(s, key, "GET", "/f?"+query, "")
		require.Equal(t, 400, w.Code, query)
		require.Contains(t, w.Body.String(), "must be true or false", query)
	}
	for _, query := range []string{"dry_run=true;x=1", "dry_run=%zz", "zone=a;b", "dry_run=false&dry_run=true"} {
		require.Equal(t, 400, ask(s, key, "GET", "/f?"+query, "").Code, query)
	}
	for _, name := range []string{"If-Match", "If-None-Match"} {
		require.Contains(t, ask(s, key, "GET", "/f", "", name, " ").Body.String(), "The header "+name+" is empty")
	}
	require.Equal(t, 200, ask(s, "", "GET", "/healthz?at=1", "").Code, "probes keep caches away")
}

func TestHeadGoesWhereGetGoes(t *testing.T) {
	s, key, _ := serve(t, Route{Method: "GET", Path: "/f", Name: "f", Handle: ok},
		Route{Method: "GET", Path: "/live", Name: "live", Stream: true, Handle: func(c *Call) error { <-c.Ctx().Done(); return nil }},
		echoBody("/read"))
	require.Equal(t, 200, ask(s, key, "HEAD", "/f", "").Code)
	require.Equal(t, 401, ask(s, "", "HEAD", "/f", "").Code)
	require.Equal(t, 200, ask(s, key, "HEAD", "/live", "").Code)
	require.Equal(t, 405, ask(s, key, "HEAD", "/read", "").Code)
}

func TestAFloodOfFailuresIsOneLine(t *testing.T) {
	s, key, log := serve(t, Route{Method: "GET", Path: "/f", Name: "f", Handle: func(*Call) error { return Unavailable(store.ErrClosed) }})
	for range 100 {
		require.Equal(t, 503, ask(s, key, "GET", "/f", "").Code)
	}
	require.Equal(t, 1, strings.Count(log.String(), "request failed"))
}

// awayStore is a store that is not there for a while.
type awayStore struct {
	*memory.Store
	away atomic.Bool
}

func (s *awayStore) GetDocument(ctx context.Context, name string, version int) (store.Document, error) {
	if s.away.Load() {
		<-ctx.Done()
		return store.Document{}, ctx.Err()
	}
	return s.Store.GetDocument(ctx, name, version)
}

func TestOldKeysWhileTheStoreIsAway(t *testing.T) {
	st := &awayStore{Store: openStore(t).(*memory.Store)}
	key, err := MintKey(t.Context(), st, "boss", []string{ScopeAdmin}, []string{AllSites}, "test", time.Now())
	require.NoError(t, err)
	s := New(Options{Routes: []Route{{Method: "GET", Path: "/metrics", Name: "metrics", OldKeys: true, Handle: ok},
		{Method: "GET", Path: "/other", Name: "other", Handle: ok}}, Store: st, Log: slog.New(slog.DiscardHandler),
		Registry: prometheus.NewRegistry(), Timeout: 3 * time.Second, BodyMemory: 1 << 20, Parsing: 1})
	require.Equal(t, 200, ask(s, key, "GET", "/metrics", "").Code)
	st.away.Store(true)
	later := time.Now().Add(time.Hour)
	s.keys.now = func() time.Time { return later }
	blocked := make(chan int, 1)
	go func() { blocked <- ask(s, key, "GET", "/other", "").Code }()
	started := time.Now()
	require.Equal(t, 200, ask(s, key, "GET", "/metrics", "").Code)
	require.Less(t, time.Since(started), 2*time.Second)
	require.Equal(t, 401, ask(s, key+"x", "GET", "/metrics", "").Code)
	require.Equal(t, 503, <-blocked)
	later = later.Add(24 * time.Hour)
	require.Equal(t, 503, ask(s, key, "GET", "/metrics", "").Code, "but not for ever")
}

func TestArrivalIsBeforeTheStoreIsAsked(t *testing.T) {
	clock := time.Unix(1000, 0)
	st := &awayStore{Store: openStore(t).(*memory.Store)}
	key, err := MintKey(t.Context(), st, "boss", []string{ScopeAdmin}, []string{AllSites}, "test", time.Now())
	require.NoError(t, err)
	s := New(Options{Routes: []Route{{Method: "GET", Path: "/f", Name: "f", Handle: func(c *Call) error {
		return c.String(200, fmt.Sprint(c.Arrived.Unix()))
	}}}, Store: st, Log: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry(), Timeout: time.Second, Now: func() time.Time { return clock }})
	s.keys.now = func() time.Time { clock = clock.Add(time.Minute); return clock } // time passes while the keys are read
	require.Equal(t, "1000", ask(s, key, "GET", "/f", "").Body.String())
}

// Connections that send nothing give way to new ones; those that are being answered do not.
func TestIdleConnectionsGiveWay(t *testing.T) {
	s, _, _ := serve(t, Route{Method: "GET", Path: "/healthz", Name: "healthz", Open: true, Handle: ok})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	bound := NewConnections(5, slog.New(slog.DiscardHandler))
	srv := &http.Server{Handler: s.Handler(), ConnState: bound.Changed}
	go srv.Serve(bound.Listener(l))
	defer srv.Close()
	for i := range 50 {
		conn, err := net.Dial("tcp", l.Addr().String())
		require.NoError(t, err)
		defer conn.Close()
		if i%2 == 0 {
			_, err = io.WriteString(conn, "GET /healthz HTTP/1.1\r\nHo")
			require.NoError(t, err)
		}
	}
	started := time.Now()
	res, err := http.Get("http://" + l.Addr().String() + "/healthz")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, 200, res.StatusCode)
	require.Less(t, time.Since(started), time.Second)
	bound.mu.Lock()
	require.LessOrEqual(t, len(bound.open), 5)
	bound.mu.Unlock()
}

// Nor do bodies of which only a half comes, and callers who come again at once, keep others out.
func TestHalfBodiesGiveWay(t *testing.T) {
	s, key, _ := serve(t, Route{Method: "POST", Path: "/body", Name: "body", Handle: func(c *Call) error {
		b, err := c.ReadBody(1000)
		b.Release()
		return err
	}}, Route{Method: "GET", Path: "/healthz", Name: "healthz", Open: true, Handle: ok})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	bound := NewConnections(5, slog.New(slog.DiscardHandler))
	srv := &http.Server{Handler: s.Handler(), ConnState: bound.Changed, ConnContext: bound.Context}
	go srv.Serve(bound.Listener(l))
	defer srv.Close()
	stop := make(chan struct{})
	var callers sync.WaitGroup
	defer callers.Wait()
	defer close(stop)
	for range 20 {
		callers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				conn, err := net.Dial("tcp", l.Addr().String())
				if err != nil {
					continue
				}
				_, _ = io.WriteString(conn, "POST /body HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+key+"\r\nContent-Length: 10\r\n\r\nhalf")
				_ = conn.SetReadDeadline(time.Now().Add(5 * time.Second))
				_, _ = conn.Read(make([]byte, 1))
				_ = conn.Close()
			}
		})
	}
	time.Sleep(100 * time.Millisecond)
	for range 5 {
		client := http.Client{Timeout: 2 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
		res, err := client.Get("http://" + l.Addr().String() + "/healthz")
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		require.Equal(t, 200, res.StatusCode)
	}
}

// There are only so many sessions of all keys.
func TestSessionsAreBounded(t *testing.T) {
	s, _, _ := serve(t)
	s.sessions.most = 2
	for n := range 3 {
		_, _, err := s.sessions.add(t.Context(), Session{Key: fmt.Sprint(n), KeyHash: fmt.Sprint(n)}, false, "")
		if n < 2 {
			require.NoError(t, err)
		} else {
			require.ErrorIs(t, err, ErrManySessions)
		}
	}
}

// brokenListener accepts nothing.
type brokenListener struct{ net.Listener }

func (brokenListener) Accept() (net.Conn, error) { return nil, fmt.Errorf("too many open files") }

func TestWhatCannotBeAcceptedIsLogged(t *testing.T) {
	var log bytes.Buffer
	l := NewConnections(5, slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelWarn}))).Listener(brokenListener{})
	for range 10 {
		_, err := l.Accept()
		require.Error(t, err)
	}
	require.Equal(t, 1, strings.Count(log.String(), "too many open files"))
}
