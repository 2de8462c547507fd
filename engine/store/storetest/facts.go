package storetest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

var factTests = []test{
	{"Ranges", func(e *env) {
		site := unique("site")
		ids := []store.FactID{{Ms: 0, N: 1}, {Ms: 5, N: 0}, {Ms: 5, N: 1}, {Ms: 5, N: 9}, {Ms: 6, N: 0}, {Ms: 255, N: 255}, {Ms: 256, N: 0},
			{Ms: 256, N: 256}, {Ms: 1 << 40, N: math.MaxUint32}, {Ms: 1<<40 + 1, N: 0}}
		c := store.Commit{Next: 1}
		for _, id := range ids {
			c.Facts = append(c.Facts, store.Fact{ID: id, Data: fmt.Append(nil, id)})
		}
		require.NoError(e, e.Commit(e.ctx, site, c))
		bounds := append([]store.FactID{
			{}, {Ms: -4}, {Ms: 4, N: 7}, {Ms: 5, N: 8}, {Ms: 300}, {Ms: math.MaxInt64, N: math.MaxUint32},
		}, ids...)
		for _, from := range bounds {
			for _, to := range bounds {
				for _, limit := range []int{0, 1, 3, 100} {
					want := []string{}
					for _, id := range ids {
						if id.Compare(from) >= 0 && (to.IsZero() || id.Compare(to) < 0) && (limit == 0 || len(want) < limit) {
							want = append(want, factText(id, fmt.Sprint(id)))
						}
					}
					require.Equal(e, want, e.facts(site, from, to, limit), "from %v to %v limit %d", from, to, limit)
				}
			}
		}
	}},
	{"ManyInOrder", func(e *env) {
		site := unique("site")
		want := []string{}
		for i := range 3 {
			c := store.Commit{Expect: store.Seq(i), Next: store.Seq(i + 1)}
			for j := range 2500 {
				f := fact(int64(1000+i*10+j/500), uint32(j), fmt.Sprint(i, j))
				c.Facts = append(c.Facts, f)
				want = append(want, factText(f.ID, string(f.Data)))
			}
			require.NoError(e, e.Commit(e.ctx, site, c))
		}
		require.Equal(e, want, e.facts(site, store.FactID{}, store.FactID{}, 0))
		require.Equal(e, want[:5001], e.facts(site, store.FactID{}, store.FactID{}, 5001))
	}},
	{"AnErrorEndsTheListing", func(e *env) {
		site := unique("site")
		e.mustCommit(site, store.Commit{Next: 1, Facts: []store.Fact{fact(1, 0, "a"), fact(2, 0, "b")}})
		stop, calls := errors.New("enough"), 0
		err := e.Facts(e.ctx, site, store.FactID{}, store.FactID{}, 0, func(store.FactID, []byte) error { calls++; return stop })
		require.ErrorIs(e, err, stop)
		require.Equal(e, 1, calls)
	}},
	{"NeverReusedAfterTrim", func(e *env) {
		site := unique("site")
		e.mustCommit(site, store.Commit{Next: 1, Facts: []store.Fact{fact(7, 2, "a")}})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Facts: 1000}))
		require.Empty(e, e.facts(site, store.FactID{}, store.FactID{}, 0))
		require.ErrorIs(e, e.Commit(e.ctx, site, store.Commit{Expect: 1, Next: 2, Facts: []store.Fact{fact(7, 2, "b")}}), store.ErrInvalid)
		e.mustCommit(site, store.Commit{Expect: 1, Next: 2, Facts: []store.Fact{fact(7, 3, "c")}})
	}},
}

var trimTests = []test{
	{"NeverPastTheCursor", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b", "c", "d", "e")...)
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 4}))
		require.Len(e, e.journal(site, 0), 5, "nothing is folded yet")
		e.mustCommit(site, store.Commit{Next: 3})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 4}))
		require.Equal(e, []string{"d", "e"}, e.texts(4, e.journal(site, 3)))
		e.requireCursor(site, 3, 5)
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 1}), "what is gone already is no error")
		require.Len(e, e.journal(site, 3), 2)
	}},
	{"ReaderLearnsThatItIsTooLate", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b", "c")...)
		e.mustCommit(site, store.Commit{Next: 2})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 2}))
		for _, wait := range []time.Duration{0, time.Minute} {
			for _, after := range []store.Seq{0, 1} {
				_, err := e.Read(e.ctx, site, after, 10, wait)
				require.ErrorIs(e, err, store.ErrTrimmed)
			}
		}
		entries, err := e.Read(e.ctx, site, 2, 10, time.Minute)
		require.NoError(e, err)
		require.Equal(e, []string{"c"}, e.texts(3, entries))
	}},
	{"ToEmptyAndOn", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b", "c")...)
		e.mustCommit(site, store.Commit{Next: 3})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: math.MaxUint64}))
		e.requireCursor(site, 3, 3)
		_, err := e.Read(e.ctx, site, 2, 10, time.Minute)
		require.ErrorIs(e, err, store.ErrTrimmed)
		entries, err := e.Read(e.ctx, site, 3, 10, 0)
		require.NoError(e, err)
		require.Empty(e, entries)
		require.Equal(e, []store.Appended{{Seq: 4}, {Seq: 5}}, e.mustAppend(site, data("d", "e")...), "the numbers go on")
		require.Equal(e, []string{"d", "e"}, e.texts(4, e.journal(site, 3)))
	}},
	{"CursorPastTheNewest", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b")...)
		e.mustCommit(site, store.Commit{Next: 5})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 5}))
		e.requireCursor(site, 5, 2)
		require.Equal(e, []store.Appended{{Seq: 3}}, e.mustAppend(site, data("c")...))
		e.requireCursor(site, 5, 3)
		require.Equal(e, []string{"c"}, e.texts(3, e.journal(site, 2)))
	}},
	{"FactsByTime", func(e *env) {
		site := unique("site")
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 5, Facts: 5}), "a site never written")
		e.mustCommit(site, store.Commit{Next: 1, Facts: []store.Fact{fact(1, 0, "a"), fact(2, 5, "b"), fact(3, 0, "c")}})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{}))
		require.Len(e, e.facts(site, store.FactID{}, store.FactID{}, 0), 3)
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Facts: 3}))
		require.Equal(e, []string{"3-0:c"}, e.facts(site, store.FactID{}, store.FactID{}, 0))
	}},
	{"MoreThanOneStep", func(e *env) {
		site := unique("site")
		const n = 25_000
		for i := 0; i < n; i += 5000 {
			e.mustAppend(site, make([]store.NewEntry, 5000)...)
			c := store.Commit{Expect: store.Seq(i), Next: store.Seq(i + 5000)}
			for j := range 5000 {
				c.Facts = append(c.Facts, fact(int64(i+j+1), 0, ""))
			}
			require.NoError(e, e.Commit(e.ctx, site, c))
		}
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: n - 1, Facts: n}))
		require.Len(e, e.journal(site, n-1), 1)
		require.Len(e, e.facts(site, store.FactID{}, store.FactID{}, 0), 1)
		e.requireCursor(site, n, n)
	}},
	{"WhileOthersWork", func(e *env) {
		site := unique("site")
		ctx, stop := context.WithCancel(e.ctx)
		done := make(chan struct{})
		go func() {
			defer close(done)
			for ctx.Err() == nil {
				if err := e.Trim(ctx, site, store.Trim{Journal: math.MaxUint64}); err != nil && ctx.Err() == nil {
					e.Errorf("trim: %v", err)
				}
			}
		}()
		for i := range store.Seq(40) {
			e.mustAppend(site, data(fmt.Sprint(i+1))...)
			entries, err := e.Read(e.ctx, site, i, 10, time.Minute)
			require.NoError(e, err)
			require.Equal(e, []string{fmt.Sprint(i + 1)}, e.texts(i+1, entries))
			e.mustCommit(site, store.Commit{Expect: i, Next: i + 1})
		}
		stop()
		<-done
		e.requireCursor(site, 40, 40)
	}},
}
