package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"

	"github.com/xuri/excelize/v2"
)

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

// xlsxGap is how many rows without a value a sheet may have on top of those that count.
const xlsxGap = 100_000

// sheetRows reads a sheet by the library. A panic of the library over a damaged file becomes an
// error.
type sheetRows struct {
	file *excelize.File
	rows *excelize.Rows
}
