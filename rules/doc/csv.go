package doc

import (
	"fmt"
	"io"
)

// Bounds on one row of a CSV file. encoding/csv takes a row into memory whole, at 16 times its bytes
// where nothing but separators stands in it.
const (
	maxRowBytes = 256 << 10
	maxRowCells = 2000
)

// CSVRows returns a reader of CSV text (RFC 4180, divided by commas, semicolons or tabs) which fails at
// a row that is larger than any table has.
func CSVRows(r io.Reader) io.Reader { return &csvRows{r: r, line: 1, start: 1, at: atCell} }

type csvRows struct {
	r            io.Reader
	line, start  int // the line at hand, and the one on which the row begins; from 1
	bytes, cells int // of the row so far
	at           csvPlace
	err          error
}

// csvPlace is where in a row the next byte stands.
type csvPlace uint8

const (
	atCell     csvPlace = iota // at the begin of a cell
	inCell                     // in one without quotes
	inQuotes                   // in one with quotes
	afterQuote                 // behind a quote in such a one: it may be half of a quote that is meant
)

func (c *csvRows) Read(p []byte) (int, error) {
	if c.err != nil {
		return 0, c.err
	}
	n, err := c.r.Read(p)
	for _, b := range p[:n] {
		c.bytes++
		switch {
		case b == '"' && (c.at == atCell || c.at == afterQuote):
			c.at = inQuotes
		case b == '"' && c.at == inQuotes:
			c.at = afterQuote
		case b == '\n':
			c.line++
			if c.at != inQuotes {
				c.bytes, c.cells, c.start, c.at = 0, 0, c.line, atCell
			}
		case c.at == inQuotes:
		case b == ',' || b == ';' || b == '\t':
			c.cells++
			c.at = atCell
		default:
			c.at = inCell
		}
		if c.bytes > maxRowBytes || c.cells > maxRowCells {
			c.err = fmt.Errorf("line %d: a row of more than %d KiB or %d cells; a quote in it may never end", c.start,
				maxRowBytes>>10, maxRowCells)
			return 0, c.err
		}
	}
	return n, err
}
