package sheet

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"unicode/utf8"

	"lintel/rules/doc"
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
		in := bufio.NewReaderSize(doc.CSVRows(&capped{r: r, left: opts.MaxBytes, max: opts.MaxBytes}), 64<<10)
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
