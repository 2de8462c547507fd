package doors

import (
	"math"
	"slices"
	"sort"

	"lintel/engine/epc"
)

// Truth is what really happened up to now. Times are Unix milliseconds of the true clock. It shares
// memory with the run and grows with it.
type Truth struct {
	Start     int64
	Until     int64
	Items     []Item // index: the number that all else uses
	Crossings []Crossing
	Visits    []Visit // in order of their beginning; end and depth are those that their people have in mind

	shop  *Shop
	stays [][]stay
	index map[epc.Key]int
}

// Item is one tag.
type Item struct {
	Key   epc.Key
	Own   bool // of this shop's stock
	Guest bool // of somebody who brought it along
	GTIN  uint64
	Near  bool // lay within 3 m of a door antenna at some time
}

// Crossing is one item going over a threshold for good: out and not back within the same visit, or
// in.
type Crossing struct {
	Item  int
	At    int64
	Door  string
	Out   bool
	Kind  string // of people
	Paid  bool   // paid for or shipped by then, whether the server knew or not
	Told  int64  // when the server knew of the sale; 0: never
	Visit int    // Visit.ID
	Heard int    // reads by a door within ten seconds, before or after; known ten seconds later
}

// Visit is one time that people with goods were about.
type Visit struct {
	ID         int
	Kind       string
	Door       string // "": nowhere near one
	From, To   int64
	Items      []int
	CrossedOut bool
	Deepest    float64 // m past the threshold that the goods came; below zero: inside
}

// Place is where an item is.
type Place struct {
	X, Y, Z float64
	Zone    string // where it lies; "": carried or away
	Carried bool
	Away    bool
	Since   int64
}

const (
	away = iota
	rests
	carries
)

type stay struct {
	from int64
	how  uint8
	area int32
	at   vec    // where it lies; carried: ahead of, left of and above the carrier's feet
	who  *track // who carries it
}

// carried returns where a carried item is at t ms of the run, and which way its carrier faces.
func (st *stay) carried(t int64) (vec, float64) {
	x, y, h := st.who.at(t)
	sin, cos := math.Sincos(h)
	bob := 0.02 * math.Sin(float64(t)*(2*math.Pi*1.8/1000)+10*st.at.y)
	return vec{x + st.at.x*cos - st.at.y*sin, y + st.at.x*sin + st.at.y*cos, st.at.z + bob}, h
}

// Truth returns what really happened up to now.
func (s *Shop) Truth() *Truth { return &s.truth }

// ItemByKey finds an item by its identity.
func (t *Truth) ItemByKey(k epc.Key) (int, bool) {
	if t.index == nil {
		t.index = map[epc.Key]int{}
	}
	for i := len(t.index); i < len(t.Items); i++ {
		t.index[t.Items[i].Key] = i
	}
	i, ok := t.index[k]
	return i, ok
}

// Where returns where an item was at a moment up to now.
func (t *Truth) Where(item int, at int64) Place {
	list := t.stays[item]
	k := sort.Search(len(list), func(k int) bool { return list[k].from > at }) - 1
	if k < 0 {
		return Place{Away: true}
	}
	st := &list[k]
	switch st.how {
	case rests:
		return Place{X: st.at.x, Y: st.at.y, Z: st.at.z, Zone: t.shop.areas[st.area].zone, Since: st.from}
	case carries:
		p, _ := st.carried(at - t.shop.start)
		return Place{X: p.x, Y: p.y, Z: p.z, Carried: true, Since: st.from}
	}
	return Place{Away: true, Since: st.from}
}

// Beyond returns how far past a door's threshold a place is, m along the way out; below zero:
// inside.
func (s *Shop) Beyond(name string, p Place) float64 { return s.doorOf(name).beyond(p.X, p.Y) }

// Aside returns how far beside the middle of a door's opening a place is, m.
func (s *Shop) Aside(name string, p Place) float64 { return s.doorOf(name).aside(p.X, p.Y) }

// Near reports whether a place is within 3 m of a door antenna.
func (s *Shop) Near(p Place) bool { return s.near(vec{p.X, p.Y, p.Z}) }

// ByHand reports whether no fixed reader sees a zone, so that only a handheld counts it.
func (s *Shop) ByHand(zone string) bool {
	return slices.ContainsFunc(s.areas, func(a area) bool { return a.zone == zone && a.byHand })
}

func (s *Shop) doorOf(name string) *door {
	k := slices.IndexFunc(s.doors, func(d door) bool { return d.name == name })
	if k < 0 {
		panic("doors: there is no door " + name)
	}
	return &s.doors[k]
}
