package catalog

import (
	"fmt"
	"strings"

	"lintel/engine/faults"
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
	return faults.Line(strings.Join(where, ", "), e.Reason, e.Hint)
}

// report collects errors: MaxErrors of them, and the number of the rest.
type report struct{ faults.List[RowError] }

func newReport() report { return report{faults.List[RowError]{Max: MaxErrors}} }

func (r *report) errors() []RowError {
	return r.All(func(more int) RowError {
		return RowError{Reason: fmt.Sprintf("%d more errors are not shown", more), Hint: "mend these first", More: more}
	})
}

// row is what is being read: where it stands, and whether anything was wrong with it.
type row struct {
	*report
	row, line int
	bad       bool
}

func (r *row) fail(column, hint, reason string, args ...any) {
	r.bad = true
	if r.Room() {
		r.Keep(RowError{Row: r.row, Line: r.line, Column: column, Reason: fmt.Sprintf(reason, args...), Hint: hint})
	}
}
