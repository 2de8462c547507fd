package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

const noticeLease = 30 * time.Second // for which one process sends the notices, unless it renews that

// step has the store take up a change of a health.
func (d *Dispatcher) step(channel string, h *health, s step) {
	switch s.kind {
	case stepFailing, stepWarned, stepStopped:
		h.stored = true
	case stepCleared:
		// What was over before the store took it was not worth a word.
		h.stored = false
		h.steps = slices.DeleteFunc(h.steps, func(old step) bool { return !old.tried && old.kind < stepCleared })
	case stepDead:
		if n := len(h.steps); n > 0 && h.steps[n-1].kind == stepDead && !h.steps[n-1].tried {
			h.steps[n-1].dead.add(s.dead)
			return
		}
	}
	h.steps = append(h.steps, s)
	if !d.savingHealth {
		d.savingHealth = true
		d.wg.Add(1)
		go d.saveHealth()
	}
}

// begin returns the steps that the store is to take now.
func (h *health) begin() []step {
	for i := range h.steps {
		h.steps[i].tried = true
	}
	return slices.Clone(h.steps)
}

// saveHealth has the store take all steps until none is left.
func (d *Dispatcher) saveHealth() {
	defer d.wg.Done()
	for {
		names, err := d.saveSteps()
		switch {
		case len(names) == 0:
			return
		case err == nil:
			continue
		case d.base.Err() != nil:
			d.mu.Lock()
			d.savingHealth = false
			d.mu.Unlock()
			return
		}
		d.opt.Log.Error("the health of channels can't be stored; it is tried again", "channels", names, "error", err)
		select {
		case <-d.base.Done():
		case <-time.After(storeRetry):
		}
	}
}

// saveSteps has the store take the steps that there are now, and returns of which channels; of
// none: nothing more is saved until there are others.
func (d *Dispatcher) saveSteps() ([]string, error) {
	d.taking.Lock()
	defer d.taking.Unlock()
	todo := make(map[string][]step)
	d.mu.Lock()
	for name, h := range d.health {
		if len(h.steps) > 0 {
			todo[name] = h.begin()
		}
	}
	d.savingHealth = len(todo) > 0
	d.mu.Unlock()
	if len(todo) == 0 {
		return nil, nil
	}
	return slices.Sorted(maps.Keys(todo)), d.takeSteps(d.base, todo)
}

// takeSteps applies steps to what the store has, in one commit with the notices that come of it,
// and takes over what is on record then. The caller has had Dispatcher.taking since before it began
// those steps: they must not be taken again after others.
func (d *Dispatcher) takeSteps(ctx context.Context, todo map[string][]step) error {
	names := slices.Sorted(maps.Keys(todo))
	var records map[string]*healthRecord
	var told []event.Delivery
	err := again(ctx, func() error {
		found, order, err := d.healthRecords(ctx, names)
		if err != nil {
			return err
		}
		records = found
		var list []*notice
		var changes []store.Value
		for _, name := range names {
			r := records[name]
			if r == nil {
				r = new(healthRecord)
				records[name] = r
			}
			for i := range todo[name] {
				if n := todo[name][i].apply(name, d.process, r); n != nil {
					list = append(list, n)
				}
			}
			v := store.Value{Kind: KindChannel, Key: name, Revision: store.AnyRevision}
			if !r.empty() {
				v.Data = r.encode()
			}
			changes = append(changes, v)
		}
		told = d.notices(list, order.last)
		for i := range told {
			changes = append(changes, noticeValue(told[i].ID, event.AppendDelivery(nil, &told[i])))
		}
		// The order is what makes sure that nobody changed a health since it was read, as it
		// changes with each.
		_, err = d.opt.Store.SetValues(ctx, append(changes, order.after(len(told)))...)
		return err
	})
	if err != nil {
		return err
	}
	d.mu.Lock()
	d.saves++
	for _, name := range names {
		h := d.health[name]
		h.savedAt = d.saves
		h.steps = slices.DeleteFunc(h.steps, func(s step) bool { return s.tried })
		if len(h.steps) > 0 {
			continue // more happened since
		}
		if h.steps, h.stored = nil, records[name].ails(); h.stored {
			h.take(records[name])
		}
	}
	d.mu.Unlock()
	d.offerNotices(told)
	return nil
}

// noticeOrder is the value of kindOrder. Its zero value is that before the first notice.
type noticeOrder struct {
	last     int
	revision store.Revision
}

// healthRecords reads what is on record about channels, about all for no names. Nothing of it
// changed since the order that it returns if that is still the present one.
func (d *Dispatcher) healthRecords(ctx context.Context, names []string) (found map[string]*healthRecord, order noticeOrder, err error) {
	if order, err = readOrder(ctx, d.opt.Store); err != nil {
		return nil, order, err
	}
	found = make(map[string]*healthRecord)
	err = d.opt.Store.Values(ctx, KindChannel, names, func(v store.Value) error {
		r := new(healthRecord)
		if err := json.Unmarshal(v.Data, r); err != nil || r.Version != healthVersion {
			d.opt.Log.Error("the record of the health of a channel is damaged or of another version, and is passed over", "channel", v.Key)
			return nil
		}
		found[v.Key] = r
		return nil
	})
	return found, order, err
}

// refreshHealth reads what this process and others have on record about channels. A record that is
// gone was cleared by another process: a message got through there, or somebody started the
// channel. With a new order there may be new notices.
func (d *Dispatcher) refreshHealth(ctx context.Context) (map[string]*healthRecord, error) {
	d.mu.Lock()
	began := d.saves
	d.mu.Unlock()
	found, order, err := d.healthRecords(ctx, nil)
	if err != nil {
		return nil, fmt.Errorf("reading the health of channels: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.healthKnown = true
	if s := d.sites[Notices]; s != nil && order != d.healthOrder {
		s.again, s.scanAt = true, time.Time{}
	}
	d.healthOrder = order
	for name, h := range d.health {
		if r := found[name]; (r == nil || !r.ails()) && h.stored && len(h.steps) == 0 && h.savedAt <= began {
			stopped := !h.Stopped.IsZero()
			h.clear()
			h.stored = false
			if stopped {
				d.forward(name)
			}
		}
	}
	for name, r := range found {
		h := d.healthOf(name)
		if !r.ails() || len(h.steps) > 0 || h.savedAt > began {
			continue
		}
		h.take(r)
		if h.LastSuccess.After(h.FailingSince) && h.LastSuccess.After(h.Stopped) && !d.stopping {
			h.clear() // it fails for another process only
			d.step(name, h, step{kind: stepCleared, at: h.LastSuccess, reason: "a message got through"})
		}
	}
	return found, nil
}

// tendHealth refreshes what is known of channels every now and then, and starts those again whose
// settings changed. One process of all also sends the notices.
func (d *Dispatcher) tendHealth() {
	defer d.wg.Done()
	found, err := d.refreshHealth(d.base)
	if err != nil && d.base.Err() == nil {
		d.opt.Log.Warn("what is on record about channels can't be read; what was known before holds", "error", err)
	}
	sends := d.leaseNotices()
	d.mu.Lock()
	defer d.mu.Unlock()
	now := time.Now()
	d.tending, d.tendAt = false, now.Add(healthRefresh)
	if d.stopping {
		return
	}
	for name := range d.health {
		if c, known := d.opt.Channels(name); known && !d.health[name].Stopped.IsZero() {
			if _, still := d.stoppedNow(&c); !still {
				d.pump(d.lane(name))
			}
		}
	}
	if !sends {
		return
	}
	for name, r := range found {
		if r.tellable(now) || r.over(now) {
			d.step(name, d.healthOf(name), step{kind: stepTell, at: now})
		}
	}
}

// leaseNotices sees to it that one process sends the notices: this one, or the one that has the
// lease. That two do for a moment is no harm: ids and records are the same.
func (d *Dispatcher) leaseNotices() (sends bool) {
	if d.opt.AboutChannels == nil {
		return false
	}
	held, err := d.opt.Store.Lease(d.base, Notices, d.process, noticeLease)
	if d.base.Err() != nil {
		return false
	}
	now := time.Now()
	d.mu.Lock()
	if held && err == nil {
		d.leasedAt = now
	}
	held = err == nil && held || err != nil && !d.leasedAt.IsZero() && now.Sub(d.leasedAt) < noticeLease
	if !held {
		d.leasedAt = time.Time{}
	}
	s := d.sites[Notices]
	attached := s != nil && s.attached
	d.mu.Unlock()
	switch {
	case held && !attached:
		if err := d.Resume(d.base, Notices); err != nil {
			if !errors.Is(err, ErrStopped) {
				d.opt.Log.Warn("the notices about channels can't be loaded; it is tried again", "error", err)
			}
			return false
		}
	case !held && attached:
		d.Forget(Notices)
	}
	return held
}

// unleaseNotices gives the lease up, so that another process need not wait for its end.
func (d *Dispatcher) unleaseNotices() {
	if d.leasedAt.IsZero() {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), storeRetry)
	defer cancel()
	_, _ = d.opt.Store.Lease(ctx, Notices, d.process, 0) // it runs out by itself otherwise
}

// Health returns the health of channels: those that were sent to since the start, and those that any
// process has on record as failing or stopped.
func (d *Dispatcher) Health(ctx context.Context) (map[string]Health, error) {
	if _, err := d.refreshHealth(ctx); err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	all := make(map[string]Health, len(d.health))
	for name, h := range d.health {
		all[name] = h.Health
		if c, known := d.opt.Channels(name); known && !h.Stopped.IsZero() && h.print != c.fingerprint() {
			all[name] = Health{LastSuccess: h.LastSuccess, LastFailure: h.LastFailure} // about to be started again
		}
	}
	return all, nil
}

// StartChannel lets a channel be sent to again that was stopped, and forgets how long it failed. It
// reports whether the channel was stopped. What failed for good meanwhile is not sent again by this
// (see Recover).
func (d *Dispatcher) StartChannel(ctx context.Context, name string) (bool, error) {
	if _, err := d.refreshHealth(ctx); err != nil {
		return false, err
	}
	d.taking.Lock()
	defer d.taking.Unlock()
	d.mu.Lock()
	h := d.healthOf(name)
	todo := h.begin()
	d.mu.Unlock()
	todo = append(todo, step{kind: stepCleared, at: time.Now(), reason: "somebody started it"})
	if err := d.takeSteps(ctx, map[string][]step{name: todo}); err != nil {
		return false, fmt.Errorf("starting channel %s: %w", name, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	stopped := !h.Stopped.IsZero()
	if stopped {
		d.opt.Log.Info("a stopped channel is sent to again", "channel", name, "why", "somebody started it", "stopped",
			h.Stopped.UTC(), "cause", string(h.Cause))
		d.event(name, EventStarted)
	}
	h.clear()
	h.stored = len(h.steps) > 0
	d.forward(name)
	return stopped, nil
}
