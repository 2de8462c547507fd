package boltstore

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"lintel/engine/store"
)

// fill writes a shop of a few hundred pages, from which some were given up again, and returns the
// file as it is then.
func fill(t testing.TB, s *Store, seed uint64) []byte {
	ctx := t.Context()
	r := rand.New(rand.NewPCG(seed, 0))
	cursor, _, err := s.Cursor(ctx, "umberhithe")
	require.NoError(t, err)
	for i := range store.Seq(20) {
		_, err := s.Append(ctx, "umberhithe", store.NewEntry{Data: make([]byte, r.IntN(9000)), IdempotencyKey: fmt.Sprint(seed, i)})
		require.NoError(t, err)
		c := store.Commit{Expect: cursor + i, Next: cursor + i + 1}
		for range 100 {
			key := fmt.Sprintf("%x", r.Uint64N(3000))
			c.Writes = append(c.Writes, store.Record{Kind: "item", Key: key, Value: make([]byte, r.IntN(300))})
			c.Deletes = append(c.Deletes, store.RecordKey{Kind: "item", Key: fmt.Sprintf("%x", r.Uint64N(3000))})
		}
		require.NoError(t, s.Commit(ctx, "umberhithe", c))
	}
	b, err := os.ReadFile(s.path())
	require.NoError(t, err)
	return b
}

func put(t testing.TB, file []byte) (dir string) {
	dir = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), file, 0o600))
	return dir
}

// tryOpen opens a file that may be damaged and reads all of it. A crash ends the test.
func tryOpen(t testing.TB, file []byte) error {
	s, err := Open(put(t, file), Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	defer func() { require.NoError(t, s.Close()) }()
	_, err = s.Records(t.Context(), "umberhithe", "", nil, func(store.Kind, string, []byte) error { return nil })
	return errors.Join(err, s.Facts(t.Context(), "umberhithe", store.FactID{}, store.FactID{}, 0,
		func(store.FactID, []byte) error { return nil }))
}

// A file of which a part is missing or overwritten, or that was copied while it changed, is refused
// with what to do, or it is whole as far as it is used. It never ends the process and never begins
// as a new shop.
func TestADamagedFileIsRefusedInWords(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	earlier := fill(t, s, 1)
	later := fill(t, s, 2)
	require.NoError(t, tryOpen(t, later))
	used := 0 // the file grows ahead of what is in use
	require.NoError(t, s.view(t.Context(), func(tx *bbolt.Tx) error {
		used = int(tx.Size())
		return nil
	}))
	n := used / pageSize
	damages := map[string]int{}
	check := func(how string, file []byte) {
		err := tryOpen(t, file)
		if err == nil {
			require.NotEqual(t, "cut", how)
			damages[how+" harmless"]++
			return
		}
		require.ErrorIs(t, err, store.ErrDamaged, how)
		require.ErrorContains(t, err, "restore it from a backup")
		damages[how]++
	}
	r := rand.New(rand.NewPCG(7, 7))
	for _, size := range []int{6, 100, pageSize, 8 << 10, 100 << 10, used - pageSize, used - 1} {
		check("cut", later[:size])
	}
	for range 150 {
		b := bytes.Clone(later[:used])
		for range 3 { // pages of noise
			at := r.IntN(n) * pageSize
			for i := range pageSize {
				b[at+i] = byte(r.Uint32())
			}
		}
		check("noise", b)
		b = bytes.Clone(later[:used])
		for range 1 + r.IntN(4) { // single bytes
			b[(2+r.IntN(n-2))*pageSize+r.IntN(64)] = byte(r.Uint32())
		}
		check("bytes", b)
		b = bytes.Clone(later[:used])
		for range 1 + r.IntN(n) { // some pages as they were before
			if at := r.IntN(n) * pageSize; at+pageSize <= len(earlier) {
				copy(b[at:at+pageSize], earlier[at:at+pageSize])
			}
		}
		check("torn", b)
	}
	t.Log(damages)
	require.Greater(t, damages["noise"], 100)
	require.Greater(t, damages["torn"], 100)
	require.Greater(t, damages["bytes"], 50)

	// No buckets, but not because it is new.
	dir := t.TempDir()
	db, err := bbolt.Open(filepath.Join(dir, FileName), 0o600, &bbolt.Options{PageSize: pageSize, NoFreelistSync: true})
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bbolt.Tx) error { return nil }))
	require.NoError(t, db.Close())
	_, err = Open(dir, Options{})
	require.ErrorIs(t, err, store.ErrDamaged)
}

func FuzzVerify(f *testing.F) {
	s, err := Open(f.TempDir(), Options{})
	require.NoError(f, err)
	whole := fill(f, s, 1)[:40*pageSize]
	require.NoError(f, s.Close())
	f.Add(uint32(0), whole[:pageSize])
	f.Add(uint32(3), whole[3*pageSize:4*pageSize])
	path := filepath.Join(f.TempDir(), FileName)
	f.Fuzz(func(t *testing.T, page uint32, b []byte) {
		file := bytes.Clone(whole)
		copy(file[int(page%40)*pageSize:], b)
		require.NoError(t, os.WriteFile(path, file, 0o600))
		_ = Verify(path)
	})
}

func TestOnlyAFileThatIsNotThereIsMadeNewAndLogged(t *testing.T) {
	for _, dir := range []string{filepath.Join(t.TempDir(), "typo"), put(t, nil)} {
		_, err := Open(dir, Options{Existing: true})
		require.ErrorIs(t, err, store.ErrAbsent)
		var log bytes.Buffer
		s := open(t, dir, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
		require.Contains(t, log.String(), `level=WARN msg="made a new store: there was none" dir=`+dir)
		require.NoError(t, s.Close())
		log.Reset()
		open(t, dir, Options{Existing: true, Log: slog.New(slog.NewTextHandler(&log, nil))})
		require.Empty(t, log.String())
	}
}

// The lock is on the file, not on its name: without a look a second process could begin a new store
// beside this one, and what is acknowledged here would be gone with it.
func TestAFileThatIsTakenAwayIsNoticed(t *testing.T) {
	for name, take := range map[string]func(path string) error{
		"deleted": os.Remove,
		"replaced": func(path string) error {
			return errors.Join(os.Rename(path, path+".old"), os.WriteFile(path, nil, 0o600))
		},
	} {
		s := open(t, t.TempDir(), Options{})
		fill(t, s, 1)
		require.NoError(t, s.Ping(t.Context()), name)
		require.NoError(t, take(s.path()))
		require.ErrorIs(t, s.Ping(t.Context()), store.ErrLost, name)
		_, err := s.Append(t.Context(), "umberhithe", store.NewEntry{Data: []byte("x")})
		require.ErrorIs(t, err, store.ErrLost, "nothing is acknowledged that nobody will find")
	}
}
