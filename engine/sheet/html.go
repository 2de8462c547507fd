package sheet

import (
	"bufio"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"iter"
	"strconv"
	"time"
)

//go:embed page.css
var pageCSS string

//go:embed page.html
var pageHTML string

var page = template.Must(template.New("page").Parse(pageHTML))

// StyleSource is the Content-Security-Policy source of the one style element of a page that
// WriteHTML makes. A policy of
//
//	default-src 'none'; style-src <StyleSource>
//
// is enough for it, since it has no scripts, links or pictures.
func StyleSource() string {
	sum := sha256.Sum256([]byte(pageCSS))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// WriteHTML writes the table as one HTML page to read or print: self-contained, without scripts,
// with the header row on each printed page, and with the number of rows at its end, without which
// it is cut off. With GroupBy, rows with the same value in that column that follow each other make
// a group with a headline of its own.
func WriteHTML(w io.Writer, t Table) error {
	if err := t.check(); err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, 32<<10)
	p := pageData{t: &t, CSS: template.CSS(pageCSS), Site: t.Site, Title: t.Name, Notes: t.Notes, Below: t.Below, zone: t.zone(), group: t.groupColumn()}
	if !t.At.IsZero() {
		at := t.At.In(p.zone)
		p.At, p.AtMachine = at.Format("2 January 2006, 15:04 MST"), at.Format(time.RFC3339)
	}
	for i := range t.Columns {
		if i != p.group {
			p.Columns = append(p.Columns, pageColumn{Title: t.Columns[i].title(), Right: right(t.Columns[i].Kind)})
		}
	}
	if len(p.Columns) == 0 { // grouped by its only column
		p.group = -1
		p.Columns = []pageColumn{{Title: t.Columns[0].title(), Right: right(t.Columns[0].Kind)}}
	}
	if err := page.Execute(out, &p); err != nil {
		return err
	}
	if p.err != nil { // the rows ended early; the last line is not there
		return p.err
	}
	return out.Flush()
}

func right(k Kind) bool { return k == KindNumber || k == KindMoney }

// pageData is what page.html sees. Its fields and methods are exported for the template.
type pageData struct {
	CSS                        template.CSS
	Title, Site, At, AtMachine string
	Notes, Below               []string
	Columns                    []pageColumn

	t     *Table
	zone  *time.Location
	group int
	n     int
	buf   []byte
	err   error
}

type pageColumn struct {
	Title string
	Right bool
}

type pageRow struct {
	Starts bool // a group
	Group  string
	Cells  []pageCell
}

type pageCell struct {
	Text  string
	Right bool
}

// Rows gives the rows to the template, one at a time, in one and the same pageRow.
func (p *pageData) Rows() iter.Seq[*pageRow] {
	return func(yield func(*pageRow) bool) {
		var row pageRow
		p.err = p.t.each(func(n int, cells []Cell) error {
			p.n = n
			p.fill(&row, cells)
			if !yield(&row) {
				return io.ErrShortWrite // the template stopped; it returns its own error
			}
			return nil
		})
	}
}

func (p *pageData) fill(row *pageRow, cells []Cell) {
	row.Cells = row.Cells[:0]
	row.Starts = false
	for i, c := range cells {
		col := &p.t.Columns[i]
		s := c.text
		if c.kind != cellText {
			p.buf = c.appendShown(p.buf[:0], col, p.zone)
			s = string(p.buf)
		}
		if i == p.group {
			row.Starts = p.n == 1 || s != row.Group
			row.Group = s
			continue
		}
		row.Cells = append(row.Cells, pageCell{Text: s, Right: right(col.Kind)})
	}
}

// Ended reports whether all rows came.
func (p *pageData) Ended() bool { return p.err == nil }

// Count returns the number of rows, as people write it.
func (p *pageData) Count() string {
	switch p.n {
	case 0:
		return "No rows"
	case 1:
		return "1 row"
	}
	s := strconv.Itoa(p.n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s + " rows"
}
