package presence

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// A door is the exit zone that read points with the role portal look at. What it hears of an item
// is an approach (package presence). Approaches are evidence; what is usual for an item at a door,
// and what was already notified of it, are records.

// approach is what one door hears of one item, and when it is looked at next.
type approach struct {
	Approach
	key   epc.Key // for ordering
	item  int32
	zone  uint16
	heard int64 // by the site clock: when its newest read came in
	look  int64 // by the site clock: when it is evaluated next
}

// doorItem names one item at one door.
type doorItem struct {
	item int32
	zone uint16
}

// doorMemory is the record of one item at one door.
type doorMemory struct {
	Usual
	likely  int64 // Unix milliseconds: when a passage was last notified as likely; 0: never
	entered int64 // when it was carried in as nobody's stock; 0: it was not, or was declared stock since
	stay
	dirty bool
}

// doorBook is what the doors of a site hear, and what is remembered of items at them.
type doorBook struct {
	*Site

	approaches map[doorItem]*approach
	memory     map[doorItem]*doorMemory
	stays      map[doorItem]bool // the items of memory that stay near a door
	taken      map[int32]near    // recorded facts of items that linger, where nothing is concluded from reads
	newest     map[uint16]int64  // by door: time of the newest read of any item, by its reader's clock
	nextAt     int64             // no approach is due before this
	due        []*approach       // reused
	active     []*approach       // reused
	candidates []Candidate       // reused
	dirty      []doorItem        // whose memory has changed since the last Flush
	loading    []doorRecord
}

const (
	glance      = SlotMs // milliseconds from a read to the evaluation, and between two
	lookFor     = 12_000 // milliseconds of quiet in which silence still says something
	idleLook    = 4_000  // between two looks at an approach that has long been quiet
	forgetAfter = RingMs + idleLook
	maxAhead    = 2_500      // milliseconds by which a reader's clock may be ahead of the receipt of its report
	learnBy     = Window / 2 // slots that are learnt at a time
)

func (p *doorBook) init() {
	p.approaches = make(map[doorItem]*approach)
	p.newest = make(map[uint16]int64)
	if p.memory == nil {
		p.memory, p.stays = make(map[doorItem]*doorMemory), make(map[doorItem]bool)
	}
	p.nextAt = math.MaxInt64
	if len(p.stays) > 0 {
		p.nextAt = 0 // nothing is heard of them any more
	}
}

// pass adds a read at a portal, received at the given time, to the item's approach.
func (s *doorBook) pass(i int32, pt *Point, r *event.Read, at int64) {
	t := r.T
	if t > at+maxAhead {
		t = at
	}
	if pt.Zone == 0 || t <= s.clock-RingMs {
		return
	}
	p := s
	k := doorItem{i, pt.Zone}
	b := p.approaches[k]
	if b == nil {
		b = &approach{item: i, key: s.items.Key(i), zone: pt.Zone}
		p.approaches[k] = b
	}
	level := int8(NoLevel)
	if r.RSSI != event.NoRSSI {
		level = int8(max(-120, min(0, (int(r.RSSI)-5)/10)))
	}
	if !b.Hear(pt.doorSide(), t, level, r.N, EchoOf(r, pt.Name)) {
		return
	}
	p.newest[pt.Zone] = max(p.newest[pt.Zone], t)
	b.heard = s.clock
	b.look = onGrid(s.clock, glance)
	p.nextAt = min(p.nextAt, b.look)
}

// EchoOf returns what a reader reported of a tag's answer beside its strength, for package presence.
func EchoOf(r *event.Read, point uint16) Echo {
	e := Echo{Point: point, Phase: r.Phase, Channel: r.Channel, Doppler: NoDoppler}
	if r.Doppler != 0 {
		e.Doppler = int16(int(r.Doppler) - event.DopplerZero)
	}
	return e
}

// doorSide is the side of a door that a portal hears, in the terms of package presence.
func (pt *Point) doorSide() int {
	if pt.Side == event.Outer {
		return Outer
	}
	return Inner
}

// onGrid returns the next multiple of step after a moment: when an approach is looked at must not
// depend on when it began, since that may be longer ago than evidence reaches.
func onGrid(ms, step int64) int64 { return (ms/step + 1) * step }

// settle evaluates the approaches that are due.
func (s *doorBook) settle() {
	p := s
	if s.clock < p.nextAt {
		return
	}
	p.nextAt = math.MaxInt64
	due := p.due[:0]
	for k, b := range p.approaches {
		switch {
		case b.look > s.clock:
			p.nextAt = min(p.nextAt, b.look)
		case s.clock-b.heard >= forgetAfter:
			delete(p.approaches, k)
		default:
			due = append(due, b)
		}
	}
	p.due = due
	slices.SortFunc(due, func(a, b *approach) int {
		return cmp.Or(cmp.Compare(a.zone, b.zone), a.key.Compare(b.key))
	})
	if !s.replaying {
		for from := 0; from < len(due); {
			to := from + 1
			for to < len(due) && due[to].zone == due[from].zone {
				to++
			}
			s.evaluate(due[from:to])
			s.lingerAll(due[from:to])
			from = to
		}
		s.endOrphans()
	}
	for _, b := range due {
		b.look = onGrid(s.clock, glance)
		if s.clock-b.heard >= lookFor {
			b.look = onGrid(s.clock, idleLook)
		}
		p.nextAt = min(p.nextAt, b.look)
	}
	if len(p.stays) > 0 {
		p.nextAt = min(p.nextAt, onGrid(s.clock, glance))
	}
}

func (s *doorBook) digestDoors(put func(string, ...any)) {
	p := s
	all := make([]*approach, 0, len(p.approaches))
	for _, b := range p.approaches {
		all = append(all, b)
	}
	slices.SortFunc(all, func(a, b *approach) int { return cmp.Or(a.key.Compare(b.key), cmp.Compare(a.zone, b.zone)) })
	for _, b := range all {
		put("approach %v %d heard %d look %d: %s", b.key, b.zone, b.heard, b.look, b.Approach.String())
	}
	s.digestMemory(put)
}

func (s *doorBook) digestMemory(put func(string, ...any)) {
	p := s
	var all []doorItem
	for k := range p.memory {
		all = append(all, k)
	}
	slices.SortFunc(all, func(a, b doorItem) int {
		return cmp.Or(s.items.Key(a.item).Compare(s.items.Key(b.item)), cmp.Compare(a.zone, b.zone))
	})
	for _, k := range all {
		m := p.memory[k]
		put("door %v %d likely %d entered %d stay %v usual %v", s.items.Key(k.item), k.zone, m.likely, m.entered, m.stay, m.Usual)
	}
}

// remember returns the record of an item at a door, and marks it for the next Flush.
func (s *doorBook) remember(k doorItem) *doorMemory {
	m := s.memory[k]
	if m == nil {
		m = &doorMemory{}
		s.memory[k] = m
	}
	if !m.dirty {
		m.dirty = true
		s.dirty = append(s.dirty, k)
	}
	return m
}

// doorVersion 2 is that of an item that stays near the door: it adds since when, how long that was when
// it was last notified, and the strongest read.
const doorVersion = 2

// DoorPrefix begins the keys of the records that a Site writes: what is remembered of an item at a
// door. 16 bytes of its identity and two of the door's number follow.
const DoorPrefix = "door/"

// Pending returns how many records Flush would write.
func (s *Site) Pending() int { return len(s.doors.dirty) }

// Flush puts the records that have changed since the last call.
func (s *Site) Flush(put func(key string, value []byte)) {
	for _, k := range s.doors.dirty {
		m := s.doors.memory[k]
		m.dirty = false
		key, _ := s.items.Key(k.item).AppendBinary([]byte(DoorPrefix))
		key = binary.BigEndian.AppendUint16(key, k.zone)
		v := binary.AppendVarint(binary.AppendVarint([]byte{1}, m.likely), m.entered)
		if m.began != 0 {
			v[0] = doorVersion
			v = append(binary.AppendVarint(binary.AppendVarint(v, m.began), m.told), byte(m.peak))
		}
		put(string(key), m.Append(v))
	}
	s.doors.dirty = s.doors.dirty[:0]
}

// Forget drops what Flush would write.
func (s *Site) Forget() {
	for _, k := range s.doors.dirty {
		s.doors.memory[k].dirty = false
	}
	s.doors.dirty = s.doors.dirty[:0]
}

// Load takes a record; its key is without DoorPrefix. Items may be loaded later.
func (s *Site) Load(key string, value []byte) error {
	r, err := decodeDoor(key, value)
	if err == nil {
		s.doors.loading = append(s.doors.loading, r)
	}
	return err
}

// Loaded ends the loading of records. Find returns the index of an item, -1: none.
func (s *Site) Loaded(find func(epc.Key) int32) {
	for _, r := range s.doors.loading {
		if i := find(r.key); i >= 0 {
			k := doorItem{i, r.zone}
			s.doors.memory[k] = &r.value
			if r.value.began != 0 {
				s.doors.stays[k], s.doors.nextAt = true, 0
			}
		}
	}
	s.doors.loading = nil
}

// doors are loaded after items: aside records may come first, so they wait.
type doorRecord struct {
	key   epc.Key
	zone  uint16
	value doorMemory
}

func decodeDoor(key string, v []byte) (r doorRecord, err error) {
	if len(key) != 18 {
		return r, fmt.Errorf("record of an item at a door: its name has %d bytes", len(key))
	}
	if r.key, err = epc.KeyFromBytes([]byte(key[:16])); err != nil {
		return r, fmt.Errorf("record of an item at a door: %w", err)
	}
	r.zone = binary.BigEndian.Uint16([]byte(key[16:]))
	if len(v) == 0 || v[0] < 1 || v[0] > doorVersion {
		return r, fmt.Errorf("record of %v at a door is damaged or of another version", r.key)
	}
	likely, n := binary.Varint(v[1:])
	entered, k := binary.Varint(v[1+max(0, n):])
	damaged := n <= 0 || k <= 0
	if rest := v[1+max(0, n)+max(0, k):]; !damaged && v[0] > 1 {
		began, n := binary.Varint(rest)
		told, k := binary.Varint(rest[max(0, n):])
		if damaged = n <= 0 || k <= 0 || len(rest) == n+k || told < lies || began <= 0; !damaged {
			r.value.stay = stay{began, told, int8(rest[n+k])}
			damaged = r.value.Decode(rest[n+k+1:]) != nil
		}
	} else if !damaged {
		damaged = r.value.Decode(rest) != nil
	}
	if damaged {
		return r, fmt.Errorf("record of %v at a door is damaged", r.key)
	}
	r.value.likely, r.value.entered = likely, entered
	return r, nil
}

// Usual returns what a door usually hears of an item, false if nothing was learnt.
func (s *Site) Usual(i int32, door uint16) (Usual, bool) {
	if m := s.doors.memory[doorItem{i, door}]; m != nil {
		return m.Usual, true
	}
	return Usual{}, false
}

// SetUsual takes over what was learnt of an item at a door elsewhere.
func (s *Site) SetUsual(i int32, door uint16, u Usual) { s.doors.remember(doorItem{i, door}).Usual = u }
