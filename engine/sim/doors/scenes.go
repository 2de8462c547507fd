package doors

import (
	"math"

	"lintel/engine/event"
)

// The kinds of people, by how often they come. Invented; no source.
var kinds = []struct {
	name   string
	weight float64
	play   func(s scenes, d *door)
}{
	{"walk", 14, func(s scenes, d *door) { s.out(d, "walk", 0, 0) }},
	{"run", 6, func(s scenes, d *door) { s.out(d, "run", 0, 0) }},
	{"dawdle", 4, func(s scenes, d *door) { s.out(d, "dawdle", 0, 0) }},
	{"outin", 7, func(s scenes, d *door) { s.out(d, "outin", 0, 0) }},
	{"stand", 6, scenes.stand},
	{"turnback", 8, scenes.turnback},
	{"along", 8, scenes.along},
	{"browse", 9, scenes.browse},
	{"cross", 6, scenes.crowding},
	{"trolley", 0.6, scenes.trolley},
	{"guest", 8, scenes.guest},
	{"payer", 9, func(s scenes, d *door) { s.payer(d, "payer") }},
	{"late-sale", 5, func(s scenes, d *door) { s.payer(d, "late-sale") }},
}

// scenes are what people do in a shop.
type scenes struct{ *Shop }

// scene has one kind of people come.
func (s scenes) scene() {
	total := 0.0
	for k := range kinds {
		total += kinds[k].weight
	}
	x := total * s.people.Float64()
	d := &s.doors[street]
	if s.people.Float64() < 0.35 {
		d = &s.doors[lane]
	}
	for k := range kinds {
		if x -= kinds[k].weight; x < 0 {
			kinds[k].play(s, d)
			return
		}
	}
}

func (s *Shop) between(low, high float64) float64 { return low + (high-low)*s.people.Float64() }

// through draws where in the opening somebody goes, m beside its middle.
func (s *Shop) through(d *door) float64 {
	return s.between(-1, 1) * (d.halfWidth - 0.3)
}

// selling draws a place that has goods.
func (s *Shop) selling() int {
	total := 0
	for k := range s.areas {
		if s.areas[k].sells {
			total += len(s.inArea[k])
		}
	}
	x := s.people.IntN(max(1, total))
	for k := range s.areas {
		if s.areas[k].sells {
			if x -= len(s.inArea[k]); x < 0 {
				return k
			}
		}
	}
	return s.areaOf("front-tables")
}

// few draws how many goods a customer has.
func (s *Shop) few() int {
	return [...]int{1, 1, 1, 1, 2, 2, 3}[s.people.IntN(7)]
}

// out has somebody leave unpaid: walk, run, dawdle, or stop outside ("outin"). It returns the actor
// and when they are in the doorway, for those who meet them.
func (s scenes) out(d *door, kind string, paidShare float64, least int) (doorway int64) {
	a, list := s.collect(s.selling(), s.few(), least, inHand)
	if a == nil {
		return 0
	}
	_ = list
	aside := s.through(d)
	doorway = a.exit(d, kind, aside)
	paid := s.people.Float64() < paidShare
	told := int64(0)
	if paid {
		// Paid at a till further inside before they set out.
		told = a.tr.knots[0].t + 200
		s.tell(s.start+told, event.EventSold, list, "till", s.start+told-100)
	}
	a.finish(kind, d, paid, told)
	return doorway
}

// exit walks to a door and out of it in somebody's manner.
func (a *actor) exit(d *door, kind string, aside float64) (doorway int64) {
	s := a.s
	speed := s.between(1, 1.5)
	x, y := d.at(-3, aside*0.7+s.between(-1, 1))
	a.walk(x, y, s.between(1, 1.4))
	switch kind {
	case "run":
		speed = s.between(2, 3)
	case "dawdle":
		slow := s.between(0.3, 0.5)
		x, y = d.at(-2, aside)
		a.walk(x, y, 0.9)
		x, y = d.at(0, aside)
		a.walk(x, y, slow)
		doorway = a.t
		x, y = d.at(2, aside)
		a.walk(x, y, slow)
	case "outin":
		x, y = d.at(0, aside)
		a.walk(x, y, speed)
		doorway = a.t
		x, y = d.at(s.between(1, 4), aside+s.between(-0.6, 0.6))
		a.walk(x, y, speed)
		a.dwell(s.between(3, 20))
	}
	if doorway == 0 {
		x, y = d.at(0, aside)
		a.walk(x, y, speed)
		doorway = a.t
	}
	a.leave(d, aside, speed)
	return doorway
}

// stand has somebody with goods stand just inside the threshold, and then go out or back in.
func (s scenes) stand(d *door) {
	area := s.selling()
	a, list := s.collect(area, s.few(), 1, inHand)
	if a == nil {
		return
	}
	aside := s.through(d)
	x, y := d.at(-s.between(0.05, 0.45), aside)
	a.walk(x, y, s.between(0.9, 1.4))
	a.dwell(s.between(5, 25))
	if s.people.IntN(3) == 0 {
		a.leave(d, aside, s.between(0.9, 1.4))
	} else {
		a.putAll(list, area)
	}
	a.finish("stand", d, false, 0)
}

// turnback has somebody come close with goods, think better of it and put them back.
func (s scenes) turnback(d *door) {
	area := s.selling()
	a, list := s.collect(area, s.few(), 1, inHand)
	if a == nil {
		return
	}
	x, y := d.at(-s.between(0.5, 1.5), s.through(d))
	a.walk(x, y, s.between(0.9, 1.5))
	if s.people.IntN(2) == 0 {
		a.dwell(s.between(0.5, 3))
	}
	a.putAll(list, area)
	a.finish("turnback", d, false, 0)
}

// along has staff walk along a door with a box, from the stockroom or one shelf to another.
func (s scenes) along(d *door) {
	from, to := s.areaOf("stockroom"), s.neediest()
	if s.people.IntN(2) == 0 {
		from = s.selling()
	}
	if to < 0 || to == from {
		to = s.roomy(s.areaOf("stockroom"))
	}
	a, list := s.collect(from, 5+s.people.IntN(11), 1, inBox)
	if a == nil {
		return
	}
	depth, side := s.between(0.8, 2.2), float64(1-2*s.people.IntN(2))
	x, y := d.at(-depth, 3*side)
	a.walk(x, y, s.between(0.9, 1.3))
	x, y = d.at(-depth, -3*side)
	a.walk(x, y, s.between(0.7, 1.3))
	a.putAll(list, to)
	if s.areas[to].byHand || s.people.IntN(2) == 0 {
		a.sweep(to)
	}
	a.finish("along", d, false, 0)
}

// browse has a customer look at goods near a door, and put them back there or elsewhere.
func (s scenes) browse(d *door) {
	near := []string{"window", "stand", "front-tables"}
	if d == &s.doors[lane] {
		near = []string{"shelf-c", "shelf-d"}
	}
	area := s.areaOf(near[s.people.IntN(len(near))])
	a, list := s.collect(area, s.few(), 1, inHand)
	if a == nil {
		return
	}
	for range 1 + s.people.IntN(4) {
		angle := s.between(-1.2, 1.2)
		r := s.between(1.5, 4)
		x, y := d.at(-r*math.Cos(angle), r*math.Sin(angle))
		a.walk(x, y, s.between(0.5, 1.1))
		a.dwell(s.between(2, 14))
	}
	to := area
	if s.people.IntN(4) == 0 {
		to = s.roomy(area)
	}
	a.putAll(list, to)
	a.finish("browse", d, false, 0)
}

// crowding has two groups meet in a doorway: one goes out, paid or not, and one comes in.
func (s scenes) crowding(d *door) {
	var doorway int64
	for range 1 + s.people.IntN(2) {
		if t := s.out(d, "cross", 0.5, 1); t > doorway {
			doorway = t
		}
	}
	if doorway == 0 {
		return
	}
	for range 1 + s.people.IntN(2) {
		speed := s.between(0.9, 1.4)
		begin := s.start + doorway - int64(5/speed*1000) + int64(s.between(-700, 700))
		goods := s.people.IntN(2)
		s.after(max(begin, s.now+1), func() { s.visitor(d, "cross", goods, speed) })
	}
}

// guest has somebody come with things of their own.
func (s scenes) guest(d *door) { s.visitor(d, "guest", 1+s.people.IntN(4), s.between(0.9, 1.4)) }

// visitor comes in, stops by shelves for minutes and leaves with what they brought: goods of our
// products that were sold elsewhere, or others' tags.
func (s scenes) visitor(d *door, kind string, goods int, speed float64) {
	aside := s.through(d)
	x, y := d.at(5, aside+s.people.NormFloat64())
	hx, hy := d.at(0, aside)
	a := s.act(x, y, math.Atan2(hy-y, hx-x))
	for range goods {
		a.bring(1, inHand, false, s.people.IntN(10) < 4)
	}
	a.walk(hx, hy, speed)
	x, y = d.at(-2, aside*0.6)
	a.walk(x, y, speed)
	for range 2 + s.people.IntN(5) {
		var stops []*antenna
		for _, dev := range s.devices {
			if dev.role == "fixed" && dev.antennas[0].pos.y < floorY {
				stops = append(stops, dev.antennas...)
			}
		}
		p := stops[s.people.IntN(len(stops))].pos
		a.walk(min(floorX-0.6, max(0.9, p.x+s.between(-1, 1))), max(1.2, p.y+s.between(-1, 1)), s.between(0.8, 1.2))
		a.dwell(s.between(5, 35))
	}
	by := d
	if s.people.IntN(4) == 0 {
		by = &s.doors[s.people.IntN(len(s.doors))]
	}
	aside = s.through(by)
	x, y = by.at(0, aside)
	a.walk(x, y, s.between(1, 1.4))
	a.leave(by, aside, s.between(1, 1.4))
	a.finish(kind, by, false, 0)
}

// payer has somebody pay at the till and leave. A late sale is known to the server up to half a
// minute later, and one in ten never.
func (s scenes) payer(d *door, kind string) {
	a, list := s.collect(s.selling(), s.few(), 1, inHand)
	if a == nil {
		return
	}
	till := &s.areas[s.areaOf("till")]
	x, y := till.middle()
	a.walk(x+s.between(-0.2, 0.2), y+0.65, s.between(0.9, 1.3))
	a.face(x, y)
	a.wait(s.between(4, 12))
	paid := a.t
	a.wait(s.between(1, 4))
	told := paid + int64(s.between(200, 1500))
	if kind == "late-sale" {
		told = paid + int64(s.between(0, 30_000))
		if s.people.IntN(10) == 0 {
			told = 0
		}
	}
	if told > 0 {
		at := s.start + told
		s.after(s.start+paid, func() { s.tell(at, event.EventSold, list, "till", s.start+paid) })
	}
	a.exit(d, "walk", s.through(d))
	a.finish(kind, d, true, told)
}

// trolley has forty goods go out unpaid, go out shipped, or come in.
func (s scenes) trolley(d *door) {
	aside := s.through(d) * 0.6
	speed := s.between(0.6, 1.1)
	if s.people.IntN(3) == 0 {
		x, y := d.at(6, aside)
		hx, hy := d.at(0, aside)
		a := s.act(x, y, math.Atan2(hy-y, hx-x))
		list := a.bring(40, inTrolley, true, false)
		a.walk(hx, hy, speed)
		bay := s.areaOf("receiving-bay")
		a.walk(7.5, 11.8, speed)
		a.putAll(list, bay)
		at := s.start + a.t
		s.after(at, func() { s.tell(at+500, event.EventReceived, list, "receiving-bay", at) })
		a.finish("trolley", d, false, 0)
		return
	}
	a, list := s.collect(s.areaOf("stockroom"), 40, 30, inTrolley)
	if a == nil {
		return
	}
	shipped := s.people.IntN(2) == 0
	told := int64(0)
	if shipped {
		told = a.t + 500
		at := s.start + a.t
		s.after(at, func() { s.tell(at+500, event.EventShipped, list, "", at) })
	}
	x, y := d.at(-3, aside)
	a.walk(x, y, speed)
	x, y = d.at(0, aside)
	a.walk(x, y, speed)
	a.leave(d, aside, speed)
	a.finish("trolley", d, shipped, told)
}
