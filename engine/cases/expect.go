package cases

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// expectKeys are the keys of a step that expects something.
var expectKeys = []string{"expect", "exactly", "never", "open", "told", "where", "stock"}

func isExpectation(n *doc.Node) bool {
	return slices.ContainsFunc(n.Fields, func(f doc.Field) bool { return slices.Contains(expectKeys, f.Key.Text) })
}

// expectStep holds what happened since the expectation before against what should have happened.
type expectStep struct {
	place
	expect, exactly, never, open *patterns
	told                         []channelCount
	toldAt                       *place
	where                        []itemPlace
	stock                        []stockLine
}

// patterns are the alerts of one list.
type patterns struct {
	place
	list []pattern
}

func (p *patterns) all() []pattern {
	if p == nil {
		return nil
	}
	return p.list
}

type channelCount struct {
	channel string
	n       int
}

// pattern says which changes of alerts are meant. What is not said can be anything.
type pattern struct {
	node   *doc.Node
	rule   *doc.Node
	what   string // opened, cleared, ...; "": not said
	items  []thing
	gtin   uint64
	zone   string
	reader string
	count  string
	others *int
	say    string
}

// whats are the words for what happens to alerts: the core's changes, and failed. A case that says
// that something never happens must spell it right.
var whats = func() []string {
	var words []string
	for _, change := range event.Changes.Texts() {
		words = append(words, strings.TrimPrefix(change, "alert."))
	}
	return append(words, failed)
}()

var whatForm = regexp.MustCompile(`^[a-z][a-z_-]{0,31}$`)

const failed = "failed" // a rule that failed while it ran

func (p *caseParser) expectation(n *doc.Node) step {
	if !p.table(n, "an expectation", expectKeys) {
		return nil
	}
	s := &expectStep{place: placeOf(n)}
	for _, f := range n.Fields {
		switch f.Key.Text {
		case "expect":
			if s.expect = p.patterns(f, whats, false); f.Value.Kind == doc.Sequence && len(f.Value.Items) == 0 {
				p.At(f.Value, "an empty list expects nothing", "write exactly: [] if nothing at all should happen")
			}
		case "exactly":
			s.exactly = p.patterns(f, whats, false)
		case "never":
			if s.never = p.patterns(f, whats, true); f.Value.Kind == doc.Sequence && len(f.Value.Items) == 0 {
				p.At(f.Value, "an empty list forbids nothing", "write exactly: [] if nothing at all should happen")
			}
		case "open":
			s.open = p.patterns(f, []string{"open", "acknowledged"}, true)
		case "told":
			p.told(f, s)
		case "where":
			s.where = p.where(f)
		case "stock":
			s.stock = p.stock(f)
		}
	}
	if s.expect != nil && s.exactly != nil {
		p.At(n, "expect and exactly say the same of different lists", "write exactly for all that happens, or "+
			"expect for what must be among it")
	}
	return s
}

func (p *caseParser) patterns(f doc.Field, words []string, strict bool) *patterns {
	list := []*doc.Node{f.Value}
	switch f.Value.Kind {
	case doc.Sequence:
		list = f.Value.Items
	case doc.Empty:
		p.At(f.Key, f.Key.Text+" has no list of alerts", "write for instance "+f.Key.Text+
			": [unpaid-at-exit]; nothing at all is exactly: []")
		return nil
	}
	if len(list) > maxListed {
		p.At(f.Value, fmt.Sprintf("%d alerts are listed; at most %d are allowed", len(list), maxListed), "")
		return nil
	}
	out := &patterns{place: placeOf(f.Key)}
	for _, n := range list {
		t, ok := p.pattern(n, nil)
		if !ok {
			continue
		}
		switch {
		case t.what == "" || slices.Contains(words, t.what):
		case strict, doc.Nearest(t.what, words) != "":
			p.unknown(&doc.Node{Kind: doc.Scalar, Text: t.what, Line: n.Line, Column: n.Column},
				"nothing that can happen to an alert here is called", words)
			continue
		}
		out.list = append(out.list, t)
	}
	return out
}

var patternKeys = []string{"rule", "what", "item", "product", "zone", "reader", "count", "others", "say"}

// pattern reads "unpaid-at-exit", "wrong-zone cleared" or the same with keys. More are keys that
// the caller reads.
func (p *caseParser) pattern(n *doc.Node, more []string) (t pattern, ok bool) {
	problems := p.Len()
	t.node = n
	if n.Kind == doc.Scalar {
		rule, what, _ := strings.Cut(strings.TrimSpace(n.Text), " ")
		t.rule = &doc.Node{Kind: doc.Scalar, Text: rule, Style: n.Style, Line: n.Line, Column: n.Column}
		if n.Kind == doc.Scalar && n.Style != doc.Plain {
			t.rule.Column++
			t.rule.Style = doc.Plain
		}
		t.what = strings.TrimSpace(what)
	} else {
		if !p.table(n, "an alert", append(slices.Clone(patternKeys), more...)) {
			return t, false
		}
		if t.rule = n.Get("rule"); t.rule == nil {
			p.At(n, "it is not said of which rule", "write {rule: unpaid-at-exit, item: tide-1}")
			return t, false
		}
		p.subject(n, &t)
	}
	if p.word(t.rule, "rule") == "" {
		return t, false
	}
	if t.what != "" && !whatForm.MatchString(t.what) {
		p.At(n, fmt.Sprintf("%q is nothing that happens to an alert", t.what), "it is one word: "+join(whats))
	}
	return t, p.Len() == problems
}

func (p *caseParser) subject(n *doc.Node, t *pattern) {
	if v := n.Get("what"); v != nil {
		t.what = p.word(v, "what")
	}
	if v := n.Get("item"); v != nil {
		t.items = p.pick(v)
	}
	if v := n.Get("product"); v != nil {
		t.gtin = p.product(v)
	}
	if v := n.Get("zone"); v != nil {
		// A rule about stock can be about all zones of a kind.
		if kind, ok := strings.CutPrefix(v.Text, "kind:"); ok && v.Kind == doc.Scalar {
			if !event.ZoneKinds.Has(kind) {
				p.At(v, fmt.Sprintf("%q is not a kind%s", kind, doc.OrDidYouMean(kind, event.ZoneKinds.Texts())),
					"write kind: and one of "+join(event.ZoneKinds.Texts()))
			}
			t.zone = v.Text
		} else {
			t.zone = p.zone(v)
		}
	}
	if v := n.Get("reader"); v != nil {
		if pt := p.point(v); pt != nil {
			t.reader = pt.ID
		}
	}
	if v := n.Get("count"); v != nil {
		switch t.count = p.word(v, "count"); {
		case len(p.counts) == 0:
			p.At(v, "no count was opened before", openCount)
		case !slices.Contains(p.counts, t.count):
			p.unknown(v, "there is no count", p.counts)
		}
	}
	if v := n.Get("others"); v != nil {
		others := p.integer(v, "others", 0, 1_000_000)
		t.others = &others
	}
	if v := n.Get("say"); v != nil {
		t.say = p.word(v, "say")
	}
}

// told reads how many messages went to which channel; nobody stands for none at all.
func (p *caseParser) told(f doc.Field, s *expectStep) {
	at := placeOf(f.Key)
	s.toldAt = &at
	if f.Value.Kind == doc.Scalar && f.Value.Text == "nobody" {
		return
	}
	if f.Value.Kind != doc.Mapping {
		p.At(f.Value, "told is no table of channels with numbers", "write told: {door-team: 1}, or told: nobody")
		return
	}
	for _, c := range f.Value.Fields {
		s.told = append(s.told, channelCount{c.Key.Text, p.integer(c.Value, c.Key.Text, 0, 1_000_000)})
	}
}

// words writes the pattern for people.
func (t *pattern) words(c *Case, otherwise string) string {
	what := t.what
	if what == "" {
		what = otherwise
	}
	var about []string
	for _, i := range t.items {
		about = append(about, i.handle)
	}
	if t.gtin != 0 {
		about = append(about, "product "+c.product(t.gtin))
	}
	if t.reader != "" {
		about = append(about, t.reader)
	}
	if t.count != "" {
		about = append(about, t.count)
	}
	if t.zone != "" {
		about = append(about, "at "+t.zone)
	}
	if t.others != nil {
		about = append(about, fmt.Sprintf("with %d others", *t.others))
	}
	if t.say != "" {
		about = append(about, fmt.Sprintf("saying %q", t.say))
	}
	return strings.TrimSpace(t.rule.Text + " " + what + "  " + strings.Join(about, " "))
}

// product is what the case calls a product: its SKU if it has one.
func (c *Case) product(gtin uint64) string {
	if i, ok := c.products.ByGTIN(gtin); ok && c.products.At(i).SKU != "" {
		return c.products.At(i).SKU
	}
	return event.GTINText(gtin)
}

func join(words []string) string { return strings.Join(words, ", ") }
