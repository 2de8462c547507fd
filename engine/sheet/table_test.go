package sheet_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/sheet"
)

func TestTablesThatAreWrong(t *testing.T) {
	one := func(c sheet.Column, cells ...sheet.Cell) sheet.Table {
		return sheet.Table{Name: "Stock", Columns: []sheet.Column{c}, Rows: sheet.Rows(cells)}
	}
	text := sheet.Column{Name: "Title"}
	for _, c := range []struct {
		name  string
		table sheet.Table
		says  string
	}{
		{"no columns", sheet.Table{Name: "Stock", Rows: sheet.Rows()}, `table "Stock": 0 columns`},
		{"no rows", sheet.Table{Name: "Stock", Columns: []sheet.Column{text}}, "no rows were given"},
		{"no name", one(sheet.Column{Name: " "}), "column 1 has no name"},
		{"twice", sheet.Table{Name: "Stock", Columns: []sheet.Column{text, text}, Rows: sheet.Rows()}, `two columns are named "Title"`},
		{"key twice", sheet.Table{Name: "Stock", Columns: []sheet.Column{text, {Name: "Other", Key: "Title"}},
			Rows: sheet.Rows()}, `two columns have the key "Title"`},
		{"kind", one(sheet.Column{Name: "Title", Kind: 9}), "there is no kind 9"},
		{"places", one(sheet.Column{Name: "Price", Kind: sheet.KindMoney, Places: 7}), "7 decimal places: give 0 to 6"},
		{"group", sheet.Table{Name: "Stock", Columns: []sheet.Column{text}, Rows: sheet.Rows(), GroupBy: "Zone"},
			`no column is named "Zone"`},
		{"cells", one(text, sheet.Text("a"), sheet.Text("b")), `row 1: 2 cells: give one for each of the 1 columns`},
		{"kind of cell", one(text, sheet.Int(4)), `row 1, column "Title": a number where the column has a text`},
		{"NaN", one(sheet.Column{Name: "Share", Kind: sheet.KindNumber}, sheet.Float(math.NaN())), "not a number: leave the cell empty"},
		{"infinity", one(sheet.Column{Name: "Share", Kind: sheet.KindNumber}, sheet.Float(math.Inf(-1))),
			"not a number: leave the cell empty"},
		{"date", one(sheet.Column{Name: "Day", Kind: sheet.KindDate},
			sheet.Date(time.Date(12000, 1, 1, 0, 0, 0, 0, time.UTC))), "outside of the years 0 to 9999"},
		{"time", one(sheet.Column{Name: "Seen", Kind: sheet.KindTime},
			sheet.Time(time.Date(-4, 1, 1, 0, 0, 0, 0, time.UTC))), "outside of the years 0 to 9999"},
	} {
		for name, write := range writers(t.TempDir()) {
			t.Run(c.name+"/"+name, func(t *testing.T) {
				require.ErrorContains(t, write(io.Discard, c.table), c.says)
			})
		}
	}
}

func TestErrorsOfRowsAndWritersComeBack(t *testing.T) {
	dir := t.TempDir()
	for name, write := range writers(dir) {
		t.Run(name, func(t *testing.T) {
			for _, n := range []int{0, 1, 5000} {
				var out bytes.Buffer
				err := write(&out, brokenAfter(n))
				require.ErrorIs(t, err, errBroken)
				require.ErrorContains(t, err, `table "Differences of a count", row `)
				switch name {
				case "xlsx":
					require.Zero(t, out.Len())
				case "json":
					require.NotContains(t, out.String(), "]")
				case "html":
					require.NotContains(t, out.String(), "</footer>")
				}
			}
			require.ErrorIs(t, write(&full{room: 10_000}, many(5000)), errFull)
		})
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left, "temporary files")
}

var errFull = errors.New("no room left")

// full takes some bytes and then none.
type full struct{ room int }

func (f *full) Write(b []byte) (int, error) {
	if len(b) > f.room {
		n := f.room
		f.room = 0
		return n, errFull
	}
	f.room -= len(b)
	return len(b), nil
}

func TestEqualTablesGiveEqualBytes(t *testing.T) {
	for name, write := range writers(t.TempDir()) {
		t.Run(name, func(t *testing.T) {
			var a, b bytes.Buffer
			require.NoError(t, write(&a, differences()))
			require.NoError(t, write(&b, differences()))
			require.Equal(t, a.Bytes(), b.Bytes())
		})
	}
}

// Memory stays bounded however long the table: what is in use while 100,000 rows go through is far
// below what they are together.
func TestMemoryIsBounded(t *testing.T) {
	const rows = 100_000 / manyRowsDivisor
	for name, write := range writers(t.TempDir()) {
		t.Run(name, func(t *testing.T) {
			least, most := uint64(math.MaxUint64), uint64(0)
			look := func() {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				least, most = min(least, m.HeapAlloc), max(most, m.HeapAlloc)
			}
			table := many(0)
			table.Rows = func(yield func([]sheet.Cell, error) bool) {
				n := 0
				for row := range manyRows(rows) {
					if n++; n%(rows/10) == 1 {
						look()
					}
					if !yield(row, nil) {
						return
					}
				}
			}
			w := &counter{every: look}
			require.NoError(t, write(w, table))
			bound := uint64(2 << 20)
			if name == "xlsx" {
				bound = 64 << 20 // the library's buffer of 16 MiB, twice while it grows
			}
			t.Logf("%d bytes written, at most %d kB more in use than at least", w.n, (most-least)>>10)
			require.Less(t, most-least, bound)
		})
	}
}

type counter struct {
	n, next int
	every   func()
}

func (c *counter) Write(b []byte) (int, error) {
	c.n += len(b)
	if c.n >= c.next {
		c.next += 2 << 20
		c.every()
	}
	return len(b), nil
}
