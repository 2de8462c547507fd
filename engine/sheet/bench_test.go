package sheet_test

import (
	"io"
	"testing"

	"lintel/engine/sheet"
)

// Each writes 100,000 rows of eight columns.
const benchRows = 100_000

func bench(b *testing.B, write func(io.Writer, sheet.Table) error) {
	b.ReportAllocs()
	w := &counter{every: func() {}}
	for b.Loop() {
		w.n = 0
		if err := write(w, many(benchRows)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchRows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	b.SetBytes(int64(w.n))
}

func BenchmarkCSV(b *testing.B)       { bench(b, writers("")["csv"]) }
func BenchmarkJSON(b *testing.B)      { bench(b, writers("")["json"]) }
func BenchmarkJSONLines(b *testing.B) { bench(b, writers("")["json lines"]) }
func BenchmarkXLSX(b *testing.B)      { bench(b, writers(b.TempDir())["xlsx"]) }
func BenchmarkHTML(b *testing.B)      { bench(b, writers("")["html"]) }
