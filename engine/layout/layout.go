package layout

import (
	"time"

	"lintel/engine/event"
	"lintel/rules/hours"
)

// Layout is one shop. It comes from Parse and is not changed afterwards.
type Layout struct {
	Site     string // the site's id
	Name     string // for people; the site's id if none was given
	TimeZone string // IANA name, for example Europe/London
	Language string // of the people who work there, in lower case (RFC 5646); messages of rules are in it. May be empty

	Zones      []Zone
	ReadPoints []ReadPoint
	Hours      hours.Hours
	Presence   Presence
	Counts     Counts

	location   *time.Location
	zoneIndex  map[string]int
	pointIndex map[string]int
}

// Zone is a place in the shop.
type Zone struct {
	ID     string
	Name   string // for people; the id if none was given
	Kind   event.ZoneKind
	Storey string // of the building, may be empty
	At     *Area  // where it is on the plan of its storey; nil: not given

	SureWithin time.Duration // of an exit: how long it may take until a passage is sure; 2 s to 10 s, default 8 s. 0: no exit
	// of an exit: for how long goods must stay near it before that is notified; 20 s to 10 min, default
	// 30 s. 0: no exit
	LingeringAfter time.Duration
}

// Area is a rectangle on the plan of a storey, in metres from the plan's upper start corner. It is
// for people to look at: nothing is decided by it, and areas may overlap.
type Area struct {
	X, Y          float64 // of its corner next to the plan's; 0 to MaxMetres
	Width, Height float64 // MinExtent to MaxMetres
}

// Bounds of an Area, in metres.
const (
	MaxMetres = 1000
	MinExtent = 0.1
)

// DefaultSureWithin is how long an exit may take to be sure of a passage if its zone says nothing
// else.
const DefaultSureWithin = 8 * time.Second

// DefaultLingeringAfter is for how long goods must stay near an exit before that is notified, if its zone
// says nothing else.
const DefaultLingeringAfter = 30 * time.Second

// ReadPoint is a reader or an antenna that sees a zone.
type ReadPoint struct {
	ID   string
	Name string // for people; the id if none was given
	Role event.Role
	Zone int        // index in Layout.Zones; -1 for a handheld that has no zone of its own
	Side event.Side // of a portal

	MinRSSI float64 // dBm; reads below it don't count. 0: none
	// reads of a tag that are needed before it counts as seen here. 0: not given, which means 1 in
	// sessions S2 and S3, else 2
	MinReads    int
	SilentAfter time.Duration // without any read for this long the point counts as silent. 0: never
	// "", "S0", "S1", "S2", "S3": the Gen2 session. With S2 and S3 a read tag keeps quiet, so
	// silence is no departure
	Session string
}

// KeepsQuiet reports whether tags stay quiet once this read point has read them (Gen2 sessions S2
// and S3), so that not hearing one says nothing.
func (p *ReadPoint) KeepsQuiet() bool { return p.Session == "S2" || p.Session == "S3" }

// Presence is how reads become presence. Parse fills in the defaults.
type Presence struct {
	Epoch        time.Duration // one step of the smoothing window; 250 ms to 10 s, default 1 s
	HysteresisDB float64       // dB by which another zone must be louder to win an item; 0 to 30, default 6
	Completeness float64       // probability with which the window must catch a tag that is there; 0.5 to 0.9999, default 0.99
	PassageGap   time.Duration // no longer used: a door's belief is carried over pauses
	PassageMax   time.Duration // no longer used
}

// DefaultPresence returns the values that a layout has if it says nothing else.
func DefaultPresence() Presence {
	return Presence{
		Epoch:        time.Second,
		HysteresisDB: 6,
		Completeness: 0.99,
		PassageGap:   700 * time.Millisecond,
		PassageMax:   15 * time.Second,
	}
}

// ZoneIndex returns the index in Zones of the zone with that id.
func (l *Layout) ZoneIndex(id string) (int, bool) {
	i, ok := l.zoneIndex[id]
	return i, ok
}

// ReadPointIndex returns the index in ReadPoints of the read point with that id.
func (l *Layout) ReadPointIndex(id string) (int, bool) {
	i, ok := l.pointIndex[id]
	return i, ok
}

// Location returns the shop's time zone.
func (l *Layout) Location() *time.Location {
	if l.location == nil {
		return time.UTC
	}
	return l.location
}

// OpenAt reports whether the shop is open at t. A layout without hours is always open.
func (l *Layout) OpenAt(t time.Time) bool { return l.Hours.OpenAt(t, l.Location()) }

// OpenAfter returns the moment at which the shop has been open for so long since from. A layout without
// hours is always open.
func (l *Layout) OpenAfter(from time.Time, length time.Duration) time.Time {
	return l.Hours.OpenAfter(from, length, l.Location())
}

// ValidID reports whether id may name a site, a zone or a read point: 1 to 64 characters of a-z,
// 0-9, '-' and '_'.
func ValidID(id string) bool {
	if id == "" || len(id) > 64 {
		return false
	}
	for i := 0; i < len(id); i++ {
		c := id[i]
		if !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return false
		}
	}
	return true
}
