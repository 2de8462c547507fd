package rules

import (
	"fmt"
	"lintel/engine/event"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// shelfRules writes n rules of the kinds that a shop has: most ask for one zone, product, category
// or reader.
func shelfRules(n int) string {
	var b strings.Builder
	b.WriteString("rules:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - name: rule-%d\n    hold: 3s\n    when: ", i)
		switch i % 10 {
		case 0, 1, 2:
			fmt.Fprintf(&b, "zone.id == \"shelf-%d\" and item.sellable and not item.home\n", i)
		case 3, 4, 5:
			fmt.Fprintf(&b, "product.gtin == %q and zone.kind == \"exit\" and not item.paid\n", gtinOf(i))
		case 6, 7:
			fmt.Fprintf(&b, "product.category == \"group-%d\" and zone.kind in [\"exit\", \"fitting\"] and passage.confidence >= 0.7\n", i)
		case 8:
			fmt.Fprintf(&b, "zone.id in [\"table-%d\", \"table-%d\"] and product.price > 50 and not item.paid\n", i, i+1)
		case 9:
			fmt.Fprintf(&b, "reader.id == \"reader-%d\" and cause == \"passed\" and not item.paid\n", i)
		}
	}
	return b.String()
}

// gtinOf makes the GTIN of a product of a shop with many.
func gtinOf(i int) string {
	sum := 0
	body := fmt.Sprintf("0952%09d", i)
	for k, digit := range body {
		sum += int(digit-'0') * []int{3, 1}[k%2]
	}
	return fmt.Sprintf("%s%d", body, (10-sum%10)%10)
}

// passing is an item at the street door.
func passing() *Env {
	return &Env{
		Cause: "passed",
		Item: Item{Key: "09521234567894/101", EPC: "urn:epc:id:sgtin:9521234.056789.101", Serial: "101", Disposition: "sellable_accessible",
			Sellable: true, Registered: true, Present: true},
		Product: Product{Known: true, GTIN: "09521234567894", SKU: "UB-1001", Name: "Tide Tables of the Inner Sound",
			Category: "maps", Price: 24.5,
			HomeZones: []string{"shelf-a", "front-tables"}, Attributes: map[string]string{"colour": "blue"}},
		Zone:    Zone{ID: "street-door", Name: "Street door", Kind: "exit", Storey: "0"},
		From:    Zone{ID: "shelf-a", Name: "Shelf A", Kind: "shelf", Storey: "0"},
		Passage: Passage{Direction: "out", Confidence: 0.93, Reads: 17, PeakRSSI: -48, Seconds: 1.8},
		Reader:  Reader{ID: "street-door", Role: "portal"},
		At:      At{Hour: 14, Minute: 5, Weekday: "wednesday", Date: "2026-11-25"},
		Site:    Site{ID: "umberhithe", Name: "Umberhithe Books", Open: true},
	}
}

func BenchmarkCompile1000Rules(b *testing.B) {
	src := []byte(shelfRules(1000))
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		set, _ := Check("rules.yaml", src, Known{})
		if set == nil {
			b.Fatal("bad rules")
		}
	}
}

// BenchmarkTrue is one evaluation of one rule in one environment.
func BenchmarkTrue(b *testing.B) {
	for name, when := range map[string]string{
		"door":     `zone.kind == "exit" and item.sellable and not item.paid`,
		"zone":     `item.sellable and item.present and zone.kind in ["shelf", "floor", "exit"] and not item.home`,
		"numbers":  `passage.confidence >= 0.7 and passage.reads > 5 and passage.seconds < 10`,
		"homes":    `any(product.home_zones, # startsWith "front")`,
		"pattern":  `product.name matches "^Tide .* Sound$"`,
		"at-night": `time_between("13:00", "15:00") and zone.kind == "exit"`,
	} {
		b.Run(name, func(b *testing.B) {
			set := compile(b, "rules:\n  - name: a\n    when: |\n      "+when+"\n")
			e, r := set.NewEvaluator(), set.Rules()[0]
			env := passing()
			ok, err := e.True(r, env)
			require.NoError(b, err)
			require.True(b, ok)
			b.ReportAllocs()
			for b.Loop() {
				_, _ = e.True(r, env)
			}
		})
	}
}

// BenchmarkNewValues is what a new environment costs: two come in turn, so that values change, and
// one rule with six names is evaluated.
func BenchmarkNewValues(b *testing.B) {
	set := compile(b, `rules:
  - name: a
    when: zone.kind == "exit" and item.sellable and not item.paid and product.category == "maps" and passage.confidence > 0.5 and product.price < 100
`)
	e, r := set.NewEvaluator(), set.Rules()[0]
	envs := [2]*Env{passing(), passing()}
	envs[1].Zone.Kind, envs[1].Product.Category = "shelf", "novels"
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		_, _ = e.True(r, envs[i&1])
		i++
	}
}

// BenchmarkFact is one fact against a whole set: find the candidates, evaluate them.
func BenchmarkFact(b *testing.B) {
	for _, n := range []int{10, 100, 1000, 4000} {
		b.Run(fmt.Sprintf("%d-rules", n), func(b *testing.B) {
			set := compile(b, strings.Replace(shelfRules(n), "rules:\n", starter, 1))
			e := set.NewEvaluator()
			envs := [2]*Env{passing(), passing()}
			envs[1].Zone = Zone{ID: "shelf-1", Name: "Shelf 1", Kind: "shelf"}
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				for _, r := range e.Candidates(event.AboutItem, "passed", envs[i&1]) {
					_, _ = e.True(r, envs[i&1])
				}
				i++
			}
		})
	}
}

func BenchmarkSay(b *testing.B) {
	set := compile(b, starter)
	e, env := set.NewEvaluator(), passing()
	b.ReportAllocs()
	for b.Loop() {
		_ = e.Say(&set.Rules()[0].Choice, env)
	}
}

func BenchmarkWhy(b *testing.B) {
	set := compile(b, starter)
	e, env := set.NewEvaluator(), passing()
	b.ReportAllocs()
	for b.Loop() {
		_ = e.Why(set.Rules()[0], env)
	}
}
