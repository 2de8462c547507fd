package export

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
)

// writeWithin bounds one transaction: a database that hangs is tried again, and does not hold the
// sink for ever.
const writeWithin = time.Minute

// maxArguments is how many arguments a statement has at most: PostgreSQL takes 65,535, SQLite
// 32,766 (SQLITE_MAX_VARIABLE_NUMBER).
const maxArguments = 16_000

// writer writes rows in one transaction. After the first error it does nothing.
type writer struct {
	ctx     context.Context
	tx      *sql.Tx
	dialect *dialect
	args    []any
	err     error
	written map[string]int // rows given, by table
}

func (w *writer) exec(query string, args ...any) {
	if w.err == nil {
		_, w.err = w.tx.ExecContext(w.ctx, query, args...)
	}
}

// upsert adds rows, or changes those that differ. Keys must not stand twice.
func (w *writer) upsert(t *table, rows [][]any) {
	var places []int // of the stored columns in a row
	for i, c := range t.columns {
		if !c.csvOnly {
			places = append(places, i)
		}
	}
	for size := 256; len(rows) > 0; {
		// Sizes are powers of two, so that there are few different statements and the database
		// keeps them prepared.
		for size > len(rows) || size*len(places) > maxArguments {
			size /= 2
		}
		w.args = w.args[:0]
		for _, row := range rows[:size] {
			for _, p := range places {
				w.args = append(w.args, w.dialect.value(row[p]))
			}
		}
		w.exec(w.dialect.upsert(t, size), w.args...)
		w.written[t.name] += size
		rows = rows[size:]
	}
}

// upsert is the statement that writes n rows.
func (d *dialect) upsert(t *table, n int) string {
	type key struct {
		d *dialect
		t *table
		n int
	}
	if s, ok := statements.Load(key{d, t, n}); ok {
		return s.(string)
	}
	columns := t.stored()
	names, set, differ := make([]string, len(columns)), []string{}, []string{}
	for i, c := range columns {
		names[i] = c.name
		if !c.key {
			set = append(set, c.name+" = excluded."+c.name)
			differ = append(differ, t.sqlName()+"."+c.name+" IS DISTINCT FROM excluded."+c.name)
		}
	}
	b := fmt.Appendf(nil, "INSERT INTO %s (%s) VALUES ", t.sqlName(), strings.Join(names, ", "))
	for i := range n {
		if i > 0 {
			b = append(b, ", "...)
		}
		b = append(b, '(')
		for j := range columns {
			if j > 0 {
				b = append(b, ", "...)
			}
			b = d.placeholder(b, i*len(columns)+j+1)
		}
		b = append(b, ')')
	}
	b = fmt.Appendf(b, " ON CONFLICT (%s) DO UPDATE SET %s WHERE %s", strings.Join(t.keys(), ", "),
		strings.Join(set, ", "), strings.Join(differ, " OR "))
	statements.Store(key{d, t, n}, string(b))
	return string(b)
}

// deleteKeys deletes rows of a site by the last column of their key.
func (w *writer) deleteKeys(t *table, site string, keys []string) {
	column := t.keys()[1]
	for chunk := range slices.Chunk(keys, 500) {
		args := []any{site}
		for _, k := range chunk {
			args = append(args, k)
		}
		w.exec(fmt.Sprintf("DELETE FROM %s WHERE site = %s AND %s IN (%s)", t.sqlName(), w.dialect.args(1, 1), column,
			w.dialect.args(2, len(chunk))), args...)
	}
}

// stock makes the rows of these products what they are now.
func (w *writer) stock(site string, gtins []string, rows [][]any) {
	args := []any{site}
	for _, g := range gtins {
		args = append(args, g)
	}
	w.stockGone(site, " AND gtin IN ("+w.dialect.args(2, len(gtins))+")", args, stockKeys(rows))
	w.upsert(&stockTable, rows)
}

// stockKey names a row of the stock within its site.
type stockKey struct{ gtin, place string }

func stockKeys(rows [][]any) map[stockKey]bool {
	keys := make(map[stockKey]bool, len(rows))
	for _, row := range rows {
		keys[stockKey{row[1].(string), row[4].(string)}] = true
	}
	return keys
}

// stockGone deletes those rows of the stock that a condition picks and that are not there any more.
func (w *writer) stockGone(site, where string, args []any, there map[stockKey]bool) {
	if w.err != nil {
		return
	}
	rows, err := w.tx.QueryContext(w.ctx, "SELECT gtin, place FROM lintel_stock WHERE site = "+w.dialect.args(1, 1)+where, args...)
	if err != nil {
		w.err = err
		return
	}
	var gone []stockKey
	for rows.Next() {
		var k stockKey
		if err := rows.Scan(&k.gtin, &k.place); err != nil {
			w.err = errors.Join(err, rows.Close())
			return
		}
		if !there[k] {
			gone = append(gone, k)
		}
	}
	if w.err = errors.Join(rows.Err(), rows.Close()); w.err != nil {
		return
	}
	for _, k := range gone {
		w.exec("DELETE FROM lintel_stock WHERE site = "+w.dialect.args(1, 1)+" AND gtin = "+w.dialect.args(2, 1)+
			" AND place = "+w.dialect.args(3, 1), site, k.gtin, k.place)
	}
}

// inTransaction runs f in a transaction.
func (s *Sink) inTransaction(ctx context.Context, f func(w *writer) error) error {
	ctx, cancel := context.WithTimeout(ctx, writeWithin)
	defer cancel()
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // after a commit this does nothing
	w := &writer{ctx: ctx, tx: tx, dialect: s.db.dialect, written: make(map[string]int)}
	if err := f(w); err != nil {
		return err
	}
	if w.err != nil {
		return w.err
	}
	if s.hook != nil {
		if err := s.hook(false); err != nil {
			return err
		}
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	if s.hook != nil {
		if err := s.hook(true); err != nil {
			return err
		}
	}
	for t, n := range w.written {
		s.metrics.Rows.WithLabelValues(t).Add(float64(n))
	}
	return nil
}

// transact writes rows and the next position together, if the position is still pos: so that facts
// are taken once, and no node writes over what another has newer. Seq is as of when the rows are.
func (f *follower) transact(ctx context.Context, pos, next position, seq uint64, write func(w *writer)) error {
	if seq < pos.entry {
		return errBehind
	}
	return f.inTransaction(ctx, func(w *writer) error {
		now, err := f.scanPosition(w.tx.QueryRowContext(w.ctx, f.positionQuery()+f.db.dialect.forRow, f.id()))
		if err != nil {
			return err
		}
		if now.fact != pos.fact || now.entry != pos.entry {
			return errBehind
		}
		write(w)
		w.setPosition(f.id(), next)
		return nil
	})
}

func (w *writer) setPosition(site string, p position) {
	var swept any
	if p.sweptAt != 0 {
		swept = instant(p.sweptAt)
	}
	w.exec("INSERT INTO lintel_sync (site, fact_ms, fact_n, entry, documents, todo, swept_at, updated_at) VALUES ("+w.dialect.args(1, 8)+`)
		ON CONFLICT (site) DO UPDATE SET fact_ms = excluded.fact_ms, fact_n = excluded.fact_n, entry = excluded.entry,
			documents = excluded.documents,
		todo = excluded.todo, swept_at = excluded.swept_at, updated_at = excluded.updated_at`,
		site, p.fact.Ms, int64(p.fact.N), int64(p.entry), p.documents, p.todo, w.dialect.value(swept),
		w.dialect.value(instant(time.Now().UnixMilli())))
}

func (f *follower) positionQuery() string {
	return "SELECT fact_ms, fact_n, entry, documents, todo, swept_at FROM lintel_sync WHERE site = " + f.db.dialect.args(1, 1)
}

// scanPosition reads a row of lintel_sync. A site without one is owed everything.
func (f *follower) scanPosition(row *sql.Row) (position, error) {
	var p position
	var n, entry int64
	var swept any
	err := row.Scan(&p.fact.Ms, &n, &entry, &p.documents, &p.todo, &swept)
	if errors.Is(err, sql.ErrNoRows) {
		return position{todo: todoResync}, nil
	}
	if err != nil {
		return p, err
	}
	p.fact.N, p.entry = uint32(n), uint64(entry)
	switch v := swept.(type) {
	case time.Time:
		p.sweptAt = v.UnixMilli()
	case string:
		t, err := time.Parse(sqliteTime, v)
		if err != nil {
			return p, fmt.Errorf("lintel_sync: swept_at of %s: %w", f.id(), err)
		}
		p.sweptAt = t.UnixMilli()
	}
	return p, nil
}

func (f *follower) readPosition(ctx context.Context) (position, error) {
	ctx, cancel := context.WithTimeout(ctx, writeWithin)
	defer cancel()
	return f.scanPosition(f.db.QueryRowContext(ctx, f.positionQuery(), f.id()))
}

// rewind takes back what a store that was restored from an earlier time knows nothing of, and lets
// all of the site be copied again.
func (f *follower) rewind(ctx context.Context, newest uint64) (position, error) {
	p := position{todo: todoResync}
	err := f.inTransaction(ctx, func(w *writer) error {
		d := f.db.dialect
		w.exec("DELETE FROM lintel_facts WHERE site = "+d.args(1, 1)+" AND entry > "+d.args(2, 1), f.id(), int64(newest))
		if w.err != nil {
			return w.err
		}
		var n int64
		err := w.tx.QueryRowContext(w.ctx, "SELECT fact_ms, fact_n FROM lintel_facts WHERE site = "+d.args(1, 1)+
			" ORDER BY fact_ms DESC, fact_n DESC LIMIT 1", f.id()).Scan(&p.fact.Ms, &n)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		p.fact = store.FactID{Ms: p.fact.Ms, N: uint32(n)}
		w.setPosition(f.id(), p)
		return nil
	})
	f.productsOwed = true
	return p, err
}

// texts reads one column.
func (s *Sink) texts(ctx context.Context, query string, args ...any) (list []string, err error) {
	ctx, cancel := context.WithTimeout(ctx, writeWithin)
	defer cancel()
	rows, err := s.db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var v string
		if err := rows.Scan(&v); err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, rows.Err()
}

// copyProducts writes the newest product list that any site has taken up, if it is newer than that
// in the database.
func (s *Sink) copyProducts(ctx context.Context, sites []*runner.Site) error {
	version := int64(-1)
	var newest *catalog.Catalog
	for _, site := range sites {
		if err := (&source{site: site}).view(ctx, func(st *engine.State) error {
			if v := productsVersion(st.Config()); v > version {
				version, newest = v, st.Config().Catalog // which never changes
			}
			return nil
		}); err != nil {
			return err
		}
	}
	if newest == nil || version == s.products && !s.productsOwed {
		return nil
	}
	err := s.inTransaction(ctx, func(w *writer) error {
		var there int64
		err := w.tx.QueryRowContext(w.ctx, "SELECT version FROM lintel_meta WHERE name = 'products'"+w.dialect.forRow).Scan(&there)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if err == nil && there >= version && !s.productsOwed {
			return nil
		}
		had, err := w.tx.QueryContext(w.ctx, "SELECT gtin FROM lintel_products")
		if err != nil {
			return err
		}
		gone := map[string]bool{}
		for had.Next() {
			var gtin string
			if err := had.Scan(&gtin); err != nil {
				return errors.Join(err, had.Close())
			}
			gone[gtin] = true
		}
		if err := errors.Join(had.Err(), had.Close()); err != nil {
			return err
		}
		var rows [][]any
		for i := range newest.Len() {
			p := newest.At(i)
			delete(gone, event.GTINText(p.GTIN))
			if rows = append(rows, productRow(p)); len(rows) == itemsPage {
				w.upsert(&productsTable, rows)
				rows = rows[:0]
			}
		}
		w.upsert(&productsTable, rows)
		for gtin := range gone {
			w.exec("DELETE FROM lintel_products WHERE gtin = "+w.dialect.args(1, 1), gtin)
		}
		if w.err != nil {
			return w.err
		}
		return setMeta(w.ctx, w.tx, w.dialect, "products", version)
	})
	if err == nil {
		s.products, s.productsOwed = version, false
	}
	return err
}
