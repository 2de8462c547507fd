package sheet_test

import (
	"archive/zip"
	"bytes"
	"io"
	"iter"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"lintel/engine/sheet"
)

// take reads all rows, and the error that ended them.
func take(rows iter.Seq2[sheet.Row, error]) (all [][]string, numbers []int, err error) {
	for row, e := range rows {
		if e != nil {
			return all, numbers, e
		}
		all = append(all, append([]string(nil), row.Cells...))
		numbers = append(numbers, row.Number)
	}
	return all, numbers, nil
}

func TestWhatWasWrittenIsRead(t *testing.T) {
	want := [][]string{
		{"Zone", "GTIN", "Title", "Expected", "Share", "Price (EUR)", "Published", "Last seen"},
		{"shelf-a", "09521234500018", "The Harbour Light", "3", "0.5", "9.99", "2026-03-14", "2026-03-14T17:30:05+01:00"},
		{"shelf-a", "09521234500025", "Knots; \"and\" tides,\nvolume 2", "-1", "1.25", "-0.05", "", ""},
		{"children", "09521234500032", "=HYPERLINK(\"http://books.example/\",\"Mole & Moon\")", "0", "", "12500.00", "2026-03-14", ""},
	}
	for _, opts := range []sheet.CSVOptions{{}, {BOM: true}, {Semicolons: true}} {
		var out bytes.Buffer
		require.NoError(t, sheet.WriteCSV(&out, differences(), opts))
		rows, numbers, err := take(sheet.ReadCSV(&out, sheet.ReadOptions{}))
		require.NoError(t, err)
		require.Equal(t, want, rows)
		require.Equal(t, []int{1, 2, 3, 5}, numbers)
	}

	dir := t.TempDir()
	var out bytes.Buffer
	require.NoError(t, sheet.WriteXLSX(&out, differences(), sheet.XLSXOptions{}))
	rows, numbers, err := take(sheet.ReadXLSX(bytes.NewReader(out.Bytes()), sheet.ReadOptions{TempDir: dir}))
	require.NoError(t, err)
	require.Equal(t, want[0], rows[0])
	require.Equal(t, want[1][:6], rows[1][:6])
	require.Equal(t, "46095", rows[1][6])
	require.True(t, strings.HasPrefix(rows[1][7], "46095.72922"), "17:30:05 is 0.729224 of a day: %s", rows[1][7])
	require.Equal(t, want[2][:6], rows[2])
	require.Equal(t, "12500", rows[3][5], "as stored, not as shown")
	require.Equal(t, []int{1, 2, 3, 4}, numbers)

	rows, _, err = take(sheet.ReadXLSX(bytes.NewReader(out.Bytes()), sheet.ReadOptions{Sheet: "About"}))
	require.NoError(t, err)
	require.Equal(t, []string{"Site", "Umberhithe Books"}, rows[1])

	for range sheet.ReadXLSX(bytes.NewReader(out.Bytes()), sheet.ReadOptions{TempDir: dir}) {
		break // whoever has seen enough may stop
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
}

func TestFilesThatAreRefused(t *testing.T) {
	var book bytes.Buffer
	require.NoError(t, sheet.WriteXLSX(&book, many(50), sheet.XLSXOptions{}))
	var other bytes.Buffer
	z := zip.NewWriter(&other)
	w, err := z.Create("readme.txt")
	require.NoError(t, err)
	_, err = io.WriteString(w, "The Harbour Light")
	require.NoError(t, err)
	require.NoError(t, z.Close())
	for _, c := range []struct {
		name string
		read func(io.Reader, sheet.ReadOptions) iter.Seq2[sheet.Row, error]
		in   string
		opts sheet.ReadOptions
		says string
	}{
		{"UTF-16", sheet.ReadCSV, "\xFF\xFEg\x00t\x00", sheet.ReadOptions{}, "the file is in UTF-16: save it as CSV in UTF-8"},
		{"not UTF-8", sheet.ReadCSV, "title\nCaf\xE9\n", sheet.ReadOptions{}, "row 2, column 1: not UTF-8"},
		{"quote", sheet.ReadCSV, "title\na \"b\" c\n", sheet.ReadOptions{}, "line 2, byte 3: a double quote that does not belong there"},
		{"quote without end", sheet.ReadCSV, "title\n\"abc\n", sheet.ReadOptions{}, "a double quote that does not belong there"},
		{"rows", sheet.ReadCSV, "a\nb\nc\n", sheet.ReadOptions{MaxRows: 2}, "more than 2 rows: divide the file"},
		{"columns", sheet.ReadCSV, "a,b,c\n", sheet.ReadOptions{MaxColumns: 2}, "row 1: 3 columns, where at most 2 are taken"},
		{"size", sheet.ReadCSV, "a\nb\nc\n", sheet.ReadOptions{MaxBytes: 5}, "the file is larger than 5 bytes: divide it"},
		{"size", sheet.ReadXLSX, book.String(), sheet.ReadOptions{MaxBytes: 50}, "the file is larger than 50 bytes: divide it"},
		{"unpacked size", sheet.ReadXLSX, book.String(), sheet.ReadOptions{MaxBytes: int64(book.Len())},
			"could not be read as an XLSX workbook"},
		{"rows", sheet.ReadXLSX, book.String(), sheet.ReadOptions{MaxRows: 20}, "more than 20 rows: divide the file"},
		{"columns", sheet.ReadXLSX, book.String(), sheet.ReadOptions{MaxColumns: 2}, "row 1: 8 columns"},
		{"sheet", sheet.ReadXLSX, book.String(), sheet.ReadOptions{Sheet: "Nowhere"}, `the sheet "Nowhere" could not be read`},
		{"CSV as XLSX", sheet.ReadXLSX, "gtin,title\n", sheet.ReadOptions{}, "the file is no XLSX workbook"},
		{"older kind", sheet.ReadXLSX, "\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1", sheet.ReadOptions{},
			"a workbook of the older kind, or has a password"},
		{"another ZIP file", sheet.ReadXLSX, other.String(), sheet.ReadOptions{}, "open it and save it again as XLSX"},
		{"cut", sheet.ReadXLSX, book.String()[:book.Len()/2], sheet.ReadOptions{}, "could not be read as an XLSX workbook"},
		{"empty", sheet.ReadXLSX, "", sheet.ReadOptions{}, "the file is no XLSX workbook"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := take(c.read(strings.NewReader(c.in), c.opts))
			require.ErrorContains(t, err, c.says)
		})
	}
	rows, _, err := take(sheet.ReadCSV(strings.NewReader("a\nb\nc"), sheet.ReadOptions{MaxBytes: 5, MaxRows: 3}))
	require.NoError(t, err, "just within")
	require.Len(t, rows, 3)
	rows, _, err = take(sheet.ReadCSV(strings.NewReader("\"a;b;c\",d\ne,f"), sheet.ReadOptions{}))
	require.NoError(t, err)
	require.Equal(t, [][]string{{"a;b;c", "d"}, {"e", "f"}}, rows, "signs in quotes do not tell the separator")
}

func FuzzReadCSV(f *testing.F) {
	f.Add([]byte("gtin;title\r\n09521234500018;\"The Harbour Light\"\r\n"))
	f.Add([]byte("\xEF\xBB\xBFa,b\n\n,\n\"\"\n"))
	f.Add([]byte("\"a\"b"))
	f.Fuzz(func(t *testing.T, b []byte) {
		opts := sheet.ReadOptions{MaxBytes: 1000, MaxRows: 50, MaxColumns: 20}
		rows, numbers, err := take(sheet.ReadCSV(bytes.NewReader(b), opts))
		require.LessOrEqual(t, len(rows), opts.MaxRows)
		for i, row := range rows {
			require.LessOrEqual(t, len(row), opts.MaxColumns)
			require.True(t, i == 0 || numbers[i] > numbers[i-1])
			for _, s := range row {
				require.True(t, utf8.ValidString(s))
			}
		}
		if len(b) > 1000 {
			require.Error(t, err)
		}
	})
}

func FuzzReadXLSX(f *testing.F) {
	var book bytes.Buffer
	require.NoError(f, sheet.WriteXLSX(&book, differences(), sheet.XLSXOptions{}))
	f.Add(book.Bytes())
	f.Add(parts(f, `<worksheet><sheetData><row r="1"><c r="XFD1" t="s"><v>-5</v></c></row></sheetData></worksheet>`))
	f.Add(parts(f, `<worksheet><sheetData><row r="99999999"><c r="A-1" t="inlineStr"><is><t>x</t></is></c></row></sheetData></worksheet>`))
	f.Fuzz(func(t *testing.T, b []byte) {
		opts := sheet.ReadOptions{MaxBytes: 100_000, MaxRows: 50, MaxColumns: 20, TempDir: t.TempDir()}
		rows, _, _ := take(sheet.ReadXLSX(bytes.NewReader(b), opts))
		require.LessOrEqual(t, len(rows), opts.MaxRows)
		for _, row := range rows {
			require.LessOrEqual(t, len(row), opts.MaxColumns)
		}
	})
}

// parts makes a workbook around a sheet.
func parts(t require.TestingT, worksheet string) []byte {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, p := range [][2]string{
		{"[Content_Types].xml", `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default ` +
			`Extension="xml" ContentType="application/xml"/></Types>`},
		{"_rels/.rels", `<Relationships ` +
			`xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` +
			`<Relationship Id="r" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" ` +
			`Target="xl/workbook.xml"/></Relationships>`},
		{"xl/workbook.xml", `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" ` +
			`xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">` +
			`<sheets><sheet name="S" sheetId="1" r:id="r"/></sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", `<Relationships ` +
			`xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` +
			`<Relationship Id="r" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" ` +
			`Target="worksheets/sheet1.xml"/></Relationships>`},
		{"xl/worksheets/sheet1.xml", strings.Replace(worksheet, "<worksheet>",
			`<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">`, 1)},
	} {
		w, err := z.Create(p[0])
		require.NoError(t, err)
		_, err = io.WriteString(w, p[1])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return out.Bytes()
}

// Sheets that a hostile sender might make: nothing panics, nothing runs away, and what can be read
// is.
func TestHostileWorkbooks(t *testing.T) {
	for _, c := range []struct {
		name, worksheet string
		rows            [][]string
		says            string
	}{
		{"sound", `<worksheet><sheetData><row r="1"><c r="B1"><v>1</v></c></row></sheetData></worksheet>`, [][]string{{"", "1"}}, ""},
		{"string that does not exist", `<worksheet><sheetData><row r="1"><c r="A1" ` +
			`t="s"><v>-5</v></c></row></sheetData></worksheet>`, nil, ""},
		{"last column", `<worksheet><sheetData><row r="1"><c r="XFD1"><v>1</v></c></row></sheetData></worksheet>`, nil,
			"row 1: 16384 columns, where at most 200 are taken"},
		{"no such column", `<worksheet><sheetData><row r="1"><c r="ZZZZZZZ1"><v>1</v></c></row></sheetData></worksheet>`, nil,
			"row 1: the column number must be"},
		{"row far down", `<worksheet><sheetData><row r="1048576"><c ` +
			`r="A1048576"><v>1</v></c></row></sheetData></worksheet>`, nil, "more than 200000 rows"},
		{"row beyond all", `<worksheet><sheetData><row r="99999999999"><c ` +
			`r="A1"><v>1</v></c></row></sheetData></worksheet>`, nil, "row 1: row number exceeds maximum limit"},
		{"entity", `<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]><worksheet><sheetData><row ` +
			`r="1"><c r="A1" t="str"><v>&b;</v></c></row></sheetData></worksheet>`, nil, "the workbook is damaged"},
		{"cut", `<worksheet><sheetData><row r="1"><c r="A1"><v>1</v></c></row><row r="2"><c r="A2"><v>2`, nil, "the workbook is damaged"},
		{"nothing", ``, nil, "the workbook is damaged"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rows, _, err := take(sheet.ReadXLSX(bytes.NewReader(parts(t, c.worksheet)), sheet.ReadOptions{}))
			require.Equal(t, c.rows, rows)
			if c.says == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.says)
			}
		})
	}
}
