// Package memory keeps a store in memory, for tests and for whoever wants no files: nothing is left
// when the process ends. It keeps the whole contract of package store for one process, starts no
// goroutine, and waits on channels and timers only, so that it can be used within testing/synctest.
package memory

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/engine/store"
	"lintel/engine/store/internal/lease"
	"lintel/engine/store/internal/wake"
)

// readBytes is about how much one Read returns at most, however many entries were asked for.
const readBytes = 16 << 20

// Store is a store.Store in memory. Bytes that it holds are never changed, so what a listing needs
// is copied as slices while mu is held, and the callers' functions run without it.
type Store struct {
	waiters wake.Group
	leases  lease.Table
	closing chan struct{}

	mu        sync.Mutex
	closed    bool
	sites     map[string]*site
	documents map[string][]store.Document // versions by name, oldest first
	values    map[store.RecordKey]store.Value
	revision  store.Revision
}

// site is what the store holds of one site.
type site struct {
	trimmed store.Seq // entries up to this one are gone
	entries [][]byte  // the first has the number trimmed+1
	keys    map[string]use
	cursor  store.Seq
	records map[store.RecordKey][]byte
	facts   []store.Fact
	last    store.FactID // the newest that ever was
}

// use is what an idempotency key was used for.
type use struct {
	seq         store.Seq
	fingerprint string
	until       time.Time
}

var _ store.Store = (*Store)(nil)

// Open returns an empty store.
func Open() *Store {
	return &Store{
		closing: make(chan struct{}), sites: make(map[string]*site),
		documents: make(map[string][]store.Document), values: make(map[store.RecordKey]store.Value),
	}
}

// lock takes mu for a call whose arguments were found in order, or returns why the call cannot run.
func (s *Store) lock(ctx context.Context) error {
	s.mu.Lock()
	err := ctx.Err()
	if s.closed {
		err = store.ErrClosed
	}
	if err != nil {
		s.mu.Unlock()
	}
	return err
}

// lockSite takes mu and returns what is known of a site, or a new one that is not kept yet.
func (s *Store) lockSite(ctx context.Context, name string) (*site, error) {
	if err := store.CheckSite(name); err != nil {
		return nil, err
	}
	if err := s.lock(ctx); err != nil {
		return nil, err
	}
	if have := s.sites[name]; have != nil {
		return have, nil
	}
	return &site{keys: make(map[string]use), records: make(map[store.RecordKey][]byte)}, nil
}

func (s *site) newest() store.Seq { return s.trimmed + store.Seq(len(s.entries)) }

// Append implements store.Journal.
func (s *Store) Append(ctx context.Context, name string, entries ...store.NewEntry) ([]store.Appended, error) {
	if err := store.CheckEntries(entries); err != nil {
		return nil, err
	}
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	now := time.Now()
	results := make([]store.Appended, len(entries))
	added := make(map[string]use) // by this call
	next := have.newest()
	for i, e := range entries {
		if e.IdempotencyKey != "" {
			u, found := added[e.IdempotencyKey]
			if !found {
				u, found = have.keys[e.IdempotencyKey]
				found = found && u.until.After(now)
			}
			if found && u.fingerprint != e.Fingerprint {
				return nil, fmt.Errorf("%w (entry %d)", store.ErrIdempotencyMismatch, i)
			}
			if found {
				results[i] = store.Appended{Seq: u.seq, Replayed: true}
				continue
			}
			added[e.IdempotencyKey] = use{next + 1, e.Fingerprint, now.Add(store.IdempotencyWindow)}
		}
		next++
		results[i].Seq = next
	}
	for i := range entries {
		if !results[i].Replayed {
			have.entries = append(have.entries, bytes.Clone(entries[i].Data))
		}
	}
	maps.Copy(have.keys, added)
	if len(entries) > 0 {
		s.sites[name] = have
		s.waiters.Wake(name)
	}
	return results, nil
}

// Read implements store.Journal.
func (s *Store) Read(ctx context.Context, name string, after store.Seq, max int, wait time.Duration) ([]store.Entry, error) {
	if max < 1 {
		return nil, fmt.Errorf("%w: can't read at most %d entries", store.ErrInvalid, max)
	}
	return s.waiters.Await(ctx, name, wait, s.closing, func() ([]store.Entry, bool, error) {
		entries, err := s.readNow(ctx, name, after, max)
		return entries, true, err
	}, nil)
}

func (s *Store) readNow(ctx context.Context, name string, after store.Seq, max int) ([]store.Entry, error) {
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	if newest := have.newest(); after > newest {
		return nil, fmt.Errorf("%w: asked for entries after %d, and the newest is %d", store.ErrConflict, after, newest)
	}
	if after < have.trimmed {
		return nil, store.ErrTrimmed
	}
	var entries []store.Entry
	size := 0
	for _, data := range have.entries[after-have.trimmed:] {
		if len(entries) == max || size >= readBytes {
			break
		}
		after++
		entries = append(entries, store.Entry{Seq: after, Data: bytes.Clone(data)})
		size += len(data)
	}
	return entries, nil
}

// Cursor implements store.Journal.
func (s *Store) Cursor(ctx context.Context, name string) (cursor, newest store.Seq, err error) {
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return 0, 0, err
	}
	defer s.mu.Unlock()
	return have.cursor, have.newest(), nil
}

// StartJournal implements store.Journal.
func (s *Store) StartJournal(ctx context.Context, name string, newest store.Seq) error {
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	if have.cursor != 0 || have.newest() != 0 {
		return fmt.Errorf("%w: site %s has entries", store.ErrConflict, name)
	}
	have.trimmed = newest
	s.sites[name] = have
	return nil
}

// Trim implements store.Journal.
func (s *Store) Trim(ctx context.Context, name string, t store.Trim) error {
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	if upTo := min(t.Journal, have.cursor, have.newest()); upTo > have.trimmed {
		have.entries = slices.Clone(have.entries[upTo-have.trimmed:])
		have.trimmed = upTo
	}
	have.facts = slices.Clone(have.factsFrom(store.FactID{Ms: t.Facts}))
	now := time.Now()
	maps.DeleteFunc(have.keys, func(_ string, u use) bool { return !u.until.After(now) })
	return nil
}

// Records implements store.Records.
func (s *Store) Records(ctx context.Context, name string, kind store.Kind, keys []string,
	fn func(kind store.Kind, key string, value []byte) error) (store.Seq, error) {
	if err := store.CheckRecords(kind, keys); err != nil {
		return 0, err
	}
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return 0, err
	}
	cursor, found := have.cursor, pick(have.records, kind, keys)
	s.mu.Unlock()
	for _, r := range found {
		if err := fn(r.kind, r.key, bytes.Clone(r.value)); err != nil {
			return 0, err
		}
	}
	return cursor, nil
}

// picked is an element of a map of records or values.
type picked[V any] struct {
	kind  store.Kind
	key   string
	value V
}

// pick lists the elements of a kind, with keys or all, or all of every kind, in order of kind and
// key.
func pick[V any](all map[store.RecordKey]V, kind store.Kind, keys []string) []picked[V] {
	var found []picked[V]
	for _, key := range keys {
		if v, ok := all[store.RecordKey{Kind: kind, Key: key}]; ok {
			found = append(found, picked[V]{kind, key, v})
		}
	}
	if len(keys) > 0 {
		return found
	}
	for k, v := range all {
		if kind == "" || k.Kind == kind {
			found = append(found, picked[V]{k.Kind, k.Key, v})
		}
	}
	slices.SortFunc(found, func(a, b picked[V]) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.key, b.key))
	})
	return found
}

// Commit implements store.Records.
func (s *Store) Commit(ctx context.Context, name string, c store.Commit) error {
	if err := c.Check(); err != nil {
		return err
	}
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return err
	}
	defer s.mu.Unlock()
	if !c.Loose && have.cursor != c.Expect {
		return fmt.Errorf("%w: the cursor is %d, not %d", store.ErrConflict, have.cursor, c.Expect)
	}
	if len(c.Facts) > 0 && c.Facts[0].ID.Compare(have.last) <= 0 {
		return fmt.Errorf("%w: fact 0 (%d-%d) is not past the last one of the site (%d-%d)", store.ErrInvalid,
			c.Facts[0].ID.Ms, c.Facts[0].ID.N, have.last.Ms, have.last.N)
	}
	s.sites[name] = have
	for _, k := range c.Deletes {
		delete(have.records, k)
	}
	for _, r := range c.Writes {
		have.records[store.RecordKey{Kind: r.Kind, Key: r.Key}] = bytes.Clone(r.Value)
	}
	for _, f := range c.Facts {
		have.facts = append(have.facts, store.Fact{ID: f.ID, Data: bytes.Clone(f.Data)})
		have.last = f.ID
	}
	if !c.Loose {
		have.cursor = c.Next
	}
	return nil
}

// factsFrom returns the facts from an id on.
func (s *site) factsFrom(from store.FactID) []store.Fact {
	i, _ := slices.BinarySearchFunc(s.facts, from, func(f store.Fact, id store.FactID) int { return f.ID.Compare(id) })
	return s.facts[i:]
}

// Facts implements store.Records.
func (s *Store) Facts(ctx context.Context, name string, from, to store.FactID, limit int,
	fn func(id store.FactID, data []byte) error) error {
	have, err := s.lockSite(ctx, name)
	if err != nil {
		return err
	}
	found := have.factsFrom(from)
	if !to.IsZero() {
		found = found[:max(0, len(found)-len(have.factsFrom(to)))]
	}
	if limit > 0 {
		found = found[:min(limit, len(found))]
	}
	s.mu.Unlock() // facts are only added behind these, or dropped into a slice of their own
	for _, f := range found {
		if err := fn(f.ID, bytes.Clone(f.Data)); err != nil {
			return err
		}
	}
	return nil
}

// PutDocuments implements store.Documents.
func (s *Store) PutDocuments(ctx context.Context, puts []store.DocumentPut) error {
	if err := store.CheckPuts(puts); err != nil {
		return err
	}
	if err := s.lock(ctx); err != nil {
		return err
	}
	defer s.mu.Unlock()
	for _, p := range puts {
		if newest := len(s.documents[p.Document.Name]); newest != p.Expect {
			return fmt.Errorf("%w: document %q has version %d, not %d", store.ErrConflict, p.Document.Name, newest, p.Expect)
		}
	}
	for _, p := range puts {
		if p.Keep {
			continue
		}
		d := p.Document
		d.Version, d.At, d.Body = p.Expect+1, d.At.Round(0).UTC(), append([]byte{}, d.Body...)
		s.documents[d.Name] = append(s.documents[d.Name], d)
	}
	return nil
}

// GetDocument implements store.Documents.
func (s *Store) GetDocument(ctx context.Context, name string, version int) (store.Document, error) {
	if err := store.CheckDocumentName(name); err != nil {
		return store.Document{}, err
	}
	if err := s.lock(ctx); err != nil {
		return store.Document{}, err
	}
	defer s.mu.Unlock()
	versions := s.documents[name]
	if version == 0 {
		version = len(versions)
	}
	if version < 1 || version > len(versions) {
		return store.Document{}, fmt.Errorf("%w: document %q version %d", store.ErrNotFound, name, version)
	}
	d := versions[version-1]
	d.Body = append([]byte{}, d.Body...)
	return d, nil
}

// ListDocuments implements store.Documents.
func (s *Store) ListDocuments(ctx context.Context, prefix string) ([]store.Document, error) {
	if err := s.lock(ctx); err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	var list []store.Document
	for _, name := range slices.Sorted(maps.Keys(s.documents)) {
		if strings.HasPrefix(name, prefix) {
			d := s.documents[name][len(s.documents[name])-1]
			d.Body = nil
			list = append(list, d)
		}
	}
	return list, nil
}

// DocumentVersions implements store.Documents.
func (s *Store) DocumentVersions(ctx context.Context, name string) ([]store.Document, error) {
	if err := store.CheckDocumentName(name); err != nil {
		return nil, err
	}
	if err := s.lock(ctx); err != nil {
		return nil, err
	}
	defer s.mu.Unlock()
	list := slices.Clone(s.documents[name])
	if len(list) == 0 {
		return nil, fmt.Errorf("%w: document %q", store.ErrNotFound, name)
	}
	for i := range list {
		list[i].Body = nil
	}
	slices.Reverse(list)
	return list, nil
}

// Values implements store.Values.
func (s *Store) Values(ctx context.Context, kind store.Kind, keys []string, fn func(v store.Value) error) error {
	if err := store.CheckRecords(kind, keys); err != nil {
		return err
	}
	if err := s.lock(ctx); err != nil {
		return err
	}
	found := pick(s.values, kind, keys)
	s.mu.Unlock()
	for _, p := range found {
		p.value.Data = bytes.Clone(p.value.Data)
		if err := fn(p.value); err != nil {
			return err
		}
	}
	return nil
}

// SetValues implements store.Values.
func (s *Store) SetValues(ctx context.Context, values ...store.Value) (store.Revision, error) {
	if err := store.CheckValues(values); err != nil {
		return 0, err
	}
	if err := s.lock(ctx); err != nil {
		return 0, err
	}
	defer s.mu.Unlock()
	if len(values) == 0 {
		return 0, nil
	}
	for i := range values {
		v := &values[i]
		have := s.values[store.RecordKey{Kind: v.Kind, Key: v.Key}].Revision
		if v.Revision != store.AnyRevision && v.Revision != have {
			return 0, fmt.Errorf("%w: value %q of kind %s has revision %d, not %d",
				store.ErrConflict, v.Key, v.Kind, have, v.Revision)
		}
	}
	s.revision++
	for _, v := range values {
		k := store.RecordKey{Kind: v.Kind, Key: v.Key}
		if v.Data == nil {
			delete(s.values, k)
			continue
		}
		v.Revision, v.Data = s.revision, bytes.Clone(v.Data)
		s.values[k] = v
	}
	return s.revision, nil
}

// Lease implements store.Leases.
func (s *Store) Lease(ctx context.Context, name, owner string, ttl time.Duration) (bool, error) {
	if _, err := s.lockSite(ctx, name); err != nil {
		return false, err
	}
	defer s.mu.Unlock()
	return s.leases.Take(name, owner, ttl), nil
}

// Ping implements store.Service.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.lock(ctx); err != nil {
		return err
	}
	s.mu.Unlock()
	return nil
}

// Close implements store.Service. What the store held is gone.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.closed = true
		close(s.closing)
		s.sites, s.documents, s.values = nil, nil, nil
	}
	return nil
}
