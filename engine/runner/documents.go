package runner

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules"
	"lintel/rules/doc"
)

// documents parses versions of layout, products and rules once each and shares them between sites.
type documents struct {
	store store.Documents

	mu     sync.Mutex
	parsed map[event.Pin]any // *layout.Layout, *catalog.Catalog or *rules.Set
	order  []event.Pin       // oldest first, to forget
}

// parsedMax is how many parsed versions are kept: the present one of each document and a few that
// are on their way in or out.
const parsedMax = 64

func newDocuments(st store.Documents) *documents {
	return &documents{store: st, parsed: make(map[event.Pin]any)}
}

// empty is the configuration of a site before its first document.
func (d *documents) empty(site string) *engine.Config {
	set, err := CompileRules("rules", []byte("rules: []\n"), rules.Known{})
	if err != nil {
		panic(fmt.Sprintf("runner: the empty rules don't compile: %v", err))
	}
	return &engine.Config{
		Layout:  &layout.Layout{Site: site, Name: site, TimeZone: "UTC", Presence: layout.DefaultPresence()},
		Catalog: &catalog.Catalog{},
		Rules:   set,
	}
}

// configWith returns cfg with the given versions in place of its own. A site never goes back: of
// two documents that were stored at the same moment, the older one may be told last.
func (d *documents) configWith(ctx context.Context, site string, cfg *engine.Config, pins []event.Pin) (*engine.Config, error) {
	next := *cfg
	next.Pins = slices.Clone(cfg.Pins)
	for _, p := range pins {
		if p.Doc == engine.Incarnation {
			next.Pins = slices.DeleteFunc(next.Pins, func(q event.Pin) bool { return q.Doc == p.Doc })
			next.Pins = append(next.Pins, p)
			continue
		}
		k := slices.IndexFunc(next.Pins, func(q event.Pin) bool { return q.Doc == p.Doc })
		if k >= 0 && p.Version <= next.Pins[k].Version {
			if p.Doc == engine.LayoutDocument(site) {
				// Loading drops the evidence at every entry that names a layout, for it can't know
				// what held before; so must folding, which goes by the pointer.
				again := *next.Layout
				next.Layout = &again
			}
			continue
		}
		v, err := d.get(ctx, p)
		if err != nil {
			return nil, fmt.Errorf("document %s version %d: %w", p.Doc, p.Version, err)
		}
		switch v := v.(type) {
		case *layout.Layout:
			next.Layout = v
		case *catalog.Catalog:
			next.Catalog = v
		case *rules.Set:
			next.Rules = v
		}
		if k < 0 {
			next.Pins = append(next.Pins, p)
		} else {
			next.Pins[k] = p
		}
	}
	slices.SortFunc(next.Pins, func(a, b event.Pin) int { return strings.Compare(a.Doc, b.Doc) })
	return &next, nil
}

func (d *documents) get(ctx context.Context, p event.Pin) (any, error) {
	d.mu.Lock()
	v, ok := d.parsed[p]
	d.mu.Unlock()
	if ok {
		return v, nil
	}
	doc, err := d.store.GetDocument(ctx, p.Doc, p.Version)
	if err != nil {
		return nil, err
	}
	v, err = ParseDocument(p.Doc, doc.Body)
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if had, ok := d.parsed[p]; ok {
		return had, nil // sites must share one: a layout that is another pointer is another layout
	}
	d.parsed[p] = v
	d.order = append(d.order, p)
	if len(d.order) > parsedMax {
		delete(d.parsed, d.order[0])
		d.order = d.order[1:]
	}
	return v, nil
}

// ParseDocument parses the stored body of a document by its name: "layout/SITE" (JSON), "products"
// (binary) or "rules" (YAML).
func ParseDocument(name string, body []byte) (any, error) {
	switch {
	case strings.HasPrefix(name, engine.LayoutDocument("")):
		return layout.Parse(body)
	case name == engine.ProductsDocument:
		return catalog.ParseBinary(body)
	case name == engine.RulesDocument:
		return CompileRules(name, body, rules.Known{})
	}
	return nil, fmt.Errorf("no document is named %q", name)
}

// CompileRules parses and compiles a rules document; the error is of type doc.Errors.
func CompileRules(file string, body []byte, known rules.Known) (*rules.Set, error) {
	parsed, diags := rules.Parse(file, body)
	set, more := rules.Compile(parsed, known)
	if set == nil {
		return nil, doc.Errors(append(diags, more...))
	}
	return set, nil
}

// SaveDocument stores the next version of a document and lets it take effect at the sites that it
// concerns. The body must have been checked. It returns the version. Expect is the version that it
// replaces; a negative one replaces whatever is the newest.
func (r *Runner) SaveDocument(ctx context.Context, name string, body []byte, by, note string, expect int) (int, error) {
	if _, err := ParseDocument(name, body); err != nil {
		return 0, err
	}
	for try := 0; ; try++ {
		want := expect
		if want < 0 {
			d, err := r.opt.Store.GetDocument(ctx, name, 0)
			if err != nil && !errors.Is(err, store.ErrNotFound) {
				return 0, err
			}
			want = d.Version
		}
		v, err := store.PutDocument(ctx, r.opt.Store, store.Document{
			Name: name, At: r.opt.Now().UTC().Truncate(time.Millisecond), By: by, Note: note, Body: body,
		}, want)
		if errors.Is(err, store.ErrConflict) && expect < 0 && try < 10 {
			continue
		}
		if err != nil {
			return 0, err
		}
		return v, r.spread(ctx, event.Pin{Doc: name, Version: v}, by)
	}
}

// spread appends the new version to the journals of the sites that it concerns.
func (r *Runner) spread(ctx context.Context, p event.Pin, by string) error {
	if site, ok := strings.CutPrefix(p.Doc, engine.LayoutDocument("")); ok {
		s := r.open(site)
		return r.pin(ctx, s.id, []event.Pin{p}, by)
	}
	docs, err := r.opt.Store.ListDocuments(ctx, engine.LayoutDocument(""))
	if err != nil {
		return err
	}
	var errs []error
	for _, d := range docs {
		errs = append(errs, r.pin(ctx, strings.TrimPrefix(d.Name, engine.LayoutDocument("")), []event.Pin{p}, by))
	}
	return errors.Join(errs...)
}

func (r *Runner) pin(ctx context.Context, site string, pins []event.Pin, by string) error {
	_, err := r.Append(ctx, site, &event.Entry{Kind: event.EntryConfig, At: r.opt.Now().UnixMilli(), By: by, Config: pins}, "", "")
	return err
}

// reconcile pins documents whose newest version the site has not taken up: a crash may have come
// between storing one and telling the site, and a new site has to take up what was there before it.
// It pins more beside them.
func (r *Runner) reconcile(ctx context.Context, site string, have []event.Pin, more ...event.Pin) error {
	docs, err := r.opt.Store.ListDocuments(ctx, "")
	if err != nil {
		return err
	}
	missing := more
	for _, d := range docs {
		if d.Name != engine.LayoutDocument(site) && d.Name != engine.ProductsDocument && d.Name != engine.RulesDocument {
			continue
		}
		if !slices.ContainsFunc(have, func(p event.Pin) bool { return p.Doc == d.Name && p.Version >= d.Version }) {
			missing = append(missing, event.Pin{Doc: d.Name, Version: d.Version})
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return r.pin(ctx, site, missing, "reconcile")
}
