package runner

import (
	"context"
	"slices"
	"sync"

	"lintel/engine"
	"lintel/engine/event"
)

// Batch is what a run of entries came to, after it was committed.
type Batch struct {
	Site     string
	From, To uint64 // the entries
	Facts    []event.Fact
	Alerts   []engine.AlertChange
}

// feed hands batches to whoever listens. Nobody listening costs nothing.
type feed struct {
	mu   sync.Mutex
	subs []*Subscription
}

// Subscription receives the batches of a site from when it was made.
type Subscription struct {
	C    <-chan Batch
	c    chan Batch
	feed *feed
	lost bool
}

// Subscribe begins to listen to a site. A listener that does not keep up misses batches; Lost
// tells.
func (s *Site) Subscribe(buffer int) *Subscription {
	c := make(chan Batch, buffer)
	sub := &Subscription{C: c, c: c, feed: &s.feed}
	s.feed.mu.Lock()
	s.feed.subs = append(s.feed.subs, sub)
	s.feed.mu.Unlock()
	return sub
}

// Close ends the subscription.
func (sub *Subscription) Close() {
	sub.feed.mu.Lock()
	defer sub.feed.mu.Unlock()
	sub.feed.subs = slices.DeleteFunc(sub.feed.subs, func(o *Subscription) bool { return o == sub })
}

// Lost reports whether batches were missed since the last call.
func (sub *Subscription) Lost() bool {
	sub.feed.mu.Lock()
	defer sub.feed.mu.Unlock()
	lost := sub.lost
	sub.lost = false
	return lost
}

func (f *feed) publish(site string, from, to uint64, out *engine.Batch) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.subs) == 0 {
		return
	}
	b := Batch{Site: site, From: from, To: to, Facts: slices.Clone(out.Facts), Alerts: slices.Clone(out.Alerts)}
	for _, sub := range f.subs {
		select {
		case sub.c <- b:
		default:
			sub.lost = true
		}
	}
}

// Await waits until the entry was folded and returns what came of it. The subscription must have
// been made before the entry was appended. If batches were lost the answer may be incomplete, which
// complete tells.
func (sub *Subscription) Await(ctx context.Context, seq uint64) (
	facts []event.Fact, alerts []engine.AlertChange, complete bool, err error) {
	for {
		select {
		case b := <-sub.C:
			if b.To < seq {
				continue
			}
			for _, f := range b.Facts {
				if f.Seq == seq {
					facts = append(facts, f)
				}
			}
			for _, a := range b.Alerts {
				if a.Seq == seq {
					alerts = append(alerts, a)
				}
			}
			return facts, alerts, b.From <= seq && !sub.Lost(), nil
		case <-ctx.Done():
			return nil, nil, false, ctx.Err()
		}
	}
}
