package engine

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stocktake"
)

const (
	asideDoubled = "doubled/" // value: when an item was notified as heard in two places, eight bytes, big endian
)

var errAside = errors.New("nothing is remembered under such a name")

// StateKinds are the kinds of records that a state is loaded from, in the order in which a Loader
// takes them, beside KindMeta and KindName, which come first.
var StateKinds = []string{event.KindItem, event.KindAlert, event.KindCount, event.KindTally, event.KindAside}

// Change is one record to write, or to delete where Value is nil.
type Change struct {
	Kind  string
	Key   string
	Value []byte
}

// itemVersion 2 adds the day on which an item was last counted.
const itemVersion = 2

// keptFlags are those that an item's record holds; the others follow from other records.
const keptFlags = flagForeign | flagMissed | flagMissing

// stored returns the flags of an item's record.
func (it *item) stored() itemFlags {
	f := it.flags & keptFlags
	if it.Declared {
		f |= flagDeclared
	}
	if it.Faint {
		f |= flagFaint
	}
	return f
}

// flush returns the records that changed since the last call, in a fixed order of kinds.
func (s *core) flush() []Change {
	changes := make([]Change, 0, len(s.changed)+len(s.fresh)+s.alerts.Dirty()+1)
	s.alerts.Flush(func(kind, key string, value []byte) { changes = append(changes, Change{kind, key, value}) })
	for _, n := range s.fresh {
		changes = append(changes, Change{Kind: event.KindName, Key: string(binary.BigEndian.AppendUint16(nil, n)),
			Value: []byte(s.idOf(n))})
	}
	buf := make([]byte, 0, 32*len(s.changed))
	for _, i := range s.changed {
		it := s.item(i)
		it.flags &^= flagDirty
		start := len(buf)
		buf = s.items.append(buf, it)
		key, _ := it.key.AppendBinary(nil)
		changes = append(changes, Change{Kind: event.KindItem, Key: string(key), Value: buf[start:len(buf):len(buf)]})
	}
	aside := func(key string, value []byte) { changes = append(changes, Change{event.KindAside, key, value}) }
	s.presence.Flush(aside)
	s.doubled.flush(aside)
	s.others.flush(aside)
	s.zones.flush(s.clock, aside)
	s.counts.Flush(func(kind, key string, value []byte) { changes = append(changes, Change{kind, key, value}) })
	s.changed, s.fresh = s.changed[:0], s.fresh[:0]
	return append(changes, Change{Kind: event.KindMeta, Key: event.KindMeta, Value: s.appendMeta(nil)})
}

func (s *core) loadItem(key string, v []byte) error {
	k, err := epc.KeyFromBytes([]byte(key))
	if err != nil {
		return fmt.Errorf("item record: %w", err)
	}
	bad := func() error { return fmt.Errorf("item record %x is damaged or of another version", key) }
	if len(v) < 3 || v[0] == 0 || v[0] > itemVersion {
		return bad()
	}
	version, disp, flags := v[0], event.Disposition(v[1]), itemFlags(v[2])
	v = v[3:]
	var u [3]uint64
	for i := range u {
		var n int
		if u[i], n = binary.Uvarint(v); n <= 0 || u[i] > uint64(len(s.ids)) {
			return bad()
		}
		v = v[n:]
	}
	since, n := binary.Varint(v)
	if n <= 0 {
		return bad()
	}
	v = v[n:]
	sure, n := binary.Varint(v)
	if n <= 0 {
		return bad()
	}
	v = v[n:]
	ago, n := binary.Varint(v)
	if n <= 0 {
		return bad()
	}
	v = v[n:]
	gtin, n := binary.Uvarint(v)
	if n <= 0 {
		return bad()
	}
	v = v[n:]
	counted := uint64(max(0, s.bound.dayOf(since)))
	if version >= 2 {
		if counted, n = binary.Uvarint(v); n <= 0 || counted > math.MaxUint16 {
			return bad()
		}
		v = v[n:]
	}
	if gtin != 0 {
		s.registered[k] = gtin
	}
	i := s.create(k, string(v))
	it := s.item(i)
	it.flags |= flags & keptFlags
	it.counted = uint16(min(counted, math.MaxUint16))
	it.Known = presence.Known{
		Zone: uint16(u[0]), From: uint16(u[1]), Point: uint16(u[2]), Since: since, Sure: since + sure, Seen: since + ago,
		Disposition: disp, Declared: flags&flagDeclared != 0, Faint: flags&flagFaint != 0,
	}
	if it.held() {
		it.flags |= flagHeld
	}
	s.stock.Load(s.stockOf(it))
	return nil
}

// metaVersion 2 adds what is known of the reports of a door's readers, 3 which readers have not
// reported since a start.
const metaVersion = 3

func (s *core) appendMeta(b []byte) []byte {
	b = msgp.AppendArrayHeader(b, 8)
	b = msgp.AppendInt(b, metaVersion)
	b = msgp.AppendUint64(b, s.seq)
	b = msgp.AppendInt64(b, s.clock)
	b = msgp.AppendInt64(b, s.factMs)
	b = msgp.AppendUint32(b, s.factN)
	b = s.presence.AppendReaders(b)
	b = msgp.AppendArrayHeader(b, uint32(2*len(s.marks)))
	for _, m := range s.marks {
		b = msgp.AppendInt64(b, m.at)
		b = msgp.AppendUint64(b, m.seq)
	}
	return event.AppendPins(b, s.bound.cfg.Pins)
}

// Meta is what a worker must know of a site before it can load it.
type Meta struct {
	Pins []event.Pin // the documents that the state was folded with

	seq    uint64
	clock  int64
	factMs int64
	factN  uint32
	points presence.Readers
	marks  []mark
}

// DecodeMeta decodes the meta record.
func DecodeMeta(b []byte) (Meta, error) {
	var m Meta
	r := event.NewDecoder(b)
	if n := r.Array(); r.Err() == nil && n != 8 {
		return m, fmt.Errorf("meta record has %d fields, want 8", n)
	}
	version := r.Int()
	if r.Err() == nil && (version < 1 || version > metaVersion) {
		return m, fmt.Errorf("meta record has version %d, this Lintel reads 1 to %d", version, metaVersion)
	}
	m.seq, m.clock, m.factMs, m.factN = r.Uint64(), r.Int64(), r.Int64(), r.Uint32()
	if r.Err() != nil {
		return m, fmt.Errorf("meta record: %w", r.Err())
	}
	m.points = presence.DecodeReaders(&r, version)
	for n := r.Array() / 2; n > 0 && r.Err() == nil; n-- {
		m.marks = append(m.marks, mark{at: r.Int64(), seq: r.Uint64()})
	}
	m.Pins = r.Pins()
	if r.Err() != nil {
		return m, fmt.Errorf("meta record: %w", r.Err())
	}
	return m, nil
}

// Loader builds a state from its records and then from the tail of the journal.
type Loader struct {
	s *State
	m Meta
}

// NewLoader begins to load a site whose meta record is m, folded with cfg, which must hold the
// versions that m.Pins names. Give it every KindName record first, then all others, then Start,
// then the journal's entries after From, then take State.
func NewLoader(site string, cfg *Config, m Meta, names map[uint16]string) (*Loader, error) {
	l := &Loader{m: m}
	s := newState(site)
	for n := 1; n <= len(names); n++ {
		id, ok := names[uint16(n)]
		if !ok {
			return nil, fmt.Errorf("site %s: name record %d of %d is missing", site, n, len(names))
		}
		s.ids = append(s.ids, id)
		s.numbers[id] = uint16(n)
	}
	s.bind(cfg)
	s.alerts.Begin(m.seq, m.clock)
	s.seq, s.clock, s.factMs, s.factN = m.seq, m.clock, m.factMs, m.factN
	s.presence.LoadReaders(m.points)
	s.marks = m.marks
	l.s = s
	return l, nil
}

// Record takes one record. Kinds that are no part of a state are ignored.
func (l *Loader) Record(kind, key string, value []byte) error {
	switch kind {
	case event.KindItem:
		return l.s.loadItem(key, value)
	case event.KindAlert:
		if err := l.s.alerts.LoadAlert(value); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	case event.KindAside:
		if k, ok := strings.CutPrefix(key, presence.DoorPrefix); ok {
			return l.s.presence.Load(k, value)
		}
		if k, ok := strings.CutPrefix(key, asideDoubled); ok {
			return l.s.doubled.load(k, value)
		}
		if k, ok := strings.CutPrefix(key, asideOther); ok {
			return l.s.others.load(k, value)
		}
		if zone, ok := strings.CutPrefix(key, stocktake.ZonePrefix); ok {
			return l.s.counts.LoadZone(zone, value)
		}
		if k, ok := strings.CutPrefix(key, asideZone); ok {
			return l.s.zones.load(k, value)
		}
		err := errAside
		if name, ok := strings.CutPrefix(key, alert.RulePrefix); ok {
			err = l.s.alerts.LoadRule(name, value)
		}
		if err != nil {
			return fmt.Errorf("%q: %w", key, err)
		}
	case event.KindCount, event.KindTally:
		return l.s.counts.Load(kind, key, value)
	}
	return nil
}

// From returns the sequence number after which the journal must be read to rebuild evidence, and
// the last one that it needs.
func (l *Loader) From() (after, last uint64) { return l.s.EvidenceFrom(), l.s.seq }

// Replay takes one entry of the journal's tail, in order.
func (l *Loader) Replay(e *event.Entry) {
	s := l.s
	if !s.replaying {
		l.start()
	}
	if s.advance(e.At) {
		s.presence.Advance()
	}
	switch e.Kind {
	case event.EntryReads:
		if e.Count == "" { // what a count heard is in records
			s.foldReads(e)
		}
	case event.EntryEvents:
		for i := range e.Events {
			s.foldEvent(&e.Events[i])
		}
	case event.EntryConfig:
		for _, p := range e.Config {
			if p.Doc == LayoutDocument(s.site) {
				s.presence.ForgetEvidence()
			}
		}
	}
}

func (l *Loader) start() {
	s := l.s
	s.replaying = true
	s.presence.Replay(true)
	s.clock = 0
	s.out = &Batch{}
	s.counts.Loaded(func(id string) uint16 { return s.numbers[id] })
	s.presence.Loaded(s.find)
	s.alerts.Start()
	s.zones.recount(&s.core)
}

// Machine ends the loading and returns the machine as it was when its records were committed.
func (l *Loader) Machine() *Machine {
	s := l.s
	if !s.replaying {
		l.start()
	}
	s.clock = l.m.clock
	s.presence.Begin(s.clock)
	s.presence.Replay(false)
	s.looked, s.zones.seen = s.clock, s.clock
	s.replaying, s.out = false, nil
	for _, i := range s.changed {
		s.item(i).flags &^= flagDirty
	}
	s.changed, s.fresh, s.doubled.changed, s.others.changed = nil, nil, nil, nil
	return newMachine(s)
}

// LayoutDocument is the name of the document that holds a site's layout.
func LayoutDocument(site string) string { return "layout/" + site }

// The names of the documents that all sites share.
const (
	ProductsDocument = "products"
	RulesDocument    = "rules"
)
