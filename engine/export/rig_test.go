package export

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/sim"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m,
		// The watchdog of pgx's idle connections and database/sql's opener end a moment after
		// Close.
		goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener"))
}

const site = "umberhithe"

const testProducts = `gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author
9521234000013,UB-1001,The Tide Table,nature,12.99,shelf-a|front-tables,shelf-a:2|front-tables:1|shelf:3,front-tables:4,A. Quill
9521234000020,UB-1002,"Low Water, High Sands",crime,8.50,shelf-b,shelf-b:1,,
9521234000037,UB-1003,"=HYPERLINK("""")",stationery,,,,,
`

const testRules = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    gather: 5s
    severity: urgent
    say: "{product.name} passed {zone.name}, and no sale is known yet"
    send: [door-team]
  - name: below-minimum
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum
    severity: warning
    say: "{zone.name} has {stock.count} of {product.name}"
    send: [floor-team]
  - name: came-to-the-till
    when: zone.id == "till" and cause == "arrived"
    mode: watch
    say: "{product.name} came to the till"
`

// opening is when the clock of tests begins: a Monday morning.
var opening = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// rig is a site over a real store, with a clock of its own.
type rig struct {
	t     testing.TB
	dir   string
	store store.Store
	run   *runner.Runner

	mu  sync.Mutex
	now time.Time
}

func newRig(t testing.TB) *rig {
	r := &rig{t: t, dir: t.TempDir(), now: opening}
	r.open()
	ctx := context.Background()
	for name, body := range map[string][]byte{
		engine.LayoutDocument(site): sim.Layout(), engine.RulesDocument: []byte(testRules),
		engine.ProductsDocument: products(t, testProducts),
	} {
		_, err := store.PutDocument(ctx, r.store, store.Document{Name: name, At: opening, By: "test", Body: body}, 0)
		require.NoError(t, err)
	}
	r.start()
	t.Cleanup(func() {
		r.run.Stop()
		require.NoError(t, r.store.Close())
	})
	// The first entry says that the server started, the second pins all documents, however the loop and the test race.
	require.Eventually(t, func() bool {
		seq := uint64(0)
		_ = r.site().View(ctx, func(st *engine.State) error { seq = st.Seq(); return nil })
		return seq > 1
	}, time.Minute, time.Millisecond)
	return r
}

func products(t testing.TB, csv string) []byte {
	c, bad := catalog.ParseCSV(strings.NewReader(csv), catalog.CSVOptions{})
	require.Empty(t, bad)
	body, err := c.AppendBinary(nil)
	require.NoError(t, err)
	return body
}

func (r *rig) open() {
	st, err := boltstore.Open(r.dir, boltstore.Options{NoSync: true})
	require.NoError(r.t, err)
	r.store = st
}

func (r *rig) start() {
	// The loop's own clock stands still: it adds no ticks, so that what a test does is all that
	// comes in.
	r.run = runner.New(runner.Options{Store: r.store, Log: slog.New(slog.DiscardHandler),
		Incarnation: func() int { return 0 }, // ids without one, as the example has them
		Now:         func() time.Time { return opening }, FactsKeep: 1000 * 24 * time.Hour})
	require.NoError(r.t, r.run.Start(context.Background()))
}

// restart ends the process, as it were, and starts another.
func (r *rig) restart() {
	r.run.Stop()
	require.NoError(r.t, r.store.Close())
	r.open()
	r.start()
}

func (r *rig) clock() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.now
}

func (r *rig) pass(d time.Duration) {
	r.mu.Lock()
	r.now = r.now.Add(d)
	r.mu.Unlock()
}

func (r *rig) site() *runner.Site {
	s, err := r.run.Site(context.Background(), site)
	require.NoError(r.t, err)
	return s
}

func (r *rig) source() *source { return &source{store: r.store, site: r.site()} }

func (r *rig) view(f func(*engine.State)) {
	require.NoError(r.t, r.site().View(context.Background(), func(st *engine.State) error { f(st); return nil }))
}

// add appends an entry and waits until it is folded and committed.
func (r *rig) add(e event.Entry) uint64 {
	r.t.Helper()
	e.At = r.clock().UnixMilli()
	// Past the runner, which would correct the time by its clock that stands still.
	res, err := r.store.Append(context.Background(), site, store.NewEntry{Data: event.AppendEntry(nil, &e)})
	require.NoError(r.t, err)
	r.settle()
	return uint64(res[0].Seq)
}

func (r *rig) settle() {
	r.t.Helper()
	ctx := context.Background()
	require.Eventually(r.t, func() bool {
		cursor, newest, err := r.store.Cursor(ctx, site)
		seq := uint64(0)
		_ = r.site().View(ctx, func(st *engine.State) error { seq = st.Seq(); return nil })
		return err == nil && cursor == newest && seq == uint64(newest)
	}, time.Minute, time.Millisecond)
}

// book is one copy of one of the three products.
func book(product, serial int) epc.Key {
	gtin := map[int]uint64{1: 9521234000013, 2: 9521234000020, 3: 9521234000037}[product]
	e, err := epc.EncodeSGTIN96(gtin, 7, uint64(serial), 1)
	if err != nil {
		panic(err)
	}
	return e.Key()
}

// shelve reads books with the handheld in a zone.
func (r *rig) shelve(zone string, keys ...epc.Key) uint64 {
	r.t.Helper()
	return r.add(r.reads("handheld-1", zone, -50, keys...))
}

func (r *rig) reads(point, zone string, rssi float64, keys ...epc.Key) event.Entry {
	e := event.Entry{Kind: event.EntryReads, Points: []string{point}}
	if zone != "" {
		e.Zones = []string{zone}
	}
	for _, k := range keys {
		e.Reads = append(e.Reads, event.Read{Key: k, Zone: uint16(len(e.Zones)), RSSI: int16(rssi * 10), N: 1, T: r.clock().UnixMilli()})
	}
	return e
}

func (r *rig) event(t event.EventType, zone, ref string, keys ...epc.Key) uint64 {
	r.t.Helper()
	ev := event.Event{Type: t, Zone: zone, T: r.clock().UnixMilli(), Ref: ref}
	for _, k := range keys {
		ev.Tags = append(ev.Tags, event.Tag{Key: k})
	}
	return r.add(event.Entry{Kind: event.EntryEvents, By: "till", Events: []event.Event{ev}})
}

// carryOut carries a book out of the street door.
func (r *rig) carryOut(keys ...epc.Key) {
	r.t.Helper()
	for i, p := range []string{"in", "in", "in", "in", "out", "out", "out", "out"} {
		r.add(r.reads("street-door-"+p, "", []float64{-66, -60, -55, -60, -60, -54, -58, -66}[i], keys...))
		r.pass(150 * time.Millisecond)
	}
	r.pass(5 * time.Second)
	r.add(event.Entry{Kind: event.EntryTick})
}

func (r *rig) count(cmd event.CountCommand) string {
	r.t.Helper()
	return event.CountID(site, r.add(event.Entry{Kind: event.EntryCount, By: "floor", Command: cmd}))
}

func (r *rig) countReads(id, zone string, keys ...epc.Key) {
	r.t.Helper()
	e := r.reads("handheld-1", zone, -50, keys...)
	e.Count = id
	r.add(e)
}

func (r *rig) act(alert, do, outcome, note string) {
	r.t.Helper()
	r.add(event.Entry{Kind: event.EntryAct, By: "floor manager", Act: event.Act{Alert: alert, Do: do, Outcome: outcome, Note: note}})
}

func (r *rig) alerts() []event.Alert {
	var list []event.Alert
	r.view(func(st *engine.State) { list = st.Alerts() })
	return list
}

// aDay is a morning at Umberhithe Books in which everything happens once.
func (r *rig) aDay() {
	r.pass(time.Minute)
	r.event(event.EventReceived, "stockroom", "DN-0001", book(1, 1), book(1, 2), book(1, 3), book(2, 1), book(2, 2), book(3, 1))
	r.pass(time.Minute)
	r.shelve("shelf-a", book(1, 1), book(1, 2))
	r.shelve("front-tables", book(1, 3))
	r.shelve("shelf-b", book(2, 1), book(2, 2))
	r.pass(time.Minute)
	words := epc.Raw([]byte{0xE2, 0x80, 0x11, 0x60, 0x60, 0, 2, 9, 0x5A, 1, 2, 3}, 96)
	e := r.reads("handheld-1", "shelf-a", -61.5)
	e.Reads = []event.Read{{Key: words.Key(), Text: words.KeyText(), Zone: 1, RSSI: -615, N: 1, T: r.clock().UnixMilli()}}
	r.add(e)
	r.pass(time.Minute)
	r.event(event.EventSold, "till", "R-00017", book(1, 3))
	r.pass(time.Minute)
	r.carryOut(book(2, 1))
	for _, a := range r.alerts() {
		if a.Rule == "unpaid-at-door" {
			r.act(a.ID, "acknowledge", "", "")
			r.pass(time.Minute)
			r.act(a.ID, "close", "false", "paid at the market stall, \"cash\"; nobody was stopped")
		}
	}
	id := r.count(event.CountCommand{Do: "open", Zones: []string{"shelf-a"}, Note: "weekly", MissingAfter: 1})
	r.pass(20 * time.Second)
	r.countReads(id, "shelf-a", book(1, 1), book(3, 1))
	r.pass(20 * time.Second)
	r.count(event.CountCommand{Do: "close", ID: id})
	r.count(event.CountCommand{Do: "open", Zones: []string{"shelf-b", "stockroom"}})
	r.pass(time.Minute)
	r.event(event.EventReturned, "shelf-a", "R-00018", book(1, 3))
}
