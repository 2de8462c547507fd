package store_test

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/boltstore"
	"lintel/engine/store/memory"
	"lintel/engine/store/redisstore"
	"lintel/engine/store/redistest"
)

// TestCopy moves a site with a trimmed journal, records, facts and documents, from the embedded
// store to Redis and back, and compares all of it.
func TestCopy(t *testing.T) {
	ctx := context.Background()
	open := func() store.Store {
		st, err := boltstore.Open(t.TempDir(), boltstore.Options{NoSync: true})
		require.NoError(t, err)
		t.Cleanup(func() { st.Close() })
		return st
	}
	from := open()
	for i := range 3000 {
		_, err := from.Append(ctx, "umberhithe", store.NewEntry{Data: fmt.Appendf(nil, "entry %d", i+1)})
		require.NoError(t, err)
	}
	c := store.Commit{Expect: 0, Next: 2500}
	for i := range 2500 {
		c.Writes = append(c.Writes, store.Record{Kind: "item", Key: fmt.Sprint("k", i), Value: fmt.Append(nil, i)})
		c.Facts = append(c.Facts, store.Fact{ID: store.FactID{Ms: int64(1000 + i/10), N: uint32(i % 10)},
			Data: fmt.Append(nil, "fact ", i)})
	}
	require.NoError(t, from.Commit(ctx, "umberhithe", c))
	require.NoError(t, from.Trim(ctx, "umberhithe", store.Trim{Journal: 1234}))
	_, err := from.SetValues(ctx, store.Value{Kind: "channel", Key: "chat", Data: []byte("stopped")},
		store.Value{Kind: "notice", Key: "m", Data: []byte{}})
	require.NoError(t, err)
	for v := range 3 {
		_, err := store.PutDocument(ctx, from, store.Document{Name: "layout/umberhithe", At: time.UnixMilli(int64(v)).UTC(),
			By: "test", Body: fmt.Append(nil, "v", v)}, v)
		require.NoError(t, err)
	}

	redis, err := redisstore.Open(ctx, redistest.Start(t).URL(), redisstore.Options{})
	require.NoError(t, err)
	defer redis.Close()
	n, err := store.Copy(ctx, from, redis, []string{"umberhithe"})
	require.NoError(t, err)
	require.Equal(t, store.Copied{Sites: 1, Documents: 3, Entries: 1766, Records: 2500, Facts: 2500, Values: 2}, n)
	_, err = store.Copy(ctx, from, redis, []string{"umberhithe"})
	require.ErrorContains(t, err, "not empty")
	back := open()
	_, err = store.Copy(ctx, redis, back, []string{"umberhithe"})
	require.NoError(t, err)

	require.Equal(t, dump(t, from), dump(t, redis))
	require.Equal(t, dump(t, from), dump(t, back))
	got, err := back.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("next")})
	require.NoError(t, err)
	require.Equal(t, store.Seq(3001), got[0].Seq, "numbers go on where they were")
}

func dump(t *testing.T, st store.Store) map[string]string {
	ctx := context.Background()
	m := map[string]string{}
	cursor, newest, err := st.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	m["cursor"] = fmt.Sprint(cursor, newest)
	_, err = st.Read(ctx, "umberhithe", 1233, 1, 0)
	require.ErrorIs(t, err, store.ErrTrimmed)
	for after := store.Seq(1234); after < newest; {
		entries, err := st.Read(ctx, "umberhithe", after, 500, 0)
		require.NoError(t, err)
		for _, e := range entries {
			m[fmt.Sprint("entry ", e.Seq)] = string(e.Data)
			after = e.Seq
		}
	}
	at, err := st.Records(ctx, "umberhithe", "", nil, func(kind store.Kind, key string, v []byte) error {
		m["record "+string(kind)+" "+key] = string(v)
		return nil
	})
	require.NoError(t, err)
	m["records as of"] = fmt.Sprint(at)
	require.NoError(t, st.Values(ctx, "", nil, func(v store.Value) error {
		m["value "+string(v.Kind)+" "+v.Key] = string(v.Data)
		return nil
	}))
	require.NoError(t, st.Facts(ctx, "umberhithe", store.FactID{}, store.FactID{}, 0, func(id store.FactID, data []byte) error {
		m[fmt.Sprint("fact ", id)] = string(data)
		return nil
	}))
	versions, err := st.DocumentVersions(ctx, "layout/umberhithe")
	require.NoError(t, err)
	for _, v := range versions {
		d, err := st.GetDocument(ctx, v.Name, v.Version)
		require.NoError(t, err)
		m[fmt.Sprint("document ", d.Name, d.Version)] = fmt.Sprint(d.At, d.By, string(d.Body))
	}
	return m
}

// A copy of a store that somebody works would be of several moments, and could not be loaded.
func TestCopyRefusesAStoreThatIsInUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		from, to := memory.Open(), memory.Open()
		defer from.Close()
		defer to.Close()
		_, err := from.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("a")})
		require.NoError(t, err)
		held, err := from.Lease(ctx, "umberhithe", "a server", time.Hour)
		require.NoError(t, err)
		require.True(t, held)
		started := time.Now()
		_, err = store.Copy(ctx, from, to, []string{"umberhithe"})
		require.ErrorContains(t, err, "site umberhithe is worked by a server that runs: stop every process")
		require.Less(t, time.Since(started), 10*time.Second)

		// One that was killed is waited for; one that comes up meanwhile is seen at the end.
		_, err = from.Lease(ctx, "umberhithe", "a server", 4*time.Second)
		require.NoError(t, err)
		_, err = store.Copy(ctx, busy{from}, to, []string{"umberhithe"})
		require.ErrorContains(t, err, "somebody wrote to the source while it was copied")
		held, err = from.Lease(ctx, "umberhithe", "a server", time.Hour)
		require.NoError(t, err)
		require.True(t, held, "the copy gave it up")
	})
}

// busy is a store to which something is appended while its facts are read.
type busy struct{ store.Store }

func (b busy) Facts(ctx context.Context, site string, from, to store.FactID, limit int, fn func(store.FactID, []byte) error) error {
	if _, err := b.Append(ctx, site, store.NewEntry{Data: []byte("b")}); err != nil {
		return err
	}
	return b.Store.Facts(ctx, site, from, to, limit, fn)
}
