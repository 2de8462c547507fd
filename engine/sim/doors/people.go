package doors

import (
	"math"
	"slices"
	"sort"

	"lintel/engine/event"
)

// knot is a corner of somebody's way: where they are at t ms of the run, and which way they face
// from then on.
type knot struct {
	t       int64
	x, y, h float64
}

// track is a person's whole way.
type track struct{ knots []knot }

func (tr *track) end() int64 { return tr.knots[len(tr.knots)-1].t }

const turning = 400.0 // ms that people take to turn

func (tr *track) at(t int64) (x, y, h float64) {
	k := sort.Search(len(tr.knots), func(k int) bool { return tr.knots[k].t > t }) - 1
	if k < 0 {
		k, t = 0, tr.knots[0].t
	}
	a := &tr.knots[k]
	h = a.h
	if k > 0 {
		if f := float64(t-a.t) / turning; f < 1 {
			was := tr.knots[k-1].h
			h = was + math.Remainder(a.h-was, 2*math.Pi)*f
		}
	}
	if k == len(tr.knots)-1 {
		return a.x, a.y, h
	}
	b := &tr.knots[k+1]
	f := float64(t-a.t) / float64(b.t-a.t)
	return a.x + (b.x-a.x)*f, a.y + (b.y-a.y)*f, h
}

type person struct{ track *track }

// held is one item in an actor's hands for a time, in ms of the run.
type held struct {
	item     int32
	off      vec
	from, to int64
}

// actor writes a person's way and deeds before they begin.
type actor struct {
	s       *Shop
	tr      *track
	t       int64
	x, y, h float64
	held    []held
	id      int
}

// act begins a person at a place, now.
func (s *Shop) act(x, y, h float64) *actor {
	a := &actor{s: s, tr: &track{}, t: s.now - s.start, x: x, y: y, h: h}
	s.visits++
	a.id = s.visits
	a.knot()
	s.persons = append(s.persons, &person{a.tr})
	return a
}

func (a *actor) knot() {
	k := knot{a.t, a.x, a.y, a.h}
	if n := len(a.tr.knots); n > 0 && a.tr.knots[n-1].t == a.t {
		a.tr.knots[n-1] = k
		return
	}
	a.tr.knots = append(a.tr.knots, k)
}

// wait stays for so many seconds.
func (a *actor) wait(seconds float64) {
	a.knot()
	a.t += max(1, int64(seconds*1000))
	a.knot()
}

// dwell stays, shifts from foot to foot and looks about.
func (a *actor) dwell(seconds float64) {
	rng := a.s.people
	x, y, h := a.x, a.y, a.h
	for end := a.t + int64(seconds*1000); a.t < end; {
		a.h = h + 0.6*(rng.Float64()-0.5)
		a.wait(min(0.4+2*rng.Float64(), float64(end-a.t)/1000))
		a.step(x+0.16*(rng.Float64()-0.5), y+0.16*(rng.Float64()-0.5), 0.3)
	}
	a.h = h
	a.knot()
}

// step moves in a straight line without turning.
func (a *actor) step(x, y, speed float64) {
	d := flat(a.x, a.y, x, y)
	if d < 1e-3 {
		return
	}
	a.knot()
	a.x, a.y = x, y
	a.t += max(1, int64(d/speed*1000))
	a.knot()
}

// walk goes to a place, not quite straight and not quite evenly, and through the door to the
// stockroom where there is a wall.
func (a *actor) walk(x, y, speed float64) {
	const gapX = 6.5
	if (a.y > floorY) != (y > floorY) {
		near := math.Copysign(0.2, a.y-floorY)
		a.walk(gapX, floorY+near, speed)
		a.leg(gapX, floorY-near, speed)
	}
	rng := a.s.people
	for {
		d := flat(a.x, a.y, x, y)
		if d < 2.5 {
			break
		}
		f := (1 + rng.Float64()) / d
		wander := 0.2 * (rng.Float64() - 0.5)
		a.leg(a.x+(x-a.x)*f-(y-a.y)/d*wander, a.y+(y-a.y)*f+(x-a.x)/d*wander, speed*(0.88+0.24*rng.Float64()))
	}
	a.leg(x, y, speed)
}

func (a *actor) leg(x, y, speed float64) {
	if flat(a.x, a.y, x, y) > 0.05 {
		a.h = math.Atan2(y-a.y, x-a.x)
	}
	a.step(x, y, speed)
}

func (a *actor) face(x, y float64) {
	a.h = math.Atan2(y-a.y, x-a.x)
	a.knot()
}

func (a *actor) then(do func()) { a.s.after(a.s.start+a.t, do) }

// How goods are carried.
const (
	inHand = iota
	inBox
	inTrolley
)

func (a *actor) offset(how int) (off vec, stack float64) {
	rng := a.s.people
	u := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	switch how {
	case inBox:
		return vec{u(0.25, 0.5), u(-0.18, 0.18), u(0.9, 1.15)}, u(0, 5)
	case inTrolley:
		return vec{u(0.45, 1.1), u(-0.25, 0.25), u(0.3, 1)}, u(0, 8)
	}
	if rng.IntN(3) == 0 { // a bag at one side
		return vec{u(-0.05, 0.15), u(0.25, 0.35) * float64(1-2*rng.IntN(2)), u(0.45, 0.75)}, u(0, 3)
	}
	return vec{u(0.22, 0.38), u(-0.2, 0.2), u(0.85, 1.25)}, u(0, 2.5)
}

// take has an item in the actor's hands from now on in their way.
func (a *actor) take(i int32, how int) {
	off, stack := a.offset(how)
	a.held = append(a.held, held{item: i, off: off, from: a.t, to: math.MaxInt64})
	tr, s := a.tr, a.s
	a.then(func() { s.carry(i, tr, off, stack) })
}

// bring has them come with an item that was not in the shop.
func (a *actor) bring(n, how int, own, foreign bool) []int32 {
	var list []int32
	for range n {
		i := a.s.makeItem(own, foreign)
		a.take(i, how)
		list = append(list, i)
	}
	return list
}

// put lays an item down at a place.
func (a *actor) put(i int32, area int, at vec) {
	for k := range a.held {
		if a.held[k].item == i && a.held[k].to == math.MaxInt64 {
			a.held[k].to = a.t
		}
	}
	s := a.s
	a.then(func() {
		s.bound[area]--
		s.rest(i, area, at)
	})
}

// reserve picks up to n goods that lie close together in an area, and keeps them from others. It
// returns nothing where fewer than least lie there.
func (s *Shop) reserve(area, n, least int) []int32 {
	list := s.inArea[area]
	if len(list) < max(1, least) {
		return nil
	}
	first := list[s.people.IntN(len(list))]
	at := func(i int32) vec { st := s.truth.stays[i]; return st[len(st)-1].at }
	middle := at(first)
	near := slices.Clone(list)
	slices.SortStableFunc(near, func(a, b int32) int {
		da, db := at(a).distance(middle), at(b).distance(middle)
		switch {
		case da < db:
			return -1
		case da > db:
			return 1
		}
		return int(a - b)
	})
	near = near[:min(n, len(near))]
	s.inArea[area] = slices.DeleteFunc(list, func(i int32) bool { return slices.Contains(near, i) })
	return near
}

func (s *Shop) lies(i int32) vec {
	st := s.truth.stays[i]
	return st[len(st)-1].at
}

// beside returns where people stand who reach for goods.
func (s *Shop) beside(area int, at vec) (x, y float64) {
	a := &s.areas[area]
	return at.x + a.reach[0], at.y + a.reach[1]
}

// collect begins a person beside goods of an area, who takes up to n of them; nil where there are
// none.
func (s *Shop) collect(area, n, least, how int) (*actor, []int32) {
	list := s.reserve(area, n, least)
	if list == nil {
		return nil, nil
	}
	at := s.lies(list[0])
	x, y := s.beside(area, at)
	a := s.act(x, y, math.Atan2(at.y-y, at.x-x))
	a.wait(0.5 + 2*s.people.Float64())
	for _, i := range list {
		a.wait(0.2 + 0.4*s.people.Float64())
		a.take(i, how)
	}
	a.wait(0.3 + s.people.Float64())
	return a, list
}

// putAll lays goods down one by one in an area, near each other where the goods came from there.
func (a *actor) putAll(list []int32, area int) {
	s := a.s
	s.bound[area] += len(list)
	spots := make([]vec, len(list))
	for k := range list {
		spots[k] = s.spot(area)
	}
	x, y := s.beside(area, spots[0])
	a.walk(x, y, 1.1)
	for k, i := range list {
		x, y := s.beside(area, spots[k])
		if flat(a.x, a.y, x, y) > 0.8 {
			a.leg(x, y, 0.8)
		}
		a.face(spots[k].x, spots[k].y)
		a.wait(0.4 + 0.5*s.people.Float64())
		a.put(i, area, spots[k])
	}
	a.wait(0.5)
}

// sweep has the actor go along an area with a handheld that declares its zone.
func (a *actor) sweep(area int) {
	s := a.s
	var d *device
	for _, x := range s.devices {
		if x.role == "handheld" && (d == nil || x.busy < d.busy) {
			d = x
		}
	}
	if wait := d.busy - a.t; wait > 0 {
		a.wait(float64(wait)/1000 + 0.1)
	}
	ar := &s.areas[area]
	from := a.t
	tr := a.tr
	begin := func() { d.declared, d.antennas[0].carrier = ar.zone, tr }
	a.then(begin)
	for pass := range 2 {
		for k := range 4 {
			f := (float64(k) + 0.5) / 4
			if pass == 1 {
				f = 1 - f
			}
			p := vec{ar.x0 + (ar.x1-ar.x0)*f, ar.y0 + (ar.y1-ar.y0)*f, 0}
			x, y := s.beside(area, p)
			a.leg(x, y, 0.7)
			a.face(p.x, p.y)
			a.wait(0.8)
		}
	}
	d.busy = a.t + 200
	until := s.start + a.t
	s.after(s.start+from, func() { d.until = until })
}

// leave goes out through a door and away.
func (a *actor) leave(d *door, aside, speed float64) {
	x, y := d.at(5+2*a.s.people.Float64(), aside+a.s.people.NormFloat64())
	a.walk(x, y, speed)
	s := a.s
	for k := range a.held {
		if h := &a.held[k]; h.to == math.MaxInt64 {
			h.to = a.t
			i := h.item
			a.then(func() { s.gone(i) })
		}
	}
}

// finish enters a visit into the truth: told is when the server knows that the goods are paid for,
// in ms of the run, and 0 never.
func (a *actor) finish(kind string, d *door, paid bool, told int64) {
	s := a.s
	v := Visit{ID: a.id, Kind: kind, From: math.MaxInt64, Deepest: math.Inf(-1)}
	if d != nil {
		v.Door = d.name
	}
	for k := range a.held {
		h := &a.held[k]
		to := min(h.to, a.tr.end())
		v.From, v.To = min(v.From, s.start+h.from), max(v.To, s.start+to)
		if !slices.Contains(v.Items, int(h.item)) {
			v.Items = append(v.Items, int(h.item))
		}
		for n := range s.doors {
			door := &s.doors[n]
			st := stay{at: h.off, who: a.tr}
			beyond := func(t int64) float64 { p, _ := st.carried(t); return door.beyond(p.x, p.y) }
			was := beyond(h.from)
			outside := was >= 0 // as entered in the truth
			if d == door {
				v.Deepest = max(v.Deepest, was)
			}
			for t := h.from + 20; t <= to; t += 20 {
				now := beyond(t)
				if d == door {
					v.Deepest = max(v.Deepest, now)
				}
				if (was < 0) != (now < 0) {
					// Goods that are held out over the threshold and taken back have not crossed
					// it.
					if outside != (now >= 0) && !turnsBack(beyond, t, to) {
						outside = now >= 0
						s.cross(Crossing{
							Item: int(h.item), At: s.start + t, Door: door.name, Out: outside, Kind: kind, Visit: a.id,
						}, paid, told)
						v.CrossedOut = v.CrossedOut || now >= 0
					}
				}
				was = now
			}
		}
	}
	if len(v.Items) == 0 {
		return
	}
	if math.IsInf(v.Deepest, -1) {
		v.Deepest = 0
	}
	s.after(v.From, func() { s.truth.Visits = append(s.truth.Visits, v) })
}

// turnsBack reports whether goods that crossed a threshold at t go back over it before they were a
// good metre past it.
func turnsBack(beyond func(int64) float64, t, to int64) bool {
	side := beyond(t) < 0
	for u := t + 20; u <= to; u += 20 {
		b := beyond(u)
		if (b < 0) != side {
			return true
		}
		if math.Abs(b) > 1 {
			return false
		}
	}
	return false
}

// cross enters a crossing when it happens, and what the doors heard of it ten seconds later.
func (s *Shop) cross(c Crossing, paid bool, told int64) {
	s.after(c.At, func() {
		c.Paid = paid
		if paid && told > 0 {
			c.Told = s.start + told
		}
		k := len(s.truth.Crossings)
		s.truth.Crossings = append(s.truth.Crossings, c)
		s.after(c.At+10_000, func() {
			it := &s.goods[c.Item]
			for _, at := range it.atDoor {
				if at >= c.At-10_000 {
					s.truth.Crossings[k].Heard++
				}
			}
		})
	})
}

// idle has somebody stroll about the sales floor to the end, with nothing.
func (s *Shop) idle() {
	rng := s.people
	spot := func() (x, y float64) { return 1.2 + (floorX-2.4)*rng.Float64(), 1.3 + (floorY-2.2)*rng.Float64() }
	x, y := spot()
	a := s.act(x, y, 0)
	for a.t < s.end-s.start {
		a.dwell(3 + 40*rng.Float64())
		x, y := spot()
		a.walk(x, y, 0.9)
	}
}

// refill has staff carry goods from the stockroom to the emptiest place, and a delivery come where
// the stockroom runs low.
func (s *Shop) refill() {
	s.after(s.now+int64(12_000*s.cfg.Regime.Pace), s.refill)
	if s.now > s.end-30_000 {
		return
	}
	store := s.areaOf("stockroom")
	if n := len(s.inArea[store]); n < 40 {
		var list []int32
		for range 40 {
			i := s.makeItem(true, false)
			s.rest(i, store, s.spot(store))
			list = append(list, i)
		}
		s.tell(s.now+500, event.EventReceived, list, "stockroom", s.now)
	}
	bay := s.areaOf("receiving-bay")
	from := store
	if len(s.inArea[bay]) > 5 {
		from = bay
	}
	to := s.neediest()
	if to < 0 {
		return
	}
	a, list := s.collect(from, 4+s.people.IntN(7), 1, inBox)
	if a == nil {
		return
	}
	a.putAll(list, to)
	if s.areas[to].byHand || s.people.IntN(2) == 0 {
		a.sweep(to)
	}
	a.wait(1)
	a.finish("refill", nil, false, 0)
}

// neediest returns the area that lacks most of what should lie there, -1 where none lacks three.
func (s *Shop) neediest() int {
	best, most := -1, 2
	for k := range s.areas {
		if lack := s.areas[k].goods - len(s.inArea[k]) - s.bound[k]; s.areas[k].sells && lack > most {
			best, most = k, lack
		}
	}
	return best
}

// roomy draws a place that has room for more; otherwise if it finds none.
func (s *Shop) roomy(otherwise int) int {
	for range 20 {
		if k := s.people.IntN(len(s.areas)); s.areas[k].sells && len(s.inArea[k])+s.bound[k] <= s.areas[k].goods {
			return k
		}
	}
	return otherwise
}

// countByHand has staff count a place that only handhelds count, and now and then another.
func (s *Shop) countByHand() {
	s.after(s.now+25_000+s.people.Int64N(20_000), s.countByHand)
	if s.now > s.end-30_000 {
		return
	}
	zones := []string{"stand", "nook", "stand", "nook", "shelf-a", "front-tables"}
	area := s.areaOf(zones[s.people.IntN(len(zones))])
	ar := &s.areas[area]
	x, y := s.beside(area, vec{ar.x0, ar.y0, 0})
	a := s.act(x, y, 0)
	a.sweep(area)
	a.wait(1)
}
