package sim

import (
	"container/heap"
	"fmt"
	"math/rand/v2"
	"strconv"

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

	goods
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

	radio  radio
	uplink uplink
	lent   *batch
}

// goods are the tagged things, and where they are.
type goods struct {
	things  []thing
	hex     []string
	keys    []epc.Key
	inZone  [][]int32 // by zone: what rests there
	inHands []int32
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
		claimed: map[int32]bool{},
	}
	s.uplink = uplink{Network: &s.cfg.Network, draw: rand.New(rand.NewPCG(cfg.Seed, streamNetwork))}
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
		s.uplink.recycle(s.lent)
		s.lent = nil
	}
	// What is still to be sent leaves after now and arrives later yet.
	for (len(s.uplink.flight) == 0 || s.uplink.flight[0].at > s.now) && s.now < s.end {
		s.tick()
	}
	if len(s.uplink.flight) == 0 {
		return Step{}, false
	}
	b := heap.Pop(&s.uplink.flight).(*batch)
	s.lent = b
	return Step{At: b.at, Reads: b.reads, Events: b.events}, true
}

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
	s.radio.listen(s.now)
}

// tell sends a business event that is known to the server at the given time.
func (s *Sim) tell(at int64, t event.EventType, items []int32, zone string, happened int64, ref string) {
	ev := Event{Type: t, Zone: zone, Time: happened, Ref: ref}
	for _, i := range items {
		ev.EPCs, ev.Keys = append(ev.EPCs, s.hex[i]), append(ev.Keys, s.keys[i])
	}
	b := s.uplink.newBatch()
	b.events = []Event{ev}
	s.uplink.send(b, at)
}

func (s *Sim) ref(kind string) string {
	s.receipts++
	return kind + "-" + strconv.Itoa(100000 + s.receipts)[1:]
}
