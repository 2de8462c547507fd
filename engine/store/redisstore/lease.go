package redisstore

import (
	"context"
	"time"

	"lintel/engine/store"
)

// Lease implements store.Leases. The time of a lease is counted by the server, in whole
// milliseconds.
func (s *Store) Lease(ctx context.Context, site, owner string, ttl time.Duration) (bool, error) {
	if err := store.CheckSite(site); err != nil {
		return false, err
	}
	if err := s.usable(ctx); err != nil {
		return false, err
	}
	ms := ttl.Milliseconds()
	if ttl > 0 && ms == 0 {
		ms = 1
	}
	reply, err := s.run(ctx, &leaseScript, []string{leaseKey(site)}, []any{owner, max(ms, 0)})
	if err != nil {
		return false, s.wrap(err, "lease", site)
	}
	return reply == int64(1), nil
}

// Time returns the time of the server's clock.
func (s *Store) Time(ctx context.Context) (time.Time, error) {
	t, err := s.client.Time(ctx).Result()
	if err != nil {
		return time.Time{}, s.wrap(err, "time", "")
	}
	return t, nil
}
