package runner

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

// Site is one site as this node knows it.
type Site struct {
	id  string
	r   *Runner
	log *slog.Logger

	// state is nil while the site is not loaded. The loop changes it, questions read it; access is
	// held for that, by the loop whole and by each question as one part, since unlike a mutex it can
	// be waited for as long as a question has time: folding one large document takes seconds.
	state  *engine.Machine
	access *semaphore.Weighted

	mu  sync.Mutex
	err error // why the site is not being worked

	ready     chan struct{} // closed once the state was loaded for the first time
	readyOnce sync.Once
	feed      feed
	backlog   backlog

	// The loop's own.
	owner     bool
	renewed   time.Time
	resumed   bool
	trimmed   time.Time
	gone      store.Seq // the journal is trimmed up to here, as far as this node knows
	expired   []string  // alerts whose records are to be deleted
	expiredAt time.Time
	entry     event.Entry
	failures  int
	folded    store.Seq   // the last entry of which this node knows that it is folded for good
	renew     []event.Pin // a new incarnation, which holds from the next entry on

	retention   store.Retention
	heldBack    bool // the clock was too far ahead to delete history by it
	clockWarned time.Time
	anchor      atomic.Pointer[anchor] // others read it
	away        time.Time              // until when another node may take the site
	bad         uint64                 // the entry that could not be folded last
	tries       int                    // how often

	aside   map[uint64]*event.SetAside // entries that are left out, without what they hold
	decided map[uint64]*event.SetAside // and those of which that is not committed yet
	holders *holders
	again   map[uint64]uint64 // of those, what is folded once more in this commit, with its new number
}

// ID returns the site's id.
func (s *Site) ID() string { return s.id }

// questions is how many questions may be answered at one time: more than there can be.
const questions = 1 << 30

// change calls f while no question looks at the state.
func (s *Site) change(f func()) {
	_ = s.access.Acquire(context.Background(), questions) // only a context's end is an error
	defer s.access.Release(questions)
	f()
}

// Err returns why the site is not being worked, nil if it is.
func (s *Site) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// View calls f with the site's state as of the last folded entry, which f may only read and must
// not keep. It waits for the site to be loaded, and for the entry that is being folded, until ctx
// ends. It never waits for a commit. F must not call View of the same site: a loop that wants the
// state in between would wait for f, and f for it.
func (s *Site) View(ctx context.Context, f func(*engine.State) error) error {
	select {
	case <-s.ready:
	case <-ctx.Done():
		return ctx.Err()
	}
	for {
		if err := s.access.Acquire(ctx, 1); err != nil {
			return err
		}
		if s.state != nil {
			defer s.access.Release(1)
			return f(s.state.State)
		}
		s.access.Release(1)
		if err := s.Err(); err != nil {
			return fmt.Errorf("site %s is being loaded again: %w", s.id, err)
		}
		select { // nothing is wrong: it is loaded again in a moment
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(reloadLook):
		}
	}
}

// reloadLook is how often a question looks whether a site that is being loaded again is there.
const reloadLook = 5 * time.Millisecond

// run is the loop. It ends with ctx.
func (s *Site) run(ctx context.Context) {
	defer func() {
		if s.owner {
			bg, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
			defer cancel()
			_, _ = s.r.opt.Store.Lease(bg, s.id, s.r.opt.Node, 0) // it runs out by itself otherwise
		}
	}()
	for ctx.Err() == nil {
		err := s.turn(ctx)
		if err == nil {
			// A site that was left is as it was until somebody works it.
			if s.owner || !time.Now().Before(s.away) {
				s.failures = 0
				s.setErr(nil)
			}
			continue
		}
		if ctx.Err() != nil {
			return
		}
		// Whatever went wrong, the store knows what is true: forget, pause, load again.
		s.drop()
		if errors.Is(err, store.ErrConflict) {
			s.r.opt.Metrics.Conflicts.Inc()
			s.log.Info("another worker committed first; loading again")
			continue
		}
		s.failures++
		var bad *entryError
		if s.owner && errors.As(err, &bad) {
			if failed := s.setAside(ctx, bad); failed != nil {
				err = failed
			}
		}
		s.setErr(err)
		if s.owner && s.failures > 0 && s.failures%leaveAfter == 0 {
			s.leave(ctx)
		}
		pause := min(50*time.Millisecond<<min(s.failures, 8), 5*time.Second)
		if s.failures == 1 || s.failures > 0 && s.failures%10 == 0 {
			s.log.Error("site halted; trying again", "err", err, "pause", pause, "failures", s.failures)
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

func (s *Site) setErr(err error) {
	s.mu.Lock()
	s.err = err
	s.mu.Unlock()
}

func (s *Site) drop() {
	// A commit whose reply was lost took effect all the same: its deliveries are in the store and
	// must be taken up from there.
	s.resumed, s.gone = false, 0
	s.change(func() { s.state = nil })
}

// turn does one round: hold the lease, load if need be, read what is new, fold it, commit it.
func (s *Site) turn(ctx context.Context) error {
	if err := s.hold(ctx); err != nil {
		return err
	}
	if s.state == nil {
		if err := s.load(ctx); err != nil {
			return err
		}
	}
	if !s.owner {
		return s.follow(ctx)
	}
	if s.r.opt.Deliver != nil && !s.resumed {
		if err := s.r.opt.Deliver.Resume(ctx, s.id); err != nil {
			return fmt.Errorf("take up deliveries: %w", err)
		}
		s.resumed = true
	}
	wait := s.patience()
	entries, err := s.r.opt.Store.Read(ctx, s.id, store.Seq(s.state.Seq()), s.r.opt.BatchMax, wait)
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	if len(entries) == 0 {
		s.housekeep(ctx, time.Minute)
		return s.tick(ctx)
	}
	for len(entries) > 0 {
		n, err := s.fold(ctx, entries, true)
		if err != nil {
			return err
		}
		entries = entries[n:]
	}
	s.housekeep(ctx, busyTrim) // a site that never rests must not keep its journal for ever
	return nil
}

// busyTrim is after how long the journal is trimmed even if there was no quiet moment.
const busyTrim = 5 * time.Minute

// hold takes or renews the lease when a third of its time is over. The store counts that time by
// the real clock.
func (s *Site) hold(ctx context.Context) error {
	now := time.Now()
	if now.Sub(s.renewed) < s.r.opt.LeaseTTL/3 || now.Before(s.away) {
		return nil
	}
	held, err := s.r.opt.Store.Lease(ctx, s.id, s.r.opt.Node, s.r.opt.LeaseTTL)
	if err != nil {
		return fmt.Errorf("lease: %w", err)
	}
	s.renewed = now
	s.watchClock()
	s.r.compareClocks(ctx)
	if held == s.owner {
		return nil
	}
	if held {
		s.log.Info("working the site")
		s.owner = true
		s.drop()     // what it was as a follower may be behind
		s.folded = 0 // and may not know what another node folded, so ids begin anew
	} else {
		s.log.Info("another node works the site; following")
		s.follows()
	}
	return nil
}

// follows forgets what only the worker of a site has.
func (s *Site) follows() {
	s.owner, s.resumed = false, false
	clear(s.decided)
	s.holders.forget()
	s.r.opt.Metrics.Aside.DeleteLabelValues(s.id)
	if s.r.opt.Deliver != nil {
		s.r.opt.Deliver.Forget(s.id)
	}
}

// patience is how long to wait for entries: until the next timer, at most until the lease wants
// renewing.
func (s *Site) patience() time.Duration {
	wait := s.r.opt.LeaseTTL / 3
	if next := s.state.NextTimer(); next != math.MaxInt64 {
		left := time.UnixMilli(next).Sub(s.now())
		wait = min(wait, time.Duration(float64(left)/s.r.opt.Speed))
	}
	return max(wait, 0)
}

const clockName = "clock" // who sends ticks

// tick appends an entry that says only that time passed, if a timer is due.
func (s *Site) tick(ctx context.Context) error {
	now := s.now().UnixMilli()
	e, due := s.state.Tick(now)
	if !due && len(s.expired) == 0 {
		return nil
	}
	e.At, e.By = max(now, s.state.Clock()+1), clockName
	_, err := s.r.Append(ctx, s.id, &e, "", "")
	return err
}

// follow folds what the working node has committed, without committing.
func (s *Site) follow(ctx context.Context) error {
	cursor, _, err := s.r.opt.Store.Cursor(ctx, s.id)
	if err != nil {
		return err
	}
	have := store.Seq(s.state.Seq())
	switch {
	case cursor < have:
		return store.ErrConflict
	case cursor == have:
		select {
		case <-ctx.Done():
		case <-time.After(100 * time.Millisecond):
		}
		return nil
	}
	entries, err := s.r.opt.Store.Read(ctx, s.id, have, min(s.r.opt.BatchMax, int(cursor-have)), 0)
	if err != nil {
		return err
	}
	for len(entries) > 0 {
		n, err := s.fold(ctx, entries, false)
		if err != nil {
			return err
		}
		entries = entries[n:]
	}
	return nil
}

// fold folds entries until they are all done or enough has changed for one commit, commits unless
// this node only follows, publishes, and returns how many entries it took.
func (s *Site) fold(ctx context.Context, entries []store.Entry, commit bool) (int, error) {
	started := time.Now() // how long things take is real time, whatever clock the site goes by
	expect := store.Seq(s.state.Seq())
	n := 0
	reload := false
	clear(s.again)
	// What comes before an entry that fails is committed first, so that its tries cost nothing of it.
	for n < len(entries) && (n == 0 || s.state.Pending() < s.r.opt.ChangesMax && uint64(entries[n].Seq) != s.bad) {
		if err := s.step(ctx, entries[n]); err != nil {
			return n, err
		}
		n++
		reload = reload || !commit && s.entry.Kind == event.EntryConfig &&
			slices.ContainsFunc(s.entry.Config, func(p event.Pin) bool { return p.Doc == engine.Incarnation })
		// The worker left out what was folded here.
		reload = reload || !commit && s.entry.Kind == event.EntryAside && s.left(s.entry.Aside.Seq) == nil
	}
	if err := ctx.Err(); err != nil {
		return n, err // a fold that outlasted the process must not be committed: the next one does it again
	}
	last := entries[n-1].Seq
	s.noteClock()
	var batch *engine.Batch
	var writes []engine.Change
	s.change(func() {
		batch = s.state.Batch()
		writes = batch.Writes()
	})
	if commit {
		c := store.Commit{Expect: expect, Next: last}
		fillCommit(&c, writes, batch)
		c.Deletes = append(c.Deletes, s.takeExpired()...)
		c.Writes = append(c.Writes, s.asideWrites(entries[:n])...)
		committing := time.Now()
		slow := time.AfterFunc(slowCommit, func() { s.slowCommit(&c, committing, "under way") })
		err := s.r.opt.Store.Commit(ctx, s.id, c)
		if !slow.Stop() {
			s.slowCommit(&c, committing, "ended")
			s.r.opt.Metrics.Slow.WithLabelValues(s.id).Inc()
		}
		if err != nil {
			return n, fmt.Errorf("commit entry %d: %w", last, err)
		}
		s.renew = nil
		clear(s.decided)
		s.countAside()
		s.noteHoldings(batch.Holdings, uint64(last))
		s.r.opt.Metrics.commit(s.id, n, batch, committing.Sub(started), time.Since(committing))
		if s.r.opt.Deliver != nil && len(batch.Deliveries) > 0 {
			s.r.opt.Deliver.Offer(s.id, append([]event.Delivery(nil), batch.Deliveries...))
		}
	}
	s.folded = last
	s.backlog.processed(uint64(last), s.entry.At)
	s.feed.publish(s.id, uint64(expect)+1, uint64(last), batch)
	if reload {
		// The worker that began here made its ids with this incarnation from the entry on at which it
		// began, which was before it could say so in the journal.
		return n, store.ErrConflict
	}
	return n, nil
}

// slowCommit is how long a commit takes before it is logged: the next entries wait meanwhile.
const slowCommit = time.Second

func (s *Site) slowCommit(c *store.Commit, since time.Time, state string) {
	size := 0
	for i := range c.Writes {
		size += len(c.Writes[i].Key) + len(c.Writes[i].Value)
	}
	s.log.Warn("a commit is slow", "state", state, "entries", c.Next-c.Expect, "writes", len(c.Writes), "deletes", len(c.Deletes),
		"facts", len(c.Facts), "bytes", size, "took", time.Since(since).Round(time.Millisecond).String())
}

// step decodes one entry and folds it into the state.
func (s *Site) step(ctx context.Context, raw store.Entry) (err error) {
	s.entry.Seq = uint64(raw.Seq)
	if s.left(s.entry.Seq) != nil {
		s.entry = event.Entry{Seq: s.entry.Seq, Kind: event.EntryTick, At: s.state.Clock()} // not even time passes
	} else if err := event.DecodeEntry(raw.Data, &s.entry); errors.Is(err, event.ErrNewer) {
		return err
	} else if err != nil {
		return &entryError{s.entry.Seq, err}
	}
	if s.entry.Again != 0 {
		s.again[s.entry.Again] = s.entry.Seq
	}
	s.backlog.arrived(uint64(raw.Seq), s.entry.At)
	var cfg *engine.Config
	pins := s.renew
	if s.entry.Kind == event.EntryConfig {
		pins = append(s.entry.Config, pins...)
	}
	if len(pins) > 0 {
		if cfg, err = s.r.docs.configWith(ctx, s.id, s.state.Config(), pins); err != nil {
			return fmt.Errorf("entry %d: %w", raw.Seq, err)
		}
	}
	defer func() {
		if p := recover(); p != nil {
			err = &entryError{uint64(raw.Seq), fmt.Errorf("folding entry %d panicked: %v\n%s", raw.Seq, p, debug.Stack())}
		}
	}()
	s.change(func() {
		if s.r.opt.BeforeFold != nil && s.left(s.entry.Seq) == nil {
			s.r.opt.BeforeFold(&s.entry)
		}
		err = s.state.Apply(&s.entry, cfg)
	})
	return err
}

// fillCommit turns what the core made into what the store takes.
func fillCommit(c *store.Commit, writes []engine.Change, out *engine.Batch) {
	c.Writes = make([]store.Record, 0, len(writes)+len(out.Deliveries))
	for _, ch := range writes {
		if ch.Value == nil {
			c.Deletes = append(c.Deletes, store.RecordKey{Kind: store.Kind(ch.Kind), Key: ch.Key})
		} else {
			c.Writes = append(c.Writes, store.Record{Kind: store.Kind(ch.Kind), Key: ch.Key, Value: ch.Value})
		}
	}
	for i := range out.Deliveries {
		d := &out.Deliveries[i]
		c.Writes = append(c.Writes, store.Record{Kind: event.KindDelivery, Key: d.ID, Value: event.AppendDelivery(nil, d)})
	}
	c.Facts = make([]store.Fact, 0, len(out.Facts))
	buf := make([]byte, 0, 96*len(out.Facts))
	for i := range out.Facts {
		f := &out.Facts[i]
		start := len(buf)
		buf = event.AppendFact(buf, f)
		c.Facts = append(c.Facts, store.Fact{ID: store.FactID{Ms: f.Ms, N: f.N}, Data: buf[start:len(buf):len(buf)]})
	}
}

// load reads the site's records and the tail of its journal into a new state.
func (s *Site) load(ctx context.Context) error {
	started := time.Now()
	st, aside, err := load(ctx, s.r.opt.Store, s.r.docs, s.id)
	if err != nil {
		return fmt.Errorf("load: %w", err)
	}
	s.aside = aside
	s.change(func() { s.state = st })
	s.log.Info("site loaded", "items", st.Len(), "cursor", st.Seq(), "took", time.Since(started).Round(time.Millisecond))
	s.noteClock()
	newest := time.Time{}
	if clock := st.Clock(); clock != 0 {
		newest = time.UnixMilli(clock)
	}
	s.retention.Begin(s.r.opt.Now(), newest)
	first := false // then Runner.Start has said so
	s.readyOnce.Do(func() { close(s.ready); first = true })
	if !s.owner {
		s.folded = max(s.folded, store.Seq(st.Seq())) // that the store went back is for the owner to see
		return nil
	}
	if !first {
		if err := s.r.appendStart(ctx, s.id); err != nil {
			return err
		}
	}
	s.countAside()
	s.holders.rebuild()
	if known := s.folded; known == 0 || store.Seq(st.Seq()) < known {
		if known != 0 {
			s.r.opt.Metrics.WentBack.WithLabelValues(s.id).Inc()
			s.backlog.forget()
			s.log.Error("the store went back in time: entries that were folded are gone; look for a failover, a restored backup or "+
				"lost data of the store. Ids of alerts and messages get a new incarnation, so that none is used again",
				"cursor", st.Seq(), "known", known)
		}
		s.renew = []event.Pin{{Doc: engine.Incarnation, Version: s.r.opt.Incarnation()}}
	}
	if err := s.r.reconcile(ctx, s.id, st.Config().Pins, s.renew...); err != nil {
		return err
	}
	s.folded = store.Seq(st.Seq())
	return nil
}

// olderThan returns the last entry that was received before a moment, Unix milliseconds, by halving:
// entries have their own times, so it does not matter for how long this process has run. It returns
// what is trimmed already if there is none.
func (s *Site) olderThan(ctx context.Context, at int64) (store.Seq, error) {
	low, high := s.gone, store.Seq(s.state.Seq())
	for next := low + 1; low < high; next = low + (high-low+1)/2 { // mostly the first one is not older
		entries, err := s.r.opt.Store.Read(ctx, s.id, next-1, 1, 0)
		var e event.Entry
		if err == nil && len(entries) > 0 {
			if err = event.DecodeEntry(entries[0].Data, &e); err != nil && s.aside[uint64(next)] != nil {
				e.At, err = s.aside[uint64(next)].At, nil // it can't be read, and was received before
			}
		}
		switch {
		case errors.Is(err, store.ErrTrimmed) || err == nil && e.At < at:
			low = next
		case err != nil:
			return 0, err
		default:
			high = next - 1
		}
	}
	return low, nil
}

// housekeep drops what is older than it must be kept, if that was not done for so long.
func (s *Site) housekeep(ctx context.Context, every time.Duration) {
	if s.heldBack {
		every = heldBackEvery
	}
	if !s.trimmed.IsZero() && s.r.ran(s.trimmed) < every {
		return
	}
	s.trimmed = time.Now()
	s.holders.nudge()
	now := s.deletesAsOf()
	upTo, err := s.olderThan(ctx, now.Add(-s.r.opt.JournalKeep).UnixMilli())
	if err == nil {
		t := store.Trim{Journal: min(upTo, store.Seq(s.state.EvidenceFrom())), Facts: now.Add(-s.r.opt.FactsKeep).UnixMilli()}
		if err = s.r.opt.Store.Trim(ctx, s.id, t); err == nil {
			s.gone = max(s.gone, t.Journal)
		}
	}
	if err != nil && ctx.Err() == nil {
		s.log.Warn("trimming failed; will try again", "err", err)
	}
	s.expire(ctx, now)
	// A node may have died between storing a document and telling the sites of it.
	if err := s.r.reconcile(ctx, s.id, s.state.Config().Pins); err != nil && ctx.Err() == nil {
		s.log.Warn("looking for newer documents failed; will try again", "err", err)
	}
}
