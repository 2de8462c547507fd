package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"lintel/engine/layout"
)

const (
	headerRequestID = "X-Request-Id"
	headerReplayed  = "Idempotency-Replayed"
	mediaProblem    = "application/problem+json"
	mediaJSON       = "application/json"
)

// outer is around every request, also those that no route takes: it gives it an id, recovers from panics, measures and logs.
func (a *API) outer(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		started := time.Now()
		id := requestID(c.Request().Header.Get(headerRequestID))
		h := c.Response().Header()
		h.Set(headerRequestID, id)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		defer func() {
			if v := recover(); v != nil {
				a.log.Error("a request panicked", "request", id, "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
				err = nil
				if !c.Response().Committed {
					a.answerProblem(c, problemf(codeInternal, "Something failed here. The log has it under the request's id."))
				}
			}
			a.measure(c, id, started)
		}()
		if err := next(c); err != nil {
			a.answerProblem(c, asProblem(err))
		}
		return nil
	}
}

// requestID takes over the caller's id if it can do no harm in a log, else it makes one.
func requestID(given string) string {
	ok := len(given) > 0 && len(given) <= 64
	for i := 0; i < len(given) && ok; i++ {
		c := given[i]
		ok = c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' || c == '.'
	}
	if ok {
		return given
	}
	return rand.Text()
}

func (a *API) measure(c echo.Context, id string, started time.Time) {
	took := time.Since(started)
	route, status := c.Path(), c.Response().Status
	if status == http.StatusNotFound && a.routeOf(c) == nil {
		route = "" // else every wrong path would be a time series of its own
	}
	a.metrics.requests.WithLabelValues(route, c.Request().Method, strconv.Itoa(status)).Inc()
	a.metrics.seconds.WithLabelValues(route).Observe(took.Seconds())
	if a.log.Enabled(context.Background(), slog.LevelDebug) {
		attrs := []any{"request", id, "method", c.Request().Method, "route", route, "path", c.Request().URL.Path, "status", status,
			"took", took, "bytes", c.Response().Size, "from", c.RealIP()}
		if k, ok := c.Get("key").(string); ok {
			attrs = append(attrs, "key", k)
		}
		a.log.Debug("request", attrs...)
	}
}

func (a *API) routeOf(c echo.Context) *route {
	for i := range a.routes {
		if r := &a.routes[i]; r.method == c.Request().Method && r.echoPath() == c.Path() {
			return r
		}
	}
	return nil
}

// wrap is around every route of the table: it limits the time, checks the key, and keeps answers for Idempotency-Keys.
func (a *API) wrap(r *route) echo.HandlerFunc {
	return func(ec echo.Context) error {
		c := &call{Context: ec, api: a, route: r}
		if !r.stream {
			limit := a.opt.Timeout
			if r.long {
				limit = a.opt.LongTimeout
			}
			ctx, cancel := context.WithTimeout(c.Request().Context(), limit)
			defer cancel()
			c.SetRequest(c.Request().WithContext(ctx))
			// A body that trickles in must not hold the request longer than its time.
			rc := http.NewResponseController(c.Response())
			_ = rc.SetReadDeadline(time.Now().Add(limit))
			_ = rc.SetWriteDeadline(time.Now().Add(limit + 10*time.Second))
		}
		if err := c.admit(); err != nil {
			return err
		}
		if err := c.checkParams(); err != nil {
			return err
		}
		if r.keyed {
			return c.once(r.handle)
		}
		return r.handle(c)
	}
}

// admit checks the key and the site of the path.
func (c *call) admit() error {
	if c.route.open {
		return nil
	}
	key, err := c.api.keys.of(c.Request())
	if err != nil {
		return err
	}
	c.key = key
	c.Set("key", key.Name)
	if !key.allows(c.route.scopes) {
		return problemf(codeMissingScope, "The key %q lacks the scope %s.", key.Name, strings.Join(c.route.scopes, " or ")).with("scopes", c.route.scopes)
	}
	if c.route.allSites && !key.allSites() {
		return problemf(codeMissingSite, "This concerns every site; the key %q is for %s only. It takes a key with the site \"*\".", key.Name, strings.Join(key.Sites, ", "))
	}
	if c.route.hasSite() {
		if c.site, err = c.pathValue("site"); err != nil {
			return err
		}
		if !key.forSite(c.site) {
			return problemf(codeMissingSite, "The key %q is not for the site %q.", key.Name, c.site).with("site", c.site)
		}
		if !validSite(c.site) {
			return problemf(codeUnknownSite, "There is no such site: a site's id has 1 to 64 characters of a-z, 0-9, '-' and '_', and does not begin with '_'.")
		}
	}
	return nil
}

// validSite reports whether a site may have this id. Ids that begin with '_' are Lintel's own.
func validSite(id string) bool { return layout.ValidID(id) && id[0] != '_' }

// pathValue returns a parameter of the path as the caller meant it.
func (c *call) pathValue(name string) (string, error) {
	v := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return v, nil // the router saw the path already unescaped
	}
	s, err := url.PathUnescape(v)
	if err != nil {
		return "", problemf(codeInvalidParameter, "The path parameter %q is not well percent-encoded.", name)
	}
	return s, nil
}

// answerProblem writes a problem.
func (a *API) answerProblem(c echo.Context, p *Problem) {
	id := c.Response().Header().Get(headerRequestID)
	p = a.epcisProblem(c, p)
	if p.status() >= 500 {
		a.log.Error("request failed", "request", id, "method", c.Request().Method, "route", c.Path(), "code", string(p.code), "err", p.cause)
	}
	if c.Response().Committed {
		return
	}
	h := c.Response().Header()
	switch p.code {
	case codeUnauthorized:
		h.Set("WWW-Authenticate", `Bearer realm="lintel"`)
	case codeUnavailable, codeTooManyStreams, codeTooManyTrials, codeIdempotencyBusy, codeTimeout:
		h.Set("Retry-After", "1")
	case codeUnsupportedEncoding:
		h.Set("Accept-Encoding", "gzip")
	}
	_ = c.Blob(p.status(), mediaProblem, p.body(id))
}

// accepts chooses among the media types that a route offers by the Accept header; the first one if it does not matter. The parameter "format" wins, so that
// a link can ask too. q values only matter as 0: whoever sends several is content with any.
func (c *call) accepts(offers ...string) (string, error) {
	if f := c.QueryParam("format"); f != "" {
		for _, o := range offers {
			if _, sub, _ := strings.Cut(o, "/"); sub == f {
				return o, nil
			}
		}
		return "", problemf(codeNotAcceptable, "There is no form %q; it can be %s.", f, strings.Join(offers, " or "))
	}
	accept := strings.Join(c.Request().Header.Values("Accept"), ",")
	if accept == "" {
		return offers[0], nil
	}
	for part := range strings.SplitSeq(accept, ",") {
		media, params, _ := strings.Cut(part, ";")
		media = strings.ToLower(strings.TrimSpace(media))
		if q := strings.ReplaceAll(params, " ", ""); q == "q=0" || strings.HasPrefix(q, "q=0.0") && strings.Trim(q[3:], "0.") == "" {
			continue
		}
		for _, o := range offers {
			kind, _, _ := strings.Cut(o, "/")
			if media == o || media == "*/*" || media == kind+"/*" {
				return o, nil
			}
		}
	}
	return "", problemf(codeNotAcceptable, "The answer can be %s.", strings.Join(offers, " or ")).with("offers", offers)
}

// once carries out a request that has an Idempotency-Key only once, and gives the same answer again.
func (c *call) once(handle func(*call) error) error {
	key, err := idempotencyKey(c.Request())
	if err != nil {
		return err
	}
	if key == "" {
		return handle(c)
	}
	body, err := c.readBody(c.api.limitOf(c.route))
	if err != nil {
		return err
	}
	defer body.release()
	ctx := c.Request().Context()
	claim, err := c.api.answers.claim(ctx, c.key.Name+" "+key, fingerprint(c.Request(), body.b), c.api.opt.LongTimeout)
	if err != nil {
		return unavailable(err)
	}
	if claim.answered() {
		c.Response().Header().Set(headerReplayed, "true")
		for name, value := range claim.kept.Header {
			c.Response().Header().Set(name, value)
		}
		return c.Blob(claim.kept.Status, claim.kept.Type, claim.kept.Body)
	}
	c.SetRequest(withBody(c.Request(), body.b))
	tee := &teeWriter{ResponseWriter: c.Response().Writer}
	c.Response().Writer = tee
	if err := handle(c); err != nil {
		c.api.answerProblem(c, asProblem(err))
	}
	c.Response().Writer = tee.ResponseWriter
	kept := keptAnswer{Status: c.Response().Status, Type: c.Response().Header().Get("Content-Type"), Body: tee.buf.Bytes()}
	for _, name := range []string{"ETag", "Location"} {
		if v := c.Response().Header().Get(name); v != "" {
			kept.Header = map[string]string{name: v} // no answer has both
		}
	}
	if c.replay != nil {
		kept.Body = mustJSON(c.replay)
	}
	// The caller may be gone; what was done must be on record all the same.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := c.api.answers.keep(ctx, claim, kept); err != nil {
		c.api.log.Warn("an answer could not be kept for its Idempotency-Key", "err", err)
	}
	return nil
}

// teeWriter copies what is answered.
type teeWriter struct {
	http.ResponseWriter
	buf bytes.Buffer
}

func (w *teeWriter) Write(b []byte) (int, error) {
	w.buf.Write(b)
	return w.ResponseWriter.Write(b)
}

func (w *teeWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// sites lists the sites that the caller may see, in order. With the parameter "site", just that one.
func (c *call) sites() ([]string, error) {
	if site := c.QueryParam("site"); site != "" {
		if !c.key.forSite(site) {
			return nil, problemf(codeMissingSite, "The key %q is not for the site %q.", c.key.Name, site).with("site", site)
		}
		if !validSite(site) {
			return nil, problemf(codeUnknownSite, "There is no such site.")
		}
		if _, err := c.api.runner.Site(c.Request().Context(), site); err != nil {
			return nil, unavailable(err)
		}
		return []string{site}, nil
	}
	all, err := c.api.allSites(c.Request().Context())
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(id string) bool { return !c.key.forSite(id) }), nil
}
