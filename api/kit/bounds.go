package kit

import (
	"context"
	"io"
	"net/http"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
)

// bodyMemory is how many more bytes of bodies may be held by all requests together. One key may have
// three quarters of them, or what one body may take if that is more, so that a sender which sends
// without end does not keep the others from it.
type bodyMemory struct {
	mu    sync.Mutex
	left  int64
	share int64            // of one key
	byKey map[string]int64 // what each has now
}

func (m *bodyMemory) init(all, largest int64) {
	m.left, m.share, m.byKey = all, max(all/4*3, largest+1), make(map[string]int64)
}

// take reserves n bytes for a key, or reports that there are not so many.
func (m *bodyMemory) take(key string, n int64) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if n > m.left || m.byKey[key]+n > m.share {
		return false
	}
	m.left -= n
	m.byKey[key] += n
	return true
}

func (m *bodyMemory) give(key string, n int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.left += n
	if m.byKey[key] -= n; m.byKey[key] == 0 {
		delete(m.byKey, key)
	}
}

// Parse calls f while no more than Options.Parsing other requests parse a document: the trees of a
// document take many times its bytes. It waits for its turn as long as the request may take.
func (c *Call) Parse(f func() error) error {
	ctx, cancel := context.WithTimeout(c.Ctx(), c.server.opt.Timeout)
	defer cancel()
	if ctx.Err() == nil {
		select {
		case c.server.parsing <- struct{}{}:
			defer func() { <-c.server.parsing }()
			return f()
		case <-ctx.Done():
		}
	}
	return Problemf(CodeBusy, "The server reads other documents. Nothing was taken; try again.").Because(ctx.Err())
}

// maxValues is how many values and members the JSON of a request has at most, where no format has a
// limit of its own.
const maxValues = 100_000

// TooManyValues reports whether a JSON text, valid or not, has more than so many values and members.
// Nothing is decoded: it counts what divides them.
func TooManyValues(text []byte, most int) bool {
	n := 1
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '{', '[', ',':
			if n++; n > most {
				return true
			}
		case '"':
			for i++; i < len(text) && text[i] != '"'; i++ {
				if text[i] == '\\' {
					i++
				}
			}
		}
	}
	return false
}

// begin sets when the request must have come in and its answer must be taken, before anything is
// decided about it. It returns what is to be called at its end, so that a body that nobody read holds
// up neither the answer nor the connection, where net/http would read on for what may never come.
func (s *Server) begin(c echo.Context) (end func()) {
	setDeadlines(c, s.opt.Timeout)
	req := c.Request()
	if req.ContentLength == 0 {
		return func() {}
	}
	body := &watchedBody{ReadCloser: req.Body}
	req.Body = body
	c.Response().Before(func() {
		if !body.ended {
			c.Response().Header().Set("Connection", "close")
		}
	})
	return func() {
		if !body.ended {
			_ = http.NewResponseController(c.Response()).SetReadDeadline(time.Now())
		}
	}
}

func setDeadlines(c echo.Context, limit time.Duration) {
	rc := http.NewResponseController(c.Response())
	_ = rc.SetReadDeadline(time.Now().Add(limit)) // not there in tests without a connection
	_ = rc.SetWriteDeadline(time.Now().Add(limit + 10*time.Second))
}

// keepReading lets a stream go on for as long as its client stays: nothing more has to come of it.
func (c *Call) keepReading() {
	_ = http.NewResponseController(c.Response()).SetReadDeadline(time.Time{})
}

// watchedBody knows whether its end was read.
type watchedBody struct {
	io.ReadCloser
	ended bool
}

func (b *watchedBody) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	b.ended = b.ended || err == io.EOF
	return n, err
}

// methods are those that are counted by name: any text may be sent as one.
var methods = map[string]bool{"GET": true, "HEAD": true, "POST": true, "PUT": true, "PATCH": true, "DELETE": true, "OPTIONS": true}

// Seldom lets something happen once in a while for each key, at once the first time. Its zero value
// lets everything happen.
type Seldom struct {
	Every time.Duration

	mu   sync.Mutex
	last map[string]*occasion
}

type occasion struct {
	at    time.Time
	since int // how often it was not due since
}

// maxOccasions bounds the keys that are remembered.
const maxOccasions = 10_000

// Due reports whether it may happen now, and how often it was not due since it last was.
func (s *Seldom) Due(key string, now time.Time) (since int, due bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	o := s.last[key]
	switch {
	case o == nil:
		if s.last == nil || len(s.last) == maxOccasions {
			s.last = make(map[string]*occasion)
		}
		o = &occasion{}
		s.last[key] = o
	case now.Sub(o.at) < s.Every && now.After(o.at.Add(-s.Every)):
		o.since++
		return 0, false
	}
	since, o.since, o.at = o.since, 0, now
	return since, true
}
