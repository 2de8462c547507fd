package doors

import (
	"fmt"
	"math"
	"strings"
)

// The shop's ground plan, in metres: x along the street front, y away from it, z up. The sales
// floor is 0 to depthX by 0 to depthY; the street is at negative y and the lane beyond x = floorX.
const (
	floorX, floorY = 16.0, 11.0
	mounting       = 2.5 // height of antennas over a door or a shelf
	bodyHeight     = 1.75
	nearDoor       = 3.0 // m from a door antenna within which goods count as near
)

type vec struct{ x, y, z float64 }

func (a vec) sub(b vec) vec             { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) dot(b vec) float64         { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) norm() float64             { return math.Sqrt(a.dot(a)) }
func (a vec) times(f float64) vec       { return vec{a.x * f, a.y * f, a.z * f} }
func (a vec) unit() vec                 { return a.times(1 / a.norm()) }
func (a vec) distance(b vec) float64    { return a.sub(b).norm() }
func flat(x, y, x2, y2 float64) float64 { return math.Hypot(x-x2, y-y2) }

// area is where the goods of a zone lie.
type area struct {
	zone           string
	kind           string
	x0, x1, y0, y1 float64
	z0, z1         float64
	goods          int  // that lie there in the beginning, and up to which it is refilled
	byHand         bool // no fixed reader: only a handheld counts it
	sells          bool
	reach          [2]float64 // from goods to where people stand who reach for them
}

// door is an opening and its frame of reference: beyond counts metres along the way out, aside
// metres beside the middle.
type door struct {
	name      string
	x, y      float64 // the middle of the threshold
	ox, oy    float64 // the way out
	halfWidth float64
}

func (d *door) at(beyond, aside float64) (x, y float64) {
	return d.x + beyond*d.ox - aside*d.oy, d.y + beyond*d.oy + aside*d.ox
}
func (d *door) beyond(x, y float64) float64 { return (x-d.x)*d.ox + (y-d.y)*d.oy }
func (d *door) aside(x, y float64) float64  { return -(x-d.x)*d.oy + (y-d.y)*d.ox }

const (
	street = iota
	lane
)

func (s *Shop) buildPlan() {
	r := &s.cfg.Regime
	s.doors = []door{
		street: {name: "street-door", x: 5, y: 0, ox: 0, oy: -1, halfWidth: r.HalfWidth},
		lane:   {name: "lane-door", x: floorX, y: 7, ox: 1, oy: 0, halfWidth: 0.7},
	}
	s.areas = []area{
		{zone: "front-tables", kind: "floor", x0: 3, x1: 8, y0: 3.6, y1: 6,
			z0: 0.75, z1: 1, goods: 55, sells: true, reach: [2]float64{0, 0.6}},
		{zone: "window", kind: "floor", x0: 6.1, x1: 7, y0: 0.35, y1: 0.9,
			z0: 0.7, z1: 1.3, goods: 14, sells: true, reach: [2]float64{0, 0.7}},
		{zone: "stand", kind: "floor", x0: 3.5, x1: 4.2, y0: 0.9, y1: 1.5,
			z0: 0.6, z1: 1.5, goods: 10, byHand: true, sells: true, reach: [2]float64{0.2, 0.7}},
		{zone: "shelf-a", kind: "shelf", x0: 0.2, x1: 0.45, y0: 3, y1: 6,
			z0: 0.3, z1: 1.9, goods: 45, sells: true, reach: [2]float64{0.75, 0}},
		{zone: "shelf-b", kind: "shelf", x0: 7.6, x1: 10.4, y0: 10.55, y1: 10.8,
			z0: 0.3, z1: 1.9, goods: 45, sells: true, reach: [2]float64{0, -0.75}},
		{zone: "shelf-c", kind: "shelf", x0: 15.55, x1: 15.8, y0: 1.6, y1: 4.4,
			z0: 0.3, z1: 1.9, goods: 45, sells: true, reach: [2]float64{-0.75, 0}},
		{zone: "shelf-d", kind: "shelf", x0: 10.5, x1: 12.8, y0: 5.3, y1: 5.7,
			z0: 0.3, z1: 1.9, goods: 45, sells: true, reach: [2]float64{0, 0.8}},
		{zone: "nook", kind: "floor", x0: 11.9, x1: 13.5, y0: 9.5, y1: 10.4,
			z0: 0.4, z1: 1.5, goods: 20, byHand: true, sells: true, reach: [2]float64{0, -0.8}},
		{zone: "till", kind: "checkout", x0: 6.7, x1: 7.2, y0: 1.5, y1: 1.9,
			z0: 1, z1: 1.1, reach: [2]float64{0.1, 0.6}},
		{zone: "stockroom", kind: "stockroom", x0: 1, x1: 5, y0: 12, y1: 15,
			z0: 0.3, z1: 2, goods: 60, reach: [2]float64{0, -0.7}},
		{zone: "receiving-bay", kind: "receiving", x0: 6.5, x1: 8.5, y0: 12.5, y1: 14,
			z0: 0.5, z1: 1.2, reach: [2]float64{0, -0.7}},
	}
	if r.HalfWidth > 2.5 { // an open front is as wide as the window: its goods move beside it
		s.move("window", 2.2, 0)
		s.move("stand", -1.9, 0.2)
	}
	if r.HalfWidth > 1 && r.HalfWidth <= 2.5 {
		s.move("window", 1.1, 0)
		s.move("stand", -1, 0.1)
	}
	if r.NothingNear {
		s.move("window", 3.2, 0)
		s.move("stand", 5, 2.5)
		s.move("front-tables", 0, 0.9)
		s.move("shelf-c", 0, -1)
	}
}

func (s *Shop) move(zone string, dx, dy float64) {
	a := &s.areas[s.areaOf(zone)]
	a.x0, a.x1, a.y0, a.y1 = a.x0+dx, a.x1+dx, a.y0+dy, a.y1+dy
}

func (s *Shop) areaOf(zone string) int {
	for i := range s.areas {
		if s.areas[i].zone == zone {
			return i
		}
	}
	panic("doors: no area " + zone)
}

func (a *area) middle() (x, y float64) { return (a.x0 + a.x1) / 2, (a.y0 + a.y1) / 2 }

// Layout returns the shop's layout document.
func (s *Shop) Layout() []byte {
	r := &s.cfg.Regime
	var zones, points []string
	for i := range s.areas {
		zones = append(zones, fmt.Sprintf(`    {"id": %q, "kind": %q}`, s.areas[i].zone, s.areas[i].kind))
	}
	for i := range s.doors {
		zones = append(zones, fmt.Sprintf(`    {"id": %q, "kind": "exit"}`, s.doors[i].name))
	}
	seen := map[string]bool{}
	for _, d := range s.devices {
		for _, a := range d.antennas {
			if seen[a.point] {
				continue
			}
			seen[a.point] = true
			p := fmt.Sprintf(`    {"id": %q, "role": %q`, a.point, d.role)
			if a.zone != "" {
				p += fmt.Sprintf(`, "zone": %q`, a.zone)
			}
			if a.side != "" {
				p += fmt.Sprintf(`, "side": %q`, a.side)
			}
			switch d.role {
			case "portal":
				p += fmt.Sprintf(`, "session": %q`, r.DoorSession)
			case "fixed":
				p += fmt.Sprintf(`, "session": %q`, r.ShelfSession)
			}
			points = append(points, p+"}")
		}
	}
	return fmt.Appendf(nil, `{
  "site": "umberhithe",
  "name": "Umberhithe Books",
  "time_zone": "Europe/London",
  "zones": [
%s
  ],
  "read_points": [
%s
  ]
}
`, strings.Join(zones, ",\n"), strings.Join(points, ",\n"))
}
