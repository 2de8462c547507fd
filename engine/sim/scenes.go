package sim

import (
	"math/rand/v2"
	"time"
)

// Scene is something that happens for certain.
type Scene struct {
	At   time.Duration // after the beginning
	Kind SceneKind
	// SceneUnpaidExit, SceneTurnBack, ScenePurchase, SceneLatePurchase, SceneMisplace,
	// SceneLeftBehind: where goods are taken; SceneSweep: what is swept. "": the front tables
	Zone string
	// SceneMisplace, SceneLeftBehind: where goods are laid down. "": SceneMisplace: anywhere that
	// is wrong, SceneLeftBehind: where they were taken
	To    string
	Point string        // SceneSilence, SceneSweep: the read point
	N     int           // goods; SceneSweep: how often the zone is walked through; at least 1
	For   time.Duration // SceneSilence
}

// SceneKind says what happens.
type SceneKind uint8

// The kinds of scenes.
const (
	SceneUnpaidExit   SceneKind = iota + 1 // somebody takes N goods and leaves without paying
	SceneTurnBack                          // somebody takes N goods to the door, turns back, and pays
	ScenePurchase                          // somebody takes N goods, pays and leaves
	SceneLatePurchase                      // the same, but the till tells the sale only when they are through the door
	SceneMisplace                          // somebody takes N goods and lays them down where they do not belong
	SceneLowTable                          // somebody buys so many copies of one product that the front tables have fewer than the minimum
	SceneReturn                            // somebody brings back what they bought before
	SceneDelivery                          // N goods arrive
	SceneSilence                           // a reader is off for a while
	SceneSweep                             // staff walk through a zone with a handheld, N times with betweenWalks in between
	SceneLeftBehind                        // somebody takes N goods, pays, lays them down again and leaves without them
)

// play makes a scene happen.
func (s *Sim) play(c Scene) {
	zone := s.plan.number[c.Zone]
	if zone == 0 {
		zone = s.plan.number[tables]
	}
	n := max(1, c.N)
	switch c.Kind {
	case SceneUnpaidExit:
		p := s.shopper(zone, n)
		p.last(call(func() { s.leave(p) }))
	case SceneTurnBack:
		p := s.shopper(zone, n)
		p.last(call(func() {
			s.turnBack(p)
			s.pay(p, s.ms(50, 300))
			p.last(call(func() { s.leave(p) }))
		}))
	case ScenePurchase, SceneLatePurchase:
		late := s.ms(50, 300)
		if c.Kind == SceneLatePurchase {
			late = s.ms(25_000, 45_000)
		}
		p := s.shopper(zone, n)
		s.pay(p, late)
		p.last(call(func() { s.leave(p) }))
	case SceneMisplace:
		p := s.shopper(zone, n)
		p.last(call(func() {
			for _, i := range p.goods {
				if s.things[i].product >= 0 {
					p.then(call(func() { s.misplace(p, i, s.plan.number[c.To]) }))
				}
			}
		}))
		p.last(call(func() { s.leave(p) }))
	case SceneLowTable:
		s.lowTable()
	case SceneReturn:
		s.returning()
	case SceneDelivery:
		s.deliver(n)
	case SceneSilence:
		for _, a := range s.radio.antennas {
			if a.point == c.Point {
				a.off = s.now + c.For.Milliseconds()
				s.truth.Silences = append(s.truth.Silences, Silence{Point: c.Point, From: s.now, To: a.off})
			}
		}
	case SceneSweep:
		s.sweep(c.Point, zone, n)
	case SceneLeftBehind:
		if to := s.plan.number[c.To]; to != 0 {
			s.leaveBehind(zone, to, n)
		} else {
			s.leaveBehind(zone, zone, n)
		}
	}
}

// leaveBehind lets a customer pay for goods, read in them somewhere, and go home without them.
func (s *Sim) leaveBehind(zone, to uint8, n int) {
	p := s.shopper(zone, n)
	s.pay(p, s.ms(50, 300))
	p.last(call(func() {
		for _, i := range p.goods {
			if s.things[i].product < 0 {
				continue
			}
			pos := s.anySpot(to)
			p.then(walk(standAt(pos)), wait(s.ms(1000, 4000)), call(func() { s.rest(i, to, pos) }))
		}
	}))
	p.last(call(func() { s.leave(p) }))
}

// shopper makes a customer who takes n goods from a zone for certain.
func (s *Sim) shopper(zone uint8, n int) *person {
	p := s.enter()
	p.last(walk(standAt(s.anySpot(zone))), wait(s.ms(5000, 20_000)))
	for range n {
		p.last(call(func() { s.grab(p, zone) }))
	}
	return p
}

// grab makes a person take something from a zone, and try again if somebody else was faster.
func (s *Sim) grab(p *person, zone uint8) {
	i, ok := s.lying(zone)
	if !ok {
		return
	}
	had := len(p.goods)
	p.then(walk(standAt(s.things[i].pos)), call(func() {
		s.pick(p, i)
		if len(p.goods) == had {
			s.grab(p, zone)
		}
	}), wait(s.ms(1000, 3000)))
}

// lowTable lets a customer buy enough copies of a product.
func (s *Sim) lowTable() {
	zone := s.plan.number[tables]
	var best []int32
	for product := range int32(s.catalog.Len()) {
		c := s.cell(product, zone)
		need := int(s.counts[c] - s.minimum[c] + 1)
		if s.minimum[c] == 0 || need < 1 || s.claimed[-1-c] || len(s.lyingOf(product, s.plan.number[stock], 5)) < 5 {
			continue
		}
		if goods := s.lyingOf(product, zone, need); len(goods) == need && (best == nil || len(goods) < len(best)) {
			best = goods
		}
	}
	p := s.enter()
	for _, i := range best {
		p.last(walk(standAt(s.things[i].pos)), call(func() { s.pick(p, i) }), wait(s.ms(1000, 3000)))
	}
	s.pay(p, s.ms(50, 300))
	p.last(call(func() { s.leave(p) }))
}

// DayStart is when a day of the shop begins: half past eight on a Tuesday in London, half an hour before the
// shop opens.
var DayStart = time.Date(2026, 3, 10, 8, 30, 0, 0, time.UTC)

// Demo is a stretch of time that shows everything at least once, spread over its length, which
// should be 20 minutes or more: paid and unpaid exits, somebody who turns back at the door,
// misplaced books, a table that falls below its minimum and is refilled, a return, a delivery, a
// walk with a handheld, and a reader that goes silent and returns. If it is short, chance adds
// little to it.
func Demo(seed uint64, start time.Time, length time.Duration) Config {
	c := Config{Seed: seed, Start: start.UnixMilli(), Length: length, Radio: DefaultRadio(), People: DefaultPeople(),
		Network: DefaultNetwork()}
	c.People.RefillEvery = max(2*time.Minute, min(c.People.RefillEvery, length/12))
	c.People.TidyEvery = max(5*time.Minute, min(c.People.TidyEvery, length*2/5))
	rng := rand.New(rand.NewPCG(seed, streamPeople<<8))
	zones := []string{"shelf-a", "shelf-b", "shelf-c", "shelf-d", "shelf-e", "shelf-f", "childrens-room"}
	zone := func() string { return zones[rng.IntN(len(zones))] }
	at := func(f float64) time.Duration {
		return time.Duration((f + 0.02*rng.Float64()) * float64(length)).Round(time.Second)
	}
	c.Scenes = []Scene{
		{At: at(0.02), Kind: SceneSweep, Zone: zone(), Point: "handheld-1"},
		{At: at(0.08), Kind: ScenePurchase, N: 2},
		{At: at(0.10), Kind: SceneMisplace, Zone: tables, N: 2},
		{At: at(0.14), Kind: SceneLowTable},
		{At: at(0.18), Kind: SceneDelivery, N: deliverable / 2},
		{At: at(0.22), Kind: SceneTurnBack, N: 1},
		{At: at(0.26), Kind: SceneUnpaidExit, N: 1},
		{At: at(0.30), Kind: SceneSilence, Point: "shelf-" + string(rune('a'+rng.IntN(6))) + "-1",
			For: max(5*time.Minute, min(20*time.Minute, length/5))},
		{At: at(0.36), Kind: ScenePurchase, Zone: zone(), N: 3},
		{At: at(0.42), Kind: SceneLatePurchase, N: 1},
		{At: at(0.48), Kind: SceneReturn},
		{At: at(0.52), Kind: SceneMisplace, Zone: zone(), N: 1},
		{At: at(0.56), Kind: SceneSweep, Zone: zone(), Point: "handheld-2"},
		{At: at(0.60), Kind: ScenePurchase, N: 1},
		{At: at(0.64), Kind: SceneUnpaidExit, Zone: zone(), N: 3},
		{At: at(0.70), Kind: SceneTurnBack, N: 2},
		{At: at(0.74), Kind: ScenePurchase, Zone: zone(), N: 1},
		{At: at(0.78), Kind: SceneDelivery, N: deliverable / 2},
	}
	return c
}
