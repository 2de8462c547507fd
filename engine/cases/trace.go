package cases

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/rules/doc"
)

// maxTrace is how many lines of one trace are written; the rest is counted.
const maxTrace = 2000

// trace is the section of a case that says all that happens in it.
type trace struct {
	key   *doc.Node
	lines []string
}

// trace reads the section; where there is nothing in it, it is still to be written.
func (p *reader) trace(n *doc.Node) *trace {
	for _, f := range n.Fields {
		if f.Key.Text != "trace" {
			continue
		}
		first := n.Fields[0].Key
		switch v := f.Value; {
		case n.Line != first.Line || n.Column != first.Column:
			p.At(f.Key, "a case in braces has no trace", "write each key of the case on a line of its own")
		case v.Kind != doc.Empty && v.Style != doc.Literal:
			p.At(v, "trace is not a text behind |", "write trace: and nothing behind it; lintel check --rewrite fills it in")
		default:
			return &trace{key: f.Key, lines: textLines(v.Text)}
		}
	}
	return nil
}

// opens reports whether an alert of a rule opens in the trace.
func (t *trace) opens(rule string) bool {
	return t != nil && slices.ContainsFunc(t.lines, func(line string) bool { return strings.Contains(line+" ", "  "+rule+" opened ") })
}

// textLines splits a text into lines without blanks at their ends, and without empty lines at its
// end.
func textLines(text string) (lines []string) {
	for line := range strings.Lines(strings.TrimRight(text, " \r\n")) {
		lines = append(lines, strings.TrimRight(line, " \r\n"))
	}
	return lines
}

// record adds what came of an entry to the trace.
func (w *world) record(b *engine.Batch, changes []happening) {
	if w.c.trace == nil {
		return
	}
	add := func(ms int64, words string) {
		if w.traced++; w.traced <= maxTrace {
			w.trace = append(w.trace, fmt.Sprintf("%-12s  %s", w.clock(ms), strings.Join(strings.Fields(words), " ")))
		}
	}
	for i := range b.Facts {
		f := &b.Facts[i]
		switch f.Cause.Subject() {
		case event.AboutItem:
			add(f.Ms, w.name(f.Key, f.Text)+" "+factWords(f))
		case event.AboutStock:
			add(f.Ms, fmt.Sprintf("%s stock %s: %d", w.c.product(f.GTIN), f.Zone, f.Count))
		case event.AboutReader:
			add(f.Ms, f.Point+" "+f.Cause.String())
		case event.AboutCount:
			if f.Cause != event.Counted {
				add(f.Ms, f.Zone+" "+f.Cause.String())
				continue
			}
			add(f.Ms, fmt.Sprintf("%s counted: %d found, %d of %d missing, %d unexpected", w.countName(f.Ref), f.Count, f.MissingItems,
				f.Expected, f.Unexpected))
		}
	}
	for i := range changes {
		add(changes[i].at, w.subject(&changes[i]))
	}
}

// checkTrace holds all that happened against the trace of the case.
func (w *world) checkTrace() {
	if w.traced > maxTrace {
		w.trace = append(w.trace, fmt.Sprintf("and %d more", w.traced-maxTrace))
	}
	if w.traced == 0 {
		w.trace = []string{"nothing happens"}
	}
	want, had := w.c.trace.lines, w.trace
	if slices.Equal(want, had) {
		return
	}
	f := w.fail(placeOf(w.c.trace.key), "the trace is not what happened",
		"if what happened is right, lintel check --rewrite writes it into the file")
	same := 0
	for same < len(want) && same < len(had) && want[same] == had[same] {
		same++
	}
	for len(want) > same && len(had) > same && want[len(want)-1] == had[len(had)-1] {
		want, had = want[:len(want)-1], had[:len(had)-1]
	}
	if same > 0 {
		f.add(" ", want[same-1])
	}
	f.list("-", want[same:])
	f.list("+", had[same:])
}

// list adds lines to the difference, as many as are shown.
func (f *Failure) list(mark string, lines []string) {
	for i, line := range lines {
		if i == shown/2 {
			f.add(mark, fmt.Sprintf("and %d lines more", len(lines)-i))
			return
		}
		f.add(mark, line)
	}
}

// rewrite returns a case file in which the trace of each case is what happened when it ran.
func (f *File) rewrite(src []byte, rep *Report) []byte {
	lines, end := bytes.SplitAfter(src, []byte("\n")), "\n"
	if bytes.Contains(src, []byte("\r\n")) {
		end = "\r\n"
	}
	for i := len(rep.Results) - 1; i >= 0; i-- { // from the end, so that the places of those before stay
		t := f.Cases[i].trace
		if t == nil || rep.Results[i].trace == nil {
			continue
		}
		head := bytes.TrimRight(lines[t.key.Line-1], "\r\n")
		before, mark, _ := bytes.Cut(head[t.key.Column-1:], []byte(":"))
		head = slices.Concat(head[:t.key.Column-1], before, []byte(": |"))
		if comment := bytes.Index(mark, []byte(" #")); comment >= 0 {
			head = append(head, mark[comment:]...)
		}
		section := [][]byte{append(head, end...)}
		for _, line := range rep.Results[i].trace {
			section = append(section, []byte(strings.Repeat(" ", t.key.Column+1)+line+end))
		}
		last := t.key.Line
		for next := last; next < len(lines); next++ {
			text := bytes.TrimRight(lines[next], " \r\n")
			if indent := len(text) - len(bytes.TrimLeft(text, " ")); len(text) > 0 && indent < t.key.Column {
				break
			} else if len(text) > 0 {
				last = next + 1
			}
		}
		lines = slices.Replace(lines, t.key.Line-1, last, section...)
	}
	return bytes.Join(lines, nil)
}
