package doors

import (
	"container/heap"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/sim"
)

const (
	streamPeople = iota + 101
	streamField
	streamRadio
	streamNetwork
	streamGoods
	streamExtras
)

// Start is the beginning of a run where Config says nothing else.
var Start = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// Config says what is simulated. Zero values are filled in.
type Config struct {
	Regime Regime
	Seed   uint64
	Start  time.Time
	WarmUp time.Duration // before the first people come; 90 s
	Length time.Duration // after the warm-up; 12 min
	Every  time.Duration // between scenes; 7 s
}

// Shop is one run. It is not safe for use by several goroutines.
type Shop struct {
	cfg     Config
	catalog *catalog.Catalog
	doors   []door
	areas   []area
	devices []*device

	doorAntennas []*antenna

	start, now, end int64
	zero            float64 // start in seconds

	people, radio, network, stock, extras *rand.Rand

	goods   []thing
	present []int32   // not away, ascending
	inArea  [][]int32 // by area: what rests there and is not spoken for
	bound   []int     // by area: goods on their way there
	serials []uint64
	lone    uint64

	persons  []*person
	bodies   []body
	bodiesAt float64
	placed   int64

	actions   actions
	scheduled uint64
	nextScene int64
	visits    int
	receipts  int
	reach     []candidate
	due       []heard

	truth  Truth
	flight inFlight
	sent   uint64
	free   []*batch
	lent   *batch
}

// thing is one tagged item.
type thing struct {
	loss, stack       float64 // dB that its mounting takes, and the goods around it
	wakes             float64 // dBm
	along             vec     // the way its dipole lies
	persist, persist2 int64
	s1Until           int64
	s2, s3            bool
	powered           int64
	slot              int // index of its current stay
	atDoor            []int64
}

type body struct{ x, y, vx, vy float64 }

type batch struct {
	entry event.Entry
	seq   uint64
}

type inFlight []*batch

func (q inFlight) Len() int      { return len(q) }
func (q inFlight) Swap(a, b int) { q[a], q[b] = q[b], q[a] }
func (q inFlight) Less(a, b int) bool {
	return q[a].entry.At < q[b].entry.At || q[a].entry.At == q[b].entry.At && q[a].seq < q[b].seq
}
func (q *inFlight) Push(x any) { *q = append(*q, x.(*batch)) }
func (q *inFlight) Pop() any {
	last := len(*q) - 1
	b := (*q)[last]
	*q = (*q)[:last]
	return b
}

type action struct {
	at  int64
	seq uint64
	do  func()
}

type actions []action

func (q actions) Len() int      { return len(q) }
func (q actions) Swap(a, b int) { q[a], q[b] = q[b], q[a] }
func (q actions) Less(a, b int) bool {
	return q[a].at < q[b].at || q[a].at == q[b].at && q[a].seq < q[b].seq
}
func (q *actions) Push(x any) { *q = append(*q, x.(action)) }
func (q *actions) Pop() any {
	last := len(*q) - 1
	a := (*q)[last]
	(*q)[last] = action{}
	*q = (*q)[:last]
	return a
}

// New builds the shop as it stands at the beginning.
func New(cfg Config) (*Shop, error) {
	if err := cfg.Regime.check(); err != nil {
		return nil, err
	}
	if cfg.Start.IsZero() {
		cfg.Start = Start
	}
	for _, d := range []struct {
		name  string
		value *time.Duration
		usual time.Duration
	}{
		{"WarmUp", &cfg.WarmUp, 90 * time.Second},
		{"Length", &cfg.Length, 12 * time.Minute},
		{"Every", &cfg.Every, 7 * time.Second},
	} {
		if *d.value < 0 {
			return nil, fmt.Errorf("doors: %s is %s: it must not be below zero", d.name, *d.value)
		}
		if *d.value == 0 {
			*d.value = d.usual
		}
	}
	s := &Shop{
		cfg: cfg, catalog: sim.Products(sim.ProductsSeed), start: cfg.Start.UnixMilli(),
		people:  rand.New(rand.NewPCG(cfg.Seed, streamPeople)),
		radio:   rand.New(rand.NewPCG(cfg.Seed, streamRadio)),
		network: rand.New(rand.NewPCG(cfg.Seed, streamNetwork)),
		stock:   rand.New(rand.NewPCG(cfg.Seed, streamGoods)),
		extras:  rand.New(rand.NewPCG(cfg.Seed, streamExtras)),
	}
	s.now, s.end = s.start, s.start+(cfg.WarmUp+cfg.Length).Milliseconds()
	s.zero = float64(s.start) / 1000
	s.buildPlan()
	s.buildDevices()
	s.truth.shop, s.truth.Start, s.truth.Until = s, s.start, s.start
	s.inArea, s.bound = make([][]int32, len(s.areas)), make([]int, len(s.areas))
	s.serials = make([]uint64, s.catalog.Len())
	for i := range s.serials {
		s.serials[i] = uint64(1000 + s.stock.IntN(9000))
	}
	s.fill()
	s.nextScene = s.start + cfg.WarmUp.Milliseconds()
	for range cfg.Regime.Idlers {
		s.idle()
	}
	s.after(s.start+20_000, s.refill)
	s.after(s.start+15_000, s.countByHand)
	return s, nil
}

// Catalog returns the products that the shop sells.
func (s *Shop) Catalog() *catalog.Catalog { return s.catalog }

// Next returns the next entry in order of receipt, with Seq 0, and false when the time is over and
// all has arrived. Its slices hold until the next call.
func (s *Shop) Next() (event.Entry, bool) {
	if s.lent != nil {
		e := &s.lent.entry
		e.Points, e.Zones, e.Reads, e.Events = e.Points[:0], e.Zones[:0], e.Reads[:0], nil
		s.free = append(s.free, s.lent)
		s.lent = nil
	}
	for (len(s.flight) == 0 || s.flight[0].entry.At > s.now) && s.now < s.end {
		s.advance()
	}
	if len(s.flight) == 0 {
		return event.Entry{}, false
	}
	b := heap.Pop(&s.flight).(*batch)
	s.lent = b
	return b.entry, true
}

// WarmUp returns how long the shop lies still before the first people come.
func (s *Shop) WarmUp() time.Duration { return s.cfg.WarmUp }

// Now returns how far the shop has gone, Unix milliseconds.
func (s *Shop) Now() int64 { return s.now }

// advance goes to the next thing that happens: a deed of somebody, an antenna's turn, a report.
func (s *Shop) advance() {
	next := s.end
	if len(s.actions) > 0 {
		next = min(next, s.actions[0].at)
	}
	next = min(next, s.nextScene)
	for _, d := range s.devices {
		next = min(next, d.next, d.nextSend)
	}
	s.now = max(s.now, next)
	s.truth.Until = s.now
	if s.now >= s.end {
		for _, d := range s.devices {
			s.report(d)
		}
		return
	}
	for len(s.actions) > 0 && s.actions[0].at <= s.now {
		heap.Pop(&s.actions).(action).do()
	}
	if s.now >= s.nextScene {
		s.nextScene += int64(float64(s.cfg.Every.Milliseconds()) * s.cfg.Regime.Pace * (0.5 + s.people.Float64()))
		if s.now < s.end-10_000 {
			scenes{s}.scene()
		}
	}
	for _, d := range s.devices {
		if d.nextSend <= s.now {
			s.report(d)
			d.nextSend += d.report
			s.forget()
		}
		if d.next <= s.now {
			d.next = s.now + s.listen(d)
		}
	}
}

// after has something done at a moment.
func (s *Shop) after(at int64, do func()) {
	s.scheduled++
	heap.Push(&s.actions, action{at, s.scheduled, do})
}

func (s *Shop) newBatch() *batch {
	if n := len(s.free); n > 0 {
		b := s.free[n-1]
		s.free = s.free[:n-1]
		return b
	}
	return &batch{}
}

func (s *Shop) send(b *batch, at int64) {
	s.sent++
	b.entry.At, b.seq = max(at, s.now+1), s.sent
	heap.Push(&s.flight, b)
}

// tell sends an event that the server knows at the given time.
func (s *Shop) tell(at int64, t event.EventType, items []int32, zone string, happened int64) {
	s.receipts++
	ev := event.Event{Type: t, Zone: zone, T: happened, Ref: fmt.Sprintf("%s-%05d", t, s.receipts)}
	for _, i := range items {
		ev.Tags = append(ev.Tags, event.Tag{Key: s.truth.Items[i].Key})
	}
	b := s.newBatch()
	b.entry.Kind, b.entry.By, b.entry.Events = event.EntryEvents, "simulator", []event.Event{ev}
	s.send(b, at)
}

// fill makes the goods that lie in the shop in the beginning, and has the server know them.
func (s *Shop) fill() {
	for k := range s.areas {
		a := &s.areas[k]
		var list []int32
		for n := range a.goods {
			i, at := s.makeItem(true, false), s.spot(k)
			if s.cfg.Regime.OnDoor && a.zone == "window" && n < 3 {
				at = vec{s.doors[street].x + s.cfg.Regime.HalfWidth + 0.1, 0.15, 1.2 + 0.3*float64(n)}
			}
			s.rest(i, k, at)
			list = append(list, i)
		}
		if len(list) > 0 {
			s.tell(s.now+100+int64(k), event.EventReceived, list, a.zone, s.now)
		}
	}
}

// makeItem makes one tag: the shop's own, or a guest's of the shop's products, or of another's.
func (s *Shop) makeItem(own, foreign bool) int32 {
	var gtin, serial uint64
	if foreign {
		s.lone++
		body := fmt.Sprintf("9527777%05d", s.lone%90000)
		check, err := epc.CheckDigit(body)
		if err != nil {
			panic("doors: " + err.Error()) // digits only
		}
		if gtin, err = epc.ParseGTIN(body + string(check)); err != nil {
			panic("doors: " + err.Error()) // made with its check digit
		}
		serial = 500 + s.lone
	} else {
		p := s.stock.IntN(s.catalog.Len())
		s.serials[p]++
		gtin, serial = s.catalog.At(p).GTIN, s.serials[p]
		if !own {
			serial += 5_000_000 // sold by another branch, long ago
		}
	}
	id, err := epc.EncodeSGTIN96(gtin, 7, serial, 1)
	if err != nil {
		panic("doors: " + err.Error()) // the catalogue's GTINs are checked
	}
	i := int32(len(s.goods))
	s.goods = append(s.goods, thing{
		loss: 3 * s.stock.Float64(), wakes: wakes + 1.2*s.stock.NormFloat64(), along: s.direction(),
		persist: 500 + s.stock.Int64N(3000), persist2: 2000 + s.stock.Int64N(30_000), slot: -1,
	})
	s.truth.Items = append(s.truth.Items, Item{Key: id.Key(), Own: own, Guest: !own, GTIN: gtin})
	s.truth.stays = append(s.truth.stays, nil)
	return i
}

// direction draws a direction, more often level than not: tags of books lie or stand.
func (s *Shop) direction() vec {
	a := 2 * math.Pi * s.stock.Float64()
	z := 0.5 * s.stock.NormFloat64()
	return vec{math.Cos(a), math.Sin(a), z}.unit()
}

func (s *Shop) spot(area int) vec {
	a := &s.areas[area]
	return vec{
		a.x0 + (a.x1-a.x0)*s.stock.Float64(), a.y0 + (a.y1-a.y0)*s.stock.Float64(), a.z0 + (a.z1-a.z0)*s.stock.Float64(),
	}
}

// rest lays an item down from now on.
func (s *Shop) rest(i int32, area int, at vec) {
	s.change(i, stay{from: s.now, how: rests, area: int32(area), at: at})
	s.goods[i].stack = max(0, 1.5*s.stock.NormFloat64())
	s.goods[i].along = s.direction()
	s.inArea[area] = append(s.inArea[area], i)
	s.truth.Items[i].Near = s.truth.Items[i].Near || s.near(at)
}

func (s *Shop) near(at vec) bool {
	return slices.ContainsFunc(s.doorAntennas, func(a *antenna) bool { return a.pos.distance(at) < nearDoor })
}

// carry puts an item into somebody's hands from now on.
func (s *Shop) carry(i int32, tr *track, off vec, stack float64) {
	s.change(i, stay{from: s.now, how: carries, area: -1, at: off, who: tr})
	s.goods[i].stack = stack
}

func (s *Shop) gone(i int32) { s.change(i, stay{from: s.now, how: away, area: -1}) }

func (s *Shop) change(i int32, next stay) {
	list := s.truth.stays[i]
	was := len(list) > 0 && list[len(list)-1].how != away
	if is := next.how != away; is != was {
		k, _ := slices.BinarySearch(s.present, i)
		if is {
			s.present = slices.Insert(s.present, k, i)
		} else {
			s.present = slices.Delete(s.present, k, k+1)
		}
	}
	s.truth.stays[i] = append(list, next)
}

// place returns where an item is, how its tag lies, and on whom; it must not be away.
func (s *Shop) place(i int32, now int64) (p, u vec, own *track) {
	list := s.truth.stays[i]
	st := &list[len(list)-1]
	u = s.goods[i].along
	if st.how == rests {
		return st.at, u, nil
	}
	p, h := st.carried(now - s.start)
	sin, cos := math.Sincos(h)
	return p, vec{u.x*cos - u.y*sin, u.x*sin + u.y*cos, u.z}, st.who
}

// placeBodies works out where people are, for the turns that begin now.
func (s *Shop) placeBodies() {
	if s.placed == s.now && s.bodies != nil {
		return
	}
	s.placed = s.now
	s.bodies = s.bodies[:0]
	s.bodiesAt = float64(s.now)/1000 - s.zero
	kept := s.persons[:0]
	for _, p := range s.persons {
		at := s.now - s.start
		if at > p.track.end() {
			continue
		}
		kept = append(kept, p)
		if at < p.track.knots[0].t {
			continue
		}
		x, y, _ := p.track.at(at)
		x2, y2, _ := p.track.at(at + 100)
		s.bodies = append(s.bodies, body{x, y, (x2 - x) * 10, (y2 - y) * 10})
	}
	clear(s.persons[len(kept):])
	s.persons = kept
}
