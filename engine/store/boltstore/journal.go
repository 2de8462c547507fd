package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"lintel/engine/store"
)

// readBytes is about how much one Read returns at most, however many entries were asked for.
const readBytes = 16 << 20

// purgeAtOnce is how many forgotten idempotency keys one transaction removes at most.
const purgeAtOnce = 1000

// Append implements store.Journal.
func (s *Store) Append(ctx context.Context, name string, entries ...store.NewEntry) ([]store.Appended, error) {
	if err := store.CheckSite(name); err != nil {
		return nil, err
	}
	if err := store.CheckEntries(entries); err != nil {
		return nil, err
	}
	if len(entries) == 0 {
		return nil, ctx.Err()
	}
	size := 0
	for i := range entries {
		size += len(entries[i].Data)
	}
	var results []store.Appended
	err := s.write(ctx, size, func(tx *bbolt.Tx, now time.Time) (changed bool, err error) {
		results, changed, err = appendEntries(tx, name, entries, now)
		return changed, err
	})
	if err != nil {
		return nil, err
	}
	s.waiters.Wake(name)
	return results, nil
}

func appendEntries(tx *bbolt.Tx, name string, entries []store.NewEntry, now time.Time) ([]store.Appended, bool, error) {
	b := findSite(tx, name)
	next := b.newest()
	results, err := b.number(entries, now)
	if err != nil {
		return nil, false, err
	}
	changed := false
	for i := range entries {
		if results[i].Replayed {
			continue
		}
		if b == nil {
			if b, err = makeSite(tx, name); err != nil {
				return nil, changed, err
			}
		}
		changed = true
		next = results[i].Seq
		if err := b.journal.Put(seqKey(next), entries[i].Data); err != nil {
			return nil, changed, err
		}
		if entries[i].IdempotencyKey != "" {
			if err := b.remember(&entries[i], next, now); err != nil {
				return nil, changed, err
			}
		}
	}
	if changed {
		err = putUint(b.root, keyNewest, uint64(next))
	}
	return results, changed, err
}

// number decides what becomes of each entry, without a change.
func (b *site) number(entries []store.NewEntry, now time.Time) ([]store.Appended, error) {
	type first struct {
		seq         store.Seq
		fingerprint string
	}
	results := make([]store.Appended, len(entries))
	var here map[string]first // the keys of this very call
	next := b.newest()
	for i := range entries {
		e := &entries[i]
		if e.IdempotencyKey != "" {
			f, found := here[e.IdempotencyKey]
			if !found {
				f.seq, f.fingerprint, found = b.recall(e.IdempotencyKey, now)
			}
			if found && f.fingerprint != e.Fingerprint {
				return nil, fmt.Errorf("%w (entry %d)", store.ErrIdempotencyMismatch, i)
			}
			if found {
				results[i] = store.Appended{Seq: f.seq, Replayed: true}
				continue
			}
		}
		next++
		results[i].Seq = next
		if e.IdempotencyKey != "" {
			if here == nil {
				here = make(map[string]first)
			}
			here[e.IdempotencyKey] = first{next, e.Fingerprint}
		}
	}
	return results, nil
}

// recall finds what an idempotency key stands for.
func (b *site) recall(key string, now time.Time) (seq store.Seq, fingerprint string, found bool) {
	if b == nil {
		return 0, "", false
	}
	v := b.keys.Get([]byte(key))
	if len(v) < 16 || int64(binary.BigEndian.Uint64(v)) <= now.UnixMilli() {
		return 0, "", false
	}
	return store.Seq(binary.BigEndian.Uint64(v[8:])), string(v[16:]), true
}

// remember keeps the idempotency key of an entry, and forgets some whose time is over.
func (b *site) remember(e *store.NewEntry, seq store.Seq, now time.Time) error {
	if err := b.purge(now); err != nil {
		return err
	}
	key := []byte(e.IdempotencyKey)
	if old := b.keys.Get(key); len(old) >= 8 { // expired, but not purged yet
		if err := b.expiries.Delete(append(bytes.Clone(old[:8]), key...)); err != nil {
			return err
		}
	}
	v := binary.BigEndian.AppendUint64(nil, uint64(now.Add(store.IdempotencyWindow).UnixMilli()))
	if err := b.expiries.Put(append(bytes.Clone(v), key...), nil); err != nil {
		return err
	}
	v = binary.BigEndian.AppendUint64(v, uint64(seq))
	return b.keys.Put(key, append(v, e.Fingerprint...))
}

// purge removes idempotency keys whose time is over.
func (b *site) purge(now time.Time) error {
	var old [][]byte
	c := b.expiries.Cursor()
	for k, _ := c.First(); k != nil && len(old) < purgeAtOnce; k, _ = c.Next() {
		if int64(binary.BigEndian.Uint64(k)) > now.UnixMilli() {
			break
		}
		old = append(old, bytes.Clone(k))
	}
	for _, k := range old {
		if err := b.keys.Delete(k[8:]); err != nil {
			return err
		}
		if err := b.expiries.Delete(k); err != nil {
			return err
		}
	}
	return nil
}

// Read implements store.Journal. One call returns about 16 MB at most.
func (s *Store) Read(ctx context.Context, name string, after store.Seq, max int, wait time.Duration) ([]store.Entry, error) {
	if err := store.CheckSite(name); err != nil {
		return nil, err
	}
	if max < 1 {
		return nil, fmt.Errorf("%w: can't read at most %d entries", store.ErrInvalid, max)
	}
	return s.waiters.Await(ctx, name, wait, s.closing, func() ([]store.Entry, bool, error) {
		entries, err := s.readNow(ctx, name, after, max)
		return entries, true, err
	}, nil)
}

func (s *Store) readNow(ctx context.Context, name string, after store.Seq, max int) (entries []store.Entry, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		b := findSite(tx, name)
		newest := b.newest()
		if after == newest {
			return nil
		}
		if after > newest {
			return fmt.Errorf("%w: asked for entries after %d, and the newest is %d", store.ErrConflict, after, newest)
		}
		c := b.journal.Cursor()
		size := 0
		for k, v := c.Seek(seqKey(after + 1)); k != nil && len(entries) < max && size < readBytes; k, v = c.Next() {
			seq := store.Seq(binary.BigEndian.Uint64(k))
			if len(entries) == 0 && seq != after+1 {
				return store.ErrTrimmed
			}
			entries = append(entries, store.Entry{Seq: seq, Data: bytes.Clone(v)})
			size += len(v)
		}
		if len(entries) == 0 {
			return store.ErrTrimmed
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return entries, nil
}

// Cursor implements store.Journal.
func (s *Store) Cursor(ctx context.Context, name string) (cursor, newest store.Seq, err error) {
	if err := store.CheckSite(name); err != nil {
		return 0, 0, err
	}
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		b := findSite(tx, name)
		cursor, newest = b.cursor(), b.newest()
		return nil
	})
	return cursor, newest, err
}

// StartJournal implements store.Journal.
func (s *Store) StartJournal(ctx context.Context, name string, newest store.Seq) error {
	if err := store.CheckSite(name); err != nil {
		return err
	}
	return s.write(ctx, 0, func(tx *bbolt.Tx, _ time.Time) (bool, error) {
		if b := findSite(tx, name); b.newest() != 0 || b.cursor() != 0 {
			return false, fmt.Errorf("%w: site %s has entries", store.ErrConflict, name)
		}
		b, err := makeSite(tx, name)
		if err != nil {
			return false, err
		}
		return true, putUint(b.root, keyNewest, uint64(newest))
	})
}

// trimAtOnce is how many entries and facts one transaction removes at most.
const trimAtOnce = 10_000

// Trim implements store.Journal. It works in several transactions, so that others are not held up.
func (s *Store) Trim(ctx context.Context, name string, t store.Trim) error {
	if err := store.CheckSite(name); err != nil {
		return err
	}
	for {
		more := false
		err := s.write(ctx, 0, func(tx *bbolt.Tx, now time.Time) (bool, error) {
			b := findSite(tx, name)
			if b == nil {
				return false, nil
			}
			n, err := dropBefore(b.journal, seqKey(min(t.Journal, b.cursor())+1))
			if err != nil {
				return n > 0, err
			}
			m := 0
			if t.Facts > 0 {
				m, err = dropBefore(b.facts, factKey(store.FactID{Ms: t.Facts}))
			}
			more = n == trimAtOnce || m == trimAtOnce
			return n+m > 0, err
		})
		if err != nil || !more {
			return err
		}
	}
}

// dropBefore deletes up to trimAtOnce keys less than end and returns how many.
func dropBefore(b *bbolt.Bucket, end []byte) (int, error) {
	var keys [][]byte
	c := b.Cursor()
	for k, _ := c.First(); k != nil && len(keys) < trimAtOnce && bytes.Compare(k, end) < 0; k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	for _, k := range keys {
		if err := b.Delete(k); err != nil {
			return len(keys), err
		}
	}
	return len(keys), nil
}
