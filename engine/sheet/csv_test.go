package sheet_test

import (
	"bytes"
	"encoding/csv"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/sheet"
)

func TestCSV(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, sheet.WriteCSV(&out, differences(), sheet.CSVOptions{}))
	require.Equal(t, strings.ReplaceAll(`Zone,GTIN,Title,Expected,Share,Price (EUR),Published,Last seen
shelf-a,09521234500018,The Harbour Light,3,0.5,9.99,2026-03-14,2026-03-14T17:30:05+01:00
shelf-a,09521234500025,"Knots; ""and"" tides,§volume 2",-1,1.25,-0.05,,
children,09521234500032,"=HYPERLINK(""http://books.example/"",""Mole & Moon"")",0,,12500.00,2026-03-14,
`, "\n", "\r\n"), strings.ReplaceAll(strings.ReplaceAll(out.String(), "tides,\nvolume", "tides,§volume"), "§\r", "§"))

	out.Reset()
	require.NoError(t, sheet.WriteCSV(&out, differences(), sheet.CSVOptions{BOM: true, Semicolons: true, DecimalComma: true, Defuse: true}))
	require.True(t, strings.HasPrefix(out.String(), "\xEF\xBB\xBFZone;GTIN;"))
	require.Contains(t, out.String(), ";3;0,5;9,99;2026-03-14;")
	require.Contains(t, out.String(), ";-1;1,25;-0,05;;\r\n", "numbers are not defused")
	require.Contains(t, out.String(), `;"'=HYPERLINK(""http://books.example/"",""Mole & Moon"")";0;`)

	require.ErrorContains(t, sheet.WriteCSV(io.Discard, differences(), sheet.CSVOptions{DecimalComma: true}), "set both or neither")
}

// Any texts come back from the standard library's reader as they went in; but that one turns CR LF
// inside of quotes into LF.
func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		columns := rapid.IntRange(1, 4).Draw(t, "columns")
		cell := rapid.OneOf(rapid.String(), rapid.StringMatching(`[ ,;"'\r\n\t=+@-]{0,6}`), rapid.StringMatching(`[a-c,"]{0,5}`))
		opts := sheet.CSVOptions{BOM: rapid.Bool().Draw(t, "bom"), Semicolons: rapid.Bool().Draw(t, "semicolons"),
			Defuse: rapid.Bool().Draw(t, "defuse")}
		table := sheet.Table{Name: "Titles"}
		want := [][]string{{}}
		for i := range columns {
			table.Columns = append(table.Columns, sheet.Column{Name: "Column " + string(rune('A'+i))})
			want[0] = append(want[0], table.Columns[i].Name)
		}
		var rows [][]sheet.Cell
		for range rapid.IntRange(0, 6).Draw(t, "rows") {
			var row []sheet.Cell
			var texts []string
			for range columns {
				s := cell.Draw(t, "cell")
				row = append(row, sheet.Text(s))
				texts = append(texts, strings.ReplaceAll(s, "\r\n", "\n"))
			}
			rows, want = append(rows, row), append(want, texts)
		}
		table.Rows = sheet.Rows(rows...)
		var out bytes.Buffer
		require.NoError(t, sheet.WriteCSV(&out, table, opts))
		text := strings.TrimPrefix(out.String(), "\uFEFF")
		require.Equal(t, opts.BOM, len(text) != out.Len())
		r := csv.NewReader(strings.NewReader(text))
		if opts.Semicolons {
			r.Comma = ';'
		}
		got, err := r.ReadAll()
		require.NoError(t, err)
		if !opts.Defuse {
			require.Equal(t, want, got)
			return
		}
		for i := range want { // all is there but for added apostrophes
			for j := range want[i] {
				require.Equal(t, strings.ReplaceAll(want[i][j], "'", ""), strings.ReplaceAll(got[i][j], "'", ""))
				require.False(t, sheet.Runs(got[i][j]))
			}
		}
	})
}

// Cases from OWASP, "CSV Injection" (from memory), with what is harmless beside them.
func TestFormulasAreDefused(t *testing.T) {
	for _, s := range []string{
		"=1+1", "+1+1", "-1+1", "@SUM(1+1)", "=cmd|' /C calc'!A0", "=HYPERLINK(\"http://books.example?\"&A1,\"more\")",
		"\t=1+1", "\r=1+1", "\n=1+1", "\x00=1",
		"＝1+1", "＋1", "－1", "＠A1", "=1+2\";=1+2", "=1+2'\" ;,=1+2", "-", "=",
	} {
		require.True(t, sheet.Runs(s), "%q", s)
		for _, semicolons := range []bool{false, true} {
			// Also when the file is opened with the wrong separator, no cell begins as a formula.
			for _, opened := range []rune{',', ';', '\t'} {
				cells := defused(t, semicolons, opened, "The Harbour Light", s, "x,"+s, "x;"+s, "x\t"+s, "x;\""+s, "x,\"\""+s)
				for _, c := range cells {
					c = strings.Trim(c, "\t\r\n\x00\"")
					require.False(t, sheet.Runs(c), "%q of %q", c, cells)
				}
			}
		}
	}
	require.Equal(t, []string{"a-b", "x;'=1", "'=1+1", "it's; -1"}, defused(t, false, ',', "a-b", "x;=1", "=1+1", "it's; -1"))
	for _, s := range []string{"", "The Harbour Light", "9.99", " =1+1", "'=1+1", "a=b", "1-2", "é", "\xff="} {
		require.False(t, sheet.Runs(s), "%q", s)
	}
}

// defused writes texts and opens the file with a separator.
func defused(t *testing.T, semicolons bool, opened rune, texts ...string) []string {
	table := sheet.Table{Name: "Titles"}
	var row []sheet.Cell
	for i, s := range texts {
		table.Columns = append(table.Columns, sheet.Column{Name: string(rune('A' + i))})
		row = append(row, sheet.Text(s))
	}
	table.Rows = sheet.Rows(row)
	var out bytes.Buffer
	require.NoError(t, sheet.WriteCSV(&out, table, sheet.CSVOptions{Semicolons: semicolons, Defuse: true}))
	r := csv.NewReader(&out)
	r.Comma, r.FieldsPerRecord, r.LazyQuotes = opened, -1, true
	records, err := r.ReadAll()
	require.NoError(t, err)
	var cells []string
	for _, record := range records[1:] {
		cells = append(cells, record...)
	}
	return cells
}

func FuzzCSV(f *testing.F) {
	f.Add("The Harbour Light", "=1+1")
	f.Add("\"", "\r\n")
	f.Add("", "")
	f.Fuzz(func(t *testing.T, a, b string) {
		if !utf8.ValidString(a) || !utf8.ValidString(b) {
			t.Skip()
		}
		table := sheet.Table{Name: "T", Columns: []sheet.Column{{Name: "a"}, {Name: "b"}},
			Rows: sheet.Rows([]sheet.Cell{sheet.Text(a), sheet.Text(b)})}
		var out bytes.Buffer
		require.NoError(t, sheet.WriteCSV(&out, table, sheet.CSVOptions{}))
		got, err := csv.NewReader(&out).ReadAll()
		require.NoError(t, err)
		require.Equal(t, [][]string{{"a", "b"}, {strings.ReplaceAll(a, "\r\n", "\n"), strings.ReplaceAll(b, "\r\n", "\n")}}, got)
	})
}
