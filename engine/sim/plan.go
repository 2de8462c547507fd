package sim

import (
	"math"

	"lintel/engine/event"
	"lintel/engine/layout"
)

// vec is a place or a direction in metres: x along the street, y into the house, z up. The street
// door is at y = 0; outside, y is negative.
type vec struct{ x, y, z float64 }

func (a vec) sub(b vec) vec      { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) dot(b vec) float64  { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) length() float64    { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec          { l := a.length(); return vec{a.x / l, a.y / l, a.z / l} }
func (a vec) flat(b vec) float64 { return math.Hypot(a.x-b.x, a.y-b.y) }
func (a vec) upstairs() bool     { return a.z >= upper-0.5 }
func (a vec) at(z float64) vec   { a.z = z; return a }

const (
	upper  = 4.0 // height of the upper floor
	tables = "front-tables"
	till   = "till"
	door   = "street-door"
	stock  = "stockroom"
	bay    = "receiving-bay"

	backWall    = 12.0 // y of the wall that the stockroom and the receiving bay lie behind
	carryHeight = 1.1
	doorX       = 3.0
	nearDoor    = 2.0 // metres from the middle of the door that count as an approach
)

// area is where a zone lies.
type area struct {
	zone           string
	upstairs       bool
	x0, y0, x1, y1 float64
	low, high      float64 // heights of goods above the floor
	inset          float64 // of goods from the edge
}

var areas = []area{
	{zone: tables, x0: 1, y0: 2.5, x1: 8.5, y1: 6, low: 0.7, high: 0.9, inset: 0.4},
	{zone: till, x0: 9.5, y0: 2, x1: 11.5, y1: 4, low: 1.05, high: 1.15, inset: 0.8},
	{zone: "shelf-a", x0: 0.2, y0: 7, x1: 3.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: "shelf-b", x0: 4.2, y0: 7, x1: 7.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: "shelf-c", x0: 8.2, y0: 7, x1: 11.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: stock, x0: 0, y0: 12.5, x1: 8, y1: 16.5, low: 0.5, high: 2.0, inset: 0.6},
	{zone: bay, x0: 9, y0: 13, x1: 12, y1: 16, low: 0.8, high: 1.0, inset: 0.6},
	{zone: door, x0: doorX - 1, y0: -1, x1: doorX + 1, y1: 1},
	{zone: "shelf-d", upstairs: true, x0: 0.2, y0: 7, x1: 3.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: "shelf-e", upstairs: true, x0: 4.2, y0: 7, x1: 7.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: "shelf-f", upstairs: true, x0: 8.2, y0: 7, x1: 11.8, y1: 10, low: 0.4, high: 1.8, inset: 0.5},
	{zone: "childrens-room", upstairs: true, x0: 0.5, y0: 1, x1: 5, y1: 5, low: 0.3, high: 1.2, inset: 0.5},
	{zone: "cafe", upstairs: true, x0: 7, y0: 1, x1: 11.5, y1: 5, low: 0.7, high: 0.8, inset: 0.5},
}

// mount is where an antenna hangs and which way it looks.
type mount struct {
	point string
	pos   vec
	looks vec
}

var (
	down = vec{0, 0, -1}
	up   = vec{0, 0, 1}
)

var mounts = []mount{
	{"tables-1", vec{2.9, 4.4, 3.2}, down},
	{"tables-2", vec{6.6, 4.4, 3.2}, down},
	{"shelf-a-1", vec{2, 8.5, 3.2}, down},
	{"shelf-b-1", vec{6, 8.5, 3.2}, down},
	{"shelf-c-1", vec{10, 8.5, 3.2}, down},
	{"shelf-d-1", vec{2, 8.5, upper + 3.2}, down},
	{"shelf-e-1", vec{6, 8.5, upper + 3.2}, down},
	{"shelf-f-1", vec{10, 8.5, upper + 3.2}, down},
	{"childrens-1", vec{2.75, 3, upper + 3.2}, down},
	{"stockroom-1", vec{2, 14.5, 3.4}, down},
	{"stockroom-2", vec{6, 14.5, 3.4}, down},
	// The two antennas of the door hang above it and look away from each other, so that the order
	// of their peaks is the direction.
	{"street-door-in", vec{doorX, 0.4, 2.4}, vec{0, 0.2, -0.98}},
	{"street-door-out", vec{doorX, -0.4, 2.4}, vec{0, -0.2, -0.98}},
	{"till-1", vec{10.5, 3, 0.95}, up},
	{"receiving-1", vec{10.5, 14.5, 0.75}, up},
}

// Places where people go.
var (
	street     = vec{doorX, -4, carryHeight}
	inside     = vec{doorX, 2.2, carryHeight}
	stairsFoot = vec{11, 11, carryHeight}
	stairsHead = vec{11, 11, upper + carryHeight}
	tillDesk   = vec{10.5, 3, 1.1}
	tillFront  = vec{10.5, 3.8, carryHeight}
	tillQueue  = vec{9.0, 4.8, carryHeight}
	bench      = vec{10.5, 14.5, 0.95}
	staffDoor  = vec{8.5, 13, carryHeight}
)

// plan is the floor plan tied to a layout. Zones are numbered from 1 in the layout's order; 0 is no
// zone.
type plan struct {
	areas  []*area  // by zone number
	ids    []string // by zone number
	kinds  []event.ZoneKind
	number map[string]uint8
	sales  []uint8 // where goods are on sale
}

func newPlan(l *layout.Layout) *plan {
	p := &plan{areas: []*area{nil}, ids: []string{""}, kinds: []event.ZoneKind{event.ZoneKindNone}, number: map[string]uint8{}}
	for i := range l.Zones {
		z := &l.Zones[i]
		n := uint8(i + 1)
		p.number[z.ID] = n
		p.ids = append(p.ids, z.ID)
		p.kinds = append(p.kinds, z.Kind)
		var found *area
		for k := range areas {
			if areas[k].zone == z.ID {
				found = &areas[k]
			}
		}
		p.areas = append(p.areas, found)
		if found != nil && p.onSale(n) {
			p.sales = append(p.sales, n)
		}
	}
	return p
}

// onSale reports whether goods are on sale in the zone.
func (p *plan) onSale(zone uint8) bool {
	return p.kinds[zone] == event.Shelf || p.kinds[zone] == event.Floor
}

// zoneAt returns the zone that a place is in, 0 for the ways between them.
func (p *plan) zoneAt(v vec) uint8 {
	up := v.upstairs()
	for n, a := range p.areas {
		if a != nil && a.upstairs == up && v.x >= a.x0 && v.x <= a.x1 && v.y >= a.y0 && v.y <= a.y1 {
			return uint8(n)
		}
	}
	return 0
}

// spot returns the place in a zone at the fractions fx, fy, fz (0 to 1) of the room that goods have
// there.
func (a *area) spot(fx, fy, fz float64) vec {
	v := vec{a.x0 + a.inset + fx*(a.x1-a.x0-2*a.inset), a.y0 + a.inset + fy*(a.y1-a.y0-2*a.inset), a.low + fz*(a.high-a.low)}
	if a.upstairs {
		v.z += upper
	}
	return v
}
