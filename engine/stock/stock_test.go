package stock

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/catalog"
	"lintel/engine/event"
)

// names are those of three zones.
type names []string

func (n names) Number(id string) uint16 { return uint16(slices.Index(n, id) + 1) }
func (n names) ID(k uint16) string {
	if k == 0 {
		return ""
	}
	return n[k-1]
}

func book(t require.TestingT) *Book {
	b := New(names{"front-tables", "stockroom", "street-door"})
	products, bad := catalog.ParseCSV(strings.NewReader("gtin,name,minimum\n"+
		"09521234000013,Tide tables,front-tables:3\n09521234000020,Atlas,floor:1\n"), catalog.CSVOptions{})
	require.Empty(t, bad)
	b.Bind([]Zone{{1, "front-tables", event.Floor}, {2, "stockroom", event.Stockroom}}, products)
	return b
}

// Against counting every item anew after each move.
func TestCountsWhatMoves(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := book(rt)
		items := make([]Key, 6)
		for i := range items {
			items[i] = None
		}
		place := rapid.SampledFrom([]Key{None, {0, 1}, {0, 2}, {1, 1}, {1, 2}})
		for range rapid.IntRange(0, 40).Draw(rt, "moves") {
			i, to := rapid.IntRange(0, 5).Draw(rt, "item"), place.Draw(rt, "to")
			from := items[i]
			b.Move(from, to)
			items[i] = to
			var owed []Key
			b.Owed(func(k Key) { owed = append(owed, k) })
			var want []Key
			if from != to {
				want = slices.DeleteFunc([]Key{from, to}, func(k Key) bool { return k == None })
			}
			require.True(rt, slices.Equal(want, owed), "%v %v", want, owed)
		}
		for _, k := range []Key{{0, 1}, {0, 2}, {1, 1}, {1, 2}} {
			n := len(slices.DeleteFunc(slices.Clone(items), func(x Key) bool { return x != k }))
			require.Equal(rt, n, b.Count(k))
		}
		require.Equal(rt, b.Count(Key{0, 1})+b.Count(Key{0, 2}), b.OnHand(0, event.ZoneKindNone))
		require.Equal(rt, b.Count(Key{1, 2}), b.OnHand(1, event.Stockroom))
	})
}

func TestLimitsByPlace(t *testing.T) {
	b := book(t)
	l, ok := b.LimitAt(0, "front-tables")
	require.True(t, ok)
	require.Equal(t, Limit{Zone: 1, Min: 3, HasMin: true}, l)
	l, ok = b.LimitAt(1, "kind:floor")
	require.True(t, ok)
	require.Equal(t, 1, l.Min)
	l, ok = b.LimitAt(0, "stockroom")
	require.True(t, ok)
	require.False(t, l.HasMin, "a place without one")
	for _, place := range []string{"", "attic", "kind:attic"} {
		_, ok = b.LimitAt(0, place)
		require.False(t, ok, place)
	}
}

// Against adding up by hand.
func TestZonesAddUp(t *testing.T) {
	b := New(names{"front-tables", "shelf-a", "stockroom", "street-door"})
	products, bad := catalog.ParseCSV(strings.NewReader("gtin,name,home_zones,minimum,maximum\n"+
		"09521234000013,Tide tables,shelf-a,front-tables:3,shelf-a:1\n09521234000020,Atlas,,floor:9,\n"), catalog.CSVOptions{})
	require.Empty(t, bad)
	b.Bind([]Zone{{1, "front-tables", event.Floor}, {2, "shelf-a", event.Shelf}, {3, "stockroom", event.Stockroom}}, products)
	for _, k := range []Key{{0, 1}, {0, 2}, {0, 2}, {0, 3}, {1, 1}, {1, 2}, {1, 4}} {
		b.Load(k)
	}
	require.Equal(t, []ZoneRow{
		{Zone: "front-tables", Count: 2, Products: 2, Misplaced: 1, Min: 3, Below: 1, Short: 2},
		{Zone: "shelf-a", Count: 3, Products: 2, Max: 1, Over: 1},
		{Zone: "stockroom", Count: 1, Products: 1},
	}, b.Zones(), "a stockroom misplaces nothing, a product without home zones is nowhere misplaced")
	require.False(t, b.Misplaced(None))
	require.False(t, b.Misplaced(Key{0, 4}), "a zone that the layout does not have")
}
