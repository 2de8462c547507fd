package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"lintel/rules/doc"
)

// Set is the compiled rules of one document. It is read-only and may be shared by goroutines;
// evaluate through an Evaluator each.
type Set struct {
	rules []*Rule
	slots []slot
	index map[string]*subjectIndex
	storm Limit
	given *paramSet

	doc   *Document
	known Known

	mu     sync.Mutex
	bySite map[string]*Set // of sites that set params for themselves, made when they are first asked for
}

// Rules returns the rules in the order of the document, those that are off included. The slice is
// not to be changed.
func (s *Set) Rules() []*Rule { return s.rules }

// Rule finds a rule by its name, nil if there is none.
func (s *Set) Rule(name string) *Rule {
	for _, r := range s.rules {
		if r.Name == name {
			return r
		}
	}
	return nil
}

// Params returns the params of the document, in its order. The slice and what it holds are not to
// be changed.
func (s *Set) Params() []*Param { return s.given.list }

// LimitOf returns how many alerts of the rule are told in which time: its own limit, or the
// document's.
func (s *Set) LimitOf(r *Rule) Limit {
	if r.Limit.N > 0 {
		return r.Limit
	}
	return s.storm
}

// ForSite returns the set with the values that the site sets for params; the set itself if it sets
// none. It is always the same set for the same site.
func (s *Set) ForSite(site string) *Set {
	if site == s.known.Site || !slices.ContainsFunc(s.given.list, func(p *Param) bool { _, ok := p.Sites[site]; return ok }) {
		return s
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if own := s.bySite[site]; own != nil {
		return own
	}
	known := s.known
	known.Site = site
	own, _ := Compile(s.doc, known)
	if own == nil {
		own = s // cannot be: Compile tried the values of every site
	}
	if s.bySite == nil {
		s.bySite = make(map[string]*Set)
	}
	s.bySite[site] = own
	return own
}

// Only compiles some of the rules by themselves, with all that stands beside the rules, as if the
// document had no others. Of their keys those named in without are left out, as if they had not
// been written. The diagnostics are those of Compile.
func (s *Set) Only(names []string, without ...string) (*Set, []Diagnostic) {
	return Compile(s.doc.only(names, without...), Known{Site: s.known.Site})
}

// sharedLanguage is the checker for explanations, which are made on first use, from any goroutine.
type sharedLanguage struct {
	mu   sync.Mutex
	lang *language
}

// Compile checks a document and makes a Set of it. The Set is nil if there is any error, be it from
// Parse or from here. The diagnostics are only those of this call, in the order of the document;
// warnings do not keep a Set from being made.
func Compile(d *Document, known Known) (*Set, []Diagnostic) {
	c := newSetCompiler(d, known, nil)
	set := &Set{doc: d, known: known, storm: c.storm(d), given: c.given}
	for _, rt := range d.rules {
		r := c.rule(rt)
		r.Index = len(set.rules)
		set.rules = append(set.rules, r)
	}
	c.limitTallies(set.rules)
	if !c.Bad() && !d.bad && known.Site == "" {
		c.trySites(d, set.rules)
		c.unused(d, set.rules)
	}
	bad := c.Bad() || d.bad
	diagnostics := c.List()
	if bad {
		return nil, diagnostics
	}
	set.slots = c.slots.list
	set.index = newIndex(set.rules)
	return set, diagnostics
}

// tooDear reports the subjects whose rules are too much work together, each with the rules that are the
// most of it.
func (s *Set) tooDear() (found []Diagnostic) {
	for _, about := range Subjects() {
		rules, cost := s.index[about].dearest(s.rules)
		if cost <= MaxCost {
			continue
		}
		slices.SortStableFunc(rules, func(a, b *Rule) int { return b.cost - a.cost })
		const units = 1_000_000 // of a millisecond
		var named []string
		for _, r := range rules[:min(len(rules), 3)] {
			named = append(named, fmt.Sprintf("%s (%.2f ms)", r.Name, float64(r.cost)/units))
		}
		found = append(found, Diagnostic{Line: rules[0].Line, Column: 1, Rule: rules[0].Name,
			Reason: fmt.Sprintf("one fact can have %d rules about %s evaluated, which take %d ms together at worst; at most %d ms are allowed",
				len(rules), about, cost/units, MaxCost/units),
			Hint: "the dearest are " + strings.Join(named, ", ") + ": shorten their ranges and patterns, join rules that differ by one " +
				"value, or bind each to a zone, product or cause with =="})
	}
	return found
}

// newSetCompiler makes a compiler; params are those of the document if they were checked before,
// else nil.
func newSetCompiler(d *Document, known Known, params *paramSet) *setCompiler {
	c := &setCompiler{
		report: report{doc.NewReport(d.File, maxDiagnostics, d.text, nil)}, known: &known,
		names: make(map[string]*ruleText), slots: newSlots(), noChannel: make(map[string]bool),
	}
	if params == nil {
		params = c.params(d)
	}
	c.given = params.at(known.Site)
	c.lang = newLanguage(c.known, c.given)
	c.shared = &sharedLanguage{lang: newLanguage(&Known{}, c.given)}
	return c
}

// union joins two sorted lists.
func union(a, b []string) []string {
	all := slices.Concat(a, b)
	slices.Sort(all)
	return slices.Compact(all)
}

// maxTried is how many rules are tried with the values of sites, all sites together.
const maxTried = 20_000

// trySites compiles the rules that use params once more for each site that sets some of them for
// itself: a value within its bounds may still not fit, as the number after a division that is 0 at
// one site, or the name of a channel that there is not.
func (c *setCompiler) trySites(d *Document, rules []*Rule) {
	left := maxTried
	if c.Full() {
		return // what there is to say is said elsewhere
	}
	before := slices.Clone(c.List())
	for _, site := range slices.Sorted(maps.Keys(c.given.bySite)) {
		known := *c.known
		known.Site = site
		own := newSetCompiler(d, known, c.given)
		own.noChannel = c.noChannel
		for i, r := range rules {
			if !slices.ContainsFunc(r.params, func(name string) bool {
				_, sets := c.given.bySite[site][strings.TrimPrefix(name, paramPrefix)]
				return sets
			}) {
				continue
			}
			if left--; left < 0 {
				c.Add(Diagnostic{Line: 1, Column: 1,
					Reason: fmt.Sprintf("rules and the values of sites come to more than %d cases", maxTried),
					Hint:   "use fewer params in fewer rules"})
				return
			}
			r.channels = union(r.channels, own.rule(d.rules[i]).channels)
		}
		for _, found := range own.List() {
			same := func(d Diagnostic) bool {
				return d.Line == found.Line && d.Column == found.Column && d.Reason == found.Reason
			}
			if found.More == 0 && !slices.ContainsFunc(before, same) {
				found.Reason += fmt.Sprintf(" (with the values of the site %s)", site)
				c.Add(found)
			}
		}
	}
}

// unused warns of params that no rule uses, and of channels that no rule tells.
func (c *setCompiler) unused(d *Document, rules []*Rule) {
	used := make(map[string]bool)
	told := make(map[string]bool)
	for _, r := range rules {
		for _, name := range r.params {
			used[strings.TrimPrefix(name, paramPrefix)] = true
		}
		for _, ch := range r.channels {
			told[ch] = true
		}
	}
	for _, e := range d.params {
		if !used[e.name.text] {
			c.addAt(e.name, Diagnostic{Reason: fmt.Sprintf("no rule uses the param %s", e.name.text), Severity: doc.SeverityWarning})
		}
	}
	for _, ch := range c.known.Channels {
		if !told[ch] {
			c.Add(Diagnostic{Line: 1, Column: 1, Reason: fmt.Sprintf("no rule notifies the channel %s", ch),
				Hint: "name it in a rule's send, or remove it", Severity: doc.SeverityWarning})
		}
	}
}
