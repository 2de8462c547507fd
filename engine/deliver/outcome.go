package deliver

import (
	"errors"
	"fmt"
	"log/slog"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

const (
	// waiting messages that each success of a channel brings forward: so their number grows with what
	// the receiver takes, within the channel's limits, and ends with the first failure
	forwardAtOnce = 2
	maxUnknown    = 60 // tries of a message for a channel that does not exist before they count; about half an hour

	maxPause     = time.Minute // that a receiver's Retry-After holds the whole channel
	maxBatch     = 256         // outcomes in one commit
	storeRetry   = 2 * time.Second
	maxStoreWait = 5 * time.Second
)

// try is what one try works with, fixed when it starts.
type try struct {
	entry   *entry
	rec     *event.Delivery
	hand    bool
	channel Channel
	known   bool
	stopped bool
	health  Health // of a channel that is stopped
}

// attempt makes one try in a goroutine of its own.
func (d *Dispatcher) attempt(t try) {
	defer d.wg.Done()
	e := t.entry
	rec := t.rec
	if rec == nil {
		var err error
		rec, err = d.read(d.base, e.site.name, e.id)
		switch {
		case errors.Is(err, store.ErrNotFound):
			d.drop(e, err)
			return
		case err != nil:
			d.opt.Log.Warn("a delivery can't be read", "site", e.site.name, "delivery", e.id, "error", err)
			d.postpone(e, time.Now().Add(storeRetry).UnixMilli())
			return
		case t.hand, e.forward && rec.Status == event.DeliveryPending:
		case rec.Status != event.DeliveryPending:
			d.drop(e, nil)
			return
		case rec.NextTry > time.Now().Add(time.Second).UnixMilli():
			d.postpone(e, rec.NextTry)
			return
		}
	}
	out, next := d.judge(t, rec)
	if d.base.Err() != nil && !out.OK() {
		d.interrupt(e)
		return
	}
	out.log(d.opt.Log, e.site.name, &next)
	if d.opt.Observe.Tried != nil && out.sent {
		d.opt.Observe.Tried(e.site.name, next, out)
	}
	d.finish(t, rec, next, out)
}

// judge makes the try, if there is anything to send to, and returns what comes of it.
func (d *Dispatcher) judge(t try, rec *event.Delivery) (Outcome, event.Delivery) {
	c := &t.channel
	var out Outcome
	switch {
	case !t.known:
		out = Outcome{Class: Failed, Reason: fmt.Sprintf("not sent: there is no channel %q", rec.Channel)}
	case c.Disabled:
		out = Outcome{Class: Failed, Reason: "not sent: the channel is disabled"}
	case t.stopped && !t.hand:
		out = Outcome{Class: Failed, Reason: "not sent: " + t.health.why()}
	case !t.hand && !c.Wants(rec.Type):
		return Outcome{Class: Success, left: true}, *rec
	default:
		out = d.send(d.base, c, t.entry.site.name, rec)
	}
	if !t.known && !t.hand && t.entry.unknown < maxUnknown {
		t.entry.unknown++
		next := *rec
		next.Reason = out.Reason
		next.NextTry = time.Now().Add(time.Duration(t.entry.unknown) * time.Second).UnixMilli()
		return out, next
	}
	if rec.Status == event.DeliveryPending {
		return out, d.opt.Schedule.Next(*rec, out, time.Now(), d.opt.Rand())
	}
	// A person sent it again: once, and what was settled stays settled unless it succeeds.
	next := *rec
	next.Attempts++
	next.LastTry, next.Took, next.Code, next.Reason = time.Now().UnixMilli(), out.Took.Milliseconds(), out.Code, ""
	if out.OK() {
		next.Status = event.DeliveryDelivered
	} else {
		next.Reason = "sent again by hand: " + out.Reason
	}
	return out, next
}

func (out Outcome) log(log *slog.Logger, site string, m *event.Delivery) {
	log = log.With("site", site, "channel", m.Channel, "delivery", m.ID, "type", m.Type, "try", m.Attempts)
	switch {
	case out.left:
		log.Debug("left out: the channel does not want messages of this type")
	case out.OK():
		log.Debug("delivered", "code", out.Code, "took", out.Took)
	case m.Status == event.DeliveryDead:
		log.Warn("a delivery is dead", "code", out.Code, "reason", m.Reason)
	default:
		log.Info("a delivery failed", "code", out.Code, "reason", out.Reason, "next", time.UnixMilli(m.NextTry).UTC())
	}
}

// release ends the entry's use of its channel.
func (d *Dispatcher) release(e *entry) {
	e.lane.inFlight--
	d.inFlight--
}

// onward starts what can start after a try ended.
func (d *Dispatcher) onward(l *lane) {
	for len(d.starved) > 0 && d.inFlight < d.opt.Workers {
		s := d.starved[0]
		d.starved = d.starved[1:]
		s.starved = false
		d.pump(s)
	}
	d.pump(l)
	d.arm()
}

// drop forgets an entry that has nothing to send any more.
func (d *Dispatcher) drop(e *entry, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.release(e)
	if err == nil && len(e.waiters) > 0 {
		e.hand, e.due = true, 0 // somebody asked meanwhile for a try whatever the status
		d.ungate(e)
		d.ready(e)
	} else {
		e.answer(Outcome{}, err)
		d.remove(e)
		d.tidy(e.site)
	}
	d.onward(e.lane)
}

// postpone puts an entry back that was not tried.
func (d *Dispatcher) postpone(e *entry, due int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.release(e)
	e.due = due
	if e.site.attached || e.hand {
		d.place(e)
	} else {
		e.answer(Outcome{}, ErrStopped)
		d.remove(e)
		d.tidy(e.site)
	}
	d.onward(e.lane)
}

// interrupt forgets an entry whose try was ended by the stop: nobody knows how it would have gone,
// so it stays pending in the store.
func (d *Dispatcher) interrupt(e *entry) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.release(e)
	e.answer(Outcome{}, ErrStopped)
	d.remove(e)
}

// finish takes the outcome of a try: the channel learns from it, and it goes to the store.
func (d *Dispatcher) finish(t try, rec *event.Delivery, next event.Delivery, out Outcome) {
	e, l := t.entry, t.entry.lane
	d.mu.Lock()
	if out.sent {
		switch out.Class {
		case Success:
			l.limit = min(l.limit+1, t.channel.maxInFlight())
			l.paused = time.Time{}
			l.credit = min(l.credit+forwardAtOnce, 2*l.limit)
			d.bringForward(l)
		case Failed:
			l.limit = max(1, min(l.limit, l.inFlight)/2)
			if out.RetryAfter > 0 {
				l.paused = later(l.paused, time.Now().Add(min(out.RetryAfter, maxPause)))
			}
		}
	}
	if out.left {
		l.leftOut++
	}
	if out.tried {
		d.fared(&t.channel, out)
	}
	d.release(e)
	if out.sent && !out.OK() {
		l.credit = 0
		if out.RetryAfter > 0 {
			e.notBefore = time.Now().Add(min(out.RetryAfter, d.opt.Schedule.RetryAfterMost)).UnixMilli()
		}
	}
	switch {
	case e.forward && !out.OK() && out.Class != Gone && !t.hand && rec.NextTry > time.Now().UnixMilli():
		// It was tried before its time, which does not use up a try.
		e.due = rec.NextTry
		d.place(e)
	case t.hand && !out.sent:
		// Nothing happened, so nothing is written; it goes on as before.
		e.hand, e.due = false, rec.NextTry
		e.answer(out, nil)
		if e.site.attached && rec.Status == event.DeliveryPending {
			d.place(e)
		} else {
			d.remove(e)
			d.tidy(e.site)
		}
	default:
		e.tried = e.tried || out.sent
		e.state = stateUnsaved
		e.was, e.result, e.out = rec.Status, next, out
		e.site.outbox = append(e.site.outbox, e)
		d.startSave(e.site)
	}
	d.onward(l)
	d.mu.Unlock()
}

func (d *Dispatcher) startSave(s *siteQueue) {
	if !s.writing {
		s.writing = true
		d.wg.Add(1)
		go d.save(s)
	}
}

// save stores the outcomes of a site, as many in one commit as came together while the commit
// before was under way.
func (d *Dispatcher) save(s *siteQueue) {
	defer d.wg.Done()
	for {
		d.mu.Lock()
		if len(s.outbox) == 0 {
			s.writing, s.outbox = false, nil
			d.tidy(s)
			d.mu.Unlock()
			return
		}
		n := min(len(s.outbox), maxBatch)
		batch := s.outbox[:n:n]
		s.outbox = s.outbox[n:]
		d.mu.Unlock()

		err := d.storeBatch(s, batch)
		if err == nil {
			d.died(s.name, batch)
		}

		d.mu.Lock()
		s.failing = false
		for _, e := range s.held {
			if e.state == stateHeld {
				d.ready(e)
			}
		}
		s.held = nil
		for _, e := range batch {
			d.settle(e, err)
		}
		d.pumpAll()
		d.arm()
		d.mu.Unlock()
		if err == nil && d.opt.Observe.Settled != nil {
			for _, e := range batch {
				if e.result.Status != event.DeliveryPending {
					d.opt.Observe.Settled(s.name, e.result)
				}
			}
		}
	}
}

// storeBatch writes a batch of outcomes and tries for as long as it takes; meanwhile nothing more
// is sent for the site. It gives up when the patience of a stop ends.
func (d *Dispatcher) storeBatch(s *siteQueue, batch []*entry) error {
	wait := 50 * time.Millisecond
	for {
		err := d.commit(s, batch)
		if err == nil {
			return nil
		}
		d.mu.Lock()
		s.failing = true
		d.mu.Unlock()
		d.opt.Log.Error("outcomes of deliveries can't be stored; nothing more is sent for the site until they are",
			"site", s.name, "outcomes", len(batch), "error", err)
		select {
		case <-d.base.Done():
			return fmt.Errorf("%w before the outcome could be stored, so it may be sent again: %w", ErrStopped, err)
		case <-time.After(wait):
		}
		wait = min(2*wait, maxStoreWait)
	}
}

func (d *Dispatcher) commit(s *siteQueue, batch []*entry) error {
	d.mu.Lock()
	attached := s.attached
	d.mu.Unlock()
	c := store.Commit{Loose: true, Writes: make([]store.Record, 0, len(batch))}
	var check []string // outcomes that must not undo a success that another process stored meanwhile
	for _, e := range batch {
		if e.out.left || e.result.Status != event.DeliveryDelivered {
			check = append(check, e.id)
		}
	}
	now := map[string]event.DeliveryStatus{}
	if len(check) > 0 {
		err := again(d.base, func() error {
			return d.records(d.base, s.name, check, func(m *event.Delivery) { now[m.ID] = m.Status })
		})
		if err != nil {
			return err
		}
	}
	for _, e := range batch {
		e.written = false
		if e.out.left || e.result.Status != event.DeliveryDelivered {
			status, exists := now[e.id]
			if !exists || status == event.DeliveryDelivered || status != e.was || !attached && !e.hand {
				continue
			}
		}
		if e.out.left {
			c.Deletes = append(c.Deletes, store.RecordKey{Kind: event.KindDelivery, Key: e.id})
			continue
		}
		e.written = true
		c.Writes = append(c.Writes, store.Record{Kind: event.KindDelivery, Key: e.id, Value: event.AppendDelivery(nil, &e.result)})
	}
	if len(c.Writes)+len(c.Deletes) == 0 {
		return nil
	}
	return d.write(d.base, s.name, c)
}

// settle goes on with an entry whose outcome is stored.
func (d *Dispatcher) settle(e *entry, err error) {
	if e.out.left {
		e.answer(Outcome{Class: Refused, Reason: "not sent: the channel does not want messages of this type"}, err)
	} else {
		e.answer(e.out, err)
	}
	s := e.site
	due := time.UnixMilli(e.result.NextTry)
	keep := err == nil && !e.out.left && s.attached && !d.stopping && e.result.Status == event.DeliveryPending
	switch late := due.After(time.Now().Add(2 * d.opt.ScanEvery)); {
	case keep && late: // a later scan finds it in time
		d.park(e)
		return
	case keep && e.lane.queued > d.opt.PerChannel/2:
		s.scanBy(due)
		d.park(e)
		return
	case !keep:
		if key, ok := e.gate(); ok && s.parked[key.channel][key.alert] == e.order {
			delete(s.parked[key.channel], key.alert) // those after it may go
			s.scanBy(time.Now())
		}
		d.remove(e)
		return
	}
	if e.rec != nil {
		d.data -= len(e.rec.Data)
		e.rec = nil
	}
	e.hand, e.waited, e.forward, e.due = false, false, false, e.result.NextTry
	d.place(e)
}
