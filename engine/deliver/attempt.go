package deliver

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"syscall"
	"time"

	"lintel/engine/event"
)

const (
	connectTimeout    = 5 * time.Second
	maxAnswerBytes    = 4 << 10 // of the body that is read; what it says is not kept
	maxAnswerHeaders  = 16 << 10
	idleTimeout       = 90 * time.Second
	userAgent         = "Lintel"
	headerIdempotency = "Idempotency-Key"
)

// Outcome is what came of one try.
type Outcome struct {
	Class Class
	Code  int           // HTTP status, 0: no answer
	Took  time.Duration // of the whole try
	// why it failed, "" after success. It holds no secret: neither header, nor body, nor what
	// follows the host of a URL
	Reason     string
	RetryAfter time.Duration // what the receiver asked for with 429 or 503, 0: nothing

	sent  bool // a request was made, or at least tried
	left  bool // the channel does not want messages of this type: it is left out, and nothing of it is kept
	tried bool // it was the channel's turn: that nothing was sent is its fault too, such as a secret that is over
}

// OK reports whether the receiver took the message.
func (o Outcome) OK() bool { return o.Class == Success }

// String says what happened in one line.
func (o Outcome) String() string {
	if o.OK() {
		return fmt.Sprintf("delivered in %.1f ms: the receiver answered %s", float64(o.Took.Microseconds())/1000, status(o.Code))
	}
	return "not delivered: " + o.Reason
}

func status(code int) string {
	if text := http.StatusText(code); text != "" {
		return fmt.Sprintf("%d %s", code, text)
	}
	return fmt.Sprint(code)
}

// newTransport returns the transport of all requests: through the guard, without any proxy (the
// guard would only see the proxy's address).
func newTransport(guard *Guard, resolver *net.Resolver, roots *x509.CertPool) *http.Transport {
	dialer := &net.Dialer{Timeout: connectTimeout, KeepAlive: 30 * time.Second, Control: guard.Control, Resolver: resolver}
	return &http.Transport{
		Proxy: nil,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			return guard.dial(ctx, dialer, network, address)
		},
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		TLSHandshakeTimeout:    connectTimeout,
		MaxIdleConns:           512,
		MaxIdleConnsPerHost:    maxInFlight,
		IdleConnTimeout:        idleTimeout,
		DisableCompression:     true, // nothing of the answer is used
		MaxResponseHeaderBytes: maxAnswerHeaders,
		ExpectContinueTimeout:  time.Second,
	}
}

// sender posts messages.
type sender struct {
	client *http.Client
	agent  string // User-Agent
}

// withVersion names the version, too, as far as a product token may hold it (RFC 9110, 10.1.5).
func (s sender) withVersion(version string) sender {
	version, _, _ = strings.Cut(version, " ")
	if version = strings.Trim(version, "()"); version != "" {
		s.agent = userAgent + "/" + version
	}
	return s
}

func newSender(guard *Guard, resolver *net.Resolver, roots *x509.CertPool) sender {
	return sender{agent: userAgent, client: newClient(guard, resolver, roots)}
}

func newClient(guard *Guard, resolver *net.Resolver, roots *x509.CertPool) *http.Client {
	return &http.Client{
		Transport:     newTransport(guard, resolver, roots),
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Client returns a client for requests other than messages: its connections go through the guard,
// it uses no proxy and follows no redirects.
func (g *Guard) Client() *http.Client { return newClient(g, nil, nil) }

// send makes one try: it renders, signs, posts and judges the answer.
func (s *sender) send(ctx context.Context, c *Channel, site string, m *event.Delivery) Outcome {
	start := time.Now()
	out := s.post(ctx, c, site, m)
	out.Took, out.tried = time.Since(start), true
	return out
}

func (s *sender) post(ctx context.Context, c *Channel, site string, m *event.Delivery) Outcome {
	body, contentType, err := c.Render(site, m)
	if err != nil {
		return Outcome{Class: Refused, Reason: "not sent: " + err.Error()}
	}
	now := time.Now()
	keys, err := c.keys(now)
	if err != nil {
		return Outcome{Class: Refused, Reason: "not sent: " + err.Error()}
	}
	if len(keys) == 0 && c.Format != FormatTemplate {
		return Outcome{Class: Failed, Reason: "not sent: no secret of the channel signs any more; add one to it"}
	}
	timeout := c.timeout()
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.URL, bytes.NewReader(body))
	if err != nil {
		return Outcome{Class: Refused, Reason: "not sent: the channel's URL can't be used"}
	}
	for name, value := range c.Headers {
		req.Header.Set(name, value)
	}
	req.Header.Set("Content-Type", contentType)
	req.Header.Set("User-Agent", s.agent)
	// Without a value the header is not sent; it tells the transport that the request may be
	// repeated if a kept connection turns out to be closed before any answer came, since a receiver
	// knows the message by its id.
	req.Header[headerIdempotency] = []string{}
	setSignature(req.Header, keys, m.ID, now, body)

	res, err := s.client.Do(req)
	if err != nil {
		return Outcome{Class: Failed, Reason: reason(err, timeout), sent: true}
	}
	defer res.Body.Close()
	_, err = io.Copy(io.Discard, io.LimitReader(res.Body, maxAnswerBytes))
	out := Outcome{Class: Classify(res.StatusCode), Code: res.StatusCode, sent: true}
	if out.OK() {
		// The status is the answer; that its body broke off does not take it back.
		return out
	}
	out.Reason = "the receiver answered " + status(res.StatusCode)
	if err != nil {
		out.Reason += " and then broke off"
	}
	switch res.StatusCode {
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		if after, err := ParseRetryAfter(res.Header.Get("Retry-After"), time.Now()); err == nil {
			out.RetryAfter = after
		}
	}
	if res.StatusCode >= 300 && res.StatusCode <= 399 {
		out.Reason += "; redirects are not followed, so the channel needs the address itself"
	}
	return out
}

// reason puts an error of the HTTP client into words of our own: its text would show the URL, and
// may show what the receiver sent.
func reason(err error, timeout time.Duration) string {
	var (
		blocked  *BlockedError
		lookup   *net.DNSError
		op       *net.OpError
		netErr   net.Error
		unknown  x509.UnknownAuthorityError
		hostname x509.HostnameError
		invalid  x509.CertificateInvalidError
		verify   *tls.CertificateVerificationError
		record   tls.RecordHeaderError
		alert    tls.AlertError
	)
	switch {
	case errors.As(err, &blocked):
		return blocked.Error()
	case errors.Is(err, context.Canceled):
		return "the try was interrupted"
	case errors.As(err, &lookup):
		switch {
		case lookup.IsNotFound:
			return fmt.Sprintf("the name %s was not found", lookup.Name)
		case lookup.IsTimeout:
			return fmt.Sprintf("looking up the name %s took too long", lookup.Name)
		}
		return fmt.Sprintf("the name %s could not be looked up", lookup.Name)
	case errors.As(err, &op) && op.Op == "dial" && op.Timeout():
		return fmt.Sprintf("no connection within %v", min(connectTimeout, timeout))
	case errors.Is(err, context.DeadlineExceeded):
		return fmt.Sprintf("no answer within %v", timeout)
	case errors.Is(err, syscall.ECONNREFUSED):
		return "the connection was refused"
	case errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		return "the receiver broke the connection off"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "the receiver can't be reached from here"
	case errors.As(err, &unknown):
		return "TLS: the receiver's certificate is signed by nobody that this machine trusts"
	case errors.As(err, &hostname):
		return "TLS: the receiver's certificate is for another host"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "TLS: the receiver's certificate has expired or is not valid yet"
	case errors.As(err, &verify):
		return "TLS: the receiver's certificate is not valid"
	case errors.As(err, &record), errors.Is(err, http.ErrSchemeMismatch):
		return "TLS: the receiver does not speak TLS on this port"
	case errors.As(err, &alert):
		return "TLS: the receiver refused the handshake"
	case errors.As(err, &netErr) && netErr.Timeout():
		return fmt.Sprintf("no answer within %v", timeout)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "the receiver closed the connection without an answer"
	}
	return "the receiver's answer is not HTTP, or the connection failed"
}
