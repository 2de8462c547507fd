package boltstore

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"lintel/engine/store"
)

// What goes into one transaction at most, so that no caller waits for more than about this much to
// be written.
const (
	batchOps   = 4096
	batchBytes = 32 << 20
)

// apply changes the file for one call. It checks everything that it may refuse before it changes
// anything, since other calls share the transaction. now is the time of the transaction. It may run
// again if the transaction had to be given up.
type apply func(tx *bbolt.Tx, now time.Time) (changed bool, err error)

// call is one caller's change on its way through the writer.
type call struct {
	apply apply
	size  int
	err   error
	done  chan struct{}
}

// writer is the one goroutine that changes the file.
type writer struct {
	mu    sync.Mutex
	queue []*call
	ended bool // no call is taken any more

	more    chan struct{} // holds one token while the queue may have something
	stopped chan struct{}
}

func (w *writer) start(s *Store) {
	w.more = make(chan struct{}, 1)
	w.stopped = make(chan struct{})
	go func() {
		defer close(w.stopped)
		w.run(s)
	}()
}

func (w *writer) wait() { <-w.stopped }

// write hands a change to the writer and waits until it is on the disk. A caller that gives up is
// let go only if the writer has not taken the change yet: after that the bytes that it was given
// are still being read.
func (s *Store) write(ctx context.Context, size int, fn apply) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c := &call{apply: fn, size: size, done: make(chan struct{})}
	if !s.writer.push(c) {
		return store.ErrClosed
	}
	select {
	case <-c.done:
		return c.err
	case <-ctx.Done():
		if s.writer.remove(c) {
			return ctx.Err()
		}
		<-c.done
		return c.err
	}
}

func (w *writer) push(c *call) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		return false
	}
	w.queue = append(w.queue, c)
	select {
	case w.more <- struct{}{}:
	default:
	}
	return true
}

func (w *writer) remove(c *call) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, q := range w.queue {
		if q == c {
			w.queue = append(w.queue[:i], w.queue[i+1:]...)
			return true
		}
	}
	return false
}

// take returns the next batch, empty if nothing waits.
func (w *writer) take() []*call {
	w.mu.Lock()
	defer w.mu.Unlock()
	n, size := 0, 0
	for n < len(w.queue) && n < batchOps && (n == 0 || size+w.queue[n].size <= batchBytes) {
		size += w.queue[n].size
		n++
	}
	batch := w.queue[:n:n]
	w.queue = w.queue[n:]
	if len(w.queue) == 0 {
		w.queue = nil
	}
	return batch
}

func (w *writer) run(s *Store) {
	defer func() {
		w.mu.Lock()
		w.ended = true
		rest := w.queue
		w.queue = nil
		w.mu.Unlock()
		answer(rest, store.ErrClosed)
	}()
	for {
		select {
		case <-s.closing:
			return
		case <-w.more:
		}
		for batch := w.take(); len(batch) > 0; batch = w.take() {
			if s.isClosing() {
				answer(batch, store.ErrClosed)
				return
			}
			s.writeBatch(batch)
		}
	}
}

func answer(batch []*call, err error) {
	for _, c := range batch {
		if err != nil {
			c.err = err
		}
		close(c.done)
	}
}

// errNoChange ends a transaction that changed nothing, so that nothing is written for it.
var errNoChange = errors.New("nothing to write")

// writeBatch applies the batch as one transaction and answers its callers.
func (s *Store) writeBatch(batch []*call) {
	err := s.ensureOpen()
	if err == nil {
		err = s.inPlace() // before it is promised that something is durable
	}
	if err != nil {
		answer(batch, err)
		return
	}
	var failed error // of one call, in the middle of its change
	err = s.db.Update(func(tx *bbolt.Tx) error {
		now, any := time.Now(), false
		for _, c := range batch {
			var changed bool
			changed, c.err = c.apply(tx, now)
			if c.err != nil && !refused(c.err) {
				failed = c.err
				return failed
			}
			any = any || changed
		}
		if !any {
			return errNoChange
		}
		return nil
	})
	switch {
	case err == nil || errors.Is(err, errNoChange):
		if err == nil {
			s.full.Store(nil)
		}
		answer(batch, nil)
	case failed != nil && len(batch) > 1:
		// One of them can't be applied, and its half is rolled back: the others must not suffer
		// from it.
		for i := range batch {
			s.writeBatch(batch[i : i+1])
		}
	case failed != nil:
		answer(batch, fmt.Errorf("boltstore: %w", s.orFull(err)))
	default:
		err = fmt.Errorf("boltstore: write: %w", s.orFull(err))
		s.reopen(err)
		answer(batch, err)
	}
}

// orFull says of a failed write, if that is so, that there was no room, and remembers it.
func (s *Store) orFull(err error) error {
	if !errors.Is(err, syscall.ENOSPC) && !errors.Is(err, syscall.EDQUOT) && !errors.Is(err, bolterrors.ErrMaxSizeReached) {
		return err
	}
	err = fmt.Errorf("%w on the disk for %s: nothing is taken until some was made; Lintel then goes on by itself (%w)",
		store.ErrFull, s.path(), err)
	s.full.Store(&err)
	return err
}

// refused says that the call was refused before it changed anything.
func refused(err error) bool {
	return errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrIdempotencyMismatch) || errors.Is(err, store.ErrInvalid)
}

// reopen throws away what memory knows about the file after a failed write, as the write may have
// reached the disk or not.
func (s *Store) reopen(cause error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.db.Close()
	s.db = nil
	if err == nil {
		err = s.openFile()
	}
	if err != nil {
		s.broken = errors.Join(cause, err)
	}
}

// ensureOpen opens the file again if that failed before. Only the writer calls it.
func (s *Store) ensureOpen() error {
	if s.db != nil { // only the writer changes db while the store is open
		return nil
	}
	if errors.Is(s.broken, store.ErrDamaged) {
		return s.broken
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.openFile(); err != nil {
		s.broken = err
		return err
	}
	return nil
}
