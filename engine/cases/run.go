package cases

import (
	"fmt"
	"slices"
	"strings"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules"
	"lintel/rules/doc"
)

// Failure is one thing that went otherwise than a case expects.
type Failure struct {
	Line   int    `json:"line"` // in the case file, from 1
	Column int    `json:"column"`
	Reason string `json:"reason"`
	Hint   string `json:"hint,omitempty"`
	// "- " expected and missing, "+ " there and not expected, " " there; further in: what came
	// nearest
	Diff []string `json:"diff,omitempty"`
}

// add adds a line to the difference.
func (f *Failure) add(mark, line string) {
	switch {
	case line == "":
	case mark == "":
		f.Diff = append(f.Diff, "      "+line)
	default:
		f.Diff = append(f.Diff, mark+" "+line)
	}
}

func (f *Failure) full() bool { return len(f.Diff) >= shown }

// maxFailures is how many failures of one case are reported.
const maxFailures = 20

// fail notes that something went otherwise. What it returns may be filled in until the next one.
func (w *world) fail(at place, message, hint string) *Failure {
	if len(w.failures) == maxFailures {
		w.stopped = true
		return &Failure{}
	}
	w.failures = append(w.failures, Failure{Line: at.line, Column: at.column, Reason: message, Hint: hint})
	return &w.failures[len(w.failures)-1]
}

func (w *world) stop(message, hint string) {
	w.fail(place{w.c.Line, w.c.Column}, message, hint)
	w.stopped = true
}

// Result is what became of one case.
type Result struct {
	Name     string    `json:"name"`
	Line     int       `json:"line"`
	Column   int       `json:"column"`
	Passed   bool      `json:"passed"`
	Failures []Failure `json:"failures,omitempty"`

	trace []string // all that happened, if the case has a trace
}

// Report is what became of a case file.
type Report struct {
	File        string           `json:"file"`
	Passed      int              `json:"passed"`
	Failed      int              `json:"failed"`
	Diagnostics []doc.Diagnostic `json:"diagnostics,omitempty"` // what is wrong with the file itself; then no case was run
	Results     []Result         `json:"results,omitempty"`
	Rules       []Coverage       `json:"rules,omitempty"` // those that are not off, in the order of the document
}

// Coverage says how many cases try a rule.
type Coverage struct {
	Rule   string `json:"rule"`
	Raised int    `json:"raised"` // cases that expect an alert of it
	Silent int    `json:"silent"` // cases that expect none, though they name it: in never, or in their rules
}

// OK reports whether the file is good and all its cases passed.
func (r *Report) OK() bool { return r.Failed == 0 && len(r.Diagnostics) == 0 }

// Run checks the names of rules in a case file and runs its cases, in their order, each in a shop
// of its own.
func Run(f *File, book *Book) *Report {
	rep := &Report{File: f.Name}
	if rep.Diagnostics = f.check(book); len(rep.Diagnostics) > 0 {
		return rep
	}
	for _, c := range f.Cases {
		res := c.run(book)
		if res.Passed {
			rep.Passed++
		} else {
			rep.Failed++
		}
		rep.Results = append(rep.Results, res)
	}
	rep.Rules = f.coverage(book)
	return rep
}

func (c *Case) run(book *Book) Result {
	res := Result{Name: c.Name, Line: c.Line, Column: c.Column}
	set, err := book.only(c.ruleNames())
	if err != nil {
		at := c.rules[0]
		res.Failures = []Failure{{Line: at.Line, Column: at.Column, Reason: err.Error()}}
		return res
	}
	w := newWorld(c, &engine.Config{Layout: c.layout, Catalog: c.products, Rules: set}, book.Stop)
	for _, s := range c.steps {
		if w.stopped {
			break
		}
		s.run(w)
	}
	if !w.stopped && c.trace != nil {
		w.checkTrace()
		res.trace = w.trace
	}
	if !w.stopped {
		w.unexpectedFailures()
	}
	res.Failures, res.Passed = w.failures, len(w.failures) == 0
	return res
}

// unexpectedFailures reports rules that failed while they ran where no expectation spoke of it:
// such a rule can't be trusted, whatever else came true.
func (w *world) unexpectedFailures() {
	for i := range w.happened {
		if h := &w.happened[i]; h.what == failed && !h.taken {
			w.fail(place{w.c.Line, w.c.Column}, fmt.Sprintf("the rule %s failed while it ran", h.alert.Rule), "").add("+", w.describe(h))
		}
	}
}

func (c *Case) ruleNames() []string {
	var names []string
	for _, n := range c.rules {
		names = append(names, n.Text)
	}
	return names
}

// patterns lists all that a case says of alerts.
func (c *Case) patterns() []*pattern {
	var all []*pattern
	for _, s := range c.steps {
		switch s := s.(type) {
		case *personStep:
			all = append(all, &s.which)
		case *expectStep:
			for _, l := range s.alerts {
				for i := range l.list {
					all = append(all, &l.list[i])
				}
			}
		}
	}
	return all
}

// coverage counts for each rule the cases for it and against it.
func (f *File) coverage(book *Book) []Coverage {
	raised, silent := make(map[string]int), make(map[string]int)
	for _, c := range f.Cases {
		expected, named := make(map[string]bool), make(map[string]bool)
		for _, n := range c.rules {
			named[n.Text] = true
		}
		for _, s := range c.steps {
			s, ok := s.(*expectStep)
			if !ok {
				continue
			}
			for _, l := range s.alerts {
				for i := range l.list {
					switch name := l.list[i].rule.Text; l.key {
					case "expect", "exactly", "open":
						expected[name] = true
					case "never":
						named[name] = true
					}
				}
			}
		}
		for _, r := range book.set.Rules() {
			if c.trace.opens(r.Name) {
				expected[r.Name] = true
			}
		}
		for name := range expected {
			raised[name]++
		}
		for name := range named {
			if !expected[name] {
				silent[name]++
			}
		}
	}
	var list []Coverage
	for _, r := range book.set.Rules() {
		if r.Mode != rules.ModeOff {
			list = append(list, Coverage{r.Name, raised[r.Name], silent[r.Name]})
		}
	}
	return list
}

// check looks whether the rules that the cases name are there, and whether what is said of an alert
// fits what its rule is about.
func (f *File) check(book *Book) []doc.Diagnostic {
	rep := report{doc.NewReport(f.Name, maxDiagnostics, f.text, nil)}
	var names []string
	for _, r := range book.set.Rules() {
		names = append(names, r.Name)
	}
	for _, c := range f.Cases {
		for _, n := range c.rules {
			if book.set.Rule(n.Text) == nil {
				rep.unknown(n, "there is no rule", names)
			}
		}
		for _, p := range c.patterns() {
			r := book.set.Rule(p.rule.Text)
			switch {
			case r == nil:
				rep.unknown(p.rule, "there is no rule", names)
			case c.rules != nil && !slices.Contains(c.ruleNames(), r.Name):
				rep.At(p.rule, fmt.Sprintf("the case does not switch %s on", r.Name), "add it to the case's rules: "+join(c.ruleNames()))
			default:
				p.check(rep, r)
			}
		}
	}
	return rep.List()
}

// check looks whether an alert of the rule can be about what the pattern says.
func (p *pattern) check(rep report, r *rules.Rule) {
	wrong, hint := "", ""
	switch {
	case len(p.items) > 0 && r.About != event.AboutItem:
		wrong = "item"
	case p.reader != "" && r.About != event.AboutReader:
		wrong = "reader"
	case p.count != "" && r.About != event.AboutCount:
		wrong = "count"
	case p.gtin != 0 && r.About != event.AboutItem && r.About != event.AboutStock:
		wrong = "product"
	case strings.HasPrefix(p.zone, "kind:") && r.About != event.AboutStock:
		wrong = "zone"
	}
	if wrong == "" {
		return
	}
	switch r.About {
	case event.AboutItem:
		hint = "name an item, a product or a zone"
	case event.AboutStock:
		hint = "name a product and a zone"
	case event.AboutReader:
		hint = "name a reader or a zone"
	case event.AboutZone:
		hint = "name a zone"
	case event.AboutCount:
		hint = "name a count"
	}
	about := map[string]string{event.AboutItem: "items", event.AboutStock: "stock", event.AboutReader: "read points",
		event.AboutCount: "counts", event.AboutZone: "zones"}[r.About]
	rep.At(p.node.Get(wrong), fmt.Sprintf("%s is about %s, so no alert of it has this %s", r.Name, about, wrong), hint)
}

// Known tells what a layout and products have, for warnings about rules that name something else.
// Either may be nil.
func Known(l *layout.Layout, c *catalog.Catalog) rules.Known {
	var known rules.Known
	if l != nil {
		known.Zones, known.ZoneKinds, known.Readers = []string{}, []string{}, []string{}
		known.SomeSites = []string{l.Site}
		for _, z := range l.Zones {
			known.Zones, known.ZoneKinds = append(known.Zones, z.ID), append(known.ZoneKinds, z.Kind.String())
		}
		for _, p := range l.ReadPoints {
			known.Readers = append(known.Readers, p.ID)
		}
	}
	if c != nil && c.Len() > 0 {
		known.Categories, known.Attributes = []string{}, []string{}
		for i := range c.Len() {
			p := c.At(i)
			if p.Category != "" {
				known.Categories = append(known.Categories, p.Category)
			}
			for name := range p.Attributes {
				known.Attributes = append(known.Attributes, name)
			}
		}
	}
	for _, list := range []*[]string{&known.Zones, &known.ZoneKinds, &known.Readers, &known.Categories, &known.Attributes} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
	return known
}
