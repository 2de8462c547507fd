package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"lintel/engine/store"
	"lintel/engine/store/internal/docs"
)

// PutDocuments implements store.Documents.
func (s *Store) PutDocuments(ctx context.Context, puts []store.DocumentPut) error {
	if err := store.CheckPuts(puts); err != nil {
		return err
	}
	stored, size := make([][]byte, len(puts)), 0
	for i, p := range puts {
		if p.Keep {
			continue
		}
		p.Document.Version = p.Expect + 1
		stored[i] = docs.AppendBody(docs.AppendHead(nil, &p.Document), p.Document.Body)
		size += len(stored[i])
	}
	return s.write(ctx, size, func(tx *bbolt.Tx, _ time.Time) (bool, error) {
		all := tx.Bucket(bucketDocuments)
		for _, p := range puts {
			if newest := newestVersion(all.Bucket([]byte(p.Document.Name))); newest != p.Expect {
				return false, fmt.Errorf("%w: document %q has version %d, not %d", store.ErrConflict, p.Document.Name, newest, p.Expect)
			}
		}
		changed := false
		for i, p := range puts {
			if p.Keep {
				continue
			}
			b, err := all.CreateBucketIfNotExists([]byte(p.Document.Name))
			if err != nil {
				return changed, err
			}
			if err := b.Put(versionKey(p.Expect+1), stored[i]); err != nil {
				return changed, err
			}
			changed = true
		}
		return changed, nil
	})
}

func versionKey(v int) []byte { return binary.BigEndian.AppendUint32(nil, uint32(v)) }

// newestVersion returns 0 for a document that does not exist (b nil).
func newestVersion(b *bbolt.Bucket) int {
	if b == nil {
		return 0
	}
	k, _ := b.Cursor().Last()
	if k == nil {
		return 0
	}
	return int(binary.BigEndian.Uint32(k))
}

// GetDocument implements store.Documents.
func (s *Store) GetDocument(ctx context.Context, name string, version int) (d store.Document, err error) {
	if err := store.CheckDocumentName(name); err != nil {
		return d, err
	}
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketDocuments).Bucket([]byte(name))
		if version == 0 {
			version = newestVersion(b)
		}
		var stored []byte
		if b != nil && version > 0 {
			stored = b.Get(versionKey(version))
		}
		if stored == nil {
			return fmt.Errorf("%w: document %q version %d", store.ErrNotFound, name, version)
		}
		var body []byte
		if d, body, err = docs.ReadHead(name, stored); err != nil {
			return err
		}
		d.Body, err = docs.ReadBody(name, body)
		return err
	})
	if err != nil {
		return store.Document{}, err
	}
	return d, nil
}

// ListDocuments implements store.Documents.
func (s *Store) ListDocuments(ctx context.Context, prefix string) (list []store.Document, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		all := tx.Bucket(bucketDocuments)
		c := all.Cursor()
		for name, _ := c.Seek([]byte(prefix)); name != nil && bytes.HasPrefix(name, []byte(prefix)); name, _ = c.Next() {
			_, stored := all.Bucket(name).Cursor().Last()
			d, _, err := docs.ReadHead(string(name), stored)
			if err != nil {
				return err
			}
			list = append(list, d)
		}
		return nil
	})
	return list, err
}

// DocumentVersions implements store.Documents.
func (s *Store) DocumentVersions(ctx context.Context, name string) (list []store.Document, err error) {
	if err := store.CheckDocumentName(name); err != nil {
		return nil, err
	}
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucketDocuments).Bucket([]byte(name))
		if b == nil {
			return fmt.Errorf("%w: document %q", store.ErrNotFound, name)
		}
		c := b.Cursor()
		for k, stored := c.Last(); k != nil; k, stored = c.Prev() {
			d, _, err := docs.ReadHead(name, stored)
			if err != nil {
				return err
			}
			list = append(list, d)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return list, nil
}
