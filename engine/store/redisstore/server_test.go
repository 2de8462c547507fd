package redisstore

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
)

func entry(text string) store.NewEntry { return store.NewEntry{Data: []byte(text)} }

// useEverything makes one key of each sort.
func useEverything(t *testing.T, s *Store) {
	ctx := t.Context()
	for _, site := range []string{"umberhithe", "harbour", "mill"} {
		_, err := s.Append(ctx, site, store.NewEntry{Data: []byte("a"), IdempotencyKey: "k", Fingerprint: "f"}, entry("b"))
		require.NoError(t, err)
		require.NoError(t, s.Commit(ctx, site, store.Commit{Next: 2,
			Writes: []store.Record{{Kind: "item", Key: "x", Value: []byte("1")}, {Kind: "alert", Key: "y", Value: []byte("2")}},
			Facts:  []store.Fact{{ID: store.FactID{Ms: 1}, Data: []byte("f")}}}))
		require.NoError(t, s.Trim(ctx, site, store.Trim{Journal: 1}))
		_, err = s.Lease(ctx, site, "a", time.Minute)
		require.NoError(t, err)
		_, err = store.PutDocument(ctx, s, store.Document{Name: "sites/" + site + "/layout", Body: []byte("{}")}, 0)
		require.NoError(t, err)
	}
	_, err := s.SetValues(ctx, store.Value{Kind: "answer", Key: "k", Data: []byte("a")})
	require.NoError(t, err)
}

func TestEveryKeyHasThePrefixAndItsSitesSlot(t *testing.T) {
	server := redistest.Start(t)
	useEverything(t, open(t, server.URL()))
	keys, err := server.Client(t).Keys(t.Context(), "*").Result()
	require.NoError(t, err)
	require.Len(t, keys, 3*(9+2)+3+3)
	for _, key := range keys {
		require.Regexp(t, `^lintel:\{(umberhithe|harbour|mill|\.documents|\.values)\}:`, key)
	}
}

func TestOnlyIdempotencyKeysAndLeasesEnd(t *testing.T) {
	server := redistest.Start(t)
	useEverything(t, open(t, server.URL()))
	c := server.Client(t)
	keys, err := c.Keys(t.Context(), "*").Result()
	require.NoError(t, err)
	for _, key := range keys {
		ttl, err := c.PTTL(t.Context(), key).Result()
		require.NoError(t, err)
		switch {
		case strings.Contains(key, "}:key:"):
			require.Greater(t, ttl, store.IdempotencyWindow-time.Minute)
			require.LessOrEqual(t, ttl, store.IdempotencyWindow)
		case strings.HasSuffix(key, ":lease"):
			require.Positive(t, ttl)
		default:
			require.Negative(t, ttl, key)
		}
	}
}

// TestRecordsCostAtMost120BytesEach holds the budget of an item: a key of 16 bytes and a value of
// 30.
func TestRecordsCostAtMost120BytesEach(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL())
	// Redis doubles a hash table when it is full: 66,000 records in a table for 131,072 are about
	// the worst, 130,000 the best.
	for _, n := range []int{66_000, 100_000, 130_000} {
		site := fmt.Sprintf("site-%d", n)
		for i := 0; i < n; i += 1000 {
			c := store.Commit{Loose: true}
			for j := i; j < i+1000; j++ {
				c.Writes = append(c.Writes, store.Record{Kind: "item", Key: fmt.Sprintf("%016x", j), Value: fmt.Appendf(nil, "%030d", j)})
			}
			require.NoError(t, s.Commit(t.Context(), site, c))
		}
		total, err := server.Client(t).MemoryUsage(t.Context(), recordsKey(site, "item"), 0).Result()
		require.NoError(t, err)
		t.Logf("%d records: %.1f bytes each", n, float64(total)/float64(n))
		require.LessOrEqual(t, total, int64(120*n))
	}
}

func TestNumbersGoOnAfterTrimmingToNothingAndRestarting(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t, "--appendonly", "yes", "--appendfsync", "always")
	s := open(t, server.URL())
	_, err := s.Append(ctx, "umberhithe", entry("a"), entry("b"))
	require.NoError(t, err)
	require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Next: 2, Facts: []store.Fact{{ID: store.FactID{Ms: 9}}}}))
	require.NoError(t, s.Trim(ctx, "umberhithe", store.Trim{Journal: 2, Facts: 1000}))
	c := server.Client(t)
	require.NoError(t, c.Do(ctx, "bgrewriteaof").Err())
	require.Eventually(t, func() bool {
		info := c.Info(ctx, "persistence").Val()
		return strings.Contains(info, "aof_rewrite_in_progress:0") && strings.Contains(info, "aof_rewrite_scheduled:0")
	}, time.Minute, 5*time.Millisecond)
	server.Kill()
	server.Restart(t)
	results, err := retry(func() ([]store.Appended, error) { return s.Append(ctx, "umberhithe", entry("c")) })
	require.NoError(t, err)
	require.Equal(t, []store.Appended{{Seq: 3}}, results)
	err = s.Commit(ctx, "umberhithe", store.Commit{Expect: 2, Next: 3, Facts: []store.Fact{{ID: store.FactID{Ms: 9}}}})
	require.ErrorIs(t, err, store.ErrInvalid, "ids of facts are not used again either")
}

// retry repeats a call while a server comes back.
func retry[T any](call func() (T, error)) (v T, err error) {
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if v, err = call(); err == nil {
			return v, nil
		}
	}
	return v, err
}

func TestAcknowledgedEntriesSurviveKills(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t, "--appendonly", "yes", "--appendfsync", "always")
	s := open(t, server.URL())
	var mu sync.Mutex
	acknowledged := map[store.Seq]string{}
	var stop atomic.Bool
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for i := 0; !stop.Load(); i++ {
				text := fmt.Sprintf("%d/%d", w, i)
				results, err := s.Append(ctx, "umberhithe", entry(text))
				if err != nil {
					time.Sleep(5 * time.Millisecond)
					continue
				}
				mu.Lock()
				if other, twice := acknowledged[results[0].Seq]; twice {
					t.Errorf("number %d was given to %s and %s", results[0].Seq, other, text)
				}
				acknowledged[results[0].Seq] = text
				mu.Unlock()
			}
		})
	}
	count := func() int {
		mu.Lock()
		defer mu.Unlock()
		return len(acknowledged)
	}
	for range 3 {
		n := count()
		require.Eventually(t, func() bool { return count() > n+50 }, time.Minute, time.Millisecond)
		server.Kill()
		server.Restart(t)
	}
	stop.Store(true)
	wg.Wait()
	for seq, text := range acknowledged {
		entries, err := retry(func() ([]store.Entry, error) { return s.Read(ctx, "umberhithe", seq-1, 1, 0) })
		require.NoError(t, err)
		require.Len(t, entries, 1)
		require.Equal(t, text, string(entries[0].Data))
	}
}

func TestAServerThatForgotItsScriptsIsToldAgain(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t)
	s := open(t, server.URL())
	c := server.Client(t)
	for range 2 {
		require.NoError(t, c.ScriptFlush(ctx).Err())
		var wg sync.WaitGroup
		for i := range 20 { // alone and in pipelines
			wg.Go(func() {
				if _, err := s.Append(ctx, "umberhithe", entry("a"), entry(fmt.Sprint(i))); err != nil {
					t.Errorf("append: %v", err)
				}
			})
		}
		wg.Wait()
		require.NoError(t, c.ScriptFlush(ctx).Err())
		require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Loose: true, Writes: []store.Record{{Kind: "item", Key: "x"}}}))
	}
	_, newest, err := s.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	require.EqualValues(t, 80, newest)
}

func TestAWaitingReaderLearnsThatTheServerIsGone(t *testing.T) {
	server := redistest.Start(t, "--appendonly", "yes", "--appendfsync", "always")
	s := open(t, server.URL())
	time.AfterFunc(50*time.Millisecond, server.Kill)
	start := time.Now()
	_, err := s.Read(t.Context(), "umberhithe", 0, 10, time.Minute)
	require.Error(t, err)
	require.NotErrorIs(t, err, store.ErrClosed)
	require.Less(t, time.Since(start), 20*time.Second)
	require.Error(t, s.Ping(t.Context()))

	server.Restart(t)
	time.AfterFunc(50*time.Millisecond, func() {
		_, _ = retry(func() ([]store.Appended, error) { return s.Append(t.Context(), "umberhithe", entry("back")) })
	})
	entries, err := retry(func() ([]store.Entry, error) { return s.Read(t.Context(), "umberhithe", 0, 10, time.Minute) })
	require.NoError(t, err)
	require.Len(t, entries, 1)
}

func TestCloseAndCancelDoNotWaitForBlockedReads(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 2)
	for _, c := range []context.Context{ctx, t.Context()} {
		go func() {
			_, err := s.Read(c, "umberhithe", 0, 10, time.Minute)
			ended <- err
		}()
	}
	blocked := func() bool {
		return strings.Contains(server.Client(t).Info(t.Context(), "clients").Val(), "blocked_clients:1")
	}
	require.Eventually(t, blocked, time.Minute, 5*time.Millisecond, "both readers share one connection")
	start := time.Now()
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)
	require.NoError(t, s.Close())
	require.ErrorIs(t, <-ended, store.ErrClosed)
	require.Less(t, time.Since(start), listenFor/2)
}

func TestAServerThatHangsDoesNotHangItsCallers(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL()+"?timeout=200ms")
	resume := server.Pause(t)
	defer resume()
	start := time.Now()
	_, err := s.Append(t.Context(), "umberhithe", entry("a"))
	require.Error(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	require.Error(t, s.Ping(ctx))
	require.Error(t, s.Commit(t.Context(), "umberhithe", store.Commit{Next: 1}))
	require.Less(t, time.Since(start), 10*time.Second)
}

func TestSentinelMovesToTheNewMaster(t *testing.T) {
	ctx := t.Context()
	w := redistest.Sentinel(t)
	s := open(t, w.URL()+"?timeout=1s")
	_, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("a"), IdempotencyKey: "a"})
	require.NoError(t, err)
	require.NoError(t, s.Commit(ctx, "umberhithe",
		store.Commit{Next: 1, Writes: []store.Record{{Kind: "item", Key: "x", Value: []byte("1")}}}))
	require.Equal(t, int64(1), w.Master.Client(t).Do(ctx, "wait", 1, 5000).Val(), "the replica has it")

	waited := make(chan error, 1)
	go func() {
		entries, err := retry(func() ([]store.Entry, error) { return s.Read(ctx, "umberhithe", 1, 10, time.Minute) })
		if err == nil && len(entries) != 1 {
			err = fmt.Errorf("%d entries", len(entries))
		}
		waited <- err
	}()
	time.Sleep(50 * time.Millisecond)
	w.Master.Kill()
	results, err := retry(func() ([]store.Appended, error) {
		return s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("b"), IdempotencyKey: "b"})
	})
	require.NoError(t, err)
	require.Equal(t, store.Seq(2), results[0].Seq)
	require.NoError(t, <-waited, "a reader that waited goes on at the new master")
	cursor, newest, err := s.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	require.Equal(t, [2]store.Seq{1, 2}, [2]store.Seq{cursor, newest})
}

func TestSitesOfAClusterSurviveTheLossOfANodeThatIsNotTheirs(t *testing.T) {
	ctx := t.Context()
	nodes := redistest.Cluster(t, "--cluster-require-full-coverage", "no")
	s := open(t, nodes.URL()+"?timeout=500ms")
	// One site on each node.
	owner := map[string]string{} // address -> site
	for i := 0; len(owner) < 3; i++ {
		site := fmt.Sprintf("site-%d", i)
		c, err := nodes.Client(t).MasterForKey(ctx, journalKey(site))
		require.NoError(t, err)
		if owner[c.Options().Addr] == "" {
			owner[c.Options().Addr] = site
		}
	}
	for _, site := range owner {
		_, err := s.Append(ctx, site, entry("a"))
		require.NoError(t, err)
	}
	nodes.Servers[0].Kill()
	require.Error(t, s.Ping(ctx))
	for addr, site := range owner {
		if addr == nodes.Servers[0].Addr {
			_, err := s.Append(ctx, site, entry("b"))
			require.Error(t, err)
			continue
		}
		_, err := retry(func() ([]store.Appended, error) { return s.Append(ctx, site, entry("b")) })
		require.NoError(t, err)
	}
}

func TestOpenSaysWhatIsWrongWithTheServer(t *testing.T) {
	ctx := t.Context()
	_, err := Open(ctx, redistest.Start(t, "--cluster-enabled", "yes").URL(), Options{})
	require.ErrorContains(t, err, "redis+cluster://")

	evicting := redistest.Start(t, "--maxmemory", "100mb", "--maxmemory-policy", "volatile-lru").URL()
	_, err = Open(ctx, evicting, Options{})
	require.ErrorContains(t, err, "noeviction")
	s, err := Open(ctx, evicting, Options{AllowEviction: true})
	require.NoError(t, err)
	require.NoError(t, s.Close())

	require.ErrorContains(t, checkInfo(map[string]string{"redis_version": "6.2.14"}, false, Options{}), "7 or newer")
	require.NoError(t, checkInfo(map[string]string{"redis_version": "8.0.1", "maxmemory": "0",
		"maxmemory_policy": "allkeys-lru"}, false, Options{}))

	gone := redistest.Start(t)
	gone.Kill()
	_, err = Open(ctx, gone.URL(), Options{})
	require.ErrorContains(t, err, gone.Addr)
}

func TestAFullServerRefusesWholeCommits(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t, "--maxmemory", "20mb", "--maxmemory-policy", "noeviction")
	s := open(t, server.URL())
	var err error
	for cursor := store.Seq(0); err == nil; cursor++ {
		c := store.Commit{Expect: cursor, Next: cursor + 1}
		for i := range 100 {
			c.Writes = append(c.Writes, store.Record{Kind: "item", Key: fmt.Sprintf("%d/%d", cursor, i), Value: make([]byte, 10_000)})
		}
		err = s.Commit(ctx, "umberhithe", c)
	}
	require.ErrorContains(t, err, "OOM")
	n := 0
	cursor, err := s.Records(ctx, "umberhithe", "item", nil, func(store.Kind, string, []byte) error { n++; return nil })
	require.NoError(t, err)
	require.Equal(t, int(cursor)*100, n, "what did not fit left nothing behind")
	require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Expect: cursor, Next: cursor}),
		"an empty commit may pass or not, but keeps the rest")
}

func TestWrongKindsOfKeysAreErrors(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t)
	s := open(t, server.URL())
	c := server.Client(t)
	require.NoError(t, c.Set(ctx, journalKey("umberhithe"), "x", 0).Err())
	require.NoError(t, c.Set(ctx, recordsKey("umberhithe", "item"), "x", 0).Err())
	require.NoError(t, c.XAdd(ctx, &redis.XAddArgs{Stream: journalKey("mill"), ID: "7-1", Values: []any{"d", "x"}}).Err())
	_, err := s.Append(ctx, "umberhithe", entry("a"))
	require.ErrorContains(t, err, "WRONGTYPE")
	_, err = s.Read(ctx, "umberhithe", 0, 10, 0)
	require.ErrorContains(t, err, "WRONGTYPE")
	_, err = s.Records(ctx, "umberhithe", "item", nil, func(store.Kind, string, []byte) error { return nil })
	require.ErrorContains(t, err, "WRONGTYPE")
	_, err = s.Records(ctx, "umberhithe", "item", []string{"x"}, func(store.Kind, string, []byte) error { return nil })
	require.ErrorContains(t, err, "WRONGTYPE")
	_, err = s.Read(ctx, "mill", 0, 10, 0)
	require.ErrorContains(t, err, "something else writes to it")
	require.False(t, errors.Is(err, store.ErrTrimmed))
}

func TestRefusesDataOfANewerFormat(t *testing.T) {
	srv := redistest.Start(t)
	ctx := context.Background()
	client := srv.Client(t)
	st, err := Open(ctx, srv.URL(), Options{})
	require.NoError(t, err)
	require.NoError(t, st.Close())
	require.NoError(t, client.Set(ctx, formatKey, format+1, 0).Err())
	_, err = Open(ctx, srv.URL(), Options{})
	require.ErrorIs(t, err, store.ErrFormat)
	require.ErrorContains(t, err, "it has format 3, and this one reads up to 2: use the Lintel that wrote it")
	require.NoError(t, client.Del(ctx, formatKey).Err())
	st, err = Open(ctx, srv.URL(), Options{})
	require.NoError(t, err, "data of before there was a format number")
	require.NoError(t, st.Close())
}

// The clock of a Redis on this machine is this machine's.
func TestTime(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL())
	before := time.Now().Add(-time.Millisecond) // Redis counts in microseconds
	got, err := s.Time(t.Context())
	require.NoError(t, err)
	require.WithinRange(t, got, before, time.Now().Add(time.Millisecond))
	require.NoError(t, s.Close())
	_, err = s.Time(t.Context())
	require.ErrorIs(t, err, store.ErrClosed)
}
