package export

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/store"
)

// forEach runs a test on both databases. newDSN makes an empty one.
func forEach(t *testing.T, test func(t *testing.T, newDSN func(testing.TB) string)) {
	t.Run("SQLite", func(t *testing.T) {
		test(t, sqliteDSN)
	})
	t.Run("PostgreSQL", func(t *testing.T) {
		test(t, startPostgres(t).database)
	})
}

func sqliteDSN(t testing.TB) string { return "sqlite:" + filepath.Join(t.TempDir(), "shop copy.db") }

func newSink(t testing.TB, r *rig, dsn string, change ...func(*SinkOptions)) *Sink {
	t.Helper()
	opt := SinkOptions{DSN: dsn, Store: r.store, Runner: r.run, Now: r.clock, Log: slog.New(slog.DiscardHandler),
		FactsKeep: 10000 * 24 * time.Hour}
	for _, f := range change {
		f(&opt)
	}
	s, err := NewSink(opt)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// contents reads a table of the database, without the columns that are left out, as sorted texts.
func contents(t testing.TB, s *Sink, tb *table, without ...string) []string {
	t.Helper()
	var names []string
	for _, c := range tb.stored() {
		if !slices.Contains(without, c.name) {
			names = append(names, c.name)
		}
	}
	rows, err := s.db.Query("SELECT " + strings.Join(names, ", ") + " FROM " + tb.sqlName())
	require.NoError(t, err)
	defer rows.Close()
	list := []string{}
	for rows.Next() {
		values := make([]any, len(names))
		places := make([]any, len(names))
		for i := range values {
			places[i] = &values[i]
		}
		require.NoError(t, rows.Scan(places...))
		list = append(list, shown(tb, names, values))
	}
	require.NoError(t, rows.Err())
	slices.Sort(list)
	return list
}

// shown writes a row in one way, whichever database or builder it is from.
func shown(tb *table, names []string, values []any) string {
	var b strings.Builder
	for i, v := range values {
		k := tb.columns[slices.IndexFunc(tb.columns, func(c column) bool { return c.name == names[i] })].kind
		switch x := v.(type) {
		case nil:
			v = "-"
		case time.Time:
			v = x.UTC().Format(sqliteTime)
		case instant:
			v = time.UnixMilli(int64(x)).UTC().Format(sqliteTime)
		case []byte:
			v = string(x)
		case int64:
			if k == kindBool {
				v = x != 0
			}
		}
		if k == kindJSON || k == kindAmount {
			v = strings.ReplaceAll(fmt.Sprint(v), " ", "")
		}
		fmt.Fprintf(&b, "%s=%v ", names[i], v)
	}
	return b.String()
}

// expected builds what a table should hold.
func expected(tb *table, rows [][]any, without ...string) []string {
	list := []string{}
	for _, row := range rows {
		var names []string
		var values []any
		for i, c := range tb.columns {
			if !c.csvOnly && !slices.Contains(without, c.name) {
				names, values = append(names, c.name), append(values, row[i])
			}
		}
		// What PostgreSQL takes in no text is replaced in both databases.
		list = append(list, strings.NewReplacer("\x00", "\uFFFD", "\xff", "\uFFFD").Replace(shown(tb, names, values)))
	}
	slices.Sort(list)
	return list
}

// same compares two lists of rows and shows a few of those that only one has.
func same(t testing.TB, want, have []string) {
	t.Helper()
	if slices.Equal(want, have) {
		return
	}
	only := func(a, b []string) (list []string) {
		for _, s := range a {
			if !slices.Contains(b, s) && len(list) < 5 {
				list = append(list, s)
			}
		}
		return list
	}
	require.FailNow(t, "rows differ", "%d wanted, %d there\nmissing:\n%s\ntoo many:\n%s", len(want), len(have),
		strings.Join(only(want, have), "\n"), strings.Join(only(have, want), "\n"))
}

func collect(t testing.TB, list func(context.Context, func(page) error) error) (rows [][]any) {
	t.Helper()
	require.NoError(t, list(context.Background(), func(p page) error { rows = append(rows, p.rows...); return nil }))
	return rows
}

func records(list func(context.Context, func([]string, page) error) error) func(context.Context, func(page) error) error {
	return func(ctx context.Context, f func(page) error) error {
		return list(ctx, func(_ []string, p page) error { return f(p) })
	}
}

func allFacts(t testing.TB, r *rig) (rows [][]any) {
	t.Helper()
	require.NoError(t, r.source().facts(context.Background(), store.FactID{}, 0, func(f *event.Fact) error {
		if !f.Passage.Likely { // it moved nothing, and may be taken back
			rows = append(rows, factRow(site, f))
		}
		return nil
	}))
	return rows
}

// requireFollows checks what a sink promises after every round: facts, alerts, stock, and of each
// item that a fact tells of all but when it was heard.
func requireFollows(t testing.TB, r *rig, s *Sink) {
	t.Helper()
	src := r.source()
	same(t, expected(&factsTable, allFacts(t, r)), contents(t, s, &factsTable))
	same(t, expected(&stockTable, collect(t, src.stock)), contents(t, s, &stockTable))
	// Changes of alerts are heard a moment after they are committed.
	wanted := expected(&alertsTable, collect(t, records(src.alerts)), "gathered")
	for end := time.Now().Add(5 * time.Second); !slices.Equal(wanted, contents(t, s, &alertsTable, "gathered")) && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
		syncNow(t, s)
	}
	same(t, wanted, contents(t, s, &alertsTable, "gathered"))
	fresh := []string{"read_point", "last_seen", "declared", "foreign_tag"} // what changes without a fact waits for a sweep
	told := map[string]bool{}
	for _, f := range allFacts(t, r) {
		if f[6] != nil {
			told[f[6].(string)] = true
		}
	}
	items := slices.DeleteFunc(collect(t, src.items), func(row []any) bool { return !told[row[1].(string)] })
	have := contents(t, s, &itemsTable, fresh...)
	for _, row := range expected(&itemsTable, items, fresh...) {
		require.Contains(t, have, row)
	}
	requireTrueStock(t, s)
}

// requireEqual checks that the tables are the state.
func requireEqual(t testing.TB, r *rig, s *Sink) {
	t.Helper()
	requireFollows(t, r, s)
	src := r.source()
	same(t, expected(&itemsTable, collect(t, src.items)), contents(t, s, &itemsTable))
	same(t, expected(&countsTable, collect(t, records(src.counts))), contents(t, s, &countsTable))
	same(t, expected(&alertsTable, collect(t, records(src.alerts))), contents(t, s, &alertsTable))
	var products [][]any
	r.view(func(st *engine.State) {
		for i := range st.Config().Catalog.Len() {
			products = append(products, productRow(st.Config().Catalog.At(i)))
		}
	})
	same(t, expected(&productsTable, products), contents(t, s, &productsTable))
	require.Equal(t, []string{"todo=0 "}, contents(t, s, &syncTable, "site", "fact_ms", "fact_n", "entry", "documents",
		"swept_at", "updated_at"))
}

// requireTrueStock checks in SQL alone that the stock of zones equals the items behind it.
func requireTrueStock(t testing.TB, s *Sink) {
	t.Helper()
	var wrong sql.NullString
	err := s.db.QueryRow(`
		SELECT coalesce(a.gtin, '') || ' ' || coalesce(a.zone, '') FROM (
			SELECT site, gtin, zone, count(*) AS n FROM lintel_items
			WHERE disposition LIKE 'sellable_%' AND zone IS NOT NULL AND zone <> 'street-door' AND gtin
				IN (SELECT gtin FROM lintel_products)
			GROUP BY site, gtin, zone) a
		LEFT JOIN lintel_stock b ON b.site = a.site AND b.gtin = a.gtin AND b.place = a.zone
		WHERE b.pieces IS NULL OR b.pieces <> a.n LIMIT 1`).Scan(&wrong)
	require.ErrorIs(t, err, sql.ErrNoRows, "stock of %s differs from the items behind it", wrong.String)
	var items, pieces int
	require.NoError(t, s.db.QueryRow(`SELECT count(*) FROM lintel_items
		WHERE disposition LIKE 'sellable_%' AND zone IS NOT NULL AND zone <> 'street-door' AND gtin
			IN (SELECT gtin FROM lintel_products)`).Scan(&items))
	require.NoError(t, s.db.QueryRow("SELECT coalesce(sum(pieces), 0) FROM lintel_stock WHERE place NOT LIKE 'kind:%'").Scan(&pieces))
	require.Equal(t, items, pieces)
}

func syncNow(t testing.TB, s *Sink) {
	t.Helper()
	require.NoError(t, s.Sync(context.Background()))
}

func TestSinkCopiesADay(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r := newRig(t)
		s := newSink(t, r, newDSN(t))
		syncNow(t, s)
		requireEqual(t, r, s)
		r.aDay()
		syncNow(t, s)
		requireEqual(t, r, s) // closing a count lets everything be compared
		if s.db.dialect == postgres {
			var about string
			require.NoError(t, s.db.QueryRow("SELECT obj_description('lintel_alerts'::regclass)").Scan(&about))
			require.Contains(t, about, "not proof")
		}

		// By hand: what the till did, as anybody would ask for it.
		var name, ref string
		require.NoError(t, s.db.QueryRow(`SELECT p.name, f.ref FROM lintel_facts f JOIN lintel_products p ON `+
			`p.gtin = f.gtin WHERE f.cause = 'sold'`).Scan(&name, &ref))
		require.Equal(t, "The Tide Table R-00017", name+" "+ref)
		var pieces, short int
		require.NoError(t, s.db.QueryRow(`SELECT pieces, short FROM lintel_stock WHERE place = 'kind:shelf'`).Scan(&pieces, &short))
		require.Equal(t, []int{2, 1}, []int{pieces, short})
		var price float64
		require.NoError(t, s.db.QueryRow(`SELECT price FROM lintel_products WHERE sku = 'UB-1001'`).Scan(&price))
		require.Equal(t, 12.99, price)
	})
}

// A sink that starts on what is there already ends where one does that was there from the
// beginning; nothing is written that does not differ.
func TestSinkStartsLate(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r := newRig(t)
		r.aDay()
		s := newSink(t, r, newDSN(t), func(o *SinkOptions) { o.Batch = 7 })
		syncNow(t, s)
		requireEqual(t, r, s)
		before := contents(t, s, &syncTable)
		syncNow(t, s)
		require.Equal(t, before, contents(t, s, &syncTable), "a round without news writes nothing")
		s.Resync()
		syncNow(t, s)
		requireEqual(t, r, s)
	})
}

// randomly does one random thing in the shop.
func (r *rig) randomly(rng *rand.Rand, open *[]string) {
	zones := []string{"shelf-a", "shelf-b", "front-tables", "stockroom"}
	zone := zones[rng.IntN(len(zones))]
	var keys []epc.Key
	for range 1 + rng.IntN(4) {
		if k := book(1+rng.IntN(3), 1+rng.IntN(8)); !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	r.pass(time.Duration(rng.IntN(60_000)) * time.Millisecond)
	switch rng.IntN(12) {
	case 0:
		r.event(event.EventSold, "till", fmt.Sprintf("R-%d\x00\xff", rng.IntN(1000)), keys...)
	case 1:
		r.event(event.EventReturned, zone, "R-back", keys...)
	case 2:
		r.event(event.EventShipped, "", "DN-out", keys...)
	case 3:
		r.carryOut(keys[:1]...)
	case 4:
		*open = append(*open, r.count(event.CountCommand{Do: "open", Zones: []string{zone}, MissingAfter: 1 + rng.IntN(2)}))
	case 5:
		if n := len(*open); n > 0 {
			r.countReads((*open)[rng.IntN(n)], "", keys...)
		}
	case 6:
		if n := len(*open); n > 0 {
			r.count(event.CountCommand{Do: []string{"close", "discard", "pause", "reopen"}[rng.IntN(4)], ID: (*open)[rng.IntN(n)]})
		}
	case 7:
		if list := r.alerts(); len(list) > 0 {
			a := list[rng.IntN(len(list))]
			r.act(a.ID, []string{"acknowledge", "close"}[rng.IntN(2)], "unclear", "seen")
		}
	case 8:
		r.add(r.reads("tables-1", "", -50, keys...)) // heard, which no fact tells
	case 9:
		text := testProducts
		if rng.IntN(2) == 0 {
			text = strings.Replace(text, "shelf-b:1", fmt.Sprintf("shelf-b:%d", 2+rng.IntN(3)), 1)
		}
		if rng.IntN(3) == 0 {
			text = text[:strings.LastIndex(strings.TrimSpace(text), "\n")+1] // the last product goes
		}
		_, err := r.run.SaveDocument(context.Background(), engine.ProductsDocument, products(r.t, text), "test", "", -1)
		require.NoError(r.t, err)
		r.settle()
	default:
		r.shelve(zone, keys...)
	}
}

// After any run of events, restarts of either side and failures before and after a commit, the
// tables equal the state: no fact twice, none missing.
func TestTablesEqualState(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		for seed := range uint64(4) {
			t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 1))
				r := newRig(t)
				dsn := newDSN(t)
				chance := 0.0
				fail := errors.New("injected")
				start := func() *Sink {
					s, err := NewSink(SinkOptions{
						DSN: dsn, Store: r.store, Runner: r.run, Now: r.clock, Log: slog.New(slog.DiscardHandler),
						FactsKeep: 10000 * 24 * time.Hour, Batch: 1 + rng.IntN(10),
					})
					require.NoError(t, err)
					s.hook = func(bool) error {
						if rng.Float64() < chance {
							return fail
						}
						return nil
					}
					return s
				}
				s := start()
				var open []string
				for range 60 {
					r.randomly(rng, &open)
					switch rng.IntN(10) {
					case 0: // the sink's process is killed between two batches
						chance = 0.4
						_ = s.Sync(context.Background())
						chance = 0
						require.NoError(t, s.Close())
						s = start()
					case 1: // and the shop's
						require.NoError(t, s.Close())
						r.restart()
						s = start()
					case 2, 3:
						chance = 0.4 // transactions fail, or their answers are lost
						_ = s.Sync(context.Background())
						chance = 0
					case 4:
						syncNow(t, s)
						requireFollows(t, r, s)
					}
				}
				syncNow(t, s)
				requireFollows(t, r, s)
				s.Resync()
				syncNow(t, s)
				requireEqual(t, r, s)
				require.NoError(t, s.Close())
			})
		}
	})
}

// Items that were heard again, or that no fact tells of, come with the next comparison.
func TestSweepBringsWhatNoFactTells(t *testing.T) {
	r := newRig(t)
	r.shelve("shelf-a", book(1, 1))
	s := newSink(t, r, sqliteDSN(t), func(o *SinkOptions) { o.Sweep = time.Hour })
	syncNow(t, s)
	r.pass(time.Minute)
	r.shelve("shelf-a", book(1, 1))
	syncNow(t, s)
	seen := func() (text string) {
		require.NoError(t, s.db.QueryRow("SELECT last_seen FROM lintel_items").Scan(&text))
		return text
	}
	require.Equal(t, "2026-03-02T09:00:00.000Z", seen())
	s.opt.Sweep = time.Nanosecond
	syncNow(t, s)
	require.Equal(t, "2026-03-02T09:01:00.000Z", seen())
	requireEqual(t, r, s)
}

// Facts that were trimmed before they were copied leave a gap in lintel_facts and none in the other
// tables.
func TestWatermarkOlderThanKeptFacts(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r := newRig(t)
		dsn := newDSN(t)
		s := newSink(t, r, dsn)
		r.shelve("shelf-a", book(1, 1), book(1, 2))
		syncNow(t, s)
		require.NoError(t, s.Close())
		r.pass(time.Hour)
		r.shelve("shelf-b", book(1, 1), book(2, 5)) // these facts are lost
		r.pass(time.Hour)
		require.NoError(t, r.store.Trim(context.Background(), site, store.Trim{Facts: r.clock().UnixMilli()}))
		r.shelve("stockroom", book(3, 3))
		var log bytes.Buffer
		s = newSink(t, r, dsn, func(o *SinkOptions) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		syncNow(t, s)
		require.Contains(t, log.String(), "trimmed before they were copied")
		same(t, expected(&itemsTable, collect(t, r.source().items)), contents(t, s, &itemsTable))
		same(t, expected(&stockTable, collect(t, r.source().stock)), contents(t, s, &stockTable))
		require.Len(t, contents(t, s, &factsTable), 4+2)
		log.Reset()
		syncNow(t, s)
		require.Empty(t, log.String(), "once is enough")
	})
}

// A store that was restored from a backup is the truth, and what it knows nothing of goes.
func TestStoreGoesBack(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r, old := newRig(t), newRig(t)
		dsn := newDSN(t)
		for _, shop := range []*rig{r, old} {
			shop.shelve("shelf-a", book(1, 1))
		}
		r.pass(time.Minute)
		r.carryOut(book(1, 1))
		r.shelve("shelf-b", book(2, 2), book(2, 3))
		s := newSink(t, r, dsn)
		syncNow(t, s)
		requireEqual(t, r, s)
		require.NoError(t, s.Close())
		s = newSink(t, old, dsn)
		syncNow(t, s)
		requireEqual(t, old, s)
		old.pass(time.Hour)
		old.shelve("stockroom", book(3, 1))
		syncNow(t, s)
		requireFollows(t, old, s)
	})
}

// Two nodes that copy into one database waste work and do no harm.
func TestTwoSinks(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r := newRig(t)
		dsn := newDSN(t)
		a, b := newSink(t, r, dsn, func(o *SinkOptions) { o.Every, o.Batch = time.Millisecond, 3 }),
			newSink(t, r, dsn, func(o *SinkOptions) { o.Every, o.Batch = time.Millisecond, 5 })
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{}, 2)
		for _, s := range []*Sink{a, b} {
			go func() { s.Run(ctx); done <- struct{}{} }()
		}
		rng := rand.New(rand.NewPCG(9, 9))
		var open []string
		for range 40 {
			r.randomly(rng, &open)
		}
		cancel()
		<-done
		<-done
		syncNow(t, a)
		requireFollows(t, r, a)
		a.Resync()
		syncNow(t, a)
		requireEqual(t, r, a)
	})
}

// What a node read before another wrote is not written over it: neither rows of an older state nor
// facts of an older position.
func TestOlderRowsAreRefused(t *testing.T) {
	forEach(t, func(t *testing.T, newDSN func(testing.TB) string) {
		r := newRig(t)
		r.shelve("shelf-a", book(1, 1))
		dsn := newDSN(t)
		slow, fast := newSink(t, r, dsn), newSink(t, r, dsn)
		syncNow(t, slow)
		ctx := context.Background()
		f := slow.sites[site]
		then, err := f.readPosition(ctx)
		require.NoError(t, err)
		var old page
		require.NoError(t, f.items(ctx, func(p page) error { old = p; return nil }))

		r.pass(time.Minute)
		r.shelve("shelf-b", book(1, 1))
		syncNow(t, fast)
		requireEqual := func() {
			t.Helper()
			same(t, expected(&itemsTable, collect(t, r.source().items)), contents(t, fast, &itemsTable))
		}
		requireEqual()
		require.ErrorIs(t, f.copyPage(ctx, &then, &itemsTable, old, old.seq), errBehind, "the position is another")
		requireEqual()
		now, err := f.readPosition(ctx)
		require.NoError(t, err)
		require.ErrorIs(t, f.copyPage(ctx, &now, &itemsTable, old, old.seq), errBehind, "the state is older than what is there")
		requireEqual()
		syncNow(t, slow)
		requireFollows(t, r, slow)
	})
}
