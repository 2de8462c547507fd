package kit

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"
)

// Connections bounds how many connections a server holds. Where one more comes, the one that has
// waited longest for its next request, or for the rest of it, is closed; where every one is being
// answered, or is new, the new one waits. So nobody keeps others out by doing nothing.
type Connections struct {
	limit int
	log   *slog.Logger

	mu      sync.Mutex
	changed *sync.Cond
	open    map[net.Conn]waitingSince
	closed  bool
}

// newFor is for how long a connection is not closed for another one. Where many come, a request has
// arrived before its connection is accepted; this is for the server to read it.
const newFor = 50 * time.Millisecond

// waitingSince is since when a connection waits for a request; zero: it is being answered.
type waitingSince time.Time

// NewConnections returns the bound of a server, of at least one connection. Put its Changed into
// http.Server.ConnState.
func NewConnections(limit int, log *slog.Logger) *Connections {
	c := &Connections{limit: max(1, limit), log: log, open: make(map[net.Conn]waitingSince)}
	c.changed = sync.NewCond(&c.mu)
	return c
}

// Changed notes what became of a connection.
func (c *Connections) Changed(conn net.Conn, state http.ConnState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, known := c.open[conn]
	switch state {
	case http.StateClosed, http.StateHijacked:
		delete(c.open, conn)
	case http.StateActive:
		if known {
			c.open[conn] = waitingSince{}
		}
		return
	default:
		if known {
			c.open[conn] = waitingSince(time.Now())
		}
	}
	c.changed.Signal()
}

type connectionKey struct{}

// Context notes which connection the requests of ctx come by. Put it into http.Server.ConnContext.
func (c *Connections) Context(ctx context.Context, conn net.Conn) context.Context {
	return context.WithValue(ctx, connectionKey{}, func(since waitingSince) {
		if t, ok := conn.(*tls.Conn); ok && t.ConnectionState().NegotiatedProtocol == "h2" {
			return // other requests may be under way on it, which must not be cut off for this one
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		if _, known := c.open[conn]; known {
			c.open[conn] = since
		}
		c.changed.Signal()
	})
}

// waits notes that the request waits for the rest of its body, or has it.
func waits(ctx context.Context, does bool) {
	note, _ := ctx.Value(connectionKey{}).(func(waitingSince))
	switch {
	case note == nil: // a server without a bound
	case does:
		note(waitingSince(time.Now()))
	default:
		note(waitingSince{})
	}
}

// Listener accepts what l does, within the bound. That nothing can be accepted is logged.
func (c *Connections) Listener(l net.Listener) net.Listener {
	return &boundListener{Listener: l, c: c, failed: Seldom{Every: 10 * time.Second}}
}

type boundListener struct {
	net.Listener
	c      *Connections
	failed Seldom
}

func (l *boundListener) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	if err == nil && !l.c.admit(conn) {
		err = net.ErrClosed
	}
	if more, due := l.failed.Due("", time.Now()); err != nil && due && !l.c.isClosed() {
		l.c.log.Warn("a connection could not be accepted", "err", err, "not_logged", more)
	}
	return conn, err
}

func (l *boundListener) Close() error {
	l.c.mu.Lock()
	l.c.closed = true
	l.c.mu.Unlock()
	l.c.changed.Broadcast()
	return l.Listener.Close()
}

func (c *Connections) isClosed() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.closed
}

// admit makes room for a connection; false: the listener was closed meanwhile.
func (c *Connections) admit(conn net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for len(c.open) >= c.limit && !c.closed {
		oldest, since := c.oldest()
		switch left := newFor - time.Since(since); {
		case oldest == nil:
			c.changed.Wait()
		case left > 0:
			soon := time.AfterFunc(left, c.changed.Broadcast)
			c.changed.Wait()
			soon.Stop()
		default:
			delete(c.open, oldest)
			_ = oldest.Close()
		}
	}
	if c.closed {
		_ = conn.Close()
		return false
	}
	c.open[conn] = waitingSince(time.Now())
	return true
}

// oldest returns the connection that has waited longest and since when, nil if none waits.
func (c *Connections) oldest() (oldest net.Conn, since time.Time) {
	for conn, at := range c.open {
		if at := time.Time(at); !at.IsZero() && (oldest == nil || at.Before(since)) {
			oldest, since = conn, at
		}
	}
	return oldest, since
}
