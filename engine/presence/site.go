package presence

import (
	"cmp"
	"math"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

// Site is what the readers of one site heard lately, and how the readers themselves are doing. It is
// given reads, the layout and what the records say of an item ([Known]), and says where items are and
// what passed ([Events]).
//
// Traces and approaches are evidence: a function of the reads of the last EvidenceEpochs epochs, so
// that they are never written and a worker that loads a site rebuilds them from the tail of the
// journal. What is usual for an item at a door, what was already notified of it, and how the readers
// report are records.
type Site struct {
	layout    *Layout
	items     Items
	events    Events
	clock     int64 // the site clock, Unix milliseconds
	replaying bool  // rebuilding evidence from the journal's tail: nothing is decided or notified

	traces  traceBook
	doors   doorBook
	readers readers
}

// Items are the items of a site, by their index.
type Items interface {
	Item(i int32) *Known
	Key(i int32) epc.Key // the identity, by which items are ordered where order matters
	Touch(i int32)       // the item's Known has changed and must be written
}

// Events is notified of what a Site concludes, at once; it then changes Known. Times are Unix
// milliseconds. Zone and point are name numbers.
type Events interface {
	Arrived(i int32, zone uint16, at int64, point uint16) // the readers of another zone have it
	Left(i int32, at int64)                               // no reader has it any more
	Rests(i int32, at int64)                              // carried in through a door, it has lain in its zone for long
	// A handheld or a desk reader has it in front of it. Late: what is known of the item is as new or newer.
	Declared(i int32, zone uint16, at int64, point uint16, late bool)
	// It passed a door, of the given zone (event.Passed), lingers near it (event.Near) or no longer does
	// (event.Away). Of these only a passage that is sure changes anything in Known.
	AtDoor(i int32, c event.Cause, door uint16, at int64, point string, p event.Passage)
	Reader(pt *Point, c event.Cause) // went silent (event.Silent) or reports again (event.Heard)
}

// Known is what the records of an item say of where it is, and whose it is. It is part of each item
// of a site: 40 bytes. The zero value is an item that was never heard of.
type Known struct {
	Since       int64  // when it came to where it is, Unix milliseconds
	Sure        int64  // until when it is known to have stayed there: what is older moves it no more
	Seen        int64  // when it was last heard
	traces      int32  // the first of its traces; 0: none
	Zone        uint16 // name number; 0: nowhere known
	From        uint16 // the zone before that
	Point       uint16 // the read point that last heard it
	Disposition event.Disposition
	Declared    bool // a person or a till said where it is: only strong evidence moves it
	// It left and was heard again where it was: the readers hear it badly there, and their silence
	// says nothing.
	Faint bool
	// Sure is newer than what the item's record says, and must be written while the read that said so is
	// still evidence: readers that go on hearing the item keep its traces for longer than that.
	Unsaved bool
}

// Layout is a layout document tied to the name numbers of one site, so that a read looks up nothing
// by text.
type Layout struct {
	Zones      []Zone   // by name number; absent zones have kind None
	Points     []*Point // by name number; nil: no such read point
	Doors      []uint16 // name numbers of the zones that portals look at, in the layout's order
	Epoch      int64    // milliseconds of a presence epoch
	looks      int64    // ln(1/(1-completeness)) times goneLooks, in 1/lookUnits: how sure a silence must be
	hysteresis int      // in 1/dbUnits dB
}

// Zone is a zone of the layout.
type Zone struct {
	Name    uint16 // its own number
	ID      string
	Title   string
	Storey  string // of the building, as the layout names it
	Kind    event.ZoneKind
	Known   bool
	Covered bool // a fixed read point sees it, so that silence there means something
	fixed   []*Point

	portals    []*Point // of a door
	oneSided   bool     // one antenna hears both sides of the door
	neverSure  bool     // and no reader inside always hears the goods: its passages are only ever likely
	sureWithin int64    // milliseconds in which a passage should be sure
	lingering  int64    // milliseconds after which what stays near it lingers, and between two notifications of that
}

// Point is a read point of the layout.
type Point struct {
	Name    uint16
	ID      string
	Role    event.Role
	Zone    uint16 // name number; 0: none
	Side    event.Side
	MinRSSI int16 // tenths of a dBm, event.NoRSSI: no floor
	hits    int   // epochs in which a tag must be heard before it counts as there
	quiet   bool  // session S2 or S3: a tag that was read stays silent, so silence is no departure
	Silent  int64 // milliseconds after which the point counts as silent; 0: never
}

// BindLayout ties a layout to name numbers below names. Number knows every zone and read point of it.
func BindLayout(l *layout.Layout, names int, number func(id string) uint16) *Layout {
	b := &Layout{
		Zones: make([]Zone, names), Points: make([]*Point, names), Epoch: l.Presence.Epoch.Milliseconds(),
		hysteresis: int(math.Round(l.Presence.HysteresisDB * dbUnits)),
		looks:      int64(math.Round(goneLooks * lookUnits * math.Log(1/min(0.5, max(1e-6, 1-l.Presence.Completeness))))),
	}
	for i := range l.Zones {
		z := &l.Zones[i]
		n := number(z.ID)
		b.Zones[n] = Zone{Name: n, ID: z.ID, Title: z.Name, Storey: z.Storey, Kind: z.Kind, Known: true}
	}
	for i := range l.ReadPoints {
		p := &l.ReadPoints[i]
		pt := &Point{
			Name: number(p.ID), ID: p.ID, Role: p.Role, Side: p.Side, MinRSSI: event.NoRSSI, hits: p.MinReads,
			quiet: p.KeepsQuiet(), Silent: p.SilentAfter.Milliseconds(),
		}
		if pt.hits == 0 && pt.quiet {
			pt.hits = 1
		} else if pt.hits == 0 {
			pt.hits = 2
		}
		if p.MinRSSI != 0 {
			pt.MinRSSI = int16(p.MinRSSI * 10)
		}
		b.Points[pt.Name] = pt
		if p.Zone < 0 {
			continue
		}
		pt.Zone = number(l.Zones[p.Zone].ID)
		z := &b.Zones[pt.Zone]
		switch {
		case p.Role == event.Fixed && !pt.quiet:
			z.Covered, z.fixed = true, append(z.fixed, pt)
		case p.Role == event.Portal:
			if len(z.portals) == 0 {
				b.Doors = append(b.Doors, pt.Zone)
				z.oneSided, z.sureWithin = true, l.Zones[p.Zone].SureWithin.Milliseconds()
				z.lingering = cmp.Or(l.Zones[p.Zone].LingeringAfter, layout.DefaultLingeringAfter).Milliseconds()
			}
			z.portals = append(z.portals, pt)
			z.oneSided = z.oneSided && p.Side != event.Outer
		}
	}
	inside := l.HearsInside()
	for _, n := range b.Doors {
		b.Zones[n].neverSure = b.Zones[n].oneSided && !inside
	}
	return b
}

// Zone returns the zone with a name number; one that is not Known if there is none.
func (l *Layout) Zone(n uint16) *Zone {
	if int(n) < len(l.Zones) {
		return &l.Zones[n]
	}
	return &l.Zones[0]
}

// Point returns the read point with a name number, nil if there is none.
func (l *Layout) Point(n uint16) *Point {
	if int(n) < len(l.Points) {
		return l.Points[n]
	}
	return nil
}

// New returns a site that has heard nothing. It works once it has a layout.
func New(items Items, events Events) *Site {
	s := &Site{items: items, events: events}
	s.traces.all = make([]trace, 1)
	s.doors.Site = s
	s.doors.init()
	return s
}

// Bind takes over a layout. One that is not the same as before ends all evidence: its read points may
// mean other places.
func (s *Site) Bind(l *Layout, same bool) {
	s.layout = l
	s.readers.nextAt = 0
	if !same {
		s.ForgetEvidence()
	}
}

// ForgetEvidence drops all evidence.
func (s *Site) ForgetEvidence() {
	p := &s.traces
	for i := range p.all {
		if t := &p.all[i]; t.point != 0 {
			s.items.Item(t.item).traces = 0
			s.items.Touch(t.item)
		}
	}
	*p = traceBook{done: p.done, all: make([]trace, 1)}
	s.doors.init()
}

// Begin sets the site clock.
func (s *Site) Begin(clock int64) { s.clock = clock }

// Replay says whether reads are those of the journal's tail, from which evidence is rebuilt.
func (s *Site) Replay(on bool) { s.replaying = on }

// Advance does what is due by the site clock.
func (s *Site) Advance() {
	s.expire()
	s.doors.settle()
	s.listen()
}

// Next returns when Advance has something to do, by the site clock in Unix milliseconds;
// math.MaxInt64: never.
func (s *Site) Next() int64 {
	next := min(s.doors.nextAt, s.readersNext())
	if p := &s.traces; p.queued > 0 {
		for e := p.done + 1; e < p.done+wheelBuckets; e++ {
			if len(p.wheel[e%wheelBuckets]) > 0 {
				return min(next, (e+lateEpochs)*s.layout.Epoch)
			}
		}
	}
	return next
}

// Read takes one read of an item at a point that the layout has. T is its time, at most the moment at
// which its batch was received, at; zone is where the point is, or where the handheld was said to be.
// It reports whether it is the first of its epoch at a fixed read point.
func (s *Site) Read(i int32, pt *Point, zone uint16, t, at int64, r *event.Read) (fresh bool) {
	it := s.items.Item(i)
	fresh = s.hear(i, it, pt, zone, t, r.RSSI)
	late := t <= it.Seen
	if t >= it.Seen {
		it.Seen, it.Point = t, pt.Name
		if it.traces == 0 {
			s.items.Touch(i) // too late to be evidence, so the record must say so
		}
	}
	switch pt.Role {
	case event.Fixed:
		if fresh && !s.replaying {
			s.consider(i, pt, t)
			return true
		}
	case event.Portal:
		s.doors.pass(i, pt, r, at)
	case event.Handheld, event.Desk:
		s.ForgetBefore(it, t) // whatever it says: evidence must not depend on records
		if pt.Role == event.Desk || !s.leaks(it, pt, zone, t, r.RSSI) {
			s.events.Declared(i, zone, t, pt.Name, late)
		}
	}
	return false
}

// Digest puts all that the site knows in words, in the order of items.
func (s *Site) Digest(items []int32, put func(string, ...any)) {
	for _, i := range items {
		s.digestTraces(i, put)
	}
	s.doors.digestDoors(put)
	s.readers.digest(put)
}
