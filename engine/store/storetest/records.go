package storetest

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync/atomic"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

func isConflict(err error) bool { return errors.Is(err, store.ErrConflict) }

var commitTests = []test{
	{"MovesEverythingTogether", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b")...)
		require.NoError(e, e.Commit(e.ctx, site, store.Commit{Expect: 0, Next: 2,
			Writes: []store.Record{write("item", "x", "1"), write("alert", "y", "2")},
			Facts:  []store.Fact{fact(5, 0, "f"), fact(5, 1, "g")}}))
		e.requireCursor(site, 2, 2)
		all, cursor, err := recordsOf(e.ctx, e.Store, site, "")
		require.NoError(e, err)
		require.EqualValues(e, 2, cursor)
		require.Equal(e, map[string]string{"item/x": "1", "alert/y": "2"}, all)
		require.Equal(e, []string{"5-0:f", "5-1:g"}, e.facts(site, store.FactID{}, store.FactID{}, 0))
	}},
	{"ConflictChangesNothing", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a", "b", "c")...)
		e.mustCommit(site, store.Commit{Next: 1, Writes: []store.Record{write("item", "x", "1"), write("item", "y", "1")}})
		for _, expect := range []store.Seq{0, 2} {
			err := e.Commit(e.ctx, site, store.Commit{Expect: expect, Next: 3,
				Deletes: []store.RecordKey{{Kind: "item", Key: "x"}},
				Writes:  []store.Record{write("item", "y", "2"), write("hold", "z", "2")},
				Facts:   []store.Fact{fact(1, 0, "f")}})
			require.ErrorIs(e, err, store.ErrConflict)
			e.requireCursor(site, 1, 3)
			require.Equal(e, map[string]string{"item/x": "1", "item/y": "1"}, e.records(site, ""))
			require.Empty(e, e.facts(site, store.FactID{}, store.FactID{}, 0))
		}
	}},
	{"OnlyOneOfManyWins", func(e *env) {
		site := unique("site")
		var won atomic.Int64
		together(8, func(i int) {
			err := e.Commit(e.ctx, site, store.Commit{Next: store.Seq(i + 1), Writes: []store.Record{write("item", "x", fmt.Sprint(i+1))}})
			switch {
			case err == nil:
				won.Add(1)
			case !isConflict(err):
				e.Errorf("commit: %v", err)
			}
		})
		require.EqualValues(e, 1, won.Load())
		all, cursor, err := recordsOf(e.ctx, e.Store, site, "")
		require.NoError(e, err)
		require.Equal(e, map[string]string{"item/x": fmt.Sprint(cursor)}, all)
	}},
	{"DeletesComeBeforeWrites", func(e *env) {
		site := unique("site")
		e.mustCommit(site, store.Commit{Next: 1, Writes: []store.Record{write("item", "x", "old"), write("item", "y", "old")}})
		require.NoError(e, e.Commit(e.ctx, site, store.Commit{Expect: 1, Next: 2,
			Deletes: []store.RecordKey{
				{Kind: "item", Key: "x"}, {Kind: "item", Key: "y"}, {Kind: "item", Key: "never there"}, {Kind: "hold", Key: "x"},
			},
			Writes: []store.Record{write("item", "x", "new"), write("item", "z", "first"), write("item", "z", "last")}}))
		require.Equal(e, map[string]string{"item/x": "new", "item/z": "last"}, e.records(site, ""))
	}},
	{"LooseLeavesTheCursor", func(e *env) {
		site := unique("site")
		e.mustAppend(site, data("a")...)
		e.mustCommit(site, store.Commit{Next: 1, Writes: []store.Record{write("outbox", "d", "due")}})
		e.mustCommit(site, store.Commit{Loose: true, Expect: 77, Next: 12, Writes: []store.Record{write("outbox", "d", "tried")}})
		e.requireCursor(site, 1, 1)
		require.Equal(e, map[string]string{"outbox/d": "tried"}, e.records(site, "outbox"))
		e.mustCommit(site, store.Commit{Loose: true, Deletes: []store.RecordKey{{Kind: "outbox", Key: "d"}}})
		require.Empty(e, e.records(site, ""))
		e.mustCommit(site, store.Commit{Loose: true})
		fresh := unique("site")
		e.mustCommit(fresh, store.Commit{Loose: true, Deletes: []store.RecordKey{{Kind: "outbox", Key: "d"}}})
		e.requireCursor(fresh, 0, 0)
	}},
	{"RefusesWhatBreaksTheContract", func(e *env) {
		site := unique("site")
		e.mustCommit(site, store.Commit{Next: 1, Facts: []store.Fact{fact(10, 3, "last")}})
		long := string(make([]byte, store.MaxKey+1))
		for name, c := range map[string]store.Commit{
			"cursor back":      {Expect: 1, Next: 0},
			"kind":             {Expect: 1, Next: 2, Writes: []store.Record{write("Item", "x", "")}},
			"no kind":          {Expect: 1, Next: 2, Deletes: []store.RecordKey{{Key: "x"}}},
			"long kind":        {Expect: 1, Next: 2, Writes: []store.Record{write("abcdefghijklmnopq", "x", "")}},
			"long key":         {Expect: 1, Next: 2, Writes: []store.Record{write("item", long, "")}},
			"fact without id":  {Expect: 1, Next: 2, Facts: []store.Fact{{Data: []byte("x")}}},
			"fact before 1970": {Expect: 1, Next: 2, Facts: []store.Fact{fact(-1, 0, "x")}},
			"fact twice":       {Expect: 1, Next: 2, Facts: []store.Fact{fact(11, 0, "x"), fact(11, 0, "x")}},
			"fact order":       {Expect: 1, Next: 2, Facts: []store.Fact{fact(12, 0, "x"), fact(11, 9, "x")}},
			"fact not past the last": {Expect: 1, Next: 2, Writes: []store.Record{write("item", "x", "")},
				Facts: []store.Fact{fact(10, 3, "x")}},
			"fact before the last": {Loose: true, Writes: []store.Record{write("item", "x", "")},
				Facts: []store.Fact{fact(9, 9, "x"), fact(12, 0, "x")}},
		} {
			require.ErrorIs(e, e.Commit(e.ctx, site, c), store.ErrInvalid, name)
		}
		e.requireCursor(site, 1, 0)
		require.Empty(e, e.records(site, ""))
		require.Equal(e, []string{"10-3:last"}, e.facts(site, store.FactID{}, store.FactID{}, 0))
		err := e.Commit(e.ctx, site, store.Commit{Expect: 0, Next: 2, Facts: []store.Fact{fact(9, 0, "x")}})
		require.ErrorIs(e, err, store.ErrConflict, "a worker that is behind learns that first")
	}},
	{"FiveThousandRecords", func(e *env) {
		site := unique("site")
		const n = 5000
		c := store.Commit{Next: 1}
		want := map[string]string{}
		for i := range n {
			kind := store.Kind([]string{"item", "hold", "alert"}[i%3])
			key, value := fmt.Sprintf("%016x", i), fmt.Sprintf("value %d", i)
			c.Writes = append(c.Writes, write(kind, key, value))
			c.Facts = append(c.Facts, fact(int64(1+i/10), uint32(i%10), value))
			want[string(kind)+"/"+key] = value
		}
		require.NoError(e, e.Commit(e.ctx, site, c))
		require.Equal(e, want, e.records(site, ""))
		require.Len(e, e.facts(site, store.FactID{}, store.FactID{}, 0), n)

		c = store.Commit{Expect: 1, Next: 2}
		for i := range n - 1 {
			kind := []store.Kind{"item", "hold", "alert"}[i%3]
			c.Deletes = append(c.Deletes, store.RecordKey{Kind: kind, Key: fmt.Sprintf("%016x", i)})
		}
		require.NoError(e, e.Commit(e.ctx, site, c))
		require.Len(e, e.records(site, ""), 1)
	}},
	{"KeepsNoSliceThatItWasGiven", func(e *env) {
		site := unique("site")
		value, text := []byte("value"), []byte("fact!")
		require.NoError(e, e.Commit(e.ctx, site, store.Commit{Next: 1,
			Writes: []store.Record{{Kind: "item", Key: "x", Value: value}}, Facts: []store.Fact{{ID: store.FactID{Ms: 1}, Data: text}}}))
		copy(value, "xxxxx")
		copy(text, "xxxxx")
		require.Equal(e, map[string]string{"item/x": "value"}, e.records(site, ""))
		require.Equal(e, []string{"1-0:fact!"}, e.facts(site, store.FactID{}, store.FactID{}, 0))
	}},
}

var recordTests = []test{
	{"ByKindAndKey", func(e *env) {
		site := unique("site")
		require.Empty(e, e.records(site, "item"))
		require.Empty(e, e.records(site, "item", "a"))
		require.NoError(e, e.Commit(e.ctx, site, store.Commit{Next: 3, Writes: []store.Record{
			write("item", "a", "1"), write("item", "b", "2"), write("items", "a", "3"), write("ite", "m", "4")}}))
		require.Equal(e, map[string]string{"item/a": "1", "item/b": "2"}, e.records(site, "item"))
		require.Equal(e, map[string]string{"item/b": "2"}, e.records(site, "item", "b", "m", "c"))
		require.Empty(e, e.records(site, "item", "c"))
		require.Empty(e, e.records(site, "hold"))
		require.Len(e, e.records(site, ""), 4)
		_, cursor, err := recordsOf(e.ctx, e.Store, site, "item", "c")
		require.NoError(e, err)
		require.EqualValues(e, 3, cursor, "the cursor comes with an empty listing too")
		_, err = e.Store.Records(e.ctx, site, "", []string{"a"}, func(store.Kind, string, []byte) error { return nil })
		require.ErrorIs(e, err, store.ErrInvalid)
	}},
	{"AnyBytes", func(e *env) {
		site := unique("site")
		want := map[string]string{}
		c := store.Commit{Next: 1}
		for i, key := range []string{"", "\x00", "a\x00b", "\xff\xfe", "{x}:y", "\r\n", string(bytes.Repeat([]byte{0}, store.MaxKey))} {
			value := string([]byte{0, byte(i), 0xff, '\n'})
			c.Writes = append(c.Writes, write("item", key, value))
			want["item/"+key] = value
		}
		c.Writes = append(c.Writes, store.Record{Kind: "item", Key: "empty"})
		want["item/empty"] = ""
		for i := range 256 {
			key := string(binary.BigEndian.AppendUint16(nil, uint16(i*257)))
			c.Writes = append(c.Writes, write("item", key, key))
			want["item/"+key] = key
		}
		require.NoError(e, e.Commit(e.ctx, site, c))
		require.Equal(e, want, e.records(site, "item"))
		require.Equal(e, want, e.records(site, ""))
		require.Equal(e, map[string]string{"item/": want["item/"], "item/a\x00b": want["item/a\x00b"], "item/empty": ""},
			e.records(site, "item", "", "a\x00b", "empty", "a"))
		e.mustCommit(site, store.Commit{Loose: true, Deletes: []store.RecordKey{{Kind: "item", Key: ""}, {Kind: "item", Key: "\x00"}}})
		require.Len(e, e.records(site, ""), len(want)-2)
	}},
	{"LargeValue", func(e *env) {
		site := unique("site")
		large := string(bytes.Repeat([]byte("0123456789abcdef"), 1<<16)) // 1 MiB
		e.mustCommit(site, store.Commit{Next: 1, Writes: []store.Record{write("item", "x", large)}, Facts: []store.Fact{fact(1, 0, large)}})
		require.True(e, e.records(site, "item", "x")["item/x"] == large)
		require.True(e, e.facts(site, store.FactID{}, store.FactID{}, 0)[0] == "1-0:"+large)
	}},
	{"AnErrorEndsTheListing", func(e *env) {
		site := unique("site")
		e.mustCommit(site, store.Commit{Next: 1, Writes: []store.Record{write("item", "a", "1"), write("item", "b", "2")}})
		stop := errors.New("enough")
		for _, keys := range [][]string{nil, {"a", "b"}} {
			calls := 0
			_, err := e.Store.Records(e.ctx, site, "item", keys, func(store.Kind, string, []byte) error { calls++; return stop })
			require.ErrorIs(e, err, stop)
			require.Equal(e, 1, calls)
		}
	}},
	{"OneCutUnderCommits", func(e *env) { e.oneCut(300) }},
	{"OneCutOfManyUnderCommits", func(e *env) { e.oneCut(12_000) }},
	{"OneCutUnderLooseCommits", func(e *env) {
		site := unique("site")
		pair := func(v string) store.Commit {
			return store.Commit{Loose: true, Writes: []store.Record{write("outbox", "a", v), write("hold", "b", v)}}
		}
		require.NoError(e, e.Commit(e.ctx, site, pair("0")))
		ctx, stop := context.WithCancel(e.ctx)
		done := make(chan struct{})
		go func() {
			defer close(done)
			for i := 1; ctx.Err() == nil; i++ {
				if err := e.Commit(ctx, site, pair(fmt.Sprint(i))); err != nil && ctx.Err() == nil {
					e.Errorf("commit: %v", err)
				}
			}
		}()
		for range 50 {
			all := map[string]string{}
			_, err := e.Store.Records(e.ctx, site, "", nil, func(kind store.Kind, key string, value []byte) error {
				all[key] = string(value)
				return nil
			})
			if err == nil {
				require.Equal(e, all["a"], all["b"])
			} else {
				require.ErrorIs(e, err, store.ErrConflict)
			}
		}
		stop()
		<-done
	}},
}

// oneCut lists n records while commits change them: each commit writes its cursor into a third of
// the records and deletes and makes others, and keeps one record that says how many there are, so
// that a listing of two moments shows.
func (e *env) oneCut(n int) {
	site := unique("site")
	first := store.Commit{Next: 1}
	for i := range n {
		first.Writes = append(first.Writes, write("item", fmt.Sprintf("k%05d", i), "1"))
	}
	first.Writes = append(first.Writes, write("item", "newest", "1"))
	require.NoError(e, e.Commit(e.ctx, site, first))

	ctx, stop := context.WithCancel(e.ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for cursor := store.Seq(1); ctx.Err() == nil; cursor++ {
			v := fmt.Sprint(cursor + 1)
			c := store.Commit{Expect: cursor, Next: cursor + 1, Writes: []store.Record{write("item", "newest", v)}}
			for i := int(cursor) % 3; i < min(n, 300); i += 3 {
				c.Writes = append(c.Writes, write("item", fmt.Sprintf("k%05d", i), v))
			}
			c.Writes = append(c.Writes, write("item", "made "+v, v))
			c.Deletes = append(c.Deletes, store.RecordKey{Kind: "item", Key: fmt.Sprintf("made %d", cursor)})
			if err := e.Commit(ctx, site, c); err != nil {
				if ctx.Err() == nil {
					e.Errorf("commit: %v", err)
				}
				return
			}
		}
	}()
	defer func() { stop(); <-done }()

	cuts := 0
	for try := 0; try < 2000 && cuts < 15; try++ {
		all := map[string]string{}
		cursor, err := e.Store.Records(e.ctx, site, "item", nil, func(_ store.Kind, key string, value []byte) error {
			all[key] = string(value)
			return nil
		})
		if isConflict(err) {
			if try == 20 { // an engine may give up while commits rain: then it must succeed when they stop
				stop()
				<-done
			}
			continue
		}
		require.NoError(e, err)
		cuts++
		v := fmt.Sprint(cursor)
		require.Equal(e, v, all["newest"])
		count := n + 1
		if cursor > 1 {
			count++
			require.Equal(e, v, all["made "+v])
			for i := int(cursor-1) % 3; i < min(n, 300); i += 3 {
				require.Equal(e, v, all[fmt.Sprintf("k%05d", i)])
			}
		}
		require.Len(e, all, count)
	}
	require.Positive(e, cuts)
}
