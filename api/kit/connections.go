package kit

import (
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"
)

// Connections bounds how many connections a server holds. Where one more comes, the one that has
// waited longest for its next request, or for the whole head of it, is closed; where every one is
// being answered, the new one waits. So nobody keeps others out by doing nothing.
type Connections struct {
	limit int
	log   *slog.Logger

	mu      sync.Mutex
	changed *sync.Cond
	open    map[net.Conn]waitingSince
	closed  bool
}

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
		if oldest := c.oldest(); oldest != nil {
			delete(c.open, oldest)
			_ = oldest.Close()
		} else {
			c.changed.Wait()
		}
	}
	if c.closed {
		_ = conn.Close()
		return false
	}
	c.open[conn] = waitingSince(time.Now())
	return true
}

// oldest returns the connection that has waited longest, nil if none waits.
func (c *Connections) oldest() (oldest net.Conn) {
	var since time.Time
	for conn, at := range c.open {
		if at := time.Time(at); !at.IsZero() && (oldest == nil || at.Before(since)) {
			oldest, since = conn, at
		}
	}
	return oldest
}
