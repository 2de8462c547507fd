package export

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/stock"
	"lintel/engine/store"
)

// How much is taken out of a site's state at once. The loop waits for as long as that takes, so it
// is little; the rest of the time it goes on.
const (
	itemsPage = 2048
	keysPage  = 1 << 16
	stockPage = 4096
)

// recordsPage is how many alerts or counts are read at once: counts of a large shop take a megabyte
// each.
const (
	alertsPage = 500
	countsPage = 8
)

// Store is what exports read of a store.
type Store interface {
	store.Journal
	store.Records
}

// source is one site, to be read.
type source struct {
	store Store
	site  *runner.Site
}

func (s *source) id() string { return s.site.ID() }

// span is between which entries of the journal something was read: it is true as of some entry in
// between, row by row.
type span struct{ from, to uint64 }

func (s *span) add(seq uint64) {
	if s.from == 0 || seq < s.from {
		s.from = seq
	}
	s.to = max(s.to, seq)
}

// page is a piece of a site's state.
type page struct {
	seq  uint64
	rows [][]any
}

// loadWithin is how long a site may take to be loaded, before the others are turned to.
const loadWithin = 30 * time.Second

// view runs f on the state, and then leaves the loop alone for as long as that took.
func (s *source) view(ctx context.Context, f func(*engine.State) error) error {
	var held time.Duration
	within, cancel := context.WithTimeout(ctx, loadWithin)
	defer cancel()
	err := s.site.View(within, func(st *engine.State) error {
		began := time.Now()
		defer func() { held = time.Since(began) }()
		return f(st)
	})
	if err != nil {
		return fmt.Errorf("look at the site: %w", err)
	}
	if held > time.Millisecond {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(held):
		}
	}
	return nil
}

// items calls f with all items in pages, in the order of their identities. Each item is as of its
// page. The identities are listed and sorted first, so that the loop waits for no more than what a
// page takes.
func (s *source) items(ctx context.Context, f func(page) error) error {
	var keys []epc.Key
	for done := false; !done; {
		if err := s.view(ctx, func(st *engine.State) error {
			some, next := st.Keys(len(keys), keysPage)
			keys = append(keys, some...)
			done = next == st.Len()
			return nil
		}); err != nil {
			return err
		}
	}
	slices.SortFunc(keys, epc.Key.Compare)
	for chunk := range slices.Chunk(keys, itemsPage) {
		p := page{}
		list := make([]engine.ItemInfo, 0, len(chunk))
		var products *catalog.Catalog
		if err := s.view(ctx, func(st *engine.State) error {
			p.seq, products = st.Seq(), st.Config().Catalog
			for _, k := range chunk {
				if it, ok := st.Item(k); ok {
					list = append(list, it)
				}
			}
			return nil
		}); err != nil {
			return err
		}
		for i := range list {
			p.rows = append(p.rows, itemRow(s.id(), &list[i], products))
		}
		if err := f(p); err != nil {
			return err
		}
	}
	return nil
}

// stock calls f with all stock in pages, by GTIN and place.
func (s *source) stock(ctx context.Context, f func(page) error) error {
	filter := stock.Filter{}
	for {
		p := page{}
		err := s.view(ctx, func(st *engine.State) error {
			p.seq = st.Seq()
			list := st.StockRows(filter, stockPage)
			for i := range list {
				p.rows = append(p.rows, stockRow(s.id(), &list[i], st.Config().Catalog))
			}
			if n := len(list); n > 0 {
				filter.AfterGTIN, filter.AfterPlace = list[n-1].GTIN, list[n-1].Place()
			}
			return nil
		})
		if err != nil {
			return err
		}
		if err := f(p); err != nil {
			return err
		}
		if len(p.rows) < stockPage {
			return nil
		}
	}
}

// listings is how often a listing of records is tried that a commit broke off.
const listings = 10

// names lists the keys of all records of a kind, as of one cursor.
func (s *source) names(ctx context.Context, kind store.Kind) (names []string, err error) {
	for try := 0; ; try++ {
		names = names[:0]
		_, err = s.store.Records(ctx, s.id(), kind, nil, func(_ store.Kind, key string, _ []byte) error {
			names = append(names, key)
			return nil
		})
		if !errors.Is(err, store.ErrConflict) || try == listings {
			break
		}
	}
	if err != nil {
		return nil, fmt.Errorf("list %ss: %w", kind, err)
	}
	slices.SortFunc(names, compareIDs)
	return names, nil
}

// compareIDs orders ids that end in numbers, "umberhithe-12-3", by these numbers: the order in
// which alerts were raised and counts opened.
func compareIDs(a, b string) int {
	headA, seqA, nA := splitID(a)
	headB, seqB, nB := splitID(b)
	return cmp.Or(strings.Compare(headA, headB), cmp.Compare(seqA, seqB), cmp.Compare(nA, nB), strings.Compare(a, b))
}

func splitID(id string) (head string, seq, n uint64) {
	head, n, ok := cutNumber(id)
	if !ok {
		return id, 0, 0
	}
	if h, seq, ok := cutNumber(head); ok {
		return h, seq, n
	}
	return head, n, 0
}

func cutNumber(s string) (head string, n uint64, ok bool) {
	k := strings.LastIndexByte(s, '-')
	if k < 0 {
		return s, 0, false
	}
	digits, _, _ := strings.Cut(s[k+1:], "_") // the incarnation of the store follows
	n, err := strconv.ParseUint(digits, 10, 64)
	return s[:k], n, err == nil
}

// records reads records by key, as of one cursor.
func (s *source) records(ctx context.Context, kind store.Kind, keys []string, f func(key string, value []byte) error) (store.Seq, error) {
	for try := 0; ; try++ {
		seq, err := s.store.Records(ctx, s.id(), kind, keys, func(_ store.Kind, key string, value []byte) error { return f(key, value) })
		if errors.Is(err, store.ErrConflict) && try < listings {
			continue
		}
		return seq, err
	}
}

// alertsNamed reads the alerts with these ids. Those that nobody is told of, or that are gone, have
// no row.
func (s *source) alertsNamed(ctx context.Context, ids []string) (page, error) {
	byID := make(map[string][]any, len(ids))
	seq, err := s.records(ctx, event.KindAlert, ids, func(id string, value []byte) error {
		a, err := event.DecodeAlert(value)
		if err != nil {
			return fmt.Errorf("alert %s: %w", id, err)
		}
		delete(byID, id) // a listing may be tried again
		if told(&a) {
			byID[id] = alertRow(s.id(), &a)
		}
		return nil
	})
	return arrange(seq, ids, byID), err
}

// countsNamed reads the counts with these ids, and what closing them found.
func (s *source) countsNamed(ctx context.Context, ids []string) (page, error) {
	results := make(map[string]*event.CountResult, len(ids))
	if _, err := s.records(ctx, event.KindResult, ids, func(id string, value []byte) error {
		res, err := event.DecodeCountResult(value)
		if err != nil {
			return fmt.Errorf("result of count %s: %w", id, err)
		}
		res.Found, res.Differences = nil, nil // they may be long
		results[id] = &res
		return nil
	}); err != nil {
		return page{}, err
	}
	byID := make(map[string][]any, len(ids))
	seq, err := s.records(ctx, event.KindCount, ids, func(id string, value []byte) error {
		c, err := event.DecodeCount(value)
		if err != nil {
			return fmt.Errorf("count %s: %w", id, err)
		}
		byID[id] = countRow(s.id(), &c, results[id])
		return nil
	})
	return arrange(seq, ids, byID), err
}

func arrange(seq store.Seq, ids []string, byID map[string][]any) page {
	p := page{seq: uint64(seq)}
	for _, id := range ids {
		if row := byID[id]; row != nil {
			p.rows = append(p.rows, row)
		}
	}
	return p
}

// alerts calls f with all alerts, in the order in which they were raised, and counts with all
// counts, in the order in which they were opened.
func (s *source) alerts(ctx context.Context, f func(ids []string, p page) error) error {
	return s.listed(ctx, event.KindAlert, alertsPage, s.alertsNamed, f)
}

func (s *source) counts(ctx context.Context, f func(ids []string, p page) error) error {
	return s.listed(ctx, event.KindCount, countsPage, s.countsNamed, f)
}

func (s *source) listed(ctx context.Context, kind store.Kind, size int, read func(context.Context, []string) (page,
	error), f func([]string, page) error) error {
	names, err := s.names(ctx, kind)
	if err != nil {
		return err
	}
	for ids := range slices.Chunk(names, size) {
		p, err := read(ctx, ids)
		if err != nil {
			return err
		}
		if err := f(ids, p); err != nil {
			return err
		}
	}
	return nil
}

// errEnough ends a listing of facts.
var errEnough = errors.New("enough")

// facts calls f with the facts from an id on.
func (s *source) facts(ctx context.Context, from store.FactID, limit int, f func(*event.Fact) error) error {
	var fact event.Fact
	err := s.store.Facts(ctx, s.id(), from, store.FactID{}, limit, func(id store.FactID, data []byte) error {
		if err := event.DecodeFact(data, id.Ms, id.N, &fact); err != nil {
			return err
		}
		return f(&fact)
	})
	if err != nil && !errors.Is(err, errEnough) {
		return err
	}
	return nil
}

// after returns the first id that can follow a fact's.
func after(id store.FactID) store.FactID {
	if id.N == 1<<32-1 {
		return store.FactID{Ms: id.Ms + 1}
	}
	return store.FactID{Ms: id.Ms, N: id.N + 1}
}

// itemRows returns the rows of these items as they are now.
func itemRows(site string, st *engine.State, keys []epc.Key) [][]any {
	rows := make([][]any, 0, len(keys))
	for _, k := range keys {
		if it, ok := st.Item(k); ok {
			rows = append(rows, itemRow(site, &it, st.Config().Catalog))
		}
	}
	return rows
}

// documents names the versions that a state is folded with.
func documents(cfg *engine.Config) string {
	var b strings.Builder
	for _, p := range cfg.Pins {
		if p.Doc == engine.Incarnation {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%s:%d", p.Doc, p.Version)
	}
	return b.String()
}

// productsVersion is the version of the product list in it, 0 for none.
func productsVersion(cfg *engine.Config) int64 {
	for _, p := range cfg.Pins {
		if p.Doc == engine.ProductsDocument {
			return int64(p.Version)
		}
	}
	return 0
}
