package presence

import (
	"fmt"
	"math"
	"slices"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/event"
)

// readers remembers when each read point last reported, and how. It is part of the meta record.
type readers struct {
	points []readerState // by name number
	nextAt int64         // no read point can have gone silent before this
}

type readerState struct {
	Habits
	last   int64 // newest report by the site clock, 0: never
	silent bool  // notified as silent
	since  int64 // when it reported again after it was deaf
	due    int64 // since a start of the server, until it reports: it is not silent before this moment; 0: it has reported
	hits   int64 // tags of the epoch that is running
	newest int64 // of a door's reader: the newest read of its newest report, Unix milliseconds by its own clock
}

const (
	loadUnits   = 64
	ownStep     = 8             // by which the median moves towards each level, in 1/dbUnits dB
	busyLoad    = 3 * loadUnits // a reader of fewer tags may well have lost them all
	deafEpochs  = 3             // without a report, after which a busy reader counts as deaf; or
	deafReports = 3             // reports that should have come
	// milliseconds between two reports of a door's reader that are still its rhythm: a longer pause
	// had nothing to report
	longestEvery = 5000
	// dB by which a handheld may hear what lies elsewhere worse than goods of the zone that it is in
	// and still claim it
	handShort    = 3
	confirmedFor = 36 * 60 * 60_000 // milliseconds for which a person's word, or a reader's, stands against that
	smoothing    = 8                // of rhythm and load: the share of the newest is 1/8
)

// deafPoint reports whether a fixed read point that usually hears several tags in each report has
// stopped reporting, much sooner than the layout's silent_after, or has only just begun again. Its
// silence says nothing about its items. A reader that hears few tags is never deaf by this measure:
// they may have been taken away.
func (s *Site) deafPoint(pt *Point) bool {
	r := s.readers.at(pt.Name)
	if r.last == 0 || pt.quiet {
		return false
	}
	if r.since != 0 && s.clock-r.since < graceEpochs*s.layout.Epoch {
		return true
	}
	return r.silent || r.due != 0 || r.Load >= busyLoad && s.clock-r.last >= s.deafAfter(r)
}

func (s *Site) deafAfter(r *readerState) int64 {
	return max(deafEpochs*s.layout.Epoch, deafReports*r.Rhythm)
}

// deaf reports whether one of the zone's fixed read points is deaf.
func (s *Site) deaf(z *Zone) bool {
	for _, pt := range z.fixed {
		if s.deafPoint(pt) {
			return true
		}
	}
	return false
}

// get returns a copy of what is known of a read point, for questions, which must not change the
// site.
func (r *readers) get(n uint16) readerState {
	if int(n) >= len(r.points) {
		return readerState{}
	}
	return r.points[n]
}

// Reports returns when a read point last reported, by the site clock in Unix milliseconds (0: never),
// and whether it counts as silent.
func (s *Site) Reports(n uint16) (last int64, silent bool) {
	r := s.readers.get(n)
	return r.last, r.silent
}

// TakeReport takes for true what was recorded of a read point, where reads are not judged: when it
// last reported, and whether it is silent.
func (s *Site) TakeReport(n uint16, last int64, silent bool) {
	*s.readers.at(n) = readerState{last: last, silent: silent}
}

// readerFields is how many values of a read point are stored, by the version of the meta record.
var readerFields = [...]int{1: 6, 2: 11, 3: 12}

// AppendReaders appends the stored form of how the readers report, an array of msgpack, for the meta
// record of the site.
func (s *Site) AppendReaders(b []byte) []byte {
	b = msgp.AppendArrayHeader(b, uint32(readerFields[len(readerFields)-1]*len(s.readers.points)))
	for _, p := range s.readers.points {
		b = msgp.AppendInt64(b, p.last)
		b = msgp.AppendBool(b, p.silent)
		for _, v := range []int64{p.since, p.Rhythm, p.Load, p.hits, p.Own, p.newest, p.Lag, p.Every} {
			b = msgp.AppendInt64(b, v)
		}
		b = msgp.AppendBytes(b, p.Loud.Append(nil))
		b = msgp.AppendInt64(b, p.due)
	}
	return b
}

// Readers is how the readers of a site report, as it was stored.
type Readers struct{ points []readerState }

// DecodeReaders is the inverse of AppendReaders, for a meta record of any version: the first knew
// nothing of doors, the second nothing of starts. Errors are d's.
func DecodeReaders(d *event.Decoder, version int) (r Readers) {
	for n := d.Array() / readerFields[version]; n > 0 && d.Err() == nil; n-- {
		p := readerState{last: d.Int64(), silent: d.Bool(), since: d.Int64()}
		p.Rhythm, p.Load, p.hits = d.Int64(), d.Int64(), d.Int64()
		if version >= 2 {
			p.Own, p.newest, p.Lag, p.Every = d.Int64(), d.Int64(), d.Int64(), d.Int64()
			p.Loud.Decode(d.Bytes())
		}
		if version >= 3 {
			p.due = d.Int64()
		}
		r.points = append(r.points, p)
	}
	return r
}

// LoadReaders takes over how the readers reported.
func (s *Site) LoadReaders(r Readers) { s.readers.points = r.points }

// at returns what is known of a read point, to be changed.
func (r *readers) at(n uint16) *readerState {
	if int(n) >= len(r.points) {
		r.points = append(r.points, make([]readerState, int(n)+1-len(r.points))...)
	}
	return &r.points[n]
}

// Report notes that a read point is alive.
func (s *Site) Report(pt *Point) {
	if s.replaying {
		return
	}
	r := s.readers.at(pt.Name)
	if gap := s.clock - r.last; pt.Role == event.Portal && r.last != 0 && gap > 0 {
		r.learnLag()
		if gap <= longestEvery {
			if r.Every == 0 {
				r.Every = gap
			}
			r.Every += (gap - r.Every) / smoothing
		}
	}
	if r.last != 0 && s.epochOf(s.clock) != s.epochOf(r.last) {
		if r.Load >= busyLoad && s.clock-r.last >= s.deafAfter(r) || r.silent || r.due != 0 {
			r.since = s.clock
		}
		// A long pause counts as a short one, so that the rhythm is soon right again.
		r.Rhythm += (min(s.clock-r.last, traceEpochs/2*s.layout.Epoch) - r.Rhythm) / smoothing
		r.Load += (r.hits*loadUnits - r.Load) / smoothing
		r.hits = 0
	}
	r.last, r.due = s.clock, 0
	if pt.Silent > 0 {
		s.readers.nextAt = min(s.readers.nextAt, r.last+pt.Silent)
	}
	if r.silent {
		r.silent = false
		s.events.Reader(pt, event.Heard)
	}
}

// leaks reports whether a handheld hears the item so much more weakly than goods of the zone that it
// is in that the item lies where it was, within its reach. Only what was confirmed there lately is
// held against the handheld.
func (s *Site) leaks(it *Known, pt *Point, zone uint16, t int64, rssi int16) bool {
	here := s.layout.Zone(it.Zone)
	if it.Zone == zone || !here.Known || here.Kind == event.Exit || t-it.Sure >= confirmedFor {
		return false
	}
	own := s.readers.at(pt.Name).Own
	return own != 0 && rssi != event.NoRSSI && int64(rssi)*dbUnits/10 < own-handShort*dbUnits
}

// Resume says that nothing could be received up to now: until a read point reports again, its silence
// says nothing about its items, and it is not silent before grace, in milliseconds, is over.
func (s *Site) Resume(grace int64) {
	for _, pt := range s.layout.Points {
		if pt == nil {
			continue
		}
		if r := s.readers.at(pt.Name); r.last != 0 {
			r.due = s.clock + min(pt.Silent, grace)
		}
	}
}

// silentAt returns when a read point that does not report counts as silent.
func (r *readerState) silentAt(pt *Point) int64 { return max(r.last+pt.Silent, r.due) }

func (s *Site) readersNext() int64 {
	next := int64(math.MaxInt64)
	for _, pt := range s.layout.Points {
		if pt == nil || pt.Silent == 0 {
			continue
		}
		if st := s.readers.at(pt.Name); st.last != 0 && !st.silent {
			next = min(next, st.silentAt(pt))
		}
	}
	return next
}

// load counts a tag that a fixed reader hears in an epoch for the first time. Only what moves a
// trace on counts, which a repeated batch never does.
func (s *Site) load(pt *Point) {
	if pt.Role == event.Fixed && !s.replaying {
		s.readers.at(pt.Name).hits++
	}
}

// noteOwn learns at which level a fixed reader hears goods of its own zone, or a handheld those of
// the zone that it is in: a running median, moved once for each epoch in which it hears one of them.
func (s *Site) noteOwn(pt *Point, it *Known, zone uint16, rssi int16) {
	if s.replaying || pt.Role != event.Fixed && pt.Role != event.Handheld || it.Zone != zone || rssi == event.NoRSSI {
		return
	}
	r := s.readers.at(pt.Name)
	level := int64(rssi) * dbUnits / 10
	switch {
	case r.Own == 0:
		r.Own = level
	case level > r.Own:
		r.Own += ownStep
	case level < r.Own:
		r.Own -= ownStep
	}
}

// listen tells read points that have gone silent. A read point that never reported is not silent:
// it is not there yet.
func (s *Site) listen() {
	r := &s.readers
	if s.clock < r.nextAt || s.replaying {
		return
	}
	r.nextAt = 1<<63 - 1
	for _, pt := range s.layout.Points {
		if pt == nil || pt.Silent == 0 {
			continue
		}
		st := r.at(pt.Name)
		switch {
		case st.last == 0 || st.silent:
		case s.clock >= st.silentAt(pt):
			st.silent = true
			s.events.Reader(pt, event.Silent)
		default:
			r.nextAt = min(r.nextAt, st.silentAt(pt))
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

// NoteNewest remembers the newest read of each point of a door in the reports of one moment. What
// it says about the reader's clock is learnt when the next report comes, so that a batch cut in two
// is the same as a whole one.
func (s *Site) NoteNewest(e *event.Entry, points []*Point) {
	if s.replaying || len(s.layout.Doors) == 0 {
		return
	}
	for k, pt := range points {
		if pt == nil || pt.Role != event.Portal {
			continue
		}
		r := s.readers.at(pt.Name)
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
	case r.Lag == 0 || lag < r.Lag:
		r.Lag = lag
	default:
		r.Lag += (lag - r.Lag) / (8 * smoothing)
	}
	r.newest = 0
}

// What Warnings goes by (common practice, no source).
const (
	wrongClock = 2000 // milliseconds between a door reader's clock and the server's
	headroom   = 12   // dB that goods carried past must reach above a read point's floor
)

// Warnings says what a door's reader does that keeps the door from being sure of a passage in
// time: what the layout says of it is warned of when the layout is stored.
func (s *Site) Warnings(name uint16) (list []string) {
	pt, state := s.layout.Point(name), s.readers.get(name)
	r := &state
	if pt == nil || pt.Role != event.Portal || pt.Zone == 0 || r.last == 0 {
		return nil
	}
	warn := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	seconds := func(ms int64) string { return fmt.Sprintf("%.1f s", float64(ms)/1000) }
	door := s.layout.Zone(pt.Zone)
	if 2*r.Every > door.sureWithin {
		warn("it reports about every %s, so the door cannot be sure of a passage within %s: let it report at least "+
			"twice a second, or raise the zone's sure_within",
			seconds(r.Every), seconds(door.sureWithin))
	}
	switch {
	case r.Lag > wrongClock:
		warn("its reads come %s after the times that they bear: set its clock from a time server, or look for what "+
			"holds its reports up", seconds(r.Lag))
	case r.Lag < -wrongClock:
		warn("its clock is %s ahead of the server's: set it from a time server", seconds(-r.Lag))
	}
	if loud := int(r.Loud.Level()); r.Loud != (Loud{}) && pt.MinRSSI != event.NoRSSI && loud-int(pt.MinRSSI)/10 < headroom {
		warn("carried goods reach about %d dBm here, so its min_rssi of %d loses passages: lower it, or raise the power", loud,
			pt.MinRSSI/10)
	}
	if door.oneSided && !door.neverSure && !s.hearsInside() {
		warn("no fixed reader inside reports now, and with one antenna only they tell an exit from an entrance: " +
			"the door cannot be sure of a passage")
	}
	return list
}

// hearsInside reports whether any fixed reader inside that always hears its goods is at work.
func (s *Site) hearsInside() bool {
	for _, pt := range s.layout.Points {
		if pt == nil || pt.Role != event.Fixed || pt.quiet || pt.Zone == 0 || s.layout.Zone(pt.Zone).Kind == event.Exit ||
			int(pt.Name) >= len(s.readers.points) {
			continue
		}
		if r := s.readers.points[pt.Name]; r.last != 0 && !r.silent && !s.deafPoint(pt) {
			return true
		}
	}
	return false
}

// Habits are what a site has learnt of how one of its readers hears and reports. The zero value is
// that of a reader that never reported.
type Habits struct {
	Rhythm int64 // milliseconds between reports
	Every  int64 // the same of a door's reader, while there is something to report
	Lag    int64 // milliseconds from a read of a door's reader, by its own clock, to its receipt
	Load   int64 // tags that a fixed reader hears in an epoch, in 1/64
	Own    int64 // level of goods of its own zone, in 1/64 dBm; 0: not known
	Loud   Loud  // of goods carried past a door's reader
}

// Habits returns what was learnt of a read point.
func (s *Site) Habits(n uint16) Habits {
	return s.readers.get(n).Habits
}

// SetHabits takes over what was learnt of a read point elsewhere.
func (s *Site) SetHabits(n uint16, h Habits) {
	s.readers.at(n).Habits = h
}
