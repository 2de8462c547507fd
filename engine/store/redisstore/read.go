package redisstore

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
)

// readBytes is about how much one Read returns at most, however many entries were asked for.
const readBytes = 16 << 20

// firstRead is how many entries are asked for before their size is known.
const firstRead = 64

// perEntry is about what an entry takes in a reply besides its data.
const perEntry = 64

// Read implements store.Journal. One call returns about 16 MB at most.
func (s *Store) Read(ctx context.Context, site string, after store.Seq, max int, wait time.Duration) ([]store.Entry, error) {
	if err := store.CheckSite(site); err != nil {
		return nil, err
	}
	if max < 1 {
		return nil, fmt.Errorf("%w: can't read at most %d entries", store.ErrInvalid, max)
	}
	return s.waiters.Await(ctx, site, wait, s.running.Done(), func() ([]store.Entry, bool, error) {
		return s.readNow(ctx, site, after, max)
	}, func() func() { return s.listen(site, after) })
}

// readNow returns what is there. With nothing, caughtUp says that after is the newest entry.
func (s *Store) readNow(ctx context.Context, site string, after store.Seq, max int) (entries []store.Entry, caughtUp bool, err error) {
	if err := s.usable(ctx); err != nil {
		return nil, false, err
	}
	size, last := 0, after
	var st stream
	for len(entries) < max && size < readBytes && last < math.MaxUint64 {
		n := firstRead
		if len(entries) > 0 { // go on with as many as will fit, by the size of those so far
			n = (readBytes-size)/(size/len(entries)+1) + 1
		}
		n = min(n, max-len(entries))
		// Each piece has a buffer of its own, for the entries stay parts of it.
		st.buf = buffer{perEntry: int(s.entrySize.Load()) + perEntry}
		messages, err := st.read(ctx, s.client, journalKey(site), "0-"+strconv.FormatUint(uint64(last)+1, 10), "+", n)
		if err != nil {
			return nil, false, s.wrap(err, "read of the journal", site)
		}
		for i := range messages {
			seq, err := journalSeq(messages[i].id)
			if err != nil {
				return nil, false, s.wrap(err, "read of the journal", site)
			}
			if seq != last+1 {
				return nil, false, store.ErrTrimmed
			}
			last = seq
			entries = append(entries, store.Entry{Seq: seq, Data: messages[i].data})
			size += len(messages[i].data)
		}
		if len(messages) < n {
			break
		}
	}
	if len(entries) > 0 {
		s.entrySize.Store(int64(size / len(entries)))
		return entries, false, nil
	}
	return s.explainNothing(ctx, site, after)
}

// explainNothing finds out why there is nothing after an entry.
func (s *Store) explainNothing(ctx context.Context, site string, after store.Seq) (_ []store.Entry, caughtUp bool, err error) {
	_, newest, trimmed, err := s.numbers(ctx, site)
	switch {
	case err != nil:
		return nil, false, s.wrap(err, "read of the journal", site)
	case after < trimmed:
		return nil, false, store.ErrTrimmed
	case after > newest:
		return nil, false, fmt.Errorf("%w: asked for entries after %d, and the newest is %d", store.ErrConflict, after, newest)
	}
	return nil, after == newest, nil
}

// numbers returns the numbers of a site as of one moment. The entries of a journal have no holes,
// so how many there are after the last trimmed one tells the newest.
func (s *Store) numbers(ctx context.Context, site string) (cursor, newest, trimmed store.Seq, err error) {
	var cursorCmd, trimmedCmd *redis.StringCmd
	var lenCmd *redis.IntCmd
	_, err = s.client.TxPipelined(ctx, func(p redis.Pipeliner) error {
		cursorCmd = p.Get(ctx, cursorKey(site))
		trimmedCmd = p.Get(ctx, trimmedKey(site))
		lenCmd = p.XLen(ctx, journalKey(site))
		return nil
	})
	if err != nil && !errors.Is(err, redis.Nil) {
		return 0, 0, 0, err
	}
	cursor, err = number(cursorCmd)
	if err != nil {
		return 0, 0, 0, err
	}
	if trimmed, err = number(trimmedCmd); err != nil {
		return 0, 0, 0, err
	}
	length, err := lenCmd.Result()
	return cursor, trimmed + store.Seq(length), trimmed, err
}

// Cursor implements store.Journal.
func (s *Store) Cursor(ctx context.Context, site string) (cursor, newest store.Seq, err error) {
	if err := store.CheckSite(site); err != nil {
		return 0, 0, err
	}
	if err := s.usable(ctx); err != nil {
		return 0, 0, err
	}
	cursor, newest, _, err = s.numbers(ctx, site)
	return cursor, newest, s.wrap(err, "read of the cursor", site)
}

// trimAtOnce is how many entries or facts one command removes at most, so that others are not held
// up.
const trimAtOnce = 10_000

// Trim implements store.Journal.
func (s *Store) Trim(ctx context.Context, site string, t store.Trim) error {
	if err := store.CheckSite(site); err != nil {
		return err
	}
	keys := []string{cursorKey(site), journalKey(site), trimmedKey(site)}
	args := []any{uint64(t.Journal), trimAtOnce}
	for more := t.Journal > 0; more; {
		if err := s.usable(ctx); err != nil {
			return err
		}
		reply, err := s.run(ctx, &trimScript, keys, args)
		if err != nil {
			return s.wrap(err, "trim of the journal", site)
		}
		more = reply == int64(1)
	}
	end := strconv.FormatInt(t.Facts, 10)
	for more := t.Facts > 0; more; {
		if err := s.usable(ctx); err != nil {
			return err
		}
		// This removes whole blocks of entries, at most so many; the last command removes what is
		// left in the block at the end.
		n, err := s.client.XTrimMinIDApprox(ctx, factsKey(site), end, trimAtOnce).Result()
		if err != nil {
			return s.wrap(err, "trim of the facts", site)
		}
		more = n > 0
	}
	if err := s.usable(ctx); err != nil || t.Facts <= 0 {
		return err
	}
	return s.wrap(s.client.XTrimMinID(ctx, factsKey(site), end).Err(), "trim of the facts", site)
}

// How long one blocking read lasts, and how long a failed one is not repeated.
const (
	listenFor   = 2 * time.Second
	listenPause = 200 * time.Millisecond
)

// listeners are the goroutines that wait for what other processes append.
type listeners struct {
	mu     sync.Mutex
	bySite map[string]*listener
}

type listener struct {
	waiting int       // readers
	after   store.Seq // that they have seen
}

// listen makes sure that somebody hears what other processes append to a site, until leave is
// called.
func (s *Store) listen(site string, after store.Seq) (leave func()) {
	ls := &s.listeners
	ls.mu.Lock()
	defer ls.mu.Unlock()
	l := ls.bySite[site]
	if l == nil {
		l = &listener{}
		if ls.bySite == nil {
			ls.bySite = make(map[string]*listener)
		}
		if !s.closed() {
			ls.bySite[site] = l
			s.work.Go(func() { s.hear(site, l) })
		}
	}
	l.waiting++
	l.after = after
	return func() {
		ls.mu.Lock()
		defer ls.mu.Unlock()
		l.waiting--
	}
}

// hear wakes the readers of a site whenever there is something new, as long as there are any.
func (s *Store) hear(site string, l *listener) {
	ls := &s.listeners
	for {
		ls.mu.Lock()
		if l.waiting == 0 || s.closed() {
			delete(ls.bySite, site)
			ls.mu.Unlock()
			return
		}
		after := l.after
		ls.mu.Unlock()

		err := s.waiting.XRead(s.running, &redis.XReadArgs{
			Streams: []string{journalKey(site), "0-" + strconv.FormatUint(uint64(after), 10)},
			Count:   1,
			Block:   listenFor,
		}).Err()
		if errors.Is(err, redis.Nil) {
			continue
		}
		s.waiters.Wake(site) // after an error too: the reader then learns it by its own call
		if err != nil {
			select {
			case <-time.After(listenPause):
			case <-s.running.Done():
			}
		}
	}
}
