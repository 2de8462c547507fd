package deliver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/netip"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const testSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

var errBroken = errors.New("the disk is on fire")

// brittle is a store in memory that can be made to fail.
type brittle struct {
	*memory.Store
	mu      sync.Mutex
	commits int
	holder  string        // who had the lease of the notices last
	fail    func() error  // asked before each change
	lost    func() error  // asked after each change of healths that took effect
	hold    chan struct{} // if not nil, readings wait for it
}

func newBrittle() *brittle { return &brittle{Store: memory.Open()} }

func (b *brittle) Lease(ctx context.Context, name, owner string, ttl time.Duration) (bool, error) {
	held, err := b.Store.Lease(ctx, name, owner, ttl)
	if held {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.holder = owner
	}
	return held, err
}

// put stores deliveries as the runner does.
func (b *brittle) put(site string, ds ...event.Delivery) {
	c := store.Commit{Loose: true}
	for i := range ds {
		c.Writes = append(c.Writes, store.Record{Kind: event.KindDelivery, Key: ds[i].ID, Value: event.AppendDelivery(nil, &ds[i])})
	}
	if err := b.Store.Commit(context.Background(), site, c); err != nil {
		panic(err)
	}
}

func (b *brittle) get(t testing.TB, site, id string) (d event.Delivery) {
	t.Helper()
	err := errors.New("there is none")
	require.NoError(t, Stored(t.Context(), b.Store, site, []string{id}, func(_ string, v []byte) error {
		d, err = event.DecodeDelivery(v)
		return nil
	}))
	require.NoError(t, err, id)
	return d
}

func (b *brittle) commitCount() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commits
}

// ids lists the stored deliveries of a site, or of Notices.
func (b *brittle) ids(site string) (ids []string) {
	_ = Stored(context.Background(), b.Store, site, nil, func(id string, _ []byte) error {
		ids = append(ids, id)
		return nil
	})
	return ids
}

// channels lists those whose health is on record.
func (b *brittle) channels() (names []string) {
	_ = b.Store.Values(context.Background(), KindChannel, nil, func(v store.Value) error {
		names = append(names, v.Key)
		return nil
	})
	return names
}

func (b *brittle) Records(ctx context.Context, site string, kind store.Kind, keys []string,
	fn func(store.Kind, string, []byte) error) (store.Seq, error) {
	if b.hold != nil {
		<-b.hold
	}
	return b.Store.Records(ctx, site, kind, keys, fn)
}

// change makes one change, unless it fails.
func (b *brittle) change(lost bool, f func() error) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		if err := b.fail(); err != nil {
			return err
		}
	}
	if err := f(); err != nil || !lost || b.lost == nil {
		return err
	}
	return b.lost()
}

func (b *brittle) Commit(ctx context.Context, site string, c store.Commit) error {
	return b.change(false, func() error {
		if !c.Loose {
			return errors.New("the sender must commit loosely")
		}
		b.commits++
		return b.Store.Commit(ctx, site, c)
	})
}

func (b *brittle) SetValues(ctx context.Context, values ...store.Value) (rev store.Revision, err error) {
	health := slices.ContainsFunc(values, func(v store.Value) bool { return v.Kind == KindChannel })
	err = b.change(health, func() (err error) {
		rev, err = b.Store.SetValues(ctx, values...)
		return err
	})
	return rev, err
}

// message makes the delivery of one change of an alert.
func message(channel, alert string, order int) event.Delivery {
	d := Sample(channel)
	d.Alert, d.Order, d.ID = alert, order, fmt.Sprintf("msg_%s-%d-%s", alert, order, channel)
	return d
}

// bench is a dispatcher with its surroundings.
type rig struct {
	*Dispatcher
	store    *brittle
	log      *bytes.Buffer
	mu       sync.Mutex
	channels map[string]Channel
	logMu    sync.Mutex
	settled  []event.Delivery
	events   []string
}

type lockedWriter struct{ r *rig }

func (w lockedWriter) Write(b []byte) (int, error) {
	w.r.logMu.Lock()
	defer w.r.logMu.Unlock()
	return w.r.log.Write(b)
}

func (r *rig) logged() string {
	r.logMu.Lock()
	defer r.logMu.Unlock()
	return r.log.String()
}

func (r *rig) happened() []string {
	r.logMu.Lock()
	defer r.logMu.Unlock()
	return slices.Clone(r.events)
}

func (r *rig) setChannel(c Channel) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.channels[c.Name] = c
}

func (r *rig) settledIDs() []string {
	r.logMu.Lock()
	defer r.logMu.Unlock()
	var ids []string
	for _, d := range r.settled {
		ids = append(ids, fmt.Sprintf("%s %s", d.ID, d.Status))
	}
	return ids
}

var loopback = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}

// threeTries is a schedule of tests that look at what becomes of dead deliveries.
var threeTries = Schedule{Delays: []time.Duration{0, 5 * time.Minute, time.Hour}}

func newRig(t testing.TB, change func(*Options), channels ...Channel) *rig {
	t.Helper()
	r := &rig{store: newBrittle(), log: &bytes.Buffer{}, channels: map[string]Channel{}}
	for _, c := range channels {
		r.channels[c.Name] = c
	}
	opt := Options{
		Store: r.store,
		Channels: func(name string) (Channel, bool) {
			r.mu.Lock()
			defer r.mu.Unlock()
			c, ok := r.channels[name]
			return c, ok
		},
		AboutChannels: func() []string {
			r.mu.Lock()
			defer r.mu.Unlock()
			return slices.DeleteFunc(slices.Sorted(maps.Keys(r.channels)),
				func(name string) bool { return !r.channels[name].AboutChannels })
		},
		Guard: NewGuard(loopback),
		Rand:  func() float64 { return 0.5 }, // the schedule itself
		Log:   slog.New(slog.NewTextHandler(lockedWriter{r}, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Observe: Observer{
			Settled: func(_ string, d event.Delivery) {
				r.logMu.Lock()
				defer r.logMu.Unlock()
				r.settled = append(r.settled, d)
			},
			Channel: func(channel string, event ChannelEvent) {
				r.logMu.Lock()
				defer r.logMu.Unlock()
				r.events = append(r.events, channel+" "+string(event))
			},
		},
	}
	if change != nil {
		change(&opt)
	}
	var err error
	r.Dispatcher, err = New(opt)
	require.NoError(t, err)
	return r
}

// start runs the dispatcher with the sites resumed, and returns a function that stops it and waits.
func (r *rig) start(t testing.TB, sites ...string) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	for _, s := range sites {
		require.NoError(t, r.Resume(ctx, s))
	}
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			require.NoError(t, <-done)
		})
	}
	t.Cleanup(stop)
	return stop
}

// commit stores the deliveries as the runner does, and offers them.
func (r *rig) commit(site string, ds ...event.Delivery) {
	r.store.put(site, ds...)
	r.Offer(site, ds)
}

// roundTrip answers requests without a network, for tests whose time is synctest's.
type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func answer(code int, header ...string) *http.Response {
	h := http.Header{}
	for i := 0; i < len(header); i += 2 {
		h.Set(header[i], header[i+1])
	}
	return &http.Response{StatusCode: code, Header: h, Body: http.NoBody, ProtoMajor: 1, ProtoMinor: 1}
}

func hookChannel(name, url string) Channel {
	return Channel{Name: name, URL: url, Format: FormatWebhook, Secrets: []Secret{{Text: testSecret}}}
}

func eventually(t testing.TB, ok func() bool, msg ...any) {
	t.Helper()
	require.Eventually(t, ok, time.Minute, 2*time.Millisecond, msg...)
}

// pass lets synctest's time pass and waits for what that started.
func pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// tape records what happened, in order.
type tape struct {
	mu   sync.Mutex
	list []string
}

func (r *tape) add(s string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.list = append(r.list, s)
}

func (r *tape) all() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.list)
}
