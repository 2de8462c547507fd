package engine

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"slices"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stock"
	"lintel/engine/stocktake"
)

// State is all that Lintel knows of one site: its items and where they are, the stock behind them,
// timers, and alerts that are not closed. It is owned by one worker at a time. Its methods answer
// questions; only a Machine changes it, by the methods of the core in it.
type State struct{ core }

// core is what a State is made of, and how entries change it.
//
// Two kinds of memory make it up. Records (items, alerts, names, the meta record) are written in
// the commit of each batch. Evidence (which reads were heard lately, package presence) is
// never written: it is a function of the reads of the last presence.EvidenceEpochs epochs, so a
// worker that loads a site rebuilds it exactly from the tail of the journal. Evidence may therefore depend on
// nothing but recent entries and the layout.
type core struct {
	site  string
	bound binding

	seq    uint64 // the last entry folded
	clock  int64  // the site clock: the newest Entry.At, Unix milliseconds
	factMs int64  // id of the last fact
	factN  uint32

	names
	items
	stock   *stock.Book
	zones   zoneBook
	doubled doubles
	others  otherShops

	presence *presence.Site
	looked   int64 // until when rules were evaluated about what grows with time alone, see silence.go and days.go
	alerts   *alert.Book
	counts   stocktake.Book

	marks marks
	out   *Batch // what came of it; the Machine's
	view  view

	scratchPoints []*presence.Point
	scratchZones  []uint16

	replaying bool // rebuilding evidence from the journal's tail: nothing is decided or notified
}

// mark ties a moment of the site clock to a place in the journal.
type mark struct {
	at  int64
	seq uint64
}

// marks say where in the journal recent time began, the oldest first.
type marks []mark

// note keeps where a moment began, and forgets what is longer ago than the reach of evidence, in
// milliseconds.
func (m *marks) note(clock int64, seq uint64, reach int64) {
	list := *m
	if n := len(list); n == 0 || clock-list[n-1].at >= reach/16 {
		list = append(list, mark{clock, seq})
	}
	for len(list) > 1 && list[1].at <= clock-reach {
		list = list[1:]
	}
	*m = list
}

// NewState returns the empty state of a site that has not folded anything.
func NewState(site string, cfg *Config) *State {
	s := newState(site)
	s.bind(cfg)
	return s
}

func newState(site string) *State {
	s := &State{core{
		site:  site,
		names: names{numbers: make(map[string]uint16)},
		items: items{
			index: make(map[epc.Key]int32), texts: make(map[epc.Key]string), registered: make(map[epc.Key]uint64),
		},
		doubled: doubles{at: make(map[epc.Key]int64)},
		others:  otherShops{of: make(map[epc.Key]event.OtherSite)},
	}}
	c := &s.core
	s.stock = stock.New(stockNames{c})
	s.presence = presence.New(presenceItems{c}, presenceEvents{c})
	s.view.core = c
	s.alerts = alert.NewBook(site, alertShop{&s.view})
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

// create adds an item that was not known. Its place is still nowhere.
func (s *core) create(k epc.Key, text string) int32 {
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
	s.noteCounted(it)
	s.touch(i)
	return i
}

// advance moves the site clock forward, never back, and reports whether it moved.
func (s *core) advance(at int64) bool {
	if at <= s.clock {
		return false
	}
	s.clock = at
	s.presence.Begin(at)
	return true
}

// emit adds a fact, gives it its id, and returns it.
func (s *core) emit(f event.Fact) *event.Fact {
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
func (s *core) emitItem(c event.Cause, i int32, at int64, more func(*event.Fact)) {
	it := s.item(i)
	if c == event.Received || c == event.Returned {
		s.others.set(it.key, event.OtherSite{}) // a person says that it is this shop's
	}
	s.holds(i, c)
	f := event.Fact{
		Cause: c, At: at, Key: it.key, Text: s.text(it), GTIN: s.gtinOf(it.key), Disp: it.Disposition,
		Zone: s.idOf(it.Zone), From: s.idOf(it.From), Point: s.idOf(it.Point),
	}
	if more != nil {
		more(&f)
	}
	s.emit(f)
	s.view.meetItem(len(s.out.Facts)-1, i)
}

// Digest returns a hash of everything that the state knows, in an order of its own: two states with
// the same digest go on alike.
func (s *State) Digest() string {
	h := sha256.New()
	dump(&s.core, h)
	return hex.EncodeToString(h.Sum(nil))
}

// dump writes what Digest hashes.
func dump(s *core, w io.Writer) {
	put := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	put("seq %d clock %d fact %d-%d", s.seq, s.clock, s.factMs, s.factN)
	put("names %q", s.ids)
	order := make([]int32, s.count)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int { return s.item(a).key.Compare(s.item(b).key) })
	for _, i := range order {
		it := s.item(i)
		put("item %v %q since %d sure %d seen %d product %d zone %d from %d point %d disp %d flags %d reg %d counted %d", it.key,
			s.text(it), it.Since, it.Sure, it.Seen,
			it.product, it.Zone, it.From, it.Point, it.Disposition, it.stored(), s.registered[it.key], it.counted)
	}
	s.presence.Digest(order, put)
	s.doubled.digest(put)
	s.others.digest(put)
	s.alerts.Digest(put)
	s.counts.Digest(put)
	s.stock.Digest(put)
	s.zones.digest(s, put)
}
