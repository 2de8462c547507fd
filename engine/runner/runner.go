package runner

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

// Deliverer is the sender of webhooks, as far as the loop needs it.
type Deliverer interface {
	// Offer hands over deliveries that were just committed. It must not block.
	Offer(site string, ds []event.Delivery)
	// Resume takes up the site's deliveries from the store: this node works the site from now on.
	Resume(ctx context.Context, site string) error
	// Forget drops the site's deliveries from memory: another node works the site.
	Forget(site string)
}

// Store is what a Runner needs of a store.
type Store interface {
	store.Journal
	store.Records
	store.Documents
	store.Values
	store.Leases
}

// Options configure a Runner. Store is required; the zero value of all else has a default.
type Options struct {
	Store   Store
	Deliver Deliverer        // nil: nobody is told
	Now     func() time.Time // default time.Now. Leases go by the real clock all the same
	Speed   float64          // how fast Now runs against the real clock, which the loop waits by; default 1
	Log     *slog.Logger     // default slog.Default
	Node    string           // this process among others on the same store; default "node"
	Metrics *Metrics         // nil: not measured

	// Aside is notified of each entry that is set aside. Default nobody.
	Aside func(ctx context.Context, site string, a event.SetAside) error

	// BeforeFold is called before each entry is folded, for tests: it may wait, or panic. Default nil.
	BeforeFold func(*event.Entry)

	// Incarnation returns a number for engine.Incarnation, 0 for none; default a random one.
	Incarnation func() int

	LeaseTTL    time.Duration // default 5s
	BatchMax    int           // entries folded in one commit at most; default 64
	ChangesMax  int           // records written in one commit, about; default 5,000
	JournalKeep time.Duration // how long folded entries stay in the journal; default 48h
	FactsKeep   time.Duration // how long facts stay; default 30 days
	AlertsKeep  time.Duration // how long alerts stay that are over; default 365 days, at least 8 days
}

// Runner works all sites of one process.
type Runner struct {
	opt  Options
	docs *documents

	mu    sync.Mutex
	sites map[string]*Site
	ctx   context.Context
	stop  context.CancelFunc
	wg    sync.WaitGroup

	shops shops

	compared, clockWarned time.Time // when the clocks of the store and of this process were compared, and when they differed
}

// New returns a Runner that does not run yet.
func New(opt Options) *Runner {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Speed <= 0 {
		opt.Speed = 1
	}
	if opt.Log == nil {
		opt.Log = slog.Default()
	}
	if opt.Node == "" {
		opt.Node = "node"
	}
	if opt.LeaseTTL == 0 {
		opt.LeaseTTL = 5 * time.Second
	}
	if opt.BatchMax == 0 {
		opt.BatchMax = 64
	}
	if opt.ChangesMax == 0 {
		opt.ChangesMax = 5000
	}
	if opt.JournalKeep == 0 {
		opt.JournalKeep = 48 * time.Hour
	}
	if opt.FactsKeep == 0 {
		opt.FactsKeep = 30 * 24 * time.Hour
	}
	if opt.AlertsKeep == 0 {
		opt.AlertsKeep = 365 * 24 * time.Hour
	}
	opt.AlertsKeep = max(opt.AlertsKeep, 8*24*time.Hour) // for a week they can still be given an outcome
	if opt.Metrics == nil {
		opt.Metrics = NewMetrics(nil)
	}
	if opt.Incarnation == nil {
		opt.Incarnation = func() int { return 1 + rand.IntN(1<<40) }
	}
	ctx, stop := context.WithCancel(context.Background())
	return &Runner{opt: opt, docs: newDocuments(opt.Store), sites: make(map[string]*Site), ctx: ctx, stop: stop}
}

// Start begins to work every site that has a layout in the store.
func (r *Runner) Start(ctx context.Context) error {
	docs, err := r.opt.Store.ListDocuments(ctx, engine.LayoutDocument(""))
	if err != nil {
		return fmt.Errorf("list sites: %w", err)
	}
	// Each journal says that somebody listens again before anything that comes in now is in it.
	var started errgroup.Group
	started.SetLimit(16)
	for _, d := range docs {
		site := strings.TrimPrefix(d.Name, engine.LayoutDocument(""))
		started.Go(func() error { return r.appendStart(ctx, site) })
	}
	if err := started.Wait(); err != nil {
		return err
	}
	r.wg.Go(func() { r.guardName(r.ctx) })
	for _, d := range docs {
		r.open(strings.TrimPrefix(d.Name, engine.LayoutDocument("")))
	}
	return nil
}

// appendStart says in a site's journal that what comes in is taken from now on, so that what could
// not be reported before is not counted as silence.
func (r *Runner) appendStart(ctx context.Context, site string) error {
	e := event.Entry{Kind: event.EntryStart, At: r.opt.Now().UnixMilli(), By: "start"}
	if _, err := r.Append(ctx, site, &e, "", ""); err != nil {
		return fmt.Errorf("start site %s: %w", site, err)
	}
	return nil
}

// Stop ends all loops, gives up the leases, and waits for both.
func (r *Runner) Stop() {
	r.stop()
	r.wg.Wait()
}

// stopGrace is how long loops that only have to notice the end have for it, whatever the caller's time.
const stopGrace = time.Second

// Shutdown is Stop for a process that ends: it waits until ctx ends, and a little. An entry that is
// still being folded then is abandoned: it is never committed, and folded again by whoever has the site
// next, for which the leases are given up all the same. The error says so.
func (r *Runner) Shutdown(ctx context.Context) error {
	done := make(chan struct{})
	go func() { r.Stop(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
	}
	select {
	case <-done:
		return nil
	case <-time.After(stopGrace):
	}
	left, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopGrace)
	defer cancel()
	for _, s := range r.Sites() {
		_, _ = r.opt.Store.Lease(left, s.id, r.opt.Node, 0) // those that are not held are nobody's loss
	}
	return fmt.Errorf("an entry was still being processed, and is processed again after the next start: %w", ctx.Err())
}

// ErrNoSite says that the site has no layout.
var ErrNoSite = errors.New("no such site")

// Site returns a site of this store. It may have been made by another node a moment ago.
func (r *Runner) Site(ctx context.Context, id string) (*Site, error) {
	r.mu.Lock()
	s := r.sites[id]
	r.mu.Unlock()
	if s != nil {
		return s, nil
	}
	if _, err := r.opt.Store.GetDocument(ctx, engine.LayoutDocument(id), 0); errors.Is(err, store.ErrNotFound) {
		return nil, fmt.Errorf("%w: %q has no layout", ErrNoSite, id)
	} else if err != nil {
		return nil, err
	}
	return r.open(id), nil
}

// Sites lists the sites that this node works or follows, by id.
func (r *Runner) Sites() []*Site {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := make([]*Site, 0, len(r.sites))
	for _, s := range r.sites {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b *Site) int { return strings.Compare(a.id, b.id) })
	return all
}

func (r *Runner) open(id string) *Site {
	r.mu.Lock()
	defer r.mu.Unlock()
	if s := r.sites[id]; s != nil {
		return s
	}
	s := &Site{id: id, r: r, log: r.opt.Log.With("site", id), ready: make(chan struct{}),
		access: semaphore.NewWeighted(questions), decided: make(map[uint64]*event.SetAside), again: make(map[uint64]uint64), holders: newHolders()}
	r.sites[id] = s
	r.opt.Metrics.known(id)
	if r.ctx.Err() == nil {
		r.wg.Go(func() { s.run(r.ctx) })
		r.wg.Go(func() { s.keepHolders(r.ctx) })
	}
	return s
}

// Append puts an entry at the end of a site's journal. When it returns without error the entry is
// durable and will be folded. Where this node knows that the server's clock is behind the site's, the
// entry, and all reads and events in it, get times that the site goes by.
func (r *Runner) Append(ctx context.Context, site string, e *event.Entry, idempotencyKey, fingerprint string) (store.Appended, error) {
	if err := ctx.Err(); err != nil { // who asked is gone, or has given up
		return store.Appended{}, err
	}
	r.mu.Lock()
	s := r.sites[site]
	r.mu.Unlock()
	if s != nil && e.By != clockName {
		s.shift(e)
	}
	res, err := r.opt.Store.Append(ctx, site, store.NewEntry{
		Data: event.AppendEntry(nil, e), IdempotencyKey: idempotencyKey, Fingerprint: fingerprint,
	})
	if err != nil {
		return store.Appended{}, err
	}
	if s != nil {
		s.backlog.arrived(uint64(res[0].Seq), e.At)
	}
	return res[0], nil
}

// Err returns what keeps sites from being worked, nil if all is well: for the readiness probe.
func (r *Runner) Err() error {
	var errs []error
	for _, s := range r.Sites() {
		if err := s.Err(); err != nil {
			errs = append(errs, fmt.Errorf("site %s: %w", s.id, err))
		}
	}
	return errors.Join(errs...)
}
