package storetest

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

var journalTests = []test{
	{"StartsAtOneInOrder", func(e *env) {
		site := unique("site")
		e.requireCursor(site, 0, 0)
		require.Equal(e, []store.Appended{{Seq: 1}, {Seq: 2}, {Seq: 3}}, e.mustAppend(site, data("a", "b", "c")...))
		require.Equal(e, []store.Appended{{Seq: 4}}, e.mustAppend(site, data("d")...))
		require.Equal(e, []string{"a", "b", "c", "d"}, e.texts(1, e.journal(site, 0)))
		e.requireCursor(site, 0, 4)
	}},
	{"NothingToAppend", func(e *env) {
		site := unique("site")
		results, err := e.Append(e.ctx, site)
		require.NoError(e, err)
		require.Empty(e, results)
		e.requireCursor(site, 0, 0)
	}},
	{"DenseUnderConcurrency", func(e *env) {
		const writers, calls = 8, 25
		site := unique("site")
		var mu sync.Mutex
		want := map[store.Seq]string{}
		together(writers, func(w int) {
			for c := range calls {
				var texts []string
				for i := range 1 + (w+c)%4 {
					texts = append(texts, fmt.Sprintf("%d/%d/%d", w, c, i))
				}
				results, err := e.Append(e.ctx, site, data(texts...)...)
				if err != nil {
					e.Errorf("append: %v", err)
					return
				}
				mu.Lock()
				for i, r := range results {
					if r.Seq != results[0].Seq+store.Seq(i) || r.Replayed {
						e.Errorf("the entries of one append are not next to each other: %v", results)
					}
					want[r.Seq] = texts[i]
				}
				mu.Unlock()
			}
		})
		got := e.texts(1, e.journal(site, 0))
		require.Len(e, want, len(got), "no number was given twice")
		for i, text := range got {
			require.Equal(e, want[store.Seq(i+1)], text)
		}
		e.requireCursor(site, 0, store.Seq(len(got)))
	}},
	{"KeepsNoSliceThatItWasGiven", func(e *env) {
		site := unique("site")
		entry := []byte("as it was")
		e.mustAppend(site, store.NewEntry{Data: entry})
		copy(entry, "changed!!")
		first := e.journal(site, 0)
		require.Equal(e, []string{"as it was"}, e.texts(1, first))
		copy(first[0].Data, "changed!!")
		require.Equal(e, []string{"as it was"}, e.texts(1, e.journal(site, 0)))
	}},
	{"WhatWasReadStaysTheReaders", func(e *env) {
		site := unique("site")
		text := func(c byte) string { return string(bytes.Repeat([]byte{c}, 8000)) }
		for c := byte('a'); c <= 'h'; c++ {
			e.mustAppend(site, data(text(c))...)
		}
		read := e.journal(site, 0)
		for i := range read {
			read[i].Data[0] = '!' // its own, so it may write there
		}
		again := e.journal(site, 0)
		// What was read stays as it was while the engine uses the room for other things.
		e.mustCommit(site, store.Commit{Next: 8})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 8}))
		for c := byte('A'); c <= 'Z'; c++ {
			e.mustAppend(site, data(text(c))...)
		}
		for i := range again {
			require.True(e, string(again[i].Data) == text('a'+byte(i)))
			require.True(e, string(read[i].Data) == "!"+text('a' + byte(i))[1:])
			_ = append(again[i].Data, "past its end"...)
		}
		require.True(e, string(again[1].Data) == text('b'), "an append to one entry does not reach the next")
	}},
	{"EmptyAndLargeEntries", func(e *env) {
		site := unique("site")
		large := bytes.Repeat([]byte("0123456789abcdef"), 1<<16) // 1 MiB
		e.mustAppend(site, store.NewEntry{}, store.NewEntry{Data: large}, store.NewEntry{Data: []byte{0, '\r', '\n', 0xff}})
		got := e.journal(site, 0)
		require.Len(e, got, 3)
		require.Empty(e, got[0].Data)
		require.True(e, bytes.Equal(large, got[1].Data))
		require.Equal(e, []byte{0, '\r', '\n', 0xff}, got[2].Data)
	}},
	{"StartsLater", func(e *env) {
		site := unique("site")
		require.NoError(e, e.StartJournal(e.ctx, site, 0))
		require.NoError(e, e.StartJournal(e.ctx, site, 41))
		e.requireCursor(site, 0, 41)
		require.Equal(e, []store.Appended{{Seq: 42}}, e.mustAppend(site, data("a")...))
		require.ErrorIs(e, e.StartJournal(e.ctx, site, 50), store.ErrConflict)
		require.Equal(e, []string{"a"}, e.texts(42, e.journal(site, 41)))
		_, err := e.Read(e.ctx, site, 40, 10, 0)
		require.ErrorIs(e, err, store.ErrTrimmed)
		e.mustCommit(site, store.Commit{Next: 42})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 42}))
		e.requireCursor(site, 42, 42)
		for _, newest := range []store.Seq{0, 7, 50} {
			require.ErrorIs(e, e.StartJournal(e.ctx, site, newest), store.ErrConflict)
		}
		require.ErrorIs(e, e.StartJournal(e.ctx, "A", 1), store.ErrInvalid)
	}},
	{"SitesDoNotDisturbEachOther", func(e *env) {
		a, b := unique("site"), unique("site")
		key := store.NewEntry{Data: []byte("a1"), IdempotencyKey: "k", Fingerprint: "1"}
		e.mustAppend(a, key, store.NewEntry{Data: []byte("a2")})
		key.Fingerprint = "2"
		require.Equal(e, []store.Appended{{Seq: 1}}, e.mustAppend(b, key), "the same key elsewhere is another key")
		e.mustCommit(a, store.Commit{Next: 2, Writes: []store.Record{write("item", "x", "a")}, Facts: []store.Fact{fact(9, 0, "a")}})
		e.requireCursor(a, 2, 2)
		e.requireCursor(b, 0, 1)
		require.Empty(e, e.records(b, ""))
		require.Empty(e, e.facts(b, store.FactID{}, store.FactID{}, 0))
		e.mustCommit(b, store.Commit{Next: 1, Facts: []store.Fact{fact(3, 0, "b")}}) // facts of another site have their own order
		require.NoError(e, e.Trim(e.ctx, a, store.Trim{Journal: 2, Facts: 100}))
		require.Len(e, e.journal(b, 0), 1)
		require.Len(e, e.facts(b, store.FactID{}, store.FactID{}, 0), 1)
	}},
}

func keyed(data, key, fingerprint string) store.NewEntry {
	return store.NewEntry{Data: []byte(data), IdempotencyKey: key, Fingerprint: fingerprint}
}

var idempotencyTests = []test{
	{"Replay", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("first")...)
		require.Equal(e, []store.Appended{{Seq: 2}}, e.mustAppend(site, keyed("a", "key", "f")))
		require.Equal(e, []store.Appended{{Seq: 2, Replayed: true}}, e.mustAppend(site, keyed("other bytes", "key", "f")))
		require.Equal(e, []store.Appended{{Seq: 3}, {Seq: 2, Replayed: true}, {Seq: 4}},
			e.mustAppend(site, store.NewEntry{Data: []byte("b")}, keyed("a", "key", "f"), keyed("c", "key2", "f")))
		require.Equal(e, []string{"first", "a", "b", "c"}, e.texts(1, e.journal(site, 0)))
	}},
	{"MismatchAddsNothing", func(e *env) {
		site := unique("site")
		e.mustAppend(site, keyed("a", "key", "f"))
		_, err := e.Append(e.ctx, site, keyed("b", "new", "f"), keyed("a", "key", "g"), keyed("c", "newer", "f"))
		require.ErrorIs(e, err, store.ErrIdempotencyMismatch)
		require.Equal(e, []string{"a"}, e.texts(1, e.journal(site, 0)))
		require.Equal(e, []store.Appended{{Seq: 2}}, e.mustAppend(site, keyed("b", "new", "h")),
			"the keys of the refused append were not used up")
	}},
	{"TwiceInOneCall", func(e *env) {
		site := unique("site")
		require.Equal(e, []store.Appended{{Seq: 1}, {Seq: 1, Replayed: true}},
			e.mustAppend(site, keyed("a", "key", "f"), keyed("a", "key", "f")))
		_, err := e.Append(e.ctx, site, keyed("b", "key2", "f"), keyed("b", "key2", "g"))
		require.ErrorIs(e, err, store.ErrIdempotencyMismatch)
		require.Equal(e, []string{"a"}, e.texts(1, e.journal(site, 0)))
	}},
	{"AnyBytes", func(e *env) {
		site := unique("site")
		keys := []string{"a", "a\x00", "\xff{}:", "a:b", " ", string(bytes.Repeat([]byte{1}, store.MaxKey))}
		for i, key := range keys {
			require.Equal(e, []store.Appended{{Seq: store.Seq(i + 1)}}, e.mustAppend(site, keyed("x", key, key)))
		}
		for i, key := range keys {
			require.Equal(e, []store.Appended{{Seq: store.Seq(i + 1), Replayed: true}}, e.mustAppend(site, keyed("x", key, key)))
		}
		require.Equal(e, []store.Appended{{Seq: 7}}, e.mustAppend(site, keyed("x", "no fingerprint", "")))
		require.Equal(e, []store.Appended{{Seq: 7, Replayed: true}}, e.mustAppend(site, keyed("x", "no fingerprint", "")))
	}},
	{"OneOfManyWins", func(e *env) {
		site := unique("site")
		const n = 16
		results := make([]store.Appended, n)
		together(n, func(i int) {
			r, err := e.Append(e.ctx, site, keyed("once", "key", "f"), keyed("own", fmt.Sprintf("own-%d", i), "f"))
			if err != nil {
				e.Errorf("append: %v", err)
				return
			}
			results[i] = r[0]
		})
		won := slices.IndexFunc(results, func(a store.Appended) bool { return !a.Replayed })
		require.GreaterOrEqual(e, won, 0)
		for i, r := range results {
			require.Equal(e, store.Appended{Seq: results[won].Seq, Replayed: i != won}, r)
		}
		require.Len(e, e.journal(site, 0), n+1)
	}},
	{"SurvivesTrim", func(e *env) {
		site := unique("site")
		e.mustAppend(site, keyed("a", "key", "f"))
		e.mustCommit(site, store.Commit{Next: 1})
		require.NoError(e, e.Trim(e.ctx, site, store.Trim{Journal: 1}))
		require.Equal(e, []store.Appended{{Seq: 1, Replayed: true}}, e.mustAppend(site, keyed("a", "key", "f")))
	}},
}

var readTests = []test{
	{"FromAnywhereUpToMax", func(e *env) {
		site := unique("site")
		var all []string
		for i := range 20 {
			all = append(all, fmt.Sprint(i))
		}
		e.mustAppend(site, data(all...)...)
		for after := range 20 {
			for _, max := range []int{1, 3, 100} {
				entries, err := e.Read(e.ctx, site, store.Seq(after), max, time.Minute)
				require.NoError(e, err)
				require.Equal(e, all[after:min(20, after+max)], e.texts(store.Seq(after+1), entries))
			}
		}
	}},
	{"NothingThere", func(e *env) {
		site := unique("site")
		entries, err := e.Read(e.ctx, site, 0, 10, 0)
		require.NoError(e, err)
		require.Empty(e, entries)
		start := time.Now()
		entries, err = e.Read(e.ctx, site, 0, 10, 50*time.Millisecond)
		require.NoError(e, err)
		require.Empty(e, entries)
		require.GreaterOrEqual(e, time.Since(start), 50*time.Millisecond)
	}},
	{"PastTheNewest", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a")...)
		_, err := e.Read(e.ctx, site, 2, 10, time.Minute)
		require.ErrorIs(e, err, store.ErrConflict, "the reader knows entries that the store does not: it must load again")
	}},
	{"WakesOnAppend", func(e *env) { e.wakes(e.Store) }},
	{"WakesOnAppendOfAnotherClient", func(e *env) { e.wakes(e.other()) }},
	{"WakesEveryReader", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a")...)
		const n = 8
		ready := make(chan struct{}, n)
		go func() {
			for range n {
				<-ready
			}
			time.Sleep(20 * time.Millisecond)
			if _, err := e.Append(e.ctx, site, data("b")...); err != nil {
				e.Errorf("append: %v", err)
			}
		}()
		together(n, func(int) {
			ready <- struct{}{}
			entries, err := e.Read(e.ctx, site, 1, 10, time.Minute)
			if err != nil || len(entries) != 1 {
				e.Errorf("read: %v, %v", entries, err)
			}
		})
	}},
	{"AnotherSiteDoesNotWake", func(e *env) {
		a, b := unique("site"), unique("site")
		time.AfterFunc(10*time.Millisecond, func() { _, _ = e.Append(e.ctx, b, data("x")...) })
		entries, err := e.Read(e.ctx, a, 0, 10, 60*time.Millisecond)
		require.NoError(e, err)
		require.Empty(e, entries)
		entries, err = e.Read(e.ctx, b, 0, 10, time.Minute)
		require.NoError(e, err)
		require.Len(e, entries, 1)
	}},
	{"CancelEndsTheWait", func(e *env) {
		ctx, cancel := context.WithCancel(e.ctx)
		start := time.Now()
		time.AfterFunc(30*time.Millisecond, cancel)
		_, err := e.Read(ctx, unique("site"), 0, 10, time.Minute)
		require.ErrorIs(e, err, context.Canceled)
		require.Less(e, time.Since(start), 5*time.Second)
	}},
	{"CloseEndsTheWait", func(e *env) {
		start := time.Now()
		time.AfterFunc(30*time.Millisecond, func() { _ = e.Close() })
		_, err := e.Read(e.ctx, unique("site"), 0, 10, time.Minute)
		require.ErrorIs(e, err, store.ErrClosed)
		require.Less(e, time.Since(start), 5*time.Second)
	}},
	{"FollowsAFastWriter", func(e *env) {
		site := unique("site")
		const n = 300
		go func() {
			for i := range n {
				if _, err := e.Append(e.ctx, site, data(fmt.Sprint(i))...); err != nil {
					e.Errorf("append: %v", err)
					return
				}
			}
		}()
		var after store.Seq
		for after < n {
			entries, err := e.Read(e.ctx, site, after, 7, time.Minute)
			require.NoError(e, err)
			for _, entry := range entries {
				after++
				require.Equal(e, after, entry.Seq)
				require.Equal(e, fmt.Sprint(after-1), string(entry.Data))
			}
		}
	}},
}

// wakes checks that an append through the other store ends a wait long before its time, several
// times in a row.
func (e *env) wakes(other store.Store) {
	site := unique("site")
	for i := range store.Seq(5) {
		time.AfterFunc(20*time.Millisecond, func() {
			if _, err := other.Append(e.ctx, site, data("news")...); err != nil {
				e.Errorf("append: %v", err)
			}
		})
		start := time.Now()
		entries, err := e.Read(e.ctx, site, i, 10, time.Minute)
		require.NoError(e, err)
		require.Equal(e, []string{"news"}, e.texts(i+1, entries))
		require.Less(e, time.Since(start), 5*time.Second)
	}
}
