package redisstore

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
)

// lines is a log that several goroutines write to.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func openLogged(t *testing.T, url string) (*Store, *lines) {
	log := &lines{}
	s, err := Open(t.Context(), url, Options{Log: slog.New(slog.NewTextHandler(log, nil))})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s, log
}

func TestWarnsOfAServerThatKeepsTooLittle(t *testing.T) {
	for _, tt := range []struct {
		options []string
		warning string
	}{
		{[]string{"--appendonly", "yes", "--appendfsync", "always"}, ""},
		{[]string{"--appendonly", "yes", "--appendfsync", "everysec"}, ""},
		{[]string{"--appendonly", "yes", "--appendfsync", "no"}, "appendfsync is no"},
		{[]string{"--save", "60 1"}, "it has no append-only file"},
		{nil, "it keeps nothing on its disk"},
		{[]string{"--rename-command", "CONFIG", ""}, "it has no append-only file"}, // nor can more be known
	} {
		server := redistest.Start(t, tt.options...)
		s, log := openLogged(t, server.URL())
		require.NoError(t, s.Ping(t.Context()))
		if tt.warning == "" {
			require.NotContains(t, log.String(), "may lose")
			require.NoError(t, server.Client(t).ConfigSet(t.Context(), "appendfsync", "no").Err())
			require.NoError(t, s.Ping(t.Context()))
			tt.warning = "appendfsync is no" // set later, it is seen as well
		}
		require.Contains(t, log.String(), "level=WARN", tt.options)
		require.Contains(t, log.String(), tt.warning, tt.options)
		require.Equal(t, 1, strings.Count(log.String(), "may lose"), "once")
	}
}

func TestAnEvictionPolicyThatIsSetLaterIsSeen(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL())
	require.NoError(t, s.Ping(t.Context()))
	c := server.Client(t)
	require.NoError(t, c.ConfigSet(t.Context(), "maxmemory-policy", "allkeys-lru").Err())
	require.NoError(t, c.ConfigSet(t.Context(), "maxmemory", "100mb").Err())
	require.ErrorContains(t, s.Ping(t.Context()), "set maxmemory-policy noeviction")
	require.NoError(t, c.ConfigSet(t.Context(), "maxmemory-policy", "noeviction").Err())
	require.NoError(t, s.Ping(t.Context()))
}

// A Redis that comes back without its data, or was emptied, must not be taken for a new shop: what
// is posted would go into it, and what the shop had would seem never to have been.
func TestAServerThatLostItsDataIsNotTakenForANewOne(t *testing.T) {
	ctx := t.Context()
	t.Run("restarted", func(t *testing.T) {
		server := redistest.Start(t)
		s := open(t, server.URL())
		_, err := s.Append(ctx, "umberhithe", entry("a"))
		require.NoError(t, err)
		server.Kill()
		server.Restart(t)
		_, err = retry(func() (bool, error) { // the first calls may meet connections of before
			if _, err := s.Append(ctx, "umberhithe", entry("b")); !strings.Contains(fmt.Sprint(err), store.ErrLost.Error()) {
				require.Error(t, err, "nothing is acknowledged")
				return false, err
			}
			return true, nil
		})
		require.NoError(t, err)
		require.ErrorIs(t, s.Ping(ctx), store.ErrLost)
		require.Zero(t, server.Client(t).Exists(ctx, journalKey("umberhithe")).Val())

		other := open(t, server.URL()) // another process, which can't know better, begins anew
		_, err = other.Append(ctx, "umberhithe", entry("c"))
		require.NoError(t, err)
		require.ErrorIs(t, s.Ping(ctx), store.ErrLost, "that is not the store that was opened either")
	})
	for name, start := range map[string]func(*testing.T) (string, redis.UniversalClient, func()){
		"emptied": func(t *testing.T) (string, redis.UniversalClient, func()) {
			server := redistest.Start(t)
			c := server.Client(t)
			return server.URL(), c, func() { require.NoError(t, c.FlushAll(ctx).Err()) }
		},
		"emptied cluster": func(t *testing.T) (string, redis.UniversalClient, func()) {
			nodes := redistest.Cluster(t)
			c := nodes.Client(t)
			return nodes.URL(), c, func() { require.NoError(t, c.ForEachMaster(ctx, flush)) }
		},
	} {
		t.Run(name, func(t *testing.T) {
			url, c, empty := start(t)
			s := open(t, url)
			_, err := s.Append(ctx, "umberhithe", entry("a"))
			require.NoError(t, err)
			kept := c.Get(ctx, markKey).Val()
			empty()
			require.ErrorIs(t, s.Ping(ctx), store.ErrLost)
			_, err = s.Append(ctx, "umberhithe", entry("b"))
			require.ErrorIs(t, err, store.ErrLost)
			_, _, err = s.Cursor(ctx, "umberhithe")
			require.ErrorIs(t, err, store.ErrLost)

			require.NoError(t, c.Set(ctx, markKey, kept, 0).Err()) // its data is restored
			require.NoError(t, s.Ping(ctx))
			_, err = s.Append(ctx, "umberhithe", entry("b"))
			require.NoError(t, err)
		})
	}
}

func TestANewStoreIsMadeOnlyWhereOneMay(t *testing.T) {
	server := redistest.Start(t)
	_, err := Open(t.Context(), server.URL(), Options{Existing: true})
	require.ErrorIs(t, err, store.ErrAbsent)
	require.Zero(t, server.Client(t).DBSize(t.Context()).Val())
	_, log := openLogged(t, server.URL())
	require.Contains(t, log.String(), `level=WARN msg="made a new store`)
	_, log = openLogged(t, server.URL())
	require.NotContains(t, log.String(), "new store")
	s, err := Open(t.Context(), server.URL(), Options{Existing: true})
	require.NoError(t, err)
	require.NoError(t, s.Close())
}

func TestAServerThatIsNotUpYetIsToldFromOneThatCannotBeUsed(t *testing.T) {
	gone := redistest.Start(t)
	gone.Kill()
	_, err := Open(t.Context(), gone.URL(), Options{})
	require.ErrorIs(t, err, store.ErrNotUp)
	_, err = Open(t.Context(), redistest.Start(t, "--maxmemory", "100mb", "--maxmemory-policy", "allkeys-lru").URL(), Options{})
	require.NotErrorIs(t, err, store.ErrNotUp)
	locked := redistest.Start(t, "--requirepass", "secret")
	_, err = Open(t.Context(), "redis://:wrong@"+locked.Addr, Options{})
	require.Error(t, err)
	require.NotErrorIs(t, err, store.ErrNotUp)

	// Redis answers LOADING while it reads its file.
	slow := redistest.Start(t, "--key-load-delay", "2000", "--loading-process-events-interval-bytes", "1024")
	s := open(t, slow.URL())
	for i := range 100 {
		c := store.Commit{Loose: true, Writes: []store.Record{{Kind: "item", Key: fmt.Sprint(i), Value: make([]byte, 1000)}}}
		require.NoError(t, s.Commit(t.Context(), fmt.Sprintf("site-%d", i), c))
	}
	require.NoError(t, slow.Client(t).Save(t.Context()).Err())
	slow.Stop()
	restarted := make(chan struct{})
	go func() {
		defer close(restarted)
		slow.Restart(t)
	}()
	loading := false
	_, err = retry(func() (bool, error) {
		st, err := Open(t.Context(), slow.URL(), Options{})
		if err == nil {
			return true, st.Close()
		}
		require.ErrorIs(t, err, store.ErrNotUp)
		loading = loading || strings.Contains(err.Error(), "LOADING")
		return false, err
	})
	require.NoError(t, err)
	require.True(t, loading)
	<-restarted
}

func TestASiteCanBeReadWhileTheServerIsFull(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t)
	s := open(t, server.URL())
	c := store.Commit{Next: 1}
	for i := range 12_000 { // more than one piece
		c.Writes = append(c.Writes, store.Record{Kind: "item", Key: fmt.Sprint(i), Value: make([]byte, 100)})
	}
	require.NoError(t, s.Commit(ctx, "umberhithe", c))
	require.NoError(t, server.Client(t).ConfigSet(ctx, "maxmemory", "1mb").Err())
	_, err := s.Append(ctx, "umberhithe", entry("a"))
	require.ErrorIs(t, err, store.ErrFull)
	require.ErrorContains(t, err, "OOM")
	other := open(t, server.URL()) // a process that starts meanwhile
	for _, kind := range []store.Kind{"", "item"} {
		n := 0
		cursor, err := other.Records(ctx, "umberhithe", kind, nil, func(store.Kind, string, []byte) error { n++; return nil })
		require.NoError(t, err)
		require.EqualValues(t, 1, cursor)
		require.Equal(t, 12_000, n)
	}
	_, err = other.Records(ctx, "umberhithe", "item", []string{"1", "none"}, func(store.Kind, string, []byte) error { return nil })
	require.NoError(t, err)
}

// When a master of a cluster dies, a replica takes over within about the time that its nodes allow.
// The store must find it soon after.
func TestANodeThatTakesOverInAClusterIsFound(t *testing.T) {
	ctx := t.Context()
	nodes := redistest.Cluster(t)
	s := open(t, nodes.URL())
	append := func() (bool, error) {
		_, err := s.Append(ctx, "umberhithe", entry("a"))
		return true, err
	}
	_, err := append()
	require.NoError(t, err)

	slot := int(nodes.Client(t).ClusterKeySlot(ctx, journalKey("umberhithe")).Val())
	master := nodes.Servers[slot*3/16384]
	replica := redistest.Start(t, "--cluster-enabled", "yes", "--cluster-node-timeout", "2000")
	c := replica.Client(t)
	host, port := nodes.Servers[0].HostPort()
	require.NoError(t, c.ClusterMeet(ctx, host, port).Err())
	id := master.Client(t).ClusterMyID(ctx).Val()
	require.Eventually(t, func() bool { return c.ClusterReplicate(ctx, id).Err() == nil }, 20*time.Second, 50*time.Millisecond)
	require.Eventually(t, func() bool {
		return strings.Contains(c.Info(ctx, "replication").Val(), "master_link_status:up")
	}, 20*time.Second, 50*time.Millisecond)
	time.Sleep(2 * time.Second) // all nodes know of it
	master.Kill()
	require.Eventually(t, func() bool {
		return strings.Contains(c.Info(ctx, "replication").Val(), "role:master")
	}, 30*time.Second, 10*time.Millisecond)
	started := time.Now()
	for _, err = append(); err != nil && time.Since(started) < time.Minute; _, err = append() {
		time.Sleep(20 * time.Millisecond)
	}
	require.NoError(t, err)
	t.Logf("found after %v", time.Since(started))
	require.Less(t, time.Since(started), 10*time.Second)
}

func flush(ctx context.Context, c *redis.Client) error { return c.FlushAll(ctx).Err() }
