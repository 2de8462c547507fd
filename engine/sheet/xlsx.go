package sheet

import (
	"archive/zip"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// XLSXOptions say how to make a workbook.
type XLSXOptions struct {
	TempDir string // where a sheet of more than 16 MiB is kept until it is sent; "": the system's
}

// Limits of the format (ECMA-376 leaves them to programs; these are the usual ones).
const (
	xlsxRows  = 1_048_576 // with the header
	xlsxChars = 32_767    // UTF-16 units in a cell
	xlsxBytes = 3 << 30   // of text in a sheet: beyond 4 GiB of XML the ZIP container has another form
)

// WriteXLSX writes the table as a workbook (Office Open XML, ECMA-376) with one sheet, whose header
// row stays in view and is repeated on printed pages. If the table has a site, a time or notes, a
// second sheet named "About" lists them. Texts are texts whatever they begin with; whole numbers of
// more than 15 digits are written as texts too, since spreadsheets would round them. Nothing is
// written before all rows were taken.
func WriteXLSX(w io.Writer, t Table, opts XLSXOptions) (err error) {
	if err := t.check(); err != nil {
		return err
	}
	f := excelize.NewFile(excelize.Options{TmpDir: opts.TempDir})
	defer func() {
		if closeErr := f.Close(); err == nil { // removes the temporary file
			err = closeErr
		}
	}()
	name := sheetName(t.Name)
	if err := f.SetSheetName(f.GetSheetName(0), name); err != nil {
		return err
	}
	x := &xlsxWriter{f: f, t: &t, zone: t.zone()}
	if err := x.table(name); err != nil {
		return err
	}
	if err := x.about(name); err != nil {
		return err
	}
	// The library would gather the whole file in memory. Given a ZIP writer on w it does not.
	f.SetZipWriter(func(io.Writer) excelize.ZipWriter { return zip.NewWriter(w) })
	return f.Write(io.Discard)
}

type xlsxWriter struct {
	f     *excelize.File
	t     *Table
	zone  *time.Location
	bytes int
}

var xlsxWidths = [...]float64{KindText: 28, KindNumber: 12, KindDate: 12, KindTime: 20, KindMoney: 12}

// styles makes the style of the header and of each column.
func (x *xlsxWriter) styles() (header int, columns []int, err error) {
	header, err = x.f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true},
		Border: []excelize.Border{{Type: "bottom", Style: 1, Color: "111111"}}})
	if err != nil {
		return 0, nil, err
	}
	columns = make([]int, len(x.t.Columns))
	for i := range x.t.Columns {
		c := &x.t.Columns[i]
		var format string
		switch c.Kind {
		case KindText:
			format = "@" // text, also when it is edited later: a GTIN keeps its zeros
		case KindNumber:
			format = "General"
		case KindDate:
			format = "yyyy-mm-dd"
		case KindTime:
			format = "yyyy-mm-dd hh:mm:ss"
		case KindMoney:
			format = "#,##0"
			if c.Places > 0 {
				format += "." + strings.Repeat("0", c.Places)
			}
		}
		if columns[i], err = x.f.NewStyle(&excelize.Style{CustomNumFmt: &format}); err != nil {
			return 0, nil, err
		}
	}
	return header, columns, nil
}

func (x *xlsxWriter) table(name string) error {
	header, styles, err := x.styles()
	if err != nil {
		return err
	}
	s, err := x.f.NewStreamWriter(name)
	if err != nil {
		return err
	}
	if err := s.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	values := make([]any, len(x.t.Columns))
	for i := range x.t.Columns {
		c := &x.t.Columns[i]
		width := xlsxWidths[c.Kind]
		if c.Width > 0 {
			width = float64(min(c.Width, 255))
		}
		if err := s.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
		title, err := x.text(c.title())
		if err != nil {
			return fmt.Errorf("table %q, column %d: %w", x.t.Name, i+1, err)
		}
		values[i] = excelize.Cell{StyleID: header, Value: title}
	}
	if err := s.SetRow("A1", values); err != nil {
		return err
	}
	err = x.t.each(func(n int, row []Cell) error {
		if n+1 > xlsxRows {
			return fmt.Errorf("table %q: more than %d rows, which is all that a sheet holds: take CSV, or a part "+
				"of the table", x.t.Name, xlsxRows-1)
		}
		for i := range row {
			v, err := x.value(&row[i], &x.t.Columns[i])
			if err != nil {
				return fmt.Errorf("table %q, row %d, column %q: %w", x.t.Name, n, x.t.Columns[i].Name, err)
			}
			values[i] = nil
			if v != nil {
				values[i] = excelize.Cell{StyleID: styles[i], Value: v}
			}
		}
		if x.bytes > xlsxBytes {
			return fmt.Errorf("table %q: more than 3 GiB of text, which is too much for a sheet: take CSV, or a "+
				"part of the table", x.t.Name)
		}
		at, err := excelize.CoordinatesToCellName(1, n+1)
		if err != nil {
			return err
		}
		return s.SetRow(at, values)
	})
	if err != nil {
		return err
	}
	if err := s.Flush(); err != nil {
		return err
	}
	return x.f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: quoted(name) + "!$1:$1", Scope: name})
}

// value turns a cell into what the library takes; nil is an empty cell.
func (x *xlsxWriter) value(c *Cell, col *Column) (any, error) {
	switch c.kind {
	case cellText:
		return x.text(c.text)
	case cellInt:
		if c.n > 999_999_999_999_999 || c.n < -999_999_999_999_999 {
			return string(c.appendPlain(nil, col, x.zone)), nil
		}
		return c.n, nil
	case cellFloat:
		return c.float(), nil
	case cellMoney:
		if c.n > 999_999_999_999_999 || c.n < -999_999_999_999_999 {
			return string(c.appendPlain(nil, col, x.zone)), nil
		}
		return float64(c.n) / math.Pow10(col.Places), nil
	case cellDate:
		if days := c.n + serial1970; days >= firstSerial {
			return days, nil
		}
		return string(c.appendPlain(nil, col, x.zone)), nil
	case cellTime:
		_, offset := c.time(x.zone).Zone()
		local := c.n + int64(offset)*1000
		if days := float64(local)/86_400_000 + serial1970; days >= firstSerial {
			return days, nil
		}
		return string(c.appendShown(nil, col, x.zone)), nil
	}
	return nil, nil
}

// Spreadsheets count days from the end of 1899, and take 1900 for a leap year; from 1 March 1900 on
// all agree. Earlier days are written as texts.
const (
	serial1970  = 25_569
	firstSerial = 61
)

// text checks a text and takes out what XML cannot hold.
func (x *xlsxWriter) text(s string) (string, error) {
	x.bytes += len(s)
	if len(s) > xlsxChars { // bytes; only then is it worth counting
		if n := len(utf16.Encode([]rune(s))); n > xlsxChars {
			return "", fmt.Errorf("a text of %d characters, where a cell holds %d: take CSV, or shorten it", n, xlsxChars)
		}
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0xFFFE || r == 0xFFFF {
			return utf8.RuneError
		}
		return r
	}, s), nil
}

func (x *xlsxWriter) about(table string) error {
	t := x.t
	var rows [][2]string
	add := func(what, s string) error {
		s, err := x.text(s)
		if err != nil {
			return fmt.Errorf("table %q, notes: %w", t.Name, err)
		}
		rows = append(rows, [2]string{what, s})
		return nil
	}
	var err error
	if t.Site != "" {
		err = add("Site", t.Site)
	}
	if !t.At.IsZero() && err == nil {
		err = add("As of", t.At.In(x.zone).Format("2006-01-02 15:04:05 MST"))
	}
	for _, n := range t.Notes {
		if err == nil {
			err = add("Note", n)
		}
	}
	if err != nil || len(rows) == 0 {
		return err
	}
	name := "About"
	if strings.EqualFold(table, name) {
		name = "About this table"
	}
	if _, err := x.f.NewSheet(name); err != nil {
		return err
	}
	wrap, err := x.f.NewStyle(&excelize.Style{Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	if err != nil {
		return err
	}
	rows = append([][2]string{{"Table", t.Name}}, rows...)
	for i, r := range rows {
		for j, s := range r {
			if err := x.f.SetCellStr(name, string(rune('A'+j))+strconv.Itoa(i+1), s); err != nil {
				return err
			}
		}
	}
	if err := x.f.SetColWidth(name, "B", "B", 100); err != nil {
		return err
	}
	return x.f.SetCellStyle(name, "A1", "B"+strconv.Itoa(len(rows)), wrap)
}

// sheetName makes a name that a sheet may have: up to 31 characters, without : \ / ? * [ ] and
// apostrophes at the ends.
func sheetName(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || strings.ContainsRune(`:\/?*[]`, r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, " "))
	s = strings.Join(strings.Fields(s), " ")
	for len(utf16.Encode([]rune(s))) > 31 {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	s = strings.Trim(s, "' ")
	if s == "" || strings.EqualFold(s, "History") { // a name that spreadsheets keep for themselves
		return "Table"
	}
	return s
}

// quoted is a sheet's name as references have it.
func quoted(name string) string { return "'" + strings.ReplaceAll(name, "'", "''") + "'" }
