package boltstore

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"

	"lintel/engine/store"
)

// Backup writes the file as of one moment to w, and returns its size in bytes. Others read and write
// meanwhile; room that they give up is not used again until it ends.
func (s *Store) Backup(ctx context.Context, w io.Writer) (n int64, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		n, err = tx.WriteTo(untilDone{ctx, w})
		return err
	})
	return n, err
}

// untilDone is a writer that fails once ctx ended.
type untilDone struct {
	ctx context.Context
	w   io.Writer
}

func (u untilDone) Write(b []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.w.Write(b)
}

// ErrNotEmpty says that a directory has a store already.
var ErrNotEmpty = errors.New("boltstore: there is a store already")

// Restore makes a store in dir of a backup, after it verified it. The error is ErrNotEmpty if dir has a store, and
// store.ErrDamaged if the backup can't be read; nothing is left behind then.
func Restore(backup, dir string) (err error) {
	target := filepath.Join(dir, FileName)
	if isNew, err := isNew(target); err != nil {
		return err
	} else if !isNew {
		return fmt.Errorf("%w: %s: nothing is ever written over it; restore into an empty directory, or move it away first", ErrNotEmpty, target)
	}
	if isNew, err := isNew(backup); err != nil {
		return err
	} else if isNew {
		return fmt.Errorf("%w: %s is not there, or empty", store.ErrAbsent, backup)
	}
	if err := makeDir(dir); err != nil {
		return err
	}
	tmp, err := os.MkdirTemp(dir, ".restore-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(tmp)) }()
	if err := copyFile(backup, filepath.Join(tmp, FileName)); err != nil {
		return err
	}
	s, err := Open(tmp, Options{Existing: true})
	if err != nil {
		return fmt.Errorf("the backup %s can't be restored: %w", backup, err)
	}
	if err := s.Close(); err != nil {
		return err
	}
	if err := os.Rename(filepath.Join(tmp, FileName), target); err != nil {
		return err
	}
	return syncDir(dir)
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Sync()
}
