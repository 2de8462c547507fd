package demo

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"lintel/api"
	"lintel/engine/sim"
)

// Messages on their way to the server at one time: readers each have a connection of their own, and
// so the server can share one write to the disk among several.
const (
	inFlight     = 8
	inFlightSpan = 400 * time.Millisecond // of the shop's time, between the oldest and the newest
)

// message is one POST that is due, or several things that staff do one after the other.
type message struct {
	at    time.Time // when it reaches the server
	kind  messageKind
	body  []byte
	key   string // Idempotency-Key
	steps []countStep
}

type messageKind uint8

const (
	readsMessage messageKind = iota
	eventsMessage
	countReadsMessage
	stepsMessage // the only kind without a body
)

// feeder posts what the simulator makes at the time it is due.
type feeder struct {
	client *client
	key    string
	clock  *clock
	sim    *sim.Sim
	marks  []time.Time // when to call mark, ascending
	mark   func(time.Time)
	count  *stockTake

	posted   atomic.Int64  // messages
	reads    atomic.Int64  // reads and events that were taken
	rejected atomic.Int64  // that were not
	entry    atomic.Uint64 // the newest journal entry that is known
	reason   atomic.Pointer[string]
}

// run posts everything and returns. With ctx it ends early, and what is under way is finished.
// After it nobody else uses the simulator.
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
	for n := 1; ; n++ {
		step, ok := f.sim.Next()
		if !ok {
			return nil
		}
		at := time.UnixMilli(step.At)
		if steps := f.count.due(f.sim.Truth(), step.At); len(steps) > 0 {
			if !put(message{at: at, kind: stepsMessage, steps: steps}) {
				return ctx.Err()
			}
		}
		key := fmt.Sprintf("demo-%d", n)
		if len(step.Reads) > 0 {
			m := message{at: at, body: sim.AppendReads(make([]byte, 0, size), step), key: key}
			if f.count.takes(&step) {
				m.kind = countReadsMessage
				f.count.keep(&m)
			}
			if !put(m) {
				return ctx.Err()
			}
		}
		if len(step.Events) > 0 {
			if !put(message{at: at, kind: eventsMessage, body: sim.AppendEvents(nil, step), key: key}) {
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
	for {
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
		if m.kind == stepsMessage {
			err := f.work(ctx, m)
			way.leave(m.at)
			if err != nil {
				return err
			}
			continue
		}
		// What was begun is finished, also when everything ends: it may be in the journal already.
		posts.Go(func() error {
			defer way.leave(m.at)
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
			defer cancel()
			err := f.post(ctx, m)
			if err != nil {
				failed.Store(true)
			}
			return err
		})
	}
}

// work does what staff do, while the shop's time stands still.
func (f *feeder) work(ctx context.Context, m message) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 30*time.Second)
	defer cancel()
	for _, do := range m.steps {
		if err := do(ctx, m.at); err != nil {
			return fmt.Errorf("the stock-take: %w", err)
		}
	}
	return nil
}

func (f *feeder) post(ctx context.Context, m message) error {
	path := sitePath + "/reads"
	switch m.kind {
	case eventsMessage:
		path = sitePath + "/events"
	case countReadsMessage:
		path = f.count.reads
	}
	answer, err := f.client.post(ctx, path, f.key, m.key, m.body)
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

// folded waits until what was handed over so far is worked through.
func (f *feeder) folded(ctx context.Context) error {
	for {
		s, err := f.client.site(ctx, f.count.staff)
		if err == nil && s.Entries >= f.entry.Load() {
			return nil
		}
		if pause(ctx, 5*time.Millisecond); ctx.Err() != nil {
			return errors.Join(ctx.Err(), err)
		}
	}
}

// dueMarks lists the moments at which the demonstration says how things stand.
func dueMarks(start time.Time, length time.Duration) []time.Time {
	marks := []time.Time{start.Add(settleAfter)}
	for d := summaryEvery; d < length; d += summaryEvery {
		marks = append(marks, start.Add(d))
	}
	return marks
}
