package stocktake

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"lintel/engine/event"
	"lintel/engine/layout"
)

// ZonePrefix begins the names under which event.KindAside has when zones were counted; the zone's id
// follows.
const ZonePrefix = "counted/"

// zone is what is known of the counts of a zone.
type zone struct {
	last  int64 // when the last one was closed, Unix milliseconds, 0: never
	since int64 // when the zone was first seen in the plan or counted
	told  int64 // for which moment it was last notified that the next one is overdue, 0: it is not
	dirty bool
}

// day is how often it is notified again that a zone is overdue, in milliseconds: rules may ask for
// how many days it was not counted.
const day = 24 * 60 * 60 * 1000

// plan is when which zones are to be counted.
type plan struct {
	of       *layout.Counts
	location *time.Location
	zones    map[string]*zone
	next     int64 // when the next zone becomes overdue, or is to be notified again
	fresh    bool  // a zone of it was not seen yet
	recorded bool  // what is overdue is told by recorded facts
}

// Due is when a zone of the plan is to be counted, or that this changed.
type Due struct {
	Zone    string
	Plan    *layout.Planned // nil: it is no longer planned
	At      int64           // when the next count is due, Unix milliseconds
	Last    int64           // when the last one was closed, 0: never
	Overdue bool
	Days    int // since the last one, or since the zone is planned: whole days
}

// Plan sets the plan of counts. Seen and Overdue follow, once the moment is known.
func (b *Book) Plan(of *layout.Counts, location *time.Location) {
	b.plan.of, b.plan.location = of, location
	b.schedule()
}

// Recorded says that the facts of what is overdue were recorded: none are concluded.
func (b *Book) Recorded() { b.plan.recorded = true }

// Unseen reports whether the plan has a zone that Seen was not told of.
func (b *Book) Unseen() bool { return b.plan.fresh }

// Seen notes since when zones of the plan are in it.
func (b *Book) Seen(now int64) {
	for _, z := range b.plan.planned() {
		if b.plan.zones[z] == nil {
			b.zone(z).since = now
		}
	}
	b.schedule()
}

// zone returns what is known of the counts of a zone, to change it.
func (b *Book) zone(id string) *zone {
	z := b.plan.zones[id]
	if z == nil {
		z = &zone{}
		if b.plan.zones == nil {
			b.plan.zones = make(map[string]*zone)
		}
		b.plan.zones[id] = z
	}
	if !z.dirty {
		z.dirty = true
		b.dirt.zones = append(b.dirt.zones, id)
	}
	return z
}

// counted notes that the zones of a count were counted.
func (b *Book) counted(c *count) {
	if c.Delivery || c.Only {
		return
	}
	for _, id := range c.Zones {
		z := b.zone(id)
		z.last = max(z.last, c.Closed)
		if z.since == 0 {
			z.since = c.Closed
		}
	}
	b.schedule()
}

// planned lists the zones of the plan, in its order.
func (p *plan) planned() (zones []string) {
	if p.of == nil || p.recorded {
		return nil
	}
	for i := range p.of.Plan {
		zones = append(zones, p.of.Plan[i].Zones...)
	}
	return zones
}

// due returns when a zone is to be counted, which has been seen.
func (p *plan) due(id string, z *zone, now int64) Due {
	d := Due{Zone: id, Plan: p.of.Planned(id), At: math.MaxInt64, Last: z.last, Days: int((now - z.since) / day)}
	if z.last != 0 {
		d.Days = int((now - z.last) / day)
	}
	if d.Plan != nil {
		d.At = d.Plan.Due(z.last, z.since, p.location)
	}
	d.Overdue = d.At <= now
	return d
}

// schedule finds when a zone becomes overdue, or is to be notified again.
func (b *Book) schedule() {
	p := &b.plan
	p.next, p.fresh = math.MaxInt64, false
	for _, id := range p.planned() {
		switch z := p.zones[id]; {
		case z == nil:
			p.fresh = true
		case z.told != 0:
			p.next = min(p.next, z.told+day)
		default:
			p.next = min(p.next, p.due(id, z, 0).At)
		}
	}
}

// Next returns when TakeOverdue has something next, math.MaxInt64: never.
func (b *Book) Next() int64 {
	if b.plan.of == nil {
		return math.MaxInt64
	}
	return b.plan.next
}

// TakeOverdue returns which zones became overdue by now, are so for another day, or no longer are, in
// order of their ids.
func (b *Book) TakeOverdue(now int64) (changed []Due) {
	p := &b.plan
	if p.of == nil || p.recorded {
		return nil
	}
	for _, id := range slices.Sorted(maps.Keys(p.zones)) {
		d, told := p.due(id, p.zones[id], now), int64(0)
		if d.Overdue {
			told = d.At + (now-d.At)/day*day
		}
		if told != p.zones[id].told {
			b.zone(id).told = told
			changed = append(changed, d)
		}
	}
	if changed != nil {
		b.schedule()
	}
	return changed
}

// Due lists the zones of the plan with when each is to be counted, in the order of the plan.
func (b *Book) Due(now int64) (list []Due) {
	for _, id := range b.plan.planned() {
		z := b.plan.zones[id]
		if z == nil {
			z = &zone{since: now}
		}
		list = append(list, b.plan.due(id, z, now))
	}
	return list
}

// DueOf returns when a zone is to be counted, false if it was neither planned nor counted.
func (b *Book) DueOf(id string, now int64) (Due, bool) {
	z := b.plan.zones[id]
	if z == nil || b.plan.of == nil {
		return Due{}, false
	}
	return b.plan.due(id, z, now), true
}

// loadZones completes what was loaded of zones: what earlier versions did not note follows from the
// counts.
func (b *Book) loadZones() {
	had := maps.Clone(b.plan.zones)
	for _, c := range b.byID {
		if c.Status != event.CountClosed || c.Delivery || c.Only {
			continue
		}
		for _, id := range c.Zones {
			if had[id] != nil {
				continue
			}
			z := b.plan.zones[id]
			if z == nil {
				z = &zone{since: c.Closed}
				if b.plan.zones == nil {
					b.plan.zones = make(map[string]*zone)
				}
				b.plan.zones[id] = z
			}
			z.last, z.since = max(z.last, c.Closed), min(z.since, c.Closed)
		}
	}
}

// LoadZone takes the record of a zone, whose name lacks ZonePrefix.
func (b *Book) LoadZone(id string, v []byte) error {
	if len(v) != 25 || v[0] != 1 {
		return fmt.Errorf("the counts of zone %q are damaged or of another version", id)
	}
	if b.plan.zones == nil {
		b.plan.zones = make(map[string]*zone)
	}
	at := func(n int) int64 { return int64(binary.BigEndian.Uint64(v[n:])) }
	b.plan.zones[id] = &zone{last: at(1), since: at(9), told: at(17)}
	return nil
}

func (z *zone) append(b []byte) []byte {
	b = append(b, 1)
	for _, n := range []int64{z.last, z.since, z.told} {
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	return b
}
