package sheet_test

import (
	"fmt"
	"io"
	"iter"
	"time"

	"lintel/engine/sheet"
)

var moment = time.Date(2026, 3, 14, 17, 30, 5, 0, time.FixedZone("", 3600))

// differences is what a count of shelf A at Umberhithe Books might come to.
func differences() sheet.Table {
	return sheet.Table{
		Name: "Differences of a count", Site: "Umberhithe Books", At: moment, Zone: time.FixedZone("CET", 3600),
		Notes: []string{"At least 12 more tags are likely here (95 %: 5 to 31)."},
		Columns: []sheet.Column{
			{Name: "Zone", Key: "zone"},
			{Name: "GTIN", Key: "gtin", Width: 16},
			{Name: "Title", Key: "title"},
			{Name: "Expected", Key: "expected", Kind: sheet.KindNumber},
			{Name: "Share", Key: "share", Kind: sheet.KindNumber},
			{Name: "Price", Key: "price", Kind: sheet.KindMoney, Currency: "EUR", Places: 2},
			{Name: "Published", Key: "published", Kind: sheet.KindDate},
			{Name: "Last seen", Key: "seen", Kind: sheet.KindTime},
		},
		GroupBy: "Zone",
		Rows: sheet.Rows(
			[]sheet.Cell{sheet.Text("shelf-a"), sheet.Text("09521234500018"), sheet.Text("The Harbour Light"),
				sheet.Int(3), sheet.Float(0.5), sheet.Money(999), sheet.Date(moment), sheet.Time(moment)},
			[]sheet.Cell{sheet.Text("shelf-a"), sheet.Text("09521234500025"),
				sheet.Text("Knots; \"and\" tides,\nvolume 2"), sheet.Int(-1), sheet.Float(1.25), sheet.Money(-5), {}, {}},
			[]sheet.Cell{sheet.Text("children"), sheet.Text("09521234500032"),
				sheet.Text("=HYPERLINK(\"http://books.example/\",\"Mole & Moon\")"), sheet.Int(0), {},
				sheet.Money(1_250_000), sheet.Date(moment), {}},
		),
	}
}

// many has n rows of eight columns, as the list of all items might.
func many(n int) sheet.Table {
	t := differences()
	t.Notes, t.GroupBy = nil, ""
	t.Rows = manyRows(n)
	return t
}

func manyRows(n int) iter.Seq2[[]sheet.Cell, error] {
	return func(yield func([]sheet.Cell, error) bool) {
		row := make([]sheet.Cell, 8)
		for i := range n {
			row[0] = sheet.Text("shelf-" + string(rune('a'+i%6)))
			row[1] = sheet.Text("09521234500018")
			row[2] = sheet.Text("The Harbour Light, a tale of tides")
			row[3] = sheet.Int(int64(i))
			row[4] = sheet.Float(float64(i) / 8)
			row[5] = sheet.Money(int64(i) * 7)
			row[6] = sheet.Date(moment)
			row[7] = sheet.Time(moment.Add(time.Duration(i) * time.Second))
			if !yield(row, nil) {
				return
			}
		}
	}
}

// writers are all of them, for what they have in common.
func writers(tempDir string) map[string]func(io.Writer, sheet.Table) error {
	return map[string]func(io.Writer, sheet.Table) error{
		"csv":        func(w io.Writer, t sheet.Table) error { return sheet.WriteCSV(w, t, sheet.CSVOptions{}) },
		"json":       sheet.WriteJSON,
		"json lines": sheet.WriteJSONLines,
		"xlsx": func(w io.Writer, t sheet.Table) error {
			return sheet.WriteXLSX(w, t, sheet.XLSXOptions{TempDir: tempDir})
		},
		"html": sheet.WriteHTML,
	}
}

var errBroken = fmt.Errorf("the shelf fell over")

// brokenAfter has some rows and then an error.
func brokenAfter(n int) sheet.Table {
	t := many(0)
	t.Rows = func(yield func([]sheet.Cell, error) bool) {
		for row := range manyRows(n) {
			if !yield(row, nil) {
				return
			}
		}
		yield(nil, errBroken)
	}
	return t
}
