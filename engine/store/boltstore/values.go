package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"lintel/engine/store"
	"lintel/engine/store/internal/upgrade"
)

// Values implements store.Values. A listing is one reading transaction: it sees one moment.
func (s *Store) Values(ctx context.Context, kind store.Kind, keys []string, fn func(v store.Value) error) error {
	if err := store.CheckRecords(kind, keys); err != nil {
		return err
	}
	return s.view(ctx, func(tx *bbolt.Tx) error {
		return listPairs(ctx, tx.Bucket(bucketValues), kind, keys, func(kind store.Kind, key string, b []byte) error {
			rev, data := readValue(b)
			return fn(store.Value{Kind: kind, Key: key, Revision: rev, Data: data})
		})
	})
}

// SetValues implements store.Values.
func (s *Store) SetValues(ctx context.Context, values ...store.Value) (rev store.Revision, err error) {
	if err := store.CheckValues(values); err != nil {
		return 0, err
	}
	if len(values) == 0 {
		return 0, ctx.Err()
	}
	size := 0
	for i := range values {
		size += len(values[i].Data)
	}
	err = s.write(ctx, size, func(tx *bbolt.Tx, _ time.Time) (changed bool, err error) {
		rev, err = setValues(tx, values)
		return true, err
	})
	return rev, err
}

func setValues(tx *bbolt.Tx, values []store.Value) (store.Revision, error) {
	all, meta := tx.Bucket(bucketValues), tx.Bucket(bucketMeta)
	for i := range values {
		v := &values[i]
		have, _ := readValue(all.Get(appendRecordKey(nil, v.Kind, v.Key)))
		if v.Revision != store.AnyRevision && v.Revision != have {
			return 0, fmt.Errorf("%w: value %q of kind %s has revision %d, not %d",
				store.ErrConflict, v.Key, v.Kind, have, v.Revision)
		}
	}
	rev := getUint(meta, keyRevision) + 1
	for i := range values {
		v := &values[i]
		key, err := appendRecordKey(nil, v.Kind, v.Key), error(nil)
		if v.Data == nil {
			err = all.Delete(key)
		} else {
			err = all.Put(key, append(binary.BigEndian.AppendUint64(nil, rev), v.Data...))
		}
		if err != nil {
			return 0, err
		}
	}
	return store.Revision(rev), putUint(meta, keyRevision, rev)
}

// readValue takes a stored value apart. The revision of what is not there is 0.
func readValue(b []byte) (store.Revision, []byte) {
	if len(b) < 8 {
		return 0, nil
	}
	return store.Revision(binary.BigEndian.Uint64(b)), b[8:]
}

// upgrade changes a file of an older format to the present one, in one transaction.
func (s *Store) upgrade(ctx context.Context) error {
	var claims []upgrade.Claim
	older := false
	if err := s.view(ctx, func(tx *bbolt.Tx) error {
		older = getUint(tx.Bucket(bucketMeta), keyFormat) < format
		answers := findSite(tx, upgrade.Answers)
		if !older || answers == nil {
			return nil
		}
		return answers.keys.ForEach(func(key, v []byte) error {
			if len(v) >= 16 {
				claims = append(claims, upgrade.Claim{
					Key: string(key), Seq: store.Seq(binary.BigEndian.Uint64(v[8:])), Fingerprint: string(v[16:]),
				})
			}
			return nil
		})
	}); err != nil || !older {
		return err
	}
	values, err := upgrade.Values(ctx, s, claims)
	if err != nil {
		return err
	}
	return s.write(ctx, 0, func(tx *bbolt.Tx, _ time.Time) (bool, error) {
		if _, err := tx.CreateBucketIfNotExists(bucketValues); err != nil {
			return true, err
		}
		if _, err := setValues(tx, values); err != nil {
			return true, err
		}
		for _, name := range upgrade.Names {
			if findSite(tx, name) == nil {
				continue
			}
			if err := tx.Bucket(bucketSites).DeleteBucket([]byte(name)); err != nil {
				return true, err
			}
		}
		return true, putUint(tx.Bucket(bucketMeta), keyFormat, format)
	})
}

// listPairs calls fn for what a bucket holds under kind, 0, key: with keys, for those that exist,
// else for all of the kind, or of every kind if it is "".
func listPairs(ctx context.Context, b *bbolt.Bucket, kind store.Kind, keys []string,
	fn func(kind store.Kind, key string, value []byte) error) error {
	if len(keys) > 0 {
		var full []byte
		for _, key := range keys {
			full = appendRecordKey(full[:0], kind, key)
			if v := b.Get(full); v != nil {
				if err := fn(kind, key, v); err != nil {
					return err
				}
			}
		}
		return nil
	}
	var prefix []byte
	if kind != "" {
		prefix = appendRecordKey(nil, kind, "")
	}
	c := b.Cursor()
	n := 0
	for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		if n++; n%1000 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		i := bytes.IndexByte(k, 0)
		if string(k[:i]) != string(kind) { // a new string only when the kind changes
			kind = store.Kind(k[:i])
		}
		if err := fn(kind, string(k[i+1:]), v); err != nil {
			return err
		}
	}
	return nil
}
