package app

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/stretchr/testify/require"

	"lintel/api/authority"
	"lintel/api/kit"
	"lintel/engine/store/memory"
)

// secure is a server that speaks https, and a client that trusts its authority and finds every name
// at it.
type secure struct {
	*App
	dir    string
	client *http.Client
	log    *lockedLog
	key    string
}

func newSecure(t *testing.T, every time.Duration, change func(*Options), names ...string) *secure {
	s := &secure{dir: t.TempDir(), log: &lockedLog{}}
	made, err := authority.Make(authority.Request{Dir: s.dir, Names: names, Days: 30, Now: time.Now()})
	require.NoError(t, err)
	st := memory.Open()
	s.key, err = kit.MintKey(t.Context(), st, "boss", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	opt := Options{Store: st, Listen: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(s.log, nil)),
		TLSCert: filepath.Join(s.dir, authority.ServerCert), TLSKey: filepath.Join(s.dir, authority.ServerKey)}
	if change != nil {
		change(&opt)
	}
	s.App, err = New(t.Context(), opt)
	require.NoError(t, err)
	s.tls.every = every
	require.NoError(t, s.Start(t.Context()))
	t.Cleanup(func() { stopApp(t, s.App) })
	roots := x509.NewCertPool()
	roots.AddCert(made.Authority)
	s.client = &http.Client{Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: roots}, ForceAttemptHTTP2: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "tcp", s.listener.Addr().String())
		},
	}}
	t.Cleanup(s.client.CloseIdleConnections)
	return s
}

func gauge(t *testing.T, g prometheus.Gauge) float64 {
	var m dto.Metric
	require.NoError(t, g.Write(&m))
	return m.GetGauge().GetValue()
}

func (s *secure) do(t *testing.T, method, url, body string, headers ...string) (*http.Response, string) {
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := s.client.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res, string(b)
}

// TestHTTPS: clients that trust the authority are served by HTTP/2 under the names of the
// certificate; a browser keeps its cookie for https alone, and comes by https from then on.
func TestHTTPS(t *testing.T) {
	s := newSecure(t, time.Hour, nil, "books.local", "127.0.0.1", "localhost")
	require.Regexp(t, `^https://127\.0\.0\.1:\d+$`, s.URL())
	res, _ := s.do(t, "POST", "https://books.local/v1/sessions", `{"key":"`+s.key+`"}`, "Sec-Fetch-Site", "same-origin")
	require.Equal(t, 201, res.StatusCode)
	require.Equal(t, 2, res.ProtoMajor)
	require.Equal(t, "max-age=2592000", res.Header.Get("Strict-Transport-Security"))
	cookie := res.Cookies()[0]
	require.Equal(t, "__Host-lintel", cookie.Name)
	require.True(t, cookie.Secure)
	res, _ = s.do(t, "GET", "https://books.local/v1/sites", "", "Cookie", cookie.Name+"="+cookie.Value)
	require.Equal(t, 200, res.StatusCode)
	for _, here := range []string{"https://127.0.0.1", "https://localhost"} {
		res, _ = s.do(t, "GET", here+"/healthz", "")
		require.Empty(t, res.Header.Get("Strict-Transport-Security"), "it would hold for every server on the machine")
	}
	// A name that the certificate does not have is none of this server's, whoever has it point
	// here.
	req, err := http.NewRequestWithContext(t.Context(), "GET", "https://books.local/v1/sites", nil)
	require.NoError(t, err)
	req.Host = "rebound.example"
	req.AddCookie(cookie)
	res, err = s.client.Do(req)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, kit.CodeUnknownHost.Status, res.StatusCode)

	addr := s.listener.Addr().String()
	for _, version := range []uint16{tls.VersionTLS10, tls.VersionTLS11} {
		_, err = tls.Dial("tcp", addr, &tls.Config{MinVersion: version, MaxVersion: version,
			InsecureSkipVerify: true}) //nolint:gosec // it is not to succeed
		require.ErrorContains(t, err, "protocol version")
	}
	code, body := ask(t, "http://"+addr+"/healthz")
	require.Equal(t, 400, code)
	require.Contains(t, body, "HTTP request to an HTTPS server")
}

// TestPlainHTTPKeepsNothing: over plain http a browser is told nothing that it would keep.
func TestPlainHTTPKeepsNothing(t *testing.T) {
	a, err := New(t.Context(), Options{Store: memory.Open(), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer stopApp(t, a)
	res, err := http.Get(a.URL() + "/healthz")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Empty(t, res.Header.Get("Strict-Transport-Security"))
}

// TestCertificateIsTakenUp: a new certificate is used for new connections, those that are open go
// on; files that hold none that is good are logged once and change nothing.
func TestCertificateIsTakenUp(t *testing.T) {
	s := newSecure(t, time.Hour, nil, "books.local")
	serial := func() string {
		s.client.CloseIdleConnections()
		res, _ := s.do(t, "GET", "https://books.local/healthz", "")
		return res.TLS.PeerCertificates[0].SerialNumber.String()
	}
	first := serial()
	require.Empty(t, s.tls.look(""))
	_, err := authority.Make(authority.Request{Dir: s.dir, Days: 60, Renew: true, Now: time.Now()})
	require.NoError(t, err)
	require.Empty(t, s.tls.look(""))
	second := serial()
	require.NotEqual(t, first, second)
	require.True(t, s.log.has("a new certificate is in use"))
	require.InDelta(t, time.Now().AddDate(0, 0, 60).Unix(), gauge(t, s.tls.expires), 90000)

	require.NoError(t, os.WriteFile(s.tls.certFile, []byte("half a certif"), 0o600))
	said := s.tls.look("")
	require.Contains(t, said, "can't be used")
	require.Equal(t, said, s.tls.look(said))
	require.Equal(t, second, serial())
	require.Equal(t, 1.0, gauge(t, s.tls.rejected))
	require.NoError(t, os.Remove(s.tls.certFile))
	said = s.tls.look(said)
	require.Contains(t, said, "no such file")
	require.Equal(t, said, s.tls.look(said))
	require.Equal(t, 2, strings.Count(s.log.b.String(), "stays in use"), "each is said once")
	require.Equal(t, second, serial())

	other := t.TempDir()
	_, err = authority.Make(authority.Request{Dir: other, Names: []string{"books.local"}, Days: 30, Now: time.Now()})
	require.NoError(t, err)
	b, err := os.ReadFile(filepath.Join(other, authority.ServerCert))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(s.tls.certFile, b, 0o600))
	require.Contains(t, s.tls.look(said), "private key does not match")
	require.Equal(t, second, serial())

	for _, opt := range []Options{{TLSCert: s.tls.certFile}, {TLSCert: other + "/none", TLSKey: other + "/none"}, {TLSCert: other,
		TLSKey: other}} {
		opt.Store, opt.Log = memory.Open(), slog.New(slog.DiscardHandler)
		_, err := New(t.Context(), opt)
		require.Error(t, err, "a server that can't do what it was told does not start")
	}
}

// TestCertificateIsWatched: nobody has to tell the server.
func TestCertificateIsWatched(t *testing.T) {
	s := newSecure(t, 10*time.Millisecond, nil, "books.local")
	made, err := authority.Make(authority.Request{Dir: s.dir, Days: 60, Renew: true, Now: time.Now()})
	require.NoError(t, err)
	require.Eventually(t, func() bool { return s.tls.current.Load().Leaf.Equal(made.Server) }, 30*time.Second, 5*time.Millisecond)
	require.NoError(t, os.WriteFile(s.tls.certFile, []byte("half a certif"), 0o600))
	require.Eventually(t, func() bool { return s.log.has("stays in use") }, 30*time.Second, 5*time.Millisecond)
	time.Sleep(100 * time.Millisecond)
	s.log.mu.Lock()
	defer s.log.mu.Unlock()
	require.Equal(t, 1, strings.Count(s.log.b.String(), "stays in use"), "it is said once")
}

// TestHTTPSConnectionsAreBounded: places are given back when connections end, with TLS too, and a
// handshake that never comes takes none away.
func TestHTTPSConnectionsAreBounded(t *testing.T) {
	s := newSecure(t, time.Hour, func(o *Options) { o.Connections = 4 }, "books.local")
	for range 4 {
		idle, err := net.Dial("tcp", s.listener.Addr().String())
		require.NoError(t, err)
		defer idle.Close()
	}
	for i := range 12 {
		res, _ := s.do(t, "GET", "https://books.local/healthz", "")
		require.Equal(t, 200, res.StatusCode, fmt.Sprint(i))
		s.client.CloseIdleConnections()
	}
	// A body that is slow on a connection of HTTP/2 does not cost what else is asked on it.
	body, write := io.Pipe()
	slow := make(chan error, 1)
	go func() {
		req, err := http.NewRequestWithContext(t.Context(), "POST", "https://books.local/v1/sessions", body)
		if err == nil {
			req.Header.Set("Content-Type", "application/json")
			req.Header.Set("Sec-Fetch-Site", "same-origin")
			var res *http.Response
			if res, err = s.client.Do(req); err == nil {
				err = res.Body.Close()
			}
		}
		slow <- err
	}()
	_, err := io.Copy(write, bytes.NewReader([]byte(`{"key":`)))
	require.NoError(t, err)
	time.Sleep(100 * time.Millisecond)
	for range 8 {
		c, err := net.Dial("tcp", s.listener.Addr().String())
		require.NoError(t, err)
		defer c.Close()
	}
	time.Sleep(200 * time.Millisecond)
	_, err = io.Copy(write, strings.NewReader(`"x"}`))
	require.NoError(t, err)
	require.NoError(t, write.Close())
	require.NoError(t, <-slow)
}
