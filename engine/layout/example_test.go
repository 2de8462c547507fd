package layout_test

import (
	"errors"
	"fmt"
	"time"

	"lintel/engine/layout"
	"lintel/rules/doc"
)

func ExampleParse() {
	l, err := layout.Parse([]byte(`{
	  "site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
	  "zones": [{"id": "front-tables", "kind": "floor"}, {"id": "street-door", "kind": "exit"}],
	  "read_points": [{"id": "street-door-in", "role": "portal", "zone": "street-door", "side": "inner"}],
	  "hours": {"mon": "09:00-18:00"}
	}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	i, _ := l.ReadPointIndex("street-door-in")
	p := l.ReadPoints[i]
	fmt.Println(p.Role, "at", l.Zones[p.Zone].ID+",", p.Side, "side")
	fmt.Println(l.OpenAt(time.Date(2026, 6, 8, 8, 30, 0, 0, time.UTC))) // Monday, 09:30 in London
	// Output:
	// portal at street-door, inner side
	// true
}

func ExampleParse_problems() {
	_, err := layout.Parse([]byte(`{
  "site": "umberhithe", "time_zone": "Europe/London",
  "zones": [{"id": "front-tables", "kind": "flor"}],
  "read_points": [{"id": "tables-1", "role": "fixed", "zone": "frnt-tables"}]
}`))
	var problems doc.Errors
	if errors.As(err, &problems) {
		fmt.Println(problems[0])
		fmt.Println(problems[1].Summary())
	}
	// Output:
	// 3:44: zones[0].kind: "flor" is not a kind
	//       "zones": [{"id": "front-tables", "kind": "flor"}],
	//                                                ^^^^^^
	//     did you mean "floor"?
	// read_points[0].zone: there is no zone "frnt-tables"; did you mean "front-tables"?
}
