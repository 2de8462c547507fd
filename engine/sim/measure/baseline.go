package measure

import (
	"slices"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/sim/doors"
	"lintel/rules"
)

// baselines are two plain ways of concluding from the same entries.
type baselines struct {
	cfg     *engine.Config
	truth   *doors.Truth
	hold    int64
	items   []known
	pending []int // raised by a first read and held, in order
	waiting []int // that a door hears, for patience
	first   *method
	patient *method
	clock   int64
}

// known is what both know of one item.
type known struct {
	ours, paid bool
	raised     int64 // by a first read; 0: not
	opened     bool
	inside     int64 // when a reader inside heard it last
	doors      []atDoor
	waits      bool
	out        bool // patience has said so, and nobody inside has heard it since
}

// atDoor is what patience keeps of an item at a door.
type atDoor struct {
	zone     int
	heard    []doorRead
	lastAt   int64     // when the newest report came in
	usual    []float64 // the loudest reads of what led nowhere, the newest twenty
	sideless bool
}

type doorRead struct {
	t     int64
	rssi  int16
	n     uint32
	outer bool
}

const (
	patienceMs = 4000
	endMs      = 2500
	outerShare = 0.6
	clearlyDB  = 3
)

func newBaselines(cfg *engine.Config, t *doors.Truth, first, patient *method) *baselines {
	b := &baselines{cfg: cfg, truth: t, first: first, patient: patient}
	list := cfg.Rules.Rules()
	b.hold = list[slices.IndexFunc(list, func(r *rules.Rule) bool { return r.Name == rule })].Hold.Milliseconds()
	return b
}

func (b *baselines) item(i int) *known {
	for len(b.items) <= i {
		_, ours := b.cfg.Catalog.ByGTIN(b.truth.Items[len(b.items)].GTIN)
		b.items = append(b.items, known{ours: ours})
	}
	return &b.items[i]
}

func (b *baselines) fold(e *event.Entry) {
	b.advance(e.At)
	l := b.cfg.Layout
	for k := range e.Reads {
		r := &e.Reads[k]
		i, ok := b.truth.ItemByKey(r.Key)
		if !ok {
			continue
		}
		n, ok := l.ReadPointIndex(e.Points[r.Point])
		if !ok {
			continue
		}
		pt := &l.ReadPoints[n]
		it := b.item(i)
		zone := ""
		switch {
		case r.Zone != 0:
			zone = e.Zones[r.Zone-1]
		case pt.Zone >= 0:
			zone = l.Zones[pt.Zone].ID
		}
		b.first.place(i, zone)
		if pt.Role != event.Portal {
			it.raised, it.opened = 0, false
			it.inside = max(it.inside, e.At)
			it.out = false
			continue
		}
		if it.raised == 0 && it.ours && !it.paid {
			it.raised = e.At
			b.pending = append(b.pending, i)
		}
		b.hear(i, pt, r, e.At)
	}
	for k := range e.Events {
		ev := &e.Events[k]
		for _, tag := range ev.Tags {
			i, ok := b.truth.ItemByKey(tag.Key)
			if !ok {
				continue
			}
			it := b.item(i)
			if ev.Zone != "" {
				b.first.place(i, ev.Zone)
			}
			switch ev.Type {
			case event.EventSold, event.EventShipped:
				it.paid, it.raised = true, 0
			case event.EventReturned, event.EventReceived:
				it.paid, it.inside = false, e.At
			}
		}
	}
}

func (b *baselines) hear(i int, pt *layout.ReadPoint, r *event.Read, at int64) {
	it := b.item(i)
	k := slices.IndexFunc(it.doors, func(d atDoor) bool { return d.zone == pt.Zone })
	if k < 0 {
		k = len(it.doors)
		it.doors = append(it.doors, atDoor{zone: pt.Zone, sideless: pt.Side == event.SideNone})
	}
	d := &it.doors[k]
	d.lastAt = at
	if n := len(d.heard); n > 4000 { // goods that lie by a door and never fall silent
		d.heard = append(d.heard[:0], d.heard[n-2000:]...)
	}
	d.heard = append(d.heard, doorRead{r.T, r.RSSI, r.N, pt.Side == event.Outer})
	if !it.waits {
		it.waits = true
		b.waiting = append(b.waiting, i)
	}
}

// advance lets time pass: holds end, and doors have been silent for long enough.
func (b *baselines) advance(now int64) {
	if now < b.clock+100 {
		return
	}
	b.clock = now
	kept := b.pending[:0]
	for _, i := range b.pending {
		it := &b.items[i]
		switch {
		case it.raised == 0 || it.opened:
		case it.raised+b.hold <= now:
			it.opened = true
			b.first.alerts = append(b.first.alerts, raised{i, it.raised + b.hold})
		default:
			kept = append(kept, i)
		}
	}
	b.pending = kept
	waiting := b.waiting[:0]
	for _, i := range b.waiting {
		it := &b.items[i]
		it.waits = false
		for k := range it.doors {
			d := &it.doors[k]
			switch {
			case len(d.heard) == 0:
			case d.lastAt+patienceMs <= now:
				if b.left(it, d) && it.ours && !it.paid && !it.out {
					it.out = true
					b.patient.alerts = append(b.patient.alerts, raised{i, now})
					door := b.cfg.Layout.Zones[d.zone].ID
					b.patient.passages = append(b.patient.passages, passage{i, now, door, event.DirectionOut, false})
				}
				d.heard = d.heard[:0]
			default:
				it.waits = true
			}
		}
		if it.waits {
			waiting = append(waiting, i)
		}
	}
	b.waiting = waiting
}

// left is what patience makes of an approach that is over.
func (b *baselines) left(it *known, d *atDoor) bool {
	peak := event.NoRSSI
	end := d.heard[0].t
	for _, r := range d.heard {
		peak, end = max(peak, int(r.rssi)), max(end, r.t)
	}
	var outer, all uint32
	for _, r := range d.heard {
		if r.t > end-endMs {
			all += r.n
			if r.outer {
				outer += r.n
			}
		}
	}
	loud := true
	if n := len(d.usual); n > 0 && peak != event.NoRSSI {
		sum := 0.0
		for _, x := range d.usual {
			sum += x
		}
		loud = float64(peak)/10 >= sum/float64(n)+clearlyDB
	}
	out := loud && it.inside < d.lastAt-1000 && (d.sideless || float64(outer) >= outerShare*float64(all))
	if !out && peak != event.NoRSSI {
		if len(d.usual) == 20 {
			d.usual = slices.Delete(d.usual, 0, 1)
		}
		d.usual = append(d.usual, float64(peak)/10)
	}
	return out
}
