package deliver

import (
	"context"
	"fmt"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// MaxRecover is how many deliveries one call of Recover queues at most.
const MaxRecover = 1000

const recoverAtOnce = 100 // in one commit

// Recovery is what a call of Recover did.
type Recovery struct {
	Queued      int       // dead deliveries that are pending again
	More        bool      // there are more in the range: call again with the same range
	First, Last time.Time // when what they tell of happened, of the oldest and of the newest; zero: none was queued
}

// Recover has the dead deliveries of a channel sent again, after an outage: those that tell of
// something that happened from since until before until, the oldest first, with the same ids, by
// the whole schedule from its start. At most MaxRecover are queued in one call. What was delivered,
// or is pending anyway, is left alone. It does not wait for them to be sent, which is by the
// channel's lane and its limits like everything else. Sites that this dispatcher has not resumed
// are sent by the process that has, which finds what is due by its next search (Options.ScanEvery).
func (d *Dispatcher) Recover(ctx context.Context, sites []string, channel string, since, until time.Time) (Recovery, error) {
	var r Recovery
	found, err := d.deadOf(ctx, sites, channel, since.UnixMilli(), until.UnixMilli())
	if err != nil {
		return r, err
	}
	if r.More = len(found) > MaxRecover; r.More {
		found = found[:MaxRecover]
	}
	for len(found) > 0 {
		// As many as follow each other in one site, so that the order holds over sites too.
		n := 1
		for n < min(len(found), recoverAtOnce) && found[n].site == found[0].site {
			n++
		}
		queued, err := d.revive(ctx, found[0].site, found[:n])
		r.Queued += queued
		if queued > 0 {
			if r.First.IsZero() {
				r.First = time.UnixMilli(found[0].at)
			}
			r.Last = time.UnixMilli(found[n-1].at)
		}
		if err != nil {
			return r, err
		}
		found = found[n:]
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.forward(channel) // what waits is as late as what was given up
	return r, nil
}

// revive makes dead deliveries pending again, and has them found soon. It returns how many.
func (d *Dispatcher) revive(ctx context.Context, site string, letters []deadLetter) (int, error) {
	ids := make([]string, 0, len(letters))
	d.mu.Lock()
	s := d.sites[site]
	for _, l := range letters {
		if s == nil || s.entries[l.id] == nil { // else a person is just sending it again
			ids = append(ids, l.id)
		}
	}
	d.mu.Unlock()
	if len(ids) == 0 {
		return 0, nil
	}
	// Read again: it may have been sent by hand meanwhile.
	var c store.Commit
	err := again(ctx, func() error {
		c = store.Commit{Loose: true}
		return d.records(ctx, site, ids, func(m *event.Delivery) {
			if m.Status != event.DeliveryDead {
				return
			}
			m.Status, m.Attempts, m.NextTry, m.Code = event.DeliveryPending, 0, 0, 0
			m.Reason = "to be sent again, after: " + m.Reason
			c.Writes = append(c.Writes, store.Record{Kind: event.KindDelivery, Key: m.ID, Value: event.AppendDelivery(nil, m)})
		})
	})
	if err == nil && len(c.Writes) > 0 {
		err = d.write(ctx, site, c)
	}
	if err != nil {
		return 0, fmt.Errorf("queueing dead deliveries of site %s: %w", site, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if s := d.sites[site]; s != nil {
		for _, w := range c.Writes {
			delete(s.recent, w.Key)
		}
		s.again, s.scanAt = true, time.Time{}
	}
	return len(c.Writes), nil
}
