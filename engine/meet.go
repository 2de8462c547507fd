package engine

import (
	"time"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stock"
	"lintel/rules"
)

// meetItem lets the rules meet a fact about an item.
func (s *view) meetItem(fact int, i int32) {
	f := s.out.Facts[fact] // a copy: the slice may grow
	it := s.item(i)
	subject := alert.Item(it.key)
	if s.bound.itemRules[f.Cause] || s.alerts.Follows(subject) {
		s.alerts.Meet(subject, &f, s.itemEnv(&f, it))
	}
}

// meetStock lets the rules meet a change of a product's stock in a zone: for the zone itself, and
// for every minimum or maximum that the product has anywhere, since goods that come to the
// stockroom can fill the shelf.
func (s *view) meetStock(fact int, k stock.Key) {
	if !s.bound.stockRules {
		return
	}
	f := s.out.Facts[fact]
	own := false
	for _, l := range s.stock.Limits(k.Product) {
		own = own || l.Zone == k.Zone
		s.meetLimit(&f, k.Product, l)
	}
	if !own {
		s.meetLimit(&f, k.Product, stock.Limit{Zone: k.Zone})
	}
}

func (s *view) meetLimit(f *event.Fact, product int32, l stock.Limit) {
	env := s.stockEnv(f, product, l)
	s.alerts.Meet(alert.Stock(s.bound.cfg.Catalog.At(int(product)).GTIN, s.stock.PlaceOf(l)), f, env)
}

// meetReader lets the rules meet a read point that went silent or reports again.
func (s *view) meetReader(fact int, pt *presence.Point) {
	f := s.out.Facts[fact]
	s.alerts.Meet(alert.Reader(pt.ID), &f, s.readerEnv(&f, pt))
}

// meetCount lets the rules meet a count that closed.
func (s *view) meetCount(fact int, res *event.CountResult) {
	f := s.out.Facts[fact]
	s.alerts.Meet(alert.Count(res.Count), &f, s.countEnv(&f, res))
}

// meetDue lets the rules meet a zone whose count became overdue, or no longer is. Its alerts are about
// the zone, where others about counts have the count.
func (s *view) meetDue(fact int) {
	f := s.out.Facts[fact]
	s.alerts.Meet(alert.Count(f.Zone), &f, s.countEnv(&f, &event.CountResult{}))
}

// alertShop is what the alerts of a site ask of its state.
type alertShop struct{ *view }

// Env fills what a rule sees of an alert's subject now; nil if the subject is gone.
func (s alertShop) Env(_ alert.Subject, t *event.Alert) *rules.Env {
	f := event.Fact{
		Cause: t.Cause, Passage: t.Passage, At: s.clock, Key: t.Key, Text: t.Text, GTIN: t.GTIN, Zone: t.Zone, Point: t.Place,
	}
	switch t.About {
	case event.AboutItem:
		i := s.find(t.Key)
		if i < 0 {
			return nil
		}
		it := s.item(i)
		f.Disp, f.Zone, f.From, f.GTIN = it.Disposition, s.idOf(it.Zone), s.idOf(it.From), s.gtinOf(it.key)
		return s.itemEnv(&f, it)
	case event.AboutStock:
		product, ok := s.bound.cfg.Catalog.ByGTIN(t.GTIN)
		if !ok {
			return nil
		}
		l, ok := s.stock.LimitAt(int32(product), t.Place)
		if !ok {
			return nil
		}
		return s.stockEnv(&f, int32(product), l)
	case event.AboutCount:
		if d, ok := s.counts.DueOf(t.Place, s.clock); ok && t.Cause == event.Overdue {
			f.Stocktake = &event.Stocktake{Zones: []string{t.Place}, Overdue: d.Overdue, Days: d.Days}
			return s.countEnv(&f, &event.CountResult{})
		}
	case event.AboutZone:
		if r, tally := s.zones.of(s.numbers[t.Place], t.Rule); r != nil {
			return s.zoneItems(&f, tally)
		}
	case event.AboutReader:
		if pt := s.bound.point(s.numbers[t.Place]); pt != nil {
			return s.readerEnv(&f, pt)
		}
	}
	return nil
}

// Identify fills the words of an item's identity.
func (s alertShop) Identify(env *rules.Env, k epc.Key, text string) { s.fillWords(env, k, text) }

// Local returns a moment in the site's time, and whether the site is open then.
func (s alertShop) Local(ms int64) (open bool, day time.Weekday, minuteOfDay int) {
	c := s.local(ms)
	return c.open, c.day, c.at.Hour*60 + c.at.Minute
}

// Product returns what messages show of a product, nil if the catalogue does not have it.
func (s alertShop) Product(gtin uint64) *event.MessageProduct {
	i, ok := s.bound.cfg.Catalog.ByGTIN(gtin)
	if !ok {
		return nil
	}
	p := s.bound.cfg.Catalog.At(i)
	return &event.MessageProduct{GTIN: event.GTINText(p.GTIN), SKU: p.SKU, Name: p.Name, Category: p.Category, Price: p.Price}
}

// Changed takes a change of an alert with its messages.
func (s alertShop) Changed(change string, a *event.Alert, messages []event.Delivery) {
	s.out.Alerts = append(s.out.Alerts, AlertChange{Seq: s.seq, At: s.clock, Type: change, Alert: *a})
	s.out.Deliveries = append(s.out.Deliveries, messages...)
}

// Joined takes an alert that became part of another.
func (s alertShop) Joined(a *event.Alert) { s.out.Joined = append(s.out.Joined, *a) }
