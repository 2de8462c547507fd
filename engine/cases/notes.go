package cases

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"

	"lintel/engine"
	"lintel/engine/alert"
	"lintel/engine/event"
	"lintel/rules"
)

// Of an item it can be asked afterwards what a rule saw of it, fact by fact. Stock, read points and
// zones can't be asked for yesterday's numbers, so that the rules of which a case expects an alert
// are explained while it runs: whenever something happens to what they are about.

// maxNotes is how many explanations are kept of one rule since the last expectation.
const maxNotes = 300

// note is what a rule was of one subject at one moment.
type note struct {
	subject subject
	at      int64 // Unix milliseconds; of a fact
	x       alert.Explanation
}

// subject is what a rule that is not about items is about: one of these.
type subject struct {
	gtin   uint64
	place  string // of stock
	reader string
	zone   string
	count  string // as the case calls it
}

// watched returns the rules that are not about items and of which the case expects an alert.
func (c *Case) watched(set *rules.Set) (list []*rules.Rule) {
	for _, p := range c.patterns() {
		r := set.Rule(p.rule.Text)
		if r != nil && r.About != event.AboutItem && r.About != event.AboutCount && !slices.Contains(list, r) {
			list = append(list, r)
		}
	}
	return list
}

// noteBatch explains the rules of which alerts are expected, of all that a batch is about.
func (w *world) noteBatch(b *engine.Batch) {
	if len(b.Facts) == 0 {
		return
	}
	for _, r := range w.watched {
		for _, s := range w.subjectsOf(r, b.Facts) {
			if x, ok := w.explain(r, s); ok {
				list := w.notes[r.Name]
				if len(list) >= maxNotes {
					list = slices.Delete(list, 0, maxNotes/2)
				}
				w.notes[r.Name] = append(list, note{s, w.s.Clock(), x})
			}
		}
	}
}

// subjectsOf lists what facts say something of that the rule may be about.
func (w *world) subjectsOf(r *rules.Rule, facts []event.Fact) (list []subject) {
	add := func(s subject) {
		if !slices.Contains(list, s) {
			list = append(list, s)
		}
	}
	for i := range facts {
		f := &facts[i]
		switch about := f.Cause.Subject(); {
		case about == event.AboutStock && r.About == about:
			add(subject{gtin: f.GTIN, place: f.Zone})
		case about == event.AboutReader && r.About == about:
			add(subject{reader: f.Point})
		case about == event.AboutItem && r.About == event.AboutZone:
			for _, id := range []string{f.Zone, f.From} {
				if k, ok := w.cfg.Layout.ZoneIndex(id); ok && r.InZone(id, w.cfg.Layout.Zones[k].Kind.String()) {
					add(subject{zone: id})
				}
			}
		}
	}
	return list
}

// explain asks the core how a rule relates to something now.
func (w *world) explain(r *rules.Rule, s subject) (alert.Explanation, bool) {
	switch {
	case s.zone != "":
		return w.s.ExplainZone(r.Name, s.zone)
	case s.reader != "":
		return w.s.ExplainReader(r.Name, s.reader)
	case s.count != "":
		return w.s.ExplainCount(r.Name, w.counts[s.count].result)
	}
	return w.s.ExplainStock(r.Name, s.gtin, s.place)
}

// words names a subject.
func (s subject) words(c *Case) string {
	if s.gtin != 0 {
		return fmt.Sprintf("product %s at %s", c.product(s.gtin), s.place)
	}
	return cmp.Or(s.zone, s.reader, s.count)
}

// missThing explains why a rule said nothing of something, by what it is now and what it was when
// something happened to it since the last expectation.
func (w *world) missThing(r *rules.Rule, s subject) []string {
	x, ok := w.explain(r, s)
	if !ok {
		return nil
	}
	best := note{s, w.now, x}
	if x.Reason == event.ReasonFalse {
		for i := len(w.notes[r.Name]) - 1; i >= 0; i-- {
			if n := w.notes[r.Name][i]; n.subject == s && n.nearer(&best) {
				best = n
			}
		}
	}
	who := s.words(w.c)
	switch {
	case best.at == w.now && best.x.Reason == x.Reason:
		return w.reason(r, &x, true, who)
	case best.x.Reason == event.ReasonFalse:
		return []string{fmt.Sprintf("the condition came nearest to true of %s at %s: %s", who, w.clock(best.at), best.x.Why.FalseParts())}
	}
	line := fmt.Sprintf("the condition was true of %s at %s, and is not now: %s", who, w.clock(best.at), x.Why.FalseParts())
	if r.Hold > 0 {
		line += fmt.Sprintf("; the hold is %s", about(r.Hold))
	}
	return []string{line}
}

// nearer reports whether a condition was nearer to true than another time: it was true, or fewer of its
// parts were false, or a number was nearer to the one that it is compared with.
func (n *note) nearer(than *note) bool {
	if was, is := n.x.Reason != event.ReasonFalse, than.x.Reason != event.ReasonFalse; was || is {
		return was && !is
	}
	parts, far := distance(n.x.Why)
	otherParts, otherFar := distance(than.x.Why)
	return parts < otherParts || parts == otherParts && far < otherFar
}

var comparedWith = regexp.MustCompile(`^[a-z_.]+ *[<>=]+ *(\d+(?:\.\d+)?)$`)

// distance returns how many parts of a condition are false, and by how much the numbers of these miss
// what they are compared with, as a share of it.
func distance(y *rules.Why) (parts int, far float64) {
	if y.Value {
		return 0, 0
	}
	if len(y.Parts) == 0 {
		m := comparedWith.FindStringSubmatch(y.Text)
		if m == nil || len(y.Names) != 1 {
			return 1, 1
		}
		want, _ := strconv.ParseFloat(m[1], 64)
		had := want
		switch v := y.Names[0].Value.(type) {
		case int:
			had = float64(v)
		case float64:
			had = v
		}
		return 1, math.Abs(had-want) / max(1, want)
	}
	for _, p := range y.Parts {
		n, f := distance(p)
		parts, far = parts+n, far+f
	}
	return max(parts, 1), far
}

// nothingFor says that nothing happened since the last expectation that a rule looks at.
func (w *world) nothingFor(r *rules.Rule) string {
	what := map[string]string{
		event.AboutStock: "no product's stock changed", event.AboutReader: "no read point went silent or reported again",
		event.AboutCount: "no count was closed", event.AboutZone: "nothing came to a zone that the rule looks at, and nothing went",
	}[r.About]
	return fmt.Sprintf("%s from %s to %s", what, w.clock(w.sinceAt), w.clock(w.now))
}

// subjectOf names what an alert about stock is about, "" for any other.
func (w *world) subjectOf(a *event.Alert) string {
	if a.About != event.AboutStock {
		return ""
	}
	return subject{gtin: a.GTIN, place: a.Place}.words(w.c)
}
