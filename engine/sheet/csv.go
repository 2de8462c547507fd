package sheet

import (
	"bufio"
	"errors"
	"io"
	"strings"
	"unicode/utf8"
)

// CSVOptions are the ways in which CSV files differ. The zero value is RFC 4180.
type CSVOptions struct {
	BOM          bool // begin with a byte order mark, without which some spreadsheets take UTF-8 for something else
	Semicolons   bool // divide columns by semicolons, as spreadsheets want it where the comma is the decimal sign
	DecimalComma bool // write numbers and amounts with a decimal comma; only with Semicolons
	Defuse       bool // put an apostrophe before what a spreadsheet would run as a formula
}

const bom = "\uFEFF"

// WriteCSV writes the table as CSV (RFC 4180, UTF-8, rows end with CR LF) with a header row. Line
// breaks in a text stay as they are, in quotes. Name, site, time and notes of the table are not
// written.
func WriteCSV(w io.Writer, t Table, opts CSVOptions) error {
	if err := t.check(); err != nil {
		return err
	}
	if opts.DecimalComma && !opts.Semicolons {
		return errors.New("a decimal comma needs columns that are divided by semicolons: set both or neither")
	}
	out := bufio.NewWriterSize(w, 32<<10)
	e := csvEncoder{opts: opts}
	if opts.BOM {
		e.row = append(e.row, bom...)
	}
	for i := range t.Columns {
		e.text(i, t.Columns[i].title())
	}
	e.end(len(t.Columns))
	if _, err := out.Write(e.row); err != nil {
		return err
	}
	zone := t.zone()
	err := t.each(func(_ int, row []Cell) error {
		e.row = e.row[:0]
		for i, c := range row {
			if c.kind == cellText {
				e.text(i, c.text)
				continue
			}
			e.separate(i)
			from := len(e.row)
			e.row = c.appendPlain(e.row, &t.Columns[i], zone)
			if opts.DecimalComma && (c.kind == cellFloat || c.kind == cellMoney) {
				for j := from; j < len(e.row); j++ {
					if e.row[j] == '.' {
						e.row[j] = ','
					}
				}
			}
		}
		e.end(len(row))
		_, err := out.Write(e.row)
		return err
	})
	if err != nil {
		return err
	}
	return out.Flush()
}

// csvEncoder makes one row at a time. It differs from that of encoding/csv in two points: a lone
// empty cell is written as "", as an empty line would be skipped by readers; and a carriage return
// in a text is kept.
type csvEncoder struct {
	opts CSVOptions
	row  []byte
}

func (e *csvEncoder) separate(i int) {
	switch {
	case i == 0:
	case e.opts.Semicolons:
		e.row = append(e.row, ';')
	default:
		e.row = append(e.row, ',')
	}
}

func (e *csvEncoder) text(i int, s string) {
	e.separate(i)
	if e.opts.Defuse {
		s = defuse(s)
	}
	if !strings.ContainsAny(s, ",;\t\"\r\n") && (s == "" || s[0] != ' ' && s[len(s)-1] != ' ') {
		e.row = append(e.row, s...)
		return
	}
	e.row = append(e.row, '"')
	for {
		j := strings.IndexByte(s, '"')
		if j < 0 {
			break
		}
		e.row = append(e.row, s[:j+1]...)
		e.row = append(e.row, '"')
		s = s[j+1:]
	}
	e.row = append(e.row, s...)
	e.row = append(e.row, '"')
}

func (e *csvEncoder) end(columns int) {
	if columns == 1 && len(e.row) == 0 {
		e.row = append(e.row, '"', '"')
	}
	e.row = append(e.row, '\r', '\n')
}

// Runs reports whether a spreadsheet might take this text for a formula, by how it begins: = + - @,
// their full-width forms, tab, carriage return, line feed and NUL (OWASP, "CSV Injection", and
// OWASP ASVS 5.0, 1.2.10).
func Runs(s string) bool {
	r, _ := utf8.DecodeRuneInString(s)
	switch r {
	case '\t', '\r', '\n', 0:
		return s != ""
	}
	return startsFormula(r)
}

func startsFormula(r rune) bool {
	switch r {
	case '=', '+', '-', '@', '＝', '＋', '－', '＠':
		return true
	}
	return false
}

// defuse puts an apostrophe before a text that would run, and before every sign within it at which
// a formula would begin if the file were opened with another separator than it was written with:
// quotes do not hold a text together then.
func defuse(s string) string {
	var b []byte // of the text so far, once anything was put in
	done := 0
	if Runs(s) {
		b = append(b, '\'')
	}
	before := rune(-1)
	for i, r := range s {
		if startsFormula(r) {
			switch before {
			case ',', ';', '\t', '\r', '\n', '"', 0:
				b = append(b, s[done:i]...)
				b = append(b, '\'')
				done = i
			}
		}
		before = r
	}
	if b == nil {
		return s
	}
	return string(append(b, s[done:]...))
}
