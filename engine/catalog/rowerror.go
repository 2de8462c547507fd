package catalog

import (
	"fmt"
	"strings"
)

// RowError is one thing that is wrong with a file of products.
type RowError struct {
	Row    int    `json:"row,omitempty"`    // the product, from 1; 0: the file as a whole or its header
	Line   int    `json:"line,omitempty"`   // of the file, from 1; 0: not known
	Column string `json:"column,omitempty"` // CSV column, or JSON member such as limits[0].min; empty: the whole row
	Reason string `json:"reason"`           // what is wrong
	Hint   string `json:"hint,omitempty"`   // how to mend it, may be empty
	More   int    `json:"more,omitempty"`   // not 0 in the last of MaxErrors+1 errors only: how many more there are
}

// Error returns the error as one line.
func (e RowError) Error() string {
	var where []string
	if e.Row > 0 {
		where = append(where, fmt.Sprintf("row %d", e.Row))
	}
	if e.Line > 0 {
		where = append(where, fmt.Sprintf("line %d", e.Line))
	}
	if e.Column != "" {
		where = append(where, e.Column)
	}
	s := e.Reason
	if len(where) > 0 {
		s = strings.Join(where, ", ") + ": " + s
	}
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// report collects errors: MaxErrors of them, and the number of the rest.
type report struct {
	list []RowError
	more int
}

func (r *report) add(e RowError) {
	if len(r.list) == MaxErrors {
		r.more++
		return
	}
	r.list = append(r.list, e)
}

// full says that nobody will see what is added now.
func (r *report) full() bool { return len(r.list) == MaxErrors }

func (r *report) errors() []RowError {
	if r.more > 0 {
		return append(r.list, RowError{Reason: fmt.Sprintf("%d more errors are not shown", r.more), Hint: "mend these first", More: r.more})
	}
	return r.list
}

// row is what is being read: where it stands, and whether anything was wrong with it.
type row struct {
	*report
	row, line int
	bad       bool
}

func (r *row) fail(column, hint, reason string, args ...any) {
	r.bad = true
	if r.full() {
		r.more++
		return
	}
	r.add(RowError{Row: r.row, Line: r.line, Column: column, Reason: fmt.Sprintf(reason, args...), Hint: hint})
}
