package runner

import (
	"context"
	"time"

	"lintel/engine/event"
)

// The site clock never goes back. After a moment in which the server's clock was ahead, it stands
// still until true time has caught up, and with it every hold, gather and reminder. So where the
// server's clock is behind it, the loop and new entries go by a time that runs on from the site clock.

const (
	clockTolerance = time.Second // differences up to this are no fault
	clockWarnEvery = time.Hour   // how often a fault of a clock, or of a name, is logged
	storeTimeEvery = time.Minute // how often the store is asked for its time
	heldBackEvery  = time.Hour   // how often history is deleted while the clock is too far ahead
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

// shift gives an entry times that the site goes by. What readers and tills report is as long ago by
// the site's time as by the server's: otherwise doors would take it for too old to be judged, and an
// item that was moved while the clock was ahead would stay where it was.
func (s *Site) shift(e *event.Entry) {
	d := s.behind().Milliseconds()
	if d == 0 {
		return
	}
	e.At += d
	for i := range e.Reads {
		e.Reads[i].T += d
	}
	for i := range e.Events {
		e.Events[i].T += d
	}
}

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

// deletesAsOf returns the time by which history may be deleted; see store.Retention.
func (s *Site) deletesAsOf() time.Time {
	now := s.r.opt.Now()
	asOf, heldBack := s.retention.AsOf(now, s.r.opt.Speed)
	if s.heldBack = heldBack; heldBack {
		s.log.Warn("the clock is more than a day ahead of the newest that is known, so what is too old to be kept is deleted a day's "+
			"worth at a time, each hour: if nothing came in for so long this is right, else set the server's clock",
			"now", now.UTC(), "deleting_as_of", asOf.UTC())
	}
	return asOf
}
