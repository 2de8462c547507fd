package cases

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"lintel/engine/faults"
	"lintel/rules"
	"lintel/rules/yamldoc"
)

// maxDiagnostics is how many problems a document gets before the rest is only counted.
const maxDiagnostics = 100

// report collects what is wrong with one document.
type report struct {
	file  string
	lines []string
	list  []rules.Diagnostic
	more  int
}

func (r *report) add(d rules.Diagnostic) {
	if len(r.list) == maxDiagnostics {
		r.more++
		return
	}
	d.File, d.Severity = r.file, rules.SeverityError
	d.Line, d.Column = max(1, d.Line), max(1, d.Column)
	if d.Line <= len(r.lines) {
		if line := strings.TrimRight(r.lines[d.Line-1], " \t"); len(line) <= yamldoc.MaxLine {
			d.Source = line
		}
	}
	r.list = append(r.list, d)
}

// at adds a problem with a value of the document.
func (r *report) at(n *yamldoc.Node, message, hint string) {
	length := 1
	if n.Kind == yamldoc.Scalar && !n.Style.Block() {
		length = max(1, utf8.RuneCountInString(n.Text))
		if n.Style.Quoted() {
			length += 2
		}
	}
	r.add(rules.Diagnostic{Line: n.Line, Column: n.Column, Length: length, Message: message, Hint: hint})
}

// unknown adds that a word is not one of those that may stand there.
func (r *report) unknown(n *yamldoc.Node, what string, names []string) {
	hint := ""
	// Of words equally close the first wins: those with the same first letter, which people seldom get wrong.
	likely := slices.Clone(names)
	slices.SortStableFunc(likely, func(a, b string) int {
		first := func(name string) int {
			if n.Text != "" && name != "" && name[0] == n.Text[0] {
				return 0
			}
			return 1
		}
		return first(a) - first(b)
	})
	if near := faults.Nearest(n.Text, likely); near != "" {
		hint = "did you mean " + near + "?"
	} else if len(names) > 0 && len(names) <= 24 {
		hint = "there are " + strings.Join(names, ", ")
		if len(names) == 1 {
			hint = "there is " + names[0]
		}
	}
	r.at(n, fmt.Sprintf("%s %q", what, n.Text), hint)
}

// done returns the problems in the order of the document.
func (r *report) done() []rules.Diagnostic {
	slices.SortStableFunc(r.list, func(a, b rules.Diagnostic) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if r.more > 0 {
		r.list = append(r.list, rules.Diagnostic{
			File: r.file, Line: r.list[len(r.list)-1].Line, Column: 1, Severity: rules.SeverityError, Message: fmt.Sprintf("%d more problems are not shown", r.more),
		})
		r.more = 0
	}
	return r.list
}

// read turns a document into nodes, nil after a problem with its form or its keys.
func (r *report) read(src []byte) *yamldoc.Node {
	doc, problem := yamldoc.Read(src, yamldoc.Options{
		MaxBytes: MaxDocument,
		Unit:     "case",
		TooLarge: "split it into several files",
		Keys:     "begin each case and each step with -",
		Tag:      "put the value in quotes if it is text",
		Empty:    "write cases: and a list of cases below it",
		Syntax:   syntaxHint,
	})
	r.lines = doc.Lines
	if problem != nil {
		r.add(rules.Diagnostic{Line: problem.Line, Column: problem.Column, Length: problem.Length, Message: problem.Message, Hint: problem.Hint})
		return nil
	}
	if r.keys(doc.Root); len(r.list) > 0 {
		return nil
	}
	return doc.Root
}

// syntaxHint guesses from the line what was meant.
func syntaxHint(line string) string {
	_, value, isKey := strings.Cut(line, ":")
	value = strings.TrimSpace(value)
	switch {
	case strings.HasPrefix(strings.TrimLeft(line, " "), "\t"):
		return "indent with blanks, not tabs"
	case isKey && (strings.IndexAny(value, "\"'[{!%&*@`") == 0 || strings.Contains(value, ": ")):
		return `put a text that holds ": ", or begins with a quote, a bracket or a mark, in quotes`
	}
	return "keys that belong together begin in the same column"
}

// keys reports the keys in and below n that are no text or stand twice.
func (r *report) keys(n *yamldoc.Node) {
	for _, item := range n.Items {
		r.keys(item)
	}
	seen := make(map[string]bool, len(n.Fields))
	for _, f := range n.Fields {
		r.keys(f.Key)
		switch {
		case f.Key.Kind != yamldoc.Scalar || f.Value == nil:
			r.at(f.Key, "a key must be a plain word", "")
			continue
		case seen[f.Key.Text]:
			r.at(f.Key, fmt.Sprintf("the key %q stands here twice", f.Key.Text), "")
			continue
		}
		seen[f.Key.Text] = true
		r.keys(f.Value)
	}
}
