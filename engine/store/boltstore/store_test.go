package boltstore

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
	"go.uber.org/goleak"

	"lintel/engine/store"
	"lintel/engine/store/storetest"
)

// childDir tells the test binary to be the other process of a test instead of running tests.
const childDir = "LINTEL_TEST_CHILD_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := appendForEver(dir); err != nil {
			fmt.Println("error:", err)
			os.Exit(1)
		}
	}
	goleak.VerifyTestMain(m)
}

func TestConformance(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store { return open(t, t.TempDir(), Options{}) })
}

func open(t testing.TB, dir string, opts Options) *Store {
	t.Helper()
	s, err := Open(dir, opts)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// hold keeps the writer busy until release is called, so that a test can fill the queue behind it.
func hold(t *testing.T, s *Store) (release func()) {
	started, end := make(chan struct{}), make(chan struct{})
	done := make(chan error, 1)
	var once sync.Once
	go func() {
		done <- s.write(context.Background(), 0, func(*bbolt.Tx, time.Time) (bool, error) {
			once.Do(func() { close(started) })
			<-end
			return false, nil
		})
	}()
	<-started
	return func() {
		close(end)
		require.NoError(t, <-done)
	}
}

func (s *Store) queued() int {
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	return len(s.writer.queue)
}

func transactions(t *testing.T, s *Store) (n int) {
	require.NoError(t, s.view(t.Context(), func(tx *bbolt.Tx) error {
		n = tx.ID()
		return nil
	}))
	return n
}

func TestWaitingCallsShareOneTransaction(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	before := transactions(t, s)
	release := hold(t, s)
	const n = 50
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() {
			if _, err := s.Append(t.Context(), "umberhithe", store.NewEntry{Data: []byte("x")}); err != nil {
				t.Errorf("append: %v", err)
			}
		})
		if i%10 == 0 {
			// A call that is refused in the middle of a batch spoils nobody else's.
			wg.Go(func() {
				err := s.Commit(t.Context(), "umberhithe", store.Commit{Expect: 99, Next: 100})
				if !errors.Is(err, store.ErrConflict) {
					t.Errorf("commit: %v", err)
				}
			})
		}
	}
	require.Eventually(t, func() bool { return s.queued() == n+n/10 }, time.Minute, time.Millisecond)
	release()
	wg.Wait()
	require.Equal(t, 1, transactions(t, s)-before)
	_, newest, err := s.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.EqualValues(t, n, newest)
}

func TestACallThatBreaksInTheMiddleSpoilsNobodyElses(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	release := hold(t, s)
	var wg sync.WaitGroup
	for i := range 9 {
		wg.Go(func() {
			if i == 4 {
				broken := errors.New("broken")
				err := s.write(t.Context(), 0, func(tx *bbolt.Tx, now time.Time) (bool, error) {
					_, _, err := appendEntries(tx, "umberhithe", []store.NewEntry{{Data: []byte("half")}}, now)
					return true, errors.Join(err, broken)
				})
				if !errors.Is(err, broken) {
					t.Errorf("write: %v", err)
				}
				return
			}
			if _, err := s.Append(t.Context(), "umberhithe", store.NewEntry{Data: []byte("whole")}); err != nil {
				t.Errorf("append: %v", err)
			}
		})
	}
	require.Eventually(t, func() bool { return s.queued() == 9 }, time.Minute, time.Millisecond)
	release()
	wg.Wait()
	entries, err := s.Read(t.Context(), "umberhithe", 0, 100, 0)
	require.NoError(t, err)
	require.Len(t, entries, 8)
	for _, e := range entries {
		require.Equal(t, "whole", string(e.Data))
	}
}

func TestACallerThatGivesUpInTheQueueChangesNothing(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	release := hold(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		for s.queued() == 0 {
			time.Sleep(time.Millisecond)
		}
		cancel()
	}()
	_, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("x")})
	require.ErrorIs(t, err, context.Canceled)
	release()
	_, newest, err := s.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.Zero(t, newest)
}

func TestEverythingIsThereAfterReopening(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	s, err := Open(dir, Options{})
	require.NoError(t, err)
	key := store.NewEntry{Data: []byte("a"), IdempotencyKey: "k", Fingerprint: "f"}
	_, err = s.Append(ctx, "umberhithe", key, store.NewEntry{Data: []byte("b")}, store.NewEntry{Data: []byte("c")})
	require.NoError(t, err)
	require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Next: 2,
		Writes: []store.Record{{Kind: "item", Key: "x", Value: []byte("1")}},
		Facts:  []store.Fact{{ID: store.FactID{Ms: 5}, Data: []byte("f")}}}))
	require.NoError(t, s.Trim(ctx, "umberhithe", store.Trim{Journal: 1}))
	_, err = store.PutDocument(ctx, s, store.Document{Name: "rules", Body: []byte("[]")}, 0)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	s = open(t, dir, Options{})
	cursor, newest, err := s.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	require.Equal(t, [2]store.Seq{2, 3}, [2]store.Seq{cursor, newest})
	_, err = s.Read(ctx, "umberhithe", 0, 10, 0)
	require.ErrorIs(t, err, store.ErrTrimmed)
	entries, err := s.Read(ctx, "umberhithe", 1, 10, 0)
	require.NoError(t, err)
	require.Equal(t, []store.Entry{{Seq: 2, Data: []byte("b")}, {Seq: 3, Data: []byte("c")}}, entries)
	again, err := s.Append(ctx, "umberhithe", key)
	require.NoError(t, err)
	require.Equal(t, []store.Appended{{Seq: 1, Replayed: true}}, again)
	d, err := s.GetDocument(ctx, "rules", 0)
	require.NoError(t, err)
	require.Equal(t, "[]", string(d.Body))
	require.ErrorIs(t, s.Commit(ctx, "umberhithe", store.Commit{Expect: 2, Next: 3,
		Facts: []store.Fact{{ID: store.FactID{Ms: 5}}}}), store.ErrInvalid)
}

// TestSyncingIsOn: what a power cut does can't be tried here, but that nothing was told to leave
// out the fsync can be seen.
func TestSyncingIsOn(t *testing.T) {
	require.False(t, open(t, t.TempDir(), Options{}).db.NoSync)
	require.True(t, open(t, t.TempDir(), Options{NoSync: true}).db.NoSync)
}

func TestASecondOpenIsRefusedQuickly(t *testing.T) {
	dir := t.TempDir()
	open(t, dir, Options{})
	start := time.Now()
	_, err := Open(dir, Options{})
	require.ErrorIs(t, err, ErrInUse)
	require.ErrorContains(t, err, dir)
	require.Less(t, time.Since(start), 5*time.Second)
}

// appendForEver is the child's part of TestAProcessThatIsKilledLosesNothing: it says on its output
// what was acknowledged.
func appendForEver(dir string) error {
	s, err := Open(dir, Options{})
	if err != nil {
		return err
	}
	lines := make(chan string)
	for w := range 4 {
		go func() {
			for i := 0; ; i++ {
				text := fmt.Sprintf("%d/%d", w, i)
				results, err := s.Append(context.Background(), "umberhithe", store.NewEntry{Data: bytes.Repeat([]byte(text+" "), 200)})
				if err != nil {
					lines <- "error: " + err.Error()
					return
				}
				lines <- fmt.Sprintf("%d %s", results[0].Seq, text)
			}
		}()
	}
	for line := range lines {
		fmt.Println(line)
	}
	return nil
}

func TestAProcessThatIsKilledLosesNothing(t *testing.T) {
	dir := t.TempDir()
	exe, err := os.Executable()
	require.NoError(t, err)
	acknowledged := map[store.Seq]string{}
	for range 3 {
		child := exec.Command(exe)
		child.Env = append(os.Environ(), childDir+"="+dir)
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		lines := bufio.NewScanner(out)
		for n := 0; n < 200 && lines.Scan(); n++ {
			if n == 10 {
				_, err := Open(dir, Options{})
				require.ErrorIs(t, err, ErrInUse, "another process has it")
			}
			var seq store.Seq
			var text string
			_, err := fmt.Sscan(lines.Text(), &seq, &text)
			require.NoError(t, err, lines.Text())
			acknowledged[seq] = text
		}
		require.NoError(t, child.Process.Kill())
		for lines.Scan() { // what it said before it died counts too, if the line is whole
			var seq store.Seq
			var text string
			if n, err := fmt.Sscan(lines.Text(), &seq, &text); n == 2 && err == nil {
				acknowledged[seq] = text
			}
		}
		_ = child.Wait()
	}
	require.GreaterOrEqual(t, len(acknowledged), 600)

	s := open(t, dir, Options{})
	for seq, text := range acknowledged {
		entries, err := s.Read(t.Context(), "umberhithe", seq-1, 1, 0)
		require.NoError(t, err)
		require.Len(t, entries, 1)
		require.True(t, strings.HasPrefix(string(entries[0].Data), text), "entry %d", seq)
	}
}

func TestAFullDiskIsAnErrorAndNotTheEnd(t *testing.T) {
	ctx := t.Context()
	s := open(t, t.TempDir(), Options{maxSize: 1 << 20})
	entry := store.NewEntry{Data: bytes.Repeat([]byte("x"), 50_000)}
	taken := store.Seq(0)
	var err error
	for err == nil {
		if _, err = s.Append(ctx, "umberhithe", entry); err == nil {
			taken++
		}
	}
	require.ErrorIs(t, err, bolterrors.ErrMaxSizeReached)
	require.ErrorIs(t, err, store.ErrFull)
	require.ErrorContains(t, err, filepath.Join(s.dir, FileName))
	require.Positive(t, taken)
	_, newest, err := s.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	require.Equal(t, taken, newest, "what failed is not there")

	// Room is made, and the store goes on by itself.
	require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Next: taken}))
	require.NoError(t, s.Trim(ctx, "umberhithe", store.Trim{Journal: taken}))
	require.NoError(t, s.Commit(ctx, "umberhithe", store.Commit{Loose: true, Writes: []store.Record{{Kind: "item", Key: "x"}}}))
	results, err := s.Append(ctx, "umberhithe", entry)
	require.NoError(t, err)
	require.Equal(t, taken+1, results[0].Seq)
	require.NoError(t, s.Ping(ctx))
}

func TestAFileThatCannotBeOpenedAgainFailsEveryCallUntilItCan(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	s := open(t, dir, Options{LockTimeout: 10 * time.Millisecond})
	_, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("x")})
	require.NoError(t, err)

	// Somebody takes the file in the moment between closing and opening it.
	release := hold(t, s)
	release()
	s.mu.Lock()
	require.NoError(t, s.db.Close())
	s.db, s.broken = nil, errors.New("broken")
	s.mu.Unlock()
	thief, err := bbolt.Open(filepath.Join(dir, FileName), 0o600, nil)
	require.NoError(t, err)

	require.ErrorIs(t, s.Ping(ctx), ErrInUse)
	_, err = s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("y")})
	require.ErrorIs(t, err, ErrInUse)
	_, _, err = s.Cursor(ctx, "umberhithe")
	require.Error(t, err)

	require.NoError(t, thief.Close())
	require.NoError(t, s.Ping(ctx))
	results, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("y")})
	require.NoError(t, err)
	require.Equal(t, []store.Appended{{Seq: 2}}, results)
}

func TestIdempotencyKeysAreForgottenAfterTheWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		s, err := Open(t.TempDir(), Options{NoSync: true})
		require.NoError(t, err)
		defer func() { require.NoError(t, s.Close()) }()
		add := func(key string) store.Appended {
			results, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: []byte("x"), IdempotencyKey: key})
			require.NoError(t, err)
			return results[0]
		}
		kept := func() (keys, expiries int) {
			require.NoError(t, s.view(ctx, func(tx *bbolt.Tx) error {
				b := findSite(tx, "umberhithe")
				keys, expiries = b.keys.Stats().KeyN, b.expiries.Stats().KeyN
				return nil
			}))
			return keys, expiries
		}
		require.Equal(t, store.Appended{Seq: 1}, add("a"))
		time.Sleep(store.IdempotencyWindow / 2)
		require.Equal(t, store.Appended{Seq: 2}, add("b"))
		time.Sleep(store.IdempotencyWindow/2 - time.Millisecond)
		require.Equal(t, store.Appended{Seq: 1, Replayed: true}, add("a"), "the last moment")
		time.Sleep(2 * time.Millisecond)
		require.Equal(t, store.Appended{Seq: 3}, add("a"), "the window is over")
		require.Equal(t, store.Appended{Seq: 2, Replayed: true}, add("b"))
		keys, expiries := kept()
		require.Equal(t, [2]int{2, 2}, [2]int{keys, expiries})
		time.Sleep(2 * store.IdempotencyWindow)
		require.Equal(t, store.Appended{Seq: 4}, add("c"))
		keys, expiries = kept()
		require.Equal(t, [2]int{1, 1}, [2]int{keys, expiries}, "old keys take no room")
	})
}

func TestRefusesAFileOfAnotherFormat(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	require.NoError(t, err)
	require.NoError(t, s.write(t.Context(), 0, func(tx *bbolt.Tx, _ time.Time) (bool, error) {
		return true, putUint(tx.Bucket(bucketMeta), keyFormat, format+1)
	}))
	require.NoError(t, s.Close())
	_, err = Open(dir, Options{})
	require.ErrorIs(t, err, store.ErrFormat)
	require.ErrorContains(t, err, "it has format 3, and this one reads up to 2: use the Lintel that wrote it")
	_, err = Open(dir, Options{})
	require.ErrorContains(t, err, "format 3", "the refusal let go of the file")

	require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), []byte("not a database"), 0o600))
	_, err = Open(dir, Options{})
	require.Error(t, err)
}

func TestTheDirectoryIsForItsOwnerOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "data")
	open(t, dir, Options{})
	info, err := os.Stat(dir)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm())
	info, err = os.Stat(filepath.Join(dir, FileName))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}
