// Package layout describes one shop: its zones, its read points and its opening hours.
//
// Shop staff write a layout as one JSON document, and Parse turns it into a Layout or into the list
// of everything that is wrong with it, each with the place, the reason and how to fix it:
//
//	{
//	  "site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London", "language": "en",
//	  "zones": [
//	    {"id": "front-tables", "name": "Front tables", "kind": "floor", "storey": "ground",
//	     "at": {"x": 1, "y": 2.5, "width": 4, "height": 2}},
//	    {"id": "street-door", "name": "Street door", "kind": "exit", "storey": "ground"}
//	  ],
//	  "read_points": [
//	    {"id": "tables-1", "role": "fixed", "zone": "front-tables", "min_rssi": -68, "silent_after": "5m"},
//	    {"id": "street-door-in", "role": "portal", "zone": "street-door", "side": "inner"},
//	    {"id": "street-door-out", "role": "portal", "zone": "street-door", "side": "outer"},
//	    {"id": "handheld-1", "role": "handheld"}
//	  ],
//	  "hours": {"mon": "09:00-18:00", "sat": "10:00-13:00, 14:00-17:00", "except": {"2026-12-25": "closed"}},
//	  "presence": {"epoch": "1s", "hysteresis_db": 6},
//	  "counts": {
//	    "plan": [
//	      {"zones": ["front-tables"], "every": "7d", "by": "21:00", "team": "floor", "blind": true},
//	      {"zones": ["street-door"], "on": ["mon", "thu"], "by": "08:00"}
//	    ],
//	    "fields": [{"id": "round", "name": "Round", "type": "choice", "choices": ["morning", "night"], "required": true}]
//	  }
//	}
//
// # Names
//
// Ids of sites, zones and read points are 1 to 64 characters of a-z, 0-9, '-' and '_'. A zone may
// carry the name of a kind as its id (a shop's one "stockroom") as long as it is the only zone of
// that kind, so that "stockroom: at least 5" means one thing.
//
// # Plan
//
// "at" says where a zone is on the plan of its storey: a rectangle in metres from the plan's upper
// start corner, each number from 0 to 1000, width and height at least 0.1. It is for people to look
// at; nothing is decided by it.
//
// # Language
//
// "language" is that of the people who work in the shop, as a tag of RFC 5646: rules whose message is
// written in several languages use the one in it. A layout without it takes the default message.
//
// # Hours
//
// A day has one or more windows, "closed", or is left out, which is closed too. "18:00-02:00" ends
// on the next day and belongs to the day on which it starts; "00:00-24:00" is the whole day. An
// entry of "except" replaces the windows that start on that date. A layout without "hours" is
// always open. When clocks change, a wall-clock time that occurs twice means the first one, and one
// that does not occur is read with the offset before the gap, as RFC 5545, section 3.3.5, has it
// for calendars.
//
// # Counts
//
// A planned count is due some days after the last one, or on some weekdays, by a time of day; a
// count of the 24 hours before is the one that was due on a weekday. A zone stands in the plan once.
// "team" names a team, never a person. "blind": who counts is not shown what is expected. "fields"
// are asked when a count is opened, at most ten: of type "text" (at most 200 characters), "number" or
// "choice".
//
// # Purity
//
// Parse and all methods depend on their arguments alone, apart from the time zone rules: these are
// the host's if it has any, else those compiled into the program (time/tzdata). A Layout is not
// changed after Parse and may be shared by any number of goroutines.
package layout
