package quality

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Book counts the alerts of any number of rules in a range of weeks. It is not safe for concurrent
// use.
type Book struct {
	span     Span
	from, to int64
	rules    map[string]map[cell]*entry
}

// cell is what is counted apart within a rule.
type cell struct {
	week   Week
	digest string
	watch  bool
}

type entry struct {
	tally       Tally
	first, last int64 // when the first and the last alert opened
}

// NewBook returns an empty book.
func NewBook(span Span) *Book {
	b := &Book{span: span, rules: make(map[string]map[cell]*entry)}
	b.from, b.to = span.Around()
	return b
}

// Span returns the weeks of the book.
func (b *Book) Span() Span { return b.span }

// Add counts an alert of a site whose wall clock is loc, if it opened in one of the book's weeks;
// else it returns false. The book keeps a.Rule and a.Digest.
func (b *Book) Add(a *Alert, loc *time.Location) bool {
	if a.Opened < b.from || a.Opened >= b.to {
		return false
	}
	week := WeekOf(time.UnixMilli(a.Opened).In(loc))
	if !b.span.Contains(week) {
		return false
	}
	e := b.entry(a.Rule, cell{week, a.Digest, a.Watch})
	e.tally.Add(a)
	e.seen(a.Opened, a.Opened)
	return true
}

func (b *Book) entry(rule string, c cell) *entry {
	cells := b.rules[rule]
	if cells == nil {
		cells = make(map[cell]*entry)
		b.rules[rule] = cells
	}
	e := cells[c]
	if e == nil {
		e = new(entry)
		cells[c] = e
	}
	return e
}

func (e *entry) seen(first, last int64) {
	if e.first == 0 || first < e.first {
		e.first = first
	}
	e.last = max(e.last, last)
}

// Merge adds all of o, which must be of the same weeks.
func (b *Book) Merge(o *Book) {
	for rule, cells := range o.rules {
		for c, from := range cells {
			e := b.entry(rule, c)
			e.tally.Merge(&from.tally)
			e.seen(from.first, from.last)
		}
	}
}

// Has reports whether anything of the rule was counted.
func (b *Book) Has(rule string) bool { return len(b.rules[rule]) > 0 }

// Sides are the alerts that were notified and those of a time when the rule was only watched.
type Sides struct {
	Told    Tally
	Watched Tally
}

func (s *Sides) side(watch bool) *Tally {
	if watch {
		return &s.Watched
	}
	return &s.Told
}

// Report is what is known of one rule.
type Report struct {
	Rule string
	Sides
	Weeks    []WeekReport    // every week of the book, oldest first
	Versions []VersionReport // oldest first, by the first alert of each
}

// WeekReport is one week of a rule.
type WeekReport struct {
	Week Week
	Sides
}

// VersionReport is one version of a rule.
type VersionReport struct {
	Digest      string
	Watch       bool
	First, Last int64 // when its first and its last alert in the book's weeks opened, Unix milliseconds
	Tally       Tally
}

// Report returns what is known of a rule. A rule of which nothing was counted has empty weeks and
// no versions.
func (b *Book) Report(rule string) *Report {
	r := &Report{Rule: rule}
	index := make(map[Week]int)
	for i, w := range b.span.Each() {
		index[w] = i
		r.Weeks = append(r.Weeks, WeekReport{Week: w})
	}
	type version struct {
		digest string
		watch  bool
	}
	versions := make(map[version]*entry)
	for c, e := range b.rules[rule] {
		r.side(c.watch).Merge(&e.tally)
		r.Weeks[index[c.week]].side(c.watch).Merge(&e.tally)
		v := versions[version{c.digest, c.watch}]
		if v == nil {
			v = new(entry)
			versions[version{c.digest, c.watch}] = v
		}
		v.tally.Merge(&e.tally)
		v.seen(e.first, e.last)
	}
	for v, e := range versions {
		r.Versions = append(r.Versions, VersionReport{Digest: v.digest, Watch: v.watch, First: e.first, Last: e.last, Tally: e.tally})
	}
	slices.SortFunc(r.Versions, func(a, b VersionReport) int {
		return cmp.Or(cmp.Compare(a.First, b.First), cmp.Compare(a.Last, b.Last), strings.Compare(a.Digest, b.Digest))
	})
	return r
}

// Summary is one rule in a list of rules.
type Summary struct {
	Rule string
	Sides
}

// Noisiest lists the rules, those that people heard most of first, then those that were watched,
// then by name. names are rules that are listed even if nothing of them was counted.
func (b *Book) Noisiest(names ...string) []Summary {
	list := make([]Summary, 0, len(b.rules))
	for rule, cells := range b.rules {
		s := Summary{Rule: rule}
		for c, e := range cells {
			s.side(c.watch).Merge(&e.tally)
		}
		list = append(list, s)
	}
	listed := make(map[string]bool)
	for _, name := range names {
		if !b.Has(name) && !listed[name] {
			listed[name] = true
			list = append(list, Summary{Rule: name})
		}
	}
	slices.SortFunc(list, func(x, y Summary) int {
		return cmp.Or(cmp.Compare(y.Told.Fired, x.Told.Fired), cmp.Compare(y.Watched.Fired, x.Watched.Fired),
			strings.Compare(x.Rule, y.Rule))
	})
	return list
}
