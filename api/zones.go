package api

import (
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
)

// ZoneView is a zone and what it holds now.
type ZoneView struct {
	Zone      string        `json:"zone"`
	Name      string        `json:"name"`
	Kind      string        `json:"kind" jsonschema_extras:"words=zone kind"`
	Storey    string        `json:"storey,omitempty"`
	At        *areaDocument `json:"at,omitempty" jsonschema_description:"Where it is on the plan of its storey, as the layout has it."`
	Items     int           `json:"items" jsonschema_description:"All items there, for sale or not."`
	Stock     int           `json:"stock" jsonschema_description:"Those that are for sale."`
	Products  int           `json:"products" jsonschema_description:"Of how many products they are."`
	Misplaced int           `json:"misplaced" jsonschema_description:"How many of them lie where goods are offered, in a zone that is none of their product's home zones."`
	Minimum   int           `json:"minimum" jsonschema_description:"The minimums of all products here, added up; those of a kind of zones are left out."`
	Maximum   int           `json:"maximum" jsonschema_description:"The maximums of all products here, added up."`
	Below     int           `json:"below" jsonschema_description:"How many products are below their minimum."`
	Short     int           `json:"short" jsonschema_description:"How many items these lack."`
	Over      int           `json:"over" jsonschema_description:"How many items there are beyond maximums."`
	Counted   *time.Time    `json:"last_counted_at,omitempty" jsonschema_description:"When the last count of it was closed; left out: never."`
}

// ZoneList lists the zones of a site.
type ZoneList struct {
	Zones []ZoneView `json:"zones" jsonschema_description:"In the order of the layout."`
}

// zonesRoute is the route that says what is in each zone.
func zonesRoute(h stockRoutes) kit.Route {
	return kit.Route{
		Method: "GET", Path: "/v1/sites/{site}/zones", Name: "listZones", Group: "Questions", Summary: "List zones with what they hold",
		About:  "How full each zone is, what does not belong there, and when it was last counted.",
		Scopes: operate, Answers: []kit.Answer{kit.OK("Every zone of the layout.", ZoneList{})}, Handle: h.zones,
	}
}

func (h stockRoutes) zones(c *kit.Call) error {
	list := ZoneList{Zones: []ZoneView{}}
	err := h.view(c, func(st *engine.State) error {
		lay, items := st.Config().Layout, st.CountItemsByZone()
		for i, row := range st.ZoneStock() {
			z := &lay.Zones[i]
			list.Zones = append(list.Zones, ZoneView{
				Zone: z.ID, Name: z.Name, Kind: event.ZoneKinds.Text(z.Kind), Storey: z.Storey, At: (*areaDocument)(z.At),
				Items: items[z.ID], Stock: row.Count, Products: row.Products, Misplaced: row.Misplaced, Minimum: row.Min,
				Maximum: row.Max, Below: row.Below, Short: row.Short, Over: row.Over, Counted: moment(st.LastCounted(z.ID)),
			})
		}
		return nil
	})
	return c.Answer(list, err)
}
