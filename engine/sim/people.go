package sim

import (
	"math"
	"slices"

	"lintel/engine/event"
)

// person is a customer or a member of staff: a list of acts that is worked off and that acts may
// add to.
type person struct {
	visit  int
	pos    vec
	zone   uint8
	speed  float64 // metres a second
	loss   float64 // dB that the body takes of a tag in hand, one way
	goods  []int32
	acts   []act
	before []before // where goods were picked

	// at the door
	near    int64 // since when with unpaid goods; 0: not
	closest float64
	crossed bool
}

type before struct {
	item int32
	zone uint8
	pos  vec
}

// act is one thing to do: exactly one of its fields is set.
type act struct {
	to    *vec
	wait  int64
	do    func()
	until func() bool
}

func walk(to vec) act              { return act{to: &to} }
func wait(ms int64) act            { return act{wait: max(1, ms)} }
func call(do func()) act           { return act{do: do} }
func until(done func() bool) act   { return act{until: done} }
func (p *person) then(list ...act) { p.acts = slices.Insert(p.acts, 0, list...) }
func (p *person) last(list ...act) { p.acts = append(p.acts, list...) }

func (p *person) how() uint8 {
	if p.pos.y < 0 {
		return howCarried | howOutside
	}
	return howCarried
}

func (s *Sim) newPerson(at vec) *person {
	s.visits++
	p := &person{
		visit: s.visits, pos: at, loss: s.people.Float64() * s.cfg.Radio.BodyLoss,
		speed: s.cfg.People.WalkMin + s.people.Float64()*(s.cfg.People.WalkMax-s.cfg.People.WalkMin),
	}
	p.zone = s.plan.zoneAt(at)
	s.persons = append(s.persons, p)
	return p
}

// act lets a person do what they do in one tick, and reports whether they stay.
func (s *Sim) act(p *person) bool {
	const stairs = 0.5 // metres a second, upwards
	for {
		if len(p.acts) == 0 {
			for len(p.goods) > 0 {
				s.gone(p.goods[len(p.goods)-1])
			}
			return false
		}
		a := p.acts[0]
		switch {
		case a.do != nil:
			p.acts = p.acts[1:]
			a.do()
			continue
		case a.until != nil:
			if !a.until() {
				return true
			}
			p.acts = p.acts[1:]
			continue
		case a.to == nil:
			p.acts[0].wait -= tickMs
			if p.acts[0].wait <= 0 {
				p.acts = p.acts[1:]
			}
			return true
		}
		to := *a.to
		if to.upstairs() != p.pos.upstairs() && !(p.pos.flat(stairsFoot) < 0.01 && to.flat(stairsFoot) < 0.01) {
			foot, head := stairsFoot, stairsHead
			if p.pos.upstairs() {
				foot, head = head, foot
			}
			p.then(walk(foot), walk(head))
			continue
		}
		speed := p.speed
		if p.pos.flat(to) < 0.01 {
			speed = stairs
		}
		way := to.sub(p.pos)
		step := speed * tickMs / 1000
		from := p.pos
		if left := way.length(); left <= step {
			p.pos = to
			p.acts = p.acts[1:]
		} else {
			f := step / left
			p.pos = vec{p.pos.x + way.x*f, p.pos.y + way.y*f, p.pos.z + way.z*f}
		}
		s.moved(p, from)
		return true
	}
}

// moved keeps the truth about a person who went from one place to the next.
func (s *Sim) moved(p *person, from vec) {
	zone, how := s.plan.zoneAt(p.pos), p.how()
	if (from.y < 0) != (p.pos.y < 0) {
		s.crossed(p, from)
	}
	p.zone = zone
	for _, i := range p.goods {
		s.record(i, zone, how)
	}
	s.approaching(p)
}

// crossed notes what goes through the middle of the door.
func (s *Sim) crossed(p *person, from vec) {
	p.crossed = true
	way := event.DirectionOut
	if from.y < 0 {
		way = event.DirectionIn
	}
	// The moment within the tick.
	at := s.now - int64(math.Round(tickMs*math.Abs(p.pos.y)/math.Abs(p.pos.y-from.y)))
	for _, i := range p.goods {
		s.truth.Passages = append(s.truth.Passages, Passage{
			Item: int(i), At: at, Direction: way, Paid: s.things[i].paid, Told: s.toldOf(i), Visit: p.visit,
		})
	}
}

// toldOf returns when the server is told of the last sale of an item, 0 if never.
func (s *Sim) toldOf(i int32) int64 {
	if !s.things[i].paid {
		return 0
	}
	for k := len(s.truth.Sales) - 1; k >= 0; k-- {
		if s.truth.Sales[k].Item == int(i) {
			return s.truth.Sales[k].Told
		}
	}
	return 0
}

// approaching notes who comes to the door with unpaid goods and turns back.
func (s *Sim) approaching(p *person) {
	d := math.Hypot(p.pos.x-doorX, p.pos.y)
	close := d < nearDoor && p.pos.y >= 0 && !p.pos.upstairs()
	switch {
	case close && p.near == 0:
		if s.unpaid(p) > 0 {
			p.near, p.closest, p.crossed = s.now, d, false
		}
	case close:
		p.closest = min(p.closest, d)
	case p.near != 0:
		if !p.crossed {
			for _, i := range p.goods {
				if t := &s.things[i]; t.product >= 0 && !t.paid {
					s.truth.Approaches = append(s.truth.Approaches, Approach{Item: int(i), From: p.near, To: s.now,
						Closest: p.closest, Visit: p.visit})
				}
			}
		}
		p.near = 0
	}
}

// unpaid counts what of this shop's goods a person has in hand and has not paid for.
func (s *Sim) unpaid(p *person) (n int) {
	for _, i := range p.goods {
		if t := &s.things[i]; t.product >= 0 && !t.paid {
			n++
		}
	}
	return n
}

// pick makes a person take an item, if it still lies where they saw it.
func (s *Sim) pick(p *person, i int32) {
	t := &s.things[i]
	if t.state != resting || s.claimed[i] || t.zone == s.plan.number[till] { // on the desk it is somebody's who is paying
		return
	}
	p.before = append(p.before, before{i, t.zone, t.pos})
	s.take(i, p)
}

// lying returns a random item on sale in a zone that nobody is about to move.
func (s *Sim) lying(zone uint8) (int32, bool) {
	list := s.inZone[zone]
	for range 8 {
		if len(list) == 0 {
			return 0, false
		}
		if i := list[s.people.IntN(len(list))]; !s.things[i].paid && !s.claimed[i] {
			return i, true
		}
	}
	return 0, false
}

// lyingOf returns the items of a product that lie in a zone and that nobody is about to move.
func (s *Sim) lyingOf(product int32, zone uint8, n int) (found []int32) {
	for _, i := range s.inZone[zone] {
		if len(found) == n {
			break
		}
		if t := &s.things[i]; t.product == product && !t.paid && !s.claimed[i] {
			found = append(found, i)
		}
	}
	return found
}

// standAt is where a person stands to reach a place.
func standAt(pos vec) vec {
	if pos.upstairs() {
		return pos.at(upper + carryHeight)
	}
	return pos.at(carryHeight)
}
