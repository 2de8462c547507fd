package redisstore

import (
	"context"
	"crypto/rand"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
	"lintel/engine/store/internal/upgrade"
)

// format is the number of the layout of keys that the package comment lists. It grows when an older
// program could not read them any more. Data without a number has format 1, or there is none yet.
const (
	format    = 2
	formatKey = Prefix + "{.documents}:format"

	upgradeLease = "_upgrade" // the name of the lease that one process takes to change the format
)

// upgrade changes a store of an older format to the present one. No process of an older program may
// run then. If it fails half-way it can be repeated.
func (s *Store) upgrade(ctx context.Context) error {
	if current, err := s.current(ctx); err != nil || current {
		return err
	}
	me := rand.Text()
	for {
		held, err := s.Lease(ctx, upgradeLease, me, time.Minute)
		if err != nil {
			return err
		}
		if held {
			break
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	defer func() { _, _ = s.Lease(context.WithoutCancel(ctx), upgradeLease, me, 0) }() // it runs out by itself otherwise
	if current, err := s.current(ctx); err != nil || current {
		return err // another process was quicker
	}
	keys, err := s.keysOf(ctx, upgrade.Answers)
	if err != nil {
		return err
	}
	var claims []upgrade.Claim
	prefix := idempotencyKey(upgrade.Answers, "")
	for _, key := range keys {
		name, isClaim := strings.CutPrefix(key, prefix)
		if !isClaim {
			continue
		}
		held, err := s.client.Get(ctx, key).Result()
		if errors.Is(err, redis.Nil) {
			continue // it ran out
		} else if err != nil {
			return err
		}
		number, fingerprint, _ := strings.Cut(held, ":")
		seq, err := strconv.ParseUint(number, 10, 64)
		if err != nil {
			return errReply
		}
		claims = append(claims, upgrade.Claim{Key: name, Seq: store.Seq(seq), Fingerprint: fingerprint})
	}
	values, err := upgrade.Values(ctx, s, claims)
	if err != nil {
		return err
	}
	for i := range values {
		values[i].Revision = store.AnyRevision // an attempt before this one may have come so far
	}
	for chunk := range slices.Chunk(values, valuesAtOnce) {
		if _, err := s.SetValues(ctx, chunk...); err != nil {
			return err
		}
	}
	if err := s.client.Set(ctx, formatKey, format, 0).Err(); err != nil {
		return err
	}
	for _, name := range upgrade.Names {
		old, err := s.keysOf(ctx, name)
		if err != nil {
			return err
		}
		for chunk := range slices.Chunk(old, 1000) {
			if err := s.client.Unlink(ctx, chunk...).Err(); err != nil {
				return err
			}
		}
	}
	return nil
}

// current reports whether the store has the present format. The error is store.ErrFormat if it has a
// newer one.
func (s *Store) current(ctx context.Context) (bool, error) {
	n, err := number(s.client.Get(ctx, formatKey))
	if err == nil {
		err = store.CheckFormat("the server's data", max(int(n), 1), format)
	}
	return n == format, err
}

// keysOf lists the keys of a site, by looking at every key of the server that has them. It returns
// none at once for a site that was never written.
func (s *Store) keysOf(ctx context.Context, site string) ([]string, error) {
	n, err := s.client.Exists(ctx, journalKey(site), kindsKey(site)).Result()
	if err != nil || n == 0 {
		return nil, err
	}
	var server redis.Cmdable = s.client
	if c, ok := s.client.(*redis.ClusterClient); ok {
		if server, err = c.MasterForKey(ctx, journalKey(site)); err != nil {
			return nil, err
		}
	}
	var all []string
	for cursor := uint64(0); ; {
		var keys []string
		if keys, cursor, err = server.Scan(ctx, cursor, siteKey(site, "*"), 10_000).Result(); err != nil {
			return nil, err
		}
		all = append(all, keys...)
		if cursor == 0 {
			slices.Sort(all)
			return slices.Compact(all), nil
		}
	}
}
