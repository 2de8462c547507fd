package sheet

import (
	"archive/zip"
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// ReadOptions bound what a reader takes. The zero value has the defaults.
type ReadOptions struct {
	MaxBytes   int64  // of the file, and four times as many when it is unpacked; 0: 32 MiB
	MaxRows    int    // 0: 200,000
	MaxColumns int    // 0: 200
	Separator  rune   // of CSV: ',' ';' or tab; 0: whichever the first line has most of
	Sheet      string // of XLSX: the sheet's name; "": the first
	TempDir    string // of XLSX: where a sheet of more than 16 MiB is kept while it is read; "": the system's
}

func (o ReadOptions) withDefaults() ReadOptions {
	if o.MaxBytes <= 0 {
		o.MaxBytes = 32 << 20
	}
	if o.MaxRows <= 0 {
		o.MaxRows = 200_000
	}
	if o.MaxColumns <= 0 {
		o.MaxColumns = 200
	}
	return o
}

// Row is a row of a file that was read.
type Row struct {
	Number int      // as people count, from 1: in CSV the line on which it begins
	Cells  []string // good until the next row is asked for; empty cells at the end may be missing
}

// ReadCSV gives the rows of a CSV file (RFC 4180, UTF-8 with or without a byte order mark), the
// header row among them. Empty lines are left out. An error says where it is and how to fix it,
// and is the last thing given.
func ReadCSV(r io.Reader, opts ReadOptions) iter.Seq2[Row, error] {
	opts = opts.withDefaults()
	return func(yield func(Row, error) bool) {
		in := bufio.NewReaderSize(&capped{r: r, left: opts.MaxBytes, max: opts.MaxBytes}, 64<<10)
		if b, _ := in.Peek(len(bom)); string(b) == bom {
			_, _ = in.Discard(len(bom)) // was peeked
		} else if bytes.HasPrefix(b, []byte("\xFF\xFE")) || bytes.HasPrefix(b, []byte("\xFE\xFF")) {
			yield(Row{}, errors.New("the file is in UTF-16: save it as CSV in UTF-8"))
			return
		}
		c := csv.NewReader(in)
		c.FieldsPerRecord, c.ReuseRecord = -1, true
		c.Comma = opts.Separator
		if c.Comma == 0 {
			c.Comma = separator(in)
		}
		for n := 1; ; n++ {
			cells, err := c.Read()
			switch {
			case err == io.EOF:
				return
			case err != nil:
				yield(Row{}, csvError(err))
				return
			case n > opts.MaxRows:
				yield(Row{}, tooManyRows(opts.MaxRows))
				return
			}
			row := Row{Cells: cells}
			row.Number, _ = c.FieldPos(0)
			if err := row.check(opts.MaxColumns); err != nil {
				yield(Row{}, err)
				return
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}

func tooManyRows(limit int) error {
	return fmt.Errorf("more than %d rows: divide the file", limit)
}

func csvError(err error) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return err
	}
	if errors.Is(p.Err, csv.ErrQuote) || errors.Is(p.Err, csv.ErrBareQuote) {
		return fmt.Errorf("line %d, byte %d: a double quote that does not belong there: a cell with quotes in it "+
			"begins and ends with one, and has each of its own twice", p.Line, p.Column)
	}
	return fmt.Errorf("line %d, byte %d: %w", p.Line, p.Column, p.Err)
}

func (r *Row) check(maxColumns int) error {
	if len(r.Cells) > maxColumns {
		return fmt.Errorf("row %d: %d columns, where at most %d are taken", r.Number, len(r.Cells), maxColumns)
	}
	for i, s := range r.Cells {
		if !utf8.ValidString(s) {
			return fmt.Errorf("row %d, column %d: not UTF-8: save the file as CSV in UTF-8", r.Number, i+1)
		}
	}
	return nil
}

// separator finds what divides the columns of the first line, outside of quotes.
func separator(in *bufio.Reader) rune {
	b, _ := in.Peek(16 << 10) // what there is
	var found [3]int
	signs := []byte{',', ';', '\t'}
	quoted := false
	for _, c := range b {
		if c == '"' {
			quoted = !quoted
		}
		if quoted {
			continue
		}
		if c == '\n' {
			break
		}
		if i := bytes.IndexByte(signs, c); i >= 0 {
			found[i]++
		}
	}
	best := 0
	for i := range found {
		if found[i] > found[best] {
			best = i
		}
	}
	return rune(signs[best])
}

// capped fails once more than left bytes come, where io.LimitReader would pretend that the file
// ends.
type capped struct {
	r         io.Reader
	left, max int64
}

func (c *capped) Read(b []byte) (int, error) {
	if c.left < 0 {
		return 0, fmt.Errorf("the file is larger than %d bytes: divide it", c.max)
	}
	if int64(len(b)) > c.left+1 {
		b = b[:c.left+1]
	}
	n, err := c.r.Read(b)
	c.left -= int64(n)
	if c.left < 0 {
		return n - 1, fmt.Errorf("the file is larger than %d bytes: divide it", c.max)
	}
	return n, err
}

// ReadXLSX gives the rows of one sheet of a workbook, the header row among them; rows without any
// value are left out. Cells are given as they are stored: numbers with all their digits and a
// decimal point, dates as the number of days since the end of 1899, formulas as what they last came
// to. An error is the last thing given. The file is held in memory; of its contents, a sheet beyond
// 16 MiB uses a temporary file.
func ReadXLSX(r io.Reader, opts ReadOptions) iter.Seq2[Row, error] {
	opts = opts.withDefaults()
	return func(yield func(Row, error) bool) {
		stopped := false
		err := readXLSX(r, opts, func(row Row) bool {
			stopped = !yield(row, nil)
			return !stopped
		})
		if err != nil && !stopped {
			yield(Row{}, err)
		}
	}
}

func readXLSX(r io.Reader, opts ReadOptions, yield func(Row) bool) error {
	b, err := io.ReadAll(&capped{r: r, left: opts.MaxBytes, max: opts.MaxBytes})
	if err != nil {
		return err
	}
	switch {
	case bytes.HasPrefix(b, []byte("\xD0\xCF\x11\xE0")):
		return errors.New("the file is a workbook of the older kind, or has a password: save it as XLSX without one")
	case !bytes.HasPrefix(b, []byte("PK")):
		return errors.New("the file is no XLSX workbook: save it as XLSX, or send CSV as CSV")
	}
	rows, err := openSheet(b, opts)
	if err != nil {
		return err
	}
	defer rows.close()
	number, taken := 0, 0
	for {
		cells, more, err := rows.next()
		if err != nil {
			return fmt.Errorf("row %d: %w", number+1, err)
		}
		if !more {
			return nil
		}
		if number++; number > opts.MaxRows+xlsxGap {
			return tooManyRows(opts.MaxRows)
		}
		if len(cells) == 0 {
			continue
		}
		if taken++; taken > opts.MaxRows {
			return tooManyRows(opts.MaxRows)
		}
		row := Row{Number: number, Cells: cells}
		if err := row.check(opts.MaxColumns); err != nil {
			return err
		}
		if !yield(row) {
			return nil
		}
	}
}

// xlsxGap is how many rows without a value a sheet may have on top of those that count.
const xlsxGap = 100_000

// sheetRows reads a sheet by the library. A panic of the library over a damaged file becomes an
// error.
type sheetRows struct {
	file *excelize.File
	rows *excelize.Rows
}

func damaged(err *error) {
	if p := recover(); p != nil {
		*err = errors.New("the workbook is damaged: open it and save it again")
	}
}

func openSheet(b []byte, opts ReadOptions) (s *sheetRows, err error) {
	defer damaged(&err)
	limit := 4 * opts.MaxBytes
	f, err := excelize.OpenReader(bytes.NewReader(b), excelize.Options{
		RawCellValue: true, UnzipSizeLimit: limit, UnzipXMLSizeLimit: min(limit, 16<<20), TmpDir: opts.TempDir,
	})
	if err != nil {
		return nil, fmt.Errorf("the file could not be read as an XLSX workbook (%w): open it and save it again as XLSX", err)
	}
	s = &sheetRows{file: f}
	if err := wellFormed(b); err != nil {
		s.close()
		return nil, fmt.Errorf("the workbook is damaged (%w): open it and save it again as XLSX", err)
	}
	name := opts.Sheet
	if name == "" {
		list := f.GetSheetList()
		if len(list) == 0 {
			s.close()
			return nil, errors.New("the workbook has no sheet")
		}
		name = list[0]
	}
	if s.rows, err = f.Rows(name); err != nil {
		s.close()
		return nil, fmt.Errorf("the sheet %q could not be read: %w", name, err)
	}
	return s, nil
}

// wellFormed reads the XML of the sheets through once: the library would take a sheet that breaks
// off for one that ends there, and rows would be lost without a word. It comes after the library
// has checked how large the parts are; the ZIP reader keeps them to that.
func wellFormed(b []byte) error {
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return err
	}
	for _, part := range z.File {
		name := strings.ToLower(strings.ReplaceAll(part.Name, `\`, "/"))
		if !strings.HasPrefix(name, "xl/worksheets/sheet") && name != "xl/sharedstrings.xml" {
			continue
		}
		r, err := part.Open()
		if err != nil {
			return err
		}
		d := xml.NewDecoder(r)
		root := false
		for err == nil {
			var t xml.Token
			if t, err = d.Token(); err == nil {
				_, start := t.(xml.StartElement)
				root = root || start
			}
		}
		_ = r.Close()
		if err != io.EOF {
			return fmt.Errorf("%s: %w", part.Name, err)
		}
		if !root {
			return fmt.Errorf("%s: empty", part.Name)
		}
	}
	return nil
}

func (s *sheetRows) next() (cells []string, more bool, err error) {
	defer damaged(&err)
	if !s.rows.Next() {
		return nil, false, s.rows.Error()
	}
	cells, err = s.rows.Columns()
	return cells, true, err
}

// close removes the temporary files. What a damaged file makes of it does not matter to the reader.
func (s *sheetRows) close() {
	var err error
	defer damaged(&err)
	if s.rows != nil {
		_ = s.rows.Close()
	}
	_ = s.file.Close()
}
