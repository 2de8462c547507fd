package engine

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"slices"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stock"
	"lintel/engine/stocktake"
	"lintel/rules"
)

// State is all that Lintel knows of one site: its items and where they are, the stock behind them,
// timers, and alerts that are not closed. It is owned by one worker at a time. Step changes it in
// place.
//
// Two kinds of memory make it up. Records (items, alerts, names, the meta record) are written in
// the commit of each batch. Evidence (which reads were heard lately, package presence) is
// never written: it is a function of the reads of the last presence.EvidenceEpochs epochs, so a worker that
// loads a site rebuilds it exactly from the tail of the journal. Evidence may therefore depend on
// nothing but recent entries and the layout.
type State struct {
	site  string
	bound binding

	seq    uint64 // the last entry folded
	clock  int64  // the site clock: the newest Entry.At, Unix milliseconds
	factMs int64  // id of the last fact
	factN  uint32

	names   []string          // ids of zones and read points ever seen; number = index+1, never reused
	numbers map[string]uint16 // and back

	pages      [][]item          // items in pages, so that growing copies nothing
	count      int32             // how many
	index      map[epc.Key]int32 // identity to item
	texts      map[epc.Key]string
	registered map[epc.Key]uint64 // tags tied to a product by hand

	stock   *stock.Book
	doubled map[epc.Key]int64 // items told as heard in two places, with when, see doubled.go

	presence    *presence.Site
	silenceSeen int64 // until when silences were evaluated, see silence.go
	alerts      *alert.Book
	counts      stocktake.Book

	marks []mark // where in the journal recent time began; oldest first
	dirty dirt
	out   *Batch // what came of it; the Machine's

	face  clockFace            // the local time of the last fact
	gtins [gtinSlots]gtinWords // of the products of the last facts
	env   rules.Env            // what a rule sees, reused

	scratchPoints []*presence.Point
	scratchZones  []uint16

	replaying bool // rebuilding evidence from the journal's tail: nothing is decided or told
}

// mark ties a moment of the site clock to a place in the journal.
type mark struct {
	at  int64
	seq uint64
}

// item is one tagged thing: 64 bytes, since a shop has up to a million.
type item struct {
	key epc.Key
	presence.Known
	product int32 // catalogue index, -1: not known
	flags   itemFlags
}

type itemFlags uint8

const (
	flagDeclared itemFlags = 1 << iota // of records alone: Known.Declared
	flagDirty                          // changed since the last Flush
	_                                  // was in use
	flagText                           // its words are in State.texts
	flagFaint                          // of records alone: Known.Faint
	flagForeign                        // notified as foreign
	flagMissed                         // the last count of its zone did not hear it
	flagMissing                        // notified as missing
)

const pageBits = 12

// NewState returns the empty state of a site that has not folded anything.
func NewState(site string, cfg *Config) *State {
	s := newState(site)
	s.bind(cfg)
	return s
}

func newState(site string) *State {
	s := &State{
		site:       site,
		numbers:    make(map[string]uint16),
		index:      make(map[epc.Key]int32),
		texts:      make(map[epc.Key]string),
		registered: make(map[epc.Key]uint64),
		doubled:    make(map[epc.Key]int64),
	}
	s.stock = stock.New(stockNames{s})
	s.presence = presence.New(presenceItems{s}, presenceEvents{s})
	s.alerts = alert.NewBook(site, alertShop{s})
	return s
}

// Site returns the site's id.
func (s *State) Site() string { return s.site }

// Config returns the configuration that the state is folded with.
func (s *State) Config() *Config { return s.bound.cfg }

// Seq returns the sequence number of the last entry folded.
func (s *State) Seq() uint64 { return s.seq }

// Clock returns the site clock: the receipt time of the newest entry folded, in Unix milliseconds.
func (s *State) Clock() int64 { return s.clock }

// Len returns the number of items.
func (s *State) Len() int { return int(s.count) }

// name returns the number of a zone or read point id, giving it one if it has none.
func (s *State) name(id string) uint16 {
	if id == "" {
		return 0
	}
	if n, ok := s.numbers[id]; ok {
		return n
	}
	s.names = append(s.names, id)
	n := uint16(len(s.names))
	s.numbers[id] = n
	s.dirty.names = append(s.dirty.names, n)
	return n
}

// idOf is the inverse of name; "" for 0.
func (s *State) idOf(n uint16) string {
	if n == 0 || int(n) > len(s.names) {
		return ""
	}
	return s.names[n-1]
}

func (s *State) zone(n uint16) *presence.Zone { return s.bound.layout.Zone(n) }

func (s *State) point(n uint16) *presence.Point { return s.bound.layout.Point(n) }

func (s *State) item(i int32) *item { return &s.pages[i>>pageBits][i&(1<<pageBits-1)] }

// find returns the index of the item with this identity, -1: none.
func (s *State) find(k epc.Key) int32 {
	if i, ok := s.index[k]; ok {
		return i
	}
	return -1
}

// create adds an item that was not known. Its place is still nowhere.
func (s *State) create(k epc.Key, text string) int32 {
	i := s.count
	if int(i>>pageBits) == len(s.pages) {
		s.pages = append(s.pages, make([]item, 1<<pageBits))
	}
	s.count++
	s.index[k] = i
	it := s.item(i)
	*it = item{key: k, product: -1}
	if text != "" {
		it.flags |= flagText
		s.texts[k] = text
	}
	it.product = s.productOf(k)
	s.touch(i)
	return i
}

// touch marks an item for the next Flush.
func (s *State) touch(i int32) {
	if it := s.item(i); it.flags&flagDirty == 0 {
		it.flags |= flagDirty
		s.dirty.items = append(s.dirty.items, i)
	}
}

func (s *State) text(it *item) string {
	if it.flags&flagText != 0 {
		return s.texts[it.key]
	}
	return ""
}

// gtinOf returns the GTIN-14 of a tag: by hand, else from its identity; 0: none.
func (s *State) gtinOf(k epc.Key) uint64 {
	if len(s.registered) > 0 {
		if g, ok := s.registered[k]; ok {
			return g
		}
	}
	if g, ok := k.GTIN14(); ok {
		return g
	}
	if t, ok := s.texts[k]; ok {
		if e, err := epc.Parse(t); err == nil {
			g, _ := e.GTIN14()
			return g
		}
	}
	return 0
}

// advance moves the site clock forward, never back, and reports whether it moved.
func (s *State) advance(at int64) bool {
	if at <= s.clock {
		return false
	}
	s.clock = at
	s.presence.Begin(at)
	return true
}

// emit adds a fact, gives it its id, and returns it.
func (s *State) emit(f event.Fact) *event.Fact {
	if s.clock > s.factMs {
		s.factMs, s.factN = s.clock, 0
	} else {
		s.factN++
	}
	f.Ms, f.N, f.Seq = s.factMs, s.factN, s.seq
	s.out.Facts = append(s.out.Facts, f)
	return &s.out.Facts[len(s.out.Facts)-1]
}

// emitItem adds a fact about an item, filled from its present state, and lets the rules meet it.
func (s *State) emitItem(c event.Cause, i int32, at int64, more func(*event.Fact)) {
	it := s.item(i)
	f := event.Fact{
		Cause: c, At: at, Key: it.key, Text: s.text(it), GTIN: s.gtinOf(it.key), Disp: it.Disposition,
		Zone: s.idOf(it.Zone), From: s.idOf(it.From), Point: s.idOf(it.Point),
	}
	if more != nil {
		more(&f)
	}
	s.emit(f)
	s.meetItem(len(s.out.Facts)-1, i)
}

// Digest returns a hash of everything that the state knows, in an order of its own: two states with
// the same digest go on alike.
func (s *State) Digest() string {
	h := sha256.New()
	s.dump(h)
	return hex.EncodeToString(h.Sum(nil))
}

// dump writes what Digest hashes.
func (s *State) dump(w io.Writer) {
	put := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	put("seq %d clock %d fact %d-%d", s.seq, s.clock, s.factMs, s.factN)
	put("names %q", s.names)
	order := make([]int32, s.count)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) })
	for _, i := range order {
		it := s.item(i)
		put("item %v %q since %d sure %d seen %d product %d zone %d from %d point %d disp %d flags %d reg %d", it.key,
			s.text(it), it.Since, it.Sure, it.Seen,
			it.product, it.Zone, it.From, it.Point, it.Disposition, it.stored(), s.registered[it.key])
	}
	s.presence.Digest(order, put)
	for _, k := range slices.SortedFunc(maps.Keys(s.doubled), epc.Key.Compare) {
		put("doubled %v %d", k, s.doubled[k])
	}
	s.alerts.Digest(put)
	s.counts.Digest(put)
	s.stock.Digest(put)
}
