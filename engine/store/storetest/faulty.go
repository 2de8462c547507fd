package storetest

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"time"

	"lintel/engine/store"
)

// ErrInjected is what a call fails with when Faulty makes it fail.
var ErrInjected = errors.New("storetest: injected failure")

// Faults says how often calls go wrong. Chances are from 0 to 1.
type Faults struct {
	// Before is the chance that a call fails without an effect.
	Before float64
	// After is the chance that a call takes effect and then fails, as when the reply is lost.
	After float64
	// Slow is the chance that a call takes up to Delay longer. It may also fail.
	Slow  float64
	Delay time.Duration
}

// Faulty passes calls on to another store and makes some of them go wrong. The choices come from a
// seed, so that a run of calls in the same order goes wrong in the same way. Ping and Close always
// pass.
type Faulty struct {
	inner store.Store

	mu                  sync.Mutex
	rng                 *rand.Rand
	faults              Faults
	before, after, slow int
}

var _ store.Store = (*Faulty)(nil)

// NewFaulty wraps inner.
func NewFaulty(inner store.Store, seed uint64, faults Faults) *Faulty {
	return &Faulty{inner: inner, rng: rand.New(rand.NewPCG(seed, 0)), faults: faults}
}

// SetFaults changes what goes wrong from now on. The zero Faults stop it.
func (f *Faulty) SetFaults(faults Faults) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.faults = faults
}

// Injected returns how many calls failed before and after their effect, and how many were slow.
func (f *Faulty) Injected() (before, after, slow int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.before, f.after, f.slow
}

type fate int

const (
	pass fate = iota
	failBefore
	failAfter
)

// draw chooses the fate of the next call.
func (f *Faulty) draw() (fate, time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var delay time.Duration
	// Always the same number of draws, so that one call's fate does not depend on what was asked
	// before.
	slow, share, fail := f.rng.Float64(), f.rng.Float64(), f.rng.Float64()
	if slow < f.faults.Slow {
		f.slow++
		delay = time.Duration(share * float64(f.faults.Delay))
	}
	switch {
	case fail < f.faults.Before:
		f.before++
		return failBefore, delay
	case fail < f.faults.Before+f.faults.After:
		f.after++
		return failAfter, delay
	}
	return pass, delay
}

// through runs a call to its fate. An error of the inner store always passes.
func (f *Faulty) through(ctx context.Context, call func() error) error {
	fate, delay := f.draw()
	if delay > 0 {
		select {
		case <-time.After(delay):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if fate == failBefore {
		return ErrInjected
	}
	if err := call(); err != nil {
		return err
	}
	if fate == failAfter {
		return ErrInjected
	}
	return nil
}

// value is through for calls with a result, which is lost when the call fails.
func value[T any](ctx context.Context, f *Faulty, call func() (T, error)) (T, error) {
	var v, zero T
	err := f.through(ctx, func() (err error) {
		v, err = call()
		return err
	})
	if err != nil {
		return zero, err
	}
	return v, nil
}

// Append implements store.Journal.
func (f *Faulty) Append(ctx context.Context, site string, entries ...store.NewEntry) ([]store.Appended, error) {
	return value(ctx, f, func() ([]store.Appended, error) { return f.inner.Append(ctx, site, entries...) })
}

// Read implements store.Journal.
func (f *Faulty) Read(ctx context.Context, site string, after store.Seq, max int, wait time.Duration) ([]store.Entry, error) {
	return value(ctx, f, func() ([]store.Entry, error) { return f.inner.Read(ctx, site, after, max, wait) })
}

// Records implements store.Records. When it fails after its effect, fn was called for everything.
func (f *Faulty) Records(ctx context.Context, site string, kind store.Kind, keys []string,
	fn func(kind store.Kind, key string, value []byte) error) (store.Seq, error) {
	return value(ctx, f, func() (store.Seq, error) { return f.inner.Records(ctx, site, kind, keys, fn) })
}

// Commit implements store.Records.
func (f *Faulty) Commit(ctx context.Context, site string, c store.Commit) error {
	return f.through(ctx, func() error { return f.inner.Commit(ctx, site, c) })
}

// Cursor implements store.Journal.
func (f *Faulty) Cursor(ctx context.Context, site string) (cursor, newest store.Seq, err error) {
	both, err := value(ctx, f, func() (both [2]store.Seq, err error) {
		both[0], both[1], err = f.inner.Cursor(ctx, site)
		return both, err
	})
	return both[0], both[1], err
}

// Facts implements store.Records. When it fails after its effect, fn was called for everything.
func (f *Faulty) Facts(ctx context.Context, site string, from, to store.FactID, limit int,
	fn func(id store.FactID, data []byte) error) error {
	return f.through(ctx, func() error { return f.inner.Facts(ctx, site, from, to, limit, fn) })
}

// Trim implements store.Journal.
func (f *Faulty) Trim(ctx context.Context, site string, t store.Trim) error {
	return f.through(ctx, func() error { return f.inner.Trim(ctx, site, t) })
}

// PutDocuments implements store.Documents.
func (f *Faulty) PutDocuments(ctx context.Context, puts []store.DocumentPut) error {
	return f.through(ctx, func() error { return f.inner.PutDocuments(ctx, puts) })
}

// GetDocument implements store.Documents.
func (f *Faulty) GetDocument(ctx context.Context, name string, version int) (store.Document, error) {
	return value(ctx, f, func() (store.Document, error) { return f.inner.GetDocument(ctx, name, version) })
}

// ListDocuments implements store.Documents.
func (f *Faulty) ListDocuments(ctx context.Context, prefix string) ([]store.Document, error) {
	return value(ctx, f, func() ([]store.Document, error) { return f.inner.ListDocuments(ctx, prefix) })
}

// DocumentVersions implements store.Documents.
func (f *Faulty) DocumentVersions(ctx context.Context, name string) ([]store.Document, error) {
	return value(ctx, f, func() ([]store.Document, error) { return f.inner.DocumentVersions(ctx, name) })
}

// Values implements store.Values. When it fails after its effect, fn was called for everything.
func (f *Faulty) Values(ctx context.Context, kind store.Kind, keys []string, fn func(v store.Value) error) error {
	return f.through(ctx, func() error { return f.inner.Values(ctx, kind, keys, fn) })
}

// SetValues implements store.Values.
func (f *Faulty) SetValues(ctx context.Context, values ...store.Value) (store.Revision, error) {
	return value(ctx, f, func() (store.Revision, error) { return f.inner.SetValues(ctx, values...) })
}

// StartJournal implements store.Journal.
func (f *Faulty) StartJournal(ctx context.Context, site string, newest store.Seq) error {
	return f.through(ctx, func() error { return f.inner.StartJournal(ctx, site, newest) })
}

// Lease implements store.Leases.
func (f *Faulty) Lease(ctx context.Context, site, owner string, ttl time.Duration) (bool, error) {
	return value(ctx, f, func() (bool, error) { return f.inner.Lease(ctx, site, owner, ttl) })
}

// Ping implements store.Service.
func (f *Faulty) Ping(ctx context.Context) error { return f.inner.Ping(ctx) }

// Close implements store.Service.
func (f *Faulty) Close() error { return f.inner.Close() }
