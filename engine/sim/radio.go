package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"lintel/engine/event"
)

// antenna is one read point.
type antenna struct {
	point  string
	role   event.Role
	pos    vec
	looks  vec
	power  float64 // dB
	cycle  int64   // ms
	s1     bool    // tags that were read keep quiet
	rounds int
	next   int64 // when the round that is running ends
	off    int64 // switched off until then
	device *device
	heard  []link // of the goods that rest in range
	number int    // for what is fixed for each tag and read point

	holder *person // of a handheld in use
	zone   string  // declared by its operator
}

// device is what antennas are wired to: one clock, one connection.
type device struct {
	skew   int64
	report int64 // ms
	due    int64
	batch  *batch
}

// link is what an antenna hears of one item, in tenths of a dBm.
type link struct {
	item int32
	base int16  // mean received power
	cut  int16  // below this nothing is heard
	miss uint16 // chance of missing it in a round, of 65536
}

const tableSize = 4096

// radio is what readers hear of the goods.
type radio struct {
	*Radio
	seed   uint64
	plan   *plan
	goods  *goods
	uplink *uplink
	now    int64

	antennas []*antenna
	fixed    []*antenna // those that do not move; index: slot
	devices  []*device
	slots    []int32 // place of each item in the list of each fixed antenna, -1: not heard
	draw     *rand.PCG
	normal   [tableSize]float64
	fading   [tableSize]int16
	loudest  float64 // largest fading, dB
	quiet    []int64 // until when a tag keeps quiet in session S1
	persist  []int32 // for how long it does, ms
	reads    int64   // in all
}

func (s *Sim) buildRadio() error {
	s.radio = radio{Radio: &s.cfg.Radio, seed: s.cfg.Seed, plan: s.plan, goods: &s.goods, uplink: &s.uplink, now: s.now}
	r, c := &s.radio, &s.cfg.Radio
	r.draw = rand.NewPCG(s.cfg.Seed, streamRadio)
	table := rand.New(rand.NewPCG(s.cfg.Seed, streamTables))
	for i := range r.normal {
		r.normal[i] = min(3.5, max(-3.5, table.NormFloat64()))
		r.fading[i] = tenths(r.normal[i] * c.Fading)
		r.loudest = max(r.loudest, float64(r.fading[i])/10)
	}
	door := map[int]*device{} // by zone: both sides of a portal are one reader
	for i := range s.layout.ReadPoints {
		p := &s.layout.ReadPoints[i]
		a := &antenna{point: p.ID, role: p.Role, number: i, s1: p.Session != "S0" && p.Session != "",
			rounds: max(1, c.S0Rounds), cycle: c.FixedCycle.Milliseconds()}
		report := a.cycle
		switch p.Role {
		case event.Fixed:
			a.power = c.FixedPower
		case event.Portal:
			a.power, a.cycle, report = c.PortalPower, c.PortalCycle.Milliseconds(), c.PortalReport.Milliseconds()
		case event.Desk:
			a.power, a.cycle = c.DeskPower, c.DeskCycle.Milliseconds()
			report = a.cycle
		case event.Handheld:
			a.power, a.cycle = c.HandheldPower, c.HandheldCycle.Milliseconds()
			report = 2 * a.cycle
		}
		a.device = door[p.Zone]
		if a.device == nil || p.Role != event.Portal {
			a.device = &device{report: report, skew: int64((2*table.Float64() - 1) * float64(c.ClockSkew.Milliseconds()))}
			a.device.due = s.now + report
			r.devices = append(r.devices, a.device)
			if p.Role == event.Portal {
				door[p.Zone] = a.device
			}
		}
		// Readers do not start their rounds all at once; the sides of a portal take turns.
		a.next = s.now + a.cycle + int64(i%10)*tickMs
		if p.Role == event.Portal {
			a.next = s.now + a.cycle
			if p.Side == event.Outer {
				a.next += a.cycle / 2
			}
		}
		if p.Role != event.Handheld {
			k := slices.IndexFunc(mounts, func(m mount) bool { return m.point == p.ID })
			if k < 0 {
				return fmt.Errorf("sim: the floor plan has no place for the read point %q: keep the read points of Umberhithe Books", p.ID)
			}
			a.pos, a.looks = mounts[k].pos, mounts[k].looks.unit()
			r.fixed = append(r.fixed, a)
		}
		r.antennas = append(r.antennas, a)
	}
	r.slots = make([]int32, len(r.fixed)*len(s.things))
	for i := range r.slots {
		r.slots[i] = -1
	}
	r.quiet = make([]int64, len(s.things))
	r.persist = make([]int32, len(s.things))
	for i := range r.persist {
		r.persist[i] = int32(between(table, c.QuietMin, c.QuietMax))
	}
	return nil
}

func tenths(db float64) int16 { return int16(math.Round(max(-3000, min(3000, db*10)))) }

// link computes what the antenna hears of an item at a place, and whether that is anything. Loss is
// what the body of a carrier takes, one way.
func (r *radio) link(a *antenna, i int32, pos vec, loss float64) (link, bool) {
	const far = 14 // metres beyond which nothing is heard
	c := r.Radio
	way := pos.sub(a.pos)
	if math.Abs(way.x) > far || math.Abs(way.y) > far {
		return link{}, false
	}
	d := max(0.15, way.length())
	oneWay := 10*c.Exponent*math.Log10(d) + loss
	if a.looks != (vec{}) {
		angle := math.Acos(max(-1, min(1, way.dot(a.looks)/d))) * 180 / math.Pi
		// A parabola in dB that is 3 dB at half the beamwidth, cut off at the back lobe: the usual
		// shape (from memory: 3GPP TR 36.814).
		oneWay += min(12*(angle/c.Beamwidth)*(angle/c.Beamwidth), c.BackLobe)
	}
	if pos.upstairs() != a.pos.upstairs() {
		oneWay += c.FloorLoss
	}
	if (pos.y > backWall) != (a.pos.y > backWall) {
		oneWay += c.WallLoss
	}
	h := mix(r.seed ^ mix(streamLinks<<48|uint64(a.number)<<32|uint64(i)))
	shadow := r.normal[h%tableSize] * c.Shadowing
	base := c.RSSI1m + a.power - 2*oneWay + shadow
	spare := c.ForwardMargin1m + a.power - oneWay + shadow/2
	// Fading takes half on the way there, where it may leave the tag without power, and half on the
	// way back.
	cut := max(c.Sensitivity, base-2*spare)
	if base+r.loudest < cut {
		return link{}, false
	}
	miss := c.MissMin + unit(mix(h))*(c.MissMax-c.MissMin)
	return link{item: i, base: tenths(base), cut: tenths(cut), miss: uint16(min(65535, miss*65536))}, true
}

// hearAt adds an item that was laid down to the lists of the antennas that hear it there.
func (r *radio) hearAt(i int32) {
	if r.Off {
		return
	}
	t := &r.goods.things[i]
	for k, a := range r.fixed {
		if l, ok := r.link(a, i, t.pos, 0); ok {
			r.slots[int(i)*len(r.fixed)+k] = int32(len(a.heard))
			a.heard = append(a.heard, l)
		}
	}
}

// hushAt takes an item out of the lists.
func (r *radio) hushAt(i int32) {
	n := len(r.fixed)
	for k, a := range r.fixed {
		slot := &r.slots[int(i)*n+k]
		if *slot < 0 {
			continue
		}
		last := a.heard[len(a.heard)-1]
		a.heard[*slot] = last
		r.slots[int(last.item)*n+k] = *slot
		a.heard = a.heard[:len(a.heard)-1]
		*slot = -1
	}
}

// listen does the rounds that end now, Unix milliseconds, and sends the reports that are due.
func (r *radio) listen(now int64) {
	r.now = now
	for _, a := range r.antennas {
		if r.now < a.next {
			continue
		}
		busy := int64(0)
		if r.now >= a.off && (a.role != event.Handheld || a.holder != nil) {
			before := r.reads
			r.round(a)
			busy = (r.reads - before) * 1000 / int64(r.ReadsPerSec)
		}
		a.next = r.now + max(a.cycle, busy/tickMs*tickMs)
	}
	for _, d := range r.devices {
		if r.now < d.due {
			continue
		}
		d.due = r.now + d.report
		r.flush(d)
	}
}

func (r *radio) batch(d *device) *batch {
	if d.batch == nil {
		d.batch = r.uplink.newBatch()
	}
	return d.batch
}

func (r *radio) flush(d *device) {
	if d.batch != nil && len(d.batch.reads) > 0 {
		r.uplink.send(d.batch, r.now+r.uplink.delay())
		d.batch = nil
	}
}

// round is one inventory round of an antenna over everything in range.
func (r *radio) round(a *antenna) {
	r.carriedRound(a)
	n := len(a.heard)
	if n == 0 {
		return
	}
	rounds := a.rounds
	if a.s1 {
		rounds = 1
	}
	b := r.batch(a.device)
	limit := r.uplink.MaxBatch
	begin := (r.now - a.cycle + a.device.skew) << 16
	pace := a.cycle << 16 / int64(n*rounds)
	clock := begin
	slip := a.device.skew
	for range rounds {
		// A reader goes through the tags in an order of its own, and never in the same one.
		k := int(r.draw.Uint64() % uint64(n))
		for range n {
			l := &a.heard[k]
			if k++; k == n {
				k = 0
			}
			clock += pace
			at := clock >> 16
			if a.s1 && r.quiet[l.item] > at-slip {
				continue
			}
			x := r.draw.Uint64()
			if uint16(x) < l.miss {
				continue
			}
			rssi := l.base + r.fading[x>>16%tableSize]
			if rssi < l.cut {
				continue
			}
			if a.s1 {
				r.quiet[l.item] = at - slip + int64(r.persist[l.item])
			}
			if len(b.reads) >= limit {
				r.flush(a.device)
				b = r.batch(a.device)
			}
			r.reads++
			b.reads = append(b.reads, Read{EPC: r.goods.hex[l.item], Key: r.goods.keys[l.item], Point: a.point,
				RSSI: float64(rssi) / 10, Time: at})
		}
	}
}

// carriedRound is the part of a round over what people carry, and for a handheld, which moves
// itself, over everything.
func (r *radio) carriedRound(a *antenna) {
	at := r.now + a.device.skew
	rounds := a.rounds
	if a.s1 {
		rounds = 1
	}
	for _, i := range r.goods.inHands {
		p := r.goods.things[i].holder
		if p == a.holder {
			continue
		}
		if l, ok := r.link(a, i, p.pos, p.loss); ok {
			for k := range rounds {
				r.try(a, &l, at-a.cycle*int64(rounds-1-k)/int64(rounds))
			}
		}
	}
	if a.holder == nil {
		return
	}
	const reach = 5 // metres
	a.pos = a.holder.pos
	up := a.pos.upstairs()
	for zone, goods := range r.goods.inZone {
		if z := r.plan.areas[zone]; z == nil || z.upstairs != up ||
			a.pos.x < z.x0-reach || a.pos.x > z.x1+reach || a.pos.y < z.y0-reach || a.pos.y > z.y1+reach {
			continue
		}
		for _, i := range goods {
			if l, ok := r.link(a, i, r.goods.things[i].pos, 0); ok {
				r.try(a, &l, at)
			}
		}
	}
}

// try is one attempt to read a tag.
func (r *radio) try(a *antenna, l *link, at int64) {
	x := r.draw.Uint64()
	rssi := l.base + r.fading[x>>16%tableSize]
	if uint16(x) < l.miss || rssi < l.cut || a.s1 && r.quiet[l.item] > r.now {
		return
	}
	if a.s1 {
		r.quiet[l.item] = r.now + int64(r.persist[l.item])
	}
	b := r.batch(a.device)
	if len(b.reads) >= r.uplink.MaxBatch {
		r.flush(a.device)
		b = r.batch(a.device)
	}
	r.reads++
	b.reads = append(b.reads, Read{EPC: r.goods.hex[l.item], Key: r.goods.keys[l.item], Point: a.point, Zone: a.zone,
		RSSI: float64(rssi) / 10, Time: at})
}
