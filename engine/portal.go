package engine

import (
	"cmp"
	"math"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/layout"
)

// A portal is the exit zone that read points with the role portal look at. A passage is decided from the whole burst of reads that an item causes there, not from
// one read: how many reads, how strong, in which order the inner and the outer side heard it, whether the signal rose and fell, how long it
// lasted, and whether another reader hears the item at the same time. (The idea of judging the burst: Keller, Thiesse, Kungl and Fleisch,
// "Using low-level reader data to detect false-positive RFID tag reads", IoT 2010. The weights are our own, tuned on the simulator.)
//
// Bursts are evidence: see State.

// burst is what one portal heard of one item without a pause.
type burst struct {
	key         epc.Key // for ordering
	item        int32
	zone        uint16
	open        bool
	standing    bool // lasted too long: goods near the door, not goods carried through
	first, last int64
	reads       int
	peak        int16
	peakAt      int64
	firstRSSI   int16
	lastRSSI    int16
	sides       [3]sideSum // by layout.Side
	points      []pointLast
	closed      int64   // end of the burst before, 0: none
	recent      []int64 // ends of the last bursts that were no passage
}

// sideSum sums the times of one side's reads, weighted by signal strength. Integers, so that the order of addition does not matter.
type sideSum struct {
	reads   int
	weight  int64
	moments int64 // sum of weight * time
}

type pointLast struct {
	point uint16
	t     int64
}

type burstKey struct {
	item int32
	zone uint16
}

type portals struct {
	bursts map[burstKey]*burst
	nextAt int64 // no open burst ends before this
}

func (p *portals) init() {
	p.bursts = make(map[burstKey]*burst)
	p.nextAt = math.MaxInt64
}

// pass adds a read at a portal to the item's burst.
func (s *State) pass(i int32, pt *pointInfo, r *Read) {
	if pt.zone == 0 || r.T <= s.clock-freeAfter*s.bound.epoch {
		return
	}
	p := &s.portals
	k := burstKey{i, pt.zone}
	b := p.bursts[k]
	if b == nil {
		b = &burst{item: i, key: s.item(i).key, zone: pt.zone}
		p.bursts[k] = b
	}
	if r.T <= b.closed || b.open && r.T < b.first-s.passageGap() {
		return // told again, or belongs to a burst that is decided or was missed
	}
	if b.open && r.T > b.last+s.passageGap() {
		s.end(b) // the pause between two reads of one batch ends a burst just as the clock does
	}
	if b.open && b.standing {
		b.last = max(b.last, r.T) // it stands near the door: only its end matters
		return
	}
	if !b.open {
		*b = burst{
			key: b.key, item: i, zone: pt.zone, open: true, closed: b.closed, recent: b.recent,
			first: r.T, last: r.T, peak: NoRSSI, firstRSSI: r.RSSI, points: b.points[:0],
		}
	}
	for j := range b.points {
		if b.points[j].point == pt.name {
			if r.T <= b.points[j].t {
				return // the same read again, or one out of order: it adds nothing that could be trusted
			}
			b.points[j].t = r.T
			goto counted
		}
	}
	b.points = append(b.points, pointLast{pt.name, r.T})
counted:
	b.reads += int(r.N)
	if r.T >= b.last {
		b.last, b.lastRSSI = r.T, r.RSSI
	}
	if r.T < b.first {
		b.first, b.firstRSSI = r.T, r.RSSI
	}
	if r.RSSI > b.peak {
		b.peak, b.peakAt = r.RSSI, r.T
	}
	weight := int64(40)
	if r.RSSI != NoRSSI {
		weight = max(1, int64(r.RSSI)/10+100) // -60 dBm weighs 40
	}
	side := &b.sides[pt.side]
	side.reads += int(r.N)
	side.weight += weight
	side.moments += weight * r.T
	if b.last-b.first > s.bound.cfg.Layout.Presence.PassageMax.Milliseconds() {
		b.standing = true
	}
	p.nextAt = min(p.nextAt, b.last+s.passageGap())
}

func (s *State) passageGap() int64 { return s.bound.cfg.Layout.Presence.PassageGap.Milliseconds() }

// settle closes the bursts that the site clock has left behind, and tells those that were passages.
func (s *State) settle() {
	p := &s.portals
	if s.clock < p.nextAt {
		return
	}
	gap := s.passageGap()
	p.nextAt = math.MaxInt64
	var ended []*burst
	old := s.clock - freeAfter*s.bound.epoch
	for k, b := range p.bursts {
		switch {
		case b.open && b.last+gap <= s.clock:
			ended = append(ended, b)
		case b.open:
			p.nextAt = min(p.nextAt, b.last+gap)
		case b.closed <= old:
			delete(p.bursts, k)
		}
	}
	slices.SortFunc(ended, func(a, b *burst) int {
		return cmp.Or(cmp.Compare(a.last, b.last), a.key.Compare(b.key), cmp.Compare(a.zone, b.zone))
	})
	for _, b := range ended {
		s.end(b)
	}
}

// end closes a burst and decides about it.
func (s *State) end(b *burst) {
	b.open = false
	b.recent = slices.DeleteFunc(b.recent, func(t int64) bool { return t <= b.last-freeAfter*s.bound.epoch })
	s.decide(b)
	b.closed = b.last
	// Whether it was a passage must be judged here by the burst alone: this too is evidence.
	if s.judge(b, false).Confidence < minPassage {
		b.recent = append(b.recent, b.last)
	}
}

// decide tells a closed burst as a passage if it looks like one.
func (s *State) decide(b *burst) {
	it := s.item(b.item)
	if s.replaying || b.last < it.sure {
		return // decided before, or something newer is known of the item
	}
	v := s.judge(b, it.zone == b.zone)
	v.Confidence = math.Round(v.Confidence*math.Pow(0.7, float64(len(b.recent)))*1e6) / 1e6
	if v.Confidence < minPassage || v.Direction == DirectionUnsure {
		return
	}
	if v.Direction == DirectionOut && it.zone == b.zone || v.Direction == DirectionIn && it.zone != b.zone {
		return // already there: it lingers on its side of the door
	}
	from := it.zone
	s.place(b.item, b.zone, b.last)
	if v.Direction == DirectionIn {
		s.place(b.item, 0, b.last)
		from = b.zone
	}
	it.from = from
	it.flags &^= flagDeclared
	point := b.points[len(b.points)-1].point
	s.emitItem(Passed, b.item, b.last, func(f *Fact) {
		f.Passage, f.Point = v, s.idOf(point)
	})
	s.tellStock(b.last)
}

// minPassage is the confidence below which a burst is not told as a passage.
const minPassage = 0.5

// judge computes direction and confidence of a burst from the burst itself, what else hears the item, and the side of the door that the item was on.
func (s *State) judge(b *burst, outside bool) Passage {
	v := Passage{Direction: DirectionUnsure, Reads: b.reads, Peak: b.peak, Span: b.last - b.first}
	if b.standing {
		return v
	}
	inner, outer := b.sides[layout.Inner], b.sides[layout.Outer]
	way := 0.0 // how sure the direction is
	switch {
	case inner.reads > 0 && outer.reads > 0:
		lead := float64(outer.moments/outer.weight - inner.moments/inner.weight)
		v.Direction = DirectionOut
		if lead < 0 {
			v.Direction = DirectionIn
		}
		way = min(1, math.Abs(lead)/max(150, 0.2*float64(v.Span)))
	case inner.reads > 0:
		way = 0.3 // came near the door and was not heard beyond it
	case outer.reads > 0 && !outside:
		v.Direction, way = DirectionOut, 0.7
	case outer.reads > 0:
		way = 0.3
	default: // the portal has no sides: it went to the other one
		v.Direction, way = DirectionOut, 0.8
		if outside {
			v.Direction = DirectionIn
		}
	}
	if way < 0.3 {
		v.Direction = DirectionUnsure
	}
	many := 1 - math.Exp(-float64(b.reads)/2.5)
	strong := 0.8
	shape := 1.0
	if b.peak != NoRSSI {
		strong = 1 / (1 + math.Exp(-(float64(b.peak)/10+66)/3))
		if b.firstRSSI != NoRSSI && b.lastRSSI != NoRSSI && b.reads >= 4 {
			rise := float64(b.peak-b.firstRSSI) / 10
			fall := float64(b.peak-b.lastRSSI) / 10
			shape = 0.7 + 0.3*min(1, max(rise, fall)/6)
		}
	}
	elsewhere := 1.0
	if s.heardInside(b) {
		elsewhere = 0.4
	}
	v.Confidence = way * many * strong * shape * elsewhere
	return v
}

// heardInside reports whether a fixed reader of another zone hears the item after the middle of the burst: who is carried out of the door is not.
func (s *State) heardInside(b *burst) bool {
	it := s.item(b.item)
	mid := s.epochOf((b.first+b.last)/2) + 1
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt != nil && pt.role == layout.Fixed && pt.zone != b.zone && tr.bits != 0 && tr.last > mid {
			return true
		}
	}
	return false
}

func (p *portals) digest(s *State, put func(string, ...any)) {
	var all []*burst
	for _, b := range p.bursts {
		if b.open && !b.standing || b.closed > s.clock-freeAfter/2*s.bound.epoch {
			all = append(all, b)
		}
	}
	slices.SortFunc(all, func(a, b *burst) int { return cmp.Or(a.key.Compare(b.key), cmp.Compare(a.zone, b.zone)) })
	for _, b := range all {
		if b.open && !b.standing {
			put("burst %v %d open %d-%d reads %d peak %d@%d sides %v", b.key, b.zone, b.first, b.last, b.reads, b.peak, b.peakAt, b.sides)
		} else {
			put("burst %v %d closed %d standing %v", b.key, b.zone, b.closed, b.standing)
		}
	}
}
