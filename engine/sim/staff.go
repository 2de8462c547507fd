package sim

import (
	"slices"

	"lintel/engine/event"
)

// schedule sets when things happen first.
func (s *Sim) schedule() {
	c := &s.cfg.People
	const hour = 3600_000
	if c.CustomersPerHour > 0 {
		s.nextGuest = s.now + max(1, int64(s.people.ExpFloat64()*hour/c.CustomersPerHour))
	}
	if c.ReturnsPerHour > 0 {
		s.nextReturn = s.now + max(1, int64(s.people.ExpFloat64()*hour/c.ReturnsPerHour))
	}
	if c.RefillEvery > 0 {
		s.nextRefill = s.now + c.RefillEvery.Milliseconds()
	}
	if c.TidyEvery > 0 {
		s.nextTidy = s.now + c.TidyEvery.Milliseconds()
	}
	s.scenes = slices.Clone(s.cfg.Scenes)
	slices.SortStableFunc(s.scenes, func(a, b Scene) int { return int(a.At - b.At) })
}

// duties sends staff to what is due.
func (s *Sim) duties() {
	if s.nextRefill > 0 && s.now >= s.nextRefill {
		s.nextRefill = s.now + s.cfg.People.RefillEvery.Milliseconds()
		s.refill()
		if len(s.behindTill) > 0 {
			s.carryHome(s.behindTill)
			s.behindTill = nil
		}
	}
	if s.nextTidy > 0 && s.now >= s.nextTidy {
		s.nextTidy = s.now + s.cfg.People.TidyEvery.Milliseconds()
		var astray []int32
		for _, zone := range s.plan.sales {
			for _, i := range s.inZone[zone] {
				if t := &s.things[i]; t.misplaced > 0 && !s.claimed[i] {
					astray = append(astray, i)
				}
			}
		}
		s.carryHome(astray)
	}
}

// armful is what one member of staff carries at once.
const armful = 12

// refill brings copies from the stockroom to where fewer lie than should, two more than the
// minimum.
func (s *Sim) refill() {
	type errand struct {
		item int32
		zone uint8
		cell int32
	}
	var list []errand
	back := s.plan.number[stock]
	for product := range int32(s.catalog.Len()) {
		for _, zone := range s.plan.sales {
			c := s.cell(product, zone)
			if s.minimum[c] == 0 || s.counts[c] >= s.minimum[c] || s.claimed[-1-c] {
				continue
			}
			for _, i := range s.lyingOf(product, back, int(s.minimum[c]+2-s.counts[c])) {
				s.claimed[i], s.claimed[-1-c] = true, true
				list = append(list, errand{i, zone, c})
			}
		}
	}
	for part := range slices.Chunk(list, armful) {
		p := s.newPerson(staffDoor)
		for _, e := range part {
			p.last(walk(standAt(s.things[e.item].pos)), wait(s.ms(2000, 6000)), call(func() {
				delete(s.claimed, e.item)
				s.pick(p, e.item)
			}))
		}
		for _, e := range part {
			pos := s.homeSpot(s.people, s.things[e.item].product, e.zone)
			p.last(walk(standAt(pos)), wait(s.ms(1000, 4000)), call(func() {
				delete(s.claimed, -1-e.cell)
				if s.things[e.item].holder == p {
					s.rest(e.item, e.zone, pos)
				}
			}))
		}
		p.last(walk(staffDoor))
	}
}

// carryHome brings items back to where their products belong.
func (s *Sim) carryHome(list []int32) {
	for _, i := range list {
		s.claimed[i] = true
	}
	for part := range slices.Chunk(list, armful) {
		p := s.newPerson(staffDoor)
		for _, i := range part {
			p.last(walk(standAt(s.things[i].pos)), wait(s.ms(1000, 4000)), call(func() {
				delete(s.claimed, i)
				s.pick(p, i)
			}))
		}
		for _, i := range part {
			product := s.things[i].product
			zone := s.plan.number[s.catalog.At(int(product)).HomeZones[0]]
			pos := s.homeSpot(s.people, product, zone)
			p.last(walk(standAt(pos)), wait(s.ms(1000, 4000)), call(func() {
				if s.things[i].holder == p {
					s.rest(i, zone, pos)
				}
			}))
		}
		p.last(walk(staffDoor))
	}
}

// deliver brings cartons in: they are read on the bench, booked as received, and carried to the
// stockroom.
func (s *Sim) deliver(n int) {
	const barrow = 25
	n = min(n, len(s.awaited))
	if n == 0 {
		return
	}
	goods := s.awaited[:n]
	s.awaited = s.awaited[n:]
	p := s.newPerson(staffDoor)
	p.last(walk(standAt(bench)), call(func() {
		for _, i := range goods {
			s.rest(i, s.plan.number[bay], vec{bench.x + s.some(0.35), bench.y + s.some(0.3), bench.z})
			s.claimed[i] = true
		}
	}), wait(s.ms(30_000, 60_000)), call(func() {
		ref, told := s.ref("D"), s.now+s.ms(100, 2000)
		for _, i := range goods {
			s.truth.Received = append(s.truth.Received, Receipt{Item: int(i), At: s.now, Told: told, Ref: ref})
		}
		s.tell(told, event.EventReceived, goods, bay, s.now, ref)
	}), wait(5000))
	for part := range slices.Chunk(goods, barrow) {
		p.last(walk(standAt(bench)), wait(s.ms(5000, 10_000)), call(func() {
			for _, i := range part {
				delete(s.claimed, i)
				s.pick(p, i)
			}
		}))
		for _, i := range part {
			pos := s.homeSpot(s.people, s.things[i].product, s.plan.number[stock])
			p.last(walk(standAt(pos)), call(func() {
				if s.things[i].holder == p {
					s.rest(i, s.plan.number[stock], pos)
				}
			}))
		}
	}
	p.last(walk(staffDoor))
}

// betweenWalks is how long staff rest between two walks with a handheld: longer than the tags keep
// quiet, and than a late batch takes.
const betweenWalks = 10_000

// sweep makes a member of staff walk up and down a zone with a handheld as often as told, and
// declare it.
func (s *Sim) sweep(point string, zone uint8, walks int) {
	k := slices.IndexFunc(s.radio.antennas, func(a *antenna) bool { return a.point == point })
	if k < 0 || s.radio.antennas[k].holder != nil {
		return
	}
	a := s.radio.antennas[k]
	p := s.newPerson(staffDoor)
	area := s.plan.areas[zone]
	record := 0
	for walked := range walks {
		if walked > 0 {
			p.last(wait(betweenWalks))
		}
		p.last(walk(standAt(area.spot(0, 0, 0))), call(func() {
			a.holder, a.zone = p, s.plan.ids[zone]
			p.speed = 0.4
			record = len(s.truth.Sweeps)
			s.truth.Sweeps = append(s.truth.Sweeps, Sweep{Point: point, Zone: a.zone, From: s.now})
		}))
		lanes := max(2, int((area.y1-area.y0)/0.8))
		for lane := range lanes {
			f := float64(lane) / float64(lanes-1)
			p.last(walk(standAt(area.spot(float64(lane%2), f, 0))), walk(standAt(area.spot(float64(1-lane%2), f, 0))))
		}
		p.last(call(func() {
			a.holder, a.zone = nil, ""
			p.speed = 1.2
			s.truth.Sweeps[record].To = s.now
		}))
	}
	p.last(walk(staffDoor))
}
