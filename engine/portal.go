package engine

import (
	"cmp"
	"math"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/layout"
)

// A portal is the exit zone that read points with the role portal look at. A passage is decided from the whole burst of reads that an item causes there, not
// from one read: how strong, in which order the inner and the outer side heard it, how long it lasted, and whether another reader hears the item at the
// same time. (The idea of judging the burst: Keller, Thiesse, Kungl and Fleisch, "Using low-level reader data to detect false-positive RFID tag reads",
// IoT 2010. The weights are our own: see judge.)
//
// Whoever is at the door wants to know before the burst is over. So a burst that is still open is looked at again and again, and told as soon as it is plain that it
// leads out. It is not ended by that: it stays under review, and the item is told as back inside when the inner side has it again.
//
// Bursts are evidence: see State. A burst keeps no read that is older than passageMax, so that what it holds can always be rebuilt.

// burst is what one portal heard of one item without a pause.
type burst struct {
	key         epc.Key // for ordering
	item        int32
	zone        uint16
	open        bool
	first, last int64 // by the reader's clock
	heard       int64 // by the site clock: when its newest read came in
	look        int64 // by the site clock: when it is looked at before its end; 0: not before more is heard
	told        int64 // its last read when it was told as leading out before its end; 0: it was not, or not any longer
	reads       int
	sides       [3]int // reads kept, by layout.Side
	kept        []sighting
	horizon     int64   // reads as old as this are not taken: they were decided upon, or left behind
	misses      []int64 // ends of the last bursts that were no passage
}

// sighting is one read, kept until the burst is judged.
type sighting struct {
	t     int64
	point uint16
	rssi  int16
	side  layout.Side
}

const (
	keptSightings = 256  // the newest reads of a burst that are kept
	passageEpochs = 32   // the longest passage, whatever the layout says: evidence must reach as far
	missEpochs    = 64   // for how long a burst that was no passage counts against the next ones
	maxAhead      = 2000 // milliseconds by which a reader's clock may be ahead of the receipt of its report
)

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

func (s *State) passageGap() int64 { return s.bound.cfg.Layout.Presence.PassageGap.Milliseconds() }

// passageMax bounds what is looked at: never more than evidence reaches back.
func (s *State) passageMax() int64 {
	return min(s.bound.cfg.Layout.Presence.PassageMax.Milliseconds(), passageEpochs*s.bound.epoch)
}

// patience is the pause that ends the burst. One side alone may be the first half of a passage whose middle was missed, so it waits longer.
func (s *State) patience(b *burst) int64 {
	gap := s.passageGap()
	if b.sides[layout.SideNone] == 0 && (b.sides[layout.Inner] == 0 || b.sides[layout.Outer] == 0) {
		gap += gap / 2
	}
	return gap
}

// pass adds a read at a portal, received at the given time, to the item's burst.
func (s *State) pass(i int32, pt *pointInfo, r *Read, at int64) {
	t := r.T
	if t > at+maxAhead {
		t = at
	}
	if pt.zone == 0 || t <= s.clock-freeAfter*s.bound.epoch {
		return
	}
	p := &s.portals
	k := burstKey{i, pt.zone}
	b := p.bursts[k]
	if b == nil {
		b = &burst{item: i, key: s.item(i).key, zone: pt.zone, horizon: math.MinInt64}
		p.bursts[k] = b
	}
	if t <= b.horizon || b.open && t < b.first-s.patience(b) {
		return // told again, or of a burst that is decided or was missed
	}
	if b.open && t > b.last+s.patience(b) {
		s.end(b) // the pause between two reads of one batch ends a burst just as the clock does
	}
	if !b.open {
		*b = burst{key: b.key, item: i, zone: pt.zone, open: true, first: t, last: t, kept: b.kept[:0], horizon: b.horizon, misses: b.misses}
	}
	// Sorted by time and point, so that the order of arrival makes no difference, and a read that is told again is found.
	seen := sighting{t: t, point: pt.name, rssi: r.RSSI, side: pt.side}
	n := len(b.kept)
	for n > 0 && seen.compare(&b.kept[n-1]) < 0 {
		n--
	}
	if n > 0 && seen.compare(&b.kept[n-1]) == 0 {
		return
	}
	b.kept = slices.Insert(b.kept, n, seen)
	b.sides[pt.side]++
	b.reads += int(r.N)
	b.first, b.last = min(b.first, t), max(b.last, t)
	b.heard = s.clock
	if b.look == 0 {
		b.look = s.clock + glance
	}
	drop := max(0, len(b.kept)-keptSightings)
	for old := b.last - s.passageMax(); b.kept[drop].t < old; {
		drop++
	}
	if drop > 0 {
		for _, d := range b.kept[:drop] {
			b.sides[d.side]--
		}
		b.horizon = b.kept[drop-1].t
		b.kept = slices.Delete(b.kept, 0, drop)
	}
	p.nextAt = min(p.nextAt, b.look, b.heard+s.passageGap())
}

func (a *sighting) compare(b *sighting) int {
	return cmp.Or(cmp.Compare(a.t, b.t), cmp.Compare(a.point, b.point))
}

// settle looks at the open bursts whose time has come, closes those that the site clock has left behind, and tells those that were passages. Both ends of the
// pause are by the site clock, so that a reader's wrong clock and the rhythm of its reports do not cut a burst in two.
func (s *State) settle() {
	p := &s.portals
	if s.clock < p.nextAt {
		return
	}
	p.nextAt = math.MaxInt64
	var due []*burst
	old := s.clock - freeAfter*s.bound.epoch
	for k, b := range p.bursts {
		switch {
		case b.open && s.nextLook(b) <= s.clock:
			due = append(due, b)
		case b.open:
			p.nextAt = min(p.nextAt, s.nextLook(b))
		case b.horizon <= old:
			delete(p.bursts, k)
		}
	}
	slices.SortFunc(due, func(a, b *burst) int {
		return cmp.Or(cmp.Compare(a.last, b.last), a.key.Compare(b.key), cmp.Compare(a.zone, b.zone))
	})
	for _, b := range due {
		if b.heard+s.patience(b) <= s.clock {
			s.end(b)
			continue
		}
		s.lookAt(b)
		p.nextAt = min(p.nextAt, s.nextLook(b))
	}
}

// nextLook returns when by the site clock something is to be done about an open burst, if nothing more is heard.
func (s *State) nextLook(b *burst) int64 {
	end := b.heard + s.patience(b)
	if b.look != 0 {
		return min(b.look, end)
	}
	return end
}

// lookAt looks at a burst before its end. What it notes in the burst goes by the burst alone, since this too is evidence.
func (s *State) lookAt(b *burst) {
	b.look = 0
	switch {
	case b.told == 0 && b.sides[layout.Inner] > 0 && b.sides[layout.Outer] > 0:
		if v := s.judge(b); v.Direction == DirectionOut && v.Confidence >= plainPassage {
			b.told = b.last
			s.decide(b, v)
		}
	case b.told != 0:
		s.takeBack(b)
	}
}

// takeBack takes back what was told of a burst before its end if the inner side has the item again.
func (s *State) takeBack(b *burst) {
	if b.last-b.told > s.passageMax() {
		b.told = 0 // too long ago for evidence to reach
		return
	}
	var end balance
	inner, peak := 0, int16(NoRSSI)
	for i := len(b.kept) - 1; i >= 0 && b.kept[i].t >= max(b.last-endWindow, b.told); i-- {
		x := &b.kept[i]
		end[x.side] += x.amplitude()
		peak = max(peak, x.rssi)
		if x.side == layout.Inner {
			inner++
		}
	}
	if v := end.value(); v <= insideAgain && inner >= insideReads {
		b.told = 0
		s.decide(b, verdict{Passage: Passage{Direction: DirectionIn, Confidence: math.Round(-1e6*v) / 1e6, Reads: b.reads, Peak: peak, Span: b.last - b.first}})
	}
}

// end closes a burst and decides about it.
func (s *State) end(b *burst) {
	if b.told != 0 {
		s.takeBack(b)
	}
	b.open, b.look, b.told = false, 0, 0
	v := s.judge(b)
	s.decide(b, v)
	b.horizon = b.last
	// Whether it was a passage must be judged here by the burst alone, and not by what was decided: this too is evidence.
	if v.Confidence < minPassage {
		b.misses = append(b.misses, b.last)
	}
}

// decide tells a closed burst as a passage if it looks like one.
func (s *State) decide(b *burst, v verdict) {
	it := s.item(b.item)
	at := min(b.last, s.clock)
	if s.replaying || at < it.sure {
		return // decided before, or something newer is known of the item
	}
	outside := it.zone == b.zone
	if v.sideless && outside {
		v.Direction = DirectionIn // without sides it went to the other one
	}
	if v.Confidence < minPassage {
		return
	}
	switch {
	case v.Direction == DirectionOut && outside:
		return // already there: it lingers on its side of the door
	case v.Direction == DirectionIn && it.zone != 0 && !outside:
		return // likewise. What is nowhere known comes in from outside
	}
	from := it.zone
	s.place(b.item, b.zone, at)
	if v.Direction == DirectionIn {
		s.place(b.item, 0, at)
		from = b.zone
	}
	it.from = from
	it.flags &^= flagDeclared | flagFaint
	point := b.kept[len(b.kept)-1].point
	s.emitItem(Passed, b.item, at, func(f *Fact) {
		f.Passage, f.Point = v.Passage, s.idOf(point)
	})
	s.tellStock(at)
}

// What the weights of judge are, in units of log odds. Our own, tuned on the simulator (package measure says how, and how far to trust it).
const (
	passWindow   = 6000 // milliseconds before the end of a burst that are judged: walking through takes three to five seconds
	endWindow    = 700  // milliseconds that are its end
	swingWeight  = 5.0  // of the swing from one side to the other, -2 to 2
	leadWeight   = 1.5  // of each second by which one side's centre of time is ahead, up to maxLead
	maxLead      = 1.5
	peakWeight   = 0.15 // of each dB of the peak above peakFloor, up to peakSpan
	peakFloor    = -66.0
	peakSpan     = 10.0
	prior        = -5.0
	insideWeight = -2.0 // of being heard inside at the end of a burst that leads out
	missWeight   = -0.3 // of each burst of the last minute that was no passage, up to maxMisses: goods near the door
	maxMisses    = 5
	standWeight  = -1.0 // of a burst that has lasted longer than people take to go through
	outerAlone   = 3.5  // in place of swing and lead where only the outer side heard it: the inner one may be broken
	fewReads     = 0.25 // amplitude that damps the balance of few and weak reads: that of one read at -72 dBm

	minPassage   = 0.5  // confidence below which a burst is not told as a passage
	plainPassage = 0.97 // confidence from which a burst that leads out is told before its end
	insideAgain  = -0.6 // balance of the last reads at which the inner side has again what was told as out
	insideReads  = 3    // and as many reads by it: one may be a stray of who stands outside
)

// amplitude returns the strength of a read as 10^(dBm/20), 1 at -60 dBm.
func (a *sighting) amplitude() float64 {
	level := float64(defaultRSSI)
	if a.rssi != NoRSSI {
		level = float64(a.rssi) / 10
	}
	return math.Pow(10, (level+60)/20)
}

// verdict is what a burst looks like by itself.
type verdict struct {
	Passage
	sideless bool
}

const glance = 200 // milliseconds from a read to the look at its burst, and so between two looks

// balance sums the amplitudes of the reads of each side, 10^(dBm/20), and says which side has more: -1 all inner, 1 all outer.
type balance [3]float64

func (b *balance) value() float64 {
	return (b[layout.Outer] - b[layout.Inner]) / (b[layout.Outer] + b[layout.Inner] + fewReads)
}

// judge computes direction and confidence of a burst from its reads and from what else hears the item: evidence only.
//
// Only the last seconds are judged. Swing is the balance of their end less that of their first third: whoever walks through is heard by one side
// first and by the other last, while goods that lie near the door, and people who turn back there, end where they began. The lead, the
// time between the two sides' centres, says the same of the whole. With the peak, since people walk under the antennas, they add up to log
// odds, and the confidence is 1/(1+exp(-odds)).
func (s *State) judge(b *burst) verdict {
	b.misses = slices.DeleteFunc(b.misses, func(t int64) bool { return t <= b.last-missEpochs*s.bound.epoch })
	from := 0
	for b.kept[from].t < b.last-passWindow {
		from++
	}
	kept := b.kept[from:]
	first := kept[0].t
	third := max(400, (b.last-first)/3)
	var begin, end, whole, moments balance
	peak := int16(NoRSSI)
	for i := range kept {
		x := &kept[i]
		peak = max(peak, x.rssi)
		amplitude := x.amplitude()
		if x.t <= first+third {
			begin[x.side] += amplitude
		}
		if x.t >= b.last-endWindow {
			end[x.side] += amplitude
		}
		whole[x.side] += amplitude
		moments[x.side] += amplitude * float64(x.t-first)
	}
	v := verdict{Passage: Passage{Direction: DirectionUnsure, Reads: b.reads, Peak: peak, Span: b.last - b.first}}
	odds := prior + missWeight*float64(min(maxMisses, len(b.misses)))
	if v.Span >= s.passageMax() {
		odds += standWeight
	}
	strength := peakSpan - 2 // where no strength is reported
	if peak != NoRSSI {
		strength = min(float64(peak)/10-peakFloor, peakSpan)
	}
	odds += peakWeight * strength
	inner, outer, neither := whole[layout.Inner], whole[layout.Outer], whole[layout.SideNone]
	switch {
	case neither > 0:
		// One antenna for both sides: only how many reads there are, and whether they come and go, tells a passage from goods that lie there.
		v.Direction, v.sideless = DirectionOut, true
		odds += 7*(1-math.Exp(-float64(b.reads)/2.5)) - 7*float64(v.Span)/float64(s.passageMax())
	case inner == 0:
		v.Direction = DirectionOut
		odds += outerAlone * (1 - math.Exp(-float64(len(kept))/2))
	default:
		turn := swingWeight * (end.value() - begin.value())
		if outer > 0 {
			lead := (moments[layout.Outer]/outer - moments[layout.Inner]/inner) / 1000
			turn += leadWeight * max(-maxLead, min(maxLead, lead))
		}
		v.Direction = DirectionOut
		if turn < 0 {
			v.Direction = DirectionIn
		}
		odds += math.Abs(turn)
	}
	if v.Direction == DirectionOut && s.heardInside(b) {
		odds += insideWeight
	}
	v.Confidence = math.Round(1e6/(1+math.Exp(-odds))) / 1e6
	return v
}

// heardInside reports whether a fixed reader of another zone hears the item after the middle of the burst: who is carried out of the door is not.
func (s *State) heardInside(b *burst) bool {
	it := s.item(b.item)
	mid := s.epochOf(b.last-min(b.last-b.first, passWindow)/2) + 1
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
		if b.open || b.horizon > s.clock-freeAfter/2*s.bound.epoch {
			all = append(all, b)
		}
	}
	slices.SortFunc(all, func(a, b *burst) int { return cmp.Or(a.key.Compare(b.key), cmp.Compare(a.zone, b.zone)) })
	for _, b := range all {
		if b.open {
			put("burst %v %d open to %d heard %d look %d told %d kept %v", b.key, b.zone, b.last, b.heard, b.look, b.told, b.kept)
		} else {
			put("burst %v %d closed %d", b.key, b.zone, b.horizon)
		}
	}
}
