package deliver

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"golang.org/x/time/rate"

	"lintel/engine/event"
	"lintel/engine/store"
)

// state is where an entry is.
type state uint8

const (
	stateNew      state = iota
	stateGated          // an earlier message of its alert is pending
	stateDelayed        // waits for its time, in Dispatcher.delayed
	stateReady          // waits for its channel, in one of the lane's queues
	stateHeld           // waits until the store takes outcomes again, in siteQueue.held
	stateInFlight       // is being tried
	stateUnsaved        // its outcome waits to be stored, in siteQueue.outbox
	stateRemoved
)

// entry is a delivery in memory: what is needed to know when it is its turn. Its record is there
// only if it was just offered; else it is read again right before the try, which also shows whether
// it is still pending.
type entry struct {
	site  *siteQueue
	lane  *lane
	id    string
	alert string
	order int
	made  int64 // Unix milliseconds: Delivery.At
	due   int64 // Unix milliseconds, 0: at once

	rec     *event.Delivery
	pending bool // it was when it came here; else a person has it sent again
	tried   bool // had its first try
	hand    bool // a person asked for a try: whatever the status, once
	waited  bool // was counted as waiting for PerSecond
	adopted bool // was found in the store, not offered
	state   state
	queue   *fifo

	delayedAt, waitingAt int   // places in queue.delayed and lane.waiting
	forward              bool  // brought forward since its last try by the schedule
	notBefore            int64 // Unix milliseconds: what the receiver asked for with Retry-After
	unknown              int   // how often there was no channel of its name

	was     event.DeliveryStatus // before the try
	result  event.Delivery       // after it, while in the outbox
	out     Outcome
	written bool // the outcome is what the store has now, and not another process's
	waiters []chan<- tried
}

// tried answers a call of Retry.
type tried struct {
	out Outcome
	err error
}

func (e *entry) answer(out Outcome, err error) {
	for _, w := range e.waiters {
		w <- tried{out, err} // has room for the one answer
	}
	e.waiters = nil
}

// siteQueue is what a dispatcher holds of one site.
type siteQueue struct {
	name     string
	attached bool // resumed and not forgotten
	resuming bool
	dropped  bool // forgotten while resuming
	scanning bool
	buffer   []event.Delivery // offered while resuming
	entries  map[string]*entry
	gates    map[gateKey][]*entry // pending messages of an alert for a channel, by order
	parked   parked               // alerts whose first pending messages are in the store only
	passed   parked               // those parked while a scan ran, which may not have seen why
	crowded  map[string]bool      // channels with too many of them to know them all
	wide     map[string]bool      // channels of which the next scan also looks for what is due late
	left     map[string]bool      // channels of which messages without a try are in the store only, so that later ones must not pass them
	skipped  map[string]bool      // channels that were left while a scan ran, which may not have seen why
	recent   map[string]time.Time // adopted ones that are done: the runner may be about to offer them
	scanAt   time.Time
	again    bool // resumed while attached: a scan that began before may not see what made the runner ask

	retention store.Retention // by which settled ones are deleted

	held    []*entry
	outbox  []*entry
	writing bool // save runs
	failing bool // the store refused the last outcomes
}

// queue holds the deliveries that are in memory: which there are, where each of them waits, and
// which has to wait for which. It is guarded by Dispatcher.mu.
type queue struct {
	sites     map[string]*siteQueue
	lanes     map[string]*lane
	delayed   *entryHeap
	data      int // bytes of message bodies in memory
	dataBytes int // and how many there may be
}

func newQueue(dataBytes int) queue {
	return queue{sites: map[string]*siteQueue{}, lanes: map[string]*lane{}, delayed: newDelayed(), dataBytes: dataBytes}
}

func (q *queue) site(name string) *siteQueue {
	s := q.sites[name]
	if s == nil {
		s = &siteQueue{
			name: name, entries: map[string]*entry{}, gates: map[gateKey][]*entry{},
			left: map[string]bool{}, skipped: map[string]bool{}, recent: map[string]time.Time{},
			parked: parked{}, passed: parked{}, wide: map[string]bool{},
		}
		q.sites[name] = s
	}
	return s
}

// tidy forgets a site of which nothing is left.
func (q *queue) tidy(s *siteQueue) {
	if !s.attached && !s.resuming && !s.writing && len(s.entries) == 0 && q.sites[s.name] == s {
		delete(q.sites, s.name)
	}
}

// leave notes that messages of the channel stay in the store for now.
func (s *siteQueue) leave(channel string) {
	s.left[channel] = true
	if s.scanning || s.resuming {
		s.skipped[channel] = true
	}
}

func (s *siteQueue) scanBy(t time.Time) {
	if t.Before(s.scanAt) {
		s.scanAt = t
	}
}

// lane is the queue of one channel, over all sites.
type lane struct {
	name     string
	queued   int // entries of this channel in any state
	inFlight int
	limit    int       // tries at one time: the channel's MaxInFlight, less while the receiver is in trouble
	paused   time.Time // until when the receiver asked for quiet
	limiter  *rate.Limiter
	waited   uint64
	leftOut  uint64
	starved  bool // in Dispatcher.starved
	wake     *time.Timer
	waiting  *entryHeap // those of Dispatcher.delayed that can be brought forward
	credit   int        // how many may be

	hand, fresh, again fifo
	turn               int
}

func (q *queue) lane(name string) *lane {
	l := q.lanes[name]
	if l == nil {
		l = &lane{name: name, waiting: newWaiting()}
		q.lanes[name] = l
	}
	return l
}

// next returns the entry whose turn it is: what a person asked for, then messages that were not
// tried yet, but every fourth time one that was, so that neither waits for ever.
func (l *lane) next() *entry {
	first, second := &l.fresh, &l.again
	if l.turn%4 == 3 {
		first, second = second, first
	}
	for _, q := range [...]*fifo{&l.hand, first, second} {
		if e := q.peek(); e != nil {
			return e
		}
	}
	return nil
}

// fifo is a queue. An entry that was taken out elsewhere stays in it as a leftover that peek passes
// over.
type fifo struct {
	items []*entry
	head  int
}

func (q *fifo) push(e *entry) {
	if q.head > 64 && q.head > len(q.items)/2 {
		n := copy(q.items, q.items[q.head:])
		clear(q.items[n:])
		q.items, q.head = q.items[:n], 0
	}
	e.queue = q
	q.items = append(q.items, e)
}

func (q *fifo) peek() *entry {
	for ; q.head < len(q.items); q.head++ {
		if e := q.items[q.head]; e.queue == q {
			return e
		}
		q.items[q.head] = nil
	}
	q.items, q.head = q.items[:0], 0
	return nil
}

func compareEntries(a, b *entry) int {
	return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(a.made, b.made), cmp.Compare(a.id, b.id))
}

// insert makes an entry. It is not placed yet.
func (q *queue) insert(s *siteQueue, m *event.Delivery, keep bool) *entry {
	e := &entry{
		site: s, lane: q.lane(m.Channel), id: m.ID, alert: m.Alert, order: m.Order, made: m.At, due: m.NextTry,
		tried: m.Attempts > 0, pending: m.Status == event.DeliveryPending,
	}
	if keep && q.data+len(m.Data) <= q.dataBytes {
		rec := *m
		e.rec = &rec
		q.data += len(m.Data)
	}
	s.entries[e.id] = e
	e.lane.queued++
	if key, ok := e.gate(); ok {
		list := s.gates[key]
		at, _ := slices.BinarySearchFunc(list, e, compareEntries)
		s.gates[key] = slices.Insert(list, at, e)
	}
	return e
}

// place puts an entry where it has to wait.
func (q *queue) place(e *entry) {
	switch {
	case !e.mayGo():
		e.state = stateGated
	case e.due > time.Now().UnixMilli():
		e.state = stateDelayed
		q.delayed.add(e)
		if !e.forward {
			e.lane.waiting.add(e)
		}
	default:
		q.ready(e)
	}
}

// unplace takes an entry out of where it waits.
func (q *queue) unplace(e *entry) {
	q.delayed.drop(e)
	e.lane.waiting.drop(e)
	e.queue = nil
	e.state = stateNew
}

func (q *queue) ready(e *entry) {
	e.state = stateReady
	switch {
	case e.hand:
		e.lane.hand.push(e)
	case e.tried:
		e.lane.again.push(e)
	default:
		e.lane.fresh.push(e)
	}
}

// remove forgets an entry.
func (q *queue) remove(e *entry) {
	if e.state == stateRemoved {
		return
	}
	q.unplace(e)
	e.state = stateRemoved
	q.ungate(e)
	if e.rec != nil {
		q.data -= len(e.rec.Data)
		e.rec = nil
	}
	delete(e.site.entries, e.id)
	e.lane.queued--
	if e.adopted && e.site.attached {
		e.site.recent[e.id] = time.Now()
	}
}

// offer queues a delivery that was just committed, or leaves it to the store and returns nil.
func (d *Dispatcher) offer(s *siteQueue, m *event.Delivery) *entry {
	if m.Status != event.DeliveryPending || s.entries[m.ID] != nil {
		return nil
	}
	if _, done := s.recent[m.ID]; done {
		return nil
	}
	if s.parked.before(m.Channel, m.Alert, m.Order) || s.crowded[m.Channel] && m.Order > 1 {
		return nil // it stays in the store, behind what it waits for
	}
	if s.left[m.Channel] || d.lane(m.Channel).queued >= d.opt.PerChannel {
		s.leave(m.Channel)
		return nil
	}
	e := d.insert(s, m, true)
	d.place(e)
	return e
}

// adopt queues what a scan found.
func (d *Dispatcher) adopt(s *siteQueue, found scanned) {
	s.parked, s.crowded = found.parked, found.crowded
	for channel, alerts := range s.passed {
		for alert, order := range alerts {
			if !s.parked.add(channel, alert, order) {
				s.crowd(channel)
			}
		}
	}
	clear(s.passed)
	left := map[string]bool{} // once one is left, those after it are too
	now := time.Now()
	s.scanAt = now.Add(d.opt.ScanEvery)
	if s.again {
		s.scanAt = now
	}
	for i := range found.pending {
		m := &found.pending[i]
		if s.entries[m.ID] != nil || s.parked.before(m.Channel, m.Alert, m.Order) {
			continue
		}
		if _, done := s.recent[m.ID]; done && m.Attempts == 0 {
			continue // the search began before its try; one that was tried is read again before the next
		}
		l := d.lane(m.Channel)
		switch untried := m.Attempts == 0; {
		case untried && (left[m.Channel] || l.queued >= d.opt.PerChannel):
			left[m.Channel] = true
			continue
		case !untried && l.queued >= d.opt.PerChannel/2:
			s.scanBy(later(now.Add(time.Minute), time.UnixMilli(m.NextTry)))
			if !s.parked.add(m.Channel, m.Alert, m.Order) {
				s.crowd(m.Channel)
			}
			continue
		}
		e := d.insert(s, m, false)
		e.adopted = true
		d.place(e)
	}
	maps.Copy(left, found.more)
	maps.Copy(left, s.skipped)
	clear(s.skipped)
	s.left = left
	for _, l := range d.lanes {
		d.bringForward(l)
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// arm sets the timer to the entry that is due first.
func (d *Dispatcher) arm() {
	if !d.running || d.stopping || d.delayed.Len() == 0 {
		return
	}
	const most = time.Minute // so that a wall clock that is set anew does not matter for long
	wait := min(most, time.Until(time.UnixMilli(d.delayed.first().due)))
	if d.timer == nil {
		d.timer = time.AfterFunc(wait, d.ring)
	} else {
		d.timer.Reset(wait)
	}
}

// ring moves what is due to its lane.
func (d *Dispatcher) ring() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stopping {
		return
	}
	now := time.Now().UnixMilli()
	for d.delayed.Len() > 0 && d.delayed.first().due <= now {
		e := d.delayed.first()
		d.unplace(e)
		d.place(e)
		d.pump(e.lane)
	}
	d.arm()
}

func (d *Dispatcher) pumpAll() {
	for _, l := range d.lanes {
		d.pump(l)
	}
}

// pump starts as many tries of the lane as may run now.
func (d *Dispatcher) pump(l *lane) {
	for d.running && !d.stopping {
		e := l.next()
		if e == nil {
			return
		}
		if e.site.failing {
			e.queue = nil
			e.state = stateHeld
			e.site.held = append(e.site.held, e)
			continue
		}
		if !e.mayGo() {
			e.queue = nil
			e.state = stateGated
			continue
		}
		c, known := d.opt.Channels(l.name)
		most := c.maxInFlight()
		if l.limit == 0 || l.limit > most {
			l.limit = most
		}
		if l.inFlight >= l.limit {
			return // the end of a try comes here again
		}
		if d.inFlight >= d.opt.Workers && l.inFlight > 0 {
			if !l.starved {
				l.starved = true
				d.starved = append(d.starved, l)
			}
			return
		}
		now := time.Now()
		if wait := l.paused.Sub(now); wait > 0 && !e.hand {
			d.wakeAfter(l, wait)
			return
		}
		if wait := l.reserve(now, c.PerSecond); wait > 0 {
			if !e.waited {
				e.waited = true
				l.waited++
				if d.opt.Observe.Waited != nil {
					d.opt.Observe.Waited(l.name)
				}
			}
			d.wakeAfter(l, wait)
			return
		}
		e.queue = nil
		e.state = stateInFlight
		l.turn++
		l.inFlight++
		d.inFlight++
		d.wg.Add(1)
		t := try{entry: e, rec: e.rec, hand: e.hand, channel: c, known: known}
		if known {
			t.health, t.stopped = d.stoppedNow(&c)
		}
		go d.attempt(t)
	}
}

// reserve takes a place from the lane's rate limit and returns 0, or how long there is none.
func (l *lane) reserve(now time.Time, perSecond float64) time.Duration {
	if perSecond <= 0 {
		l.limiter = nil
		return 0
	}
	if l.limiter == nil {
		l.limiter = rate.NewLimiter(rate.Limit(perSecond), 1) // evenly: no burst
	} else if l.limiter.Limit() != rate.Limit(perSecond) {
		l.limiter.SetLimitAt(now, rate.Limit(perSecond))
	}
	r := l.limiter.ReserveN(now, 1)
	wait := r.DelayFrom(now)
	if wait > 0 {
		r.CancelAt(now)
	}
	return wait
}

func (d *Dispatcher) wakeAfter(l *lane, wait time.Duration) {
	if l.wake != nil {
		l.wake.Reset(wait)
		return
	}
	l.wake = time.AfterFunc(wait, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.pump(l)
	})
}
