package catalog

import (
	"slices"

	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// UnknownZone is a zone that products name and a shop does not have.
type UnknownZone struct {
	Zone     string `json:"zone"`
	Products int    `json:"products"`          // that name it
	First    int    `json:"first"`             // index of the first of them
	Nearest  string `json:"nearest,omitempty"` // the zone or kind of zones that may have been meant, if one is close
}

// UnknownZones returns the zones that products name as home or in limits and that l does not have,
// in order of their names. They need be no mistake, since shops share one catalog; but a name that
// no shop has is one.
func (c *Catalog) UnknownZones(l *layout.Layout) []UnknownZone {
	unknown := map[string]*UnknownZone{}
	for i := range c.products {
		p := &c.products[i]
		note := func(zone string) {
			if _, ok := l.ZoneIndex(zone); ok || zone == "" {
				return
			}
			u := unknown[zone]
			if u == nil {
				u = &UnknownZone{Zone: zone, First: i}
				unknown[zone] = u
			}
			u.Products++
		}
		for _, zone := range p.HomeZones {
			note(zone)
		}
		for _, limit := range p.Limits {
			if !slices.Contains(p.HomeZones, limit.Zone) { // else it is counted
				note(limit.Zone)
			}
		}
	}
	if len(unknown) == 0 {
		return nil
	}
	var names []string
	for i := range l.Zones {
		names = append(names, l.Zones[i].ID)
	}
	names = append(names, event.ZoneKinds.Texts()...)
	list := make([]UnknownZone, 0, len(unknown))
	for _, u := range unknown {
		u.Nearest = doc.Nearest(u.Zone, names)
		list = append(list, *u)
	}
	slices.SortFunc(list, func(a, b UnknownZone) int {
		if a.Zone < b.Zone {
			return -1
		}
		return 1 // names are unique
	})
	return list
}
