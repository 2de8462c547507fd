package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lintel/api"
	"lintel/api/app"
	pages "lintel/api/console"
	"lintel/api/kit"
	"lintel/engine/sim"
	"lintel/engine/store/boltstore"
)

// Options say what is played and how. Out is required; the zero value of all else has a default.
type Options struct {
	Seed    uint64        // of all chance; equal seeds play the same day. Default 1
	Speed   float64       // simulated seconds in a real one; default 20
	Length  time.Duration // simulated time; default 40 min
	Out     io.Writer
	Keep    string // directory to keep the data in, which must hold none; default: a temporary one, removed at the end
	Listen  string // host:port of the API; default 127.0.0.1:0, a free port
	Stay    bool   // answer on after the end, until ctx ends
	Color   bool
	Verbose bool // also sales, and what the server logs

	change func(*sim.Config) // for tests: another day
	noSync bool              // for tests: the store need not survive a crash
}

// Bounds of the options.
const (
	minLength = time.Minute
	maxLength = 24 * time.Hour
	maxSpeed  = 10_000
)

func (o *Options) complete() error {
	if o.Out == nil {
		return errors.New("demo: Options.Out is missing")
	}
	o.Seed, o.Speed, o.Length = cmp.Or(o.Seed, 1), cmp.Or(o.Speed, 20), cmp.Or(o.Length, 40*time.Minute)
	o.Listen = cmp.Or(o.Listen, "127.0.0.1:0")
	if !(o.Speed > 0 && o.Speed <= maxSpeed) {
		return fmt.Errorf("the speed %v must be above 0 and at most %d simulated seconds in a real one", o.Speed, maxSpeed)
	}
	if o.Length < minLength || o.Length > maxLength {
		return fmt.Errorf("the length %v must be from %v to %v", o.Length, minLength, maxLength)
	}
	return nil
}

// How long the end takes at most. Run returns within about two seconds of the end of ctx; if the
// day just ends there is no hurry.
const (
	endWithin  = 15 * time.Second       // for all to be worked through and told, and again to ask how things stand
	hurry      = 500 * time.Millisecond // the same, once ctx has ended
	stopWithin = time.Second
)

// outlast returns a context that ends after endWithin, or soon after ctx does.
func outlast(ctx context.Context) (context.Context, context.CancelFunc) {
	longer, cancel := context.WithTimeout(context.WithoutCancel(ctx), endWithin)
	stop := context.AfterFunc(ctx, func() {
		pause(longer, hurry)
		cancel()
	})
	return longer, func() { stop(); cancel() }
}

// Run plays the demonstration and returns when it is over, or soon after ctx has ended, which is no
// error: the summary then covers what was played. It leaves nothing behind but Options.Keep.
func Run(ctx context.Context, opt Options) (err error) {
	if err := opt.complete(); err != nil {
		return err
	}
	dir, remove, err := directory(opt.Keep)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()
	start := beginning(time.Now(), opt.Length, opt.Speed)
	r := &run{opt: opt, dir: dir, page: &page{color: opt.Color, out: opt.Out}, start: start, clock: newClock(start, opt.Speed)}
	return r.play(ctx)
}

// directory makes the place for the data. remove undoes that where it is not to be kept.
func directory(keep string) (dir string, remove func() error, err error) {
	if keep == "" {
		dir, err = os.MkdirTemp("", "lintel-demo-")
		return dir, func() error { return os.RemoveAll(dir) }, err
	}
	if _, err := os.Stat(filepath.Join(keep, boltstore.FileName)); err == nil {
		return "", nil, fmt.Errorf("the directory %s holds the data of a Lintel already; name another one, or remove it", keep)
	}
	return keep, func() error { return nil }, os.MkdirAll(keep, 0o700)
}

// run is one demonstration.
type run struct {
	opt   Options
	dir   string
	page  *page
	start time.Time // of the day, by the shop's clock
	clock *clock

	keys     keys
	words    *words
	client   *client
	console  *console
	feeder   *feeder
	receiver *receiver
	events   chan consoleEvent
}

func (r *run) play(ctx context.Context) (err error) {
	outer := ctx
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if r.words, err = newWords(); err != nil {
		return err
	}
	r.events = make(chan consoleEvent, 4096)

	level := slog.LevelWarn
	if r.opt.Verbose {
		level = slog.LevelInfo
	}
	secrets := newSecrets()
	if r.receiver, err = startReceiver(secrets, func(h hook) { r.events <- consoleEvent{hook: &h} }); err != nil {
		return fmt.Errorf("start the receiver of webhooks: %w", err)
	}
	consoleDone := make(chan struct{})
	close(consoleDone) // none runs yet
	defer func() {
		bg, cancel := context.WithTimeout(context.Background(), stopWithin)
		defer cancel()
		err = errors.Join(err, r.receiver.stop(bg))
		close(r.events) // everyone who sends has ended
		<-consoleDone
		err = errors.Join(err, r.page.failure())
	}()

	st, err := boltstore.Open(r.dir, boltstore.Options{NoSync: r.opt.noSync,
		Log: slog.New(slog.DiscardHandler)}) // that it is new is no news
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	a, err := app.New(ctx, app.Options{
		Store: st, Listen: r.opt.Listen, Node: "demo", AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")},
		JournalKeep: r.journalKeep(), Log: slog.New(slog.NewTextHandler(r.page, &slog.HandlerOptions{Level: level})),
		Now: r.clock.Now, Speed: r.opt.Speed,
	})
	if err != nil {
		return r.ended(outer, err)
	}
	defer func() {
		bg, cancel := context.WithTimeout(context.Background(), stopWithin)
		defer cancel()
		err = errors.Join(err, a.Stop(bg))
	}()
	if err := a.Start(ctx); err != nil {
		return r.ended(outer, err)
	}
	if r.keys, err = mintKeys(ctx, st, time.Now()); err != nil {
		return r.ended(outer, err)
	}
	transport := &http.Transport{MaxIdleConnsPerHost: inFlight + 4}
	defer transport.CloseIdleConnections()
	r.client = &client{http: &http.Client{Transport: transport}, base: "http://" + reachable(a.URL())}
	r.head()
	n, err := load(ctx, r.client, r.keys.author, r.receiver.url(), secrets)
	if err != nil {
		return r.ended(outer, err)
	}
	r.page.text(plain, "  loaded    %d zones, %d read points, %d products, %d channels, %d rules, over the HTTP API\n",
		n.zones, n.readPoints, n.products, n.channels, n.rules)
	r.page.text(plain, "  Open this in a browser to see what the people of the shop see:")
	r.page.text(bold, "  %s\n", r.link())

	day := scenario(r.opt.Seed, r.start, r.opt.Length)
	if r.opt.change != nil {
		r.opt.change(&day)
	}
	s, err := sim.New(day)
	if err != nil {
		return err
	}
	r.console = newConsole(r.page, r.words, r.client, r.keys.operator, r.clock, r.start, r.opt.Verbose)
	r.feeder = &feeder{
		client: r.client, key: r.keys.readers, clock: r.clock, sim: s, marks: dueMarks(r.start, r.opt.Length),
		mark: func(t time.Time) { r.events <- consoleEvent{mark: t} },
	}
	r.feeder.count = &stockTake{
		client: r.client, staff: r.keys.operator, folded: r.feeder.folded,
		tell: func(f func(*console)) { r.events <- consoleEvent{tell: f} },
	}
	consoleDone = make(chan struct{})
	done := consoleDone
	go func() {
		defer close(done)
		r.console.run(context.WithoutCancel(ctx), r.events)
	}()

	// What breaks ends everything.
	r.page.onBreak(func(err error) { cancel(err) })
	live, stopLive := context.WithCancel(context.WithoutCancel(ctx))
	defer stopLive()
	opened, liveDone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(liveDone)
		if err := r.follow(live, opened); err != nil {
			cancel(err)
		}
	}()
	defer func() {
		stopLive()
		<-liveDone
	}()
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		select {
		case err := <-a.Failed():
			cancel(err)
		case <-live.Done():
		}
	}()
	defer func() {
		stopLive()
		<-watched
	}()
	select {
	case <-opened:
	case <-ctx.Done():
	}

	began := time.Now()
	r.clock.begin()
	fed := r.feeder.run(ctx)
	took := time.Since(began)
	if fed != nil && ctx.Err() == nil {
		return fed
	}
	if err := context.Cause(ctx); err != nil && outer.Err() == nil {
		return err // something broke
	}
	last := r.clock.Now()
	longer, stop := outlast(ctx)
	r.settle(longer)
	stop()
	if err := r.finish(ctx, s.Truth(), last, took); err != nil {
		return err
	}
	if r.opt.Stay && ctx.Err() == nil {
		<-ctx.Done()
		if outer.Err() == nil {
			return context.Cause(ctx)
		}
	}
	return nil
}

// ended turns an error caused by the end of ctx into none.
func (r *run) ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// link is the address of the console. On this machine it signs a browser in at once: what follows #
// is never sent over a network, and the page takes it out of the address.
func (r *run) link() string {
	at := r.client.base + pages.Prefix
	if host, _, err := net.SplitHostPort(strings.TrimPrefix(r.client.base, "http://")); err == nil && kit.ThisMachine(host) {
		at += "#key=" + r.keys.visitor
	}
	return at
}

// reachable returns where a server that listens on every address is reached from this machine.
func reachable(url string) string {
	hostPort := strings.TrimPrefix(url, "http://")
	host, port, err := net.SplitHostPort(hostPort)
	if err != nil {
		return hostPort
	}
	if ip, err := netip.ParseAddr(host); err == nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return hostPort
}

// journalKeep keeps little of what nobody will read.
func (r *run) journalKeep() time.Duration {
	if r.opt.Keep != "" {
		return 0
	}
	return 10 * time.Minute
}

func (r *run) head() {
	real := time.Duration(float64(r.opt.Length) / r.opt.Speed).Round(time.Second)
	r.page.text(bold, "Lintel demonstration: Umberhithe Books, a bookshop that does not exist")
	r.page.text(plain, "%s of its day at %v times real speed: about %s. Seed %d. Ctrl-C ends it.\n",
		spoken(r.opt.Length), r.opt.Speed, spoken(real), r.opt.Seed)
	r.page.text(yellow, "An alert is a prompt to look, never proof. What may follow, local law and trained practice say.\n"+
		"Never let one drive a door lock or anything else on an escape route.")
	keep := "removed at the end"
	if r.opt.Keep != "" {
		keep = "kept"
	}
	r.page.raw(fmt.Sprintf("\n  server    %s\n  data      %s (%s)\n  receiver  %s, checks the signature of each "+
		"webhook\n", r.client.base, r.dir, keep, r.receiver.url()))
}

// spoken writes a duration in words.
func spoken(d time.Duration) string {
	switch {
	case d >= 2*time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d hours", d/time.Hour)
	case d >= 2*time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d minutes", d/time.Minute)
	case d >= 2*time.Second && d < 2*time.Minute && d%time.Second == 0:
		return fmt.Sprintf("%d seconds", d/time.Second)
	}
	return d.String()
}

// follow passes on the events of the live stream.
func (r *run) follow(ctx context.Context, opened chan struct{}) error {
	first := true
	return r.client.listen(ctx, r.keys.operator, func() {
		if first {
			close(opened)
			first = false
		}
	}, func(f *api.FactView) { r.events <- consoleEvent{fact: f} }, func(c *api.AlertChangeView) { r.events <- consoleEvent{alert: c} })
}

// settle waits until all that was posted is worked through, and all webhooks of it are delivered.
func (r *run) settle(ctx context.Context) {
	for ctx.Err() == nil {
		s, err := r.client.site(ctx, r.keys.operator)
		if err == nil && s.Entries >= r.feeder.entry.Load() {
			if n, err := r.client.pending(ctx, r.keys.operator); err == nil && n == 0 {
				break
			}
		}
		pause(ctx, 20*time.Millisecond)
	}
	pause(ctx, 100*time.Millisecond) // for the live stream to bring it here
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
