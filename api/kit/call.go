package kit

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
)

// Call is one request on its way.
type Call struct {
	echo.Context
	Route  *Route
	Key    *Key   // nil on an Open route
	Site   string // of a path with {site}
	Replay any    // what an Idempotency-Key gives again, where that is less than the first answer

	// Arrived is when the request came, before anything was asked of the store for it, by the clock
	// of the server's options.
	Arrived time.Time

	server *Server
	held   []byte            // the body of a Keyed route, read already
	path   map[string]string // its parameters
}

// Ctx returns the context of the request.
func (c *Call) Ctx() context.Context { return c.Request().Context() }

// admit checks the key and the site of the path.
func (c *Call) admit() error {
	if c.Route.Open {
		return nil
	}
	key, err := c.server.caller(c.Request(), c.Route.OldKeys)
	if err != nil {
		return err
	}
	c.Key = key
	c.Set("key", key.Name)
	c.server.uses.note(c.Ctx(), key)
	if err := key.Must(c.Route.Scopes); err != nil {
		return err
	}
	if c.Route.AllSites && !key.AllSites() {
		return Problemf(CodeMissingSite, "This concerns every site. %s is for %s only; it takes one with "+
			"the site \"*\".", key.Who(), strings.Join(key.Sites, ", "))
	}
	if c.Route.HasSite() {
		if c.Site, err = c.unescaped("site"); err != nil {
			return err
		}
		if !key.ForSite(c.Site) {
			return Problemf(CodeMissingSite, "%s is not for the site %q.", key.Who(), c.Site).With("site", c.Site)
		}
		if !ValidSite(c.Site) {
			return Problemf(CodeUnknownSite, "There is no such site: a site's id has 1 to 64 characters of a-z, "+
				"0-9, '-' and '_', and does not begin with '_'.")
		}
	}
	return nil
}

// KeyHolds returns an error once the key of a request that goes on for long was revoked. That the
// keys can't be read right now is none.
func (c *Call) KeyHolds() error {
	if _, err := c.server.caller(c.Request(), true); AsProblem(err).Code == CodeUnauthorized {
		return err
	}
	return nil
}

// PathParam returns a parameter of the path, unescaped.
func (c *Call) PathParam(name string) string { return c.path[name] }

// unescaped returns a parameter of the path as the caller meant it.
func (c *Call) unescaped(name string) (string, error) {
	v := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return v, nil // the router saw the path already unescaped
	}
	s, err := url.PathUnescape(v)
	if err != nil {
		return "", Problemf(CodeInvalidParameter, "The path parameter %q is not well percent-encoded.", name)
	}
	return s, nil
}

// Answer answers with v in JSON, unless there was an error.
func (c *Call) Answer(v any, err error) error {
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, v)
}

// Flush sends what a stream has written, within the time that a client has to take it, and empties
// buf.
func (c *Call) Flush(rc *http.ResponseController, buf *bytes.Buffer) error {
	_ = rc.SetWriteDeadline(time.Now().Add(c.server.opt.WritePatience))
	if _, err := c.Response().Write(buf.Bytes()); err != nil {
		return err
	}
	buf.Reset()
	err := rc.Flush()
	if c.Request().ProtoMajor == 2 { // there a deadline ends the stream though nothing waits to be sent
		_ = rc.SetWriteDeadline(time.Time{})
	}
	return err
}

// BrokenOff notes the error of an answer that is partly sent already, and sees to it that the
// client does not take it for whole. An answer that has not begun returns err.
func (c *Call) BrokenOff(err error) error {
	if err == nil || !c.Response().Committed {
		return err
	}
	c.server.opt.Log.Warn("an answer was broken off", "request", c.Response().Header().Get(HeaderRequestID), "route", c.Path(), "err", err)
	// The end of the body can't be written any more.
	_ = http.NewResponseController(c.Response()).SetWriteDeadline(time.Now().Add(-time.Second))
	return nil
}

// streamPatience is how long a client may take for a part of an answer.
const streamPatience = 30 * time.Second

// Writer returns what a long answer is written to: each part must be taken within 30 s.
func (c *Call) Writer() io.Writer { return deadlineWriter{c} }

type deadlineWriter struct{ c *Call }

func (w deadlineWriter) Write(b []byte) (int, error) {
	rc := http.NewResponseController(w.c.Response())
	_ = rc.SetWriteDeadline(time.Now().Add(streamPatience))
	n, err := w.c.Response().Write(b)
	if w.c.Request().ProtoMajor == 2 { // as in Flush; what is not yet taken is bounded by the deadline of the next part
		_ = rc.SetWriteDeadline(time.Now().Add(w.c.server.opt.LongTimeout))
	}
	return n, err
}
