package redisstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
)

// What one pipeline holds at most.
const (
	pipelineCalls = 1024
	pipelineBytes = 8 << 20
)

// Append implements store.Journal.
func (s *Store) Append(ctx context.Context, site string, entries ...store.NewEntry) ([]store.Appended, error) {
	if err := store.CheckSite(site); err != nil {
		return nil, err
	}
	if err := store.CheckEntries(entries); err != nil {
		return nil, err
	}
	if err := s.usable(ctx); err != nil || len(entries) == 0 {
		return nil, err
	}
	c := newCall(site, entries)
	l := s.lanes.of(site)
	if !l.push(s, c) {
		return nil, store.ErrClosed
	}
	select {
	case <-c.done:
	case <-ctx.Done():
		if l.remove(c) {
			return nil, ctx.Err()
		}
		<-c.done // it is on its way, and its bytes are still being read
	}
	if errors.Is(c.err, store.ErrIdempotencyMismatch) {
		return nil, c.err
	}
	if c.err != nil {
		return nil, s.wrap(c.err, "append to the journal", site)
	}
	s.waiters.Wake(site)
	return c.results, nil
}

// call is one append on its way to Redis.
type call struct {
	site    string
	entries []store.NewEntry
	size    int
	plain   bool // one entry without idempotency key

	results []store.Appended
	err     error
	done    chan struct{}
}

func newCall(site string, entries []store.NewEntry) *call {
	c := &call{site: site, entries: entries, done: make(chan struct{})}
	c.plain = len(entries) == 1 && entries[0].IdempotencyKey == ""
	for i := range entries {
		c.size += len(entries[i].Data)
	}
	return c
}

// command makes the command that does it.
func (c *call) command(ctx context.Context) once {
	if c.plain {
		return once{redis.NewCmd(ctx, "xadd", journalKey(c.site), "0-*", field, c.entries[0].Data)}
	}
	keys := []string{journalKey(c.site)}
	args := make([]any, 1, 1+3*len(c.entries))
	args[0] = store.IdempotencyWindow.Milliseconds()
	for i := range c.entries {
		e := &c.entries[i]
		position := 0
		if e.IdempotencyKey != "" {
			position = len(keys)
			keys = append(keys, idempotencyKey(c.site, e.IdempotencyKey))
		}
		args = append(args, e.Data, position, e.Fingerprint)
	}
	return appendScript.command(ctx, keys, args)
}

// take reads the reply.
func (c *call) take(reply any) error {
	if c.plain {
		id, _ := reply.(string)
		seq, err := journalSeq([]byte(id))
		c.results = []store.Appended{{Seq: seq}}
		return err
	}
	list, _ := reply.([]any)
	if len(list) == 2 && list[0] == "MISMATCH" {
		return fmt.Errorf("%w (entry %v)", store.ErrIdempotencyMismatch, list[1])
	}
	if len(list) != 2*len(c.entries) {
		return errReply
	}
	c.results = make([]store.Appended, len(c.entries))
	for i := range c.results {
		text, _ := list[2*i].(string)
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return errReply
		}
		c.results[i] = store.Appended{Seq: store.Seq(n), Replayed: list[2*i+1] == int64(1)}
	}
	return nil
}

// journalSeq reads the id of a journal entry, 0-SEQ.
func journalSeq(id []byte) (store.Seq, error) {
	text, ok := bytes.CutPrefix(id, []byte("0-"))
	n, err := strconv.ParseUint(string(text), 10, 64)
	if !ok || err != nil {
		return 0, fmt.Errorf("id %q in a journal: something else writes to it", id)
	}
	return store.Seq(n), nil
}

// lanesAbreast is how many pipelines are under way at once. Redis reads about 16 KB from a
// connection before it turns to the next, and with appendfsync always it syncs after each round:
// entries of 12 KB on one connection would each cost a sync, on several they share it. (Measured
// with 64 callers: 1,130 us an append on one connection, 230 on four, 130 on eight, 130 on
// sixteen.)
const lanesAbreast = 8

// lanes holds the appends that wait. A single server has one set of lanes for all; in a cluster
// each site has its own, so that a slow node holds up its own sites only.
type lanes struct {
	perSite bool

	mu     sync.Mutex
	bySite map[string]*laneSet
	ended  bool
}

// laneSet is lanes that are used in turn.
type laneSet struct {
	lanes [lanesAbreast]lane
	turn  int
}

// lane is a queue of appends and, while there are any, one goroutine that sends them.
type lane struct {
	all   *lanes // its mutex guards the lane too: what is done under it is short
	queue []*call
	busy  bool
}

func (ls *lanes) of(site string) *lane {
	if !ls.perSite {
		site = ""
	}
	ls.mu.Lock()
	defer ls.mu.Unlock()
	set := ls.bySite[site]
	if set == nil {
		set = &laneSet{}
		for i := range set.lanes {
			set.lanes[i].all = ls
		}
		if ls.bySite == nil {
			ls.bySite = make(map[string]*laneSet)
		}
		ls.bySite[site] = set
	}
	set.turn = (set.turn + 1) % lanesAbreast
	return &set.lanes[set.turn]
}

// close refuses further appends and gives up those that wait.
func (ls *lanes) close() {
	ls.mu.Lock()
	defer ls.mu.Unlock()
	ls.ended = true
	for _, set := range ls.bySite {
		for i := range set.lanes {
			l := &set.lanes[i]
			for _, c := range l.queue {
				c.err = store.ErrClosed
				close(c.done)
			}
			l.queue = nil
		}
	}
}

func (l *lane) push(s *Store, c *call) bool {
	l.all.mu.Lock()
	defer l.all.mu.Unlock()
	if l.all.ended {
		return false
	}
	l.queue = append(l.queue, c)
	if !l.busy {
		l.busy = true
		s.work.Go(func() { s.serve(l) })
	}
	return true
}

func (l *lane) remove(c *call) bool {
	l.all.mu.Lock()
	defer l.all.mu.Unlock()
	for i, q := range l.queue {
		if q == c {
			l.queue = append(l.queue[:i], l.queue[i+1:]...)
			return true
		}
	}
	return false
}

// next takes what fits into one pipeline. With nothing left the lane is no longer busy.
func (l *lane) next() []*call {
	l.all.mu.Lock()
	defer l.all.mu.Unlock()
	n, size := 0, 0
	for n < len(l.queue) && n < pipelineCalls && (n == 0 || size+l.queue[n].size <= pipelineBytes) {
		size += l.queue[n].size
		n++
	}
	batch := l.queue[:n:n]
	l.queue = l.queue[n:]
	if n == 0 {
		l.queue, l.busy = nil, false
	}
	return batch
}

// serve sends what waits in a lane until nothing does.
func (s *Store) serve(l *lane) {
	// The callers' contexts end their waiting, not the sending: others share it. The client's
	// timeouts bound it.
	ctx := context.WithoutCancel(s.running)
	for batch := l.next(); len(batch) > 0; batch = l.next() {
		s.send(ctx, batch)
		for _, c := range batch {
			close(c.done)
		}
	}
}

func (s *Store) send(ctx context.Context, batch []*call) {
	cmds := make([]once, len(batch))
	if len(batch) == 1 {
		cmds[0] = batch[0].command(ctx)
		_ = s.client.Process(ctx, cmds[0]) // the command keeps its error
	} else {
		pipe := s.client.Pipeline()
		for i, c := range batch {
			cmds[i] = c.command(ctx)
			_ = pipe.Process(ctx, cmds[i])
		}
		_, _ = pipe.Exec(ctx)
	}
	for i, c := range batch {
		err := cmds[i].Err()
		if isUnknown(err) {
			cmds[i] = appendScript.withSource(ctx, cmds[i])
			err = s.client.Process(ctx, cmds[i])
		}
		if err == nil {
			err = c.take(cmds[i].Val())
		}
		c.err = err
	}
}

// StartJournal implements store.Journal.
func (s *Store) StartJournal(ctx context.Context, site string, newest store.Seq) error {
	if err := store.CheckSite(site); err != nil {
		return err
	}
	if err := s.usable(ctx); err != nil {
		return err
	}
	if newest == 0 { // nothing to do, unless it is too late
		cursor, newest, _, err := s.numbers(ctx, site)
		if err == nil && (cursor > 0 || newest > 0) {
			return fmt.Errorf("%w: site %s has entries", store.ErrConflict, site)
		}
		return s.wrap(err, "start the journal", site)
	}
	reply, err := s.run(ctx, &startScript, []string{cursorKey(site), journalKey(site), trimmedKey(site)}, []any{uint64(newest)})
	if err != nil {
		return s.wrap(err, "start the journal", site)
	}
	if reply != int64(1) {
		return fmt.Errorf("%w: site %s has entries", store.ErrConflict, site)
	}
	return nil
}
