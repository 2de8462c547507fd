package engine

import (
	"slices"
)

// readers remembers when each read point last reported. It is part of the meta record.
type readers struct {
	points []readerState // by name number
	nextAt int64         // no read point can have gone silent before this
}

type readerState struct {
	last   int64 // newest report by the site clock, 0: never
	silent bool  // told as silent
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
