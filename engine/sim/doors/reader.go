package doors

import (
	"math"
	"math/rand/v2"
	"slices"

	"lintel/engine/event"
)

// antenna is one antenna of a device.
type antenna struct {
	point, zone, side string
	pos, dir          vec
	dwell             [2]int // ms that its turn takes
	door              int    // index in doors; -1: none
	waves             []wave
	carrier           *track // who carries it; nil: mounted
}

func (a *antenna) moves() bool { return a.carrier != nil }

func (a *antenna) at(t float64) vec {
	if a.carrier == nil {
		return a.pos
	}
	x, y, h := a.carrier.at(int64(t * 1000))
	return vec{x + 0.5*math.Cos(h), y + 0.5*math.Sin(h), a.pos.z}
}

// device is a reader with antennas that take turns.
type device struct {
	role     string
	antennas []*antenna
	power    float64 // dBm
	session  string
	report   int64 // ms between reports
	rate     float64
	skew     int64
	turn     int // whose turn it is
	next     int64
	nextSend int64
	channel  int
	hopAt    int64
	phases   []float64 // radians that the reader adds, by channel
	declared string    // of a handheld: the zone of this sweep
	until    int64     // of a handheld: the end of this sweep
	busy     int64     // of a handheld: promised up to then
	pending  []heard
}

// heard is one read before it is reported.
type heard struct {
	item  int32
	ant   *antenna
	at    int64 // true time, ms
	rssi  float64
	n     uint32
	extra extra
}

// extra is what many readers report beside a read.
type extra struct {
	Phase   float64 // degrees, 0 up to 360, rising with distance
	Channel float64 // MHz
	Doppler float64 // Hz, positive where the tag comes closer
}

func (s *Shop) buildDevices() {
	r := &s.cfg.Regime
	field := rand.New(rand.NewPCG(s.cfg.Seed, streamField))
	shelfTurn := [2]int{550, 650}
	mount := func(point, zone, side string, x, y, z float64, dir vec, dwell [2]int, door int) *antenna {
		return &antenna{
			point: point, zone: zone, side: side, pos: vec{x, y, z}, dir: dir.unit(), dwell: dwell, door: door,
			waves: makeWaves(field, r.Drift),
		}
	}
	add := func(role string, power float64, session string, report int64, rate float64, antennas ...*antenna) *device {
		d := &device{role: role, antennas: antennas, power: power, session: session, report: report, rate: rate}
		s.devices = append(s.devices, d)
		return d
	}
	var portal []*antenna
	for k := range r.Pairs {
		x := 5.0
		if r.Pairs > 1 {
			x = 5 - r.HalfWidth/2 + float64(k)*r.HalfWidth
		}
		in := mount("street-door-in", "street-door", "inner", x, 0.7+r.Apart, mounting, vec{0, 0.45, -1}, r.TurnMs, street)
		out := mount(
			"street-door-out", "street-door", "outer", x, -0.3-r.Apart, mounting, vec{0, -0.45, -1}, r.TurnMs, street)
		if r.Side {
			in.pos, in.dir = vec{5 - r.HalfWidth, 0.4, 1}, vec{1, 0.6, 0}.unit()
			out.pos, out.dir = vec{5 - r.HalfWidth, -0.25, 1}, vec{1, -0.6, 0}.unit()
		}
		portal = append(portal, in, out)
	}
	add("portal", 26+r.DoorPower, r.DoorSession, r.DoorReportMs, 280, portal...)
	single := mount("lane-door-1", "lane-door", "", floorX-0.5, 7, mounting, vec{0.1, 0, -1}, r.TurnMs, lane)
	if r.Side {
		single.pos, single.dir = vec{floorX - 0.3, 6.2, 1}, vec{0, 1, 0}
	}
	add("portal", 26+r.DoorPower, r.DoorSession, r.DoorReportMs, 280, single)
	down := vec{0, 0, -1}
	over := func(point, zone string, dx, dy float64, dir vec) *antenna {
		x, y := s.areas[s.areaOf(zone)].middle()
		return mount(point, zone, "", x+dx, y+dy, mounting, dir, shelfTurn, -1)
	}
	shelf := func(power float64, antennas ...*antenna) {
		add("fixed", power, r.ShelfSession, r.ShelfReportMs, 150, antennas...)
	}
	shelf(26, over("tables-1", "front-tables", -1.2, 0, down), over("tables-2", "front-tables", 1.2, 0, down))
	shelf(26, over("shelf-a-1", "shelf-a", 1.4, 0, vec{-1, 0, -1}), over("shelf-b-1", "shelf-b", 0, -1.4, vec{0, 1, -1}))
	shelf(26, over("shelf-c-1", "shelf-c", -1.4, 0, vec{1, 0, -1}), over("shelf-d-1", "shelf-d", 0, 0.9, vec{0, -0.6, -1}))
	shelf(19, over("window-1", "window", 0, 0.2, down))
	shelf(27, over("stockroom-1", "stockroom", -1, 0, down), over("stockroom-2", "stockroom", 1, 0, down))
	add("desk", 12, "S0", 500, 100, mount("till-1", "till", "", 6.9, 1.7, 0.95, vec{0, 0, 1}, [2]int{200, 200}, -1))
	add("desk", 20, "S1", 500, 150, over("receiving-1", "receiving-bay", 0, 0, down)).antennas[0].dwell = [2]int{200, 200}
	for _, point := range []string{"handheld-1", "handheld-2", "handheld-3"} {
		add("handheld", 16, "S0", 500, 150, mount(point, "", "", 0, 0, 1.1, vec{1, 0, 0}, [2]int{150, 150}, -1))
	}
	for _, d := range s.devices {
		d.skew = int64((2*field.Float64() - 1) * float64(r.SkewMs))
		d.next, d.nextSend = s.now+field.Int64N(300), s.now+field.Int64N(d.report)
		d.phases = make([]float64, r.Channels)
		for i := range d.phases {
			d.phases[i] = 2 * math.Pi * field.Float64()
		}
		for _, a := range d.antennas {
			if a.door >= 0 {
				s.doorAntennas = append(s.doorAntennas, a)
			}
		}
	}
}

// mhz returns the frequency of a channel.
func (s *Shop) mhz(channel int) float64 {
	switch s.cfg.Regime.Channels {
	case 50:
		return 902.75 + 0.5*float64(channel)
	case 4:
		return 865.7 + 0.6*float64(channel)
	}
	return 866.9
}

// candidate is a tag that an antenna's turn can reach.
type candidate struct {
	item  int32
	link  link
	moves bool
}

// listen plays one antenna's turn of a device and returns how long it took, in ms.
func (s *Shop) listen(d *device) int64 {
	rng := s.radio
	if d.role == "handheld" && s.now >= d.until {
		s.report(d) // what the sweep heard last goes with its zone
		d.declared = ""
		return 50
	}
	a := d.antennas[d.turn]
	d.turn = (d.turn + 1) % len(d.antennas)
	dwell := int64(a.dwell[0])
	if a.dwell[1] > a.dwell[0] {
		dwell += rng.Int64N(int64(a.dwell[1] - a.dwell[0] + 1))
	}
	if s.now >= d.hopAt && s.cfg.Regime.Channels > 1 {
		d.channel = rng.IntN(s.cfg.Regime.Channels)
		hop := s.cfg.Regime.HopMs
		d.hopAt = s.now + int64(hop[0]+rng.IntN(hop[1]-hop[0]+1))
	}
	mhz := s.mhz(d.channel)
	t := float64(s.now) / 1000
	s.placeBodies()
	from := a.at(t - s.zero)
	if a.moves() {
		_, _, h := a.carrier.at(s.now - s.start)
		a.dir = vec{math.Cos(h), math.Sin(h), -0.2}.unit()
	}
	t -= s.zero

	list := s.reach[:0]
	for _, i := range s.present {
		it := &s.goods[i]
		p, u, own := s.place(i, s.now)
		q := p.sub(from)
		d2 := q.dot(q)
		if d2 > 81 {
			continue
		}
		// What the best place could give decides whether the field is worth working out.
		dist := max(0.15, math.Sqrt(d2))
		best := d.power + toTag - decibel(dist) + max(pattern(a.dir.dot(q)/dist), -10) + 5 - it.loss
		if best < it.wakes-3 {
			continue
		}
		l := s.field(a, p, u, t, mhz, it.loss+it.stack, own)
		if d.power+toTag+l.gain < it.wakes-4 {
			continue
		}
		it.powered = s.now
		list = append(list, candidate{item: i, link: l, moves: own != nil})
	}
	s.reach = list
	if len(list) == 0 {
		return dwell
	}
	// Rounds: each tag that takes part is asked once in a round, in an order drawn anew.
	cost := 1000 / d.rate
	clock := 8.0
	for clock < float64(dwell) {
		rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
		took := clock
		for k := range list {
			c := &list[k]
			it := &s.goods[c.item]
			at := s.now + int64(clock)
			if s.quiet(d, it, at) {
				continue
			}
			if c.moves && clock > 12 {
				p, u, own := s.place(c.item, at)
				c.link = s.field(a, p, u, float64(at)/1000-s.zero, mhz, it.loss+it.stack, own)
			}
			clock += 1
			rssi := d.power + andBack + 2*c.link.gain
			chance := 0.92 * smooth(d.power+toTag+c.link.gain-it.wakes) * smooth(rssi-hears)
			if rng.Float64() >= chance {
				continue
			}
			clock += cost
			if clock > float64(dwell) {
				break
			}
			at = s.now + int64(clock)
			h := heard{item: c.item, ant: a, at: at, rssi: rssi + rng.NormFloat64(), n: 1}
			if s.cfg.Regime.Phase {
				h.extra = s.extra(d, a, c, mhz, at)
			}
			d.pending = append(d.pending, h)
			s.silence(d, it, at)
			if a.door >= 0 {
				if n := len(it.atDoor); n > 400 { // more than 20 s hold
					it.atDoor = append(it.atDoor[:0], it.atDoor[n-200:]...)
				}
				it.atDoor = append(it.atDoor, at)
			}
		}
		if clock == took {
			clock += 60
		}
		clock += 4
	}
	return dwell
}

// smooth is the chance of a link with that margin, in dB.
func smooth(margin float64) float64 { return 1 / (1 + math.Exp(-margin/0.6)) }

// extra works out phase and Doppler shift; the reads are the same without it.
func (s *Shop) extra(d *device, a *antenna, c *candidate, mhz float64, at int64) extra {
	const dt = 0.01
	it := &s.goods[c.item]
	phase := func(t int64) float64 {
		p, u, own := s.place(c.item, t)
		return s.field(a, p, u, float64(t)/1000-s.zero, mhz, it.loss, own).phase
	}
	one, two := phase(at), phase(at+int64(dt*1000))
	turn := math.Remainder(two-one, 2*math.Pi)
	deg := (-2*one + d.phases[d.channel] + 0.1*s.extras.NormFloat64()) * 180 / math.Pi
	deg = math.Mod(deg, 360)
	if deg < 0 {
		deg += 360
	}
	return extra{Phase: deg, Channel: mhz, Doppler: 2*turn/dt/(2*math.Pi) + 3*s.extras.NormFloat64()}
}

// quiet reports whether a tag keeps quiet in the session of a reader. A tag read in S1 keeps quiet
// for 0.5 to 5 s whatever it is powered by; one read in S2 or S3 for as long as it has power and
// for its own time after.
func (s *Shop) quiet(d *device, it *thing, at int64) bool {
	switch d.session {
	case "S1":
		return at < it.s1Until
	case "S2":
		return it.s2
	case "S3":
		return it.s3
	}
	return false
}

func (s *Shop) silence(d *device, it *thing, at int64) {
	switch d.session {
	case "S1":
		it.s1Until = at + it.persist
	case "S2":
		it.s2 = true
	case "S3":
		it.s3 = true
	}
}

// forget clears the flags of tags that have been without power for their persistence.
func (s *Shop) forget() {
	for _, i := range s.present {
		if it := &s.goods[i]; (it.s2 || it.s3) && s.now-it.powered > it.persist2 {
			it.s2, it.s3 = false, false
		}
	}
}

// report sends what a device heard since its last report.
func (s *Shop) report(d *device) {
	// A turn is worked out at its beginning: what it will hear after now waits for the next report.
	list := s.due[:0]
	rest := d.pending[:0]
	for _, h := range d.pending {
		if h.at <= s.now {
			list = append(list, h)
		} else {
			rest = append(rest, h)
		}
	}
	d.pending, s.due = rest, list
	if len(list) == 0 {
		return
	}
	if n := s.cfg.Regime.Sums; n > 0 && d.role != "handheld" {
		list = sums(list, n)
	} else {
		slices.SortStableFunc(list, func(a, b heard) int { return int(a.at - b.at) })
	}
	b := s.newBatch()
	e := &b.entry
	e.Kind, e.By = event.EntryReads, "simulator"
	if d.declared != "" {
		e.Zones = append(e.Zones, d.declared)
	}
	for k := range list {
		h := &list[k]
		point := slices.Index(e.Points, h.ant.point)
		if point < 0 {
			point = len(e.Points)
			e.Points = append(e.Points, h.ant.point)
		}
		read := event.Read{
			Key: s.truth.Items[h.item].Key, Point: uint16(point), Zone: uint16(len(e.Zones)),
			RSSI: s.strength(h.rssi), N: h.n, T: h.at + d.skew,
		}
		if x := &h.extra; s.cfg.Regime.Phase {
			read.Phase = 1 + uint16(10*x.Phase)
			read.Channel = uint16(math.Round(10 * x.Channel))
			read.Doppler = uint16(event.DopplerZero + math.Round(10*max(-1000, min(1000, x.Doppler))))
		}
		e.Reads = append(e.Reads, read)
	}
	at := s.now + 5 + s.network.Int64N(56)
	if s.network.Float64() < s.cfg.Regime.LateShare {
		at += 1000 + s.network.Int64N(4001)
	}
	s.send(b, at)
}

func (s *Shop) strength(rssi float64) int16 {
	step := s.cfg.Regime.RSSIStep
	if step < 0 {
		return event.NoRSSI
	}
	return int16(math.Round(10 * math.Round((rssi+s.cfg.Regime.RSSIOffset)/step) * step))
}

// sums makes one or two reads of all those of one antenna and tag: the count and the loudest, at
// the last time, or shared between first and last time.
func sums(list []heard, parts int) []heard {
	slices.SortStableFunc(list, func(a, b heard) int {
		switch {
		case a.item != b.item:
			return int(a.item - b.item)
		case a.ant.point < b.ant.point:
			return -1
		case a.ant.point > b.ant.point:
			return 1
		}
		return int(a.at - b.at)
	})
	var out []heard
	for i := 0; i < len(list); {
		k, peak := i, list[i].rssi
		for ; k < len(list) && list[k].item == list[i].item && list[k].ant.point == list[i].ant.point; k++ {
			peak = max(peak, list[k].rssi)
		}
		n := k - i
		last := list[k-1]
		last.rssi = peak
		if parts == 2 && n > 1 {
			first := list[i]
			first.rssi, first.n = peak, uint32(n/2)
			out = append(out, first)
			n -= n / 2
		}
		last.n = uint32(n)
		out = append(out, last)
		i = k
	}
	slices.SortStableFunc(out, func(a, b heard) int { return int(a.at - b.at) })
	return out
}
