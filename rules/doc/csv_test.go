package doc

import (
	"encoding/csv"
	"io"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCSVRowsLetTablesThrough(t *testing.T) {
	for _, text := range []string{
		"", "a,b\n1,2\n", "a;b\r\n\"x\ny\";\"say \"\"hello\"\"\"\r\n", strings.Repeat("x,", maxRowCells) + "\n" + strings.Repeat("y\t", maxRowCells),
		"\"" + strings.Repeat(",\n", maxRowCells) + "\"\n", "5\" nail,x\n" + strings.Repeat("row,1\n", 100_000),
	} {
		b, err := io.ReadAll(CSVRows(strings.NewReader(text)))
		require.NoError(t, err)
		require.Equal(t, text, string(b))
	}
}

// A row that is none is refused before encoding/csv has it in memory.
func TestCSVRowsAreBounded(t *testing.T) {
	for what, text := range map[string]string{
		"separators": "a,b\n" + strings.Repeat(",", 30<<20),
		"a quote":    "a,b\n\"" + strings.Repeat("x\n", 15<<20),
		"one cell":   "a,b\n" + strings.Repeat("x", 30<<20),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r := csv.NewReader(CSVRows(strings.NewReader(text)))
		_, err := r.ReadAll()
		runtime.ReadMemStats(&after)
		require.ErrorContains(t, err, "line 2: a row of more than 256 KiB or 2000 cells", what)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(8<<20), what)
	}
}

func TestYAMLTokensAreBoundedBeforeTheyAreMade(t *testing.T) {
	for _, text := range []string{strings.Repeat("a,\n", 250_000), strings.Repeat("- ", 200_000), strings.Repeat("#\n", 160_000)} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, problem := YAML([]byte("rules: [\n"+text+"]"), Options{MaxBytes: 1 << 20, Unit: "rule"})
		runtime.ReadMemStats(&after)
		require.NotNil(t, problem)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20), problem.Reason)
	}
}
