package deliver

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

const (
	maxScans     = 2                // at one time
	recentFor    = 10 * time.Minute // longer than any runner takes from a commit to Offer
	maxOld       = 10_000           // settled deliveries that one scan deletes
	deleteAtOnce = 500
)

// scanned is what a scan found.
type scanned struct {
	pending []event.Delivery // due soon, without data, in the order in which they should be queued
	more    map[string]bool  // channels that have more untried ones than are wanted
	parked  parked           // what is pending beside those
	crowded map[string]bool  // channels of which parked has not all
	old     []settledAt      // some of the settled ones that are past their time by the clock
	newest  int64            // time of the newest that is on record, Unix milliseconds; 0: there is none
}

// settledAt is a delivery that is settled: when it was, and since when it may be deleted, Unix
// milliseconds.
type settledAt struct {
	id    string
	since int64
}

// scan reads all deliveries of a site. Memory stays bounded, whatever their number.
func (d *Dispatcher) scan(ctx context.Context, site string, wide map[string]bool) (found scanned, err error) {
	err = again(ctx, func() error {
		found, err = d.scanOnce(ctx, site, wide)
		return err
	})
	return found, err
}

func (d *Dispatcher) scanOnce(ctx context.Context, site string, wide map[string]bool) (scanned, error) {
	type group struct {
		channel string
		tried   bool
	}
	now := time.Now()
	soon := now.Add(2 * d.opt.ScanEvery).UnixMilli()
	found := scanned{more: map[string]bool{}, parked: parked{}, crowded: map[string]bool{}}
	park := func(m *event.Delivery) {
		if !found.parked.add(m.Channel, m.Alert, m.Order) {
			found.crowded[m.Channel] = true
		}
	}
	groups := map[group][]event.Delivery{}
	most := d.opt.PerChannel
	cut := func(g group) {
		list := groups[g]
		slices.SortFunc(list, compareScanned)
		if len(list) > most {
			if !g.tried {
				found.more[g.channel] = true
			}
			for i := range list[most:] {
				park(&list[most+i])
			}
			clear(list[most:])
			list = list[:most]
		}
		groups[g] = list
	}
	err := d.records(ctx, site, nil, func(m *event.Delivery) {
		last := max(m.LastTry, m.At)
		found.newest = max(found.newest, last)
		keep := d.opt.KeepDead
		switch m.Status {
		case event.DeliveryPending:
			if m.NextTry > soon && !wide[m.Channel] {
				park(m)
				return
			}
			m.Data, m.Reason = nil, ""
			g := group{m.Channel, m.Attempts > 0}
			if groups[g] = append(groups[g], *m); len(groups[g]) >= 2*most {
				cut(g)
			}
			return
		case event.DeliveryDelivered:
			keep = d.opt.KeepDelivered
		}
		if since := last + keep.Milliseconds(); since < now.UnixMilli() && len(found.old) < maxOld {
			found.old = append(found.old, settledAt{m.ID, since})
		}
	})
	if err != nil {
		return scanned{}, err
	}
	for g := range maps.Keys(groups) {
		cut(g)
		found.pending = append(found.pending, groups[g]...)
	}
	found.pending = slices.DeleteFunc(found.pending, func(m event.Delivery) bool {
		return found.parked.before(m.Channel, m.Alert, m.Order) || found.crowded[m.Channel] && m.Attempts == 0 && m.Order > 1
	})
	slices.SortFunc(found.pending, compareScanned)
	return found, nil
}

// compareScanned orders by when a delivery became due. Those that were not tried keep the order of
// their alert.
func compareScanned(a, b event.Delivery) int {
	due := func(m *event.Delivery) int64 {
		if m.Attempts == 0 {
			return m.At
		}
		return m.NextTry
	}
	return cmp.Or(cmp.Compare(due(&a), due(&b)), cmp.Compare(a.Order, b.Order), cmp.Compare(a.ID, b.ID))
}

// housekeep starts the scans that are due and forgets what need not be remembered any more.
func (d *Dispatcher) housekeep() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stopping {
		return
	}
	now := time.Now()
	if !d.tending && !now.Before(d.tendAt) {
		d.tending = true
		d.wg.Add(1)
		go d.tendHealth()
	}
	running := 0
	for _, s := range d.sites {
		if s.scanning {
			running++
		}
	}
	for _, s := range d.sites {
		for id, at := range s.recent {
			if now.Sub(at) > recentFor {
				delete(s.recent, id)
			}
		}
		if running < maxScans && s.attached && !s.scanning && d.wantsScan(s, now) {
			running++
			s.scanning, s.again = true, false
			d.wg.Add(1)
			go d.rescan(s)
		}
	}
}

func (d *Dispatcher) wantsScan(s *siteQueue, now time.Time) bool {
	if !now.Before(s.scanAt) {
		return true
	}
	for channel := range s.left {
		if d.lane(channel).queued <= d.opt.PerChannel/2 {
			return true
		}
	}
	return false
}

// rescan looks for what has to be sent soon and for what is past its time.
func (d *Dispatcher) rescan(s *siteQueue) {
	defer d.wg.Done()
	d.mu.Lock()
	wide := maps.Clone(s.wide)
	clear(s.wide)
	d.mu.Unlock()
	found, err := d.scan(d.base, s.name, wide)
	d.mu.Lock()
	s.scanning = false
	switch {
	case err != nil:
		s.scanAt = time.Now().Add(storeRetry)
		maps.Copy(s.left, s.skipped)
		maps.Copy(s.wide, wide)
	case s.attached && !d.stopping:
		d.adopt(s, found)
		d.pumpAll()
		d.arm()
	}
	attached := s.attached && !d.stopping
	asOf := time.Time{}
	if err == nil {
		now := time.Now()
		s.retention.Begin(now, fromMillis(found.newest))
		asOf, _ = s.retention.AsOf(now, 1)
	}
	d.mu.Unlock()
	if err == nil && attached {
		err = d.purge(s, found.old, asOf)
	}
	if err != nil && d.base.Err() == nil {
		d.opt.Log.Warn("the deliveries of a site can't be searched", "site", s.name, "error", err)
	}
}

// purge deletes settled deliveries that are past their time.
func (d *Dispatcher) purge(s *siteQueue, old []settledAt, asOf time.Time) error {
	full := len(old) == maxOld
	old = slices.DeleteFunc(old, func(o settledAt) bool { return o.since >= asOf.UnixMilli() })
	for part := range slices.Chunk(old, deleteAtOnce) {
		c := store.Commit{Loose: true}
		d.mu.Lock()
		stopping := d.stopping
		for _, o := range part {
			if s.entries[o.id] == nil { // else a person is just sending it again
				c.Deletes = append(c.Deletes, store.RecordKey{Kind: event.KindDelivery, Key: o.id})
			}
		}
		d.mu.Unlock()
		if stopping || len(c.Deletes) == 0 {
			continue
		}
		if err := d.write(d.base, s.name, c); err != nil {
			return fmt.Errorf("deleting old deliveries: %w", err)
		}
	}
	if full {
		d.mu.Lock()
		s.scanBy(time.Now().Add(time.Minute))
		d.mu.Unlock()
	}
	return nil
}
