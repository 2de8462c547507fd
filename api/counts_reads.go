package api

import (
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// countScope is what reads of a count must fit: their zone is one that is counted.
type countScope struct {
	count   string // its id
	zones   []string
	counted []bool // by index in the layout
	only    int    // index of the zone, where just one is counted; -1: several
	opened  int64  // Unix milliseconds
}

func newCountScope(rec *event.Count, lay *layout.Layout) *countScope {
	zones := rec.Zones
	s := &countScope{count: rec.ID, zones: zones, counted: make([]bool, len(lay.Zones)), only: -1, opened: rec.Opened}
	for _, z := range zones {
		if i, ok := lay.ZoneIndex(z); ok {
			s.counted[i] = true
			if len(zones) == 1 {
				s.only = i
			}
		}
	}
	return s
}

// openedGrace is by how much a read may be older than its count: clocks differ.
const openedGrace = 2 * time.Minute

// place returns the zone that the read at hand belongs to in the count, and whether it belongs to
// it at all. zone is the declared one, -1: none.
func (s *countScope) place(d *readDecoder, point, zone int) (int, bool) {
	p := &d.lay.ReadPoints[point]
	if before := time.Duration(s.opened-d.t) * time.Millisecond; before > openedGrace {
		d.failf(reasonTime, "read %s before the count was opened; a handheld may have kept it from before: if not, set its clock",
			hours.FormatPeriod(before.Truncate(time.Minute)))
		return zone, false
	}
	switch {
	case zone >= 0 && s.counted[zone]:
		return zone, true
	case zone >= 0:
		id := d.lay.Zones[zone].ID
		d.failf(reasonZone, "the zone %q is not part of this count, which counts %s%s", id, strings.Join(s.zones, ", "),
			doc.OrDidYouMean(id, s.zones))
		return zone, false
	case p.Zone >= 0 && s.counted[p.Zone]:
		return p.Zone, true
	case p.Zone >= 0:
		id := d.lay.Zones[p.Zone].ID
		d.failf(reasonZone, "the read point %q sees the zone %q, which is not part of this count: it counts %s", p.ID,
			id, strings.Join(s.zones, ", "))
		return zone, false
	case s.only >= 0:
		return s.only, true
	}
	d.failf(reasonZone, "\"zone\" is missing; this count has several, so say which: %s", strings.Join(s.zones, ", "))
	return zone, false
}

// postCountReads takes reads into a count.
func (h countRoutes) postCountReads(c *kit.Call) error {
	return intakeRoutes(h).postBatch(c, "count", func(lay *layout.Layout) (*countScope, error) {
		rec, err := h.countRecord(c, c.PathParam("id"))
		if err != nil {
			return nil, err
		}
		if rec.Status != event.CountOpen {
			return nil, countStatus(&rec, "reads")
		}
		return newCountScope(&rec, lay), nil
	})
}

// kindAssessment is the record kind of what could be said of a count when it was closed; the
// record's key is the count's id. Later its tallies are gone.
const kindAssessment store.Kind = "assessment"
