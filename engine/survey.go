package engine

import (
	"lintel/engine/event"
	"lintel/engine/stock"
	"lintel/rules"
)

// Survey finds what a rule, stored or not, is true of as a site is. Nothing changes: no alert is
// raised, whatever the rule's hold and hours. It is made in slices, so that the site can go on
// between them; what moves meanwhile may be missed or met twice.
type Survey struct {
	Looked   int       // subjects that the rule was evaluated on
	Of       int       // about how many there are
	Count    int       // those of which it is true
	Failed   int       // those on which it failed while it ran
	Examples []Example // the first MaxExamples of those of which it is true

	rule  *rules.Rule
	eval  *rules.Evaluator
	wordy bool
	next  int
	gtin  uint64 // of the row of stock to go on behind
	place string
}

// MaxExamples is how many examples a Survey keeps.
const MaxExamples = 3

// Example is one thing that a rule is true of.
type Example struct {
	Item   string // an item's identity in words
	GTIN   uint64
	Zone   string
	Place  string // of stock, as alerts have it
	Reader string
	Say    string // what the alert would say
}

// NewSurvey returns the survey of a rule of a set, which must be that of the site (rules.Set.ForSite).
// ok is false if nothing can be said: the rule is off, or asks for what has just happened or what came
// first.
func NewSurvey(set *rules.Set, rule string) (v *Survey, ok bool) {
	r := set.Rule(rule)
	if r == nil || r.Mode == rules.ModeOff || r.Sequence != nil {
		return nil, false
	}
	v = &Survey{rule: r, eval: set.NewEvaluator(), wordy: rules.InIdentity(r.Uses())}
	switch r.About {
	case event.AboutItem, event.AboutStock:
		return v, !r.Momentary()
	case event.AboutReader:
		return v, true
	}
	return nil, false
}

// sliceWork is about how much work one slice may be, in units of rules.Rule.Cost; surveyOverhead is
// that of filling one environment.
const (
	sliceWork      = 2_000_000
	surveyOverhead = 500
)

// Survey looks at the next slice, which takes about 2 ms, and reports whether there is more.
func (s *State) Survey(v *Survey) (more bool) {
	q := &view{core: &s.core} // several may ask at once
	n := max(1, sliceWork/(v.rule.Cost()+surveyOverhead))
	switch v.rule.About {
	case event.AboutItem:
		v.Of = int(s.count)
		for ; n > 0 && v.next < int(s.count); n-- {
			it := s.item(int32(v.next))
			v.next++
			f := q.itemNow(it)
			env := q.itemEnv(&f, it)
			if v.wordy {
				q.fillWords(env, f.Key, f.Text)
			}
			if v.look(env) {
				q.fillWords(env, f.Key, f.Text)
				v.keep(env, Example{Item: event.KeyText(f.Key, f.Text), GTIN: f.GTIN, Zone: f.Zone})
			}
		}
		return v.next < int(s.count)
	case event.AboutStock:
		rows := s.stock.Rows(stock.Filter{AfterGTIN: v.gtin, AfterPlace: v.place}, min(n, 5000))
		for i := range rows {
			r := &rows[i]
			v.gtin, v.place = r.GTIN, r.Place()
			l, ok := s.stock.LimitAt(int32(r.Product), v.place)
			if !ok {
				continue
			}
			f := event.Fact{Cause: event.Stock, At: q.clock, GTIN: r.GTIN}
			if env := q.stockEnv(&f, int32(r.Product), l); v.look(env) {
				v.keep(env, Example{GTIN: r.GTIN, Zone: r.Zone, Place: v.place})
			}
		}
		v.Of = max(v.Of, v.Looked)
		return len(rows) > 0
	}
	v.Of = len(s.bound.cfg.Layout.ReadPoints)
	for ; n > 0 && v.next < v.Of; n-- {
		id := s.bound.cfg.Layout.ReadPoints[v.next].ID
		v.next++
		pt := s.bound.point(s.numbers[id])
		f := q.readerNow(pt)
		if env := q.readerEnv(&f, pt); v.look(env) {
			v.keep(env, Example{Reader: id, Zone: f.Zone})
		}
	}
	return v.next < v.Of
}

// look evaluates the rule once.
func (v *Survey) look(env *rules.Env) bool {
	v.Looked++
	ok, err := v.eval.True(v.rule, env)
	if err != nil {
		v.Failed++
	}
	return ok && err == nil
}

// keep counts one of which the rule is true.
func (v *Survey) keep(env *rules.Env, x Example) {
	v.Count++
	if len(v.Examples) < MaxExamples {
		n, _ := v.eval.Choose(v.rule, env)
		x.Say = v.eval.Say(v.rule.Chosen(n), env)
		v.Examples = append(v.Examples, x)
	}
}
