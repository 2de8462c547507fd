package wake

import "sync"

// Group holds the sleepers of one store, by site. The zero value is ready.
type Group struct {
	mu    sync.Mutex
	sites map[string]*watch
}

type watch struct {
	ch   chan struct{}
	refs int
}

// Watch returns a channel that the next Wake of the site closes. Every Watch must be followed by one call of done.
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
