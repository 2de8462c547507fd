package engine

import (
	"fmt"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

var stageReasons = [...]event.Reason{event.StageHold: event.ReasonHold, event.StageQuiet: event.ReasonQuiet, event.StageHours: event.ReasonHours, event.StageNeeds: event.ReasonNeeds}

// Explanation says how a rule stands to one subject.
type Explanation struct {
	Reason event.Reason
	Watch  bool        // the rule is only watched: nobody is told whatever the reason
	Alert  string      // id of the alert that there is, "": none
	Until  int64       // when what holds it back is over, Unix milliseconds; 0: that is not known
	Have   int         // with ReasonNeeds: how many have come together
	Need   int         // and how many must
	Cause  event.Cause // that the condition saw, 0: none
	Why    *rules.Why  // the condition, part by part
	Error  string      // with ReasonFailed
}

// ExplainItem says how a rule stands to an item. With a fact about the item, the rule sees what it saw then, the product as it is now; without one, and with no alert, it
// sees the item as it is now, and no cause and no passage. ok is false if there is no such rule or item.
func (s *State) ExplainItem(rule string, k epc.Key, f *event.Fact) (Explanation, bool) {
	i := s.find(k)
	if i < 0 {
		return Explanation{}, false
	}
	return s.explain(rule, event.AboutItem, subject{about: 'i', key: k}, func(q *State, t *track) (*rules.Env, event.Fact) {
		it := q.item(i)
		now := event.Fact{Key: k, At: q.clock, Disp: it.disp, Zone: q.idOf(it.zone), From: q.idOf(it.from), Point: q.idOf(it.point), GTIN: q.gtinOf(k), Text: q.text(it)}
		switch {
		case t != nil:
			now.Cause, now.Passage = t.Cause, t.Passage
		case f != nil:
			now = *f
		}
		env := q.itemEnv(&now, it)
		q.fillWords(env, k, now.Text)
		return env, now
	})
}

// ExplainStock says how a rule stands to the stock of a product at a place: a zone id, or "kind:" and a zone kind.
func (s *State) ExplainStock(rule string, gtin uint64, place string) (Explanation, bool) {
	product, ok := s.bound.cfg.Catalog.ByGTIN(gtin)
	if !ok {
		return Explanation{}, false
	}
	l, ok := s.limitAt(int32(product), place)
	if !ok {
		return Explanation{}, false
	}
	return s.explain(rule, event.AboutStock, subject{about: 's', key: epc.Key{Lo: gtin}, place: place}, func(q *State, _ *track) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.Stock, At: q.clock, GTIN: gtin}
		return q.stockEnv(&f, int32(product), l), f
	})
}

// ExplainReader says how a rule stands to a read point.
func (s *State) ExplainReader(rule, point string) (Explanation, bool) {
	pt := s.point(s.numbers[point])
	if pt == nil {
		return Explanation{}, false
	}
	return s.explain(rule, event.AboutReader, subject{about: 'r', place: point}, func(q *State, _ *track) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.Heard, At: q.clock, Point: point}
		if q.readers.get(pt.name).silent {
			f.Cause = event.Silent
		}
		return q.readerEnv(&f, pt), f
	})
}

// ExplainCount says how a rule stands to a count that closed.
func (s *State) ExplainCount(rule string, res *event.CountResult) (Explanation, bool) {
	return s.explain(rule, event.AboutCount, subject{about: 'c', place: res.Count}, func(q *State, _ *track) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.Counted, At: q.clock, Ref: res.Count}
		return q.countEnv(&f, res), f
	})
}

func (s *State) explain(rule, about string, subj subject, look func(*State, *track) (*rules.Env, event.Fact)) (x Explanation, ok bool) {
	r := s.bound.rulesByName[rule]
	if r == nil || r.About != about {
		return x, false
	}
	// A copy with caches of its own: several may ask at once.
	q := *s
	q.bound.eval, q.bound.hours, q.face = s.bound.rules.NewEvaluator(), nil, clockFace{}
	t := s.trackOf(subj, rule)
	env, f := look(&q, t)
	x.Watch, x.Cause, x.Need = r.Mode == rules.ModeWatch, f.Cause, r.Needs
	q.bound.eval.Bind(env)
	x.Why = q.bound.eval.Why(r)
	yes, err := q.bound.eval.True(r)
	switch {
	case r.Mode == rules.ModeOff:
		x.Reason = event.ReasonOff
	case t != nil && t.Status == event.AlertPending:
		x.Reason, x.Until = stageReasons[t.Stage], t.Due
		x.Have = len(s.alerts.waiting[t.group()])
	case t != nil && t.Lead != "":
		x.Reason, x.Alert = event.ReasonGathered, t.Lead
		if lead := s.alerts.byID[t.Lead]; lead != nil && lead.About == event.AboutStorm {
			x.Reason = event.ReasonLimit
		}
	case t != nil:
		x.Reason, x.Alert = event.ReasonRaised, t.ID
	case err != nil:
		x.Reason, x.Error = event.ReasonFailed, err.Error()
	case !yes:
		x.Reason = event.ReasonFalse
	case !q.inHoursAt(r, f.At) && !lasting(r, env):
		x.Reason, x.Until = event.ReasonHours, q.nextHours(r)
	default:
		x.Reason = event.ReasonOccasion
	}
	return x, true
}

// Words says the reason for people. Times are of the site's time zone.
func (x *Explanation) Words(loc *time.Location) string {
	until := ""
	if x.Until != 0 {
		until = time.UnixMilli(x.Until).In(loc).Format("Mon 2 Jan 15:04:05")
	}
	words := ""
	switch x.Reason {
	case event.ReasonRaised:
		words = "There is an alert about it: " + x.Alert + "."
	case event.ReasonGathered:
		words = "It is part of an alert that came just before: " + x.Alert + "."
	case event.ReasonLimit:
		words = "The rule raised more alerts than its limit; it is part of the one that stands for them: " + x.Alert + "."
	case event.ReasonFalse:
		words = "The condition is false; the parts that are false say why."
	case event.ReasonHold:
		words = "The condition is true, but not for as long as the rule's hold yet. The alert opens on " + until + " if it stays so."
	case event.ReasonQuiet:
		words = "The condition is true, but somebody acknowledged or closed an alert about the same thing a short while ago. The rule is quiet until " + until + "."
	case event.ReasonHours:
		words = "The condition is true, but the rule is outside its hours. They begin on " + until + "."
	case event.ReasonNeeds:
		words = fmt.Sprintf("The condition is true, but %d of the %d that must come together have.", x.Have, x.Need)
	case event.ReasonOff:
		words = "The rule is switched off."
	case event.ReasonFailed:
		words = "The rule failed while it ran: " + x.Error
	case event.ReasonOccasion:
		words = "The condition is true, but nothing has happened since that would make the rule look: it looks when a fact about this comes in. A person may have closed an alert about it, too."
	}
	if x.Watch {
		words += " The rule is only watched: nobody is told."
	}
	return words
}
