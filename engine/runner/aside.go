package runner

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// An entry that can't be folded must not halt its site for ever. After a few tries the worker says so
// in the journal, and goes on without it: the commit that passes it keeps it whole in a record, which
// every loading goes by. A follower that could fold it loads again when it comes to what the journal
// says.

const (
	// asideAfter is how often the fold of one entry is tried.
	asideAfter = 3
	// asideInARow is how many entries in a row may be set aside. More can't be the entries' fault, and
	// the site halts.
	asideInARow = 10
	// maxAsideReason is how much of an error the journal and the record keep, in bytes.
	maxAsideReason = 500
)

// entryError says that it is the entry which can't be folded: whoever folds it the same way fails too.
type entryError struct {
	seq uint64
	err error
}

func (e *entryError) Error() string { return e.err.Error() }
func (e *entryError) Unwrap() error { return e.err }

// setAside takes note of an entry that could not be folded, and decides after some tries that the site
// goes on without it.
func (s *Site) setAside(ctx context.Context, bad *entryError) error {
	if s.bad != bad.seq {
		s.bad, s.tries = bad.seq, 0
	}
	if s.tries++; s.tries < asideAfter {
		return nil
	}
	row := uint64(0)
	for row < bad.seq && s.left(bad.seq-row-1) != nil {
		row++
	}
	if row >= asideInARow {
		return fmt.Errorf("%d entries in a row were set aside, so that it can't be the next one's fault: %w", row, bad.err)
	}
	reason, _, _ := strings.Cut(bad.Error(), "\n")
	reason = strings.ToValidUTF8(reason[:min(len(reason), maxAsideReason)], "")
	now := s.r.opt.Now().UnixMilli()
	e := &event.Entry{Kind: event.EntryAside, At: now, By: "runner", Aside: event.Aside{Seq: bad.seq, Reason: reason}}
	if _, err := s.r.Append(ctx, s.id, e, fmt.Sprint("\x00aside ", bad.seq), ""); err != nil {
		return fmt.Errorf("set entry %d aside: %w", bad.seq, err)
	}
	s.log.Error("an entry could not be processed and is set aside; it is kept, and can be tried again after an upgrade",
		"entry", bad.seq, "err", bad.err)
	s.failures = 0 // the next turn gets on
	s.decided[bad.seq] = &event.SetAside{Seq: bad.seq, At: now, Reason: reason}
	if s.r.opt.Aside != nil {
		if err := s.r.opt.Aside(ctx, s.id, *s.decided[bad.seq]); err != nil {
			s.log.Warn("nobody is notified of an entry that was set aside", "entry", bad.seq, "err", err)
		}
	}
	return nil
}

// left returns why an entry is left out, nil if it is not.
func (s *Site) left(seq uint64) *event.SetAside {
	if a := s.aside[seq]; a != nil {
		return a
	}
	return s.decided[seq]
}

// asideWrites returns the records of entries that a commit leaves out, or takes once more.
func (s *Site) asideWrites(entries []store.Entry) (writes []store.Record) {
	put := func(a *event.SetAside, data []byte) {
		s.aside[a.Seq] = a
		kept := *a
		kept.Data = data
		writes = append(writes, store.Record{Kind: event.KindSetAside, Key: event.SetAsideKey(a.Seq), Value: event.AppendSetAside(nil, &kept)})
	}
	for i := range entries {
		seq := uint64(entries[i].Seq)
		if a := s.decided[seq]; a != nil {
			put(a, entries[i].Data)
			if e := (event.Entry{Seq: seq}); event.DecodeEntry(entries[i].Data, &e) == nil && e.Again != 0 {
				s.again[e.Again] = seq
			}
		}
	}
	for _, seq := range slices.Sorted(maps.Keys(s.again)) {
		if was := s.aside[seq]; was != nil {
			a := *was
			a.Again = s.again[seq]
			put(&a, nil)
		}
	}
	clear(s.again)
	return writes
}

// countAside shows how many entries wait for being folded after an upgrade.
func (s *Site) countAside() {
	n := 0
	for _, a := range s.aside {
		if a.Again == 0 {
			n++
		}
	}
	s.r.opt.Metrics.Aside.WithLabelValues(s.id).Set(float64(n))
}

var (
	// ErrNotAside says that no such entry waits.
	ErrNotAside = errors.New("no such entry is set aside, or it was tried again already")
	// ErrUnreadable says that this Lintel can't read an entry that was set aside.
	ErrUnreadable = errors.New("this Lintel can't read the entry")
)

// Aside lists the entries of a site that could not be folded, oldest first, without what they hold.
// Those that were tried again say as which entry.
func (r *Runner) Aside(ctx context.Context, site string) ([]event.SetAside, error) {
	if _, err := r.Site(ctx, site); err != nil {
		return nil, err
	}
	var list []event.SetAside
	_, err := r.opt.Store.Records(ctx, site, event.KindSetAside, nil, func(_ store.Kind, key string, v []byte) error {
		a, err := event.DecodeSetAside(key, v)
		if err == nil {
			a.Data = nil
			list = append(list, *a)
		}
		return err
	})
	return list, err
}

// Retry appends an entry that was set aside once more, received now, and returns its new sequence
// number. The error may be ErrNoSite, ErrNotAside or ErrUnreadable.
func (r *Runner) Retry(ctx context.Context, site string, seq uint64, by string) (uint64, error) {
	if _, err := r.Site(ctx, site); err != nil {
		return 0, err
	}
	var e *event.Entry
	key := event.SetAsideKey(seq)
	_, err := r.opt.Store.Records(ctx, site, event.KindSetAside, []string{key}, func(_ store.Kind, _ string, v []byte) error {
		a, err := event.DecodeSetAside(key, v)
		if err != nil || a.Again != 0 {
			return err
		}
		e = &event.Entry{Seq: seq}
		if err := event.DecodeEntry(append([]byte(nil), a.Data...), e); err != nil {
			return fmt.Errorf("%w: %w", ErrUnreadable, err)
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	if e == nil {
		return 0, ErrNotAside
	}
	e.At, e.By, e.Again = r.opt.Now().UnixMilli(), by, seq
	done, err := r.Append(ctx, site, e, fmt.Sprint("\x00again ", seq), "")
	return uint64(done.Seq), err
}

// leaveAfter is after how many failed turns a node gives the site to others. It stays away for the time
// of a lease, which is enough for another to take it; if there is none, it tries again itself.
const leaveAfter = 5

// leave gives up a site that this node can't work.
func (s *Site) leave(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	if _, err := s.r.opt.Store.Lease(ctx, s.id, s.r.opt.Node, 0); err != nil {
		return // it runs out by itself
	}
	s.log.Error("this node can't work the site and leaves it to others for a while", "failures", s.failures, "err", s.Err())
	s.away = time.Now().Add(s.r.opt.LeaseTTL)
	s.follows()
}
