package wake

import (
	"context"
	"sync"
	"time"

	"lintel/engine/store"
)

// Group holds the sleepers of one store, by site. The zero value is ready.
type Group struct {
	mu    sync.Mutex
	sites map[string]*watch
}

type watch struct {
	ch   chan struct{}
	refs int
}

// Watch returns a channel that the next Wake of the site closes. Every Watch must be followed by
// one call of done.
func (g *Group) Watch(site string) (woken <-chan struct{}, done func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.sites == nil {
		g.sites = make(map[string]*watch)
	}
	w := g.sites[site]
	if w == nil {
		w = &watch{ch: make(chan struct{})}
		g.sites[site] = w
	}
	w.refs++
	return w.ch, func() { g.release(site, w) }
}

func (g *Group) release(site string, w *watch) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if w.refs--; w.refs == 0 && g.sites[site] == w {
		delete(g.sites, site)
	}
}

// Wake wakes everybody who watches the site now.
func (g *Group) Wake(site string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if w := g.sites[site]; w != nil {
		close(w.ch)
		delete(g.sites, site)
	}
}

// Look looks for entries once. With none, caughtUp says that there is nothing newer; otherwise it
// is asked again at once.
type Look func() (entries []store.Entry, caughtUp bool, err error)

// Await looks for entries of the site until there are some, for as long as wait; with none it
// returns nil. It ends early with the error of look or of ctx, or with store.ErrClosed when closing
// is closed. listen, unless it is nil, is called before each sleep, and what it returns after.
func (g *Group) Await(ctx context.Context, site string, wait time.Duration, closing <-chan struct{}, look Look,
	listen func() (leave func())) ([]store.Entry, error) {
	var timeout <-chan time.Time
	for {
		woken, done := g.Watch(site)
		entries, caughtUp, err := look()
		if err != nil || len(entries) > 0 || caughtUp && wait <= 0 {
			done()
			return entries, err
		}
		if !caughtUp { // something came while it looked
			done()
			continue
		}
		if timeout == nil {
			timer := time.NewTimer(wait)
			defer timer.Stop()
			timeout = timer.C
		}
		leave := func() {}
		if listen != nil {
			leave = listen()
		}
		over := true
		select {
		case <-woken:
			over = false
		case <-timeout:
		case <-ctx.Done():
			err = ctx.Err()
		case <-closing:
			err = store.ErrClosed
		}
		leave()
		done()
		if over {
			return nil, err
		}
	}
}
