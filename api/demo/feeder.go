package demo

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"lintel/api"
	"lintel/engine/sim"
)

// Messages on their way to the server at one time: readers each have a connection of their own, and so the server can share one write to the disk among several.
const (
	inFlight     = 8
	inFlightSpan = 400 * time.Millisecond // of the shop's time, between the oldest and the newest
)

// message is one POST that is due.
type message struct {
	at     time.Time // when it reaches the server
	events bool
	body   []byte
}

// feeder posts what the simulator makes at the time it is due.
type feeder struct {
	client *client
	key    string
	clock  *clock
	sim    *sim.Sim
	marks  []time.Time // when to call mark, ascending
	mark   func(time.Time)

	posted   atomic.Int64  // messages
	reads    atomic.Int64  // reads and events that were taken
	rejected atomic.Int64  // that were not
	entry    atomic.Uint64 // the newest journal entry that is known
	reason   atomic.Pointer[string]
}

// run posts everything and returns. With ctx it ends early, and what is under way is finished. After it nobody else uses the simulator.
func (f *feeder) run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	queue := make(chan message, 256)
	g.Go(func() error {
		defer close(queue)
		return f.generate(ctx, queue)
	})
	g.Go(func() error { return f.send(ctx, queue) })
	return g.Wait()
}

func (f *feeder) generate(ctx context.Context, queue chan<- message) error {
	put := func(m message) bool {
		select {
		case queue <- m:
			return true
		case <-ctx.Done():
			return false
		}
	}
	size := 64 << 10
	for {
		step, ok := f.sim.Next()
		if !ok {
			return nil
		}
		at := time.UnixMilli(step.At)
		if len(step.Reads) > 0 {
			body := sim.AppendReads(make([]byte, 0, size), step)
			if !put(message{at, false, body}) {
				return ctx.Err()
			}
		}
		if len(step.Events) > 0 {
			if !put(message{at, true, sim.AppendEvents(nil, step)}) {
				return ctx.Err()
			}
		}
	}
}

func (f *feeder) send(ctx context.Context, queue <-chan message) error {
	var posts errgroup.Group
	way := newWindow(inFlightSpan, inFlight)
	var failed atomic.Bool
	defer func() { _ = posts.Wait() }()
	timer := time.NewTimer(0)
	defer timer.Stop()
	marks := f.marks
	for n := 1; ; n++ {
		var m message
		var ok bool
		select {
		case m, ok = <-queue:
		case <-ctx.Done():
			return ctx.Err()
		}
		if !ok || failed.Load() {
			return posts.Wait()
		}
		way.enter(m.at)
		f.clock.allow(m.at)
		if wait := f.clock.until(m.at); wait > 0 {
			timer.Reset(wait)
			select {
			case <-timer.C:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		for len(marks) > 0 && !m.at.Before(marks[0]) {
			f.mark(marks[0])
			marks = marks[1:]
		}
		// What was begun is finished, also when everything ends: it may be in the journal already.
		posts.Go(func() error {
			defer way.leave(m.at)
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
			defer cancel()
			err := f.post(ctx, m, n)
			if err != nil {
				failed.Store(true)
			}
			return err
		})
	}
}

func (f *feeder) post(ctx context.Context, m message, n int) error {
	path := "/v1/sites/" + site + "/reads"
	if m.events {
		path = "/v1/sites/" + site + "/events"
	}
	answer, err := f.client.post(ctx, path, f.key, fmt.Sprintf("demo-%d", n), m.body)
	if err != nil {
		return fmt.Errorf("what the shop's readers and tills said can't be handed over: %w", err)
	}
	f.note(answer)
	return nil
}

func (f *feeder) note(answer api.BatchAnswer) {
	f.posted.Add(1)
	f.reads.Add(int64(answer.Accepted))
	if len(answer.Rejected) > 0 {
		f.rejected.Add(int64(len(answer.Rejected)))
		f.reason.CompareAndSwap(nil, &answer.Rejected[0].Reason)
	}
	for answer.Entry != nil {
		had := f.entry.Load()
		if had >= *answer.Entry || f.entry.CompareAndSwap(had, *answer.Entry) {
			break
		}
	}
}

// dueMarks lists the moments at which the demonstration says how things stand.
func dueMarks(length time.Duration) []time.Time {
	marks := []time.Time{start.Add(settleAfter)}
	for d := summaryEvery; d < length; d += summaryEvery {
		marks = append(marks, start.Add(d))
	}
	return marks
}
