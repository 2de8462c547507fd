package engine

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/stock"
)

// limited makes a shop whose first product has these limits.
func limited(t testing.TB, minimum, maximum string) *shop {
	sh := newShop(t, "rules: []")
	c, bad := catalog.ParseCSV(strings.NewReader("gtin,sku,name,home_zones,minimum,maximum\n9521234000013,UB-1,The "+
		"Tide Table,shelf-b|front-tables,"+minimum+","+maximum+"\n9521234000020,UB-2,Harbour Lights,,,\n"), catalog.CSVOptions{})
	require.Empty(t, bad)
	cfg := *sh.cfg
	cfg.Catalog = c
	sh.cfg, sh.s = &cfg, NewMachine("umberhithe", &cfg)
	return sh
}

func (sh *shop) put(zone string, from, to int) {
	for i := from; i <= to; i++ {
		sh.readIn("handheld-1", zone, -50, book(1, i))
		sh.pass(time.Second)
	}
}

func (sh *shop) picks() (picks, shortages []string) {
	p, s := sh.s.Picks()
	for _, x := range p {
		line := fmt.Sprintf("%s>%s %d", x.From, x.To, x.Count)
		if x.Over {
			line += " over"
		}
		require.Len(sh.t, x.Items, x.Count)
		picks = append(picks, line)
	}
	for _, x := range s {
		shortages = append(shortages, fmt.Sprintf("%s %d of %d, %d come, %d lacking", x.Place(), x.Count, x.Min, x.Supplied, x.Lacking()))
	}
	return picks, shortages
}

func TestPicks(t *testing.T) {
	for _, c := range []struct {
		name, minimum, maximum string
		put                    func(*shop)
		picks, shortages       []string
	}{
		{"nothing to do", "front-tables:2", "", func(sh *shop) { sh.put("front-tables", 1, 2) }, nil, nil},
		{"from the stockroom", "front-tables:2", "", func(sh *shop) { sh.put("stockroom", 1, 5); sh.put("front-tables", 6, 6) },
			[]string{"stockroom>front-tables 1"}, []string{"front-tables 1 of 2, 1 come, 0 lacking"}},
		{"not enough there", "front-tables:4", "", func(sh *shop) { sh.put("stockroom", 1, 1) },
			[]string{"stockroom>front-tables 1"}, []string{"front-tables 0 of 4, 1 come, 3 lacking"}},
		{"the stockroom keeps its own minimum", "front-tables:4|stockroom:3", "", func(sh *shop) { sh.put("stockroom", 1, 5) },
			[]string{"stockroom>front-tables 2"}, []string{"front-tables 0 of 4, 2 come, 2 lacking"}},
		{"from where there is too much", "front-tables:2", "shelf-a:1", func(sh *shop) { sh.put("shelf-a", 1, 4) },
			[]string{"shelf-a>front-tables 2", "shelf-a>stockroom 1 over"}, []string{"front-tables 0 of 2, 2 come, 0 lacking"}},
		{"a kind of zones gets it at its home", "shelf:3", "", func(sh *shop) { sh.put("stockroom", 1, 9); sh.put("shelf-a", 10, 10) },
			[]string{"stockroom>shelf-b 2"}, []string{"kind:shelf 1 of 3, 2 come, 0 lacking"}},
		{"a kind has too much", "", "shelf:2", func(sh *shop) { sh.put("shelf-a", 1, 3); sh.put("shelf-b", 4, 4) },
			[]string{"shelf-a>stockroom 2 over"}, nil},
		{"two places want what is there for one", "front-tables:2|shelf-a:2", "", func(sh *shop) { sh.put("stockroom", 1, 3) },
			[]string{"stockroom>front-tables 2", "stockroom>shelf-a 1"},
			[]string{"front-tables 0 of 2, 2 come, 0 lacking", "shelf-a 0 of 2, 1 come, 1 lacking"}},
		{"too much in the stockroom stays there", "", "stockroom:1", func(sh *shop) { sh.put("stockroom", 1, 3) }, nil, nil},
	} {
		sh := limited(t, c.minimum, c.maximum)
		c.put(sh)
		picks, shortages := sh.picks()
		require.Equal(t, c.picks, picks, c.name)
		require.Equal(t, c.shortages, shortages, c.name)
	}
}

// What lies in an exit zone is on its way out: it can be sold to nobody and fills no shelf.
func TestGoodsAtTheDoorAreNoStock(t *testing.T) {
	sh := limited(t, "front-tables:2", "")
	sh.put("shelf-a", 1, 2)
	n := len(sh.facts)
	sh.put("street-door", 2, 2)
	require.Equal(t, []string{"arrived street-door from shelf-a", "stock shelf-a=1"}, sh.told(n))
	var rows []string
	for _, r := range sh.s.StockRows(stock.Filter{}, 9) {
		rows = append(rows, fmt.Sprintf("%s %d", r.Place(), r.Count))
	}
	require.Equal(t, []string{"front-tables 0", "shelf-a 1"}, rows)
	require.Equal(t, 1, sh.s.stock.OnHand(0, event.ZoneKindNone))
	sh.event(event.EventReturned, "shelf-a", book(1, 2))
	require.Equal(t, 2, sh.s.stock.OnHand(0, event.ZoneKindNone), "brought back, it is stock again")
}

func TestPicksTakeWhatHasBeenThereLongest(t *testing.T) {
	sh := limited(t, "front-tables:2", "")
	sh.put("stockroom", 7, 9)
	sh.put("stockroom", 1, 2)
	p, _ := sh.s.Picks()
	require.Equal(t, []string{"(01)09521234000013(21)7", "(01)09521234000013(21)8"}, p[0].Items)
}

// TestPicksAddUp carries out the picks and finds nothing below its minimum that could have been
// served, and nothing taken twice.
func TestPicksAddUp(t *testing.T) {
	zones := []string{"front-tables", "shelf-a", "shelf-b", "stockroom"}
	rapid.Check(t, func(rt *rapid.T) {
		var minimum, maximum []string
		low := map[string]int{}
		for _, z := range zones {
			if rapid.Bool().Draw(rt, "has minimum") {
				low[z] = rapid.IntRange(1, 4).Draw(rt, "minimum")
				minimum = append(minimum, fmt.Sprintf("%s:%d", z, low[z]))
			}
			if rapid.Bool().Draw(rt, "has maximum") {
				maximum = append(maximum, fmt.Sprintf("%s:%d", z, low[z]+rapid.IntRange(0, 3).Draw(rt, "more")))
			}
		}
		sh := limited(t, strings.Join(minimum, "|"), strings.Join(maximum, "|"))
		have, serial := map[string]int{}, 0
		for _, z := range zones {
			have[z] = rapid.IntRange(0, 6).Draw(rt, z)
			if have[z] > 0 {
				sh.put(z, serial+1, serial+have[z])
			}
			serial += have[z]
		}
		digest := sh.s.Digest()
		picks, shortages := sh.s.Picks()
		require.Equal(rt, digest, sh.s.Digest())
		taken := map[string]bool{}
		for _, p := range picks {
			require.Len(rt, p.Items, p.Count)
			require.NotEqual(rt, p.From, p.To)
			for _, it := range p.Items {
				require.False(rt, taken[it], "%s is carried twice", it)
				taken[it] = true
			}
			have[p.From] -= p.Count
			have[p.To] += p.Count
			require.GreaterOrEqual(rt, have[p.From], 0)
		}
		for _, s := range shortages {
			if s.Place() != "kind:stockroom" && s.Lacking() > 0 {
				require.LessOrEqual(rt, have["stockroom"], low["stockroom"], "there was some left for %s", s.Zone)
			}
			if s.Zone != "" {
				require.GreaterOrEqual(rt, have[s.Zone], s.Count+s.Supplied)
			}
		}
	})
}
