package kit

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"

	"lintel/engine/store"
)

// Names of headers and media types.
const (
	HeaderRequestID = "X-Request-Id"
	HeaderReplayed  = "Idempotency-Replayed"
	MediaProblem    = "application/problem+json"
	MediaJSON       = "application/json"
)

// Options are what a Server is made of. All are required, but for Hosts, KnownHost, People, Pages
// and DressProblem.
type Options struct {
	Routes []Route
	Store  interface {
		store.Documents // keys
		store.Values    // answers to requests with an Idempotency-Key
	}
	Log      *slog.Logger
	Registry prometheus.Registerer

	Hosts     []string               // names by which browsers may reach the server, beside its addresses and the machine's name
	KnownHost func(name string) bool // whether a name is one more of them; nil: there are no more

	// People returns what a person may do whom a provider signed in, and at which sites: by the
	// groups that they were in then. None: they may do nothing any more. nil: nobody is signed in
	// by a provider.
	People func(*Person) (scopes, sites []string)

	Pages map[string]http.Handler // mounted as they are and without keys, by their prefix, such as "/console/"

	// DressProblem may change a problem before it is answered, for an interface whose standard has
	// its own types of problems.
	DressProblem func(echo.Context, *Problem) *Problem

	Now func() time.Time // what Call.Arrived goes by; default time.Now

	BodyLimit     int64         // bytes of a body once it is inflated
	LongBodyLimit int64         // bytes of the body of a Long route
	BodyMemory    int64         // bytes of the bodies of all requests at one time
	Parsing       int           // documents that are parsed at one time
	Timeout       time.Duration // of a request as a whole
	LongTimeout   time.Duration // of one to a Long route
	WritePatience time.Duration // how long a stream waits for its client to take what it sends
}

// Server serves the routes. It is made by New and safe for concurrent use.
type Server struct {
	opt     Options
	byPath  map[string]*Route // by method, a space, and the router's path
	echo    *echo.Echo
	keys    *keyRing
	answers *answers

	sessions *sessions
	uses     *keyUse

	memory   bodyMemory
	parsing  chan struct{}
	failures Seldom // by route and code
	refusals Seldom // requests without a key that holds

	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
}

// New makes a server of the routes.
func New(opt Options) *Server {
	s := &Server{
		// Keys and answers go by the real clock, as the store does, even where a demonstration lets
		// the shop's clock run fast.
		opt: opt, byPath: make(map[string]*Route), keys: newKeyRing(opt.Store, time.Now),
		answers:  &answers{store: opt.Store, now: time.Now, log: opt.Log, pruned: Seldom{Every: time.Hour}},
		sessions: &sessions{store: opt.Store, now: time.Now, most: totalSessions, seen: make(map[string]seenSession)},
		uses:     &keyUse{store: opt.Store, now: time.Now},
		parsing:  make(chan struct{}, opt.Parsing), failures: Seldom{Every: 10 * time.Second}, refusals: Seldom{Every: time.Minute},
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_http_requests_total", Help: "Requests, by route, method and status.",
		}, []string{"route", "method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "lintel_http_request_seconds", Help: "Time to the end of the answer, by route.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16),
		}, []string{"route"}),
	}
	if s.opt.Now == nil {
		s.opt.Now = time.Now
	}
	s.memory.init(opt.BodyMemory, max(opt.BodyLimit, opt.LongBodyLimit))
	opt.Registry.MustRegister(s.requests, s.seconds)
	s.echo = s.mount()
	return s
}

// Handler returns the handler of all routes.
func (s *Server) Handler() http.Handler { return s.echo }

// ForgetKeys makes the next request read the keys again.
func (s *Server) ForgetKeys() { s.keys.forget() }

// mount registers the route table.
func (s *Server) mount() *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect()
	e.Logger.SetOutput(io.Discard)
	e.HTTPErrorHandler = func(err error, c echo.Context) { s.answerProblem(c, AsProblem(err)) }
	e.Use(s.outer)
	for i := range s.opt.Routes {
		r := &s.opt.Routes[i]
		for _, method := range []string{r.Method, "HEAD"} { // HEAD wherever GET (RFC 9110, section 9.1)
			if method == r.Method || r.Method == "GET" {
				s.byPath[method+" "+r.routerPath()] = r
				e.Add(method, r.routerPath(), s.wrap(r))
			}
		}
	}
	for prefix, h := range s.opt.Pages {
		e.Any(prefix+"*", echo.WrapHandler(http.StripPrefix(prefix, h)))
		e.GET(strings.TrimSuffix(prefix, "/"), func(c echo.Context) error { return c.Redirect(http.StatusPermanentRedirect, prefix) })
		if len(s.opt.Pages) == 1 { // whoever types the address alone means the pages
			e.GET("/", func(c echo.Context) error { return c.Redirect(http.StatusFound, prefix) })
		}
	}
	return e
}

// outer is around every request, also those that no route takes: it gives it an id, recovers from
// panics, measures and logs.
func (s *Server) outer(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		started := time.Now()
		defer s.begin(c)()
		id := requestID(c.Request().Header.Get(HeaderRequestID))
		h := c.Response().Header()
		h.Set(HeaderRequestID, id)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if c.Request().TLS != nil && !onlyHere(c.Request().Host) {
			h.Set("Strict-Transport-Security", "max-age=2592000") // 30 days
		}
		defer func() {
			if v := recover(); v != nil {
				s.opt.Log.Error("a request panicked", "request", id, "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
				err = nil
				if !c.Response().Committed {
					s.answerProblem(c, Problemf(CodeInternal, "Something failed here. The log has it under the request's id."))
				}
			}
			s.measure(c, id, started)
		}()
		if err := next(c); err != nil {
			s.answerProblem(c, AsProblem(err))
		}
		return nil
	}
}

// onlyHere reports whether a host is this machine as it calls itself. What a browser is made to
// keep of such a name would hold for every other server on the machine, too.
func onlyHere(host string) bool {
	return ThisMachine(hostName(host))
}

// ThisMachine reports whether a host, without a port, is reached from this machine alone.
func ThisMachine(host string) bool {
	addr, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && addr.IsLoopback()
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

func (s *Server) measure(c echo.Context, id string, started time.Time) {
	took := time.Since(started)
	route, status := c.Path(), c.Response().Status
	if status == http.StatusNotFound && s.byPath[c.Request().Method+" "+route] == nil {
		route = "" // else every wrong path would be a time series of its own
	}
	method := c.Request().Method
	if !methods[method] {
		method = "other"
	}
	s.requests.WithLabelValues(route, method, strconv.Itoa(status)).Inc()
	s.seconds.WithLabelValues(route).Observe(took.Seconds())
	if s.opt.Log.Enabled(context.Background(), slog.LevelDebug) {
		attrs := []any{"request", id, "method", method, "route", route, "path", c.Request().URL.Path, "status", status,
			"took", took, "bytes", c.Response().Size, "from", c.RealIP()}
		if k, ok := c.Get("key").(string); ok {
			attrs = append(attrs, "key", k)
		}
		s.opt.Log.Debug("request", attrs...)
	}
}

// wrap is around every route of the table: it limits the time, checks the key, and keeps answers
// for Idempotency-Keys.
func (s *Server) wrap(r *Route) echo.HandlerFunc {
	return func(ec echo.Context) error {
		c := &Call{Context: ec, Route: r, Arrived: s.opt.Now(), server: s}
		if !r.Stream {
			limit := s.opt.Timeout
			if r.Long {
				limit = s.opt.LongTimeout
			}
			ctx, cancel := context.WithTimeout(c.Request().Context(), limit)
			defer cancel()
			c.SetRequest(c.Request().WithContext(ctx))
		}
		if err := c.admit(); err != nil {
			return err
		}
		if err := c.checkParams(); err != nil {
			return err
		}
		switch {
		case r.Stream && c.Request().Method == "HEAD":
			return c.NoContent(http.StatusOK)
		case r.Stream && (len(r.Body) == 0 || c.Request().ContentLength == 0):
			c.keepReading()
		case r.Long:
			setDeadlines(c, s.opt.LongTimeout)
		}
		if r.Keyed {
			return c.once(r.Handle)
		}
		return r.Handle(c)
	}
}

// answerProblem writes a problem.
func (s *Server) answerProblem(c echo.Context, p *Problem) {
	id := c.Response().Header().Get(HeaderRequestID)
	if s.opt.DressProblem != nil {
		p = s.opt.DressProblem(c, p)
	}
	if p.Code.Status >= 500 { // the rest of a flood is at debug, as every request
		if more, due := s.failures.Due(c.Path()+" "+p.Code.Name, time.Now()); due {
			s.opt.Log.Error("request failed", "request", id, "route", c.Path(), "code", p.Code.Name, "err", p.cause,
				"not_logged", more)
		} else {
			s.opt.Log.Debug("request failed", "request", id, "route", c.Path(), "code", p.Code.Name, "err", p.cause)
		}
	}
	if p.Code == CodeUnauthorized {
		if more, due := s.refusals.Due("", time.Now()); due {
			s.opt.Log.Warn("a request without a key that holds was refused", "request", id, "route", c.Path(), "from", c.RealIP(),
				"reason", p.Detail, "not_logged", more)
		}
	}
	if c.Response().Committed {
		return
	}
	if h, ok := p.Code.header(); ok {
		c.Response().Header().Set(h.Name, h.value)
	}
	_ = c.Blob(p.Code.Status, MediaProblem, p.body(id))
}
