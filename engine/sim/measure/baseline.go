package measure

import (
	"math"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/layout"
	"lintel/engine/sim"
)

// baseline is "first read decides": whoever reads an item has it, and any read at a door is an exit. An alert is raised for what is of this shop and not paid for, once until the
// item is read elsewhere, and opens when the rule's hold is over and no sale has come.
type baseline struct {
	layout  *layout.Layout
	truth   *sim.Truth
	hold    int64
	zones   []string // by item
	paid    []bool
	ours    []bool
	raised  []int64 // when the pending or open alert was raised, 0: none
	opened  []bool
	pending []int // items, in the order in which they were raised
	moved   func(item int, zone string, at, told int64)
	alert   func(item int, since int64)
}

func newBaseline(l *layout.Layout, c *catalog.Catalog, t *sim.Truth, hold int64) *baseline {
	n := len(t.Items)
	b := &baseline{layout: l, truth: t, hold: hold, zones: make([]string, n), paid: make([]bool, n), ours: make([]bool, n), raised: make([]int64, n), opened: make([]bool, n)}
	for i := range t.Items {
		_, b.ours[i] = c.ByGTIN(t.Items[i].GTIN)
	}
	return b
}

func (b *baseline) fold(e *engine.Entry) {
	b.advance(e.At)
	for k := range e.Reads {
		r := &e.Reads[k]
		p, ok := b.layout.ReadPointIndex(e.Points[r.Point])
		if !ok {
			continue
		}
		pt := &b.layout.ReadPoints[p]
		if pt.MinRSSI != 0 && float64(r.RSSI)/10 < pt.MinRSSI {
			continue
		}
		zone := ""
		switch {
		case r.Zone != 0:
			zone = e.Zones[r.Zone-1]
		case pt.Zone >= 0:
			zone = b.layout.Zones[pt.Zone].ID
		}
		i := b.item(r.Key)
		b.move(i, zone, r.T, e.At)
		switch {
		case pt.Role != layout.Portal:
			b.raised[i], b.opened[i] = 0, false
		case b.raised[i] == 0 && b.ours[i] && !b.paid[i]:
			b.raised[i] = e.At
			b.pending = append(b.pending, i)
		}
	}
	for k := range e.Events {
		ev := &e.Events[k]
		for _, tag := range ev.Tags {
			i := b.item(tag.Key)
			if ev.Zone != "" {
				b.move(i, ev.Zone, ev.T, e.At)
			}
			switch ev.Type {
			case engine.EventSold:
				b.paid[i] = true
				b.raised[i] = 0
			case engine.EventReturned, engine.EventReceived:
				b.paid[i] = false
			}
		}
	}
}

func (b *baseline) item(k epc.Key) int {
	i, _ := b.truth.ItemByKey(k)
	return i
}

func (b *baseline) move(i int, zone string, at, told int64) {
	if b.zones[i] == zone {
		return
	}
	b.zones[i] = zone
	b.moved(i, zone, at, told)
}

// advance opens what has been held long enough.
func (b *baseline) advance(now int64) {
	kept := b.pending[:0]
	for _, i := range b.pending {
		switch {
		case b.raised[i] == 0 || b.opened[i]:
		case b.raised[i]+b.hold <= now:
			b.opened[i] = true
			b.alert(i, b.raised[i])
		default:
			kept = append(kept, i)
		}
	}
	b.pending = kept
}

func (b *baseline) finish() { b.advance(math.MaxInt64) }
