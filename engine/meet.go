package engine

import (
	"slices"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

// meetItem lets the rules meet a fact about an item.
func (s *State) meetItem(fact int, i int32) {
	f := s.out.Facts[fact] // a copy: the slice may grow
	it := s.item(i)
	tracked := it.flags&flagTracked != 0
	if !tracked && !s.bound.itemRules[f.Cause] {
		return
	}
	env := s.itemEnv(&f, it)
	subj := subject{about: 'i', key: it.key}
	s.meet(&f, env, subj, "item")
}

// meetStock lets the rules meet a change of a product's stock in a zone: for the zone itself, and for every minimum or maximum that the product has
// anywhere, since goods that come to the stockroom can fill the shelf.
func (s *State) meetStock(fact int, k stockKey) {
	if !s.bound.stockRules {
		return
	}
	f := s.out.Facts[fact]
	own := false
	for _, l := range s.bound.limits[k.product] {
		own = own || l.zone == k.zone
		s.meetLimit(&f, k.product, l)
	}
	if !own {
		s.meetLimit(&f, k.product, limit{zone: k.zone})
	}
}

func (s *State) meetLimit(f *event.Fact, product int32, l limit) {
	env := s.stockEnv(f, product, l)
	place := s.idOf(l.zone)
	if l.zone == 0 {
		place = "kind:" + l.kind.String()
	}
	s.meet(f, env, subject{about: 's', key: epc.Key{Lo: s.bound.cfg.Catalog.At(int(product)).GTIN}, place: place}, "stock")
}

// meetReader lets the rules meet a read point that went silent or reports again.
func (s *State) meetReader(fact int, pt *pointInfo) {
	f := s.out.Facts[fact]
	s.meet(&f, s.readerEnv(&f, pt), subject{about: 'r', place: pt.id}, "reader")
}

// meetCount lets the rules meet a count that closed.
func (s *State) meetCount(fact int, res *event.CountResult) {
	f := s.out.Facts[fact]
	s.meet(&f, s.countEnv(&f, res), subject{about: 'c', place: res.Count}, "count")
}

// meet is where a fact meets the rules about its subject: first those that already have an alert about it, then those that the fact may make true.
func (s *State) meet(f *event.Fact, env *rules.Env, subj subject, about string) {
	eval := s.bound.eval
	eval.Bind(env)
	had := s.alerts.bySubject[subj]
	if len(had) > 0 {
		had = slices.Clone(had) // lowering an alert changes the list
		for _, t := range had {
			r := s.bound.rulesByName[t.Rule]
			if r == nil || !r.ConcernedBy(f.Cause.String()) {
				continue
			}
			s.settleTrack(t, r, f, env)
		}
		eval.Bind(env)
	}
next:
	for _, r := range eval.Candidates(about, f.Cause.String()) {
		for _, t := range had {
			if t.Rule == r.Name {
				continue next
			}
		}
		if ok, err := eval.True(r); err != nil {
			s.ruleFailed(r, err, f)
			eval.Bind(env)
		} else if ok && (s.inHours(r) || lasting(r, env)) {
			s.raise(r, subj, f, env)
		}
	}
}

// settleTrack evaluates a rule again for a subject that it already has an alert about. For an item, the cause and the passage are those that raised the alert and
// all else is as it is now: so a rule about a passage is not ended by the next fact that is none, and a sale ends it. A read point is silent or not: there the cause is the
// present one.
func (s *State) settleTrack(t *track, r *rules.Rule, f *event.Fact, env *rules.Env) {
	then := *env
	lasting := t.subject.about == 'i'
	if lasting {
		then.Cause, then.Passage = t.Cause.String(), passageEnv(t.Passage)
	}
	s.bound.eval.Bind(&then)
	ok, err := s.bound.eval.True(r)
	if err == nil && !ok && lasting && t.Cause != f.Cause {
		s.bound.eval.Bind(env)
		ok, err = s.bound.eval.True(r)
	}
	if err != nil {
		s.ruleFailed(r, err, f)
		return // unknown is not false: the alert stays as it is
	}
	switch {
	case ok && t.Status != event.AlertPending && t.Due != 0:
		s.setTimer(t, 0) // true again before the clear delay ended: it is the same alert
	case !ok:
		s.lower(t, r)
	}
}

// envOf builds what a rule sees of an alert's subject now, with the cause and passage that raised it; nil if the subject is gone.
func (s *State) envOf(t *track) *rules.Env {
	f := event.Fact{Cause: t.Cause, Passage: t.Passage, At: s.clock, Key: t.Key, Text: t.Text, GTIN: t.GTIN, Zone: t.Zone, Point: t.Place}
	switch t.subject.about {
	case 'i':
		i := s.find(t.Key)
		if i < 0 {
			return nil
		}
		it := s.item(i)
		f.Disp, f.Zone, f.From, f.GTIN = it.disp, s.idOf(it.zone), s.idOf(it.from), s.gtinOf(it.key)
		return s.itemEnv(&f, it)
	case 's':
		product, ok := s.bound.cfg.Catalog.ByGTIN(t.GTIN)
		if !ok {
			return nil
		}
		l, ok := s.limitAt(int32(product), t.Place)
		if !ok {
			return nil
		}
		return s.stockEnv(&f, int32(product), l)
	case 'r':
		if pt := s.point(s.numbers[t.Place]); pt != nil {
			return s.readerEnv(&f, pt)
		}
	}
	return nil
}

// limitAt finds the limit of a product that a stock alert's place names; a zone without one gives an empty limit.
func (s *State) limitAt(product int32, place string) (limit, bool) {
	kind, byKind := strings.CutPrefix(place, "kind:")
	for _, l := range s.bound.limits[product] {
		if byKind && l.zone == 0 && l.kind.String() == kind || !byKind && l.zone != 0 && s.idOf(l.zone) == place {
			return l, true
		}
	}
	if byKind {
		k, ok := event.ZoneKinds.Parse(kind)
		return limit{kind: k}, ok
	}
	n, ok := s.numbers[place]
	return limit{zone: n}, ok
}
