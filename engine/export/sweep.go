package export

import (
	"context"
	"slices"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
)

// sweepIfDue compares what no fact mentions: the whole stock after a change of products or layout,
// when items were last heard, counts that go on, alerts whose changes were not heard. Only rows
// that differ are written. It reports whether the stock was compared.
func (f *follower) sweepIfDue(ctx context.Context, pos *position, allAlerts bool) (bool, error) {
	var docs string
	if err := f.view(ctx, func(st *engine.State) error {
		docs = documents(st.Config())
		return nil
	}); err != nil {
		return false, err
	}
	if docs != pos.documents {
		f.owed = max(f.owed, todoStock)
	}
	if time.Since(time.UnixMilli(pos.sweptAt)) >= f.opt.Sweep {
		f.owed = max(f.owed, todoSweep)
	}
	if f.owed >= todoSweep || allAlerts {
		if err := f.sweepAlerts(ctx, pos); err != nil {
			return false, err
		}
	}
	if f.owed == todoNothing {
		return false, nil
	}
	began := time.Now()
	if f.owed >= todoSweep {
		if err := f.sweepItems(ctx, pos); err != nil {
			return false, err
		}
		if err := f.sweepCounts(ctx, pos); err != nil {
			return false, err
		}
		if err := f.dropFacts(ctx); err != nil {
			return false, err
		}
	}
	if err := f.sweepStock(ctx, pos); err != nil {
		return false, err
	}
	next := *pos
	next.todo, next.documents = todoNothing, docs
	if f.owed >= todoSweep {
		next.sweptAt = time.Now().UnixMilli()
	}
	if err := f.transact(ctx, *pos, next, fromStore, func(*writer) {}); err != nil {
		return false, err
	}
	if f.owed == todoResync {
		f.opt.Log.Info("all of the site was copied", "site", f.id(), "took", time.Since(began).Round(time.Millisecond))
	}
	f.metrics.Sweep.Observe(time.Since(began).Seconds())
	*pos, f.owed = next, todoNothing
	return true, nil
}

func (f *follower) sweepItems(ctx context.Context, pos *position) error {
	if f.owed == todoResync {
		if err := f.dropItems(ctx); err != nil {
			return err
		}
	}
	return f.items(ctx, func(p page) error { return f.copyPage(ctx, pos, &itemsTable, p, p.seq) })
}

// dropItems deletes items that the site does not know.
func (f *follower) dropItems(ctx context.Context) error {
	d := f.db.dialect
	query := "SELECT item FROM lintel_items WHERE site = " + d.args(1, 1) + " AND item > " + d.args(2, 1) +
		" ORDER BY item LIMIT " + d.args(3, 1)
	for last := ""; ; {
		names, err := f.texts(ctx, query, f.id(), last, itemsPage)
		if err != nil || len(names) == 0 {
			return err
		}
		last = names[len(names)-1]
		var gone []string
		if err := f.view(ctx, func(st *engine.State) error {
			for _, name := range names {
				id, err := epc.Parse(name)
				if err == nil {
					if _, ok := st.Item(id.Key()); ok {
						continue
					}
				}
				gone = append(gone, name)
			}
			return nil
		}); err != nil {
			return err
		}
		if err := f.drop(ctx, &itemsTable, gone); err != nil {
			return err
		}
	}
}

func (f *follower) drop(ctx context.Context, t *table, keys []string) error {
	if len(keys) == 0 {
		return nil
	}
	return f.inTransaction(ctx, func(w *writer) error {
		w.deleteKeys(t, f.id(), keys)
		return nil
	})
}

func (f *follower) sweepAlerts(ctx context.Context, pos *position) error {
	return f.sweepRecords(ctx, pos, &alertsTable, f.source.alerts)
}

func (f *follower) sweepCounts(ctx context.Context, pos *position) error {
	return f.sweepRecords(ctx, pos, &countsTable, f.counts)
}

// sweepRecords compares alerts or counts, and deletes what is not there any more if all of the site
// is copied.
func (f *follower) sweepRecords(ctx context.Context, pos *position, t *table,
	list func(context.Context, func([]string, page) error) error) error {
	there := make(map[string]bool)
	if err := list(ctx, func(_ []string, p page) error {
		for _, row := range p.rows {
			there[row[1].(string)] = true
		}
		return f.copyPage(ctx, pos, t, p, fromStore)
	}); err != nil {
		return err
	}
	if f.owed < todoResync {
		return nil
	}
	column := t.keys()[1]
	names, err := f.texts(ctx, "SELECT "+column+" FROM "+t.sqlName()+" WHERE site = "+f.db.dialect.args(1, 1), f.id())
	if err != nil {
		return err
	}
	return f.drop(ctx, t, slices.DeleteFunc(names, func(name string) bool { return there[name] }))
}

func (f *follower) sweepStock(ctx context.Context, pos *position) error {
	there := make(map[stockKey]bool)
	if err := f.stock(ctx, func(p page) error {
		for k := range stockKeys(p.rows) {
			there[k] = true
		}
		return f.copyPage(ctx, pos, &stockTable, p, p.seq)
	}); err != nil {
		return err
	}
	// A row that came up meanwhile is in the database only if a fact brought it, and facts are
	// taken by this goroutine or move the position.
	return f.transact(ctx, *pos, *pos, fromStore, func(w *writer) { w.stockGone(f.id(), "", []any{f.id()}, there) })
}

// dropFacts deletes facts that are older than they are kept.
func (f *follower) dropFacts(ctx context.Context) error {
	d := f.db.dialect
	return f.inTransaction(ctx, func(w *writer) error {
		w.exec("DELETE FROM lintel_facts WHERE site = "+d.args(1, 1)+" AND fact_ms < "+d.args(2, 1), f.id(),
			f.opt.Now().Add(-f.opt.FactsKeep).UnixMilli())
		return nil
	})
}
