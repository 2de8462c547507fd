package cases_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
)

// manyCases makes a file of small cases: a book is put on a shelf, carried out, and paid for in
// time or not.
func manyCases(n int) []byte {
	var b strings.Builder
	b.WriteString("layout: layout.json\nproducts: products.csv\nitems: {tide: {product: TIDE, serial: 1}}\nstart: " +
		"2026-03-10 10:00\ncases:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - name: case %d\n    steps:\n      - put: {items: tide, zone: shelf-a}\n      - wait: "+
			"20s\n      - walk: {items: tide, through: street-door}\n", i)
		if i%2 == 0 {
			b.WriteString("      - sold: {items: tide, zone: till}\n      - wait: 10s\n      - never: [unpaid-at-exit]\n")
		} else {
			b.WriteString("      - wait: 10s\n      - exactly: [{rule: unpaid-at-exit, item: tide}]\n        notified: {door-team: 1}\n")
		}
	}
	return []byte(b.String())
}

// BenchmarkThousandCases parses and runs 1,000 small cases: what a shop's rules have in the end.
// They should take about a second.
func BenchmarkThousandCases(b *testing.B) {
	src := manyCases(1000)
	book := shopBook(b)
	b.ReportAllocs()
	for b.Loop() {
		f, diagnostics := cases.Parse("cases.yaml", src, cases.Context{ReadFile: shopFile})
		require.NotNil(b, f, "%v", diagnostics)
		require.True(b, cases.Run(f, book).OK())
	}
	b.ReportMetric(float64(b.N)*1000/b.Elapsed().Seconds(), "cases/s")
}

// BenchmarkParse is the parser alone.
func BenchmarkParse(b *testing.B) {
	src := manyCases(1000)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		f, _ := cases.Parse("cases.yaml", src, cases.Context{ReadFile: shopFile})
		require.NotNil(b, f)
	}
}

// BenchmarkDayOfWaiting lets a day go by in a shop in which items lie about.
func BenchmarkDayOfWaiting(b *testing.B) {
	f, diagnostics := cases.Parse("cases.yaml", []byte(`layout: layout.json
products: products.csv
items: {tides: {product: TIDE, serials: 1-20}}
start: 2026-03-10 10:00
cases: [{name: a day, steps: [{put: {items: tides, zone: shelf-a}}, {wait: 1d}, {exactly: []}]}]
`), cases.Context{ReadFile: shopFile})
	require.NotNil(b, f, "%v", diagnostics)
	book := shopBook(b)
	b.ReportAllocs()
	for b.Loop() {
		require.True(b, cases.Run(f, book).OK())
	}
}
