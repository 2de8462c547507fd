package cases

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"lintel/engine/event"
	"lintel/rules"
	"lintel/rules/doc"
)

// expectation is one kind of expectation: a key of a step with what reads and judges its value. A
// list of alerts has words and list, any other value has read.
type expectation struct {
	key   string
	now   bool     // it looks at now alone, and leaves what happened to the next expectation
	words []string // what may be said to happen to an alert of the list
	empty string   // what is wrong with a list of none, "": nothing
	list  func(w *world, p *patterns, happened []*happening)
	read  func(p *caseParser, f doc.Field) check
}

// check holds the shop, and what happened since the expectation before, against one expectation. It
// is nil after a problem.
type check func(w *world, happened []*happening)

var expectations = []expectation{
	{key: "expect", words: whats, empty: "an empty list expects nothing",
		list: func(w *world, p *patterns, h []*happening) { w.compare(p, h, "opened", false, "did not happen") }},
	{key: "exactly", words: whats,
		list: func(w *world, p *patterns, h []*happening) { w.compare(p, h, "opened", true, "did not happen") }},
	{key: "never", words: whats, empty: "an empty list forbids nothing", list: (*world).forbid},
	{key: "open", words: []string{"open", "acknowledged"},
		list: func(w *world, p *patterns, _ []*happening) { w.compare(p, w.open(), "", true, "is not open") }},
	{key: notified, read: (*caseParser).notified},
	{key: "waiting", now: true, words: waits,
		list: func(w *world, p *patterns, _ []*happening) { w.compare(p, w.waiting(), "", true, "is not waiting") }},
	{key: "facts", read: (*caseParser).facts},
	{key: "where", now: true, read: (*caseParser).where},
	{key: "stock", now: true, read: (*caseParser).stock},
	{key: "counted", now: true, read: (*caseParser).counted},
}

func expectationOf(key string) *expectation {
	if key == formerNotified {
		key = notified
	}
	if i := slices.IndexFunc(expectations, func(x expectation) bool { return x.key == key }); i >= 0 {
		return &expectations[i]
	}
	return nil
}

// expectKeys are the keys of a step that expects something.
var expectKeys = func() (keys []string) {
	for _, x := range expectations {
		keys = append(keys, x.key)
	}
	return keys
}()

func isExpectation(n *doc.Node) bool {
	return slices.ContainsFunc(n.Fields, func(f doc.Field) bool { return expectationOf(f.Key.Text) != nil })
}

// expectStep is a step that expects something.
type expectStep struct {
	alerts []*patterns // its lists of alerts
	checks []check
	moves  bool // the next expectation looks at what happens from here on
}

// patterns are the alerts of one list.
type patterns struct {
	place
	key  string // of the expectation
	list []pattern
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
	until  *wall

	severity string
}

// whats are the words for what happens to alerts: the core's changes, but those that no step of a
// case brings, and failed. A case that says that something never happens must spell it right.
var whats = func() []string {
	var words []string
	for _, change := range event.Changes.Texts() {
		if change == event.ChangeCommented || change == event.ChangeCorrected {
			continue
		}
		words = append(words, strings.TrimPrefix(change, "alert."))
	}
	return append(words, failed)
}()

var whatForm = regexp.MustCompile(`^[a-z][a-z_-]{0,31}$`)

const failed = "failed" // a rule that failed while it ran

func (p *caseParser) expectation(n *doc.Node) step {
	if !p.table(n, "an expectation", expectKeys, formerNotified) {
		return nil
	}
	s := &expectStep{}
	for _, f := range n.Fields {
		x := expectationOf(f.Key.Text)
		s.moves = s.moves || !x.now
		if x.read != nil {
			s.checks = append(s.checks, x.read(p, f))
		} else if list := p.patterns(f, x); list != nil {
			s.alerts = append(s.alerts, list)
			s.checks = append(s.checks, func(w *world, happened []*happening) { x.list(w, list, happened) })
		}
	}
	if n.Get("expect") != nil && n.Get("exactly") != nil {
		p.At(n, "expect and exactly say the same of different lists", "write exactly for all that happens, or "+
			"expect for what must be among it")
	}
	return s
}

// patterns reads a list of alerts, or one without a list. It is nil after a problem.
func (p *caseParser) patterns(f doc.Field, x *expectation) *patterns {
	list := listOf(f.Value)
	switch {
	case f.Value.Kind == doc.Empty:
		p.At(f.Key, f.Key.Text+" has no list of alerts", "write for instance "+f.Key.Text+
			": [unpaid-at-exit]; nothing at all is exactly: []")
		return nil
	case len(list) == 0 && x.empty != "":
		p.At(f.Value, x.empty, "write exactly: [] if nothing at all should happen")
	case len(list) > maxListed:
		p.At(f.Value, fmt.Sprintf("%d alerts are listed; at most %d are allowed", len(list), maxListed), "")
		return nil
	}
	out := &patterns{place: placeOf(f.Key), key: x.key}
	var more []string
	if x.key == "waiting" {
		more = []string{"until"}
	}
	for _, n := range list {
		t, ok := p.pattern(n, more)
		switch {
		case !ok:
		case t.what != "" && !slices.Contains(x.words, t.what):
			at := n.Get("what")
			if at == nil {
				at = within(n, t.what)
			}
			p.unknown(at, "nothing that can happen to an alert here is called", x.words)
		default:
			out.list = append(out.list, t)
		}
	}
	return out
}

// listOf returns the values of a list, or the one value that stands without a list.
func listOf(n *doc.Node) []*doc.Node {
	if n.Kind == doc.Sequence {
		return n.Items
	}
	return []*doc.Node{n}
}

// within is a word of a text, for its place.
func within(n *doc.Node, word string) *doc.Node {
	at := *n
	at.Text, at.Style = word, doc.Plain
	if i := strings.Index(n.Text, word); i > 0 && !n.Style.Block() {
		at.Column += utf8.RuneCountInString(n.Text[:i])
	}
	if n.Style.Quoted() {
		at.Column++
	}
	return &at
}

var patternKeys = []string{"rule", "what", "item", "product", "zone", "reader", "count", "others", "severity", "say"}

// pattern reads "unpaid-at-exit", "wrong-zone cleared" or the same with keys. More are keys that
// the caller reads.
func (p *caseParser) pattern(n *doc.Node, more []string) (t pattern, ok bool) {
	problems := p.Len()
	t.node = n
	if n.Kind == doc.Scalar {
		rule, what, _ := strings.Cut(strings.TrimSpace(n.Text), " ")
		t.rule = within(n, rule)
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
		if name := p.word(v, "count"); name != "" {
			t.count = p.countName(v, name)
		}
	}
	if v := n.Get("others"); v != nil {
		others := p.integer(v, "others", 0, 1_000_000)
		t.others = &others
	}
	if v := n.Get("severity"); v != nil {
		if t.severity = p.word(v, "severity"); t.severity != "" && !slices.Contains(rules.Severities(), t.severity) {
			p.At(v, fmt.Sprintf("%q is not a severity%s", t.severity, doc.OrDidYouMean(t.severity, rules.Severities())),
				"write one of "+join(rules.Severities()))
		}
	}
	if v := n.Get("say"); v != nil {
		t.say = p.word(v, "say")
	}
	if v := n.Get("until"); v != nil {
		t.until = p.wall(v, "until")
	}
}

// The key that says how many messages there were, and the name that it had before.
const (
	notified       = "notified"
	formerNotified = "told"
)

// notified reads how many messages went to which channel; nobody means none at all.
func (p *caseParser) notified(f doc.Field) check {
	at := placeOf(f.Key)
	want := make(map[string]int)
	var channels []string
	switch {
	case f.Value.Kind == doc.Scalar && f.Value.Text == "nobody":
	case f.Value.Kind != doc.Mapping:
		p.At(f.Value, "notified is no table of channels with numbers", "write notified: {door-team: 1}, or notified: nobody")
	}
	for _, c := range f.Value.Fields {
		want[c.Key.Text] = p.integer(c.Value, c.Key.Text, 0, 1_000_000)
		channels = append(channels, c.Key.Text)
	}
	return func(w *world, _ []*happening) { w.messaged(at, channels, want) }
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
	if t.severity != "" {
		about = append(about, "as "+t.severity)
	}
	if t.say != "" {
		about = append(about, fmt.Sprintf("saying %q", t.say))
	}
	if t.until != nil {
		about = append(about, "until "+t.until.text)
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
