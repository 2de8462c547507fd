package layout

import (
	"fmt"
	"strings"
)

// Problem is one thing that is wrong with a layout.
type Problem struct {
	Path   string `json:"path"`           // where, for example zones[3].kind; empty: the document as a whole
	Reason string `json:"reason"`         // what is wrong
	Hint   string `json:"hint,omitempty"` // how to mend it, may be empty
}

// String returns the problem as one line.
func (p Problem) String() string {
	s := p.Reason
	if p.Path != "" {
		s = p.Path + ": " + s
	}
	if p.Hint != "" {
		s += "; " + p.Hint
	}
	return s
}

// Errors is what Parse returns for a bad layout: every problem, in the order of the document. Past 200 the rest is counted in a last one.
type Errors []Problem

const maxProblems = 200

// Error returns one line for each problem.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, p := range e {
		lines[i] = p.String()
	}
	return "layout: " + strings.Join(lines, "\n\t")
}

// problems collects.
type problems struct {
	list Errors
	more int
}

func (p *problems) add(path, hint, reason string, args ...any) {
	if len(p.list) == maxProblems {
		p.more++
		return
	}
	p.list = append(p.list, Problem{Path: path, Reason: fmt.Sprintf(reason, args...), Hint: hint})
}

func (p *problems) full() bool { return len(p.list) == maxProblems }

// nearest is the hint that names what was probably meant, else the alternatives if they are few. It is not worked out once nobody will see it.
func (p *problems) nearest(got string, names []string) string {
	if p.full() {
		return ""
	}
	if near := Nearest(got, names); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	if len(names) > 0 && len(names) <= 12 {
		return "use one of " + strings.Join(names, ", ")
	}
	return ""
}

func (p *problems) err() error {
	if p.more > 0 {
		p.list = append(p.list, Problem{Reason: fmt.Sprintf("%d more problems are not shown", p.more), Hint: "mend these first"})
	}
	if len(p.list) == 0 {
		return nil
	}
	return p.list
}
