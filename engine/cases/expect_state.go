package cases

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
	"lintel/rules/doc"
)

// nowhere is the word for the place of an item that is in no zone.
const nowhere = "nowhere"

// entries returns the entries of a table, none after a problem.
func (p *caseParser) entries(f doc.Field, of, form string) []doc.Field {
	if f.Value.Kind != doc.Mapping || len(f.Value.Fields) == 0 {
		p.At(f.Value, f.Key.Text+" is no table of "+of, "write "+form)
	}
	return f.Value.Fields
}

// all makes one check of several.
func all(checks []check) check {
	return func(w *world, happened []*happening) {
		for _, holds := range checks {
			holds(w, happened)
		}
	}
}

// where reads a table of items with the zone in which each should be.
func (p *caseParser) where(f doc.Field) check {
	var checks []check
	for _, c := range p.entries(f, "items with their zones", "where: {tide: shelf-a}, or where: {tide: nowhere}") {
		zone := ""
		if c.Value.Kind != doc.Scalar || c.Value.Text != nowhere {
			if zone = p.zone(c.Value); zone == "" {
				continue
			}
		}
		for _, item := range p.pick(c.Key) {
			checks = append(checks, func(w *world, _ []*happening) { w.isIn(placeOf(c.Key), item, zone) })
		}
	}
	return all(checks)
}

// isIn holds where an item is against where it should be; "": in no zone.
func (w *world) isIn(at place, item thing, zone string) {
	in := func(zone string) string {
		if zone == "" {
			return nowhere
		}
		return "in " + zone
	}
	info, known := w.s.Item(item.tag.Key)
	if info.Zone == zone {
		return
	}
	f := w.fail(at, fmt.Sprintf("%s is %s, not %s", item.handle, in(info.Zone), in(zone)), "")
	if !known {
		f.add("", "nobody has heard or told of it")
	}
	var facts []*event.Fact
	for i := range w.facts {
		if x := &w.facts[i]; x.Key == item.tag.Key {
			facts = append(facts, x)
		}
	}
	for _, line := range w.story(facts) {
		f.add("", line)
	}
}

// story writes facts, a line each, as many as are shown.
func (w *world) story(facts []*event.Fact) (lines []string) {
	for i, x := range facts {
		if i == shown/2 {
			return append(lines, fmt.Sprintf("and %d more", len(facts)-i))
		}
		lines = append(lines, w.clock(x.At)+"  "+factWords(x))
	}
	return lines
}

// stock reads a table of products, each with a table of zones and how many should be there.
func (p *caseParser) stock(f doc.Field) check {
	const form = "stock: {TIDE: {front-tables: 3}}"
	var checks []check
	for _, c := range p.entries(f, "products", form) {
		gtin := p.product(c.Key)
		if c.Value.Kind != doc.Mapping {
			p.At(c.Value, "it is not said how many should be in which zone", "write "+form)
			continue
		}
		for _, z := range c.Value.Fields {
			zone, want := p.zone(z.Key), p.integer(z.Value, z.Key.Text, 0, 1_000_000)
			checks = append(checks, func(w *world, _ []*happening) {
				count := 0
				for _, row := range w.s.StockRows(stock.Filter{GTINs: []uint64{gtin}, Zone: zone}, 1) {
					count = row.Count
				}
				if count != want {
					w.fail(placeOf(z.Key), fmt.Sprintf("%d of %s are for sale at %s, not %d", count, w.c.product(gtin), zone, want), "")
				}
			})
		}
	}
	return all(checks)
}

// factPattern says which facts about an item are meant. What is not said can be anything.
type factPattern struct {
	text       string
	cause      event.Cause
	zone, from string
	way        event.Direction
	likely     bool
}

const likely = "likely" // a passage that is not yet sure

// itemCauses are the words for what can happen to an item.
var itemCauses = func() (words []string) {
	for _, c := range event.Causes.All() {
		if c.Subject() == event.AboutItem {
			words = append(words, c.String())
		}
	}
	return words
}()

// itemFacts says what should have happened to an item, all of it in order.
type itemFacts struct {
	place
	item thing
	want []factPattern
}

// facts reads a table of items with what should have happened to each since the last expectation.
func (p *caseParser) facts(f doc.Field) check {
	var list []itemFacts
	for _, c := range p.entries(f, "items with what happened to them", "facts: {tide: [arrived shelf-a, sold]}") {
		var want []factPattern
		for _, n := range listOf(c.Value) {
			want = append(want, p.fact(n))
		}
		for _, item := range p.pick(c.Key) {
			list = append(list, itemFacts{placeOf(c.Key), item, want})
		}
	}
	return func(w *world, _ []*happening) {
		had := make(map[epc.Key][]*event.Fact)
		for i := range w.facts[w.sinceFact:] {
			f := &w.facts[w.sinceFact+i]
			had[f.Key] = append(had[f.Key], f)
		}
		for i := range list {
			w.compareFacts(&list[i], had[list[i].item.tag.Key])
		}
	}
}

func (w *world) compareFacts(x *itemFacts, had []*event.Fact) {
	if slices.EqualFunc(x.want, had, func(x factPattern, f *event.Fact) bool { return x.fits(f) }) {
		return
	}
	f := w.fail(x.place, "something else happened to "+x.item.handle, "")
	for i := range x.want {
		f.add("-", x.want[i].text)
	}
	for _, line := range w.story(had) {
		f.add("+", line)
	}
}

// fact reads "arrived shelf-b from shelf-a", "passed street-door out likely" and the like.
func (p *caseParser) fact(n *doc.Node) (x factPattern) {
	x.text = strings.Join(strings.Fields(p.word(n, "a fact")), " ")
	words := strings.Fields(x.text)
	if len(words) == 0 {
		return x
	}
	if !slices.Contains(itemCauses, words[0]) {
		p.unknown(within(n, words[0]), "nothing that can happen to an item is called", itemCauses)
		return x
	}
	x.cause, _ = event.Causes.Parse(words[0])
	for i := 1; i < len(words); i++ {
		word := words[i]
		switch {
		case word == likely:
			x.likely = true
		case event.Directions.Has(word):
			x.way, _ = event.Directions.Parse(word)
		case word == "from" && i+1 < len(words):
			i++
			x.from = p.zone(within(n, words[i]))
		case x.zone == "":
			x.zone = p.zone(within(n, word))
		default:
			p.At(within(n, word), fmt.Sprintf("%q is one word too many", word), "write what happened and in which zone: arrived shelf-b from shelf-a")
			return x
		}
	}
	return x
}

func (x *factPattern) fits(f *event.Fact) bool {
	return f.Cause == x.cause && (x.zone == "" || x.zone == factZone(f)) && (x.from == "" || x.from == f.From) &&
		(x.way == event.DirectionNone || x.way == f.Passage.Direction) && (!x.likely || f.Passage.Likely)
}

// factZone is where it happened: the door of a passage, the zone that an item left.
func factZone(f *event.Fact) string {
	switch {
	case f.Cause == event.Passed:
		return f.Passage.Door
	case f.Zone == "":
		return f.From
	}
	return f.Zone
}

// factWords writes a fact about an item as a case expects one.
func factWords(f *event.Fact) string {
	s := strings.TrimSpace(f.Cause.String() + " " + factZone(f))
	switch {
	case f.Cause == event.Passed:
		s += " " + f.Passage.Direction.String()
		if f.Passage.Likely {
			s += " " + likely
		}
		s += fmt.Sprintf(", confidence %.2f", f.Passage.Confidence)
	case f.Cause == event.Arrived && f.From != "":
		s += " from " + f.From
	}
	return s
}

// countNumbers are the numbers of a closed count, by the names that rules have for them.
var countNumbers = []struct {
	key string
	of  func(r *event.CountResult) int
}{
	{"expected", func(r *event.CountResult) int { return r.Expected }},
	{"found", func(r *event.CountResult) int { return r.Matched + r.Unexpected }},
	{"missing", func(r *event.CountResult) int { return r.Missing }},
	{"unexpected", func(r *event.CountResult) int { return r.Unexpected }},
}

var shareForm = regexp.MustCompile(`^(0(\.\d{1,4})?|1(\.0{1,4})?)$`)

// resultKeys are the keys of counted.
var resultKeys = []string{"count", "expected", "found", "missing", "unexpected", "accuracy", "findings"}

// resultCheck holds one thing about the result of a count against what should be.
type resultCheck func(w *world, r *event.CountResult)

// countResult reads what closing a count should have found.
func (p *caseParser) countResult(f doc.Field) check {
	n, name := f.Value, ""
	if !p.table(n, "counted", resultKeys) {
		return nil
	}
	at := n
	if v := n.Get("count"); v != nil {
		at, name = v, p.word(v, "count")
	}
	name = p.countName(at, name)
	var checks []resultCheck
	for _, x := range countNumbers {
		if v := n.Get(x.key); v != nil {
			want := p.integer(v, x.key, 0, 1_000_000)
			checks = append(checks, func(w *world, r *event.CountResult) {
				if had := x.of(r); had != want {
					w.fail(placeOf(v), fmt.Sprintf("%s of %s is %d, not %d", x.key, name, had, want), "")
				}
			})
		}
	}
	if v := n.Get("accuracy"); v != nil {
		want := p.word(v, "accuracy")
		if !shareForm.MatchString(want) {
			p.At(v, fmt.Sprintf("accuracy is %q", v.Text), "it is a number from 0 to 1 with at most four decimals, such as 0.97")
		}
		_, decimals, _ := strings.Cut(want, ".")
		checks = append(checks, func(w *world, r *event.CountResult) {
			if had := strconv.FormatFloat(r.ItemAccuracy(), 'f', len(decimals), 64); had != want {
				w.fail(placeOf(v), fmt.Sprintf("accuracy of %s is %s, not %s", name, had, want), "")
			}
		})
	}
	if v := n.Get("findings"); v != nil {
		checks = append(checks, p.findings(doc.Field{Key: within(f.Key, "findings"), Value: v})...)
	}
	if len(checks) == 0 {
		p.At(f.Value, "nothing is expected of the count", "write for instance counted: {expected: 30, missing: 10}")
	}
	return func(w *world, _ []*happening) {
		r := w.counts[name].result
		if r == nil {
			w.fail(placeOf(f.Key), name+" was not closed", "")
			return
		}
		for _, holds := range checks {
			holds(w, r)
		}
	}
}

// findings reads a table of items with what closing the count found out about each.
func (p *caseParser) findings(f doc.Field) (checks []resultCheck) {
	for _, c := range p.entries(f, "items with what the count found of them", "findings: {tides/11: missed_once}") {
		var want []string
		for _, n := range listOf(c.Value) {
			word := p.word(n, "a finding")
			if word != "" && !event.Findings.Has(word) {
				p.unknown(n, "there is no finding", event.Findings.Texts())
			}
			want = append(want, word)
		}
		slices.Sort(want)
		for _, item := range p.pick(c.Key) {
			checks = append(checks, func(w *world, r *event.CountResult) {
				if had := findingsOf(r, item); !slices.Equal(had, want) {
					w.fail(placeOf(c.Key), fmt.Sprintf("%s is %s, not %s", item.handle, or(join(had), "nothing"), or(join(want), "nothing")), "")
				}
			})
		}
	}
	return checks
}

// findingsOf lists what a count found out about an item, in the order of the alphabet.
func findingsOf(r *event.CountResult, item thing) (words []string) {
	for i := range r.Differences {
		if d := &r.Differences[i]; d.Key == item.tag.Key {
			words = append(words, d.Finding.String())
		}
	}
	if len(words) == 0 && slices.Contains(r.Found, item.tag.Key) {
		words = append(words, event.FoundExpected.String())
	}
	slices.Sort(words)
	return words
}
