package export

import (
	"context"
	"errors"
	"math"
	"slices"
	"sync"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
	"lintel/engine/store"
)

// What is owed to a site, as lintel_sync has it. More includes less. What is owed need not be done
// row by row before.
const (
	todoNothing int64 = iota
	todoStock         // compare the stock
	todoSweep         // compare all rows and write those that differ
	todoResync        // and delete rows of what is gone
)

// position is how far a site was copied: a row of lintel_sync.
type position struct {
	fact      store.FactID // the last one in lintel_facts
	entry     uint64       // as of which the rows are true, at least
	documents string
	todo      int64
	sweptAt   int64 // Unix milliseconds
}

// follower copies one site.
type follower struct {
	*Sink
	source

	owed     int64     // what is owed beside what the database says
	lastGood time.Time // end of the last round that succeeded
	countsAt time.Time // when unfinished counts were last looked at

	alertsMu     sync.Mutex
	alerts       map[string]bool // those that changed
	missedAlerts bool            // more changed than alerts tells: all must be listed
}

// errBehind says that this node's state is older than what the database has. Another node is ahead;
// this one will be.
var errBehind = errors.New("this node is behind the one that wrote last")

const (
	// fresh is how long after a good round no fact can have been trimmed that it did not see: facts
	// are kept for longer by far.
	fresh = 10 * time.Minute
	// countsEvery is how often the counts that go on are copied.
	countsEvery = time.Minute
)

// sync does one round.
func (f *follower) sync(ctx context.Context) error {
	pos, err := f.readPosition(ctx)
	if err != nil {
		return err
	}
	if pos, err = f.checkPosition(ctx, pos); err != nil {
		return err
	}
	f.owed = max(f.owed, pos.todo)
	// Heard alerts are taken before the records are read, so that a change after that is heard for
	// the next round.
	ids, all := f.takeAlerts()
	err = f.facts(ctx, &pos)
	if err == nil && !all {
		err = f.copyAlertsNamed(ctx, &pos, ids)
	}
	if err == nil {
		err = f.copyCounts(ctx, &pos)
	}
	if err == nil {
		var swept bool
		if swept, err = f.sweepIfDue(ctx, &pos, all); err == nil && swept {
			// The stock was compared later than the items: what came in between is in its facts.
			err = f.facts(ctx, &pos)
		}
	}
	if err != nil {
		f.giveBack(ids, all)
		if errors.Is(err, errBehind) {
			return nil // next time
		}
		return err
	}
	f.lastGood = time.Now()
	return nil
}

func (f *follower) takeAlerts() (ids []string, all bool) {
	f.alertsMu.Lock()
	defer f.alertsMu.Unlock()
	for id := range f.alerts {
		ids = append(ids, id)
	}
	clear(f.alerts)
	all = f.missedAlerts
	f.missedAlerts = false
	slices.SortFunc(ids, compareIDs)
	return ids, all
}

func (f *follower) giveBack(ids []string, all bool) {
	f.alertsMu.Lock()
	defer f.alertsMu.Unlock()
	f.missedAlerts = f.missedAlerts || all
	for _, id := range ids {
		f.alerts[id] = true
	}
}

// checkPosition finds out whether the facts go on where the database ends.
func (f *follower) checkPosition(ctx context.Context, pos position) (position, error) {
	_, newest, err := f.store.Cursor(ctx, f.id())
	if err != nil {
		return pos, err
	}
	if uint64(newest) < pos.entry {
		f.opt.Log.Warn("the store is older than the SQL database: an earlier state was restored. Copying all of "+
			"the site again", "site", f.id(), "store", newest, "database", pos.entry)
		return f.rewind(ctx, uint64(newest))
	}
	if pos.fact.IsZero() || time.Since(f.lastGood) < fresh {
		return pos, nil
	}
	// Where the last fact copied is still kept, all after it are.
	var first store.FactID
	err = f.source.facts(ctx, pos.fact, 1, func(fact *event.Fact) error {
		first = store.FactID{Ms: fact.Ms, N: fact.N}
		return nil
	})
	if err == nil && first != pos.fact {
		f.opt.Log.Warn("facts may have been trimmed before they were copied; comparing all of the site", "site", f.id(),
			"copied_to", time.UnixMilli(pos.fact.Ms).UTC())
		f.owed = todoResync
	}
	return pos, err
}

// trailing is how many batches that are not full are taken in one round. The state that a batch's
// stock is read from may be ahead of the facts that were read before it, and then the next batch
// has the items; a site that never rests is left for the next round all the same.
const trailing = 4

// facts appends new facts, batch by batch. Each batch, the items and the stock that it speaks of
// and the new position are one transaction.
func (f *follower) facts(ctx context.Context, pos *position) error {
	for left := trailing; left > 0; {
		b, err := f.nextBatch(ctx, pos.fact)
		if err != nil || len(b.facts) == 0 {
			return err
		}
		next := *pos
		next.fact, next.entry = b.last, max(pos.entry, b.seq)
		f.owed = max(f.owed, b.owed)
		next.todo = max(pos.todo, f.owed)
		err = f.transact(ctx, *pos, next, b.seq, func(w *writer) {
			w.upsert(&factsTable, b.facts)
			if next.todo < todoSweep {
				w.upsert(&itemsTable, b.items)
			}
			if next.todo < todoStock && len(b.gtins) > 0 {
				w.stock(f.id(), b.gtins, b.stock)
			}
		})
		if err != nil {
			return err
		}
		*pos = next
		if len(b.counts) > 0 {
			if err := f.copyCountsNamed(ctx, pos, b.counts); err != nil {
				return err
			}
		}
		if !b.more {
			left--
		}
	}
	return nil
}

// factBatch is one batch of facts and what they speak of.
type factBatch struct {
	facts  [][]any
	last   store.FactID
	seq    uint64 // as of which items and stock are
	items  [][]any
	gtins  []string // products whose stock changed
	stock  [][]any  // all rows of theirs
	counts []string // counts that closed
	owed   int64    // what is better done at once afterwards
	more   bool
}

// maxStockProducts is how many products a batch picks out of the stock; with more, all of the stock
// is compared.
const maxStockProducts = 200

func (f *follower) nextBatch(ctx context.Context, from store.FactID) (factBatch, error) {
	if !from.IsZero() {
		from = after(from)
	}
	var list []event.Fact
	if err := f.source.facts(ctx, from, f.opt.Batch, func(fact *event.Fact) error {
		list = append(list, *fact)
		return nil
	}); err != nil || len(list) == 0 {
		return factBatch{}, err
	}
	b := factBatch{more: len(list) == f.opt.Batch}
	err := f.view(ctx, func(st *engine.State) error {
		b.seq = st.Seq()
		// A node that follows another may not have folded yet what that one has reported.
		if n := slices.IndexFunc(list, func(fact event.Fact) bool { return fact.Seq > b.seq }); n >= 0 {
			list, b.more = list[:n], false
		}
		var keys []epc.Key
		var gtins []uint64
		seen := make(map[epc.Key]bool)
		seenGTIN := make(map[uint64]bool)
		for i := range list {
			fact := &list[i]
			if fact.Key != (epc.Key{}) && !seen[fact.Key] {
				seen[fact.Key] = true
				keys = append(keys, fact.Key)
			}
			if fact.Cause == event.Stock && !seenGTIN[fact.GTIN] {
				seenGTIN[fact.GTIN] = true
				gtins = append(gtins, fact.GTIN)
			}
			if fact.Cause == event.Counted {
				b.owed = todoSweep // closing a count touches items without a fact each
				b.counts = append(b.counts, fact.Ref)
			}
		}
		b.items = itemRows(f.id(), st, keys)
		if len(gtins) == 0 {
			return nil
		}
		if len(gtins) > maxStockProducts {
			b.owed = max(b.owed, todoStock)
			return nil
		}
		for _, r := range st.StockRows(stock.Filter{GTINs: gtins}, math.MaxInt) {
			b.stock = append(b.stock, stockRow(f.id(), &r, st.Config().Catalog))
		}
		for _, g := range gtins {
			b.gtins = append(b.gtins, event.GTINText(g))
		}
		return nil
	})
	if err != nil || len(list) == 0 {
		return factBatch{}, err
	}
	last := &list[len(list)-1]
	b.last = store.FactID{Ms: last.Ms, N: last.N}
	for i := range list {
		if !list[i].Passage.Likely { // it moved nothing, and may be taken back
			b.facts = append(b.facts, factRow(f.id(), &list[i]))
		}
	}
	slices.Sort(b.counts)
	b.counts = slices.Compact(b.counts)
	return b, nil
}

// copyCounts copies the counts that were not finished when they were last copied, now and then.
func (f *follower) copyCounts(ctx context.Context, pos *position) error {
	if time.Since(f.countsAt) < countsEvery {
		return nil
	}
	ids, err := f.texts(ctx, "SELECT count_id FROM lintel_counts WHERE site = "+f.db.dialect.args(1, 1)+" AND NOT final", f.id())
	if err != nil {
		return err
	}
	slices.SortFunc(ids, compareIDs)
	if err := f.copyCountsNamed(ctx, pos, ids); err != nil {
		return err
	}
	f.countsAt = time.Now()
	return nil
}

// copyAlertsNamed copies the alerts with these ids.
func (f *follower) copyAlertsNamed(ctx context.Context, pos *position, ids []string) error {
	return f.copyNamed(ctx, pos, ids, alertsPage, &alertsTable, f.alertsNamed)
}

// copyCountsNamed copies the counts with these ids.
func (f *follower) copyCountsNamed(ctx context.Context, pos *position, ids []string) error {
	return f.copyNamed(ctx, pos, ids, countsPage, &countsTable, f.countsNamed)
}

func (f *follower) copyNamed(ctx context.Context, pos *position, ids []string, size int, t *table,
	read func(context.Context, []string) (page, error)) error {
	for chunk := range slices.Chunk(ids, size) {
		p, err := read(ctx, chunk)
		if err != nil {
			return err
		}
		if err := f.copyPage(ctx, pos, t, p, fromStore); err != nil {
			return err
		}
	}
	return nil
}

// fromStore says that rows were read from the store, which no node is behind of.
const fromStore = math.MaxUint64

// copyPage writes the rows of a page that differ. Seq is p.seq, or fromStore.
func (f *follower) copyPage(ctx context.Context, pos *position, t *table, p page, seq uint64) error {
	if len(p.rows) == 0 {
		return nil
	}
	next := *pos
	next.entry = max(pos.entry, p.seq)
	err := f.transact(ctx, *pos, next, seq, func(w *writer) { w.upsert(t, p.rows) })
	if err == nil {
		*pos = next
	}
	return err
}
