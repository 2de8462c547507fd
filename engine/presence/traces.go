package presence

import (
	"math"
	"math/bits"
	"slices"

	"lintel/engine/event"
)

// Traces turn noisy reads of always-on readers into where an item is.
//
// Time is cut into epochs (one second unless the layout says otherwise). For each item and read
// point a trace remembers in which of the last epochs the tag was heard and how strongly. From that
// alone:
//
//   - How long silence must last before it means absence follows the idea of Jeffery, Garofalakis
//     and Franklin, "Adaptive Cleaning for RFID Data Streams" (VLDB 2006): each epoch is a draw
//     with the tag's own read rate p, so a tag that is heard rarely is waited for longer. See
//     silence.
//   - Which of several readers has the item is decided by the mean of its strongest reads plus its
//     read rate in decibels, and a change needs more than the layout's hysteresis and what chance
//     alone would give. See accepts.
//
// Three things are known for longer than evidence lasts, and so stand in records: that somebody
// declared where an item is, that the readers hear it badly where it lies (Known.Faint), and how busy
// each read point usually is (readers.go), by which it is soon known that one no longer hears
// anything. Where a reader is deaf its items neither leave nor are taken by the reader next door.
const (
	traceEpochs = 64 // epochs a trace remembers before its last hit, and the longest silence that still is presence
	slotEpochs  = 2  // epochs that share one remembered signal strength
	slots       = 16
	scoreEpochs = (slots - 1) * slotEpochs // epochs that the score looks at: one slot may have only begun
	minSilence  = 3                        // epochs of silence before the first look whether an item left
	freeAfter   = 96                       // epochs after which a trace is forgotten
	savedAfter  = 32                       // epochs after which what is unsaved is written; with freeAfter less than EvidenceEpochs
	lateEpochs  = 4                        // a read older than this many epochs adds to a trace but moves nothing
	strongHits  = 5                        // epochs in which a reader must hear an item to overrule what a person declared
	// epochs of silence before another zone may take an item that it does not hear better: a deaf
	// reader is known by then
	movedSilence = deafEpochs + 2
	graceEpochs  = 16 // epochs that a reader that was deaf gets to hear its items again
	// dB by which a reader may hear what was declared elsewhere worse than goods of its own zone
	// and still claim it
	ownShort     = 5
	restsAfter   = 30 * 60_000 // milliseconds in one zone after which goods that somebody carried in are taken to be stock
	absentScore  = math.MinInt32
	defaultRSSI  = -60 // dBm taken for a reader that reports none: then only the read rate decides
	wheelBuckets = 128
)

// Our own, tuned on the simulator (package measure says how, and how far to trust it).
const (
	// powers of 1-completeness that the chance of a silence must fall below to mean absence: every
	// epoch is another chance to be wrong
	goneLooks = 2.5
	spreadDB  = 5.0 // standard deviation of a single epoch's contribution to a score: fading, and the chance in the rate
	spreads   = 0.5 // standard errors by which a difference in scores must exceed the hysteresis

	dbUnits   = 64      // scores are in 1/dbUnits dB, so that the same reads give the same scores on every machine
	lookUnits = 1 << 20 // of Layout.looks and missLog
)

// EvidenceEpochs is how far back entries matter to evidence: what a trace remembers, plus the
// longest silence, plus lateness.
const EvidenceEpochs = traceEpochs + freeAfter + lateEpochs + 2

// trace is what one read point heard of one item lately: 48 bytes.
type trace struct {
	item  int32
	next  int32 // the item's next trace, 0: none
	point uint16
	due   uint8       // the wheel bucket that holds it
	bits  uint64      // bit i: heard in epoch last-i
	last  int64       // newest epoch heard
	peak  [slots]int8 // strongest read of each slot, dBm; by epoch/slotEpochs modulo slots
}

// traceBook holds all traces of a site and a timing wheel of when each must be looked at again.
type traceBook struct {
	all    []trace // the first is not used
	free   []int32
	wheel  [wheelBuckets][]int32
	done   int64 // epochs up to here are processed
	queued int   // entries in the wheel
	leave  []int32
}

func (s *Site) epochOf(ms int64) int64 { return ms / s.layout.Epoch }

// schedule puts a trace into the wheel bucket of epoch e; an earlier place in the wheel goes stale.
func (p *traceBook) schedule(i int32, e int64) {
	if e <= p.done {
		e = p.done + 1
	}
	if e > p.done+wheelBuckets-1 {
		e = p.done + wheelBuckets - 1
	}
	p.all[i].due = uint8(e % wheelBuckets) // no two epochs within reach share a bucket
	p.wheel[e%wheelBuckets] = append(p.wheel[e%wheelBuckets], i)
	p.queued++
}

// hear adds one read to the item's trace at the read point and reports whether it is the first of
// its epoch there, so that it may change something.
func (s *Site) hear(i int32, it *Known, pt *Point, zone uint16, t int64, rssi int16) (fresh bool) {
	p := &s.traces
	e := s.epochOf(t)
	ti := it.traces
	for ti > 0 && p.all[ti].point != pt.Name {
		ti = p.all[ti].next
	}
	db := int8(defaultRSSI)
	if rssi != event.NoRSSI {
		db = int8(max(-128, min(0, int(rssi)/10)))
	}
	if ti == 0 {
		if e <= s.epochOf(s.clock)-freeAfter {
			return false // too old to be evidence of anything now
		}
		if n := len(p.free); n > 0 {
			ti, p.free = p.free[n-1], p.free[:n-1]
		} else {
			p.all = append(p.all, trace{})
			ti = int32(len(p.all) - 1)
		}
		p.all[ti] = trace{item: i, next: it.traces, point: pt.Name, last: e}
		p.all[ti].hit(e, db)
		it.traces = ti
		s.load(pt)
		p.schedule(ti, e+minSilence)
		return true
	}
	tr := &p.all[ti]
	d := e - tr.last
	if d == 0 && tr.bits&1 != 0 { // most reads
		k := peakOf(e)
		tr.peak[k] = max(tr.peak[k], db)
		return false
	}
	if d <= -traceEpochs {
		return false
	}
	if d > 0 {
		tr.bits <<= uint(min(d, traceEpochs)) // by 64 it is 0
		tr.last = e
		s.load(pt)
		s.noteOwn(pt, it, zone, rssi)
		if e+minSilence < p.dueEpoch(tr) {
			p.schedule(ti, e+minSilence)
		}
	}
	return tr.hit(e, db)
}

// dueEpoch returns the epoch in which the trace is looked at next.
func (p *traceBook) dueEpoch(t *trace) int64 {
	next := p.done + 1
	return next + (int64(t.due)-next)&(wheelBuckets-1)
}

func peakOf(e int64) int64 { return e / slotEpochs % slots }

// hit notes a read in epoch e, at or before the trace's last, and reports whether it is the first
// of that epoch.
func (t *trace) hit(e int64, db int8) bool {
	bit := uint64(1) << uint(t.last-e)
	had := t.bits&bit != 0
	if t.last/slotEpochs-e/slotEpochs < slots { // the same for both epochs of a slot
		// The slot is this read's alone unless the other epoch in it was heard, too.
		other := bit << 1
		if e%slotEpochs == 0 {
			other = bit >> 1 // 0 where the other epoch is still to come
		}
		if k := peakOf(e); had || t.bits&other != 0 {
			t.peak[k] = max(t.peak[k], db)
		} else {
			t.peak[k] = db
		}
	}
	t.bits |= bit
	return !had
}

// Keeps reports whether a read of the time t is still evidence that the item's traces keep; otherwise
// a record must say what it says.
func (s *Site) Keeps(it *Known, t int64) bool {
	return it.traces != 0 && s.epochOf(t) > s.epochOf(s.clock)-min(freeAfter, traceEpochs)
}

// ForgetBefore drops what the item's traces heard before the epoch of t: somebody declared where it
// is, and what was heard before says nothing any more.
func (s *Site) ForgetBefore(it *Known, t int64) {
	e := s.epochOf(t)
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		switch keep := tr.last - e + 1; {
		case keep <= 0:
			tr.bits = 0
		case keep < traceEpochs:
			tr.bits &= 1<<uint(keep) - 1
		}
	}
}

// aligned returns the trace's hits with bit 0 at epoch e, for e at or after its last hit.
func (t *trace) aligned(e int64) uint64 { return t.bits << uint(min(max(e-t.last, 0), traceEpochs)) }

// at returns the trace's hits with bit 0 at epoch e, without those after it.
func (t *trace) at(e int64) uint64 {
	if e < t.last {
		return t.bits >> uint(min(t.last-e, traceEpochs))
	}
	return t.aligned(e)
}

// silence returns after how many epochs without a hit the item whose hits are in h (bit i: heard i
// epochs before the last hit) counts as gone.
//
// Each epoch is a draw with the read rate p. The paper's window, (2/p)*ln(1/delta) epochs for a
// chance of delta to miss a tag that is there, bounds a single look (formula recalled from memory).
// But every hit begins another silence, hundreds an hour and item, so the bound must hold over all
// of them; and (1-p)^k, the chance of k misses, is used as it is, since 1/p overstates it for tags
// that are read well. Looks is ln(1/delta) times how much surer than a single look it must be, in
// 1/lookUnits: the answer is the smallest k with (1-p)^k <= exp(-looks/lookUnits).
func silence(h uint64, looks int64) int64 {
	n, span := bits.OnesCount64(h), bits.Len64(h)
	// One success and one failure are added, so that a tag heard once is not taken to be read
	// always.
	k := (looks*missLog[n][span] + lookUnits*lookUnits - 1) / (lookUnits * lookUnits)
	return max(minSilence, min(traceEpochs, k))
}

// missLog is -1/ln(1-p) for p = (n+1)/(span+2), by n and span, in 1/lookUnits: logarithms are too
// slow for the hot path, and differ between machines in their last digit.
var missLog = func() (t [traceEpochs + 1][traceEpochs + 1]int64) {
	for n := range t {
		for span := n; span <= traceEpochs; span++ {
			t[n][span] = int64(math.Round(-lookUnits / math.Log(1-float64(n+1)/float64(span+2))))
		}
	}
	return
}()

// expire looks at all traces that are due by the site clock: items that left, evidence that is too
// old.
func (s *Site) expire() {
	p := &s.traces
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
			if tr := &p.all[ti]; int64(tr.due) == e%wheelBuckets && tr.point != 0 {
				s.review(ti, e)
			}
		}
		if len(p.leave) > 0 {
			// The bucket's order depends on history; the order of facts must not.
			slices.SortFunc(p.leave, func(a, b int32) int { return s.items.Key(a).Compare(s.items.Key(b)) })
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
func (s *Site) review(ti int32, e int64) {
	p := &s.traces
	tr := &p.all[ti]
	if it := s.items.Item(tr.item); it.Unsaved && !s.replaying && e-s.epochOf(it.Sure) >= savedAfter {
		it.Unsaved = false
		s.items.Touch(tr.item)
	}
	switch silent := e - tr.last; {
	case silent >= freeAfter:
		s.release(ti)
	case silent < minSilence:
		p.schedule(ti, tr.last+minSilence)
	default:
		after := int64(minSilence)
		if tr.bits != 0 {
			after = silence(tr.bits, s.layout.looks)
		}
		if silent < after {
			p.schedule(ti, tr.last+after)
			return
		}
		// When a trace is looked at follows from evidence alone. Whether the item leaves may depend
		// on records too, and is asked again until the trace is forgotten.
		next := freeAfter - silent
		if pt := s.layout.Point(tr.point); pt != nil && pt.Role == event.Fixed {
			p.leave = append(p.leave, tr.item)
			next = min(next, graceEpochs/2)
		}
		p.schedule(ti, e+next)
	}
}

// release forgets a trace. The item is written then, since the record is the only place left that
// knows when it was last heard.
func (s *Site) release(ti int32) {
	p := &s.traces
	tr := &p.all[ti]
	it := s.items.Item(tr.item)
	if it.traces == ti {
		it.traces = tr.next
	} else {
		for prev := it.traces; prev >= 0; prev = p.all[prev].next {
			if p.all[prev].next == ti {
				p.all[prev].next = tr.next
				break
			}
		}
	}
	s.items.Touch(tr.item)
	*tr = trace{}
	p.free = append(p.free, ti)
}

// depart decides about an item one of whose readers has gone silent: it left, moved to where it is
// still heard, or another reader of the zone still has it.
func (s *Site) depart(i int32, e int64) {
	it := s.items.Item(i)
	here := s.layout.Zone(it.Zone)
	if it.Zone == 0 || !here.Covered || it.Declared || it.Faint || s.deaf(here) {
		return
	}
	var best *Point
	bestScore := absentScore
	var bestLast int64
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		pt := s.layout.Point(tr.point)
		if pt == nil || pt.Role != event.Fixed || tr.bits == 0 {
			continue
		}
		if e-tr.last >= silence(tr.bits, s.layout.looks) {
			continue
		}
		if pt.Zone == it.Zone {
			return // another reader of the zone still has it
		}
		if sig := s.signal(it, pt.Zone, e); sig.hits >= pt.hits && (sig.score > bestScore || sig.score == bestScore &&
			pt.Name < best.Name) {
			best, bestScore, bestLast = pt, sig.score, tr.last
		}
	}
	if sig := s.signal(it, it.Zone, e); !sig.any && e-s.epochOf(it.Since) < graceEpochs {
		return // just placed here by other means; give the readers a moment
	}
	if best != nil {
		s.arrive(i, best.Zone, max(it.Since, bestLast*s.layout.Epoch), best.Name)
		return
	}
	if !s.replaying {
		s.events.Left(i, max(it.Since, it.Seen))
	}
}

// arrive notifies that the readers of a zone have the item now.
func (s *Site) arrive(i int32, zone uint16, at int64, point uint16) {
	if s.replaying {
		return
	}
	if from := s.items.Item(i).Zone; s.layout.Zone(from).Kind == event.Exit {
		s.doors.learnReturn(i, from)
	}
	s.events.Arrived(i, zone, at, point)
}

// InBoth returns in how many of the last scoreEpochs before t fixed readers of both zones heard the
// item.
func (s *Site) InBoth(it *Known, a, b uint16, t int64) int {
	e := s.epochOf(t)
	return bits.OnesCount64(s.heardIn(it, a, e) & s.heardIn(it, b, e) & (1<<scoreEpochs - 1))
}

// heardIn returns the epochs in which any fixed reader of a zone heard the item, with bit 0 at
// epoch e.
func (s *Site) heardIn(it *Known, zone uint16, e int64) (heard uint64) {
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		if p := s.layout.Point(tr.point); p != nil && p.Role == event.Fixed && p.Zone == zone {
			heard |= tr.at(e)
		}
	}
	return heard
}

// Elsewhere returns another zone whose reader heard the item within two seconds of a moment as well
// as a handheld that heard it in zone with rssi, in tenths of a dBm; 0: none. One tag can't be in
// two places.
func (s *Site) Elsewhere(it *Known, zone uint16, at int64, rssi int16) uint16 {
	for ti := it.traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		pt := s.layout.Point(tr.point)
		if pt == nil || pt.Role != event.Fixed || pt.Zone == zone || pt.Zone == 0 {
			continue
		}
		if apart(tr.last, s.epochOf(at))*s.layout.Epoch > 2000 {
			continue
		}
		// A reader that merely hears the next zone hears it weakly; one that hears the tag as well
		// as the handheld in front of it has another tag there.
		sig := s.signal(it, pt.Zone, tr.last)
		if sig.hits >= strongHits && rssi != event.NoRSSI && sig.score >= (int(rssi)-30)*dbUnits/10 {
			return pt.Zone
		}
	}
	return 0
}

func (s *Site) digestTraces(i int32, put func(string, ...any)) {
	type row struct {
		point uint16
		bits  uint64
		last  int64
	}
	var rows []row
	now := s.epochOf(s.clock)
	for ti := s.items.Item(i).traces; ti > 0; ti = s.traces.all[ti].next {
		tr := &s.traces.all[ti]
		if now-tr.last < traceEpochs {
			rows = append(rows, row{tr.point, tr.bits, tr.last})
		}
	}
	slices.SortFunc(rows, func(a, b row) int { return int(a.point) - int(b.point) })
	for _, r := range rows {
		put("trace %v %d %d %x", s.items.Key(i), r.point, r.last, r.bits)
	}
}
