package cases

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// step is one thing that happens in a case, or one expectation.
type step interface {
	// run carries it out. What it finds wrong it tells the world.
	run(w *world)
}

// verbs are the words for what happens, with what reads the rest of the step.
var verbs map[string]func(p *caseParser, key, value *doc.Node) step

func init() { // a plain initialiser would refer to itself
	verbs = map[string]func(p *caseParser, key, value *doc.Node) step{
		"read": (*caseParser).read, "put": (*caseParser).putting, "take": (*caseParser).taking, "walk": (*caseParser).walk,
		"silent": (*caseParser).muting, "working": (*caseParser).muting,
		"wait": (*caseParser).wait, "at": (*caseParser).until, "down": (*caseParser).down,
		"elsewhere": (*caseParser).elsewhere, "count": (*caseParser).count, "acknowledge": (*caseParser).person, "close": (*caseParser).person,
	}
	for _, name := range event.EventTypes.Texts() {
		verbs[name] = (*caseParser).event
	}
}

// stepWords lists all that a step may begin with.
func stepWords() []string {
	words := slices.Clone(expectKeys)
	for name := range verbs {
		words = append(words, name)
	}
	slices.Sort(words)
	return words
}

// arguments are the keys of one step, read one by one.
type arguments struct {
	p    *caseParser
	n    *doc.Node
	verb string
	bad  bool
}

// args checks the keys of a step. The first of them may be written without its key, as in sold:
// tide-1.
func (p *caseParser) args(key, n *doc.Node, keys ...string) *arguments {
	a := &arguments{p: p, n: n, verb: key.Text}
	switch n.Kind {
	case doc.Scalar, doc.Sequence:
		a.n = &doc.Node{Kind: doc.Mapping, Line: n.Line, Column: n.Column, Fields: []doc.Field{
			{Key: &doc.Node{Kind: doc.Scalar, Text: keys[0], Line: n.Line, Column: n.Column}, Value: n},
		}}
	case doc.Empty:
		p.At(key, key.Text+" says nothing more", "it has the keys "+join(keys))
		a.bad = true
	case doc.Mapping:
		a.bad = !p.table(n, key.Text, keys)
	}
	return a
}

func (a *arguments) get(key string) *doc.Node {
	if a.bad {
		return nil
	}
	return a.n.Get(key)
}

// need is get for what must be there.
func (a *arguments) need(key, hint string) *doc.Node {
	n := a.get(key)
	if n == nil && !a.bad {
		a.p.At(a.n, fmt.Sprintf("%s has no %s", a.verb, key), hint)
		a.bad = true
	}
	return n
}

func (a *arguments) items() []thing {
	n := a.need("items", "name the items: items: [tide-1]")
	if n == nil {
		return nil
	}
	return a.p.pick(n)
}

func (a *arguments) period(key string, otherwise, least, most time.Duration) time.Duration {
	n := a.get(key)
	if n == nil {
		return otherwise
	}
	return a.p.period(n, key, least, most)
}

// integer reads a whole number from least to most.
func (p *reader) integer(n *doc.Node, what string, least, most int) int {
	v, err := strconv.Atoi(p.word(n, what))
	if err != nil || v < least || v > most {
		p.At(n, fmt.Sprintf("%s is %q", what, n.Text), fmt.Sprintf("it is a whole number from %d to %d", least, most))
		return least
	}
	return v
}

// level reads a signal strength in dBm and returns tenths.
func (a *arguments) level(otherwise float64) int16 {
	n := a.get("rssi")
	if n == nil {
		return int16(otherwise * 10)
	}
	v, err := strconv.ParseFloat(a.p.word(n, "rssi"), 64)
	if err != nil || !(v >= -120 && v <= 0) {
		a.p.At(n, fmt.Sprintf("rssi is %q", n.Text), "it is a strength in dBm from -120 to 0, such as -58")
		return 0
	}
	return int16(math.Round(v * 10))
}

// zone reads the name of a zone, "" after a problem.
func (p *reader) zone(n *doc.Node) string {
	name := p.word(n, "zone")
	if _, ok := p.file.Layout.ZoneIndex(name); ok || name == "" {
		return name
	}
	var names []string
	for i := range p.file.Layout.Zones {
		names = append(names, p.file.Layout.Zones[i].ID)
	}
	p.unknown(n, "there is no zone", names)
	return ""
}

// point reads the name of a read point, nil after a problem.
func (p *reader) point(n *doc.Node) *layout.ReadPoint {
	name := p.word(n, "read point")
	if i, ok := p.file.Layout.ReadPointIndex(name); ok {
		return &p.file.Layout.ReadPoints[i]
	}
	if name != "" {
		var names []string
		for i := range p.file.Layout.ReadPoints {
			names = append(names, p.file.Layout.ReadPoints[i].ID)
		}
		p.unknown(n, "there is no read point", names)
	}
	return nil
}

// readStep lets a read point hear items, once or over a time.
type readStep struct {
	point *layout.ReadPoint
	zone  string
	items []thing
	rssi  int16
	times int
	span  time.Duration
	every time.Duration
}

func (p *caseParser) read(key, n *doc.Node) step {
	a := p.args(key, n, "items", "by", "zone", "rssi", "for", "every", "times")
	s := &readStep{items: a.items(), rssi: a.level(-55), times: 1, span: a.period("for", 0, minEvery, maxWait),
		every: a.period("every", time.Second, minEvery, time.Hour)}
	by := a.need("by", "name the read point that hears them: by: shelf-a-1")
	if by == nil {
		return nil
	}
	if t := a.get("times"); t != nil {
		s.times = p.integer(t, "times", 1, 100_000)
	}
	if s.point = p.point(by); s.point == nil {
		return nil
	}
	if z := a.get("zone"); z != nil {
		if s.zone = p.zone(z); s.point.Role != event.Handheld {
			p.At(z, fmt.Sprintf("%s is no handheld, so it knows its zone", s.point.ID), "leave zone out")
		}
	} else if s.point.Role == event.Handheld && s.point.Zone < 0 {
		p.At(by, fmt.Sprintf("%s is a handheld, and the zone that it is in is not said", s.point.ID), "write zone: shelf-a")
	}
	if every := a.get("every"); every != nil && s.span == 0 {
		p.At(every, "every without for", "write for: 10s, for how long it hears them")
	}
	return s
}

// putStep lays items where the fixed read points of a zone hear them, from then on.
type putStep struct {
	items  []thing
	points []string
	rssi   int16
}

func (p *caseParser) putting(key, n *doc.Node) step {
	a := p.args(key, n, "items", "zone", "rssi")
	s := &putStep{items: a.items(), rssi: a.level(-55)}
	at := a.need("zone", "name the zone where they lie from now on: zone: shelf-a")
	if at == nil {
		return nil
	}
	zone := p.zone(at)
	if zone == "" {
		return nil
	}
	l := p.file.Layout
	for i := range l.ReadPoints {
		if r := &l.ReadPoints[i]; r.Role == event.Fixed && l.Zones[r.Zone].ID == zone {
			s.points = append(s.points, r.ID)
		}
	}
	if len(s.points) == 0 {
		p.At(at, "no fixed read point sees "+zone, "say who hears them with read:, or write moved: if somebody reports it")
		return nil
	}
	return s
}

// takeStep takes items away from where they lie, so that nobody hears them.
type takeStep struct{ items []thing }

func (p *caseParser) taking(key, n *doc.Node) step {
	return &takeStep{p.args(key, n, "items").items()}
}

// muteStep stops read points from reporting, or lets them report again.
type muteStep struct {
	points []string
	mute   bool
}

func (p *caseParser) muting(key, n *doc.Node) step {
	s := &muteStep{mute: key.Text == "silent"}
	list := p.args(key, n, "points").need("points", "name the read points: [shelf-a-1]")
	if list == nil {
		return nil
	}
	for _, w := range listOf(list) {
		if pt := p.point(w); pt != nil {
			s.points = append(s.points, pt.ID)
		}
	}
	return s
}

// eventStep tells of a business event.
type eventStep struct {
	event event.Event
	ago   time.Duration
}

func (p *caseParser) event(key, n *doc.Node) step {
	typ, _ := event.EventTypes.Parse(key.Text)
	keys := []string{"items", "zone", "ref", "ago"}
	if typ == event.EventRegistered {
		keys = []string{"items", "product", "ago"}
	}
	a := p.args(key, n, keys...)
	s := &eventStep{event: event.Event{Type: typ}, ago: a.period("ago", 0, 0, maxWait)}
	for _, t := range a.items() {
		s.event.Tags = append(s.event.Tags, t.tag)
	}
	if z := a.get("zone"); z != nil {
		s.event.Zone = p.zone(z)
	} else if typ == event.EventMoved || typ == event.EventReceived {
		a.need("zone", "say where they are now: zone: shelf-a")
	}
	if r := a.get("ref"); r != nil {
		s.event.Ref = p.word(r, "ref")
	}
	if typ == event.EventRegistered {
		if g := a.need("product", "say which product the tags belong to"); g != nil {
			s.event.GTIN = p.product(g)
		}
	}
	return s
}

// elsewhereStep has the index of all shops say that another shop has items.
type elsewhereStep struct {
	place
	items []thing
	site  event.OtherSite
}

func (p *caseParser) elsewhere(key, n *doc.Node) step {
	a := p.args(key, n, "items", "site", "name")
	s := &elsewhereStep{place: placeOf(key), items: a.items()}
	id := a.need("site", "say which shop has them, as item.at_other_site names it: site: harbour-branch")
	if id == nil {
		return nil
	}
	s.site.ID = p.word(id, "site")
	if s.site.ID == p.file.Layout.Site {
		p.At(id, fmt.Sprintf("%s is the shop that the cases play in", s.site.ID), "name another shop")
	}
	s.site.Name = s.site.ID
	if name := a.get("name"); name != nil {
		s.site.Name = p.word(name, "name")
	}
	return s
}

// waitStep lets time go by.
type waitStep struct {
	place
	d    time.Duration
	wall *wall
}

func (p *caseParser) wait(key, n *doc.Node) step {
	return &waitStep{place: placeOf(key), d: p.period(n, key.Text, time.Millisecond, maxWait)}
}

// downStep lets time go by in which the server is down: nothing is received, and nothing is due.
type downStep time.Duration

func (p *caseParser) down(key, n *doc.Node) step {
	return downStep(p.period(n, key.Text, time.Millisecond, maxWait))
}

func (p *caseParser) until(key, n *doc.Node) step {
	w := p.wall(n, key.Text)
	if w == nil {
		return nil
	}
	return &waitStep{place: placeOf(n), wall: w}
}

// wall reads a local time with or without its date, nil after a problem.
func (p *reader) wall(n *doc.Node, what string) *wall {
	w, err := parseWall(p.word(n, what))
	if err != nil {
		p.At(n, what+": "+err.Error(), wallHint)
		return nil
	}
	if w.hasDate { // what can be told now need not wait until the case runs
		if _, bad := w.resolve(p.file.Layout.Location()); bad != nil {
			p.At(n, bad.message, bad.hint)
			return nil
		}
	}
	return &w
}

// countStep does something with a count.
type countStep struct {
	place
	do           string
	name         string
	zones        []string
	missingAfter int
	papers       []event.Line // of a delivery
	read         *readStep
}

const openCount = "write count: {open: [shelf-a]}"

var countVerbs = []string{"open", "read", "pass", "close", "discard", "reopen"}

func (p *caseParser) count(key, n *doc.Node) step {
	const how = "write count: {open: [shelf-a]}, count: {read: [tide-1], by: handheld-1}, count: close"
	s := &countStep{place: placeOf(key), missingAfter: 2}
	if n.Kind == doc.Scalar {
		if s.do = n.Text; !slices.Contains(countVerbs[2:], s.do) {
			p.At(n, fmt.Sprintf("%q is nothing to do with a count", n.Text), how)
			return nil
		}
		return p.ofCount(n, s)
	}
	a := p.args(key, n, append(slices.Clone(countVerbs), "named", "missing_after", "papers", "by", "zone", "rssi")...)
	for _, do := range countVerbs {
		if a.get(do) == nil {
			continue
		}
		if s.do != "" {
			p.At(n, fmt.Sprintf("a step does one thing with a count, and this one does %s and %s", s.do, do), "begin another step")
			return nil
		}
		s.do = do
	}
	v := a.get(s.do)
	if v == nil {
		if !a.bad {
			p.At(n, "nothing is done with the count", how)
		}
		return nil
	}
	if name := a.get("named"); name != nil {
		s.name = p.word(name, "named")
	}
	switch s.do {
	case "open":
		for _, z := range listOf(v) {
			s.zones = append(s.zones, p.zone(z))
		}
		if len(s.zones) == 0 {
			p.At(v, "the count has no zones", how)
		}
		if m := a.get("missing_after"); m != nil {
			s.missingAfter = p.integer(m, "missing_after", 1, 2)
		}
		if m := a.get("papers"); m != nil {
			if m.Kind != doc.Mapping || len(m.Fields) == 0 {
				p.At(m, "the papers are no table of products", "write papers: {TIDE: 5}")
			}
			for _, f := range m.Fields {
				s.papers = append(s.papers, event.Line{GTIN: p.product(f.Key), Count: p.integer(f.Value, f.Key.Text, 1, 1_000_000)})
			}
		}
	case "read":
		s.read = &readStep{items: p.pick(v), rssi: a.level(-55), times: 1}
		if by := a.need("by", "name the handheld: by: handheld-1"); by != nil {
			if s.read.point = p.point(by); s.read.point == nil {
				return nil
			}
		}
		if z := a.get("zone"); z != nil {
			s.read.zone = p.zone(z)
		}
	default:
		if s.name == "" {
			s.name = p.word(v, s.do)
		}
	}
	return p.ofCount(n, s)
}

// ofCount looks whether there is such a count by then.
func (p *caseParser) ofCount(n *doc.Node, s *countStep) step {
	if s.do == "open" {
		if s.name == "" {
			s.name = "count"
		}
		if slices.Contains(p.counts, s.name) {
			p.At(n, fmt.Sprintf("there is another count named %q", s.name), "tell counts apart with named: front")
			return nil
		}
		p.counts = append(p.counts, s.name)
		return s
	}
	if s.name = p.countName(n, s.name); s.name == "" {
		return nil
	}
	return s
}

// countName returns the name of the count that is meant, the only one for ""; "" after a problem.
func (p *caseParser) countName(n *doc.Node, name string) string {
	switch {
	case len(p.counts) == 0:
		p.At(n, "no count was opened before", openCount)
	case name == "" && len(p.counts) > 1:
		p.At(n, "there are several counts, and it is not said which", "they are named "+join(p.counts))
	case name == "":
		return p.counts[0]
	case !slices.Contains(p.counts, name):
		p.unknown(&doc.Node{Kind: doc.Scalar, Text: name, Line: n.Line, Column: n.Column}, "there is no count", p.counts)
	default:
		return name
	}
	return ""
}

// personStep is what somebody does to an alert.
type personStep struct {
	place
	do      string
	which   pattern
	by      string
	note    string
	outcome string
}

func (p *caseParser) person(key, n *doc.Node) step {
	s := &personStep{place: placeOf(key), do: key.Text, by: "somebody", outcome: "genuine"}
	more := []string{"by", "note"}
	if s.do == "close" {
		more = append(more, "outcome")
	}
	which, ok := p.pattern(n, more)
	if !ok {
		return nil
	}
	s.which = which
	if which.what != "" {
		p.At(n, key.Text+" says what is done already", "name only the rule and what the alert is about")
		return nil
	}
	text := func(name string, to *string) {
		if v := n.Get(name); v != nil {
			*to = p.word(v, name)
		}
	}
	text("by", &s.by)
	text("note", &s.note)
	text("outcome", &s.outcome)
	if !slices.Contains(event.Outcomes.Texts(), s.outcome) {
		p.unknown(n.Get("outcome"), "there is no outcome", event.Outcomes.Texts())
		return nil
	}
	return s
}
