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
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const testSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// memory is a store of records and leases only, which can be made to fail.
type memory struct {
	store.Store
	mu      sync.Mutex
	records map[string]map[string][]byte // site, id; notices apart, see shelf
	cursors map[string]store.Seq
	leases  map[string]string // site, owner
	expiry  map[string]time.Time
	commits int
	fail    func() error  // asked before each commit
	lost    func() error  // asked after each commit of ChannelsSite that took effect
	hold    chan struct{} // if not nil, readings wait for it
}

func newMemory() *memory {
	return &memory{records: map[string]map[string][]byte{}, cursors: map[string]store.Seq{}, leases: map[string]string{}, expiry: map[string]time.Time{}}
}

// notices is where the notices about channels are, in records.
const notices = "_notices"

// shelf returns where records are.
func shelf(site string, kind store.Kind) string {
	if site == ChannelsSite && kind == event.KindDelivery {
		return notices
	}
	return site
}

func (m *memory) Lease(ctx context.Context, site, owner string, ttl time.Duration) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	if have := m.leases[site]; have != "" && have != owner && m.expiry[site].After(now) {
		return false, ctx.Err()
	}
	if ttl == 0 {
		delete(m.leases, site)
		return false, ctx.Err()
	}
	m.leases[site], m.expiry[site] = owner, now.Add(ttl)
	return true, ctx.Err()
}

var errBroken = errors.New("the disk is on fire")

func (m *memory) put(site string, ds ...event.Delivery) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range ds {
		if m.records[site] == nil {
			m.records[site] = map[string][]byte{}
		}
		m.records[site][ds[i].ID] = event.AppendDelivery(nil, &ds[i])
	}
}

func (m *memory) get(t testing.TB, site, id string) event.Delivery {
	t.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	d, err := event.DecodeDelivery(m.records[site][id])
	require.NoError(t, err, id)
	return d
}

func (m *memory) commitCount() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.commits
}

func (m *memory) ids(site string) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Sorted(maps.Keys(m.records[site]))
}

func (m *memory) Records(ctx context.Context, site string, kind store.Kind, keys []string, fn func(store.Kind, string, []byte) error) (store.Seq, error) {
	if m.hold != nil {
		<-m.hold
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if kind == KindChannel && site != ChannelsSite {
		return 0, errors.New("channels are kept apart from sites")
	}
	records := m.records[shelf(site, kind)]
	if keys == nil {
		keys = slices.Collect(maps.Keys(records))
	}
	for _, k := range keys {
		if v, ok := records[k]; ok {
			if err := fn(kind, k, bytes.Clone(v)); err != nil {
				return 0, err
			}
		}
	}
	return m.cursors[site], ctx.Err()
}

func (m *memory) Commit(ctx context.Context, site string, c store.Commit) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		if err := m.fail(); err != nil {
			return err
		}
	}
	health := slices.ContainsFunc(c.Writes, func(r store.Record) bool { return r.Kind == KindChannel }) ||
		slices.ContainsFunc(c.Deletes, func(r store.RecordKey) bool { return r.Kind == KindChannel })
	if c.Loose == health {
		return errors.New("the sender must commit loosely, but for the health of channels")
	}
	if !c.Loose {
		if m.cursors[site] != c.Expect {
			return store.ErrConflict
		}
		m.cursors[site] = c.Next
	}
	if site != ChannelsSite {
		m.commits++
	}
	for _, k := range c.Deletes {
		delete(m.records[shelf(site, k.Kind)], k.Key)
	}
	for _, r := range c.Writes {
		at := shelf(site, r.Kind)
		if m.records[at] == nil {
			m.records[at] = map[string][]byte{}
		}
		m.records[at][r.Key] = r.Value
	}
	if m.lost != nil && site == ChannelsSite && !c.Loose {
		return m.lost()
	}
	return ctx.Err()
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
	store    *memory
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

func newRig(t testing.TB, change func(*Options), channels ...Channel) *rig {
	t.Helper()
	r := &rig{store: newMemory(), log: &bytes.Buffer{}, channels: map[string]Channel{}}
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
			return slices.DeleteFunc(slices.Sorted(maps.Keys(r.channels)), func(name string) bool { return !r.channels[name].AboutChannels })
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
