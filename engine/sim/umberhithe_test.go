package sim

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules"
)

func TestLayoutFitsFloorPlan(t *testing.T) {
	l, err := layout.Parse(Layout())
	require.NoError(t, err)
	require.Len(t, l.Zones, len(areas), "every zone has its area")
	for _, a := range areas {
		i, ok := l.ZoneIndex(a.zone)
		require.True(t, ok, a.zone)
		require.Equal(t, a.upstairs, l.Zones[i].Storey == "upper", a.zone)
	}
	covered := map[string]bool{}
	for _, p := range l.ReadPoints {
		if p.Role == event.Fixed {
			covered[l.Zones[p.Zone].ID] = true
		}
	}
	plan := newPlan(l)
	for _, zone := range append(plan.sales, plan.number[stock]) {
		require.True(t, covered[plan.ids[zone]], "a fixed reader looks at %s", plan.ids[zone])
	}
	for i, a := range areas {
		for _, b := range areas[i+1:] {
			apart := a.upstairs != b.upstairs || a.x1 < b.x0 || b.x1 < a.x0 || a.y1 < b.y0 || b.y1 < a.y0
			require.True(t, apart, "%s and %s overlap", a.zone, b.zone)
		}
	}
}

func TestRulesCompile(t *testing.T) {
	doc, found := rules.Parse("rules.yaml", Rules())
	require.Empty(t, found)
	set, found := rules.Compile(doc, rules.Known{Channels: []string{"door-team", "floor-team"}})
	require.Empty(t, found)
	var names []string
	for _, r := range set.Rules() {
		names = append(names, r.Name)
	}
	require.ElementsMatch(t, []string{"unpaid-at-door", "wrong-zone", "below-minimum", "reader-silent", "item-back-after-sale"}, names)
}

// checkDigit follows GS1 General Specifications 7.9 with its own arithmetic: from the right, digits
// weigh 3, 1, 3, ...
func checkDigit(body string) byte {
	sum := 0
	for i := range body {
		weight := 1
		if (len(body)-i)%2 == 1 {
			weight = 3
		}
		sum += weight * int(body[i]-'0')
	}
	return byte('0' + (10-sum%10)%10)
}

func TestProducts(t *testing.T) {
	require.Equal(t, byte('3'), checkDigit("629104150021"), "the worked example of GS1's check digit page (from memory)")

	l, err := layout.Parse(Layout())
	require.NoError(t, err)
	for seed := uint64(0); seed < 60; seed++ {
		csv := makeProducts(seed)
		c, problems := catalog.ParseCSV(bytes.NewReader(csv), catalog.CSVOptions{})
		require.Empty(t, problems, "seed %d", seed)
		require.Equal(t, 300, c.Len())
		require.Empty(t, c.UnknownZones(l))
	}
	require.Equal(t, makeProducts(5), makeProducts(5))
	require.NotEqual(t, makeProducts(5), makeProducts(6))

	c := Products(ProductsSeed)
	names, byCategory, onTables := map[string]bool{}, map[string]int{}, 0
	for _, line := range strings.Split(strings.TrimSpace(string(ProductsCSV())), "\n")[1:] {
		gtin, _, _ := strings.Cut(line, ",")
		require.Len(t, gtin, 13)
		require.True(t, strings.HasPrefix(gtin, "952"), "GS1 keeps 952 for examples")
		require.Equal(t, checkDigit(gtin[:12]), gtin[12], gtin)
	}
	for i := range c.Len() {
		p := c.At(i)
		require.False(t, names[p.Name], "%s stands twice", p.Name)
		names[p.Name] = true
		byCategory[p.Category]++
		require.Greater(t, p.Price, 0.0)
		require.NotEmpty(t, p.HomeZones)
		require.NotEmpty(t, p.Limits)
		if _, ok := minimumAt(p, tables); ok {
			onTables++
		}
	}
	require.Len(t, byCategory, 8)
	require.Greater(t, onTables, 40)
}

func TestDocumentsAreCopies(t *testing.T) {
	Layout()[0], Rules()[0], ProductsCSV()[0] = 0, 0, 0
	require.NotZero(t, Layout()[0])
	require.NotZero(t, Rules()[0])
	require.NotZero(t, ProductsCSV()[0])
}

// The list of products lies beside the layout and the rules for people who load the shop by hand.
func TestProductsFile(t *testing.T) {
	file, err := os.ReadFile("umberhithe/products.csv")
	require.NoError(t, err)
	require.Equal(t, string(ProductsCSV()), string(file), "write what ProductsCSV returns into umberhithe/products.csv")
}
