package layout

import (
	"fmt"

	"lintel/engine/faults"
)

// Problem is one thing that is wrong with a layout.
type Problem struct {
	Path   string `json:"path"`           // where, for example zones[3].kind; empty: the document as a whole
	Reason string `json:"reason"`         // what is wrong
	Hint   string `json:"hint,omitempty"` // how to mend it, may be empty
}

// String returns the problem as one line.
func (p Problem) String() string { return faults.Line(p.Path, p.Reason, p.Hint) }

// Errors is what Parse returns for a bad layout: every problem, in the order of the document. Past 200 the rest is counted in a last one.
type Errors []Problem

const maxProblems = 200

// Error returns one line for each problem.
func (e Errors) Error() string { return faults.Lines("layout", e) }

// report collects what is wrong.
type report struct{ faults.List[Problem] }

func newReport() *report { return &report{faults.List[Problem]{Max: maxProblems}} }

func (r *report) add(path, hint, reason string, args ...any) {
	if r.Room() {
		r.Keep(Problem{Path: path, Reason: fmt.Sprintf(reason, args...), Hint: hint})
	}
}

// nearest is the hint that names what was probably meant, else the alternatives if they are few. It is not worked out once nobody will see it.
func (r *report) nearest(got string, names []string) string {
	if r.Full() {
		return ""
	}
	return faults.OneOf(got, names)
}

func (r *report) err() error {
	if len(r.Kept) == 0 {
		return nil
	}
	return Errors(r.All(func(more int) Problem {
		reason, hint := faults.Rest(more)
		return Problem{Reason: reason, Hint: hint}
	}))
}
