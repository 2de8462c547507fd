package engine

import (
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/engine/presence"
)

// readers remembers when each read point last reported, and how. It is part of the meta record.
type readers struct {
	points []readerState // by name number
	nextAt int64         // no read point can have gone silent before this
}

type readerState struct {
	last   int64 // newest report by the site clock, 0: never
	silent bool  // told as silent
	since  int64 // when it reported again after it was deaf
	rhythm int64 // milliseconds between reports, smoothed
	load   int64 // tags that a fixed reader hears in an epoch of reports, smoothed, in loadUnits
	hits   int64 // tags of the epoch that is running
	own    int64 // of a fixed reader: the level at which it hears goods of its own zone, their median, in 1/ownUnits dBm; 0: not known

	// Of a door's reader.
	newest int64         // the newest read of its newest report, Unix milliseconds by its own clock
	lag    int64         // milliseconds from a read, by the reader's clock, to its receipt: the least that is usual
	every  int64         // milliseconds between reports while there is something to report, smoothed; 0: not known
	loud   presence.Loud // of goods carried past it
}

const (
	loadUnits   = 64
	ownUnits    = 64
	ownStep     = 8             // by which the median moves towards each level, in 1/ownUnits dB
	busyLoad    = 3 * loadUnits // a reader of fewer tags may well have lost them all
	deafEpochs  = 3             // without a report, after which a busy reader counts as deaf; or
	deafReports = 3             // reports that should have come
	// milliseconds between two reports of a door's reader that are still its rhythm: a longer pause
	// had nothing to report
	longestEvery = 5000
	smoothing    = 8 // of rhythm and load: the share of the newest is 1/8
)

// deafPoint reports whether a fixed read point that usually hears several tags in each report has
// stopped reporting, much sooner than the layout's silent_after, or has only just begun again. Its
// silence says nothing about its items. A reader that hears few tags is never deaf by this measure:
// they may have been taken away.
func (s *State) deafPoint(pt *pointInfo) bool {
	r := s.readers.at(pt.name)
	if r.last == 0 || pt.quiet {
		return false
	}
	if r.since != 0 && s.clock-r.since < graceEpochs*s.bound.epoch {
		return true
	}
	return r.silent || r.load >= busyLoad && s.clock-r.last >= s.deafAfter(r)
}

func (s *State) deafAfter(r *readerState) int64 {
	return max(deafEpochs*s.bound.epoch, deafReports*r.rhythm)
}

// deaf reports whether one of the zone's fixed read points is deaf.
func (s *State) deaf(z *zoneInfo) bool {
	for _, pt := range z.fixed {
		if s.deafPoint(pt) {
			return true
		}
	}
	return false
}

// get returns a copy of what is known of a read point, for questions, which must not change the
// state.
func (r *readers) get(n uint16) readerState {
	if int(n) >= len(r.points) {
		return readerState{}
	}
	return r.points[n]
}

// at returns what is known of a read point, to be changed.
func (r *readers) at(n uint16) *readerState {
	if int(n) >= len(r.points) {
		r.points = append(r.points, make([]readerState, int(n)+1-len(r.points))...)
	}
	return &r.points[n]
}

// report notes that a read point is alive.
func (s *State) report(pt *pointInfo) {
	if s.replaying {
		return
	}
	r := s.readers.at(pt.name)
	if gap := s.clock - r.last; pt.role == event.Portal && r.last != 0 && gap > 0 {
		r.learnLag()
		if gap <= longestEvery {
			if r.every == 0 {
				r.every = gap
			}
			r.every += (gap - r.every) / smoothing
		}
	}
	if r.last != 0 && s.epochOf(s.clock) != s.epochOf(r.last) {
		if r.load >= busyLoad && s.clock-r.last >= s.deafAfter(r) || r.silent {
			r.since = s.clock
		}
		// A long pause counts as a short one, so that the rhythm is soon right again.
		r.rhythm += (min(s.clock-r.last, traceEpochs/2*s.bound.epoch) - r.rhythm) / smoothing
		r.load += (r.hits*loadUnits - r.load) / smoothing
		r.hits = 0
	}
	r.last = s.clock
	if pt.silent > 0 {
		s.readers.nextAt = min(s.readers.nextAt, r.last+pt.silent)
	}
	if r.silent {
		r.silent = false
		s.emit(event.Fact{Cause: event.Heard, At: s.clock, Point: pt.id, Zone: s.idOf(pt.zone)})
		s.meetReader(len(s.out.Facts)-1, pt)
	}
}

// load counts a tag that a fixed reader hears in an epoch for the first time. Only what moves a
// trace on counts, which a repeated batch never does.
func (s *State) load(pt *pointInfo) {
	if pt.role == event.Fixed && !s.replaying {
		s.readers.at(pt.name).hits++
	}
}

// noteOwn learns at which level a fixed reader hears goods of its own zone: a running median, moved
// once for each epoch in which it hears one of them.
func (s *State) noteOwn(pt *pointInfo, it *item, rssi int16) {
	if s.replaying || pt.role != event.Fixed || it.zone != pt.zone || rssi == event.NoRSSI {
		return
	}
	r := s.readers.at(pt.name)
	level := int64(rssi) * ownUnits / 10
	switch {
	case r.own == 0:
		r.own = level
	case level > r.own:
		r.own += ownStep
	case level < r.own:
		r.own -= ownStep
	}
}

// listen tells read points that have gone silent. A read point that never reported is not silent:
// it is not there yet.
func (s *State) listen() {
	r := &s.readers
	if s.clock < r.nextAt || s.replaying {
		return
	}
	r.nextAt = 1<<63 - 1
	for _, pt := range s.bound.points {
		if pt == nil || pt.silent == 0 {
			continue
		}
		st := r.at(pt.name)
		switch {
		case st.last == 0 || st.silent:
		case s.clock-st.last >= pt.silent:
			st.silent = true
			s.emit(event.Fact{Cause: event.Silent, At: s.clock, Point: pt.id, Zone: s.idOf(pt.zone)})
			s.meetReader(len(s.out.Facts)-1, pt)
		default:
			r.nextAt = min(r.nextAt, st.last+pt.silent)
		}
	}
}

func (r *readers) digest(put func(string, ...any)) {
	points := slices.Clone(r.points)
	for len(points) > 0 && points[len(points)-1] == (readerState{}) {
		points = points[:len(points)-1]
	}
	put("readers %v", points)
}

// noteNewest remembers the newest read of each point of a door in the reports of one moment. What
// it says about the reader's clock is learnt when the next report comes, so that a batch cut in two
// is the same as a whole one.
func (s *State) noteNewest(e *event.Entry, points []*pointInfo) {
	if s.replaying {
		return
	}
	for k, pt := range points {
		if pt == nil || pt.role != event.Portal {
			continue
		}
		r := s.readers.at(pt.name)
		for i := range e.Reads {
			if x := &e.Reads[i]; int(x.Point) == k {
				r.newest = max(r.newest, x.T)
			}
		}
	}
}

// learnLag learns how far the clock of a door's reader is behind the receipt of its reports: the
// least of it is the reader's clock, the rest is the network.
func (r *readerState) learnLag() {
	if r.newest == 0 {
		return
	}
	switch lag := r.last - r.newest; {
	case lag > longestEvery || lag < -longestEvery:
	case r.lag == 0 || lag < r.lag:
		r.lag = lag
	default:
		r.lag += (lag - r.lag) / (8 * smoothing)
	}
	r.newest = 0
}

// What readerWarnings goes by (common practice, no source).
const (
	wrongClock = 2000 // milliseconds between a door reader's clock and the server's
	headroom   = 12   // dB that goods carried past must reach above a read point's floor
)

// readerWarnings says what a door's reader does that keeps the door from being sure of a passage in
// time: what the layout says of it is warned of when the layout is stored.
func (s *State) readerWarnings(name uint16, r *readerState) (list []string) {
	pt := s.point(name)
	if pt == nil || pt.role != event.Portal || pt.zone == 0 || r.last == 0 {
		return nil
	}
	warn := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	seconds := func(ms int64) string { return fmt.Sprintf("%.1f s", float64(ms)/1000) }
	door := s.zone(pt.zone)
	if 2*r.every > door.sureWithin {
		warn("it reports about every %s, so the door cannot be sure of a passage within %s: let it report at least "+
			"twice a second, or raise the zone's sure_within",
			seconds(r.every), seconds(door.sureWithin))
	}
	switch {
	case r.lag > wrongClock:
		warn("its reads come %s after the times that they bear: set its clock from a time server, or look for what "+
			"holds its reports up", seconds(r.lag))
	case r.lag < -wrongClock:
		warn("its clock is %s ahead of the server's: set it from a time server", seconds(-r.lag))
	}
	if loud := int(r.loud.Level()); r.loud != (presence.Loud{}) && pt.minRSSI != event.NoRSSI && loud-int(pt.minRSSI)/10 < headroom {
		warn("carried goods reach about %d dBm here, so its min_rssi of %d loses passages: lower it, or raise the power", loud,
			pt.minRSSI/10)
	}
	if door.oneSided && !door.neverSure && !s.hearsInside() {
		warn("no fixed reader inside reports now, and with one antenna only they tell an exit from an entrance: " +
			"the door cannot be sure of a passage")
	}
	return list
}

// hearsInside reports whether any fixed reader inside that always hears its goods is at work.
func (s *State) hearsInside() bool {
	for _, pt := range s.bound.points {
		if pt == nil || pt.role != event.Fixed || pt.quiet || pt.zone == 0 || s.zone(pt.zone).kind == event.Exit ||
			int(pt.name) >= len(s.readers.points) {
			continue
		}
		if r := s.readers.points[pt.name]; r.last != 0 && !r.silent && !s.deafPoint(pt) {
			return true
		}
	}
	return false
}
