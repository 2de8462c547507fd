package sim

import (
	"container/heap"
	"math/rand/v2"
	"time"
)

// batch is a message on its way.
type batch struct {
	at     int64
	seq    uint64 // order of sending, for messages that arrive in the same millisecond
	reads  []Read
	events []Event
}

type inFlight []*batch

func (q inFlight) Len() int      { return len(q) }
func (q inFlight) Swap(a, b int) { q[a], q[b] = q[b], q[a] }
func (q inFlight) Less(a, b int) bool {
	return q[a].at < q[b].at || q[a].at == q[b].at && q[a].seq < q[b].seq
}
func (q *inFlight) Push(x any) { *q = append(*q, x.(*batch)) }
func (q *inFlight) Pop() any {
	last := len(*q) - 1
	b := (*q)[last]
	(*q)[last] = nil
	*q = (*q)[:last]
	return b
}

// uplink carries messages to the server, in the order in which they arrive.
type uplink struct {
	*Network
	draw   *rand.Rand
	flight inFlight
	sent   uint64
	free   []*batch
}

func (u *uplink) newBatch() *batch {
	if n := len(u.free); n > 0 {
		b := u.free[n-1]
		u.free = u.free[:n-1]
		return b
	}
	return &batch{}
}

func (u *uplink) recycle(b *batch) {
	b.reads, b.events = b.reads[:0], nil
	u.free = append(u.free, b)
}

// send puts a message on its way; it arrives at the given time, which is after now.
func (u *uplink) send(b *batch, at int64) {
	b.at, b.seq = at, u.sent
	u.sent++
	heap.Push(&u.flight, b)
}

// delay draws how long a batch of reads takes.
func (u *uplink) delay() int64 {
	d := between(u.draw, u.DelayMin, u.DelayMax)
	if u.draw.Float64() < u.LateShare {
		d += between(u.draw, u.LateMin, u.LateMax)
	}
	return max(1, d)
}

// between draws milliseconds between two durations.
func between(rng *rand.Rand, low, high time.Duration) int64 {
	a, b := low.Milliseconds(), high.Milliseconds()
	if b <= a {
		return a
	}
	return a + rng.Int64N(b-a+1)
}
