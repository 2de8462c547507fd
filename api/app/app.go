// Package app puts a whole Lintel together: store, site loops, sender of webhooks, HTTP. The
// command line and tests start it with New and Start and end it with Stop; it reads no flags and
// catches no signals.
package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"lintel/api"
	"lintel/api/console"
	"lintel/api/oidc"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
	"lintel/engine/store/redisstore"
)

// Options say what to run. One of Data, Redis and Store is needed.
type Options struct {
	Data  string      // directory of the embedded store
	Redis string      // URL of a Redis server, Sentinel or Cluster
	Store store.Store // a store that is open already; Stop leaves it open

	Existing bool // a store must be there already: the error is store.ErrAbsent
	Wait     bool // New listens and waits for a Redis that is not up yet

	Listen          string // host:port; port 0 picks a free one. Default 127.0.0.1:8470
	TLSCert, TLSKey string // files with the certificate and its key, both in PEM; "": plain HTTP

	Node string // name of this process among others on one store; default host name and process id

	PublicURL  string           // the address of this service as others know it: the URIs of EPCIS documents begin with it
	AllowCIDRs []netip.Prefix   // private networks that webhooks may reach
	Retry      deliver.Schedule // zero: the default of about three days

	JournalKeep time.Duration // how long folded entries are kept; default 48h
	FactsKeep   time.Duration // how long facts are kept; default 30 days
	AlertsKeep  time.Duration // how long alerts that are over are kept; default 365 days

	Lease   time.Duration // after how long another node takes over the sites of one that is gone; default 5s
	Version string        // of the program, for metrics, logs and the interface's document; default "(devel)"

	Export ExportOptions // where else the data goes

	TrialLimit  int           // trials of rules at one time; default half of the processors, at least 1
	TrialTime   time.Duration // of one trial; default api.DefaultTrialTime
	TrialAlerts int           // alerts that one trial raises; default trial.DefaultMaxAlerts
	TrialFacts  int           // facts of one trial; default api.DefaultTrialFacts

	// Connections is how many connections of callers there are at one time; default 4096, or as
	// many as the process may have files, less 96 for everything else.
	Connections int
	BodyMemory  int64 // bytes of the bodies of all requests at one time; default that of api.Options

	OIDC *oidc.Settings // of the provider that signs people in; nil: keys alone do

	Log *slog.Logger // default slog.Default

	// A simulated shop has a clock of its own, which the sites and the API go by; webhooks are sent
	// by the real one.
	Now   func() time.Time // default time.Now
	Speed float64          // how fast Now runs against the real clock; default 1
}

// DefaultListen is where Lintel listens unless told otherwise: only this machine can reach it.
const DefaultListen = "127.0.0.1:8470"

const (
	maxConnections = 4096 // by default
	otherFiles     = 96   // the store, its connections, webhooks, exports
)

// App is one running Lintel.
type App struct {
	Store      store.Store
	Runner     *runner.Runner
	Dispatcher *deliver.Dispatcher
	API        *api.API
	Registry   *prometheus.Registry

	opt      Options
	ownStore bool
	channels *channels
	exports  *exports
	server   *http.Server
	handler  atomic.Pointer[http.Handler] // the API's, or one for the time before it
	listener net.Listener
	tls      *certificate // nil: plain HTTP
	wg       sync.WaitGroup
	stopBg   context.CancelFunc
	failed   chan error

	stopSending context.CancelFunc
	sent        chan struct{} // closed when the sender has ended
}

// New opens the store and puts the parts together. Nothing runs yet; while it waits for the store
// it listens, and answers that it is not ready.
func New(ctx context.Context, opt Options) (*App, error) {
	if opt.Log == nil {
		opt.Log = slog.Default()
	}
	if opt.Listen == "" {
		opt.Listen = DefaultListen
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Connections <= 0 {
		opt.Connections = maxConnections
		if files := maxFiles(); files > 0 {
			opt.Connections = min(opt.Connections, max(16, files-otherFiles))
		}
	}
	if opt.Speed <= 0 {
		opt.Speed = 1
	}
	opt.Version = cmp.Or(opt.Version, "(devel)")
	if opt.Node == "" {
		host, _ := os.Hostname()
		opt.Node = fmt.Sprintf("%s-%d", host, os.Getpid())
	}
	a := &App{opt: opt, Store: opt.Store, failed: make(chan error, 1)}
	var err error
	if a.tls, err = newCertificate(&opt); err != nil {
		return nil, err
	}
	if a.Store == nil {
		st, err := a.openStore(ctx)
		if err != nil {
			return nil, errors.Join(err, a.closeServer())
		}
		a.Store, a.ownStore = st, true
	}
	a.Registry = prometheus.NewRegistry()
	a.Registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	a.Registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "lintel_build_info", Help: "Always 1; the labels say what runs.",
		ConstLabels: prometheus.Labels{"version": opt.Version, "goversion": runtime.Version()}}, func() float64 { return 1 }))
	known := func(string) bool { return false }
	if a.tls != nil {
		a.Registry.MustRegister(a.tls.expires, a.tls.rejected)
		known = a.tls.covers
	}
	a.channels = &channels{store: a.Store, log: opt.Log, guard: deliver.NewGuard(opt.AllowCIDRs)}
	d, err := deliver.New(deliver.Options{
		Store: a.Store, Channels: a.channels.get, AboutChannels: a.channels.aboutOthers,
		Guard: a.channels.guard, Log: opt.Log, Version: opt.Version, Schedule: opt.Retry,
		Observe: a.observe(func() deliver.Stats { return a.Dispatcher.Stats() }, func(at int64) float64 {
			return opt.Now().Sub(time.UnixMilli(at)).Seconds() / opt.Speed
		}),
	})
	if err != nil {
		return nil, errors.Join(err, a.closeStore(), a.closeServer())
	}
	a.Dispatcher = d
	a.channels.changed = d.ChannelsChanged
	a.Runner = runner.New(runner.Options{
		Store: a.Store, Deliver: d, Log: opt.Log, Node: opt.Node, Metrics: runner.NewMetrics(a.Registry), Aside: d.NotifyAside,
		LeaseTTL: opt.Lease, JournalKeep: opt.JournalKeep, FactsKeep: opt.FactsKeep, AlertsKeep: opt.AlertsKeep, Now: opt.Now, Speed: opt.Speed,
	})
	a.Registry.MustRegister(a.Runner)
	if a.exports, err = newExports(a); err != nil {
		return nil, errors.Join(err, a.closeStore(), a.closeServer())
	}
	var provider api.IdentityProvider
	if opt.OIDC != nil {
		provider = oidc.New(*opt.OIDC, a.channels.guard.Client())
	}
	a.API = api.New(api.Options{
		Store: a.Store, Runner: a.Runner, Dispatcher: d, Log: opt.Log, Registry: a.Registry, PublicURL: opt.PublicURL, Now: opt.Now,
		Channels: a.channels, Version: opt.Version, Pages: map[string]http.Handler{console.Prefix: console.Handler()},
		KnownHost: known, Provider: provider,
		TrialLimit: opt.TrialLimit, TrialTime: opt.TrialTime, TrialAlerts: opt.TrialAlerts, TrialFacts: opt.TrialFacts, BodyMemory: opt.BodyMemory,
	})
	return a, nil
}

// OpenStore opens the store that the options name.
func OpenStore(ctx context.Context, opt Options) (store.Store, error) {
	switch {
	case opt.Data != "" && opt.Redis != "":
		return nil, errors.New("a data directory and a Redis URL were both given; Lintel keeps its data in one of them")
	case opt.Redis != "":
		return redisstore.Open(ctx, opt.Redis, redisstore.Options{Existing: opt.Existing, Log: opt.Log})
	case opt.Data != "":
		dir, err := filepath.Abs(opt.Data)
		if err != nil {
			return nil, err
		}
		return boltstore.Open(dir, boltstore.Options{Existing: opt.Existing, Log: opt.Log})
	}
	return nil, errors.New("no place to keep data was given: say --data DIR or --redis URL")
}

func (a *App) closeStore() error {
	if !a.ownStore {
		return nil
	}
	return a.Store.Close()
}

// Start listens and begins to work. It returns once requests are answered.
func (a *App) Start(ctx context.Context) error {
	if err := a.listen(); err != nil {
		return err
	}
	if err := a.channels.Refresh(ctx); err != nil {
		return errors.Join(fmt.Errorf("read the channels: %w", err), a.closeServer())
	}
	if err := a.Runner.Start(ctx); err != nil {
		return errors.Join(err, a.closeServer())
	}
	bg, stop := context.WithCancel(context.Background())
	a.stopBg = stop
	a.wg.Go(func() { a.channels.run(bg) })
	a.startExports(bg)
	sending, stopSending := context.WithCancel(context.Background())
	a.stopSending, a.sent = stopSending, make(chan struct{})
	a.wg.Go(func() {
		defer close(a.sent)
		if err := a.Dispatcher.Run(sending); err != nil {
			a.fail(err)
		}
	})
	a.watchStore(bg)
	if a.tls != nil {
		a.wg.Go(func() { a.tls.watch(bg) })
	}
	h := a.API.Handler()
	a.handler.Store(&h)
	return nil
}

func (a *App) fail(err error) {
	select {
	case a.failed <- err:
	default:
	}
}

// Failed yields an error if a part of the process ended that should not have.
func (a *App) Failed() <-chan error { return a.failed }

// URL returns where the API listens.
func (a *App) URL() string {
	if a.tls != nil {
		return "https://" + a.listener.Addr().String()
	}
	return "http://" + a.listener.Addr().String()
}

// Drain has /readyz say that the server is about to stop, and returns after a while in which it
// goes on answering: whoever spreads requests over servers turns to another one meanwhile.
func (a *App) Drain(d time.Duration) {
	a.API.Drain()
	time.Sleep(d)
}

// Stop ends everything in order: no new tries and no new requests, tries under way end or are cut
// off, what was accepted is folded or stays in the journal, the leases are given up, the store
// closes. The leases come after the tries: whoever has a site next sends what is pending, which no
// try must be under way for.
func (a *App) Stop(ctx context.Context) error {
	var errs []error
	if a.stopSending != nil {
		a.stopSending()
	}
	if a.server != nil {
		a.API.Close()
		if err := a.server.Shutdown(ctx); err != nil {
			errs = append(errs, err, a.server.Close())
		}
	}
	if a.sent != nil {
		<-a.sent
	}
	errs = append(errs, a.Runner.Shutdown(ctx))
	if a.stopBg != nil {
		a.stopBg()
	}
	a.wg.Wait()
	return errors.Join(append(errs, a.exports.close(), a.closeStore())...)
}

// channels keeps the newest channels at hand, so that the sender asks no store before each try.
type channels struct {
	store   store.Store
	log     *slog.Logger
	guard   *deliver.Guard
	changed func()
	known   func(name string)

	refreshing sync.Mutex // so that what was read first is not set last

	mu      sync.RWMutex
	version int
	byName  map[string]deliver.Channel
	about   []string // those that are told about others
}

// channelsFresh is how soon a change of the channels is in use on the other nodes.
const channelsFresh = 500 * time.Millisecond

func (c *channels) get(name string) (deliver.Channel, bool) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	ch, ok := c.byName[name]
	return ch, ok
}

func (c *channels) aboutOthers() []string {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.about
}

func (c *channels) run(ctx context.Context) {
	tick := time.NewTicker(channelsFresh)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if err := c.Refresh(ctx); err != nil && ctx.Err() == nil {
				c.log.Warn("the channels can't be read; those from before stay in use", "err", err)
			}
		}
	}
}

// Check returns an error if nothing can be sent to the channel's address.
func (c *channels) Check(ch deliver.Channel) error { return c.guard.CheckChannel(ch) }

// Refresh reads the channels again if there is a newer version of them.
func (c *channels) Refresh(ctx context.Context) error {
	c.refreshing.Lock()
	defer c.refreshing.Unlock()
	heads, err := c.store.ListDocuments(ctx, api.ChannelsDocument)
	if err != nil {
		return err
	}
	for _, h := range heads {
		c.mu.RLock()
		fresh := h.Name != api.ChannelsDocument || h.Version == c.version
		c.mu.RUnlock()
		if fresh {
			continue
		}
		d, err := c.store.GetDocument(ctx, h.Name, h.Version)
		if err != nil {
			return err
		}
		list, err := deliver.ParseChannels(d.Body)
		if err != nil {
			return err
		}
		m := make(map[string]deliver.Channel, len(list))
		var about []string
		for _, ch := range list {
			m[ch.Name] = ch
			c.known(ch.Name)
			if ch.AboutChannels {
				about = append(about, ch.Name)
			}
		}
		c.mu.Lock()
		c.version, c.byName, c.about = h.Version, m, about
		c.mu.Unlock()
		c.changed()
	}
	return nil
}

// observe makes the sender's metrics. since says how many seconds ago something happened at a time
// of the site clock, Unix milliseconds.
func (a *App) observe(stats func() deliver.Stats, since func(at int64) float64) deliver.Observer {
	tries := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lintel_delivery_tries_total", Help: "Tries to deliver, by channel and outcome.",
	}, []string{"channel", "outcome"})
	took := prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "lintel_delivery_try_seconds", Help: "How long one try took.", Buckets: prometheus.ExponentialBuckets(0.001, 2, 15),
	})
	age := prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "lintel_delivery_age_seconds", Help: "From the alert's change to its delivery.",
		Buckets: prometheus.ExponentialBuckets(0.001, 2, 22),
	})
	settled := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lintel_deliveries_settled_total", Help: "Deliveries that ended, delivered or dead.",
	}, []string{"channel", "status"})
	waited := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lintel_deliveries_waited_total", Help: "Deliveries that waited for a channel's rate limit.",
	}, []string{"channel"})
	waiting := prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "lintel_deliveries_waiting", Help: "Deliveries in memory that are not delivered yet.",
	}, func() float64 { return float64(stats().Queued) })
	events := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "lintel_channel_events_total", Help: "Channels that failed for 24 or 48 hours, were stopped (410 " +
			"Gone, or 72 hours without a success), or were started again.",
	}, []string{"channel", "event"})
	stopped := prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "lintel_channels_stopped", Help: "Channels that nothing is sent to until they are started again.",
	}, func() float64 { return float64(stats().Stopped) })
	a.Registry.MustRegister(tries, took, age, settled, waited, waiting, events, stopped)
	a.channels.known = func(channel string) { // the first message given up is then a rise
		for _, s := range []event.DeliveryStatus{event.DeliveryDelivered, event.DeliveryDead} {
			settled.WithLabelValues(channel, s.String())
		}
	}
	return deliver.Observer{
		Tried: func(_ string, d event.Delivery, out deliver.Outcome) {
			tries.WithLabelValues(d.Channel, out.Class.String()).Inc()
			took.Observe(out.Took.Seconds())
		},
		Settled: func(site string, d event.Delivery) {
			settled.WithLabelValues(d.Channel, d.Status.String()).Inc()
			if d.Status == event.DeliveryDelivered && site != deliver.Notices { // notices go by the real clock, and are no alerts'

				age.Observe(max(0, since(d.At)))
			}
		},
		Waited:  func(channel string) { waited.WithLabelValues(channel).Inc() },
		Channel: func(channel string, event deliver.ChannelEvent) { events.WithLabelValues(channel, string(event)).Inc() },
	}
}
