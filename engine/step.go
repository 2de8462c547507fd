package engine

import (
	"math"

	"lintel/engine/event"
)

// step folds one entry into the state of a site. It is the only place where a site changes.
func (s *State) step(cfg *Config, e *event.Entry) {
	s.seq = e.Seq
	later := s.advance(e.At)
	s.alerts.Begin(s.seq, s.clock)
	s.markTime()
	if cfg != s.bound.cfg {
		s.rebind(cfg)
	}
	if later {
		s.timers()
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
	case event.EntryFacts:
		for i := range e.Facts {
			s.foldRecorded(&e.Facts[i])
		}
	}
	s.out.RuleErrors += s.alerts.Failures()
}

// timers does what is due by the site clock. It runs when the clock moves and before the entry that
// moved it, so that a batch cut in two, which has one time, is the same as a whole one.
func (s *State) timers() {
	s.expire()
	s.settle()
	s.listen()
	s.meetSilence()
	s.alerts.Advance()
}

// NextTimer returns when, by the site clock in Unix milliseconds, something is due without any
// further entry; math.MaxInt64: never.
func (s *State) NextTimer() int64 {
	next := min(s.portals.nextAt, s.alerts.Next())
	if p := &s.presence; p.queued > 0 {
		for e := p.done + 1; e < p.done+wheelBuckets; e++ {
			if len(p.wheel[e%wheelBuckets]) > 0 {
				next = min(next, (e+lateEpochs)*s.bound.epoch)
				break
			}
		}
	}
	return min(next, s.readersNext(), s.silenceNext())
}

func (s *State) readersNext() int64 {
	next := int64(math.MaxInt64)
	for _, pt := range s.bound.points {
		if pt == nil || pt.silent == 0 {
			continue
		}
		if st := s.readers.at(pt.name); st.last != 0 && !st.silent {
			next = min(next, st.last+pt.silent)
		}
	}
	return next
}

// rebind takes over a new configuration: every product's stock meets its rules anew, so that what
// is already below its minimum is told.
func (s *State) rebind(cfg *Config) {
	s.bind(cfg)
	s.readers.nextAt = 0
	s.alerts.Withdraw()
	if !s.bound.stockRules {
		return
	}
	for i := range cfg.Catalog.Len() {
		for _, l := range s.bound.limits[int32(i)] {
			f := event.Fact{Cause: event.Stock, At: s.clock, GTIN: cfg.Catalog.At(i).GTIN, Seq: s.seq}
			s.meetLimit(&f, int32(i), l)
		}
	}
}

// foldReads folds a batch of reads in its order.
func (s *State) foldReads(e *event.Entry) {
	points := s.resolve(e)
	if len(s.bound.doors) > 0 {
		s.noteNewest(e, points)
	}
	s.out.Reads += len(e.Reads)
	for k := range e.Reads {
		r := &e.Reads[k]
		pt := points[r.Point]
		if pt == nil {
			s.out.Unplaced++
			continue
		}
		if r.RSSI != event.NoRSSI && r.RSSI < pt.minRSSI {
			s.out.Weak++
			continue
		}
		zone := pt.zone
		if r.Zone != 0 && pt.role == event.Handheld {
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
		fresh := s.hear(i, pt, t, r.RSSI)
		if it := s.item(i); t >= it.seen {
			it.seen, it.point = t, pt.name
			if it.ev < 0 {
				s.touch(i) // too late to be evidence, so the record must say so
			}
		}
		switch pt.role {
		case event.Fixed:
			if fresh && !s.replaying {
				s.consider(i, pt, t)
				s.lookDoubled(i, pt, t)
			}
		case event.Portal:
			s.pass(i, pt, r, e.At)
		case event.Handheld, event.Desk:
			s.forgetBefore(s.item(i), s.epochOf(t))
			s.declare(i, zone, t, pt.name)
		}
	}
}

// resolve looks up the names of an entry once, and notes that its read points are alive.
func (s *State) resolve(e *event.Entry) []*pointInfo {
	s.scratchPoints = s.scratchPoints[:0]
	for _, id := range e.Points {
		pt := s.point(s.numbers[id])
		s.scratchPoints = append(s.scratchPoints, pt)
		if pt != nil {
			s.report(pt)
		}
	}
	s.scratchZones = s.scratchZones[:0]
	for _, id := range e.Zones {
		n := s.numbers[id]
		if !s.zone(n).known {
			n = 0
		}
		s.scratchZones = append(s.scratchZones, n)
	}
	return s.scratchPoints
}

// foldEvent folds one business event.
func (s *State) foldEvent(ev *event.Event) {
	zone := s.numbers[ev.Zone]
	if !s.zone(zone).known {
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
			s.forgetBefore(s.item(i), s.epochOf(min(ev.T, s.clock)))
		}
		if !s.replaying {
			s.foldEventOn(ev, i, zone)
		}
	}
}

// foldEventOn does what a business event means for one item, and tells it.
func (s *State) foldEventOn(ev *event.Event, i int32, zone uint16) {
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
			it.disp = d
			it.from, it.zone = it.zone, 0
			it.since = max(t, it.sure)
			it.sure = it.since
			it.flags &^= flagDeclared
		}
	}
	// moveTo puts the item where the event says, unless something newer is known of it.
	moveTo := func(it *item) {
		if zone != 0 && t >= it.sure && it.zone != zone {
			it.from, it.zone, it.since, it.sure = it.zone, zone, t, t
			it.flags |= flagDeclared
		}
	}
	switch ev.Type {
	case event.EventSold:
		// A sale may be told late, when the item is through the door: it still is paid for, but is
		// not back at the till.
		s.change(i, func(it *item) {
			if s.zone(it.zone).kind != event.Exit {
				moveTo(it)
			}
			it.disp = event.RetailSold
		})
		tell(event.Sold)
	case event.EventReturned, event.EventReceived:
		s.change(i, func(it *item) {
			moveTo(it)
			it.disp = sellableIn(s.zone(it.zone).kind)
		})
		tell(map[event.EventType]event.Cause{event.EventReturned: event.Returned, event.EventReceived: event.Received}[ev.Type])
	case event.EventShipped:
		s.change(i, away(event.InTransit))
		tell(event.Shipped)
	case event.EventMoved:
		if zone != 0 {
			s.takeForStock(i) // a person says where it belongs
			s.declare(i, zone, t, 0)
		}
	case event.EventRetired:
		s.change(i, away(event.Inactive))
		tell(event.Retired)
	case event.EventRegistered:
		s.change(i, func(it *item) {
			s.registered[it.key] = ev.GTIN
			it.product = s.productOf(it.key)
			if it.disp == event.Unknown && it.product >= 0 && declaresStock(s.zone(it.zone).kind) {
				it.disp = sellableIn(s.zone(it.zone).kind)
			}
		})
		tell(event.Registered)
	}
}

// markTime remembers where in the journal each moment began, as far back as evidence reaches.
func (s *State) markTime() {
	if n := len(s.marks); n == 0 || s.clock-s.marks[n-1].at >= evidenceEpochs*s.bound.epoch/16 {
		s.marks = append(s.marks, mark{s.clock, s.seq})
	}
	horizon := s.clock - evidenceEpochs*s.bound.epoch
	for len(s.marks) > 1 && s.marks[1].at <= horizon {
		s.marks = s.marks[1:]
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
