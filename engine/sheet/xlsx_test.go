package sheet_test

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"io"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"lintel/engine/sheet"
)

func workbook(t *testing.T, table sheet.Table) *excelize.File {
	dir := t.TempDir()
	var out bytes.Buffer
	require.NoError(t, sheet.WriteXLSX(&out, table, sheet.XLSXOptions{TempDir: dir}))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left, "temporary files")
	wellFormed(t, out.Bytes())
	f, err := excelize.OpenReader(&out)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f
}

// wellFormed reads every part by the standard library, which is not the one that wrote it.
func wellFormed(t *testing.T, b []byte) {
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	for _, part := range z.File {
		r, err := part.Open()
		require.NoError(t, err)
		d := xml.NewDecoder(r)
		for {
			if _, err = d.Token(); err != nil {
				break
			}
		}
		require.ErrorIs(t, err, io.EOF, part.Name)
	}
}

func TestXLSX(t *testing.T) {
	f := workbook(t, differences())
	require.Equal(t, []string{"Differences of a count", "About"}, f.GetSheetList())
	rows, err := f.GetRows("Differences of a count")
	require.NoError(t, err)
	require.Equal(t, [][]string{
		{"Zone", "GTIN", "Title", "Expected", "Share", "Price (EUR)", "Published", "Last seen"},
		{"shelf-a", "09521234500018", "The Harbour Light", "3", "0.5", "9.99", "2026-03-14", "2026-03-14 17:30:05"},
		{"shelf-a", "09521234500025", "Knots; \"and\" tides,\nvolume 2", "-1", "1.25", "-0.05"},
		{"children", "09521234500032", "=HYPERLINK(\"http://books.example/\",\"Mole & Moon\")", "0", "", "12,500.00", "2026-03-14"},
	}, rows)
	about, err := f.GetRows("About")
	require.NoError(t, err)
	require.Equal(t, [][]string{
		{"Table", "Differences of a count"}, {"Site", "Umberhithe Books"}, {"As of", "2026-03-14 17:30:05 CET"},
		{"Note", "At least 12 more tags are likely here (95 %: 5 to 31)."},
	}, about)

	// The day 2026-03-14 is the serial 46095 (days after 1899-12-30, counted by the standard
	// library).
	serial := int(time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC).Sub(time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)).Hours() / 24)
	raw, err := f.GetCellValue("Differences of a count", "G2", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	require.Equal(t, strconv.Itoa(serial), raw)

	names := f.GetDefinedName()
	require.Len(t, names, 1)
	require.Equal(t, "'Differences of a count'!$1:$1", names[0].RefersTo)
	panes, err := f.GetPanes("Differences of a count")
	require.NoError(t, err)
	require.True(t, panes.Freeze)
}

// No text becomes a formula, and all come back but for what XML cannot hold.
func TestXLSXHostileTexts(t *testing.T) {
	texts := []string{
		"=1+1", "+1", "-1", "@A1", "\t=1", "<script>alert(1)</script>", "]]>", "&amp;", "a\nb", " lead", "trail ", "'",
		"é 漢 🦉", "_x0041_", "_x005F_", "{=1}", "00123", "1e5", "TRUE",
		strings.Repeat("x", 32_767),
	}
	broken := map[string]string{"\x00": "\uFFFD", "a\x01b": "a\uFFFDb", "\x1b[31m": "\uFFFD[31m", "\xff": "\uFFFD", "\uFFFE": "\uFFFD"}
	var rows [][]sheet.Cell
	var want []string
	for _, s := range texts {
		rows, want = append(rows, []sheet.Cell{sheet.Text(s)}), append(want, s)
	}
	for s, w := range broken {
		rows, want = append(rows, []sheet.Cell{sheet.Text(s)}), append(want, w)
	}
	f := workbook(t, sheet.Table{Name: "Titles", Columns: []sheet.Column{{Name: "=Title"}}, Rows: sheet.Rows(rows...)})
	require.Equal(t, []string{"Titles"}, f.GetSheetList())
	for i, w := range want {
		at := "A" + strconv.Itoa(i+2)
		got, err := f.GetCellValue("Titles", at)
		require.NoError(t, err)
		require.Equal(t, w, got)
		formula, err := f.GetCellFormula("Titles", at)
		require.NoError(t, err)
		require.Empty(t, formula)
		kind, err := f.GetCellType("Titles", at)
		require.NoError(t, err)
		require.Equal(t, excelize.CellTypeInlineString, kind, "%q", w)
	}
}

func TestXLSXLimits(t *testing.T) {
	one := func(c sheet.Column, cells ...sheet.Cell) sheet.Table {
		return sheet.Table{Name: "Stock", Columns: []sheet.Column{c}, Rows: sheet.Rows(cells)}
	}
	err := sheet.WriteXLSX(io.Discard, one(sheet.Column{Name: "Note"}, sheet.Text(strings.Repeat("🦉", 16_384))), sheet.XLSXOptions{})
	require.ErrorContains(t, err, `row 1, column "Note": a text of 32768 characters, where a cell holds 32767`)

	big := int64(9_521_234_500_018_777)
	for _, c := range []struct {
		col  sheet.Column
		cell sheet.Cell
		want string
	}{
		{sheet.Column{Kind: sheet.KindNumber}, sheet.Int(big), "9521234500018777"},
		{sheet.Column{Kind: sheet.KindMoney, Places: 2}, sheet.Money(big), "95212345000187.77"},
		{sheet.Column{Kind: sheet.KindDate}, sheet.Date(time.Date(1851, 5, 1, 0, 0, 0, 0, time.UTC)), "1851-05-01"},
		{sheet.Column{Kind: sheet.KindTime}, sheet.Time(time.Date(1851, 5, 1, 9, 0, 0, 0, time.UTC)), "1851-05-01 09:00:00"},
		{sheet.Column{Kind: sheet.KindDate}, sheet.Date(time.Date(1900, 3, 1, 0, 0, 0, 0, time.UTC)), "1900-03-01"},
	} {
		c.col.Name = "x"
		got, err := workbook(t, one(c.col, c.cell)).GetCellValue("Stock", "A2")
		require.NoError(t, err)
		require.Equal(t, c.want, got)
	}
}

func TestSheetNames(t *testing.T) {
	for name, want := range map[string]string{
		"":                              "Table",
		"Stock: shelf A/B [all] *new*?": "Stock shelf A B all new",
		"'Quoted'":                      "Quoted",
		"Bert's books":                  "Bert's books",
		"history":                       "Table",
		strings.Repeat("🦉", 20):         strings.Repeat("🦉", 15),
		"A name that goes on for much longer than a sheet may": "A name that goes on for much lo",
		"About": "About",
	} {
		table := sheet.Table{Name: name, Site: "Umberhithe Books", Columns: []sheet.Column{{Name: "Title"}}, Rows: sheet.Rows()}
		list := workbook(t, table).GetSheetList()
		require.Equal(t, want, list[0])
		require.Len(t, list, 2)
	}
}

// A sheet larger than the library keeps in memory goes by way of a temporary file, and is whole.
func TestXLSXOfManyRows(t *testing.T) {
	const n = 40_000 / manyRowsDivisor // some 25 MB of XML
	f := workbook(t, many(n))
	rows, err := f.Rows("Differences of a count")
	require.NoError(t, err)
	count := 0
	for rows.Next() {
		if count++; count == n+1 {
			last, err := rows.Columns()
			require.NoError(t, err)
			require.Equal(t, strconv.Itoa(n-1), last[3])
		}
	}
	require.NoError(t, rows.Close())
	require.Equal(t, n+1, count)
}
