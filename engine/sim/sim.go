package sim

import (
	"container/heap"
	"fmt"
	"math/rand/v2"
	"strconv"
	"time"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

// Each part of the simulation draws from a stream of its own, so that another radio model leaves
// what people do as it was.
const (
	streamProducts = iota + 1
	streamStock
	streamPeople
	streamTables
	streamRadio
	streamNetwork
	streamLinks
)

const (
	tickMs      = 100 // one step of the world
	minutesMs   = 60_000
	minItems    = 1000
	maxItems    = 1_000_000
	deliverable = 80 // items that a delivery can bring
	soldBefore  = 12 // items that customers bought before the beginning
	strangers   = 48 // tags from elsewhere that customers may carry
)

// Step is one message that reaches the server: a batch of reads of one reader, or the events of a
// till. Its slices hold until the next call of Next.
type Step struct {
	At     int64 // when it reaches the server, Unix milliseconds
	Reads  []Read
	Events []Event
}

// Read is one read of one tag, as the reader reports it.
type Read struct {
	EPC   string  // what is on the tag, as hexadecimal digits
	Key   epc.Key // the identity that EPC decodes to
	Point string  // the read point's id
	Zone  string  // the zone that the operator of a handheld declared, else ""
	RSSI  float64 // dBm, to a tenth
	Time  int64   // by the reader's clock, Unix milliseconds
}

// Event is one business event.
type Event struct {
	Type event.EventType
	EPCs []string
	Keys []epc.Key // the identities that EPCs decode to
	Zone string
	Time int64 // when it happened, Unix milliseconds
	Ref  string
}

// batch is a message on its way.
type batch struct {
	at     int64
	seq    uint64 // order of sending, for messages that arrive in the same millisecond
	reads  []Read
	events []Event
}

type inFlight []*batch

func (q inFlight) Len() int      { return len(q) }
func (q inFlight) Swap(a, b int) { q[a], q[b] = q[b], q[a] }
func (q inFlight) Less(a, b int) bool {
	return q[a].at < q[b].at || q[a].at == q[b].at && q[a].seq < q[b].seq
}
func (q *inFlight) Push(x any) { *q = append(*q, x.(*batch)) }
func (q *inFlight) Pop() any {
	last := len(*q) - 1
	b := (*q)[last]
	(*q)[last] = nil
	*q = (*q)[:last]
	return b
}

// state of an item
const (
	outside uint8 = iota // not in the shop, nobody of ours carries it
	resting
	carried
)

// thing is one tagged item.
type thing struct {
	product   int32 // index in the catalogue; -1: a tag from elsewhere
	state     uint8
	zone      uint8 // where it rests
	paid      bool
	pos       vec     // where it rests
	holder    *person // who carries it
	slot      int32   // its place in the list of its zone, or of what is carried
	misplaced int32   // 1 + index of its open misplacement
}

// Sim is one run. It is not safe for use by several goroutines.
type Sim struct {
	cfg     Config
	layout  *layout.Layout
	catalog *catalog.Catalog
	plan    *plan
	now     int64
	end     int64

	// goods
	things  []thing
	hex     []string
	keys    []epc.Key
	inZone  [][]int32 // by zone: what rests there
	inHands []int32
	counts  []int32 // of each product resting in each zone: product*zones+zone
	minimum []int32 // likewise; 0: none
	short   []int32 // likewise; 1 + index of the open shortage
	awaited []int32 // items of the next deliveries
	sold    []int32 // items that customers have at home

	// people
	people     *rand.Rand
	persons    []*person
	visits     int
	tillLine   []*person
	nextGuest  int64
	nextReturn int64
	nextRefill int64
	nextTidy   int64
	scenes     []Scene
	receipts   int
	claimed    map[int32]bool // items that staff are about to move, and shelf places that they are about to fill
	behindTill []int32        // returned goods

	truth Truth

	radio   radio
	network *rand.Rand
	flight  inFlight
	sent    uint64
	free    []*batch
	lent    *batch
}

// New builds the shop as it stands at the beginning. Equal configurations give equal runs.
func New(cfg Config) (*Sim, error) {
	if cfg.Layout == nil {
		cfg.Layout = layoutJSON
	}
	if cfg.Items == 0 {
		cfg.Items = defaultItems
	}
	switch {
	case cfg.Items < minItems || cfg.Items > maxItems:
		return nil, fmt.Errorf("sim: %d items: the shop has from %d to %d", cfg.Items, minItems, maxItems)
	case cfg.Length <= 0:
		return nil, fmt.Errorf("sim: the length %s must be above zero", cfg.Length)
	}
	if err := cfg.check(); err != nil {
		return nil, err
	}
	l, err := layout.Parse(cfg.Layout)
	if err != nil {
		return nil, fmt.Errorf("sim: %w", err)
	}
	s := &Sim{
		cfg: cfg, layout: l, catalog: shopCatalog(), plan: newPlan(l), now: cfg.Start, end: cfg.Start + cfg.Length.Milliseconds(),
		people:  rand.New(rand.NewPCG(cfg.Seed, streamPeople)),
		network: rand.New(rand.NewPCG(cfg.Seed, streamNetwork)),
		claimed: map[int32]bool{},
	}
	for i := range areas {
		if _, ok := s.plan.number[areas[i].zone]; !ok {
			return nil, fmt.Errorf("sim: the layout has no zone %q: keep the zones of Umberhithe Books", areas[i].zone)
		}
	}
	s.stock()
	if err := s.buildRadio(); err != nil {
		return nil, err
	}
	s.fill()
	s.schedule()
	return s, nil
}

// Next returns the next message to the server, in the order in which they reach it, and false when
// the time is over and everything has arrived.
func (s *Sim) Next() (Step, bool) {
	if s.lent != nil {
		s.recycle(s.lent)
		s.lent = nil
	}
	// What is still to be sent leaves after now and arrives later yet.
	for (len(s.flight) == 0 || s.flight[0].at > s.now) && s.now < s.end {
		s.tick()
	}
	if len(s.flight) == 0 {
		return Step{}, false
	}
	b := heap.Pop(&s.flight).(*batch)
	s.lent = b
	return Step{At: b.at, Reads: b.reads, Events: b.events}, true
}

// Now returns how far the world has gone, Unix milliseconds.
func (s *Sim) Now() int64 { return s.now }

// tick moves the world on by one step.
func (s *Sim) tick() {
	s.now += tickMs
	for len(s.scenes) > 0 && s.now-s.cfg.Start >= s.scenes[0].At.Milliseconds() {
		scene := s.scenes[0]
		s.scenes = s.scenes[1:]
		s.play(scene)
	}
	s.visitors()
	s.duties()
	kept := s.persons[:0]
	for _, p := range s.persons {
		if s.act(p) {
			kept = append(kept, p)
		}
	}
	clear(s.persons[len(kept):])
	s.persons = kept
	if s.cfg.Radio.Off {
		return
	}
	s.listen()
}

func (s *Sim) newBatch() *batch {
	if n := len(s.free); n > 0 {
		b := s.free[n-1]
		s.free = s.free[:n-1]
		return b
	}
	return &batch{}
}

func (s *Sim) recycle(b *batch) {
	b.reads, b.events = b.reads[:0], nil
	s.free = append(s.free, b)
}

// send puts a message on its way; it arrives at the given time, which is after now.
func (s *Sim) send(b *batch, at int64) {
	b.at, b.seq = at, s.sent
	s.sent++
	heap.Push(&s.flight, b)
}

// delay draws how long a batch of reads takes.
func (s *Sim) delay() int64 {
	n := &s.cfg.Network
	d := between(s.network, n.DelayMin, n.DelayMax)
	if s.network.Float64() < n.LateShare {
		d += between(s.network, n.LateMin, n.LateMax)
	}
	return max(1, d)
}

// tell sends a business event that is known to the server at the given time.
func (s *Sim) tell(at int64, t event.EventType, items []int32, zone string, happened int64, ref string) {
	ev := Event{Type: t, Zone: zone, Time: happened, Ref: ref}
	for _, i := range items {
		ev.EPCs, ev.Keys = append(ev.EPCs, s.hex[i]), append(ev.Keys, s.keys[i])
	}
	b := s.newBatch()
	b.events = []Event{ev}
	s.send(b, at)
}

func (s *Sim) ref(kind string) string {
	s.receipts++
	return kind + "-" + strconv.Itoa(100000 + s.receipts)[1:]
}

// between draws milliseconds between two durations.
func between(rng *rand.Rand, low, high time.Duration) int64 {
	a, b := low.Milliseconds(), high.Milliseconds()
	if b <= a {
		return a
	}
	return a + rng.Int64N(b-a+1)
}
