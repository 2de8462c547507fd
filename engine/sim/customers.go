package sim

import (
	"time"

	"lintel/engine/event"
)

// visitors lets customers in.
func (s *Sim) visitors() {
	const hour = 3600_000
	if s.nextGuest > 0 && s.now >= s.nextGuest {
		s.nextGuest = s.now + max(1, int64(s.people.ExpFloat64()*hour/s.cfg.People.CustomersPerHour))
		if s.open() {
			s.customer()
		}
	}
	if s.nextReturn > 0 && s.now >= s.nextReturn {
		s.nextReturn = s.now + max(1, int64(s.people.ExpFloat64()*hour/s.cfg.People.ReturnsPerHour))
		if s.open() {
			s.returning()
		}
	}
}

func (s *Sim) open() bool {
	return s.cfg.People.IgnoreHours || s.layout.OpenAt(time.UnixMilli(s.now))
}

// enter makes a customer who comes in from the street, perhaps with a tag from elsewhere.
func (s *Sim) enter() *person {
	p := s.newPerson(vec{doorX + s.some(0.5), street.y, carryHeight})
	if s.people.Float64() < s.cfg.People.StrangerChance {
		i := int32(s.cfg.Items + s.people.IntN(strangers))
		if s.things[i].state == outside {
			s.take(i, p)
		}
	}
	p.last(walk(vec{doorX + s.some(0.4), 0, carryHeight}), walk(inside))
	return p
}

// leave makes a person go out, with what they have in hand.
func (s *Sim) leave(p *person) {
	p.last(walk(vec{inside.x + s.some(0.5), inside.y, carryHeight}), walk(vec{doorX + s.some(0.4), 0, carryHeight}),
		walk(vec{doorX + s.some(0.5), street.y, carryHeight}))
}

// some draws a number around 0.
func (s *Sim) some(by float64) float64 { return (2*s.people.Float64() - 1) * by }

func (s *Sim) ms(low, high int64) int64 { return low + s.people.Int64N(high-low+1) }

func (s *Sim) customer() {
	p := s.enter()
	for range 1 + s.people.IntN(s.cfg.People.Stops) {
		p.last(call(func() { s.stop(p) }))
	}
	p.last(call(func() { s.decide(p) }))
}

// stop makes a customer look at a place, and perhaps take something.
func (s *Sim) stop(p *person) {
	c := &s.cfg.People
	zone := s.plan.sales[s.people.IntN(len(s.plan.sales))]
	switch x := s.people.Float64(); {
	case x < 0.3:
		zone = s.plan.number[tables]
	case x < 0.36:
		p.then(walk(standAt(s.anySpot(s.plan.number["cafe"]))), wait(3*between(s.people, c.BrowseMin, c.BrowseMax)))
		return
	}
	look := []act{walk(standAt(s.anySpot(zone))), wait(between(s.people, c.BrowseMin, c.BrowseMax))}
	if s.people.Float64() < c.PickChance {
		look = append(look, call(func() {
			if i, ok := s.lying(zone); ok {
				s.reach(p, i)
			}
		}))
	}
	p.then(look...)
}

// reach makes a customer go to an item, take it, and perhaps put it back.
func (s *Sim) reach(p *person, i int32) {
	c := &s.cfg.People
	list := []act{walk(standAt(s.things[i].pos)), call(func() { s.pick(p, i) }), wait(s.ms(2000, 20000))}
	if s.people.Float64() < c.PutBackChance {
		list = append(list, walk(standAt(s.anySpot(s.things[i].zone))), wait(s.ms(3000, 30000)), call(func() { s.putBack(p, i) }))
	}
	p.then(list...)
}

// putBack makes a customer lay an item down again, where it was or somewhere else.
func (s *Sim) putBack(p *person, i int32) {
	if s.things[i].holder != p {
		return
	}
	if s.people.Float64() < s.cfg.People.WrongPlaceChance {
		s.misplace(p, i, 0)
		return
	}
	for _, b := range p.before {
		if b.item == i {
			p.then(walk(standAt(b.pos)), call(func() { s.rest(i, b.zone, b.pos) }))
			return
		}
	}
}

// misplace makes a person lay an item down in a zone, 0: in one where it does not belong.
func (s *Sim) misplace(p *person, i int32, zone uint8) {
	for zone == 0 || s.isHome(s.things[i].product, zone) {
		zone = s.plan.sales[s.people.IntN(len(s.plan.sales))]
	}
	pos := s.anySpot(zone)
	p.then(walk(standAt(pos)), call(func() {
		if s.things[i].holder == p {
			s.rest(i, zone, pos)
		}
	}))
}

// decide is what a customer does in the end with what is in hand.
func (s *Sim) decide(p *person) {
	c := &s.cfg.People
	if s.unpaid(p) == 0 {
		s.leave(p)
		return
	}
	if s.people.Float64() < c.WalkOutChance {
		s.leave(p)
		return
	}
	if s.people.Float64() < c.TurnBackChance {
		s.turnBack(p)
	}
	if s.people.Float64() < c.BuyChance {
		s.pay(p, s.usualDelay())
	} else {
		p.last(call(func() { s.putAllBack(p) }))
	}
	p.last(call(func() { s.leave(p) }))
}

func (s *Sim) putAllBack(p *person) {
	for _, i := range p.goods {
		if t := &s.things[i]; t.product >= 0 && !t.paid {
			p.then(call(func() { s.putBack(p, i) }))
		}
	}
}

// turnBack makes a person go up to the door, wait there, and come back in.
func (s *Sim) turnBack(p *person) {
	closest := 0.7 + s.people.Float64()*0.9
	p.last(walk(inside), walk(vec{doorX + s.some(0.3), closest, carryHeight}), wait(s.ms(500, 4000)),
		walk(vec{doorX + 2 + s.some(0.5), 3.2, carryHeight}))
}

// usualDelay draws how long after a sale the server is told.
func (s *Sim) usualDelay() int64 {
	switch x := s.people.Float64(); {
	case x < s.cfg.People.VeryLateSaleChance:
		return s.ms(25_000, 45_000)
	case x < s.cfg.People.VeryLateSaleChance+s.cfg.People.LateSaleChance:
		return s.ms(1000, 5000)
	}
	return s.ms(50, 300)
}

// atTill makes a person queue, lay goods on the desk for a time, and then lets settle act on them;
// what it returns is taken along.
func (s *Sim) atTill(p *person, which func(i int32) bool, settle func(goods []int32) []int32) {
	var goods []int32
	p.last(
		walk(vec{tillQueue.x + s.some(0.4), tillQueue.y + s.some(0.4), carryHeight}),
		call(func() { s.tillLine = append(s.tillLine, p) }),
		until(func() bool { return s.tillLine[0] == p }),
		walk(tillFront),
		call(func() {
			for _, i := range append([]int32(nil), p.goods...) {
				if which(i) {
					goods = append(goods, i)
					s.rest(i, s.plan.number[till], vec{tillDesk.x + s.some(0.2), tillDesk.y + s.some(0.2), tillDesk.z})
				}
			}
			p.then(wait(3000 + 1500*int64(len(goods))))
		}),
		call(func() {
			for _, i := range settle(goods) {
				s.take(i, p)
			}
		}),
		wait(s.ms(2000, 6000)),
		call(func() { s.tillLine = s.tillLine[1:] }),
	)
}

// pay makes a person pay for everything in hand; the server is told late ms afterwards.
func (s *Sim) pay(p *person, late int64) {
	mine := func(i int32) bool { return s.things[i].product >= 0 && !s.things[i].paid }
	s.atTill(p, mine, func(goods []int32) []int32 {
		if len(goods) == 0 {
			return nil
		}
		ref, told := s.ref("R"), s.now+late
		for _, i := range goods {
			s.lift(i) // before it is paid for: from then on it is no stock
			s.things[i].paid = true
			s.sold = append(s.sold, i)
			s.truth.Sales = append(s.truth.Sales, Sale{Item: int(i), At: s.now, Told: told, Ref: ref})
		}
		s.tell(told, event.EventSold, goods, till, s.now, ref)
		return goods
	})
}

// returning makes a customer bring back something bought before.
func (s *Sim) returning() {
	var home []int
	for k, i := range s.sold {
		if s.things[i].state == outside {
			home = append(home, k)
		}
	}
	if len(home) == 0 {
		return
	}
	k := home[s.people.IntN(len(home))]
	i := s.sold[k]
	s.sold = append(s.sold[:k], s.sold[k+1:]...)
	p := s.enter()
	s.take(i, p)
	s.atTill(p, func(k int32) bool { return k == i }, func(goods []int32) []int32 {
		ref, told := s.ref("B"), s.now+s.usualDelay()
		s.lift(i)
		s.things[i].paid = false
		s.truth.Returns = append(s.truth.Returns, Return{Item: int(i), At: s.now, Told: told, Ref: ref})
		s.rest(i, s.plan.number[till], vec{11.3, 2.2, 0.5})
		s.behindTill = append(s.behindTill, i)
		s.tell(told, event.EventReturned, goods, till, s.now, ref)
		return nil
	})
	p.last(call(func() { s.leave(p) }))
}
