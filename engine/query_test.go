package engine

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
)

// Products that are loaded after their tags were read are the shop's from then on, as in rules.
func TestATagWhoseProductIsLoadedLaterIsNotForeign(t *testing.T) {
	sh := newShop(t, "rules: []")
	products := sh.cfg.Catalog
	sh.cfg = &Config{Layout: sh.cfg.Layout, Catalog: &catalog.Catalog{}, Rules: sh.cfg.Rules}
	foreign := func() bool {
		sh.readIn("handheld-1", "stockroom", -50, book(1, 1))
		it, ok := sh.s.Item(book(1, 1))
		require.True(t, ok)
		return it.Foreign
	}
	require.True(t, foreign())
	sh.cfg = &Config{Layout: sh.cfg.Layout, Catalog: products, Rules: sh.cfg.Rules}
	require.False(t, foreign())
}

func TestItemsInPages(t *testing.T) {
	sh := newShop(t, "rules: []")
	want := make(map[epc.Key]bool)
	for i := 1; i <= 50; i++ {
		sh.readIn("handheld-1", "stockroom", -50, book(1, i))
		want[book(1, i)] = true
	}
	sh.readIn("handheld-1", "shelf-b", -50, book(2, 1))
	sh.event(event.EventSold, "till", book(1, 7))

	var after epc.Key
	got := make(map[epc.Key]bool)
	for pages := 0; ; pages++ {
		require.Less(t, pages, 20)
		page := sh.s.Items(ItemFilter{After: after, GTINs: []uint64{9521234000013}}, 7)
		if len(page) == 0 {
			break
		}
		for _, it := range page {
			require.Equal(t, 1, it.Key.Compare(after), "keys ascend")
			after = it.Key
			got[it.Key] = true
			require.Equal(t, uint64(9521234000013), it.GTIN)
		}
	}
	require.Equal(t, want, got)
	all := sh.s.Items(ItemFilter{}, 100)
	require.Equal(t, len(all), sh.s.CountItems(ItemFilter{Skip: 7}))
	for skip := range len(all) + 2 {
		require.Equal(t, all[min(skip, len(all)):min(skip+7, len(all))], sh.s.Items(ItemFilter{Skip: skip}, 7))
	}
	require.Zero(t, sh.s.CountItems(ItemFilter{Zone: "no-such-zone"}))

	sold := event.RetailSold
	page := sh.s.Items(ItemFilter{Disposition: &sold}, 10)
	require.Len(t, page, 1)
	require.Equal(t, "(01)09521234000013(21)7", page[0].Text)
	require.Len(t, sh.s.Items(ItemFilter{Zone: "shelf-b"}, 10), 1)
	require.Empty(t, sh.s.Items(ItemFilter{Zone: "no-such-zone"}, 10))
	require.Empty(t, sh.s.Items(ItemFilter{GTINs: []uint64{}}, 10), "of none of the products")
	require.Empty(t, sh.s.Items(ItemFilter{}, 0))

	it, ok := sh.s.Item(book(2, 1))
	require.True(t, ok)
	require.Equal(t, "shelf-b", it.Zone)
	require.True(t, it.Declared)
	require.Equal(t, opening, it.Since)
	_, ok = sh.s.Item(book(2, 99))
	require.False(t, ok)
}

func TestStockRowsKnowWhatIsNotThere(t *testing.T) {
	sh := newShop(t, "rules: []")
	csv := testProducts + "9521234000037,UB-3,Low Water,novels,8,shelf-a,floor:3|shelf-b:1\n"
	c, rowErrs := catalog.ParseCSV(strings.NewReader(csv), catalog.CSVOptions{})
	require.Empty(t, rowErrs)
	cfg := *sh.cfg
	cfg.Catalog = c
	sh.cfg = &cfg
	sh.step(event.Entry{Kind: event.EntryConfig})
	sh.readIn("handheld-1", "stockroom", -50, book(1, 1), book(1, 2))
	sh.readIn("handheld-1", "front-tables", -50, book(1, 3))

	rows := sh.s.StockRows(stock.Filter{}, 100)
	var got []string
	for i := range rows {
		got = append(got, event.GTINText(rows[i].GTIN)[10:]+" "+rows[i].Place())
	}
	require.Equal(t, []string{"0013 front-tables", "0013 stockroom", "0037 kind:floor", "0037 shelf-b"}, got)
	require.Equal(t, 1, rows[0].Count)
	require.Equal(t, 1, rows[0].Short())
	require.Equal(t, 3, rows[2].Short())
	require.Equal(t, event.Floor, rows[2].Kind)

	require.Len(t, sh.s.StockRows(stock.Filter{Below: true}, 100), 3)
	require.Len(t, sh.s.StockRows(stock.Filter{Below: true, GTINs: []uint64{9521234000037}}, 100), 2)
	require.Len(t, sh.s.StockRows(stock.Filter{Zone: "stockroom"}, 100), 1)
	rest := sh.s.StockRows(stock.Filter{AfterGTIN: rows[1].GTIN, AfterPlace: rows[1].Place()}, 100)
	require.Equal(t, rows[2:], rest)
}

func TestAlertsOfAState(t *testing.T) {
	sh := newShop(t, testRules)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1))
	sh.pass(time.Minute)
	sh.walkOut(book(1, 1))
	require.Empty(t, sh.s.Alerts(), "the hold runs: nobody was notified")
	sh.pass(5 * time.Second)
	list := sh.s.Alerts()
	require.Len(t, list, 1)
	require.Equal(t, "unpaid-at-door", list[0].Rule)
	a, ok := sh.s.Alert(list[0].ID)
	require.True(t, ok)
	require.Equal(t, event.AlertOpen, a.Status)
	_, ok = sh.s.Alert("umberhithe-999-1")
	require.False(t, ok)
}

func TestReadPointsOfAState(t *testing.T) {
	sh := newShop(t, testRules)
	sh.read("tables-1", -50, book(1, 1))
	sh.pass(6 * time.Minute)
	points := sh.s.ReadPoints()
	require.Len(t, points, len(sh.cfg.Layout.ReadPoints))
	require.Equal(t, ReadPointInfo{Index: 0, Last: opening, Silent: true}, points[0])
	require.Equal(t, ReadPointInfo{Index: 1}, points[1], "never reported")
}

// millionItems has a million items in the stockroom.
func millionItems(b *testing.B) *shop {
	sh := newShop(b, "rules: []")
	e := event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"stockroom"}}
	for i := range 1_000_000 {
		e.Reads = append(e.Reads, event.Read{Key: book(1, i*7919%1_000_003+1), Zone: 1, RSSI: -500, N: 1, T: sh.now})
	}
	sh.step(e)
	sh.log = nil
	b.ReportAllocs()
	return sh
}

func BenchmarkItemsPage(b *testing.B) {
	sh := millionItems(b)
	for name, f := range map[string]ItemFilter{"first": {Zone: "stockroom"}, "middle": {Zone: "stockroom", Skip: 500_000}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if got := sh.s.Items(f, 100); len(got) != 100 {
					b.Fatal(len(got))
				}
			}
		})
	}
}

func BenchmarkZones(b *testing.B) {
	sh := millionItems(b)
	for b.Loop() {
		sh.s.ZoneStock()
		sh.s.CountItemsByZone()
		sh.s.CountItems(ItemFilter{Misplaced: true})
	}
}
