package engine

import (
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
)

// stockNames is what package stock sees of the names.
type stockNames struct{ s *core }

func (n stockNames) Number(id string) uint16 { return n.s.numbers[id] }
func (n stockNames) ID(name uint16) string   { return n.s.idOf(name) }

// presenceItems is what package presence sees of the items.
type presenceItems struct{ s *core }

func (p presenceItems) Item(i int32) *presence.Known { return &p.s.item(i).Known }
func (p presenceItems) Key(i int32) epc.Key          { return p.s.item(i).key }
func (p presenceItems) Touch(i int32)                { p.s.touch(i) }

// presenceEvents carries out what package presence concludes.
type presenceEvents struct{ s *core }

func (p presenceEvents) Arrived(i int32, zone uint16, at int64, point uint16) {
	p.s.arrive(i, zone, at, point, false)
}

func (p presenceEvents) Left(i int32, at int64) { p.s.leaveZone(i, event.Left, at, 0) }

// Rests makes goods that somebody carried in and left stock of their zone.
func (p presenceEvents) Rests(i int32, at int64) {
	it := p.s.item(i)
	p.s.place(i, it.Zone, it.Since, true)
	p.s.holds(i, 0)
	p.s.tellStock(at)
}

func (p presenceEvents) Declared(i int32, zone uint16, at int64, point uint16, late bool) {
	p.s.declare(i, zone, at, point, late)
}

// AtDoor emits the fact that an item went through a door, lingers near it or no longer does, and moves it
// if it surely went through.
func (p presenceEvents) AtDoor(i int32, c event.Cause, door uint16, at int64, point string, passage event.Passage) {
	s := p.s
	it := s.item(i)
	if c == event.Passed && !passage.Likely {
		from := it.Zone
		s.place(i, door, at, false)
		if passage.Direction == event.DirectionIn {
			s.place(i, 0, at, false)
			from = door
		}
		it.From = from
		it.Declared, it.Faint = false, false
	}
	s.emitItem(c, i, at, func(f *event.Fact) { f.Passage, f.Point = passage, point })
	s.tellStock(at)
}

// Reader emits the fact that a read point went silent or reports again.
func (p presenceEvents) Reader(pt *presence.Point, c event.Cause) {
	s := p.s
	s.emit(event.Fact{Cause: c, At: s.clock, Point: pt.ID, Zone: s.idOf(pt.Zone)})
	s.view.meetReader(len(s.out.Facts)-1, pt)
}
