package storetest

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

var documentTests = []test{
	{"VersionAfterVersion", func(e *env) {
		name := unique("rules")
		at := time.Date(2026, 11, 25, 9, 30, 0, 123456789, time.FixedZone("", 3600))
		var want []store.Document
		for v := 1; v <= 12; v++ {
			d := store.Document{Name: name, At: at.Add(time.Duration(v) * time.Hour), By: "mira", Note: fmt.Sprintf("change %d, café", v),
				Body: fmt.Appendf(nil, "body %d", v)}
			got, err := store.PutDocument(e.ctx, e, d, v-1)
			require.NoError(e, err)
			require.Equal(e, v, got)
			d.Version, d.At = v, d.At.UTC()
			want = append(want, d)
		}
		for _, d := range want {
			got, err := e.GetDocument(e.ctx, name, d.Version)
			require.NoError(e, err)
			require.Equal(e, d, got)
		}
		got, err := e.GetDocument(e.ctx, name, 0)
		require.NoError(e, err)
		require.Equal(e, want[11], got)

		versions, err := e.DocumentVersions(e.ctx, name)
		require.NoError(e, err)
		require.Len(e, versions, 12)
		for i, d := range versions {
			newest := want[11-i]
			newest.Body = nil
			require.Equal(e, newest, d)
		}
	}},
	{"NotFound", func(e *env) {
		name := unique("rules")
		for _, version := range []int{0, 1, -1} {
			_, err := e.GetDocument(e.ctx, name, version)
			require.ErrorIs(e, err, store.ErrNotFound)
		}
		_, err := e.DocumentVersions(e.ctx, name)
		require.ErrorIs(e, err, store.ErrNotFound)
		_, err = store.PutDocument(e.ctx, e, store.Document{Name: name}, 0)
		require.NoError(e, err)
		for _, version := range []int{2, -1} {
			_, err = e.GetDocument(e.ctx, name, version)
			require.ErrorIs(e, err, store.ErrNotFound)
		}
	}},
	{"ConflictStoresNothing", func(e *env) {
		name := unique("rules")
		put := func(expect int) error {
			_, err := store.PutDocument(e.ctx, e, store.Document{Name: name, Body: fmt.Append(nil, expect)}, expect)
			return err
		}
		require.ErrorIs(e, put(1), store.ErrConflict)
		list, err := e.ListDocuments(e.ctx, name)
		require.NoError(e, err)
		require.Empty(e, list)
		require.NoError(e, put(0))
		require.ErrorIs(e, put(0), store.ErrConflict)
		require.ErrorIs(e, put(2), store.ErrConflict)
		require.NoError(e, put(1))
		versions, err := e.DocumentVersions(e.ctx, name)
		require.NoError(e, err)
		require.Len(e, versions, 2)
	}},
	{"OneOfManyWins", func(e *env) {
		name := unique("rules")
		var won atomic.Int64
		together(8, func(i int) {
			_, err := store.PutDocument(e.ctx, e, store.Document{Name: name}, 0)
			switch {
			case err == nil:
				won.Add(1)
			case !isConflict(err):
				e.Errorf("put: %v", err)
			}
		})
		require.EqualValues(e, 1, won.Load())
	}},
	{"ListByPrefix", func(e *env) {
		p := unique("d")
		for _, name := range []string{"/rules", "/sites/b/layout", "/sites/a/layout", "/sites/a.b/layout", "/site"} {
			for v := range 2 {
				_, err := store.PutDocument(e.ctx, e, store.Document{Name: p + name, Note: fmt.Sprint(v), Body: []byte("x")}, v)
				require.NoError(e, err)
			}
		}
		names := func(prefix string) []string {
			list, err := e.ListDocuments(e.ctx, prefix)
			require.NoError(e, err)
			all := []string{}
			for _, d := range list {
				require.Equal(e, 2, d.Version)
				require.Equal(e, "1", d.Note)
				require.Nil(e, d.Body)
				all = append(all, d.Name[len(p):])
			}
			return all
		}
		require.Equal(e, []string{"/rules", "/site", "/sites/a.b/layout", "/sites/a/layout", "/sites/b/layout"}, names(p))
		require.Equal(e, []string{"/sites/a.b/layout", "/sites/a/layout"}, names(p+"/sites/a"))
		require.Equal(e, []string{"/rules"}, names(p+"/rules"))
		require.Empty(e, names(p+"/x"))
		all, err := e.ListDocuments(e.ctx, "")
		require.NoError(e, err)
		require.GreaterOrEqual(e, len(all), 5)
	}},
	{"LargeBodies", func(e *env) {
		name := unique("products")
		random := make([]byte, 20<<20) // as bad as it gets: it can't be compressed
		for i := range random {
			random[i] = byte(rand.Uint32())
		}
		for v, body := range [][]byte{random, bytes.Repeat([]byte("GTIN,price\n"), 500_000), {}} {
			_, err := store.PutDocument(e.ctx, e, store.Document{Name: name, Body: body}, v)
			require.NoError(e, err)
			got, err := e.GetDocument(e.ctx, name, v+1)
			require.NoError(e, err)
			require.True(e, bytes.Equal(body, got.Body))
		}
	}},
	{"RefusesBadNames", func(e *env) {
		for _, name := range []string{"", "A", "a b", "a:b", "{a}", "é", string(bytes.Repeat([]byte("a"), 129))} {
			_, err := store.PutDocument(e.ctx, e, store.Document{Name: name}, 0)
			require.ErrorIs(e, err, store.ErrInvalid, name)
			_, err = e.GetDocument(e.ctx, name, 0)
			require.ErrorIs(e, err, store.ErrInvalid, name)
			_, err = e.DocumentVersions(e.ctx, name)
			require.ErrorIs(e, err, store.ErrInvalid, name)
		}
		_, err := store.PutDocument(e.ctx, e, store.Document{Name: unique("d")}, -1)
		require.ErrorIs(e, err, store.ErrInvalid)
	}},
}

var leaseTests = []test{
	{"OneOwnerAtATime", func(e *env) {
		site := unique("site")
		lease := func(owner string, ttl time.Duration) bool {
			held, err := e.Store.Lease(e.ctx, site, owner, ttl)
			require.NoError(e, err)
			return held
		}
		require.False(e, lease("a", 0), "giving up what nobody has")
		require.True(e, lease("a", time.Minute))
		require.True(e, lease("a", time.Minute), "renewed")
		require.False(e, lease("b", time.Minute))
		require.False(e, lease("b", 0), "not b's to give up")
		require.False(e, lease("b", time.Minute))
		require.False(e, lease("a", 0), "given up")
		require.True(e, lease("b", time.Minute))
		require.False(e, lease("a", time.Minute))
		held, err := e.Store.Lease(e.ctx, unique("site"), "a", time.Minute)
		require.NoError(e, err)
		require.True(e, held, "another site has another lease")
	}},
	{"TakenOverAfterItsTime", func(e *env) {
		site := unique("site")
		const ttl = 200 * time.Millisecond
		start := time.Now()
		held, err := e.Store.Lease(e.ctx, site, "a", ttl)
		require.NoError(e, err)
		require.True(e, held)
		require.Eventually(e, func() bool {
			held, err := e.Store.Lease(e.ctx, site, "b", time.Minute)
			return err == nil && held
		}, 10*time.Second, 5*time.Millisecond)
		require.Greater(e, time.Since(start), ttl-10*time.Millisecond)
		held, err = e.Store.Lease(e.ctx, site, "a", time.Minute)
		require.NoError(e, err)
		require.False(e, held)
	}},
	{"RenewingKeepsIt", func(e *env) {
		site := unique("site")
		for range 10 {
			held, err := e.Store.Lease(e.ctx, site, "a", 2*time.Second)
			require.NoError(e, err)
			require.True(e, held)
			time.Sleep(10 * time.Millisecond)
			held, err = e.Store.Lease(e.ctx, site, "b", 2*time.Second)
			require.NoError(e, err)
			require.False(e, held)
		}
	}},
	{"OneOfManyWins", func(e *env) {
		site := unique("site")
		var won atomic.Int64
		together(8, func(i int) {
			held, err := e.Store.Lease(e.ctx, site, fmt.Sprint(i), time.Minute)
			if err != nil {
				e.Errorf("lease: %v", err)
			}
			if held {
				won.Add(1)
			}
		})
		require.EqualValues(e, 1, won.Load())
	}},
}

// everyCall calls each method once.
func everyCall(ctx context.Context, st store.Store, site string) map[string]error {
	errs := map[string]error{}
	_, errs["Append"] = st.Append(ctx, site, data("x")...)
	_, errs["Append keyed"] = st.Append(ctx, site, keyed("x", "k", "f"))
	_, errs["Read"] = st.Read(ctx, site, 0, 1, 0)
	_, errs["Read waiting"] = st.Read(ctx, site, 0, 1, time.Minute)
	_, errs["Records"] = st.Records(ctx, site, "item", nil, func(store.Kind, string, []byte) error { return nil })
	_, errs["Records by key"] = st.Records(ctx, site, "item", []string{"x"}, func(store.Kind, string, []byte) error { return nil })
	errs["Commit"] = st.Commit(ctx, site, store.Commit{Next: 1, Writes: []store.Record{write("item", "x", "1")}})
	errs["Commit loose"] = st.Commit(ctx, site, store.Commit{Loose: true, Writes: []store.Record{write("item", "x", "1")}})
	_, _, errs["Cursor"] = st.Cursor(ctx, site)
	errs["Facts"] = st.Facts(ctx, site, store.FactID{}, store.FactID{}, 0, func(store.FactID, []byte) error { return nil })
	errs["Trim"] = st.Trim(ctx, site, store.Trim{Journal: 1, Facts: 1})
	_, errs["Lease"] = st.Lease(ctx, site, "a", time.Minute)
	return errs
}

var lifecycleTests = []test{
	{"CancelledContext", func(e *env) {
		site, name := unique("site"), unique("d")
		ctx, cancel := context.WithCancel(e.ctx)
		cancel()
		for call, err := range everyCall(ctx, e.Store, site) {
			require.ErrorIs(e, err, context.Canceled, call)
		}
		require.ErrorIs(e, e.PutDocuments(ctx, []store.DocumentPut{put(name, "", 0)}), context.Canceled)
		_, err := e.GetDocument(ctx, name, 0)
		require.ErrorIs(e, err, context.Canceled)
		_, err = e.SetValues(ctx, store.Value{Kind: "x", Key: name, Data: []byte("1")})
		require.ErrorIs(e, err, context.Canceled)
		require.ErrorIs(e, e.Values(ctx, "x", nil, func(store.Value) error { return nil }), context.Canceled)
		require.ErrorIs(e, e.Ping(ctx), context.Canceled)
		e.requireCursor(site, 0, 0)
		require.Empty(e, e.records(site, ""))
		_, err = e.GetDocument(e.ctx, name, 0)
		require.ErrorIs(e, err, store.ErrNotFound)
	}},
	{"ClosedTwice", func(e *env) {
		name := unique("d")
		require.NoError(e, e.Ping(e.ctx))
		require.NoError(e, e.Close())
		require.NoError(e, e.Close())
		for call, err := range everyCall(e.ctx, e.Store, unique("site")) {
			require.ErrorIs(e, err, store.ErrClosed, call)
		}
		require.ErrorIs(e, e.PutDocuments(e.ctx, []store.DocumentPut{put(name, "", 0)}), store.ErrClosed)
		_, err := e.GetDocument(e.ctx, name, 0)
		require.ErrorIs(e, err, store.ErrClosed)
		_, err = e.ListDocuments(e.ctx, "")
		require.ErrorIs(e, err, store.ErrClosed)
		_, err = e.DocumentVersions(e.ctx, name)
		require.ErrorIs(e, err, store.ErrClosed)
		_, err = e.SetValues(e.ctx, store.Value{Kind: "x", Key: name, Data: []byte("1")})
		require.ErrorIs(e, err, store.ErrClosed)
		require.ErrorIs(e, e.Values(e.ctx, "x", nil, func(store.Value) error { return nil }), store.ErrClosed)
		require.ErrorIs(e, e.Ping(e.ctx), store.ErrClosed)
	}},
	{"CloseWhileAppending", func(e *env) {
		site := unique("site")
		time.AfterFunc(20*time.Millisecond, func() { _ = e.Close() })
		together(8, func(int) {
			for {
				if _, err := e.Append(e.ctx, site, data("x")...); err != nil {
					if e.ctx.Err() != nil {
						e.Errorf("append hangs")
					}
					return
				}
			}
		})
	}},
	{"RefusesBadSites", func(e *env) {
		for _, site := range []string{"", "A", "a b", "a/b", "{a}", "é", string(bytes.Repeat([]byte("a"), 65))} {
			for call, err := range everyCall(e.ctx, e.Store, site) {
				require.ErrorIs(e, err, store.ErrInvalid, "%s %q", call, site)
			}
		}
		require.NoError(e, everyCall(e.ctx, e.Store, unique("a-b_9"))["Append"])
	}},
	{"RefusesOtherBadArguments", func(e *env) {
		site := unique("site")
		for _, max := range []int{0, -1} {
			_, err := e.Read(e.ctx, site, 0, max, 0)
			require.ErrorIs(e, err, store.ErrInvalid)
		}
		long := string(make([]byte, store.MaxKey+1))
		_, err := e.Append(e.ctx, site, keyed("x", long, ""))
		require.ErrorIs(e, err, store.ErrInvalid)
		_, err = e.Append(e.ctx, site, keyed("x", "k", long))
		require.ErrorIs(e, err, store.ErrInvalid)
		_, err = e.Store.Records(e.ctx, site, "Item", nil, func(store.Kind, string, []byte) error { return nil })
		require.ErrorIs(e, err, store.ErrInvalid)
		e.requireCursor(site, 0, 0)
	}},
}
