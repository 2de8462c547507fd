package cases

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strings"

	"lintel/rules"
	"lintel/rules/doc"
)

// Beside returns the name of the case file that belongs to a rules file: rules_cases.yaml beside
// rules.yaml.
func Beside(rulesFile string) string {
	ext := path.Ext(rulesFile)
	return strings.TrimSuffix(rulesFile, ext) + "_cases" + ext
}

// maxFile bounds what a case file can make us read.
const maxFile = 64 << 20

// ReadFile is os.ReadFile for Context, with a bound on the size of what is read.
func ReadFile(name string) ([]byte, error) {
	info, err := os.Stat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s", name)
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no file", name)
	case info.Size() > maxFile:
		return nil, fmt.Errorf("%s has %d bytes; at most %d are allowed", name, info.Size(), maxFile)
	}
	return os.ReadFile(name)
}

// RunFile runs the cases of a file on the rules of another; casesFile "" is the one beside it. The
// error is about reading them; what is wrong with the cases is in the report.
func RunFile(rulesFile, casesFile string, ctx Context) (*Report, error) {
	src, err := ReadFile(rulesFile)
	if err != nil {
		return nil, err
	}
	book, diagnostics := NewBook(rulesFile, src, rules.Known{})
	if book == nil {
		return nil, fmt.Errorf("the rules have errors:\n%s", diagnostics[0])
	}
	if casesFile == "" {
		casesFile = Beside(rulesFile)
	}
	return book.RunFile(casesFile, ctx)
}

// RunFile runs the cases of a file; Context.ReadFile may be nil. The error is about reading and
// writing it.
func (b *Book) RunFile(name string, ctx Context) (*Report, error) {
	if ctx.ReadFile == nil {
		ctx.ReadFile = ReadFile
	}
	src, err := ReadFile(name)
	if err != nil {
		return nil, err
	}
	f, bad := Parse(name, src, ctx)
	if f == nil {
		return &Report{File: name, Diagnostics: bad}, nil
	}
	rep := Run(f, b)
	if !ctx.Rewrite {
		return rep, nil
	}
	text := f.rewrite(src, rep)
	if f, bad = Parse(name, text, ctx); f == nil {
		return &Report{File: name, Diagnostics: bad}, nil // and the file stays as it is
	}
	if !bytes.Equal(text, src) {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			return nil, err
		}
	}
	return Run(f, b), nil
}

// T is what Test needs of *testing.T.
type T[Self any] interface {
	Helper()
	Fatalf(format string, args ...any)
	Errorf(format string, args ...any)
	Run(name string, test func(Self)) bool
}

// Test runs the cases of files as subtests, each case one, and returns the reports. Without case
// files it runs the one beside the rules:
//
//	cases.Test(t, "../rules/starter.yaml")
func Test[Self T[Self]](t Self, rulesFile string, casesFiles ...string) []*Report {
	t.Helper()
	if len(casesFiles) == 0 {
		casesFiles = []string{Beside(rulesFile)}
	}
	var reports []*Report
	for _, name := range casesFiles {
		rep, err := RunFile(rulesFile, name, Context{})
		if err != nil {
			t.Fatalf("%v", err)
		}
		for _, d := range rep.Diagnostics {
			t.Errorf("%s", d)
		}
		for i := range rep.Results {
			res := &rep.Results[i]
			t.Run(res.Name, func(t Self) {
				t.Helper()
				for k := range res.Failures {
					t.Errorf("%s", res.Text(rep.File, k))
				}
			})
		}
		reports = append(reports, rep)
	}
	return reports
}

// Text writes one failure for people: FILE:LINE:COL: case "name": message, the difference, and how
// to mend it.
func (r *Result) Text(file string, failure int) string {
	f := &r.Failures[failure]
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: case %q: %s", file, f.Line, f.Column, r.Name, f.Reason)
	for _, line := range f.Diff {
		b.WriteString("\n    " + line)
	}
	if f.Hint != "" {
		b.WriteString("\n    " + f.Hint)
	}
	return b.String()
}

// String writes the report for people, a line at least.
func (r *Report) String() string {
	var b strings.Builder
	for _, d := range r.Diagnostics {
		fmt.Fprintln(&b, d)
	}
	for i := range r.Results {
		for k := range r.Results[i].Failures {
			fmt.Fprintln(&b, r.Results[i].Text(r.File, k))
		}
	}
	switch n := r.Passed + r.Failed; {
	case len(r.Diagnostics) > 0:
		fmt.Fprintf(&b, "%s: no case was run\n", r.File)
	case r.Failed > 0:
		fmt.Fprintf(&b, "%s: %d of %s failed\n", r.File, r.Failed, doc.Plural(n, "case"))
	default:
		fmt.Fprintf(&b, "%s: %s, all good\n", r.File, doc.Plural(n, "case"))
	}
	var untried []string
	for _, c := range r.Rules {
		if c.Raised == 0 {
			untried = append(untried, c.Rule)
		}
	}
	if len(untried) > 0 {
		fmt.Fprintf(&b, "%s: no case expects an alert of %s\n", r.File, join(untried))
	}
	return b.String()
}
