package boltstore

import (
	"context"
	"time"

	"lintel/engine/store"
)

// Lease implements store.Leases. Only one process has the file, so its memory is the right place
// for leases.
func (s *Store) Lease(ctx context.Context, name, owner string, ttl time.Duration) (bool, error) {
	if err := store.CheckSite(name); err != nil {
		return false, err
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	if s.isClosing() {
		return false, store.ErrClosed
	}
	return s.leases.Take(name, owner, ttl), nil
}
