package deliver

import (
	"context"
	"crypto/rand"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	mathrand "math/rand/v2"
	"net"
	"sync"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// Store is what a Dispatcher needs of a store: deliveries are records of their site, notices about
// channels and the health of channels are values, and a lease decides which process sends the
// notices.
type Store interface {
	Stores
	store.Leases
}

// Options are what a Dispatcher needs. Store, Channels and Guard must be set.
//
// There is no clock among them: time is the time package's, which tests control with
// testing/synctest.
type Options struct {
	Store Store
	// Channels returns the channel of that name as it is now. It is called before every try and
	// must be fast; it must not call the Dispatcher.
	Channels func(name string) (Channel, bool)
	// AboutChannels returns the names of the channels that are told about other channels
	// (Channel.AboutChannels), under the same conditions. nil: none is.
	AboutChannels func() []string

	Guard    *Guard
	Schedule Schedule       // its zero value: DefaultSchedule
	Rand     func() float64 // in [0, 1), for jitter; nil: a generator that needs no seed
	Log      *slog.Logger   // nil: none
	Observe  Observer
	Version  string // of the program, which the header User-Agent names; "": not

	Workers    int // tries at one time over all channels; every channel may always have one. 0: 256
	PerChannel int // deliveries of one channel that are kept in memory; the others wait in the store. 0: 4096
	DataBytes  int // of message bodies that are kept in memory; the others are read again. 0: 64 MiB

	KeepDelivered time.Duration // how long a delivered one stays on record. 0: 7 days
	KeepDead      time.Duration // how long a dead one does. 0: 90 days
	ScanEvery     time.Duration // how often the records are searched for old ones. 0: 30 minutes
	StopWithin    time.Duration // how long Run waits for tries to end. 0: 2 seconds

	Resolver *net.Resolver  // nil: the system's
	RootCAs  *x509.CertPool // nil: the system's
}

// Observer are functions that are told what happens, for metrics and notices; any may be nil. They
// are called from many goroutines, must be fast, and may call nothing of the Dispatcher but Stats.
type Observer struct {
	Tried   func(site string, d event.Delivery, out Outcome) // after each try, before its outcome is stored
	Settled func(site string, d event.Delivery)              // when it is stored that a delivery is delivered or dead
	Waited  func(channel string)                             // a delivery has to wait for the channel's PerSecond
	Channel func(channel string, event ChannelEvent)         // a channel fails for long, is stopped, or is started again
}

// Dispatcher sends deliveries. Make it with New; all methods are safe for concurrent use.
type Dispatcher struct {
	opt Options
	sender
	archive
	audience
	base   context.Context // of everything that Run has to wait for; it ends when the patience of a stop does
	cancel context.CancelFunc
	wg     sync.WaitGroup // of every goroutine; under mu, none is added after stopping but by another one that is running

	mu       sync.Mutex
	running  bool
	stopping bool
	queue
	timer    *time.Timer // for the first of delayed
	starved  []*lane     // that wait for a worker, in order
	inFlight int

	health       map[string]*health // by channel
	healthKnown  bool               // the store was asked
	healthOrder  noticeOrder        // when it was asked last
	saves        uint64             // of healths
	savingHealth bool
	tending      bool
	tendAt       time.Time

	asideAt map[string]time.Time // by site: when the last notice of an entry that was set aside was made

	process   string     // tells processes apart, in the lease of the notices
	leasedAt  time.Time  // when the lease was last had; zero: another process has it
	deadSteps uint64     // numbers of steps
	taking    sync.Mutex // held while steps are stored; before mu
}

// ErrStopped says that the dispatcher, or its work for the site, ended before the try did.
var ErrStopped = errors.New("deliver: stopped")

// New makes a dispatcher. It sends nothing before Run.
func New(opt Options) (*Dispatcher, error) {
	switch {
	case opt.Store == nil:
		return nil, errors.New("deliver: Options.Store is missing")
	case opt.Channels == nil:
		return nil, errors.New("deliver: Options.Channels is missing")
	case opt.Guard == nil:
		return nil, errors.New("deliver: Options.Guard is missing: NewGuard(nil) allows public addresses only")
	}
	if len(opt.Schedule.Delays) == 0 {
		opt.Schedule = DefaultSchedule()
	}
	if err := opt.Schedule.Check(); err != nil {
		return nil, fmt.Errorf("deliver: %w", err)
	}
	if opt.Rand == nil {
		opt.Rand = mathrand.Float64
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	orInt := func(v *int, or int) {
		if *v <= 0 {
			*v = or
		}
	}
	orDuration := func(v *time.Duration, or time.Duration) {
		if *v <= 0 {
			*v = or
		}
	}
	orInt(&opt.Workers, 256)
	orInt(&opt.PerChannel, 4096)
	orInt(&opt.DataBytes, 64<<20)
	orDuration(&opt.KeepDelivered, 7*24*time.Hour)
	orDuration(&opt.KeepDead, 90*24*time.Hour)
	orDuration(&opt.ScanEvery, 30*time.Minute)
	orDuration(&opt.StopWithin, 2*time.Second)
	base, cancel := context.WithCancel(context.Background())
	return &Dispatcher{
		opt: opt, sender: newSender(opt.Guard, opt.Resolver, opt.RootCAs).withVersion(opt.Version), archive: archive{opt.Store, opt.Log},
		audience: audience{opt.Channels, opt.AboutChannels},
		base:     base, cancel: cancel, queue: newQueue(opt.DataBytes), health: map[string]*health{}, asideAt: map[string]time.Time{}, process: rand.Text(),
	}, nil
}

// Run sends until ctx ends. Then it starts nothing new, waits for the tries that are under way (at
// most Options.StopWithin), stores their outcomes and returns nil. What was not finished is still
// pending in the store. It can be called once.
func (d *Dispatcher) Run(ctx context.Context) error {
	d.mu.Lock()
	if d.running || d.stopping {
		d.mu.Unlock()
		return errors.New("deliver: Run was called twice")
	}
	d.running = true
	d.pumpAll()
	d.arm()
	d.mu.Unlock()

	const housekeeping = time.Second
	ticker := time.NewTicker(housekeeping)
	defer ticker.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-ticker.C:
			d.housekeep()
		}
	}
	d.stop()
	return nil
}

func (d *Dispatcher) stop() {
	d.mu.Lock()
	d.stopping = true
	if d.timer != nil {
		d.timer.Stop()
	}
	for _, l := range d.lanes {
		if l.wake != nil {
			l.wake.Stop()
		}
	}
	for _, s := range d.sites {
		for _, e := range s.entries {
			if e.state != stateInFlight && e.state != stateUnsaved {
				e.answer(Outcome{}, ErrStopped)
			}
		}
	}
	d.mu.Unlock()
	patience := time.AfterFunc(d.opt.StopWithin, d.cancel)
	d.wg.Wait()
	patience.Stop()
	d.unleaseNotices()
	d.cancel()
	d.client.CloseIdleConnections()
}

// Resume takes over the site's pending deliveries from the store. The runner calls it when it got
// the site's lease, before it steps the site; until then, Offer does nothing for the site. After an
// error nothing was taken over, and it may be called again. For a site that is resumed already it
// has the store searched again soon: the reply to a commit may have been lost, and its deliveries
// were never offered.
func (d *Dispatcher) Resume(ctx context.Context, site string) error {
	d.mu.Lock()
	if d.stopping {
		d.mu.Unlock()
		return ErrStopped
	}
	s := d.site(site)
	if s.attached || s.resuming {
		s.again, s.scanAt = true, time.Time{}
		d.mu.Unlock()
		return nil
	}
	s.resuming = true
	d.mu.Unlock()

	found, err := d.searchFirst(ctx, site)

	d.mu.Lock()
	defer d.mu.Unlock()
	buffer, dropped := s.buffer, s.dropped
	s.resuming, s.dropped, s.buffer = false, false, nil
	if dropped {
		err = errors.Join(err, ErrStopped)
	}
	if err != nil {
		d.tidy(s)
		return fmt.Errorf("loading the deliveries of site %s: %w", site, err)
	}
	s.attached = true
	d.adopt(s, found)
	for i := range buffer {
		d.offer(s, &buffer[i])
	}
	d.pumpAll()
	d.arm()
	return nil
}

// searchFirst looks for what a site has to send. Before anything is sent at all, it must be known
// which channels are stopped.
func (d *Dispatcher) searchFirst(ctx context.Context, site string) (scanned, error) {
	d.mu.Lock()
	known := d.healthKnown
	d.mu.Unlock()
	if !known {
		if _, err := d.refreshHealth(ctx); err != nil {
			return scanned{}, err
		}
	}
	return d.scan(ctx, site, nil)
}

// Offer hands over deliveries that were just committed, in their order, and keeps their data. It
// never waits: what finds no room in memory is read from the store later. Deliveries of a site that
// was not resumed are left to whoever has it.
func (d *Dispatcher) Offer(site string, ds []event.Delivery) {
	if len(ds) == 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sites[site]
	switch {
	case d.stopping:
		return
	case s != nil && s.resuming:
		// The store may or may not have shown these to the search that is under way; those before
		// them come first.
		if len(s.buffer)+len(ds) <= d.opt.PerChannel {
			s.buffer = append(s.buffer, ds...)
			return
		}
		for i := range ds {
			s.leave(ds[i].Channel)
		}
		return
	case s == nil || !s.attached:
		d.opt.Log.Warn("deliveries of a site that was not resumed stay in the store", "site", site, "deliveries", len(ds))
		return
	}
	for i := range ds {
		if e := d.offer(s, &ds[i]); e != nil {
			d.pump(e.lane)
		}
	}
	d.arm()
}

// Forget drops what is queued for the site, whose lease is lost. Tries that are under way end; of
// their outcomes only success is still stored.
func (d *Dispatcher) Forget(site string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sites[site]
	if s == nil {
		return
	}
	s.attached, s.dropped = false, s.resuming
	clear(s.left)
	clear(s.parked)
	for _, e := range s.entries {
		if e.state != stateInFlight && e.state != stateUnsaved {
			d.remove(e)
			e.answer(Outcome{}, ErrStopped)
		}
	}
	s.held = nil
	d.tidy(s)
}

// Retry sends one delivery of the site once more, now, whatever its status: with the same id, by
// the same way as every other try. It waits for the outcome and for its being stored. A delivery
// that is delivered stays so if this try fails, a dead one stays dead, and a pending one goes on by
// the schedule. The error is store.ErrNotFound for an id that is not on record. When ctx ends the
// try goes on.
func (d *Dispatcher) Retry(ctx context.Context, site, id string) (Outcome, error) {
	rec, err := d.read(ctx, site, id)
	if err != nil {
		return Outcome{}, err
	}
	answer := make(chan tried, 1)
	d.mu.Lock()
	if d.stopping || !d.running {
		d.mu.Unlock()
		return Outcome{}, ErrStopped
	}
	s := d.site(site)
	e := s.entries[id]
	if e == nil {
		e = d.insert(s, rec, false)
		e.hand = true
	}
	e.waiters = append(e.waiters, answer)
	first, waits := e.behind()
	switch {
	case waits:
		e.answer(Outcome{Class: Failed, Reason: "not sent: it waits for " + first +
			", an earlier message of its alert that is pending; send that one again first"}, nil)
		if e.state == stateNew {
			d.remove(e)
			d.tidy(s)
		}
	case e.state == stateInFlight, e.state == stateUnsaved, e.state == stateGated, e.state == stateHeld: // its turn comes, or it has it
	default:
		d.unplace(e)
		e.hand, e.due = true, 0
		d.ready(e)
		d.pump(e.lane)
	}
	d.mu.Unlock()
	select {
	case t := <-answer:
		return t.out, t.err
	case <-ctx.Done():
		return Outcome{}, ctx.Err()
	}
}

// Test sends a sample to the channel, now and once, rendered, signed and guarded like every
// delivery, and returns what came of it. Its data have "test": true. It may be used with a channel
// that is disabled, or not stored yet. After success, a channel that was stopped is sent to again.
// The error is not nil if nothing could be tried.
func (d *Dispatcher) Test(ctx context.Context, c Channel) (Outcome, error) {
	d.mu.Lock()
	stopping := d.stopping
	if !stopping {
		d.wg.Add(1)
	}
	d.mu.Unlock()
	if stopping {
		return Outcome{}, ErrStopped
	}
	defer d.wg.Done()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(d.base, cancel)()
	m := Sample(c.Name)
	m.ID, m.At = "msg_test-"+rand.Text(), time.Now().UnixMilli()
	out := d.send(ctx, &c, "test", &m)
	if err := ctx.Err(); err != nil && out.Code == 0 {
		return out, err
	}
	if out.OK() {
		d.mu.Lock()
		d.succeeded(c.Name, d.healthOf(c.Name), time.Now())
		d.forward(c.Name)
		d.mu.Unlock()
	}
	return out, nil
}

// ChannelsChanged has the channels looked at again at once: those that are new, were not there when
// a message came, or have other settings.
func (d *Dispatcher) ChannelsChanged() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for name := range d.lanes {
		d.forward(name)
	}
}

// forward begins to bring the waiting messages of a channel forward that is expected to work now.
// Each success brings further ones.
func (d *Dispatcher) forward(channel string) {
	l := d.lane(channel)
	l.credit = max(l.credit, forwardAtOnce)
	d.bringForward(l)
	d.pump(l)
	d.arm()
}

// Stats are numbers about this moment.
type Stats struct {
	Queued   int // deliveries in memory: waiting, under way, or with an outcome that is not stored yet
	InFlight int // tries under way
	Stopped  int // channels that nothing is sent to
	Channels map[string]ChannelStats
}

// ChannelStats are numbers about one channel.
type ChannelStats struct {
	Queued   int
	InFlight int
	Limit    int       // tries at one time that the channel gets now; it falls while the receiver is in trouble
	Waited   uint64    // deliveries that had to wait for PerSecond, since the start
	LeftOut  uint64    // messages of types that it does not want, since the start
	Left     bool      // some deliveries found no room in memory and wait in the store
	Stopped  bool      // nothing is sent, until the channel is started again
	Oldest   time.Time // when the delivery that is due longest was due; zero: none is
}

// Stats returns numbers about this moment.
func (d *Dispatcher) Stats() Stats {
	d.mu.Lock()
	defer d.mu.Unlock()
	st := Stats{InFlight: d.inFlight, Channels: make(map[string]ChannelStats, len(d.lanes))}
	for _, h := range d.health {
		if !h.Stopped.IsZero() {
			st.Stopped++
		}
	}
	for name, l := range d.lanes {
		h := d.health[name]
		st.Channels[name] = ChannelStats{Queued: l.queued, InFlight: l.inFlight, Limit: l.limit, Waited: l.waited,
			LeftOut: l.leftOut, Stopped: h != nil && !h.Stopped.IsZero()}
	}
	for _, s := range d.sites {
		st.Queued += len(s.entries)
		for channel := range s.left {
			c := st.Channels[channel]
			c.Left = true
			st.Channels[channel] = c
		}
		for _, e := range s.entries {
			if e.state == stateDelayed || e.state == stateUnsaved {
				continue
			}
			due := time.UnixMilli(max(e.due, e.made))
			if c := st.Channels[e.lane.name]; c.Oldest.IsZero() || due.Before(c.Oldest) {
				c.Oldest = due
				st.Channels[e.lane.name] = c
			}
		}
	}
	return st
}
