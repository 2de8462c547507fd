// Package walktest judges a door by walks whose truth is known: somebody carries known tags out and
// in, along the door and leaves them near it, says when, and the reads of that time show what the
// door hears. Nothing here reads a clock or a store: a Test is handed the journal entries of the
// time and gives a Result.
//
// What it proposes comes of few walks by one person. It is where to begin, not a promise.
package walktest

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

// Limits of a test.
const (
	MaxTags   = 100
	MaxWalks  = 200
	MaxWindow = 15 * time.Minute // from the beginning of the first walk to the end of the last
)

// What may be done in a walk.
const (
	Out   = "out"   // carried out through the door
	In    = "in"    // carried in through the door
	Along = "along" // carried past the door, inside
	Still = "still" // left where goods lie, near the door
)

// Kinds lists what may be done in a walk.
func Kinds() []string { return []string{Out, In, Along, Still} }

// Tag is a tag that is carried in every walk.
type Tag struct {
	Key  epc.Key
	Name string // as the caller wrote it
}

// Walk is one labelled walk, from the moment it began to the moment it ended.
type Walk struct {
	From, To int64 // Unix milliseconds
	What     string
}

// Test collects the reads of one test.
type Test struct {
	lay   *layout.Layout
	zone  int
	tags  []Tag
	walks []Walk

	side   map[string]event.Side // of the door's read points, by id
	inside map[string]bool       // fixed read points elsewhere than at a door
	index  map[epc.Key]int
	heard  []passage // by walk and tag
	others map[epc.Key]*other
	last   map[string]int64 // when an entry that names the door's read point was received last
	gaps   []int64          // distances between these
}

// sighting is one read by the door.
type sighting struct {
	t    int64
	side event.Side
	rssi int16
	n    uint32
}

type passage struct {
	door   []sighting
	inside int
}

type other struct {
	text   string
	n      int
	levels []int16
}

// New begins a test of the door that is the zone with that index. It fails if the zone has no
// portal, if there are no tags or walks or too many, if a tag is there twice, or if walks are not
// in order.
func New(lay *layout.Layout, zone int, tags []Tag, walks []Walk) (*Test, error) {
	t := &Test{
		lay: lay, zone: zone, tags: tags, walks: walks, side: make(map[string]event.Side),
		inside: make(map[string]bool), index: make(map[epc.Key]int),
		heard: make([]passage, len(tags)*len(walks)), others: make(map[epc.Key]*other), last: make(map[string]int64),
	}
	for i := range lay.ReadPoints {
		switch p := &lay.ReadPoints[i]; {
		case p.Role == event.Portal && p.Zone == zone:
			t.side[p.ID] = p.Side
		case p.Role == event.Fixed && lay.Zones[p.Zone].Kind != event.Exit:
			t.inside[p.ID] = true
		}
	}
	switch {
	case len(t.side) == 0:
		return nil, fmt.Errorf("the zone %q is no door: no read point of role \"portal\" is in it", lay.Zones[zone].ID)
	case len(tags) == 0 || len(tags) > MaxTags:
		return nil, fmt.Errorf("tags: has %d entries; write 1 to %d tags that are carried", len(tags), MaxTags)
	case len(walks) == 0 || len(walks) > MaxWalks:
		return nil, fmt.Errorf("walks: has %d entries; write 1 to %d walks", len(walks), MaxWalks)
	}
	for i, tag := range tags {
		if first, twice := t.index[tag.Key]; twice {
			return nil, fmt.Errorf("tags[%d]: is the same as tags[%d]; name each tag once", i, first)
		}
		t.index[tag.Key] = i
	}
	for i, w := range walks {
		switch {
		case !slices.Contains(Kinds(), w.What):
			return nil, fmt.Errorf("walks[%d].what: %q is not what a walk can be; write one of %q", i, w.What, Kinds())
		case w.To <= w.From:
			return nil, fmt.Errorf("walks[%d].to: is not after from", i)
		case i > 0 && w.From < walks[i-1].To:
			return nil, fmt.Errorf("walks[%d].from: is before the walk before it ended; write walks in their order, one at a time", i)
		}
	}
	if from, to := t.Window(); to-from > MaxWindow.Milliseconds() {
		return nil, fmt.Errorf("walks: they take %s from the first to the last; at most %s are looked at, so test "+
			"in parts", time.Duration(to-from)*time.Millisecond, MaxWindow)
	}
	return t, nil
}

// Window returns when the first walk began and the last one ended, Unix milliseconds.
func (t *Test) Window() (from, to int64) { return t.walks[0].From, t.walks[len(t.walks)-1].To }

// Add takes the reads of one journal entry; other entries say nothing.
func (t *Test) Add(e *event.Entry) {
	if e.Kind != event.EntryReads {
		return
	}
	from, to := t.Window()
	for _, id := range e.Points {
		if _, ok := t.side[id]; !ok || e.At < from || e.At > to {
			continue
		}
		if last, ok := t.last[id]; ok && e.At > last {
			t.gaps = append(t.gaps, e.At-last)
		}
		t.last[id] = e.At
	}
	for i := range e.Reads {
		r := &e.Reads[i]
		at := min(r.T, e.At)
		if at < from || at > to {
			continue
		}
		id := e.Points[r.Point]
		side, door := t.side[id]
		tag, known := t.index[r.Key]
		switch {
		case door && !known:
			o := t.others[r.Key]
			if o == nil {
				o = &other{text: r.Text}
				t.others[r.Key] = o
			}
			o.n += int(r.N)
			if r.RSSI != event.NoRSSI {
				o.levels = append(o.levels, r.RSSI)
			}
		case known && (door || t.inside[id]):
			w, ok := slices.BinarySearchFunc(t.walks, at, func(w Walk, at int64) int {
				if w.From <= at && at <= w.To {
					return 0
				}
				return cmp.Compare(w.From, at)
			})
			if !ok {
				continue // between walks
			}
			p := &t.heard[w*len(t.tags)+tag]
			if door {
				p.door = append(p.door, sighting{at, side, r.RSSI, r.N})
			} else {
				p.inside += int(r.N)
			}
		}
	}
}
