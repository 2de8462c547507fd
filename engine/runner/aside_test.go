package runner_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// poisoned is a Lintel that panics at reads of some items.
func poisoned(st runner.Store, node string, poison func(serial int) bool) *runner.Runner {
	return runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Node: node, LeaseTTL: 300 * time.Millisecond,
		BeforeFold: func(e *event.Entry) {
			for i := range e.Reads {
				for serial := range 100 {
					if e.Reads[i].Key == key(serial) && poison(serial) {
						panic("poison")
					}
				}
			}
		}})
}

func none(int) bool { return false }

// has returns the serial numbers of the items that a site knows.
func has(t require.TestingT, r *runner.Runner) (serials []int) {
	s, err := r.Site(context.Background(), "umberhithe")
	require.NoError(t, err)
	require.NoError(t, s.View(context.Background(), func(state *engine.State) error {
		for serial := range 100 {
			if _, ok := state.Item(key(serial)); ok {
				serials = append(serials, serial)
			}
		}
		return nil
	}))
	return serials
}

func settled(t require.TestingT, st store.Store, r *runner.Runner) {
	for range 20_000 {
		cursor, newest, err := st.Cursor(context.Background(), "umberhithe")
		require.NoError(t, err)
		s, err := r.Site(context.Background(), "umberhithe")
		require.NoError(t, err)
		seq := uint64(0)
		_ = s.View(context.Background(), func(state *engine.State) error { seq = state.Seq(); return nil })
		if cursor == newest && seq == uint64(newest) && s.Err() == nil {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	require.Fail(t, "the site stands still", "%v", r.Err())
}

// Entries that can't be folded are left out by every node and every start, the others are folded, and
// after an upgrade nothing is lost.
func TestAnEntryThatCannotBeFoldedIsSetAside(t *testing.T) {
	for seed := range uint64(25) {
		const n = 12
		random := rand.New(rand.NewPCG(seed, 1))
		bad := random.Perm(n)[:1+random.IntN(3)]
		stops := make([]int, random.IntN(5))
		for i := range stops {
			stops[i] = random.IntN(2500)
		}
		what := fmt.Sprint("seed ", seed, ", bad ", bad, ", stops ", stops)
		poison := func(serial int) bool { return slices.Contains(bad, serial) }
		synctest.Test(t, func(t *testing.T) {
			st := memory.Open()
			defer st.Close()
			r := poisoned(st, "a", poison)
			require.NoError(t, r.Start(context.Background()))
			setUp(t, r)
			for i := range n {
				_, err := r.Append(context.Background(), "umberhithe", shelved(i), "", "")
				require.NoError(t, err)
			}
			for _, ms := range stops { // wherever it is with its tries
				time.Sleep(time.Duration(ms) * time.Millisecond)
				r.Stop()
				r = poisoned(st, "a", poison)
				require.NoError(t, r.Start(context.Background()))
			}
			settled(t, st, r)
			var good []int
			for i := range n {
				if !poison(i) {
					good = append(good, i)
				}
			}
			require.Equal(t, good, has(t, r), what)
			list, err := r.Aside(context.Background(), "umberhithe")
			require.NoError(t, err)
			require.Len(t, list, len(bad))
			require.Contains(t, list[0].Reason, "panicked: poison")

			// A node that could fold them goes by what was decided: it replays what it loads, and follows.
			b := poisoned(st, "b", none)
			require.NoError(t, b.Start(context.Background()))
			settled(t, st, b)
			require.Equal(t, good, has(t, b))
			digest := func(r *runner.Runner) (d string) {
				s, _ := r.Site(context.Background(), "umberhithe")
				require.NoError(t, s.View(context.Background(), func(state *engine.State) error { d = state.Digest(); return nil }))
				return d
			}
			require.Equal(t, digest(r), digest(b))
			b.Stop()
			r.Stop()

			b = poisoned(st, "b", none) // the upgrade
			require.NoError(t, b.Start(context.Background()))
			defer b.Stop()
			settled(t, st, b)
			for i := range list {
				first, err := b.Retry(context.Background(), "umberhithe", list[i].Seq, "boss")
				require.NoError(t, err)
				again, err := b.Retry(context.Background(), "umberhithe", list[i].Seq, "boss")
				if err == nil {
					require.Equal(t, first, again)
				} else {
					require.ErrorIs(t, err, runner.ErrNotAside)
				}
			}
			settled(t, st, b)
			require.Len(t, has(t, b), n)
			list, err = b.Aside(context.Background(), "umberhithe")
			require.NoError(t, err)
			for _, a := range list {
				require.NotZero(t, a.Again)
				_, err := b.Retry(context.Background(), "umberhithe", a.Seq, "boss")
				require.ErrorIs(t, err, runner.ErrNotAside)
			}
		})
	}
}

// A follower that can fold what the worker can't must show the same shop.
func TestAFollowerGoesByWhatTheWorkerSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		a, b := poisoned(st, "a", func(serial int) bool { return serial == 3 }), poisoned(st, "b", none)
		defer a.Stop()
		defer b.Stop()
		require.NoError(t, a.Start(t.Context()))
		setUp(t, a)
		settle(t, a, st)
		require.NoError(t, b.Start(t.Context()))
		settle(t, b, st)
		for i := range 6 {
			_, err := b.Append(t.Context(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
		}
		settled(t, st, a)
		settled(t, st, b)
		time.Sleep(time.Second)
		require.Equal(t, []int{0, 1, 2, 4, 5}, has(t, a))
		require.Equal(t, []int{0, 1, 2, 4, 5}, has(t, b))
	})
}

// An entry that fails once more after it was tried again waits as the newer one.
func TestAnEntrySetAsideTwiceWaitsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		reg := prometheus.NewRegistry()
		bad := atomic.Bool{}
		bad.Store(true)
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Metrics: runner.NewMetrics(reg),
			BeforeFold: func(e *event.Entry) {
				if len(e.Reads) > 0 && bad.Load() {
					panic("poison")
				}
			}})
		defer r.Stop()
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		settle(t, r, st)
		first, err := r.Append(t.Context(), "umberhithe", shelved(1), "", "")
		require.NoError(t, err)
		settled(t, st, r)
		second, err := r.Retry(t.Context(), "umberhithe", uint64(first.Seq), "boss")
		require.NoError(t, err)
		settled(t, st, r)
		list, err := r.Aside(t.Context(), "umberhithe")
		require.NoError(t, err)
		require.Len(t, list, 2)
		require.Equal(t, []uint64{second, 0}, []uint64{list[0].Again, list[1].Again})
		require.Equal(t, second, list[1].Seq)
		require.Equal(t, 1.0, gaugeOf(t, reg, "lintel_entries_aside"))
		bad.Store(false)
		_, err = r.Retry(t.Context(), "umberhithe", second, "boss")
		require.NoError(t, err)
		settled(t, st, r)
		require.Equal(t, []int{1}, has(t, r))
		require.Zero(t, gaugeOf(t, reg, "lintel_entries_aside"))
	})
}

// gaugeOf returns the value of a gauge of one site.
func gaugeOf(t *testing.T, reg *prometheus.Registry, name string) float64 {
	families, err := reg.Gather()
	require.NoError(t, err)
	for _, f := range families {
		if f.GetName() == name {
			return f.Metric[0].Gauge.GetValue()
		}
	}
	require.Fail(t, "there is no "+name)
	return 0
}

// Where every entry fails it is not the entries' fault: nothing more is left out.
func TestASiteWhoseEntriesAllFailIsHalted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		bad := atomic.Bool{}
		r := poisoned(st, "a", func(int) bool { return bad.Load() })
		defer func() { r.Stop() }()
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		settle(t, r, st)
		bad.Store(true)
		for i := range 30 {
			_, err := r.Append(t.Context(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
		}
		time.Sleep(5 * time.Minute)
		require.ErrorContains(t, r.Err(), "10 entries in a row were set aside")
		list, err := r.Aside(t.Context(), "umberhithe")
		require.NoError(t, err)
		require.Len(t, list, 10)
		bad.Store(false) // an upgrade
		settled(t, st, r)
		require.Len(t, has(t, r), 20)
	})
}

// A node that can't work a site leaves it to one that can.
func TestANodeLeavesASiteThatItCannotWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		old := runner.New(runner.Options{Store: older{st}, Log: slog.New(slog.DiscardHandler), Node: "old"})
		reg := prometheus.NewRegistry()
		reg.MustRegister(old)
		require.NoError(t, old.Start(t.Context()))
		setUp(t, old)
		settle(t, old, st)
		young := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Node: "young"})
		require.NoError(t, young.Start(t.Context()))
		defer young.Stop()
		defer old.Stop()
		e := shelved(1)
		e.Reads[0].Phase = 900
		_, err := young.Append(t.Context(), "umberhithe", e, "", "")
		require.NoError(t, err)
		time.Sleep(30 * time.Second)
		settled(t, st, young)
		require.Equal(t, []int{1}, has(t, young))
		require.NoError(t, young.Err())
		require.ErrorContains(t, old.Err(), "use the Lintel that wrote it")
		require.Equal(t, 1.0, gaugeOf(t, reg, "lintel_site_halted"))
		list, err := young.Aside(t.Context(), "umberhithe")
		require.NoError(t, err)
		require.Empty(t, list, "what is only newer is not set aside")
	})
}

// older is a store as a Lintel sees it that does not know entries of version 2.
type older struct{ store.Store }

func (o older) Read(ctx context.Context, site string, after store.Seq, most int, wait time.Duration) ([]store.Entry, error) {
	list, err := o.Store.Read(ctx, site, after, most, wait)
	for i := range list {
		if list[i].Data[1] == 2 {
			list[i].Data = slices.Clone(list[i].Data)
			list[i].Data[1] = 3
		}
	}
	return list, err
}

// A process ends in time though an entry takes long, commits none of it, and the next one folds it.
func TestALongFoldIsAbandonedAtTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		long := make(chan struct{})
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Node: "a", BeforeFold: func(e *event.Entry) {
			if len(e.Reads) > 0 {
				<-long
			}
		}})
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		settle(t, r, st)
		for i := range 3 {
			_, err := r.Append(t.Context(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
		}
		synctest.Wait()
		cursor, _, err := st.Cursor(t.Context(), "umberhithe")
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		started := time.Now()
		require.ErrorContains(t, r.Shutdown(ctx), "is processed again after the next start")
		require.LessOrEqual(t, time.Since(started), 12*time.Second)

		next := poisoned(st, "b", none) // the lease is free at once
		require.NoError(t, next.Start(t.Context()))
		defer next.Stop()
		time.Sleep(time.Second)
		settled(t, st, next)
		require.Equal(t, []int{0, 1, 2}, has(t, next))
		after, _, err := st.Cursor(t.Context(), "umberhithe")
		require.NoError(t, err)
		close(long)
		r.Stop()
		synctest.Wait()
		end, _, err := st.Cursor(t.Context(), "umberhithe")
		require.NoError(t, err)
		require.Equal(t, after, end, fmt.Sprint("what was abandoned at ", cursor, " was committed"))
	})
}

func TestWhatIsSetAsideIsNotified(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		var notified []string
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler),
			BeforeFold: func(e *event.Entry) {
				if len(e.Reads) > 0 && e.Reads[0].Key == key(3) {
					panic("poison")
				}
			},
			Aside: func(_ context.Context, site string, a event.SetAside) error {
				notified = append(notified, fmt.Sprint(site, " ", a.Seq, " ", a.At != 0, " ", a.Reason))
				return errors.New("the store is away") // which keeps nothing from going on
			}})
		require.NoError(t, r.Start(context.Background()))
		setUp(t, r)
		var seq uint64
		for i := range 5 {
			done, err := r.Append(context.Background(), "umberhithe", shelved(i), "", "")
			require.NoError(t, err)
			if i == 3 {
				seq = uint64(done.Seq)
			}
		}
		settled(t, st, r)
		require.Equal(t, []int{0, 1, 2, 4}, has(t, r))
		r.Stop()
		require.Equal(t, []string{fmt.Sprintf("umberhithe %d true folding entry %d panicked: poison", seq, seq)}, notified)
	})
}
