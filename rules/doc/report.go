package doc

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Report collects the problems of one document: the first Max of them, and the number of the rest.
type Report struct {
	File    string    // for messages, may be empty
	Doc     *Document // for paths and excerpts, may be nil
	Max     int
	Private bool // the document holds secrets: no line of it is shown

	row  int
	list []Diagnostic
	more int
	bad  bool
}

// NewReport begins the report on a document with the problem of its form, if there is one.
func NewReport(file string, limit int, d *Document, problem *Diagnostic) *Report {
	r := &Report{File: file, Doc: d, Max: limit}
	if problem != nil {
		r.Add(*problem)
	}
	return r
}

// Bad reports whether there was an error.
func (r *Report) Bad() bool { return r.bad }

// Len returns how many problems there are, with those that are not kept.
func (r *Report) Len() int { return len(r.list) + r.more }

// Full reports whether no further problem is kept, so that nobody works out what nobody will see.
func (r *Report) Full() bool { return len(r.list) >= r.Max }

// Add adds a problem. The file, the excerpt, the severity and the path are filled in where they are
// missing.
func (r *Report) Add(d Diagnostic) {
	if !r.Full() && d.File == "" && d.Path == "" && d.Line > 0 && r.Doc != nil && r.Doc.Root != nil {
		d.Path = r.Doc.Root.pathTo(nil, d.Line, d.Column)
	}
	r.add(d)
}

func (r *Report) add(d Diagnostic) {
	if d.Severity == "" {
		d.Severity = SeverityError
	}
	r.bad = r.bad || d.Severity == SeverityError
	if r.Full() {
		r.more++
		return
	}
	if d.File == "" {
		d.File = r.File
		if r.Doc != nil && d.Line > 0 && !r.Private {
			d.Source = r.Doc.source(d.Line)
		}
	}
	r.list = append(r.list, d)
}

// At adds a problem with a value of the document. The reason is a sentence of its own.
func (r *Report) At(n *Node, reason, hint string) { r.AddAt(n, Diagnostic{Reason: reason, Hint: hint}) }

// About adds a problem with a value of the document. The reason goes on where the path of the value
// ends: "is missing".
func (r *Report) About(n *Node, hint, reason string, args ...any) { r.about(n, "", hint, reason, args) }

func (r *Report) about(n *Node, name, hint, reason string, args []any) {
	if r.Full() {
		r.add(Diagnostic{})
		return
	}
	d := Diagnostic{Hint: hint, Reason: fmt.Sprintf(reason, args...), Path: r.PathOf(n), Row: r.row, subject: true}
	if name != "" {
		d.Path += member(d.Path != "", name)
	}
	if d.Path == "" && d.Row == 0 {
		d.Reason = "the document " + d.Reason
	}
	r.AddAt(n, d)
}

// AddAt is Add for a problem with a value of the document, which gives the place, the length and
// the path.
func (r *Report) AddAt(n *Node, d Diagnostic) {
	if r.Full() {
		r.add(d)
		return
	}
	d.Line, d.Column = n.Line, n.Column
	if d.Length == 0 && n.Kind == Scalar && !n.Style.Block() {
		if d.Length = max(1, utf8.RuneCountInString(n.Text)); n.Style.Quoted() {
			d.Length += 2
		}
	}
	d.Length = max(1, d.Length)
	if d.Path == "" {
		d.Path = r.PathOf(n)
	}
	r.add(d)
}

// CheckKeys reports the keys in and below a value that are no text or stand twice.
func (r *Report) CheckKeys(n *Node) {
	for _, item := range n.Items {
		r.CheckKeys(item)
	}
	seen := make(map[string]bool, len(n.Fields))
	for _, f := range n.Fields {
		r.CheckKeys(f.Key)
		switch {
		case f.Key.Kind != Scalar || f.Value == nil:
			r.At(f.Key, "a key must be a plain word", "")
			continue
		case seen[f.Key.Text]:
			r.At(f.Key, fmt.Sprintf("the key %q stands here twice", f.Key.Text), "")
			continue
		}
		seen[f.Key.Text] = true
		r.CheckKeys(f.Value)
	}
}

// Cell adds a problem with a table: of a row and line, each 0 if not known, and of a column, "" for
// the row as a whole.
func (r *Report) Cell(row, line int, column, hint, reason string, args ...any) {
	if r.Full() {
		r.add(Diagnostic{})
		return
	}
	r.add(Diagnostic{Row: row, Line: line, Path: column, Hint: hint, Reason: fmt.Sprintf(reason, args...), subject: true})
}

// InRow says that what follows is about a row of a long list, from 1; 0: about the list again.
func (r *Report) InRow(row int, n *Node) { r.row, r.Doc.Root = row, n }

// PathOf returns the way to a value of the document, such as zones[3].kind; of a row, from there.
func (r *Report) PathOf(n *Node) string {
	if r.Doc == nil || r.Doc.Root == nil {
		return ""
	}
	return r.Doc.Root.pathTo(n, n.Line, n.Column)
}

// List returns the problems in the order of the document: by file, those of this one first, and by
// place.
func (r *Report) List() Errors {
	slices.SortStableFunc(r.list, func(a, b Diagnostic) int {
		if a.File != b.File {
			return cmp.Compare(boolOf(a.File != r.File), boolOf(b.File != r.File))
		}
		return cmp.Or(a.Line-b.Line, a.Column-b.Column)
	})
	if r.more > 0 {
		last := Diagnostic{File: r.File, Severity: SeverityWarning,
			Reason: fmt.Sprintf("%d more problems are not shown", r.more), Hint: "fix these first", More: r.more}
		if r.bad {
			last.Severity = SeverityError
		}
		r.list, r.more = append(r.list, last), 0
	}
	return r.list
}

func boolOf(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Err returns the problems as an error of type Errors, nil if there is none.
func (r *Report) Err() error {
	if len(r.list) == 0 {
		return nil
	}
	return r.List()
}

// Clip shortens what a problem quotes.
func Clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

func index(i int) string { return fmt.Sprintf("[%d]", i) }

func member(inside bool, name string) string {
	if inside {
		return "." + Clip(name)
	}
	return Clip(name)
}

// Plural counts things in words: "1 rule", "2 rules".
func Plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
