package cases

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
	"lintel/rules/doc"
)

// nowhere is the word for the place of an item that is in no zone.
const nowhere = "nowhere"

// itemRow is a row of a table of items: one item, with what is said of it.
type itemRow[V any] struct {
	place
	item thing
	said V
}

// itemTable reads a table of items with what is said of each. Rows with a problem are left out.
func itemTable[V any](p *caseParser, f doc.Field, form string, read func(n *doc.Node) (said V, ok bool)) (rows []itemRow[V]) {
	if f.Value.Kind != doc.Mapping || len(f.Value.Fields) == 0 {
		p.At(f.Value, f.Key.Text+" is no table of items", "write "+form)
	}
	for _, c := range f.Value.Fields {
		said, ok := read(c.Value)
		for _, item := range p.pick(c.Key) {
			if ok {
				rows = append(rows, itemRow[V]{placeOf(c.Key), item, said})
			}
		}
	}
	return rows
}

// where reads in which zone each item should be; "": in none.
func (p *caseParser) where(f doc.Field) check {
	rows := itemTable(p, f, "where: {tide: shelf-a}, or where: {tide: nowhere}", func(n *doc.Node) (string, bool) {
		if n.Kind == doc.Scalar && n.Text == nowhere {
			return "", true
		}
		zone := p.zone(n)
		return zone, zone != ""
	})
	return func(w *world, _ []*happening) {
		for _, r := range rows {
			w.isIn(r.place, r.item, r.said)
		}
	}
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
		f.add("", "nobody has heard or reported it")
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
	type line struct {
		place
		gtin uint64
		zone string
		want int
	}
	var lines []line
	if f.Value.Kind != doc.Mapping || len(f.Value.Fields) == 0 {
		p.At(f.Value, "stock is no table of products", "write stock: {TIDE: {front-tables: 3}}")
	}
	for _, c := range f.Value.Fields {
		gtin := p.product(c.Key)
		if c.Value.Kind != doc.Mapping {
			p.At(c.Value, "it is not said how many should be in which zone", "write stock: {TIDE: {front-tables: 3}}")
		}
		for _, z := range c.Value.Fields {
			lines = append(lines, line{placeOf(z.Key), gtin, p.zone(z.Key), p.integer(z.Value, z.Key.Text, 0, 1_000_000)})
		}
	}
	return func(w *world, _ []*happening) {
		for _, l := range lines {
			count := 0
			for _, row := range w.s.StockRows(stock.Filter{GTINs: []uint64{l.gtin}, Zone: l.zone}, 1) {
				count = row.Count
			}
			if count != l.want {
				w.fail(l.place, fmt.Sprintf("%d of %s are for sale at %s, not %d", count, w.c.product(l.gtin), l.zone, l.want), "")
			}
		}
	}
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

// facts reads all that should have happened to each item since the last expectation, in order.
func (p *caseParser) facts(f doc.Field) check {
	rows := itemTable(p, f, "facts: {tide: [arrived shelf-a, sold]}", func(n *doc.Node) (want []factPattern, ok bool) {
		for _, n := range listOf(n) {
			want = append(want, p.fact(n))
		}
		return want, true
	})
	return func(w *world, _ []*happening) {
		if w.lost {
			w.fail(placeOf(f.Key), "too much happened since the last expectation to look at all of it", "expect something in between")
			return
		}
		facts := make(map[epc.Key][]*event.Fact)
		for i := range w.facts[w.sinceFact:] {
			f := &w.facts[w.sinceFact+i]
			facts[f.Key] = append(facts[f.Key], f)
		}
		for _, r := range rows {
			had := facts[r.item.tag.Key]
			if slices.EqualFunc(r.said, had, func(x factPattern, f *event.Fact) bool { return x.fits(f) }) {
				continue
			}
			f := w.fail(r.place, "something else happened to "+r.item.handle, "")
			for i := range r.said {
				f.add("-", r.said[i].text)
			}
			for _, line := range w.story(had) {
				f.add("+", line)
			}
		}
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
			p.At(within(n, word), fmt.Sprintf("%q is one word too many", word),
				"write what happened and in which zone: arrived shelf-b from shelf-a")
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
	case f.Cause == event.Passed || f.Near() != nil:
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
	case f.Near() != nil:
		s += fmt.Sprintf(", %.0f seconds", f.Near().Seconds)
	case f.Cause == event.Arrived && f.From != "":
		s += " from " + f.From
	}
	return s
}

// resultNumbers are the numbers of a closed count, by the names that rules have for them.
var resultNumbers = []struct {
	key string
	of  func(r *event.CountResult) float64
}{
	{"expected", func(r *event.CountResult) float64 { return float64(r.Expected) }},
	{"found", func(r *event.CountResult) float64 { return float64(r.Matched + r.Unexpected) }},
	{"missing", func(r *event.CountResult) float64 { return float64(r.Missing) }},
	{"unexpected", func(r *event.CountResult) float64 { return float64(r.Unexpected) }},
	{"accuracy", (*event.CountResult).ItemAccuracy},
}

var (
	resultKeys = []string{"count", "expected", "found", "missing", "unexpected", "accuracy", "findings"}
	numberForm = regexp.MustCompile(`^\d{1,7}(\.\d{1,4})?$`)
)

// counted reads what closing a count should have found. Numbers are compared as they are written, to
// the last decimal that is given.
func (p *caseParser) counted(f doc.Field) check {
	n, name := f.Value, ""
	if !p.table(n, "counted", resultKeys) {
		return nil
	}
	at := n
	if v := n.Get("count"); v != nil {
		at, name = v, p.word(v, "count")
	}
	name = p.countName(at, name)
	for _, x := range resultNumbers {
		if v := n.Get(x.key); v != nil && !numberForm.MatchString(p.word(v, x.key)) {
			p.At(v, fmt.Sprintf("%s is %q", x.key, v.Text), "it is a number, such as 30, or 0.97 for accuracy")
		}
	}
	var rows []itemRow[[]string]
	if v := n.Get("findings"); v != nil {
		rows = itemTable(p, doc.Field{Key: within(v, "findings"), Value: v}, "findings: {tides/11: missed_once}", p.findings)
	}
	if len(n.Fields) == 0 || len(n.Fields) == 1 && n.Get("count") != nil {
		p.At(n, "nothing is expected of the count", "write for instance counted: {expected: 30, missing: 10}")
	}
	return func(w *world, _ []*happening) {
		r := w.counts[name].result
		if r == nil {
			w.fail(placeOf(f.Key), name+" was not closed", "")
			return
		}
		for _, x := range resultNumbers {
			if v := n.Get(x.key); v != nil {
				_, decimals, _ := strings.Cut(v.Text, ".")
				if had := strconv.FormatFloat(x.of(r), 'f', len(decimals), 64); had != strings.TrimSpace(v.Text) {
					w.fail(placeOf(v), fmt.Sprintf("%s of %s is %s, not %s", x.key, name, had, v.Text), "")
				}
			}
		}
		for _, x := range rows {
			if had := findingsOf(r, x.item); !slices.Equal(had, x.said) {
				is, not := cmp.Or(join(had), "nothing"), cmp.Or(join(x.said), "nothing")
				w.fail(x.place, fmt.Sprintf("%s is %s, not %s", x.item.handle, is, not), "")
			}
		}
	}
}

// findings reads what a count should have found of an item, in the order of the alphabet.
func (p *caseParser) findings(n *doc.Node) (words []string, ok bool) {
	for _, n := range listOf(n) {
		word := p.word(n, "a finding")
		if word != "" && !event.Findings.Has(word) {
			p.unknown(n, "there is no finding", event.Findings.Texts())
		}
		words = append(words, word)
	}
	slices.Sort(words)
	return words, true
}

// findingsOf lists what a count found of an item, in the order of the alphabet.
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
