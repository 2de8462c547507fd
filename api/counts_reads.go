package api

import (
	"strings"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// countScope is what reads of a count must fit: their zone is one that is counted.
type countScope struct {
	count   string // its id
	zones   []string
	counted []bool // by index in the layout
	only    int    // index of the zone, where just one is counted; -1: several
}

func newCountScope(count string, zones []string, lay *layout.Layout) *countScope {
	s := &countScope{count: count, zones: zones, counted: make([]bool, len(lay.Zones)), only: -1}
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

// place returns the zone that the read at hand belongs to in the count, and whether it belongs to
// it at all. zone is the declared one, -1: none.
func (s *countScope) place(d *readDecoder, point, zone int) (int, bool) {
	p := &d.lay.ReadPoints[point]
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
		return newCountScope(rec.ID, rec.Zones, lay), nil
	})
}

// kindAssessment is the record kind of what could be said of a count when it was closed; the
// record's key is the count's id. Later its tallies are gone.
const kindAssessment store.Kind = "assessment"
