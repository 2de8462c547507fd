package catalog

import "lintel/rules/doc"

// row is the product that is being read: where it stands, and whether anything was wrong with it.
type row struct {
	*doc.Report
	number int       // from 1; 0: the file as a whole or its header
	line   int       // of a table
	node   *doc.Node // of a document: the value that is being read
	bad    bool
}

// fail reports what is wrong with a column of a table, or with the value of a document that is
// being read.
func (r *row) fail(column, hint, reason string, args ...any) {
	r.bad = true
	if r.node != nil {
		r.About(r.node, hint, reason, args...)
		return
	}
	r.Cell(r.number, r.line, column, hint, reason, args...)
}
