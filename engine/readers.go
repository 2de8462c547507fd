package engine

import (
	"slices"

	"lintel/engine/layout"
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
}

const (
	loadUnits   = 64
	busyLoad    = 3 * loadUnits // a reader of fewer tags may well have lost them all
	deafEpochs  = 3             // without a report, after which a busy reader counts as deaf; or
	deafReports = 3             // reports that should have come
	smoothing   = 8             // of rhythm and load: the share of the newest is 1/8
)

// deafPoint reports whether a fixed read point that usually hears several tags in each report has stopped reporting, much sooner than the layout's silent_after, or
// has only just begun again. Its silence says nothing about its items. A reader that hears few tags is never deaf by this measure: they may have been taken away.
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
		s.emit(Fact{Cause: Heard, At: s.clock, Point: pt.id, Zone: s.idOf(pt.zone)})
		s.meetReader(len(s.out.Facts)-1, pt)
	}
}

// load counts a tag that a fixed reader hears in an epoch for the first time. Only what moves a trace on counts, which a repeated batch never does.
func (s *State) load(pt *pointInfo) {
	if pt.role == layout.Fixed && !s.replaying {
		s.readers.at(pt.name).hits++
	}
}

// listen tells read points that have gone silent. A read point that never reported is not silent: it is not there yet.
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
			s.emit(Fact{Cause: Silent, At: s.clock, Point: pt.id, Zone: s.idOf(pt.zone)})
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
