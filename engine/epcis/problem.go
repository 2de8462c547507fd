package epcis

import (
	"fmt"
	"strings"

	"lintel/rules/doc"
)

// Problem is one thing that is wrong with a document.
type Problem struct {
	Pointer string `json:"pointer"`        // JSON pointer (RFC 6901) to the place; "": the whole
	Event   int    `json:"event"`          // index of the event that it is in; -1: none
	Reason  string `json:"reason"`         // what is wrong
	Hint    string `json:"hint,omitempty"` // how to mend it, may be empty
}

// String returns the problem as one line.
func (p Problem) String() string {
	return doc.Diagnostic{Path: p.Pointer, Reason: p.Reason, Hint: p.Hint}.Summary()
}

// Errors are all problems of a document, in its order. Past 200 the rest is counted in a last one.
type Errors []Problem

const maxProblems = 200

// Error returns one line for each problem.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, p := range e {
		lines[i] = p.String()
	}
	return "EPCIS: " + strings.Join(lines, "\n\t")
}

// LimitError says that a document is larger than the receiver takes.
type LimitError struct {
	What  string // "bytes", "levels of nesting", "events" or "identities"
	Limit int
}

// Error says which limit it is, and how to mend it.
func (e *LimitError) Error() string {
	if e.What == "levels of nesting" {
		return fmt.Sprintf("EPCIS: the document has more than %d levels of nesting", e.Limit)
	}
	return fmt.Sprintf("EPCIS: the document has more than %d %s; send it in several parts", e.Limit, e.What)
}

// shown quotes a value for an error, cut short.
func shown(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
