package cases

import (
	"fmt"
	"slices"
	"strings"

	"lintel/rules/doc"
)

// maxDiagnostics is how many problems a document gets before the rest is only counted.
const maxDiagnostics = 100

// report collects what is wrong with one document.
type report struct{ *doc.Report }

// unknown adds that a word is not one of those that may stand there.
func (r report) unknown(n *doc.Node, what string, names []string) {
	hint := ""
	// Of words equally close the first wins: those with the same first letter, which people seldom
	// get wrong.
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
	switch {
	case len(names) == 1:
		hint = "there is " + names[0]
	case len(names) > 0 && len(names) <= 24:
		hint = "there are " + strings.Join(names, ", ")
	}
	r.At(n, fmt.Sprintf("%s %q", what, n.Text), doc.Suggest(n.Text, likely, hint))
}

// read turns a document into nodes, and reports a problem with its form or its keys.
func read(name string, src []byte) report {
	d, problem := doc.YAML(src, doc.Options{
		MaxBytes: MaxDocument,
		Unit:     "case",
		TooLarge: "split it into several files",
		Keys:     "begin each case and each step with -",
		Tag:      "put the value in quotes if it is text",
		Empty:    "write cases: and a list of cases below it",
		Syntax:   syntaxHint,
	})
	r := report{doc.NewReport(name, maxDiagnostics, d, problem)}
	if d.Root != nil {
		r.CheckKeys(d.Root)
	}
	return r
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
