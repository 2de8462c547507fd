package boltstore

import (
	"context"
	"sync"
	"time"

	"lintel/engine/store"
)

// leases says who works on which site. Only one process has the file, so memory is the right place for it.
type leases struct {
	mu sync.Mutex
	by map[string]lease
}

type lease struct {
	owner string
	until time.Time
}

// Lease implements store.Store.
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
	l := &s.leases
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	have, taken := l.by[name]
	if taken && have.owner != owner && have.until.After(now) {
		return false, nil
	}
	if ttl <= 0 {
		delete(l.by, name)
		return false, nil
	}
	if l.by == nil {
		l.by = make(map[string]lease)
	}
	l.by[name] = lease{owner, now.Add(ttl)}
	return true, nil
}
