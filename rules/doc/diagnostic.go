package doc

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Severities of diagnostics. An error keeps the whole document from taking effect.
const (
	SeverityError   = "error"
	SeverityWarning = "warning"
)

// Diagnostic is one thing to fix in a document, with its place. Its text is for people; programs
// branch on none of it.
type Diagnostic struct {
	File     string `json:"file,omitempty"`
	Path     string `json:"path,omitempty"`   // zones[3].kind, or the column of a table; empty: the whole document or row
	Row      int    `json:"row,omitempty"`    // of a table or list of products, from 1; its paths begin there
	Line     int    `json:"line,omitempty"`   // from 1; 0: not known
	Column   int    `json:"column,omitempty"` // in characters, from 1; 0: not known
	Length   int    `json:"length,omitempty"` // characters that are meant, on this line
	Severity string `json:"severity"`         // error or warning
	Rule     string `json:"rule,omitempty"`   // the rule's name, where it has one
	Reason   string `json:"reason"`           // what is wrong
	Source   string `json:"source,omitempty"` // the line of text
	Hint     string `json:"hint,omitempty"`   // how to fix it
	More     int    `json:"more,omitempty"`   // in the last one: how many more there are and not shown

	subject bool // the reason is a sentence whose subject is the path
}

// maxSourceShown keeps a diagnostic readable when a line is very long.
const maxSourceShown = 160

// String returns "FILE:LINE:COLUMN: reason", then the line of text, a caret under the place, and
// the hint.
func (d Diagnostic) String() string {
	var b strings.Builder
	if d.File != "" {
		b.WriteString(d.File + ":")
	}
	if d.Column > 0 {
		fmt.Fprintf(&b, "%d:%d: ", d.Line, d.Column)
	} else if d.Line > 0 {
		fmt.Fprintf(&b, "%d: ", d.Line)
	} else if d.File != "" {
		b.WriteByte(' ')
	}
	if d.Severity == SeverityWarning {
		b.WriteString("warning: ")
	}
	if d.Row > 0 {
		fmt.Fprintf(&b, "row %d: ", d.Row)
	}
	if d.Path != "" && (d.subject || d.Line == 0) {
		b.WriteString(d.Path + ": ")
	}
	b.WriteString(d.Reason)
	if d.Source != "" {
		line, column := window(d.Source, d.Column)
		b.WriteString("\n    " + line + "\n    ")
		n := 1
		for _, r := range line {
			if n == column {
				break
			}
			if r != '\t' {
				r = ' '
			}
			b.WriteRune(r)
			n++
		}
		left := max(1, utf8.RuneCountInString(line)-column+1)
		b.WriteString(strings.Repeat("^", min(max(1, d.Length), left)))
	}
	if d.Hint != "" {
		b.WriteString("\n    " + d.Hint)
	}
	return b.String()
}

// Summary returns the diagnostic as one line, without the file: "row 3, line 12, price: reason;
// hint".
func (d Diagnostic) Summary() string {
	var where []string
	if d.Row > 0 {
		where = append(where, fmt.Sprintf("row %d", d.Row))
	}
	if d.Line > 0 && (d.Row > 0 || d.Path == "" || d.Column == 0) {
		where = append(where, fmt.Sprintf("line %d", d.Line))
		if d.Column > 0 && d.Row == 0 {
			where = append(where, fmt.Sprintf("column %d", d.Column))
		}
	}
	if d.Path != "" {
		where = append(where, d.Path)
	}
	s := d.Reason
	if len(where) > 0 {
		s = strings.Join(where, ", ") + ": " + s
	}
	if d.Hint != "" {
		s += "; " + d.Hint
	}
	return s
}

// window cuts a long line around the column.
func window(line string, column int) (string, int) {
	runes := []rune(line)
	if len(runes) <= maxSourceShown {
		return line, column
	}
	from := max(0, min(column-1-maxSourceShown/2, len(runes)-maxSourceShown))
	cut := string(runes[from : from+maxSourceShown])
	if from > 0 {
		cut, column = "..."+cut, column+3
	}
	if from+maxSourceShown < len(runes) {
		cut += "..."
	}
	return cut, column - from
}

// Errors are the problems of a document that can't be taken, in its order. Past the limit of its
// Report the rest is counted in a last one.
type Errors []Diagnostic

// Error returns one line for each problem.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Summary()
	}
	return strings.Join(lines, "\n\t")
}

// Count returns how many problems there are, with those that are not shown.
func (e Errors) Count() int {
	if len(e) == 0 {
		return 0
	}
	if more := e[len(e)-1].More; more > 0 {
		return len(e) - 1 + more
	}
	return len(e)
}

// Print writes each problem for people, as String does, with the name of the file that they are in.
func (e Errors) Print(w io.Writer, file string) {
	for _, d := range e {
		d.File = file
		fmt.Fprintln(w, d)
	}
}
