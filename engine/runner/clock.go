package runner

import (
	"context"
	"time"
)

// The site clock never goes back. After a moment in which the server's clock was ahead, it stands
// still until true time has caught up, and with it every hold, gather and reminder. So where the
// server's clock is behind it, the loop and new entries go by a time that runs on from the site clock.

const (
	clockTolerance = time.Second    // differences up to this are no fault
	clockWarnEvery = time.Hour      // how often a fault of a clock is logged
	storeTimeEvery = time.Minute    // how often the store is asked for its time
	trustAhead     = 24 * time.Hour // by how much more than passed history may be deleted in one go
	heldBackEvery  = time.Hour      // how often then
)

// anchor is the site clock as it was at a moment of this process.
type anchor struct {
	clock time.Time
	at    time.Time
}

// StoreClock is a store on another machine, which has a clock of its own.
type StoreClock interface {
	// Time returns the time of the store's clock.
	Time(ctx context.Context) (time.Time, error)
}

// ran returns how much of the time of Options.Now has passed since a moment, whatever was done to the
// clock meanwhile.
func (r *Runner) ran(since time.Time) time.Duration {
	return time.Duration(float64(time.Since(since)) * r.opt.Speed)
}

// noteClock remembers the site clock when it has moved.
func (s *Site) noteClock() {
	clock := time.UnixMilli(s.state.Clock())
	if a := s.anchor.Load(); a == nil || clock.After(a.clock) {
		s.anchor.Store(&anchor{clock, time.Now()})
	}
}

// behind returns by how much the server's clock is behind the time that runs on from the site clock,
// 0 if it is not. A clock that is simulated, and so may stand still, is right by definition.
func (s *Site) behind() time.Duration {
	if a := s.anchor.Load(); a != nil && s.r.opt.Speed == 1 {
		if d := a.clock.Add(s.r.ran(a.at)).Sub(s.r.opt.Now()); d > clockTolerance {
			return d
		}
	}
	return 0
}

// now returns the time that the site goes by.
func (s *Site) now() time.Time { return s.r.opt.Now().Add(s.behind()) }

// compareClocks asks the store for its time, at most once in storeTimeEvery, and shows by how much this
// server's clock is ahead of it: nodes with different clocks put reads into each other's future.
func (r *Runner) compareClocks(ctx context.Context) {
	st, ok := r.opt.Store.(StoreClock)
	if !ok {
		return
	}
	r.mu.Lock()
	due := r.compared.IsZero() || time.Since(r.compared) >= storeTimeEvery
	if due {
		r.compared = time.Now()
	}
	r.mu.Unlock()
	if !due {
		return
	}
	asked := time.Now()
	theirs, err := st.Time(ctx)
	if err != nil {
		return // the next use of the store reports it
	}
	took := time.Since(asked)
	ahead := asked.Add(took / 2).Sub(theirs)
	r.opt.Metrics.ClockAhead.Set(ahead.Seconds())
	if ahead.Abs() <= clockTolerance+took {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.clockWarned.IsZero() || time.Since(r.clockWarned) >= clockWarnEvery {
		r.clockWarned = time.Now()
		r.opt.Log.Warn("this server's clock and the store's differ: set both from a time server (NTP)",
			"ahead", ahead.Round(time.Millisecond).String())
	}
}

// watchClock shows by how much the server's clock is behind the site's.
func (s *Site) watchClock() {
	d := s.behind()
	s.r.opt.Metrics.ClockBehind.WithLabelValues(s.id).Set(d.Seconds())
	if d > 0 && (s.clockWarned.IsZero() || time.Since(s.clockWarned) >= clockWarnEvery) {
		s.clockWarned = time.Now()
		s.log.Warn("the server's clock is behind the site's: it was ahead for a while, or another server's is. The site goes on from "+
			"its own time; set the clocks from a time server (NTP)", "behind", d.Round(time.Millisecond).String())
	}
}

// beginTrust notes what is known of the time when the site is loaded for the first time.
func (s *Site) beginTrust() {
	if !s.trustAt.IsZero() {
		return
	}
	s.trust, s.trustAt = s.r.opt.Now(), time.Now()
	if clock := s.state.Clock(); clock != 0 && clock < s.trust.UnixMilli() {
		s.trust = time.UnixMilli(clock)
	}
}

// trusted returns the time by which history may be deleted: the present, but at most a day later than
// the time that really passed since the last call allows. So a clock that is ahead for a moment
// deletes the history of a day at most.
func (s *Site) trusted() time.Time {
	now := s.r.opt.Now()
	limit := s.trust.Add(s.r.ran(s.trustAt) + trustAhead)
	if s.heldBack = now.After(limit); s.heldBack {
		s.log.Warn("the clock is more than a day ahead of the newest that is known, so what is too old to be kept is deleted a day's "+
			"worth at a time, each hour: if nothing came in for so long this is right, else set the server's clock",
			"now", now.UTC(), "deleting_as_of", limit.UTC())
		now = limit
	}
	s.trust, s.trustAt = now, time.Now()
	return now
}
