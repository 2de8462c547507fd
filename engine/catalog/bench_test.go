package catalog_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
)

// gtin13 returns the GTIN-13 of item i under the GS1 demonstration prefix 952.
func gtin13(i int) string {
	body := fmt.Sprintf("952%09d", i)
	sum := 0
	for j, c := range body { // GS1 General Specifications, section 7.9: weights 1, 3, 1, 3, ... from the left of twelve digits
		sum += int(c-'0') * (1 + 2*(j%2))
	}
	return body + string(rune('0'+(10-sum%10)%10))
}

// umberhithe writes a bookshop's products: many names, few categories, zones and limits, some
// authors.
func umberhithe(n int) []byte { return umberhitheBy(n, 5000) }

// umberhitheBy writes them with so many authors.
func umberhitheBy(n, authors int) []byte {
	var b bytes.Buffer
	b.WriteString("gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author,attr.format\n")
	categories := []string{"fiction", "history", "children", "travel", "poetry", "cookery", "maps", "gifts"}
	for i := range n {
		shelf := string(rune('a' + i%6))
		fmt.Fprintf(&b, "%s,UB-%06d,\"The Harbour Light, volume "+
			"%d\",%s,%d.%02d,shelf-%s|front-tables,front-tables:%d|floor:5,shelf-%s:12,Ada Example %d,%s\n",
			gtin13(i), i, i, categories[i%len(categories)], 4+i%40, i*7%100, shelf, 1+i%4, shelf, i%authors,
			[]string{"paperback", "hardback", "audio"}[i%3])
	}
	return b.Bytes()
}

const benchProducts = 200_000

func BenchmarkParseCSV(b *testing.B) {
	src := umberhithe(benchProducts)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		c, errs := catalog.ParseCSV(bytes.NewReader(src), catalog.CSVOptions{})
		if len(errs) > 0 || c.Len() != benchProducts {
			b.Fatal(errs)
		}
	}
}

func BenchmarkParseJSON(b *testing.B) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(benchProducts)), catalog.CSVOptions{})
	src, err := json.Marshal(c)
	require.NoError(b, err)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		c, errs := catalog.ParseJSON(src)
		if len(errs) > 0 || c.Len() != benchProducts {
			b.Fatal(errs)
		}
	}
}

func BenchmarkParseBinary(b *testing.B) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(benchProducts)), catalog.CSVOptions{})
	src, err := c.AppendBinary(nil)
	require.NoError(b, err)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := catalog.ParseBinary(src); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(src))/benchProducts, "stored-B/product")
}

func BenchmarkAppendBinary(b *testing.B) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(benchProducts)), catalog.CSVOptions{})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.AppendBinary(nil); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkByGTIN(b *testing.B) {
	c, _ := catalog.ParseCSV(bytes.NewReader(umberhithe(benchProducts)), catalog.CSVOptions{})
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		gtin := c.At(i * 7919 % benchProducts).GTIN
		if _, ok := c.ByGTIN(gtin); !ok {
			b.Fatal(gtin)
		}
		i++
	}
}

// BenchmarkMemory reports what a catalog keeps on the heap, index by GTIN included.
func BenchmarkMemory(b *testing.B) {
	heap := func() uint64 {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	src := umberhithe(benchProducts)
	noAttributes := bytes.ReplaceAll(src, []byte(",attr.author,attr.format\n"), []byte("\n"))
	var plain strings.Builder
	for line := range bytes.Lines(noAttributes) {
		s := string(line)
		if plain.Len() > 0 {
			for range 2 {
				s = s[:strings.LastIndexByte(s, ',')]
			}
			s += "\n"
		}
		plain.WriteString(s)
	}
	for name, text := range map[string]string{"two-attributes": string(src), "no-attributes": plain.String(),
		"unlike-attributes": string(umberhitheBy(benchProducts, benchProducts))} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				before := heap()
				c, errs := catalog.ParseCSV(strings.NewReader(text), catalog.CSVOptions{})
				require.Empty(b, errs)
				b.ReportMetric(float64(heap()-before)/benchProducts, "B/product")
				stored, err := c.AppendBinary(nil)
				require.NoError(b, err)
				before = heap()
				loaded, err := catalog.ParseBinary(stored)
				require.NoError(b, err)
				b.ReportMetric(float64(heap()-before)/benchProducts, "loaded-B/product")
				runtime.KeepAlive(c)
				runtime.KeepAlive(loaded)
				runtime.KeepAlive(stored)
			}
		})
	}
}
