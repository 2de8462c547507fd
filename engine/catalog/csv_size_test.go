package catalog_test

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
)

// endless is a file that never ends.
type endless struct{ line []byte }

func (e endless) Read(b []byte) (int, error) {
	n := 0
	for n < len(b) {
		n += copy(b[n:], e.line)
	}
	return n, nil
}

// TestCSVFileCap reads 200 MiB, which takes two minutes with the race detector.
func TestCSVFileCap(t *testing.T) {
	_, errs := catalog.ParseCSV(io.MultiReader(strings.NewReader("gtin\n"), endless{bytes.Repeat([]byte("\n"), 4096)}),
		catalog.CSVOptions{})
	require.Len(t, errs, 1)
	require.Contains(t, errs[0].Summary(), "larger than 200 MiB")
}
