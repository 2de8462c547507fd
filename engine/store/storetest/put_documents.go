package storetest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

// put is a document to store together with others.
func put(name, body string, expect int) store.DocumentPut {
	return store.DocumentPut{Document: store.Document{Name: name, By: "mira", Note: body, Body: []byte(body)}, Expect: expect}
}

// keep is a document that must be at a version when others are stored.
func keep(name string, expect int) store.DocumentPut {
	return store.DocumentPut{Document: store.Document{Name: name}, Expect: expect, Keep: true}
}

// versionsOf returns the newest version of each name, 0 where there is none, as of one moment.
func (e *env) versionsOf(prefix string, names ...string) []int {
	e.Helper()
	list, err := e.ListDocuments(e.ctx, prefix)
	require.NoError(e, err)
	versions := make([]int, len(names))
	for _, d := range list {
		if k := slices.Index(names, d.Name); k >= 0 {
			versions[k] = d.Version
		}
	}
	return versions
}

var togetherTests = []test{
	{"AllOrNone", func(e *env) {
		p := unique("d")
		rules, layout, channels := p+"/rules", p+"/layout", p+"/channels"
		versions := func() []int { return e.versionsOf(p, rules, layout, channels) }
		at := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
		first := put(rules, "one", 0)
		first.Document.At = at
		require.NoError(e, e.PutDocuments(e.ctx, []store.DocumentPut{first, put(layout, "", 0), keep(channels, 0)}))
		require.Equal(e, []int{1, 1, 0}, versions())
		d, err := e.GetDocument(e.ctx, rules, 0)
		require.NoError(e, err)
		require.Equal(e, store.Document{Name: rules, Version: 1, At: at, By: "mira", Note: "one", Body: []byte("one")}, d)
		d, err = e.GetDocument(e.ctx, layout, 1)
		require.NoError(e, err)
		require.Empty(e, d.Body)

		for what, puts := range map[string][]store.DocumentPut{
			"the last one is not as expected":    {put(rules, "two", 1), put(channels, "two", 0), put(layout, "two", 2)},
			"the first one is not as expected":   {put(rules, "two", 0), put(channels, "two", 0)},
			"one should be there and is not":     {put(rules, "two", 1), put(channels, "two", 1)},
			"what should be kept is not":         {put(rules, "two", 1), keep(layout, 2)},
			"what should not be there is":        {keep(layout, 0), put(rules, "two", 1)},
			"what should be kept is not there":   {put(rules, "two", 1), keep(channels, 3)},
			"nothing is to be stored":            {keep(rules, 2)},
			"one of many is not as it should be": {keep(rules, 1), keep(layout, 1), put(channels, "two", 0), keep(p+"/products", 1)},
		} {
			require.ErrorIs(e, e.PutDocuments(e.ctx, puts), store.ErrConflict, what)
			require.Equal(e, []int{1, 1, 0}, versions(), what)
		}
		require.NoError(e, e.PutDocuments(e.ctx, []store.DocumentPut{put(rules, "two", 1), keep(layout, 1), put(channels, "two", 0)}))
		require.Equal(e, []int{2, 1, 1}, versions())
		require.NoError(e, e.PutDocuments(e.ctx, []store.DocumentPut{keep(rules, 2), keep(p+"/products", 0)}))
		require.NoError(e, e.PutDocuments(e.ctx, nil))
		require.Equal(e, []int{2, 1, 1}, versions())
		v, err := store.PutDocument(e.ctx, e, store.Document{Name: rules}, 2)
		require.NoError(e, err)
		require.Equal(e, 3, v, "alone or together, versions go on")
		list, err := e.DocumentVersions(e.ctx, rules)
		require.NoError(e, err)
		require.Len(e, list, 3)
	}},
	{"RefusesBadPuts", func(e *env) {
		p := unique("d")
		big := make([]byte, store.MaxValue/2+1)
		together := func(n int, body []byte) (puts []store.DocumentPut) {
			for i := range n {
				puts = append(puts, store.DocumentPut{Document: store.Document{Name: fmt.Sprintf("%s/%d", p, i), Body: body}})
			}
			return puts
		}
		for what, puts := range map[string][]store.DocumentPut{
			"twice":            {put(p, "a", 0), put(p+"/b", "a", 0), put(p, "b", 1)},
			"put and kept":     {put(p, "a", 0), keep(p, 0)},
			"bad name":         {put(p, "a", 0), put("A b", "a", 0)},
			"negative version": {put(p, "a", 0), put(p+"/b", "a", -1)},
			"too large":        {put(p, "a", 0), {Document: store.Document{Name: p + "/b", Body: make([]byte, store.MaxValue+1)}}},
			"too large in all": together(4, big),
			"too many":         together(store.MaxPuts+1, nil),
		} {
			require.ErrorIs(e, e.PutDocuments(e.ctx, puts), store.ErrInvalid, what)
		}
		list, err := e.ListDocuments(e.ctx, p)
		require.NoError(e, err)
		require.Empty(e, list)
	}},
	{"ManyDocuments", func(e *env) {
		p := unique("d")
		var puts []store.DocumentPut
		for i := range 1000 {
			puts = append(puts, put(fmt.Sprintf("%s/%d", p, i), fmt.Sprint(i), 0))
		}
		require.NoError(e, e.PutDocuments(e.ctx, puts))
		list, err := e.ListDocuments(e.ctx, p+"/")
		require.NoError(e, err)
		require.Len(e, list, 1000)
		d, err := e.GetDocument(e.ctx, p+"/999", 0)
		require.NoError(e, err)
		require.Equal(e, "999", string(d.Body))
	}},
	{"NobodySeesHalf", func(e *env) {
		p := unique("d")
		names := []string{p + "/a", p + "/b", p + "/c"}
		const writers, edits = 4, 10
		var stored atomic.Int64
		done := make(chan struct{})
		var watcher sync.WaitGroup
		watcher.Go(func() {
			for {
				list, err := e.ListDocuments(e.ctx, p)
				whole := len(list) == 3 && list[0].Version == list[1].Version && list[1].Version == list[2].Version
				if err != nil || len(list) != 0 && !whole {
					e.Errorf("half was seen: %v %v", list, err)
					return
				}
				select {
				case <-done:
					return
				default:
				}
			}
		})
		together(writers, func(w int) {
			for i := 0; i < edits && e.ctx.Err() == nil; {
				list, err := e.ListDocuments(e.ctx, p)
				if err != nil {
					e.Errorf("list: %v", err)
					return
				}
				version := 0
				if len(list) > 0 {
					version = list[0].Version
				}
				body := fmt.Sprintf("%d/%d", w, i)
				var puts []store.DocumentPut
				for _, name := range names {
					puts = append(puts, put(name, body, version))
				}
				switch err := e.PutDocuments(e.ctx, puts); {
				case err == nil:
					stored.Add(1)
					i++
				case !isConflict(err):
					e.Errorf("put: %v", err)
					return
				}
			}
		})
		close(done)
		watcher.Wait()
		require.EqualValues(e, writers*edits, stored.Load())
		require.Equal(e, []int{writers * edits, writers * edits, writers * edits}, e.versionsOf(p, names...))
		for v := 1; v <= writers*edits; v++ {
			var bodies []string
			for _, name := range names {
				d, err := e.GetDocument(e.ctx, name, v)
				require.NoError(e, err)
				bodies = append(bodies, string(d.Body))
			}
			require.Len(e, slices.Compact(bodies), 1, "version %d comes from one writer", v)
		}
	}},
	{"WholeUnderFaults", func(e *env) {
		seed := Seed(e.T)
		faulty := NewFaulty(e.Store, seed, Faults{Before: 0.2, After: 0.2})
		p := unique("d")
		a, b, base := p+"/a", p+"/b", p+"/base"
		_, err := store.PutDocument(e.ctx, e, store.Document{Name: base}, 0)
		require.NoError(e, err)
		const writers, edits = 4, 8
		// Each edit adds a line to both that only it adds; whoever gets an error reads again to see
		// whether its line is in.
		together(writers, func(w int) {
			for i := range edits {
				line := fmt.Sprintf("%d/%d\n", w, i)
				for e.ctx.Err() == nil {
					d, err := faulty.GetDocument(e.ctx, a, 0)
					if err != nil && !errors.Is(err, store.ErrNotFound) {
						continue
					}
					if containsLine(d.Body, line) {
						break
					}
					body := string(d.Body) + line
					puts := []store.DocumentPut{put(a, body, d.Version), keep(base, 1), put(b, body, d.Version)}
					if faulty.PutDocuments(e.ctx, puts) == nil {
						break
					}
				}
			}
		})
		require.Equal(e, []int{writers * edits, writers * edits, 1}, e.versionsOf(p, a, b, base), "each edit made one version of both")
		for v := 1; v <= writers*edits; v++ {
			da, err := e.GetDocument(e.ctx, a, v)
			require.NoError(e, err)
			db, err := e.GetDocument(e.ctx, b, v)
			require.NoError(e, err)
			require.Equal(e, string(da.Body), string(db.Body), "version %d", v)
		}
		before, after, _ := faulty.Injected()
		require.Positive(e, before)
		require.Positive(e, after)
	}},
}
