package engine

import (
	"math"
	"math/bits"
	"slices"

	"lintel/engine/layout"
)

// Presence turns noisy reads of always-on readers into where an item is.
//
// Time is cut into epochs (one second unless the layout says otherwise). For each item and read point a trace remembers in which of the last epochs the
// tag was heard and how strongly. From that alone:
//
//   - How long silence must last before it means absence follows Jeffery, Garofalakis and Franklin, "Adaptive Cleaning for RFID Data Streams"
//     (VLDB 2006): each read is a draw with the tag's own read rate p, the window must be wide enough that a present tag is seen in
//     it with the wanted completeness, and it is halved when the tag is seen significantly less than p predicts. See departsAfter.
//   - Which of several readers has the item is decided by the mean of the strongest read of each epoch plus the read rate in decibels,
//     and a change needs more than the layout's hysteresis. See score.
const (
	traceEpochs  = 32 // epochs a trace remembers before its last hit, and the longest silence that still is presence
	scoreEpochs  = 16 // epochs that the score looks at
	minSilence   = 3  // epochs of silence before the first look whether an item left
	freeAfter    = 64 // epochs after which a trace is forgotten
	lateEpochs   = 4  // a read older than this many epochs adds to a trace but moves nothing
	strongHits   = 5  // epochs in which a reader must hear an item to overrule what a person declared
	absentScore  = math.MinInt32
	defaultRSSI  = -60 // dBm taken for a reader that reports none: then only the read rate decides
	wheelBuckets = 128
)

// evidenceEpochs is how far back entries matter to evidence: what a trace remembers, plus the longest silence, plus lateness.
const evidenceEpochs = traceEpochs + freeAfter + lateEpochs + 2

// trace is what one read point heard of one item lately.
type trace struct {
	item  int32
	next  int32 // the item's next trace, -1: none
	point uint16
	bits  uint32 // bit i: heard in epoch last-i
	last  int64  // newest epoch heard
	due   int64  // epoch of the wheel bucket that holds it
	peak  [scoreEpochs]int8
}

// presence holds all traces of a site and a timing wheel of when each must be looked at again.
type presence struct {
	traces []trace
	free   []int32
	wheel  [wheelBuckets][]int32
	done   int64 // epochs up to here are processed
	queued int   // entries in the wheel
	leave  []int32
}

// forgetEvidence drops all evidence, as a new layout demands: its read points may mean other places.
func (s *State) forgetEvidence() {
	p := &s.presence
	for i := range p.traces {
		if t := &p.traces[i]; t.point != 0 {
			s.item(t.item).ev = -1
			s.touch(t.item)
		}
	}
	*p = presence{done: p.done}
	s.portals.init()
}

func (s *State) epochOf(ms int64) int64 { return ms / s.bound.epoch }

// schedule puts a trace into the wheel bucket of epoch e; an earlier place in the wheel goes stale.
func (p *presence) schedule(i int32, e int64) {
	if e <= p.done {
		e = p.done + 1
	}
	if e > p.done+wheelBuckets-1 {
		e = p.done + wheelBuckets - 1
	}
	p.traces[i].due = e
	p.wheel[e%wheelBuckets] = append(p.wheel[e%wheelBuckets], i)
	p.queued++
}

// hear adds one read to the item's trace at the read point and reports whether it is the first of its epoch there, so that it may change something.
func (s *State) hear(i int32, pt *pointInfo, t int64, rssi int16) (fresh bool) {
	p := &s.presence
	it := s.item(i)
	e := s.epochOf(t)
	ti := it.ev
	for ti >= 0 && p.traces[ti].point != pt.name {
		ti = p.traces[ti].next
	}
	db := int8(defaultRSSI)
	if rssi != NoRSSI {
		db = int8(max(-128, min(0, int(rssi)/10)))
	}
	if ti < 0 {
		if e <= s.epochOf(s.clock)-freeAfter {
			return false // too old to be evidence of anything now
		}
		if n := len(p.free); n > 0 {
			ti, p.free = p.free[n-1], p.free[:n-1]
		} else {
			p.traces = append(p.traces, trace{})
			ti = int32(len(p.traces) - 1)
		}
		p.traces[ti] = trace{item: i, next: it.ev, point: pt.name, bits: 1, last: e}
		p.traces[ti].peak[e%scoreEpochs] = db
		it.ev = ti
		p.schedule(ti, e+minSilence)
		return true
	}
	tr := &p.traces[ti]
	switch d := e - tr.last; {
	case d == 0:
		if tr.bits&1 == 0 { // it was forgotten when somebody declared the item elsewhere
			tr.bits |= 1
			tr.peak[e%scoreEpochs] = db
			return true
		}
		tr.peak[e%scoreEpochs] = max(tr.peak[e%scoreEpochs], db)
		return false
	case d > 0:
		if d < traceEpochs {
			tr.bits = tr.bits<<uint(d) | 1
		} else {
			tr.bits = 1
		}
		tr.last = e
		tr.peak[e%scoreEpochs] = db
		if e+minSilence < tr.due {
			p.schedule(ti, e+minSilence)
		}
		return true
	default: // out of order: fills a gap in the past
		if d <= -traceEpochs {
			return false
		}
		mask := uint32(1) << uint(-d)
		had := tr.bits&mask != 0
		tr.bits |= mask
		if -d < scoreEpochs {
			if k := e % scoreEpochs; had {
				tr.peak[k] = max(tr.peak[k], db)
			} else {
				tr.peak[k] = db
			}
		}
		return !had
	}
}

// forgetBefore drops what the item's traces heard before epoch e: somebody declared where it is, and what was heard before says nothing any more.
func (s *State) forgetBefore(it *item, e int64) {
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		switch keep := tr.last - e + 1; {
		case keep <= 0:
			tr.bits = 0
		case keep < traceEpochs:
			tr.bits &= 1<<uint(keep) - 1
		}
	}
}

// aligned returns the trace's hits with bit 0 at epoch e, for e at or after its last hit.
func (t *trace) aligned(e int64) uint32 {
	d := e - t.last
	if d >= traceEpochs {
		return 0
	}
	return t.bits << uint(max(d, 0))
}

// rateDB is 10*log10(hits/scoreEpochs).
var rateDB = func() (db [scoreEpochs + 1]float64) {
	for h := 1; h <= scoreEpochs; h++ {
		db[h] = 10 * math.Log10(float64(h)/scoreEpochs)
	}
	return
}()

// zoneSignal is what the readers of one zone have to say about an item.
type zoneSignal struct {
	score float64 // dBm of the best reader plus its read rate in dB; absentScore: not heard
	hits  int     // epochs of the last scoreEpochs in which any of them heard it
	any   bool    // heard within traceEpochs
	last  int64
}

// signal sums up the traces of the item's readers in zone z as of epoch e.
func (s *State) signal(it *item, z uint16, e int64) zoneSignal {
	sig := zoneSignal{score: absentScore}
	var union uint32
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt == nil || pt.role != layout.Fixed || pt.zone != z || tr.bits == 0 {
			continue
		}
		now := max(e, tr.last)
		al := tr.aligned(now)
		union |= al
		if al != 0 {
			sig.any = true
			sig.last = max(sig.last, tr.last)
		}
		recent := al & (1<<scoreEpochs - 1)
		n, sum := 0, 0
		for b := recent; b != 0; b &= b - 1 {
			k := now - int64(bits.TrailingZeros32(b))
			sum += int(tr.peak[k%scoreEpochs])
			n++
		}
		if n > 0 {
			sig.score = max(sig.score, float64(sum)/float64(n)+rateDB[n])
		}
	}
	sig.hits = bits.OnesCount32(union & (1<<scoreEpochs - 1))
	return sig
}

// consider looks whether a fresh hit at a fixed reader moves the item to that reader's zone. Point is the read point that heard it.
func (s *State) consider(i int32, pt *pointInfo, t int64) {
	it := s.item(i)
	z := pt.zone
	e := s.epochOf(t)
	if z == 0 || t < it.sure || e < s.epochOf(s.clock)-lateEpochs {
		return
	}
	if it.zone == z {
		if it.flags&flagDeclared != 0 && s.signal(it, z, e).hits >= strongHits {
			it.flags &^= flagDeclared // the readers agree by now: from here on they may also notice that it left
			s.touch(i)
		}
		return
	}
	if s.accepts(it, z, e, pt.hits) {
		s.arrive(i, z, t, pt.name, false)
	}
}

// accepts reports whether the evidence at zone z is enough to take the item from where it is.
func (s *State) accepts(it *item, z uint16, e int64, need int) bool {
	there := s.signal(it, z, e)
	if there.hits < need {
		return false
	}
	here := s.zone(it.zone)
	if it.zone == 0 || !here.known || here.kind == layout.Exit {
		return true // it is nowhere known: being heard is enough
	}
	cur := s.signal(it, it.zone, e)
	if !cur.any {
		// Nothing hears it where it is said to be: either it left, or no reader covers that place.
		return there.hits >= strongHits || (here.covered && it.flags&flagDeclared == 0)
	}
	return there.score > cur.score+s.bound.cfg.Layout.Presence.HysteresisDB
}

// departsAfter returns after how many epochs of silence the item whose reads are in hits (bit i: heard i epochs before the last hit) counts as gone.
// delta is the accepted chance of missing a present tag. Formulas of the paper named above, recalled from memory: the window
// w = (2/p)*ln(1/delta) epochs; halved while the reads in it fall below w*p - 2*sqrt(w*p*(1-p)).
func departsAfter(hits uint32, delta float64) int {
	span := bits.Len32(hits)
	n := bits.OnesCount32(hits)
	// One success and one failure are added, so that a tag heard once is not taken to be read always.
	p := float64(n+1) / float64(span+2)
	full := int(math.Ceil(2 / p * math.Log(1/delta)))
	w := max(minSilence, min(full, traceEpochs))
	for silent := 1; ; silent++ {
		var seen int
		if silent < w {
			seen = bits.OnesCount32(hits & (1<<uint(w-silent) - 1))
		}
		// The window cannot reach further back than the tag was first heard.
		cover := float64(min(w, span+silent))
		if float64(seen) < cover*p-2*math.Sqrt(cover*p*(1-p)) {
			w = max(minSilence, w/2)
		}
		if silent >= w {
			return silent
		}
	}
}

// expire looks at all traces that are due by the site clock: items that left, evidence that is too old.
func (s *State) expire() {
	p := &s.presence
	if p.queued == 0 {
		p.done = max(p.done, s.epochOf(s.clock)-lateEpochs)
		return
	}
	// Reads may arrive a little late: silence is judged only when it is older than that.
	until := s.epochOf(s.clock) - lateEpochs
	for p.done < until {
		e := p.done + 1
		if p.queued == 0 {
			p.done = until
			return
		}
		bucket := p.wheel[e%wheelBuckets]
		p.wheel[e%wheelBuckets] = nil
		p.queued -= len(bucket)
		p.done = e
		p.leave = p.leave[:0]
		for _, ti := range bucket {
			if tr := &p.traces[ti]; tr.due == e && tr.point != 0 {
				s.review(ti, e)
			}
		}
		if len(p.leave) > 0 {
			// The bucket's order depends on history; the order of facts must not.
			slices.SortFunc(p.leave, func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) })
			for _, i := range slices.Compact(p.leave) {
				s.depart(i, e)
			}
		}
		if cap(bucket) <= 4096 && p.wheel[e%wheelBuckets] == nil {
			p.wheel[e%wheelBuckets] = bucket[:0]
		}
	}
}

// review looks at one trace in epoch e: it goes on, ends an item's presence, or is forgotten.
func (s *State) review(ti int32, e int64) {
	p := &s.presence
	tr := &p.traces[ti]
	switch silent := e - tr.last; {
	case silent >= freeAfter:
		s.release(ti)
	case silent < minSilence:
		p.schedule(ti, tr.last+minSilence)
	default:
		after := int64(traceEpochs)
		if tr.bits != 0 {
			after = int64(departsAfter(tr.bits, s.delta()))
		}
		if silent < after {
			p.schedule(ti, tr.last+after)
			return
		}
		if pt := s.point(tr.point); pt != nil && pt.role == layout.Fixed {
			p.leave = append(p.leave, tr.item)
		}
		p.schedule(ti, tr.last+freeAfter)
	}
}

func (s *State) delta() float64 {
	return min(0.5, max(1e-6, 1-s.bound.cfg.Layout.Presence.Completeness))
}

// release forgets a trace. The item is written then, since the record is the only place left that knows when it was last heard.
func (s *State) release(ti int32) {
	p := &s.presence
	tr := &p.traces[ti]
	it := s.item(tr.item)
	if it.ev == ti {
		it.ev = tr.next
	} else {
		for prev := it.ev; prev >= 0; prev = p.traces[prev].next {
			if p.traces[prev].next == ti {
				p.traces[prev].next = tr.next
				break
			}
		}
	}
	s.touch(tr.item)
	*tr = trace{next: -1}
	p.free = append(p.free, ti)
}

// depart decides about an item one of whose readers has gone silent: it left, moved to where it is still heard, or another reader of the zone still has it.
func (s *State) depart(i int32, e int64) {
	it := s.item(i)
	here := s.zone(it.zone)
	if it.zone == 0 || !here.covered || it.flags&flagDeclared != 0 {
		return
	}
	var best *pointInfo
	bestScore := float64(absentScore)
	var bestLast int64
	for ti := it.ev; ti >= 0; ti = s.presence.traces[ti].next {
		tr := &s.presence.traces[ti]
		pt := s.point(tr.point)
		if pt == nil || pt.role != layout.Fixed || tr.bits == 0 || e-tr.last >= int64(departsAfter(tr.bits, s.delta())) {
			continue
		}
		if pt.zone == it.zone {
			return // another reader of the zone still has it
		}
		if sig := s.signal(it, pt.zone, e); sig.hits >= pt.hits && (sig.score > bestScore || sig.score == bestScore && pt.name < best.name) {
			best, bestScore, bestLast = pt, sig.score, tr.last
		}
	}
	if sig := s.signal(it, it.zone, e); !sig.any && e-s.epochOf(it.since) < minSilence {
		return // just placed here by other means; give the readers a moment
	}
	if best != nil {
		s.arrive(i, best.zone, max(it.since, bestLast*s.bound.epoch), best.name, false)
		return
	}
	s.leaveZone(i, Left, max(it.since, it.seen), 0)
}

func (p *presence) digest(s *State, i int32, put func(string, ...any)) {
	type row struct {
		point uint16
		bits  uint32
		last  int64
	}
	var rows []row
	now := s.epochOf(s.clock)
	for ti := s.item(i).ev; ti >= 0; ti = p.traces[ti].next {
		tr := &p.traces[ti]
		if now-tr.last < traceEpochs {
			rows = append(rows, row{tr.point, tr.bits, tr.last})
		}
	}
	slices.SortFunc(rows, func(a, b row) int { return int(a.point) - int(b.point) })
	for _, r := range rows {
		put("  trace %d %d %x", r.point, r.last, r.bits)
	}
}
