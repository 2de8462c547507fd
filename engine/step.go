package engine

import (
	"lintel/engine/event"
	"lintel/engine/presence"
)

// step folds one entry into the state of a site. It is the only place where a site changes.
func (s *core) step(cfg *Config, e *event.Entry) {
	s.seq = e.Seq
	before := s.clock
	later := s.advance(e.At)
	s.alerts.Begin(s.seq, s.clock)
	s.marks.note(s.clock, s.seq, presence.EvidenceEpochs*s.bound.layout.Epoch)
	if e.Kind == event.EntryStart && before != 0 {
		s.resume(s.clock - before)
	}
	if cfg != s.bound.cfg {
		s.rebind(cfg)
	}
	if s.counts.Unseen() {
		s.planCounts()
	}
	// What is due is done when the clock moves and before the entry that moved it, so that a batch
	// cut in two, which has one time, is the same as a whole one.
	if later {
		s.view.meetZoneTimes() // before what presence concludes, as in a replay of its facts
		s.presence.Advance()
		since := s.looked
		s.looked = s.clock
		s.view.meetSilence(since)
		s.view.meetDays(since)
		s.alerts.Advance()
		if s.clock >= s.counts.Next() {
			s.tellOverdue()
		}
	}
	switch e.Kind {
	case event.EntryReads:
		if e.Count != "" {
			s.foldCountReads(e)
		} else {
			s.foldReads(e)
		}
	case event.EntryCount:
		s.foldCount(&e.Command, e.By)
	case event.EntryEvents:
		for i := range e.Events {
			s.foldEvent(&e.Events[i])
		}
	case event.EntryAct:
		s.alerts.Act(&e.Act, e.By)
	case event.EntryElsewhere:
		s.foldElsewhere(e.Elsewhere)
	case event.EntryFacts:
		for i := range e.Facts {
			s.foldRecorded(&e.Facts[i])
		}
	}
	s.out.RuleErrors += s.alerts.Failures()
}

// shortestGrace is what a hold or a silence gets at least after a start, in milliseconds: readers and
// tills take a while to connect again. A gap below shortestGap is none.
const (
	shortestGrace = 60_000
	shortestGap   = 1000
)

// resume puts off what time alone would conclude from a gap in which nothing could be received: what
// nobody could report is neither silence nor a reason for an alert. Each hold and each silence goes
// on for as long as the gap, at most for its own length.
func (s *core) resume(gap int64) {
	if gap < shortestGap {
		return
	}
	grace := max(gap, shortestGrace)
	s.presence.Resume(grace)
	s.alerts.Resume(grace)
}

// NextTimer returns when, by the site clock in Unix milliseconds, something is due without any
// further entry; math.MaxInt64: never.
func (s *State) NextTimer() int64 {
	return min(s.presence.Next(), s.alerts.Next(), s.view.silenceNext(), s.counts.Next(), s.view.zonesNext(), s.view.daysNext())
}

// rebind takes over a new configuration: every product's stock meets its rules anew, so that what
// is already below its minimum is told.
func (s *core) rebind(cfg *Config) {
	if old := s.bound.cfg; old.Layout == cfg.Layout && old.Catalog == cfg.Catalog && old.Rules == cfg.Rules {
		s.bound.cfg, s.alerts.Incarnation = cfg, cfg.incarnation() // nothing to conclude again
		return
	}
	old := s.bound
	s.bind(cfg)
	s.alerts.Withdraw()
	s.planCounts()
	s.view.meetAllZones()
	s.view.meetNew(&old)
	if !s.bound.stockRules {
		return
	}
	for i := range cfg.Catalog.Len() {
		for _, l := range s.stock.Limits(int32(i)) {
			f := event.Fact{Cause: event.Stock, At: s.clock, GTIN: cfg.Catalog.At(i).GTIN, Seq: s.seq}
			s.view.meetLimit(&f, int32(i), l)
		}
	}
}

// foldReads folds a batch of reads in its order.
func (s *core) foldReads(e *event.Entry) {
	points := s.resolve(e)
	s.presence.NoteNewest(e, points)
	s.out.Reads += len(e.Reads)
	for k := range e.Reads {
		r := &e.Reads[k]
		pt := points[r.Point]
		if pt == nil {
			s.out.Unplaced++
			continue
		}
		if r.RSSI != event.NoRSSI && r.RSSI < pt.MinRSSI {
			s.out.Weak++
			continue
		}
		zone := pt.Zone
		if r.Zone != 0 && pt.Role == event.Handheld {
			zone = s.scratchZones[r.Zone-1]
		}
		if zone == 0 {
			s.out.Unplaced++
			continue
		}
		i, ok := s.index[r.Key]
		if !ok {
			if s.replaying {
				continue // cannot be: every tag in the journal's tail has its item
			}
			i = s.create(r.Key, r.Text)
		}
		// A clock that runs ahead does not put a read into the future of the entry that brought it.
		t := min(r.T, e.At)
		if s.presence.Read(i, pt, zone, t, e.At, r) {
			s.lookDoubled(i, pt, t)
		}
	}
}

// resolve looks up the names of an entry once, and notes that its read points are alive.
func (s *core) resolve(e *event.Entry) []*presence.Point {
	s.scratchPoints = s.scratchPoints[:0]
	for _, id := range e.Points {
		pt := s.bound.point(s.numbers[id])
		s.scratchPoints = append(s.scratchPoints, pt)
		if pt != nil {
			s.presence.Report(pt)
		}
	}
	s.scratchZones = s.scratchZones[:0]
	for _, id := range e.Zones {
		n := s.numbers[id]
		if !s.bound.zone(n).Known {
			n = 0
		}
		s.scratchZones = append(s.scratchZones, n)
	}
	return s.scratchPoints
}

// foldEvent folds one business event.
func (s *core) foldEvent(ev *event.Event) {
	zone := s.numbers[ev.Zone]
	if !s.bound.zone(zone).Known {
		zone = 0
	}
	for _, tag := range ev.Tags {
		i := s.find(tag.Key)
		if i < 0 {
			if s.replaying {
				continue
			}
			i = s.create(tag.Key, tag.Text)
		}
		if ev.Type == event.EventMoved || ev.Type == event.EventReceived || ev.Type == event.EventReturned {
			s.presence.ForgetBefore(&s.item(i).Known, min(ev.T, s.clock))
		}
		if !s.replaying {
			s.foldEventOn(ev, i, zone)
		}
	}
}

// foldEventOn does what a business event means for one item, and tells it.
func (s *core) foldEventOn(ev *event.Event, i int32, zone uint16) {
	t := min(ev.T, s.clock)
	tell := func(c event.Cause) {
		s.emitItem(c, i, t, func(f *event.Fact) {
			f.Ref, f.Point = ev.Ref, ""
		})
		s.tellStock(t)
	}
	// away takes it out of the shop.
	away := func(d event.Disposition) func(*item) {
		return func(it *item) {
			it.Disposition = d
			it.From, it.Zone = it.Zone, 0
			it.Since = max(t, it.Sure)
			it.Sure = it.Since
			it.Declared = false
		}
	}
	// moveTo puts the item where the event says, unless something newer is known of it.
	moveTo := func(it *item) {
		if zone != 0 && t >= it.Sure && it.Zone != zone {
			it.From, it.Zone, it.Since, it.Sure = it.Zone, zone, t, t
			it.Declared = true
		}
	}
	switch ev.Type {
	case event.EventSold:
		// A sale may be told late, when the item is through the door: it still is paid for, but is
		// not back at the till.
		s.change(i, func(it *item) {
			if s.bound.zone(it.Zone).Kind != event.Exit {
				moveTo(it)
			}
			it.Disposition = event.RetailSold
		})
		tell(event.Sold)
	case event.EventReturned, event.EventReceived:
		s.change(i, func(it *item) {
			moveTo(it)
			it.Disposition = sellableIn(s.bound.zone(it.Zone).Kind)
		})
		tell(map[event.EventType]event.Cause{event.EventReturned: event.Returned, event.EventReceived: event.Received}[ev.Type])
	case event.EventShipped:
		s.change(i, away(event.InTransit))
		tell(event.Shipped)
	case event.EventMoved:
		if zone != 0 {
			s.presence.TakeForStock(i) // a person says where it belongs
			s.declare(i, zone, t, 0, true)
		}
	case event.EventRetired:
		s.change(i, away(event.Inactive))
		tell(event.Retired)
	case event.EventRegistered:
		s.change(i, func(it *item) {
			s.registered[it.key] = ev.GTIN
			it.product = s.productOf(it.key)
			if it.Disposition == event.Unknown && it.product >= 0 && declaresStock(s.bound.zone(it.Zone).Kind) {
				it.Disposition = sellableIn(s.bound.zone(it.Zone).Kind)
			}
		})
		tell(event.Registered)
	}
}

// EvidenceFrom returns the sequence number after which entries are still needed to rebuild
// evidence: the journal must keep them.
func (s *State) EvidenceFrom() uint64 {
	if len(s.marks) == 0 {
		return s.seq
	}
	return s.marks[0].seq - 1
}
