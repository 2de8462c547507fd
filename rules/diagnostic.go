package rules

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Severities of diagnostics. An error keeps the whole document from taking effect.
const (
	SeverityError   = "error"
	SeverityWarning = "warning"
)

// Diagnostic is one thing to mend in a rule document, with its place.
type Diagnostic struct {
	File     string `json:"file,omitempty"`
	Line     int    `json:"line"`             // from 1
	Column   int    `json:"column"`           // in characters, from 1
	Length   int    `json:"length,omitempty"` // characters that are meant, on this line
	Severity string `json:"severity"`         // error or warning
	Rule     string `json:"rule,omitempty"`   // the rule's name, where it has one
	Message  string `json:"message"`
	Source   string `json:"source,omitempty"` // the line of text
	Hint     string `json:"hint,omitempty"`   // how to mend it
}

// maxSourceShown keeps a diagnostic readable when a line is very long.
const maxSourceShown = 160

// maxSourceKept is the longest line, in bytes, that a diagnostic carries.
const maxSourceKept = 8 << 10

// String returns "FILE:LINE:COLUMN: message", then the line of text, a caret under the place, and the hint.
func (d Diagnostic) String() string {
	var b strings.Builder
	if d.File != "" {
		b.WriteString(d.File + ":")
	}
	fmt.Fprintf(&b, "%d:%d: ", d.Line, d.Column)
	if d.Severity == SeverityWarning {
		b.WriteString("warning: ")
	}
	b.WriteString(d.Message)
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

// maxDiagnostics is how many a document gets before the rest is only counted.
const maxDiagnostics = 200

// report collects diagnostics of one document.
type report struct {
	file  string
	lines []string
	list  []Diagnostic
	more  int
	bad   bool // there was an error
}

func (r *report) add(d Diagnostic) {
	if d.Severity == "" {
		d.Severity = SeverityError
	}
	if d.Severity == SeverityError {
		r.bad = true
	}
	if len(r.list) == maxDiagnostics {
		r.more++
		return
	}
	d.File = r.file
	if d.Line >= 1 && d.Line <= len(r.lines) {
		if line := strings.TrimRight(r.lines[d.Line-1], " \t"); len(line) <= maxSourceKept {
			d.Source = line
		}
	}
	r.list = append(r.list, d)
}

// done returns the diagnostics in the order of the document.
func (r *report) done() []Diagnostic {
	slices.SortStableFunc(r.list, func(a, b Diagnostic) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if r.more > 0 {
		last := r.list[len(r.list)-1]
		severity := SeverityWarning
		if r.bad {
			severity = SeverityError
		}
		r.list = append(r.list, Diagnostic{File: r.file, Line: last.Line, Column: 1, Severity: severity,
			Message: fmt.Sprintf("%d more problems are not shown", r.more)})
		r.more = 0
	}
	return r.list
}
