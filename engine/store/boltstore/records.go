package boltstore

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"lintel/engine/store"
)

// Records implements store.Records. A listing is one reading transaction: it sees one moment, and
// no commit waits for it.
func (s *Store) Records(ctx context.Context, name string, kind store.Kind, keys []string,
	fn func(kind store.Kind, key string, value []byte) error) (cursor store.Seq, err error) {
	if err := store.CheckSite(name); err != nil {
		return 0, err
	}
	if err := store.CheckRecords(kind, keys); err != nil {
		return 0, err
	}
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		b := findSite(tx, name)
		if b == nil {
			return nil
		}
		cursor = b.cursor()
		return listPairs(ctx, b.records, kind, keys, fn)
	})
	if err != nil {
		return 0, err
	}
	return cursor, nil
}

// Commit implements store.Records.
func (s *Store) Commit(ctx context.Context, name string, c store.Commit) error {
	if err := store.CheckSite(name); err != nil {
		return err
	}
	if err := c.Check(); err != nil {
		return err
	}
	size := 0
	for i := range c.Writes {
		size += len(c.Writes[i].Key) + len(c.Writes[i].Value)
	}
	for i := range c.Facts {
		size += len(c.Facts[i].Data)
	}
	return s.write(ctx, size, func(tx *bbolt.Tx, _ time.Time) (bool, error) { return applyCommit(tx, name, &c) })
}

func applyCommit(tx *bbolt.Tx, name string, c *store.Commit) (bool, error) {
	b := findSite(tx, name)
	if cursor := b.cursor(); !c.Loose && cursor != c.Expect {
		return false, fmt.Errorf("%w: the cursor is %d, not %d", store.ErrConflict, cursor, c.Expect)
	}
	if b != nil && len(c.Facts) > 0 {
		if last := b.root.Get(keyLastFact); last != nil && bytes.Compare(factKey(c.Facts[0].ID), last) <= 0 {
			id := readFactKey(last)
			return false, fmt.Errorf("%w: fact 0 (%d-%d) is not past the last one of the site (%d-%d)",
				store.ErrInvalid, c.Facts[0].ID.Ms, c.Facts[0].ID.N, id.Ms, id.N)
		}
	}
	changes := len(c.Writes)+len(c.Facts) > 0 || !c.Loose && c.Next != c.Expect
	if b == nil && !changes {
		return false, nil // nothing to delete either
	}
	b, err := makeSite(tx, name)
	if err != nil {
		return false, err
	}
	for _, p := range sortedPairs(len(c.Deletes), func(i int) (store.Kind, string, []byte) {
		return c.Deletes[i].Kind, c.Deletes[i].Key, nil
	}) {
		if err := b.records.Delete(p.key); err != nil {
			return true, err
		}
	}
	for _, p := range sortedPairs(len(c.Writes), func(i int) (store.Kind, string, []byte) {
		return c.Writes[i].Kind, c.Writes[i].Key, c.Writes[i].Value
	}) {
		if err := b.records.Put(p.key, p.value); err != nil {
			return true, err
		}
	}
	for i := range c.Facts {
		if err := b.facts.Put(factKey(c.Facts[i].ID), c.Facts[i].Data); err != nil {
			return true, err
		}
	}
	if n := len(c.Facts); n > 0 {
		if err := b.root.Put(keyLastFact, factKey(c.Facts[n-1].ID)); err != nil {
			return true, err
		}
	}
	if !c.Loose {
		err = putUint(b.root, keyCursor, uint64(c.Next))
	}
	return changes || len(c.Deletes) > 0, err
}

// pair is a record under the key that it has in its bucket.
type pair struct{ key, value []byte }

// sortedPairs returns n records by their full keys; those with the same key keep their order. A
// transaction keeps each page that it changes as one sorted slice until it is committed: keys in
// any other order would each move what comes after them, which is quadratic.
func sortedPairs(n int, record func(i int) (kind store.Kind, key string, value []byte)) []pair {
	pairs := make([]pair, n)
	for i := range pairs {
		kind, key, value := record(i)
		pairs[i] = pair{appendRecordKey(make([]byte, 0, len(kind)+1+len(key)), kind, key), value}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return bytes.Compare(a.key, b.key) })
	return pairs
}

// How much Facts copies out of one reading transaction.
const (
	factsAtOnce     = 2048
	factsAtOnceSize = 1 << 20
)

// Facts implements store.Records. fn runs outside of any transaction, so it may take its time: a
// long listing does not keep room in the file from being used again.
func (s *Store) Facts(ctx context.Context, name string, from, to store.FactID, limit int,
	fn func(id store.FactID, data []byte) error) error {
	if err := store.CheckSite(name); err != nil {
		return err
	}
	if from.Ms < 0 {
		from = store.FactID{}
	}
	if to.Ms < 0 {
		return ctx.Err()
	}
	var end []byte
	if !to.IsZero() {
		end = factKey(to)
	}
	type span struct {
		id       store.FactID
		from, to int
	}
	var (
		spans []span
		buf   []byte
		start = factKey(from)
	)
	for given := 0; ; {
		spans, buf = spans[:0], buf[:0]
		err := s.view(ctx, func(tx *bbolt.Tx) error {
			b := findSite(tx, name)
			if b == nil {
				return nil
			}
			c := b.facts.Cursor()
			for k, v := c.Seek(start); k != nil && len(spans) < factsAtOnce && len(buf) < factsAtOnceSize; k, v = c.Next() {
				if end != nil && bytes.Compare(k, end) >= 0 || limit > 0 && given+len(spans) >= limit {
					break
				}
				buf = append(buf, v...)
				spans = append(spans, span{readFactKey(k), len(buf) - len(v), len(buf)})
			}
			return nil
		})
		if err != nil || len(spans) == 0 {
			return err
		}
		for _, sp := range spans {
			if err := fn(sp.id, buf[sp.from:sp.to:sp.to]); err != nil {
				return err
			}
		}
		given += len(spans)
		start = append(factKey(spans[len(spans)-1].id), 0) // the least key past the last one
	}
}
