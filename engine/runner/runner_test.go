package runner_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
	"lintel/engine/store/storetest"
)

// The tests run within testing/synctest, whose time passes when nothing else can happen, on stores
// in memory.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const layoutJSON = `{"site":"umberhithe","name":"Umberhithe Books","time_zone":"Europe/London",
  "zones":[{"id":"shelf-a","name":"Shelf A","kind":"shelf"},{"id":"till","name":"Till","kind":"checkout"},{"id":"street-door","name":"Street door","kind":"exit"}],
  "read_points":[{"id":"door-in","role":"portal","zone":"street-door","side":"inner"},{"id":"door-out","role":"portal","zone":"street-door","side":"outer"},
    {"id":"handheld-1","role":"handheld"}]}`

const rulesYAML = `storm: 10000 per 10m
rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]
  - name: on-shelf
    when: cause == "arrived" and zone.id == "shelf-a"
    say: "{product.name} came to {zone.name}"
    send: [floor-team]
`

// outbox is a sender that only remembers.
type outbox struct {
	store store.Store // what Resume takes up from; nil: nothing
	mu    sync.Mutex
	ids   []string
	taken map[string]bool // offered, or taken up from the store
}

// all returns the ids of the messages that were offered.
func (o *outbox) all() []string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.ids)
}

func (o *outbox) Offer(_ string, ds []event.Delivery) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, d := range ds {
		o.ids = append(o.ids, d.ID)
		o.take(d.ID)
	}
}

func (o *outbox) take(id string) {
	if o.taken == nil {
		o.taken = make(map[string]bool)
	}
	o.taken[id] = true
}

// has waits until n deliveries were offered.
func (o *outbox) has(t *testing.T, n int) {
	require.Eventually(t, func() bool {
		o.mu.Lock()
		defer o.mu.Unlock()
		return len(o.ids) == n
	}, 30*time.Second, time.Millisecond)
}

func (o *outbox) Resume(ctx context.Context, site string) error {
	if o.store == nil {
		return nil
	}
	_, err := o.store.Records(ctx, site, event.KindDelivery, nil, func(_ store.Kind, key string, _ []byte) error {
		o.mu.Lock()
		defer o.mu.Unlock()
		o.take(key)
		return nil
	})
	return err
}
func (o *outbox) Forget(string) {}

func start(t *testing.T, st store.Store, out *outbox) *runner.Runner {
	r := runner.New(runner.Options{Store: st, Deliver: out, Log: slog.New(slog.DiscardHandler), Node: t.Name(),
		LeaseTTL: 300 * time.Millisecond})
	require.Eventually(t, func() bool { return r.Start(context.Background()) == nil }, time.Second, time.Millisecond)
	return r
}

func setUp(t *testing.T, r *runner.Runner) {
	ctx := context.Background()
	c, bad := catalog.ParseCSV(strings.NewReader("gtin,name\n9521234000013,The Tide Table\n"), catalog.CSVOptions{})
	require.Empty(t, bad)
	body, err := c.AppendBinary(nil)
	require.NoError(t, err)
	_, err = r.SaveDocument(ctx, engine.ProductsDocument, body, "test", "", -1)
	require.NoError(t, err)
	_, err = r.SaveDocument(ctx, engine.RulesDocument, []byte(rulesYAML), "test", "", -1)
	require.NoError(t, err)
	_, err = r.SaveDocument(ctx, engine.LayoutDocument("umberhithe"), []byte(layoutJSON), "test", "", -1)
	require.NoError(t, err)
}

func key(serial int) epc.Key {
	e, err := epc.EncodeSGTIN96(9521234000013, 7, uint64(serial), 1)
	if err != nil {
		panic(err)
	}
	return e.Key()
}

func shelved(serial int) *event.Entry {
	now := time.Now().UnixMilli()
	return &event.Entry{Kind: event.EntryReads, At: now, Points: []string{"handheld-1"}, Zones: []string{"shelf-a"},
		Reads: []event.Read{{Key: key(serial), Zone: 1, RSSI: -500, N: 1, T: now}}}
}

// settle waits until everything appended is folded.
func settle(t *testing.T, r *runner.Runner, st store.Store) {
	s, err := r.Site(context.Background(), "umberhithe")
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		cursor, newest, err := st.Cursor(context.Background(), "umberhithe")
		if err != nil || cursor != newest || newest == 0 {
			return false
		}
		ok := false
		_ = s.View(context.Background(), func(state *engine.State) error { ok = state.Seq() >= uint64(newest); return nil })
		return ok
	}, 30*time.Second, 5*time.Millisecond)
}

func TestEntriesBecomeFactsAlertsAndDeliveries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		out := &outbox{}
		r := start(t, st, out)
		setUp(t, r)
		settle(t, r, st)
		site, err := r.Site(context.Background(), "umberhithe")
		require.NoError(t, err)
		sub := site.Subscribe(16)
		defer sub.Close()
		res, err := r.Append(context.Background(), "umberhithe", shelved(1), "", "")
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		facts, alerts, complete, err := sub.Await(ctx, uint64(res.Seq))
		require.NoError(t, err)
		require.True(t, complete)
		require.Len(t, facts, 2)
		require.Equal(t, event.Arrived, facts[0].Cause)
		require.Len(t, alerts, 1)
		require.Equal(t, "The Tide Table came to Shelf A", alerts[0].Alert.Say)
		r.Stop()
		require.Len(t, out.ids, 1)

		var kept []event.Delivery
		_, err = st.Records(context.Background(), "umberhithe", event.KindDelivery, nil, func(_ store.Kind, _ string, v []byte) error {
			d, err := event.DecodeDelivery(v)
			kept = append(kept, d)
			return err
		})
		require.NoError(t, err)
		require.Len(t, kept, 1)
		require.Equal(t, out.ids[0], kept[0].ID)
		require.True(t, json.Valid(kept[0].Data))
	})
}

// Stopping, starting and a store that fails before and after the fact must neither lose an entry
// nor fold one twice.
func TestRestartsAndFaultsChangeNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		out := &outbox{}
		r := start(t, st, out)
		setUp(t, r)
		settle(t, r, st)
		const n = 120
		var faulty *storetest.Faulty
		for i := range n {
			if i%30 == 29 {
				r.Stop()
				var used store.Store = st
				if i > 60 {
					faulty = storetest.NewFaulty(st, uint64(i), storetest.Faults{Before: 0.1, After: 0.1})
					used = faulty
				}
				// A new process has an empty memory. From here on what was committed must be
				// offered, or taken up again after a lost reply.
				out = &outbox{store: st}
				r = start(t, used, out)
			}
			require.Eventually(t, func() bool {
				_, err := r.Append(context.Background(), "umberhithe", shelved(i), fmt.Sprint("entry-", i), "f")
				return err == nil
			}, 30*time.Second, time.Millisecond)
		}
		// Folding goes on under faults for a while. Loading takes a dozen reads that must all
		// succeed, so in the end the store is well again.
		for range 200 {
			if cursor, newest, err := st.Cursor(context.Background(), "umberhithe"); err == nil && cursor == newest {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		faulty.SetFaults(storetest.Faults{})
		settle(t, r, st)
		synctest.Wait() // a site that was loaded again takes up its deliveries after that
		site, err := r.Site(context.Background(), "umberhithe")
		require.NoError(t, err)
		require.NoError(t, site.View(context.Background(), func(s *engine.State) error {
			require.Equal(t, n, s.Len())
			return nil
		}))
		r.Stop()

		// Every item arrived once, and every alert has one delivery with an id of its own.
		facts := map[string]int{}
		require.NoError(t, st.Facts(context.Background(), "umberhithe", store.FactID{}, store.FactID{}, 0,
			func(id store.FactID, data []byte) error {
				var f event.Fact
				if err := event.DecodeFact(data, id.Ms, id.N, &f); err != nil {
					return err
				}
				if f.Cause == event.Arrived {
					facts[f.Name()]++
				}
				return nil
			}))
		require.Len(t, facts, n)
		for name, k := range facts {
			require.Equal(t, 1, k, name)
		}
		alerts := map[string]bool{}
		_, err = st.Records(context.Background(), "umberhithe", event.KindDelivery, nil, func(_ store.Kind, _ string, v []byte) error {
			d, err := event.DecodeDelivery(v)
			alerts[d.Alert] = true
			return err
		})
		require.NoError(t, err)
		require.Len(t, alerts, n)
		require.Len(t, out.taken, n, "deliveries that nobody sends")
		require.NoError(t, st.Close())
	})
}

func TestOneNodeWorksTheOtherFollowsAndTakesOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		outA, outB := &outbox{}, &outbox{}
		a := runner.New(runner.Options{Store: st, Deliver: outA, Log: slog.New(slog.DiscardHandler), Node: "a",
			LeaseTTL: 300 * time.Millisecond})
		require.NoError(t, a.Start(context.Background()))
		setUp(t, a)
		settle(t, a, st)
		b := runner.New(runner.Options{Store: st, Deliver: outB, Log: slog.New(slog.DiscardHandler), Node: "b",
			LeaseTTL: 300 * time.Millisecond})
		require.NoError(t, b.Start(context.Background()))
		for i := range 10 {
			_, err := b.Append(context.Background(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
		}
		settle(t, a, st)
		settle(t, b, st)
		outA.has(t, 10)
		outB.has(t, 0)
		a.Stop()
		for i := range 10 {
			_, err := b.Append(context.Background(), "umberhithe", shelved(100+i), "", "")
			require.NoError(t, err)
		}
		settle(t, b, st)
		outB.has(t, 10)
		b.Stop()
	})
}

func TestTimersTickByThemselves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := start(t, st, &outbox{})
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		before := shelved(1)
		before.Reads[0].T -= 5000
		_, err := r.Append(context.Background(), "umberhithe", before, "", "")
		require.NoError(t, err)
		now := time.Now().UnixMilli()
		e := &event.Entry{Kind: event.EntryReads, At: now, Points: []string{"door-in", "door-out"}}
		for i, p := range []struct {
			point uint16
			rssi  int16
		}{{0, -640}, {0, -560}, {0, -600}, {1, -600}, {1, -540}, {1, -650}} {
			e.Reads = append(e.Reads, event.Read{Key: key(1), Point: p.point, RSSI: p.rssi, N: 1, T: now - 1000 + int64(i)*150})
		}
		_, err = r.Append(context.Background(), "umberhithe", e, "", "")
		require.NoError(t, err)
		site, err := r.Site(context.Background(), "umberhithe")
		require.NoError(t, err)
		sub := site.Subscribe(64)
		defer sub.Close()
		deadline := time.After(30 * time.Second)
		for {
			select {
			case b := <-sub.C:
				for _, a := range b.Alerts {
					if a.Alert.Rule == "unpaid-at-door" {
						return
					}
				}
			case <-deadline:
				t.Fatal("the burst at the door was never decided")
			}
		}
	})
}

func TestBadDocumentsAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := start(t, st, &outbox{})
		defer r.Stop()
		setUp(t, r)
		for name, body := range map[string]string{"layout/umberhithe": "{}",
			"rules": "rules:\n  - name: x\n    when: zone.knd == 3\n", "products": "zzz", "other": ""} {
			_, err := r.SaveDocument(context.Background(), name, []byte(body), "test", "", -1)
			require.Error(t, err, name)
		}
		_, err := r.SaveDocument(context.Background(), "rules", []byte(rulesYAML), "test", "", 7)
		require.ErrorIs(t, err, store.ErrConflict)
		_, err = r.Site(context.Background(), "no-such")
		require.ErrorIs(t, err, runner.ErrNoSite)
	})
}

// Alerts that ended long ago are deleted, even at a site where nothing happens; others stay.
func TestAlertsAreNotKeptForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := runner.New(runner.Options{
			Store: st, Log: slog.New(slog.DiscardHandler), AlertsKeep: 9 * 24 * time.Hour, LeaseTTL: time.Hour,
		})
		require.NoError(t, r.Start(context.Background()))
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		for i := range 3 {
			_, err := r.Append(context.Background(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
		}
		settle(t, r, st)
		alerts := func() (ids []string) {
			_, err := st.Records(context.Background(), "umberhithe", event.KindAlert, nil, func(_ store.Kind, id string, _ []byte) error {
				ids = append(ids, id)
				return nil
			})
			require.NoError(t, err)
			return ids
		}
		all := alerts()
		require.Len(t, all, 3)
		_, err := r.Append(context.Background(), "umberhithe", &event.Entry{Kind: event.EntryAct,
			At: time.Now().UnixMilli(), Act: event.Act{Alert: all[0], Do: "close", Outcome: "unclear"}}, "", "")
		require.NoError(t, err)
		settle(t, r, st)
		time.Sleep(8 * 24 * time.Hour)
		require.Len(t, alerts(), 3)
		time.Sleep(3 * 24 * time.Hour) // it is looked for once a day
		require.Len(t, alerts(), 2)
		require.NotContains(t, alerts(), all[0])
	})
}

// What was folded long ago leaves the journal, also at a site that has no moment without entries.
func TestTheJournalIsTrimmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), JournalKeep: time.Hour})
		require.NoError(t, r.Start(context.Background()))
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		trimmed := func() bool {
			_, err := st.Read(context.Background(), "umberhithe", 0, 1, 0)
			return errors.Is(err, store.ErrTrimmed)
		}
		require.False(t, trimmed())
		i := 0
		for ; i < 100 && !trimmed(); i++ {
			_, err := r.Append(context.Background(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
			time.Sleep(time.Minute)
		}
		require.Greater(t, i, 50, "an hour of it is kept")
		require.Less(t, i, 100)
		settle(t, r, st)
	})
}

// A document that was stored, and that no site was told of since the node died in between, takes
// effect all the same.
func TestAStoredDocumentTakesEffect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, r.Start(context.Background()))
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		_, err := store.PutDocument(context.Background(), st, store.Document{Name: engine.RulesDocument, At: time.Now(),
			By: "test", Body: []byte("rules: []\n")}, 1)
		require.NoError(t, err)
		time.Sleep(2 * time.Minute)
		_, err = r.Append(context.Background(), "umberhithe", shelved(1), "", "") // so that the loop need not wait out its patience
		require.NoError(t, err)
		site, err := r.Site(context.Background(), "umberhithe")
		require.NoError(t, err)
		require.Eventually(t, func() bool {
			rules := -1
			_ = site.View(context.Background(), func(st *engine.State) error { rules = len(st.Config().Rules.Rules()); return nil })
			return rules == 0
		}, 30*time.Second, 10*time.Millisecond)
	})
}

// A site that starts takes up what was stored while nobody told it, its own documents and no other
// site's, whatever their names begin with.
func TestASiteTakesUpItsOwnDocuments(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		products, err := (&catalog.Catalog{}).AppendBinary(nil)
		require.NoError(t, err)
		for name, body := range map[string][]byte{
			engine.LayoutDocument("umberhithe"):   []byte(layoutJSON),
			engine.LayoutDocument("umberhithe-2"): []byte(strings.Replace(layoutJSON, `"umberhithe"`, `"umberhithe-2"`, 1)),
			engine.ProductsDocument:               products,
			engine.RulesDocument:                  []byte(rulesYAML),
			"rules-of-old":                        []byte("none"),
		} {
			_, err := store.PutDocument(context.Background(), st, store.Document{Name: name, At: time.Now(), By: "test", Body: body}, 0)
			require.NoError(t, err)
		}
		r := start(t, st, &outbox{})
		defer r.Stop()
		for _, id := range []string{"umberhithe", "umberhithe-2"} {
			site, err := r.Site(context.Background(), id)
			require.NoError(t, err)
			var pins []event.Pin
			require.Eventually(t, func() bool {
				_ = site.View(context.Background(), func(st *engine.State) error { pins = st.Config().Pins; return nil })
				return len(pins) > 1 // the entry that says that the server started may come first
			}, 30*time.Second, 5*time.Millisecond)
			require.Equal(t, engine.Incarnation, pins[0].Doc)
			require.Equal(t, []event.Pin{{Doc: engine.LayoutDocument(id), Version: 1}, {Doc: engine.ProductsDocument,
				Version: 1}, {Doc: engine.RulesDocument, Version: 1}}, pins[1:])
		}
	})
}

// rewound is a store that can be exchanged for what it was earlier.
type rewound struct{ store.Store }

// snapshot is a store that can be copied while it is worked, when nothing happens.
type snapshot struct{ store.Store }

func (snapshot) Lease(context.Context, string, string, time.Duration) (bool, error) { return true, nil }

// After a backup was restored, the numbers of entries are given out again, but no id of an alert or
// of a message is.
func TestARestoredStoreGivesOutNoIDAgain(t *testing.T) { storeGoesBack(t, true) }

// storeGoesBack exchanges the store of a site for what it was earlier, while no node runs or under
// a running one.
func storeGoesBack(t *testing.T, restart bool) {
	synctest.Test(t, func(t *testing.T) {
		now, before := memory.Open(), memory.Open()
		defer now.Close()
		defer before.Close()
		st, out := &rewound{now}, &outbox{}
		r := start(t, st, out)
		setUp(t, r)
		settle(t, r, st)
		_, err := r.Append(t.Context(), "umberhithe", shelved(1), "", "")
		require.NoError(t, err)
		settle(t, r, st)
		_, err = store.Copy(t.Context(), snapshot{now}, before, []string{"umberhithe"})
		require.NoError(t, err)
		var lost store.Appended
		for range 3 { // a start is an entry, too
			lost, err = r.Append(t.Context(), "umberhithe", shelved(2), "", "")
			require.NoError(t, err)
		}
		settle(t, r, st)
		synctest.Wait()
		if restart {
			r.Stop()
			st = &rewound{before}
			r = start(t, st, out)
		} else {
			st.Store = before
		}
		again, err := r.Append(t.Context(), "umberhithe", shelved(3), "", "")
		require.NoError(t, err)
		time.Sleep(5 * time.Second) // until a wait on the store that is gone has ended
		settle(t, r, st)
		synctest.Wait()
		r.Stop()
		require.LessOrEqual(t, again.Seq, lost.Seq)
		out.mu.Lock()
		defer out.mu.Unlock()
		require.Len(t, out.ids, 3)
		require.Len(t, slices.Compact(slices.Sorted(slices.Values(out.ids))), 3, "%q", out.ids)
	})
}

// shorted is a store on which the reply to one commit is lost: it takes effect all the same.
type shorted struct {
	store.Store
	armed atomic.Bool
}

func (s *shorted) Commit(ctx context.Context, site string, c store.Commit) error {
	err := s.Store.Commit(ctx, site, c)
	if err == nil && s.armed.CompareAndSwap(true, false) {
		return errors.New("the line went dead")
	}
	return err
}

// Deliveries of a commit whose reply was lost were never offered: the loop has them taken up from
// the store.
func TestDeliveriesOfALostReplyAreTakenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := &shorted{Store: memory.Open()}
		defer st.Close()
		out := &outbox{store: st.Store}
		r := start(t, st, out)
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		st.armed.Store(true)
		_, err := r.Append(t.Context(), "umberhithe", shelved(1), "", "")
		require.NoError(t, err)
		settle(t, r, st)
		synctest.Wait()
		require.False(t, st.armed.Load())
		out.mu.Lock()
		defer out.mu.Unlock()
		require.Empty(t, out.ids, "the loop can't know of them")
		require.Len(t, out.taken, 1)
	})
}

// A process that never runs for as long as the journal is kept trims it all the same: entries have
// their own times.
func TestTheJournalIsTrimmedThoughTheProcessStartsAgainOften(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		longest := store.Seq(0)
		for i := range 30 {
			r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), JournalKeep: time.Hour})
			require.NoError(t, r.Start(t.Context()))
			if i == 0 {
				setUp(t, r)
			}
			for j := range 20 {
				e := shelved(20*i + j)
				e.At = time.Now().UnixMilli()
				_, err := r.Append(t.Context(), "umberhithe", e, "", "")
				require.NoError(t, err)
				time.Sleep(time.Minute)
			}
			settle(t, r, st)
			r.Stop()
			_, newest, err := st.Cursor(t.Context(), "umberhithe")
			require.NoError(t, err)
			kept := store.Seq(0)
			for kept < newest {
				if _, err := st.Read(t.Context(), "umberhithe", newest-kept-1, 1, 0); err != nil {
					break
				}
				kept++
			}
			longest = max(longest, kept)
		}
		require.Greater(t, longest, store.Seq(60), "an hour's entries stay")
		require.Less(t, longest, store.Seq(400))
	})
}

// Entries that evidence was made of stay in the journal as long as it is needed, whatever the age
// that the journal is kept for: a node that loads the site builds the evidence from them.
func TestTheJournalKeepsWhatEvidenceNeeds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		options := runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), JournalKeep: time.Millisecond}
		r := runner.New(options)
		defer r.Stop()
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		settle(t, r, st)
		time.Sleep(2 * time.Minute)
		var last store.Appended
		for i := range 200 {
			var err error
			last, err = r.Append(t.Context(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
			time.Sleep(3 * time.Second) // so that the journal is trimmed in between
		}
		settle(t, r, st)
		site, err := r.Site(t.Context(), "umberhithe")
		require.NoError(t, err)
		var needed store.Seq
		var digest string
		require.NoError(t, site.View(t.Context(), func(s *engine.State) error {
			needed, digest = store.Seq(s.EvidenceFrom()), fmt.Sprint(s.Digest())
			return nil
		}))
		require.Less(t, needed, last.Seq, "evidence is made of entries of late")
		_, err = st.Read(t.Context(), "umberhithe", 0, 1, 0)
		require.ErrorIs(t, err, store.ErrTrimmed, "older entries are gone")
		_, err = st.Read(t.Context(), "umberhithe", needed, 1, 0)
		require.NoError(t, err)
		defer r.Stop()

		options.Node = "another"     // which only follows: whoever works a site begins with an entry of its own
		again := runner.New(options) // not started, which would be an entry more
		defer again.Stop()
		site, err = again.Site(t.Context(), "umberhithe")
		require.NoError(t, err)
		require.NoError(t, site.View(t.Context(), func(s *engine.State) error {
			require.Equal(t, digest, fmt.Sprint(s.Digest()))
			return nil
		}))
	})
}

// A server that was down for ten minutes notifies nobody of silence, nor of a hold that would have
// ended meanwhile, when a sale is the first thing that comes in.
func TestWhatNobodyCouldReportRaisesNoAlert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := context.Background()
		st := memory.Open()
		defer st.Close()
		out := &outbox{}
		r := start(t, st, out)
		setUp(t, r)
		_, err := r.SaveDocument(ctx, engine.LayoutDocument("umberhithe"),
			[]byte(strings.Replace(layoutJSON, `"id":"handheld-1"`, `"id":"handheld-1","silent_after":"15s"`, 1)), "test", "", -1)
		require.NoError(t, err)
		_, err = r.SaveDocument(ctx, engine.RulesDocument, []byte(`rules:
  - {name: silent, about: reader, when: cause == "silent", send: [floor-team]}
  - {name: lies-unpaid, when: zone.id == "shelf-a" and not item.paid, hold: 3s, send: [floor-team]}
`), "test", "", -1)
		require.NoError(t, err)
		settle(t, r, st)
		_, err = r.Append(ctx, "umberhithe", shelved(1), "", "")
		require.NoError(t, err)
		settle(t, r, st)
		r.Stop()
		time.Sleep(10 * time.Minute)

		r = start(t, st, out)
		now := time.Now().UnixMilli()
		_, err = r.Append(ctx, "umberhithe", &event.Entry{Kind: event.EntryEvents, At: now + 1, Events: []event.Event{{
			Type: event.EventSold, Tags: []event.Tag{{Key: key(1)}}, Zone: "till", T: now,
		}}}, "", "")
		require.NoError(t, err)
		time.Sleep(10 * time.Second)
		settle(t, r, st)
		require.Empty(t, out.all())
		time.Sleep(10 * time.Second)
		r.Stop()
		require.Len(t, out.all(), 1, "the handheld is silent after its own time")
	})
}
