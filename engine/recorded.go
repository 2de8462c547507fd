package engine

import (
	"lintel/engine/event"
	"lintel/engine/stock"
)

// foldRecorded takes a recorded fact for true and lets the rules meet it. Nothing is judged again:
// presence, passages and counts are what they were.
func (s *core) foldRecorded(f *event.Fact) {
	switch f.Cause {
	case event.Stock:
		product, ok := s.bound.cfg.Catalog.ByGTIN(f.GTIN)
		if !ok {
			return
		}
		k := stock.Key{Product: int32(product), Zone: s.name(f.Zone)}
		s.stock.Set(k, f.Count)
		s.emit(*f)
		s.view.meetStock(len(s.out.Facts)-1, k)
	case event.Silent, event.Heard:
		pt := s.bound.point(s.numbers[f.Point])
		if pt == nil {
			return
		}
		// Reports between facts were not recorded: a point that is heard has no time of its last
		// report here, so that it does not go silent by itself.
		s.presence.TakeReport(pt.Name, 0, false)
		if f.Cause == event.Silent {
			s.presence.TakeReport(pt.Name, f.At-pt.Silent, true)
		}
		s.emit(*f)
		s.view.meetReader(len(s.out.Facts)-1, pt)
	case event.Overdue, event.CaughtUp:
		s.emit(*f)
		s.view.meetDue(len(s.out.Facts) - 1)
	case event.Counted:
		s.emit(*f)
		s.view.meetCount(len(s.out.Facts)-1, &event.CountResult{
			Count: f.Ref, Expected: f.Expected, Matched: f.Count - f.Unexpected, Missing: f.MissingItems, Unexpected: f.Unexpected,
		})
	default:
		i, ok := s.index[f.Key]
		if !ok {
			if i = s.create(f.Key, f.Text); f.GTIN != 0 && s.gtinOf(f.Key) != f.GTIN {
				s.registered[f.Key] = f.GTIN
				s.item(i).product = s.productOf(f.Key)
			}
		}
		it := s.item(i)
		s.zones.before(s, it)
		if zone := s.name(f.Zone); it.Zone != zone || it.Since == 0 {
			it.Zone, it.Since = zone, f.At
		}
		it.Disposition, it.From = f.Disp, s.name(f.From)
		it.Sure, it.Seen = f.At, f.At
		s.zones.after(s, i)
		switch f.Cause {
		case event.Near:
			s.presence.TakeNear(i, s.numbers[f.Passage.Door], f.Ms-f.Passage.Span, f.Passage.Peak)
		case event.Away:
			s.presence.TakeNear(i, 0, 0, 0)
		case event.Received, event.Returned:
			s.others.set(f.Key, event.OtherSite{})
		case event.OtherShop:
			if f.Other != nil {
				s.others.set(f.Key, *f.Other)
			}
		}
		s.emit(*f)
		s.view.meetItem(len(s.out.Facts)-1, i)
		s.view.meetZones(f.At)
	}
}

// LiveAlerts lists the alerts that are not closed, pending ones included, in the order in which
// they were raised.
func (s *State) LiveAlerts() []*event.Alert { return s.alerts.Alerts() }

// DroppedBy returns how many alerts were pending and ended before anybody was told, by what held
// them back.
func (s *State) DroppedBy() map[event.Stage]int { return s.alerts.Dropped() }

// forget drops what flush would write.
func (s *core) forget() {
	for _, i := range s.changed {
		s.item(i).flags &^= flagDirty
	}
	s.alerts.Forget()
	s.presence.Forget()
	s.counts.Forget()
	s.zones.forget()
	s.changed, s.fresh, s.doubled.changed = s.changed[:0], s.fresh[:0], nil
	s.others.changed = nil
}
