package engine

import (
	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/rules"
)

// ExplainItem says how a rule relates to an item. With a fact about the item, the rule sees what it
// saw then, the product as it is now; without one, and with no alert, it sees the item as it is
// now, and no cause and no passage. ok is false if there is no such rule or item.
func (s *State) ExplainItem(rule string, k epc.Key, f *event.Fact) (alert.Explanation, bool) {
	i := s.find(k)
	if i < 0 {
		return alert.Explanation{}, false
	}
	return s.explain(rule, alert.Item(k), func(q *view, t *event.Alert) (*rules.Env, event.Fact) {
		it := q.item(i)
		now := q.itemNow(it)
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

// itemNow is what a fact about an item would say of it now, without a cause.
func (s *view) itemNow(it *item) event.Fact {
	return event.Fact{
		Seq: s.seq, Key: it.key, At: s.clock, Disp: it.Disposition, Zone: s.idOf(it.Zone), From: s.idOf(it.From), Point: s.idOf(it.Point),
		GTIN: s.gtinOf(it.key), Text: s.text(it),
	}
}

// readerNow is the fact that says how a read point is doing now.
func (s *view) readerNow(pt *presence.Point) event.Fact {
	f := event.Fact{Cause: event.Heard, At: s.clock, Point: pt.ID}
	if _, silent := s.presence.Reports(pt.Name); silent {
		f.Cause = event.Silent
	}
	return f
}

// ExplainStock says how a rule relates to the stock of a product at a place: a zone id, or "kind:"
// and a zone kind.
func (s *State) ExplainStock(rule string, gtin uint64, place string) (alert.Explanation, bool) {
	product, ok := s.bound.cfg.Catalog.ByGTIN(gtin)
	if !ok {
		return alert.Explanation{}, false
	}
	l, ok := s.stock.LimitAt(int32(product), place)
	if !ok {
		return alert.Explanation{}, false
	}
	return s.explain(rule, alert.Stock(gtin, place), func(q *view, _ *event.Alert) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.Stock, At: q.clock, GTIN: gtin}
		return q.stockEnv(&f, int32(product), l), f
	})
}

// ExplainReader says how a rule relates to a read point.
func (s *State) ExplainReader(rule, point string) (alert.Explanation, bool) {
	pt := s.bound.point(s.numbers[point])
	if pt == nil {
		return alert.Explanation{}, false
	}
	return s.explain(rule, alert.Reader(point), func(q *view, _ *event.Alert) (*rules.Env, event.Fact) {
		f := q.readerNow(pt)
		return q.readerEnv(&f, pt), f
	})
}

// ExplainZone says how a rule relates to what is in a zone.
func (s *State) ExplainZone(rule, zone string) (alert.Explanation, bool) {
	z, r := s.bound.zone(s.numbers[zone]), s.bound.rules.Rule(rule)
	if r == nil || r.Tally == nil || !z.Known {
		return alert.Explanation{}, false
	}
	return s.explain(rule, alert.Zone(zone), func(q *view, _ *event.Alert) (*rules.Env, event.Fact) {
		_, t := q.zones.of(z.Name, rule)
		if t == nil { // a rule that is off, or can't be true there
			t = newTally(z.Name, r, q.bound.rules.NewEvaluator())
			for i := int32(0); i < q.count && z.Kind != event.Exit; i++ {
				t.add(q, i)
			}
		}
		f := event.Fact{Cause: event.Zone, At: q.clock, Zone: zone}
		return q.zoneItems(&f, t), f
	})
}

// ExplainCount says how a rule relates to a count that closed.
func (s *State) ExplainCount(rule string, res *event.CountResult) (alert.Explanation, bool) {
	return s.explain(rule, alert.Count(res.Count), func(q *view, _ *event.Alert) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.Counted, At: q.clock, Ref: res.Count, Stocktake: res.Stocktake()}
		if len(res.Zones) > 0 {
			f.Zone = res.Zones[0]
		}
		return q.countEnv(&f, res), f
	})
}

// ExplainDue says how a rule about counts relates to a zone of the plan of counts, which may be
// overdue.
func (s *State) ExplainDue(rule, zone string) (alert.Explanation, bool) {
	d, ok := s.counts.DueOf(zone, s.clock)
	if !ok {
		return alert.Explanation{}, false
	}
	return s.explain(rule, alert.Count(zone), func(q *view, _ *event.Alert) (*rules.Env, event.Fact) {
		f := event.Fact{Cause: event.CaughtUp, At: q.clock, Zone: zone, Stocktake: &event.Stocktake{
			Zones: []string{zone}, Overdue: d.Overdue, Days: d.Days}}
		if d.Overdue {
			f.Cause = event.Overdue
		}
		return q.countEnv(&f, &event.CountResult{}), f
	})
}

// explain asks the alerts how a rule relates to a subject; look fills what the rule is to see,
// where t is the alert that there is.
func (s *State) explain(
	rule string, subject alert.Subject, look func(q *view, t *event.Alert) (*rules.Env, event.Fact),
) (x alert.Explanation, ok bool) {
	r := s.bound.rules.Rule(rule)
	if r == nil || r.About != subject.About() {
		return x, false
	}
	q := &view{core: &s.core} // several may ask at once
	env, f := look(q, s.alerts.About(subject, rule))
	return s.alerts.Explain(alertShop{q}, r, subject, &f, env), true
}
