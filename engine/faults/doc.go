// Package faults is how the readers of documents say what is wrong: every problem up to a bound and the number of the rest, each on one line as place, reason and how to mend
// it, with the name that was probably meant.
//
//	zones[3].kind: "shlef" is not a kind; did you mean "shelf"?
//
// What a problem holds, and what its place is, is each reader's own.
package faults
