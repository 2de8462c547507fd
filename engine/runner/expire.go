package runner

import (
	"context"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// Alerts that ended long ago are no part of a site's state any more: only their records are left,
// and what they say of items can become personal data. So they are deleted some day, beside what a
// commit writes anyway.

const (
	expireEvery = 24 * time.Hour
	expireBatch = 500 // records deleted in one commit
)

// expire looks once a day which alerts ended longer ago than they are kept.
func (s *Site) expire(ctx context.Context, now time.Time) {
	if now.Sub(s.expiredAt) < expireEvery {
		return
	}
	before := now.Add(-s.r.opt.AlertsKeep).UnixMilli()
	var ids []string
	if _, err := s.r.opt.Store.Records(ctx, s.id, event.KindAlert, nil, func(_ store.Kind, id string, v []byte) error {
		a, err := event.DecodeAlert(v)
		if err == nil && a.Over() && max(a.EndedAt, a.ClosedAt) < before {
			ids = append(ids, id)
		}
		return err
	}); err != nil {
		if ctx.Err() == nil {
			s.log.Warn("looking for alerts that need not be kept failed; will try again", "err", err)
		}
		return
	}
	s.expiredAt, s.expired = now, ids
	if len(ids) > 0 {
		s.log.Info("deleting alerts that ended longer ago than they are kept", "alerts", len(ids))
	}
}

// takeExpired returns the next records to delete.
func (s *Site) takeExpired() []store.RecordKey {
	n := min(len(s.expired), expireBatch)
	keys := make([]store.RecordKey, 0, n)
	for _, id := range s.expired[:n] {
		keys = append(keys, store.RecordKey{Kind: event.KindAlert, Key: id})
	}
	s.expired = s.expired[n:]
	return keys
}
