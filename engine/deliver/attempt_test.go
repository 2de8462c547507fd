package deliver

import (
	"bufio"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

// secretChannel has a secret in every place that can hold one.
func secretChannel(url string) Channel {
	c := hookChannel("tickets", url+"/s3cr3t-path?token=s3cr3t-query")
	c.Headers = map[string]string{"Authorization": "Bearer s3cr3t-header"}
	return c
}

func requireNoSecret(t testing.TB, texts ...string) {
	t.Helper()
	for _, s := range texts {
		require.NotContains(t, strings.ToLower(s), "s3cr3t")
		require.NotContains(t, s, strings.TrimPrefix(testSecret, SecretPrefix))
		require.NotContains(t, s, "v1,")
	}
}

// Every status from 200 to 599, with an answer that gives back everything that it was sent: the
// delivery ends as its class says, and no secret is in the log, the reason or what is observed.
func TestEveryStatus(t *testing.T) {
	var code atomic.Int32
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for name, values := range r.Header {
			w.Header()["X-Echo-"+name] = values
		}
		w.Header().Set("Location", r.URL.String())
		w.Header().Set("Retry-After", "s3cr3t")
		w.WriteHeader(int(code.Load()))
		fmt.Fprint(w, r.URL, r.Header)
	}))
	defer server.Close()
	c := secretChannel(server.URL)
	var observed tape
	r := newRig(t, func(o *Options) {
		o.Observe.Tried = func(_ string, d event.Delivery, out Outcome) {
			observed.add(fmt.Sprintf("%v %v %+v", d.Reason, out, out))
		}
	}, c)
	r.start(t, "umberhithe")
	for status := 200; status <= 599; status++ {
		code.Store(int32(status))
		d := message("tickets", fmt.Sprint(status), 1)
		r.commit("umberhithe", d)
		var stored event.Delivery
		eventually(t, func() bool {
			stored = r.store.get(t, "umberhithe", d.ID)
			return stored.Attempts == 1
		}, status)
		require.Equal(t, status, stored.Code)
		switch Classify(status) {
		case Success:
			require.Equal(t, event.DeliveryDelivered, stored.Status)
			require.Empty(t, stored.Reason)
		case Gone:
			require.Equal(t, event.DeliveryDead, stored.Status)
			out, err := r.Test(t.Context(), c)
			require.NoError(t, err)
			require.False(t, out.OK())
			stopped, err := r.StartChannel(t.Context(), "tickets") // so that the next status is tried
			require.NoError(t, err)
			require.True(t, stopped)
		default:
			require.Equal(t, event.DeliveryPending, stored.Status, "%d", status)
			require.True(t, strings.HasPrefix(stored.Reason, fmt.Sprintf("the receiver answered %d", status)), stored.Reason)
		}
		requireNoSecret(t, stored.Reason)
	}
	requireNoSecret(t, r.logged(), strings.Join(observed.all(), "\n"))
	require.Contains(t, r.logged(), "599")
}

// Receivers that fail in other ways than by a status.
func TestEveryFailure(t *testing.T) {
	raw := func(serve func(net.Conn)) string {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		var wg sync.WaitGroup
		wg.Go(func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				wg.Go(func() {
					defer conn.Close()
					serve(conn)
				})
			}
		})
		t.Cleanup(func() { l.Close(); wg.Wait() })
		return "http://" + l.Addr().String()
	}
	request := func(conn net.Conn) string {
		r, err := http.ReadRequest(bufio.NewReader(conn))
		if err != nil {
			return ""
		}
		io.Copy(io.Discard, r.Body)
		return fmt.Sprint(r.URL, " ", r.Header)
	}
	tlsServer := httptest.NewUnstartedServer(http.NotFoundHandler())
	tlsServer.Config.ErrorLog = nil
	tlsServer.StartTLS()
	t.Cleanup(tlsServer.Close)
	plain := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(plain.Close)
	refused := httptest.NewServer(http.NotFoundHandler())
	refused.Close()
	trusted := x509.NewCertPool()
	trusted.AddCert(tlsServer.Certificate())
	resolver := nameServer(t, map[string][]string{"inside.example.": {"10.0.0.5"}, "tickets.example.": {"127.0.0.1"}})

	for _, c := range []struct {
		name, url, want string
		roots           *x509.CertPool
	}{
		{"refused", refused.URL, "the connection was refused", nil},
		{"unknown name", "http://nobody.example", "the name nobody.example was not found", nil},
		{"blocked address", "http://10.1.2.3:8080", "connecting to 10.1.2.3:8080 is not allowed: it is a private address; if that receiver is yours, start Lintel with --allow-cidr 10.1.2.3/32", nil},
		{"blocked name", "http://inside.example", "connecting to inside.example is not allowed: it resolves to 10.0.0.5:80, and it is a private address; if that receiver is yours, start Lintel with --allow-cidr 10.0.0.5/32", nil},
		{"unknown authority", tlsServer.URL, "TLS: the receiver's certificate is signed by nobody that this machine trusts", nil},
		{"certificate for another host", strings.Replace(tlsServer.URL, "127.0.0.1", "tickets.example", 1), "TLS: the receiver's certificate is for another host", trusted},
		{"no TLS", strings.Replace(plain.URL, "http:", "https:", 1), "TLS: the receiver does not speak TLS on this port", nil},
		{"hangs", raw(func(c net.Conn) { request(c); io.Copy(io.Discard, c) }), "no answer within 300ms", nil},
		{"hangs within the headers", raw(func(c net.Conn) { fmt.Fprint(c, "HTTP/1.1 200 OK\r\nX: ", request(c)); io.Copy(io.Discard, c) }), "no answer within 300ms", nil},
		{"hangs up", raw(func(c net.Conn) { request(c) }), "the receiver closed the connection without an answer", nil},
		{"not HTTP", raw(func(c net.Conn) { fmt.Fprintf(c, "%s\r\n\r\n", request(c)) }), "the receiver's answer is not HTTP, or the connection failed", nil},
		{"bad status line", raw(func(c net.Conn) { fmt.Fprintf(c, "HTTP/1.1 %s\r\n\r\n", request(c)) }), "the receiver's answer is not HTTP, or the connection failed", nil},
		{"endless headers", raw(func(c net.Conn) {
			fmt.Fprint(c, "HTTP/1.1 200 OK\r\n")
			line := "X-A: " + request(c) + strings.Repeat("x", 1000) + "\r\n"
			for range 1000 {
				if _, err := fmt.Fprint(c, line); err != nil {
					return
				}
			}
		}), "the receiver's answer is not HTTP, or the connection failed", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			ch := secretChannel(c.url)
			if strings.HasPrefix(c.name, "hangs within") || c.name == "hangs" {
				ch.Timeout = 300 * time.Millisecond
			}
			r := newRig(t, func(o *Options) { o.Resolver, o.RootCAs = resolver, c.roots }, ch)
			stop := r.start(t, "umberhithe")
			d := message("tickets", "a", 1)
			r.commit("umberhithe", d)
			var stored event.Delivery
			eventually(t, func() bool {
				stored = r.store.get(t, "umberhithe", d.ID)
				return stored.Attempts > 0
			})
			stop()
			require.Equal(t, c.want, stored.Reason)
			require.Equal(t, event.DeliveryPending, stored.Status)
			require.Zero(t, stored.Code)
			require.Greater(t, stored.NextTry, time.Now().UnixMilli())
			requireNoSecret(t, r.logged(), stored.Reason)
		})
	}
}

// An answer without end is not read to its end, and one whose body breaks off still counts.
func TestAnswerBodyIsBounded(t *testing.T) {
	var written atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		chunk := make([]byte, 64<<10)
		for {
			n, err := w.Write(chunk)
			written.Add(int64(n))
			if err != nil {
				return
			}
		}
	}))
	defer server.Close()
	r := newRig(t, nil)
	defer r.client.CloseIdleConnections()
	out, err := r.Test(t.Context(), hookChannel("tickets", server.URL))
	require.NoError(t, err)
	require.True(t, out.OK())
	require.Less(t, out.Took, 5*time.Second)
	server.Close()
	require.Less(t, written.Load(), int64(64<<20), "the sender has to hang up")
}

// What can't be sent says why, and is not sent.
func TestNotSendable(t *testing.T) {
	recv := newReceiver(t, nil)
	r := newRig(t, nil)
	for want, c := range map[string]Channel{
		"not sent: the channel has no template":                            {Name: "a", URL: recv.URL, Format: FormatTemplate},
		"not sent: no secret of the channel signs any more; add one to it": {Name: "a", URL: recv.URL, Format: FormatWebhook},
		"not sent: channel a: a secret starts with \"whsec_\"":             {Name: "a", URL: recv.URL, Secrets: []Secret{{Text: "s3cr3t"}}},
		"not sent: the channel's URL can't be used":                        {Name: "a", URL: "http://a b/s3cr3t", Secrets: []Secret{{Text: testSecret}}},
		"the receiver's answer is not HTTP, or the connection failed":      {Name: "a", URL: "gopher://s3cr3t", Secrets: []Secret{{Text: testSecret}}},
	} {
		out, err := r.Test(t.Context(), c)
		require.NoError(t, err)
		require.Equal(t, want, out.Reason)
	}
	require.Empty(t, recv.ids())
}

// A template channel needs no secret: chat tools can't check signatures. Its messages still carry
// their id.
func TestUnsignedTemplate(t *testing.T) {
	recv := newReceiver(t, nil)
	c, err := parseTemplate(t, `{"text": "{data.alert.say}"}`)
	require.NoError(t, err)
	c.URL = recv.URL
	r := newRig(t, nil)
	defer r.client.CloseIdleConnections()
	out, err := r.Test(t.Context(), c)
	require.NoError(t, err)
	require.True(t, out.OK(), out.Reason)
	require.NotContains(t, recv.got[0].head, "Webhook-Signature")
	require.NotEmpty(t, recv.got[0].head.Get(HeaderID))
	require.JSONEq(t, `{"text": "\"The Harbour Light\" passed the street door unpaid"}`, string(recv.got[0].body))
}

func TestReasons(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{
		{&net.DNSError{Name: "a.example", IsTimeout: true}, "looking up the name a.example took too long"},
		{&net.DNSError{Name: "a.example"}, "the name a.example could not be looked up"},
		{&net.OpError{Op: "dial", Err: timeoutError{}}, "no connection within 5s"},
		{timeoutError{}, "no answer within 15s"},
		{&tls.CertificateVerificationError{Err: x509.CertificateInvalidError{Reason: x509.Expired}}, "TLS: the receiver's certificate has expired or is not valid yet"},
		{&tls.CertificateVerificationError{Err: errors.New("s3cr3t")}, "TLS: the receiver's certificate is not valid"},
		{tls.AlertError(40), "TLS: the receiver refused the handshake"},
		{errors.New("s3cr3t"), "the receiver's answer is not HTTP, or the connection failed"},
	} {
		require.Equal(t, c.want, reason(fmt.Errorf("post: %w", c.err), DefaultTimeout))
	}
}

type timeoutError struct{}

func (timeoutError) Error() string   { return "s3cr3t" }
func (timeoutError) Timeout() bool   { return true }
func (timeoutError) Temporary() bool { return true }

// Connections are kept: many messages one after another use one.
func TestConnectionsAreReused(t *testing.T) {
	var conns atomic.Int32
	recv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprint(w, "thank you")
	}))
	recv.Config.ConnState = func(_ net.Conn, s http.ConnState) {
		if s == http.StateNew {
			conns.Add(1)
		}
	}
	recv.Start()
	defer recv.Close()
	r := newRig(t, nil, hookChannel("tickets", recv.URL))
	r.start(t, "umberhithe")
	for i := range 50 {
		r.commit("umberhithe", message("tickets", fmt.Sprint(i), 1))
		eventually(t, func() bool { return len(r.settledIDs()) == i+1 })
	}
	require.EqualValues(t, 1, conns.Load())
}

// A kept connection that the receiver closed meanwhile costs no try: the transport opens another
// one.
func TestClosedConnectionIsNoFailure(t *testing.T) {
	recv := newReceiver(t, nil)
	r := newRig(t, nil, hookChannel("tickets", recv.URL))
	r.start(t, "umberhithe")
	for i := range 20 {
		d := message("tickets", fmt.Sprint(i), 1)
		r.commit("umberhithe", d)
		eventually(t, func() bool { return len(r.settledIDs()) == i+1 })
		require.Equal(t, 1, r.store.get(t, "umberhithe", d.ID).Attempts)
		recv.CloseClientConnections()
	}
}

// The header User-Agent names the version as a product token (RFC 9110, 10.1.5), which has no spaces
// and no brackets.
func TestUserAgentNamesTheVersion(t *testing.T) {
	for version, want := range map[string]string{"": "Lintel", "1.2.3": "Lintel/1.2.3", "(devel) 0f3c": "Lintel/devel",
		"v1.2.3 0f3c": "Lintel/v1.2.3"} {
		require.Equal(t, want, sender{agent: userAgent}.withVersion(version).agent)
	}
}
