package faults

import (
	"fmt"
	"strings"
)

// List keeps the first problems of a document and counts the rest. The zero value keeps none: set Max.
type List[P any] struct {
	Max  int
	Kept []P // in the order in which they were found
	More int // that were found past Max
}

// Full says that nobody will see what is found now.
func (l *List[P]) Full() bool { return len(l.Kept) >= l.Max }

// Room reports whether one more problem is to be kept; if not, it counts it. So nobody works out what nobody will see.
func (l *List[P]) Room() bool {
	if l.Full() {
		l.More++
		return false
	}
	return true
}

// Keep adds a problem that there is room for.
func (l *List[P]) Keep(p P) { l.Kept = append(l.Kept, p) }

// All returns the problems, and after them, if there are more than Max, what rest makes of the number of the others.
func (l *List[P]) All(rest func(more int) P) []P {
	if l.More == 0 {
		return l.Kept
	}
	return append(l.Kept, rest(l.More))
}

// Rest is what is said of the problems that are not shown.
func Rest(more int) (reason, hint string) {
	return fmt.Sprintf("%d more problems are not shown", more), "mend these first"
}

// Line is a problem on one line. An empty place is the document as a whole; the hint may be empty, too.
func Line(place, reason, hint string) string {
	s := reason
	if place != "" {
		s = place + ": " + s
	}
	if hint != "" {
		s += "; " + hint
	}
	return s
}

// Lines is all problems of a document after what it is, one line each.
func Lines[P fmt.Stringer](what string, list []P) string {
	lines := make([]string, len(list))
	for i, p := range list {
		lines[i] = p.String()
	}
	return what + ": " + strings.Join(lines, "\n\t")
}
