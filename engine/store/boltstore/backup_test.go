package boltstore

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

// Backups that are taken while others write are each one moment: the entries up to some number, and
// all of them.
func TestABackupIsOneMomentAndCanBeRestored(t *testing.T) {
	ctx := t.Context()
	s := open(t, t.TempDir(), Options{NoSync: true})
	fill(t, s, 1)
	writing, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() {
		for writing.Err() == nil {
			_, _ = s.Append(ctx, "umberhithe", store.NewEntry{Data: make([]byte, 500)})
		}
	})
	defer wg.Wait()
	defer stop()
	for range 5 {
		var b bytes.Buffer
		n, err := s.Backup(ctx, &b)
		require.NoError(t, err)
		require.EqualValues(t, b.Len(), n)
		file := filepath.Join(t.TempDir(), "backup.db")
		require.NoError(t, os.WriteFile(file, b.Bytes(), 0o600))
		dir := filepath.Join(t.TempDir(), "data")
		require.NoError(t, Restore(file, dir))
		names, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.Len(t, names, 1)
		back := open(t, dir, Options{Existing: true})
		cursor, newest, err := back.Cursor(ctx, "umberhithe")
		require.NoError(t, err)
		require.EqualValues(t, 20, cursor)
		entries, err := back.Read(ctx, "umberhithe", 0, 100_000, 0)
		require.NoError(t, err)
		require.EqualValues(t, newest, len(entries))
		require.ErrorIs(t, Restore(file, dir), ErrNotEmpty)
	}
}

func TestARestoreThatFailsLeavesNothing(t *testing.T) {
	ctx := t.Context()
	s := open(t, t.TempDir(), Options{})
	whole := fill(t, s, 1)
	file := filepath.Join(t.TempDir(), "backup.db")
	dir := filepath.Join(t.TempDir(), "data")
	empty := func() {
		names, err := os.ReadDir(dir)
		require.True(t, err == nil || errors.Is(err, os.ErrNotExist))
		require.Empty(t, names)
	}
	require.ErrorIs(t, Restore(file, dir), store.ErrAbsent)
	require.NoError(t, os.WriteFile(file, whole[:100<<10], 0o600))
	require.ErrorIs(t, Restore(file, dir), store.ErrDamaged)
	empty()
	cut, cancel := context.WithCancel(ctx)
	cancel()
	_, err := s.Backup(cut, &bytes.Buffer{})
	require.ErrorIs(t, err, context.Canceled)
}
