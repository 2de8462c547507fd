package runner

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
)

// KindHolder is the kind of the values that say which site has an item in stock: the key is the item's
// (epc.Key, 16 bytes), the data the id of the site.
//
// They are an index of all sites of a store with more than one, and eventual: each site changes it
// after its commits, in the background. A site that hears goods on a shelf takes them over only if no
// other has them; a delivery or a return takes them over in any case. What it learns of other sites it
// appends to its own journal (event.EntryElsewhere). A site that is loaded goes through all its items
// once, so that what a process left undone when it died is made good.
const KindHolder store.Kind = "holder"

const (
	// maxHoldings is how many items of a site may wait for the index: about 6 MB.
	maxHoldings = 1 << 16
	// holdingsAtOnce is how many of them are looked up in one call, and changed in one step.
	holdingsAtOnce = event.MaxElsewhere
	// shopsFor is for how long it is taken for granted which sites a store has.
	shopsFor = 10 * time.Second
	// holdersRetry is how long to wait after a failure of the store.
	holdersRetry = time.Second
	// holdersTries is how often a change of the index is tried against those of other sites.
	holdersTries = 8
)

// shops are the sites of the store, as they were found a short while ago.
type shops struct {
	mu       sync.Mutex
	seen     time.Time
	versions map[string]int // of their layouts
}

// shopsNow returns the sites of the store with the versions of their layouts. The map is not to be changed.
func (r *Runner) shopsNow(ctx context.Context) (map[string]int, error) {
	r.shops.mu.Lock()
	defer r.shops.mu.Unlock()
	if now := time.Now(); r.shops.versions == nil || now.Sub(r.shops.seen) >= shopsFor {
		docs, err := r.opt.Store.ListDocuments(ctx, engine.LayoutDocument(""))
		if err != nil {
			return nil, err
		}
		versions := make(map[string]int, len(docs))
		for _, d := range docs {
			versions[strings.TrimPrefix(d.Name, engine.LayoutDocument(""))] = d.Version
		}
		r.shops.seen, r.shops.versions = now, versions
	}
	return r.shops.versions, nil
}

// otherSite returns a site with its name; with its id alone where its layout can't be had.
func (r *Runner) otherSite(ctx context.Context, id string, version int) event.OtherSite {
	site := event.OtherSite{ID: id, Name: id}
	if version == 0 || id == "" {
		return event.OtherSite{ID: id, Name: id}
	}
	if v, err := r.docs.get(ctx, event.Pin{Doc: engine.LayoutDocument(id), Version: version}); err == nil {
		if l, ok := v.(*layout.Layout); ok && l.Name != "" {
			site.Name = l.Name
		}
	}
	return site
}

// holders are the items of a site that wait for the index. The loop adds, and never waits for the
// index; keepHolders takes.
type holders struct {
	wake chan struct{}

	mu     sync.Mutex
	queue  []engine.Holding
	folded uint64 // the last entry that was committed
	again  bool   // all items of the site must be gone through
	term   int    // counts how often the site was left or loaded: what was taken before is out of date

	// Of keepHolders alone: what it appended and may not be folded yet.
	told map[epc.Key]toldOther
}

type toldOther struct {
	site string
	seq  uint64
}

func newHolders() *holders {
	return &holders{wake: make(chan struct{}, 1), told: make(map[epc.Key]toldOther)}
}

func (h *holders) nudge() {
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// rebuild has all items gone through: the site is loaded.
func (h *holders) rebuild() {
	h.mu.Lock()
	h.again, h.queue = true, nil
	h.term++
	h.mu.Unlock()
	h.nudge()
}

// forget drops what waits: another node works the site.
func (h *holders) forget() {
	h.mu.Lock()
	h.again, h.queue = false, nil
	h.term++
	h.mu.Unlock()
}

// noteHoldings takes what a commit said of items, and counts what there is no room for.
func (s *Site) noteHoldings(list []engine.Holding, folded uint64) {
	h := s.holders
	h.mu.Lock()
	h.folded = folded
	fits := min(len(list), max(maxHoldings-len(h.queue), 0)) // what is put back may be a little more
	h.queue = append(h.queue, list[:fits]...)
	h.again = h.again || fits < len(list)
	waiting := len(h.queue) > 0 || h.again
	h.mu.Unlock()
	if lost := len(list) - fits; lost > 0 {
		s.r.opt.Metrics.LookupsLost.WithLabelValues(s.id).Add(float64(lost))
	}
	if waiting {
		h.nudge()
	}
}

// take returns the next items that wait, or that all must be gone through.
func (h *holders) take() (list []engine.Holding, all bool, term int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.queue) == 0 {
		all, h.again = h.again, false
		for k, t := range h.told {
			if t.seq <= h.folded {
				delete(h.told, k)
			}
		}
		return nil, all, h.term
	}
	n := min(len(h.queue), holdingsAtOnce)
	list = h.queue[:n:n]
	if h.queue = h.queue[n:]; len(h.queue) == 0 {
		h.queue = nil
	}
	return list, false, h.term
}

// putBack returns what could not be done, unless it is out of date.
func (h *holders) putBack(list []engine.Holding, all bool, term int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.term == term {
		h.queue, h.again = append(list, h.queue...), h.again || all
	}
}

// alone drops what waits, and has all items gone through when there is another site.
func (h *holders) alone(term int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.term == term {
		h.queue, h.again = nil, true
	}
}

// keepHolders brings the index up to date with a site that this node works, until ctx ends.
func (s *Site) keepHolders(ctx context.Context) {
	h := s.holders
	for {
		select {
		case <-ctx.Done():
			return
		case <-h.wake:
		}
		failed := false
		for ctx.Err() == nil {
			list, all, term := h.take()
			if list == nil && !all {
				break
			}
			several, err := s.index(ctx, list, all, term)
			if err == nil && several {
				failed = false
				continue
			}
			if err == nil {
				h.alone(term)
				break
			}
			h.putBack(list, all, term)
			if !failed && ctx.Err() == nil {
				s.log.Warn("the index of what each shop has is behind; trying again", "err", err)
			}
			failed = true
			select {
			case <-ctx.Done():
			case <-time.After(holdersRetry):
			}
		}
	}
}

// index brings the index up to date with some items, or all of the site, and reports whether the
// store has several sites: for one alone there is no index.
func (s *Site) index(ctx context.Context, list []engine.Holding, all bool, term int) (bool, error) {
	known, err := s.r.shopsNow(ctx)
	if err != nil || len(known) < 2 {
		return false, err
	}
	if !all {
		return true, s.settleHolders(ctx, list, known, true)
	}
	for from := int32(0); ; {
		err := s.View(ctx, func(st *engine.State) error {
			list, from = st.Holdings(from, holdingsAtOnce)
			return nil
		})
		if err != nil {
			return true, err
		}
		if err := s.settleHolders(ctx, list, known, false); err != nil {
			return true, err
		}
		s.holders.mu.Lock()
		over := s.holders.term != term
		s.holders.mu.Unlock()
		if from == 0 || over {
			return true, nil
		}
	}
}

// settleHolders changes the index as a site's items say, and, if tell is set, appends to its journal what other sites have.
func (s *Site) settleHolders(ctx context.Context, list []engine.Holding, known map[string]int, tell bool) error {
	last := make(map[epc.Key]engine.Holding, len(list))
	keys := make([]string, 0, len(list))
	for _, h := range list {
		was, twice := last[h.Key]
		h.Firm = h.Has && (h.Firm || twice && was.Has && was.Firm)
		if last[h.Key] = h; !twice {
			key, _ := h.Key.AppendBinary(nil)
			keys = append(keys, string(key))
		}
	}
	if len(keys) == 0 {
		return nil
	}
	var elsewhere []event.Elsewhere
	for try := 1; ; try++ {
		held := make(map[string]store.Value, len(keys))
		if err := s.r.opt.Store.Values(ctx, KindHolder, keys, func(v store.Value) error {
			held[v.Key] = store.Value{Kind: KindHolder, Key: v.Key, Revision: v.Revision, Data: append([]byte(nil), v.Data...)}
			return nil
		}); err != nil {
			return err
		}
		elsewhere = elsewhere[:0]
		var changes []store.Value
		for _, key := range keys {
			k, err := epc.KeyFromBytes([]byte(key))
			if err != nil {
				return err
			}
			h, v := last[k], held[key]
			v.Kind, v.Key = KindHolder, key
			other := string(v.Data)
			switch {
			case h.Firm && other != s.id, h.Has && other == "":
				v.Data, other = []byte(s.id), ""
				changes = append(changes, v)
			case !h.Has && other == s.id:
				v.Data, other = nil, ""
				changes = append(changes, v)
			case other == s.id:
				other = ""
			}
			if tell && other != s.knownOther(&h) {
				elsewhere = append(elsewhere, event.Elsewhere{Key: k, Site: s.r.otherSite(ctx, other, known[other])})
			}
		}
		if len(changes) == 0 {
			break
		}
		_, err := s.r.opt.Store.SetValues(ctx, changes...)
		if err == nil {
			break
		}
		if !errors.Is(err, store.ErrConflict) || try >= holdersTries {
			return err
		}
	}
	if len(elsewhere) == 0 {
		return nil
	}
	e := &event.Entry{Kind: event.EntryElsewhere, At: s.r.opt.Now().UnixMilli(), By: "runner", Elsewhere: elsewhere}
	res, err := s.r.Append(ctx, s.id, e, "", "")
	if err != nil {
		return err
	}
	for _, x := range elsewhere {
		s.holders.told[x.Key] = toldOther{x.Site.ID, uint64(res.Seq)}
	}
	return nil
}

// knownOther returns which other site the site knows, or is about to know, to have an item.
func (s *Site) knownOther(h *engine.Holding) string {
	if t, ok := s.holders.told[h.Key]; ok && t.seq > h.Seq {
		return t.site
	}
	return h.Known
}
