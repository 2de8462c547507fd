package api

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/trial"
)

// Dispatcher is the sender of deliveries, as far as a person at the other end needs it.
type Dispatcher interface {
	// Retry sends one delivery again, now, and waits for the outcome. store.ErrNotFound: there is
	// no such delivery.
	Retry(ctx context.Context, site, id string) (deliver.Outcome, error)
	// Test sends a sample to a channel, now and once.
	Test(ctx context.Context, c deliver.Channel) (deliver.Outcome, error)
	// Health tells how channels fare.
	Health(ctx context.Context) (map[string]deliver.Health, error)
	// StartChannel lets a stopped channel be sent to again, and reports whether it was stopped.
	StartChannel(ctx context.Context, name string) (bool, error)
	// Recover queues dead deliveries of a channel again.
	Recover(ctx context.Context, sites []string, channel string, since, until time.Time) (deliver.Recovery, error)
}

// Channels is what sends by the channels that are stored.
type Channels interface {
	// Refresh has the newest version used from now on.
	Refresh(ctx context.Context) error
	// Check returns an error if nothing can be sent to the address of a channel.
	Check(c deliver.Channel) error
}

// Store is what an API needs of a store.
type Store interface {
	store.Journal
	store.Records
	store.Documents
	store.Values
	store.Service
}

// Options are what an API is made of. Store and Runner are required; the zero value of all else has
// a default.
type Options struct {
	Store      Store
	Runner     *runner.Runner
	Dispatcher Dispatcher           // nil: deliveries can be listed, not sent again
	Channels   Channels             // nil: nobody sends by them
	Now        func() time.Time     // the clock that reads are stamped and judged by; default time.Now
	Log        *slog.Logger         // default slog.Default
	Registry   *prometheus.Registry // what /metrics shows; default one that has the API's own metrics only

	Version string // of the program, which the OpenAPI document says; default "(devel)"

	// PublicURL is the address of this service as others know it, without a slash at its end. URIs
	// of sites, zones and read points begin with it, and with them the ids of EPCIS events: set it
	// once. Default: an address that nobody can own.
	PublicURL string

	// Pages are mounted as they are and without keys, by their prefix, such as "/console/": for
	// static files that hold no data.
	Pages map[string]http.Handler

	Provider IdentityProvider // who signs people in that have no key; nil: nobody

	KnownHost func(name string) bool // nil: browsers may reach the server by its addresses, the machine's name and PublicURL alone

	BodyLimit     int64         // bytes of a body once it is inflated; default 8 MiB
	ProductsLimit int64         // bytes of a body of products; default 64 MiB
	BodyMemory    int64         // bytes of the bodies of all requests at one time; default 128 MiB, at least ProductsLimit
	BatchLimit    int           // reads or events in a batch; default 10,000
	LiveLimit     int           // live streams at one time; default 256
	TrialLimit    int           // trials of rules at one time; default half of the processors, at least 1
	TrialTime     time.Duration // of one trial; default DefaultTrialTime
	TrialAlerts   int           // alerts that one trial raises; default trial.DefaultMaxAlerts
	TrialFacts    int           // facts of one trial; default DefaultTrialFacts
	Timeout       time.Duration // of a request as a whole; default 30s
	LongTimeout   time.Duration // of one that stores products; default 2 min
	writePatience time.Duration // how long a stream waits for its client; default 10s
	TakeUp        time.Duration // how long storing a document waits for the sites to take it up; default 2s
}

// API answers HTTP requests. It is made by New and safe for concurrent use.
type API struct {
	*backend
	routes []kit.Route
	live   *liveRoutes
	trials *trialRoutes
	epcis  *epcisRoutes

	closeOnce sync.Once
}

// backend is what the resources have in common.
type backend struct {
	opt     Options
	log     *slog.Logger
	store   Store
	runner  *runner.Runner
	metrics *metrics
	stamps  stamps
	server  *kit.Server

	signIns   kit.Seldom // that somebody was not signed in is logged, by the reason
	rejecting kit.Seldom // that something was rejected is logged, by site, kind and read point

	mu      sync.Mutex
	layouts map[string]*layoutEntry
	known   knownCache

	closing  chan struct{} // closed by Close: streams end
	draining atomic.Bool   // about to stop

	foldPatience time.Duration // how long something that a person did waits for its fold
}

// New makes an API.
func New(opt Options) *API {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Log == nil {
		opt.Log = slog.Default()
	}
	if opt.Registry == nil {
		opt.Registry = prometheus.NewRegistry()
	}
	opt.Version = cmp.Or(opt.Version, "(devel)")
	if opt.PublicURL == "" {
		opt.PublicURL = defaultPublicURL
	}
	orDefault(&opt.BodyLimit, 8<<20)
	orDefault(&opt.ProductsLimit, 64<<20)
	orDefault(&opt.BodyMemory, 128<<20)
	orDefault(&opt.BatchLimit, 10_000)
	orDefault(&opt.LiveLimit, 256)
	orDefault(&opt.Timeout, 30*time.Second)
	orDefault(&opt.LongTimeout, 2*time.Minute)
	orDefault(&opt.TakeUp, 2*time.Second)
	orDefault(&opt.TrialLimit, max(1, runtime.GOMAXPROCS(0)/2))
	orDefault(&opt.TrialTime, DefaultTrialTime)
	orDefault(&opt.TrialAlerts, trial.DefaultMaxAlerts)
	orDefault(&opt.TrialFacts, DefaultTrialFacts)
	orDefault(&opt.writePatience, 10*time.Second)
	b := &backend{
		opt: opt, log: opt.Log, store: opt.Store, runner: opt.Runner, metrics: newMetrics(opt.Registry),
		stamps: stamps{last: make(map[string]int64)}, layouts: make(map[string]*layoutEntry), closing: make(chan struct{}),
		foldPatience: 5 * time.Second, rejecting: kit.Seldom{Every: time.Minute}, signIns: kit.Seldom{Every: 10 * time.Second},
	}
	a := &API{
		backend: b, live: &liveRoutes{b, make(chan struct{}, opt.LiveLimit)}, trials: &trialRoutes{b, make(chan struct{}, opt.TrialLimit)},
		epcis: &epcisRoutes{backend: b, captures: kit.Seldom{Every: time.Hour}},
	}
	names := hosts(opt.PublicURL)
	var people func(*kit.Person) (scopes, sites []string)
	if opt.Provider != nil {
		names, people = hosts(opt.PublicURL, opt.Provider.Origin()), opt.Provider.Grants
	}
	a.routes = a.table()
	openAPIDocument() // a table that has no document must not be served
	b.server = kit.New(kit.Options{
		Routes: a.routes, Store: opt.Store, Log: opt.Log, Registry: opt.Registry, Pages: opt.Pages, Hosts: names,
		KnownHost: opt.KnownHost, People: people,
		DressProblem: b.epcisProblem, Now: opt.Now, BodyLimit: opt.BodyLimit, LongBodyLimit: opt.ProductsLimit,
		BodyMemory: max(opt.BodyMemory, opt.ProductsLimit+1<<20), Parsing: max(1, runtime.GOMAXPROCS(0)/2),
		Timeout: opt.Timeout, LongTimeout: opt.LongTimeout, WritePatience: opt.writePatience,
	})
	return a
}

func orDefault[T int | int64 | time.Duration](v *T, d T) {
	if *v <= 0 {
		*v = d
	}
}

// Handler returns the handler of all routes.
func (a *API) Handler() http.Handler { return a.server.Handler() }

// Drain has /readyz answer 503 from now on, while everything else is answered as before.
func (a *API) Drain() { a.draining.Store(true) }

// Close ends the live streams, so that a server that shuts down need not wait for them. All other
// requests go on.
func (a *API) Close() { a.closeOnce.Do(func() { close(a.closing) }) }

// unavailable wraps a failure of the store or the runner: nothing was wrong with the request, and
// it may be tried again, unless there is no such site.
func unavailable(err error) error {
	if errors.Is(err, runner.ErrNoSite) {
		return kit.Problemf(kit.CodeUnknownSite, "There is no such site: a site begins with its layout.").Because(err)
	}
	return kit.Unavailable(err)
}
