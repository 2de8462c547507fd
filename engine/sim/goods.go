package sim

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"lintel/engine/epc"
)

const defaultItems = 6000

// stock makes the items and their tags.
func (s *Sim) stock() {
	rng := rand.New(rand.NewPCG(s.cfg.Seed, streamStock))
	products := s.catalog.Len()
	zones := len(s.plan.ids)
	s.inZone = make([][]int32, zones)
	s.counts = make([]int32, products*zones)
	s.minimum = make([]int32, products*zones)
	s.short = make([]int32, products*zones)
	for p := range products {
		for z := 1; z < zones; z++ {
			if least, ok := minimumAt(s.catalog.At(p), s.plan.ids[z]); ok {
				s.minimum[p*zones+z] = int32(least)
			}
		}
	}
	serials := make([]uint64, products)
	for p := range serials {
		serials[p] = uint64(1000 + rng.IntN(9000))
	}
	for i := range s.cfg.Items {
		p := i % products
		serials[p]++
		s.addThing(int32(p), s.catalog.At(p).GTIN, serials[p])
	}
	for i := range strangers {
		gtin, err := epc.ParseGTIN(gtin13(strangerPrefix, i/2))
		if err != nil {
			panic("sim: " + err.Error()) // made with its check digit
		}
		s.addThing(-1, gtin, uint64(500+i))
	}
	s.truth.stays = make([][]stay, len(s.things))
	s.truth.zones = s.plan.ids
	s.truth.Start = s.cfg.Start
}

func (s *Sim) addThing(product int32, gtin, serial uint64) {
	id, err := epc.EncodeSGTIN96(gtin, companyPrefixDigits, serial, 1)
	if err != nil {
		panic(fmt.Sprintf("sim: GTIN %d serial %d: %v", gtin, serial, err)) // the catalogue's GTINs are checked
	}
	hex := id.Hex()
	s.things = append(s.things, thing{product: product})
	s.hex, s.keys = append(s.hex, hex), append(s.keys, id.Key())
	s.truth.Items = append(s.truth.Items, Item{EPC: hex, Key: id.Key(), GTIN: gtin, Stranger: product < 0})
}

// fill puts the goods where they are in the beginning: some copies of each product at its homes,
// the rest in the stockroom, and a few not in the shop.
func (s *Sim) fill() {
	rng := rand.New(rand.NewPCG(s.cfg.Seed, streamStock<<8))
	products := s.catalog.Len()
	wants := make([][]uint8, products) // zones that still want a copy
	for p := range products {
		for _, home := range s.catalog.At(p).HomeZones {
			z := s.plan.number[home]
			n := int(s.minimum[p*len(s.plan.ids)+int(z)])
			if home == tables {
				n += 1 + rng.IntN(3)
			} else {
				n += 2 + rng.IntN(5)
			}
			for range n {
				wants[p] = append(wants[p], z)
			}
		}
	}
	away := min(deliverable+soldBefore, s.cfg.Items/20)
	backroom := s.plan.number[stock]
	for i := range s.things {
		p := s.things[i].product
		left := s.cfg.Items - i
		switch {
		case p < 0:
			s.gone(int32(i))
		case left <= away-soldBefore:
			s.gone(int32(i))
			s.awaited = append(s.awaited, int32(i))
		case left <= away:
			s.gone(int32(i))
			s.things[i].paid = true
			s.sold = append(s.sold, int32(i))
		case len(wants[p]) > 0:
			z := wants[p][0]
			wants[p] = wants[p][1:]
			s.rest(int32(i), z, s.homeSpot(rng, p, z))
		default:
			s.rest(int32(i), backroom, s.homeSpot(rng, p, backroom))
		}
	}
}

// homeSpot returns where copies of the product lie in a zone: close together.
func (s *Sim) homeSpot(rng *rand.Rand, product int32, zone uint8) vec {
	h := mix(uint64(product)<<8 | uint64(zone))
	fx, fy, fz := unit(h), unit(mix(h+1)), unit(mix(h+2))
	jitter := func(f float64) float64 { return min(1, max(0, f+(rng.Float64()-0.5)*0.06)) }
	a := s.plan.areas[zone]
	v := a.spot(jitter(fx), jitter(fy), jitter(fz))
	if a.zone == tables && product%10 == 0 {
		// A display right behind the door, which the door hears all day.
		v.x, v.y = doorX-0.8+2.4*jitter(fx), 2.6+0.4*jitter(fy)
	}
	return v
}

// anySpot returns a place for goods anywhere in a zone.
func (s *Sim) anySpot(zone uint8) vec {
	return s.plan.areas[zone].spot(s.people.Float64(), s.people.Float64(), s.people.Float64())
}

// cell is the index of a product in a zone.
func (s *Sim) cell(product int32, zone uint8) int32 {
	return product*int32(len(s.plan.ids)) + int32(zone)
}

func (s *Sim) isHome(product int32, zone uint8) bool {
	return slices.Contains(s.catalog.At(int(product)).HomeZones, s.plan.ids[zone])
}

// rest lays an item down.
func (s *Sim) rest(i int32, zone uint8, pos vec) {
	s.lift(i)
	t := &s.things[i]
	t.state, t.zone, t.pos, t.holder = resting, zone, pos, nil
	t.slot = int32(len(s.inZone[zone]))
	s.inZone[zone] = append(s.inZone[zone], i)
	s.record(i, zone, 0)
	if t.product >= 0 && !t.paid {
		c := s.cell(t.product, zone)
		s.counts[c]++
		s.shortage(t.product, zone, c)
		if s.plan.onSale(zone) && !s.isHome(t.product, zone) {
			s.truth.Misplacements = append(s.truth.Misplacements, Misplacement{Item: int(i), Zone: s.plan.ids[zone], From: s.now})
			t.misplaced = int32(len(s.truth.Misplacements))
		}
	}
	s.radio.hearAt(i)
}

// take puts an item into a person's hands.
func (s *Sim) take(i int32, p *person) {
	s.lift(i)
	t := &s.things[i]
	t.state, t.holder = carried, p
	t.slot = int32(len(s.inHands))
	s.inHands = append(s.inHands, i)
	p.goods = append(p.goods, i)
	s.record(i, p.zone, p.how())
}

// gone takes an item out of the world.
func (s *Sim) gone(i int32) {
	s.lift(i)
	t := &s.things[i]
	t.state, t.holder = outside, nil
	s.record(i, 0, howOutside)
}

// lift takes an item from where it is.
func (s *Sim) lift(i int32) {
	t := &s.things[i]
	list := &s.inHands
	switch t.state {
	case outside:
		return
	case carried:
		t.holder.goods = slices.DeleteFunc(t.holder.goods, func(k int32) bool { return k == i })
	case resting:
		list = &s.inZone[t.zone]
		if t.product >= 0 && !t.paid {
			c := s.cell(t.product, t.zone)
			s.counts[c]--
			s.shortage(t.product, t.zone, c)
		}
		if t.misplaced > 0 {
			s.truth.Misplacements[t.misplaced-1].To = s.now
			t.misplaced = 0
		}
		s.radio.hushAt(i)
	}
	last := (*list)[len(*list)-1]
	(*list)[t.slot] = last
	s.things[last].slot = t.slot
	*list = (*list)[:len(*list)-1]
	t.state = outside
}

// shortage keeps the record of what lies below its minimum.
func (s *Sim) shortage(product int32, zone uint8, c int32) {
	least := s.minimum[c]
	if least == 0 || !s.filled() {
		return
	}
	switch below := s.counts[c] < least; {
	case below && s.short[c] == 0:
		s.truth.Shortages = append(s.truth.Shortages, Shortage{GTIN: s.catalog.At(int(product)).GTIN, Zone: s.plan.ids[zone], From: s.now})
		s.short[c] = int32(len(s.truth.Shortages))
	case !below && s.short[c] > 0:
		s.truth.Shortages[s.short[c]-1].To = s.now
		s.short[c] = 0
	}
}

// filled reports whether the shop is complete, so that counts mean something.
func (s *Sim) filled() bool { return s.now > s.cfg.Start }

// record keeps where an item is from now on.
func (s *Sim) record(i int32, zone, how uint8) {
	list := s.truth.stays[i]
	next := stay{s.now, zone, how}
	if n := len(list); n > 0 {
		last := &list[n-1]
		if last.zone == zone && last.how == how {
			return
		}
		if last.from == s.now {
			*last = next
			return
		}
	}
	s.truth.stays[i] = append(list, next)
}

// mix is the finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; from memory): a hash that
// depends on nothing but its argument.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// unit turns a hash into a number from 0 up to 1.
func unit(h uint64) float64 { return float64(h>>11) / (1 << 53) }
