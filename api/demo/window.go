package demo

import (
	"slices"
	"sync"
	"time"
)

// window keeps what is on its way together in time: a message waits while one that is much older by
// the shop's time is not answered yet, so that the order in which the server sees them stays about
// the true one however fast the clock runs.
type window struct {
	span time.Duration // by the shop's time
	most int           // messages at one time

	mu    sync.Mutex
	freed sync.Cond
	under []time.Time // the messages on their way, ascending: they are let in in order
}

func newWindow(span time.Duration, most int) *window {
	w := &window{span: span, most: most}
	w.freed.L = &w.mu
	return w
}

// enter waits until the message may go. Messages come in their order, one at a time.
func (w *window) enter(at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for len(w.under) >= w.most || len(w.under) > 0 && at.Sub(w.under[0]) > w.span {
		w.freed.Wait()
	}
	w.under = append(w.under, at)
}

// leave says that the message was answered.
func (w *window) leave(at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	i := slices.IndexFunc(w.under, at.Equal)
	w.under = slices.Delete(w.under, i, i+1)
	w.freed.Signal()
}
