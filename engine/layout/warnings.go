package layout

import (
	"fmt"
	"slices"
	"time"

	"lintel/engine/event"
	"lintel/rules/doc"

	"lintel/rules/hours"
)

// What Warnings goes by. From the measurements of two simulated shops, not from a standard.
const (
	highestPortalFloor = -60             // dBm; a higher floor costs passages
	oneSidedSure       = 4 * time.Second // before it, a door without two sides can't tell an exit from somebody who stands in it
)

// Warnings returns where the layout can be taken but a door or reader cannot give what rules at it
// ask for, in the order of the document: zones, then read points.
func (l *Layout) Warnings() doc.Errors {
	var list []doc.Diagnostic
	warn := func(path, hint, reason string, args ...any) {
		list = append(list, doc.Diagnostic{Severity: doc.SeverityWarning, Path: path, Reason: fmt.Sprintf(reason, args...), Hint: hint})
	}
	sides, inside := l.sides(), l.HearsInside()
	for i := range l.Zones {
		z, n := &l.Zones[i], sides[i]
		inner, outer := n[event.Inner] > 0, n[event.Outer] > 0
		if n == [3]int{} || inner && outer {
			continue
		}
		at := fmt.Sprintf("zones[%d]", i)
		switch {
		case inner:
			warn(at, `add a read point with "side": "outer", or leave "side" out if one antenna sees both sides`,
				"the door %q has an inner side and no outer one, so it cannot tell ways out from ways in", z.ID)
		case outer:
			warn(at, `add a read point with "side": "inner", or leave "side" out if one antenna sees both sides`,
				"the door %q has an outer side and no inner one, so it cannot tell ways out from ways in", z.ID)
		}
		if !inside {
			warn(at, `add a read point of role "fixed" inside the shop, in session S0 or S1, or a second antenna `+
				`so that the door has two sides`,
				"only readers inside can tell a second burst from an entrance, and no fixed reader inside always "+
					"hears the goods: the door %q cannot be sure of a passage, only call it likely", z.ID)
		}
		if z.Kind == event.Exit && z.SureWithin < oneSidedSure {
			warn(at+".sure_within", fmt.Sprintf("write %q or more, or add a second antenna so that the door has "+
				"two sides", hours.FormatPeriod(oneSidedSure)),
				"%s is too short for a door without two sides, which must wait for silence", hours.FormatPeriod(z.SureWithin))
		}
	}
	for _, setting := range []struct {
		name         string
		value, usual time.Duration
	}{
		{"passage_gap", l.Presence.PassageGap, DefaultPresence().PassageGap}, {"passage_max", l.Presence.PassageMax,
			DefaultPresence().PassageMax},
	} {
		if setting.value != setting.usual {
			warn("presence."+setting.name, "leave it out", "%s has no effect any more: what a door hears is no "+
				"longer cut into bursts", hours.FormatPeriod(setting.value))
		}
	}
	for i := range l.ReadPoints {
		p := &l.ReadPoints[i]
		at := fmt.Sprintf("read_points[%d].", i)
		if p.missesPassages() {
			warn(at+"session", `write "S0", and set the reader to it`,
				"in session %s a tag that was read keeps quiet, so most passages are heard once or not at all", p.Session)
		}
		if p.Role == event.Portal && p.MinRSSI != 0 && p.MinRSSI > highestPortalFloor {
			warn(at+"min_rssi", fmt.Sprintf("write %d or less, or lower the reader's power", highestPortalFloor),
				"%v dBm is a high floor for a door: bodies and bags take as much from goods that pass, so it costs passages", p.MinRSSI)
		}
		if p.Role == event.Fixed && p.KeepsQuiet() && p.MinReads > 1 {
			warn(at+"min_reads", "write 1, or leave it out", "%d reads are needed, but in session %s a tag that "+
				"was read keeps quiet and is heard once", p.MinReads, p.Session)
		}
	}
	return list
}

// CanBeSure reports whether the door in zone i can ever be sure of a passage: its read points are in
// session S0, and it has two sides or the shop has a fixed reader inside that always hears the goods.
// Warnings says what is missing.
func (l *Layout) CanBeSure(i int) bool {
	for k := range l.ReadPoints {
		if p := &l.ReadPoints[k]; p.Zone == i && p.missesPassages() {
			return false
		}
	}
	n := l.sides()[i]
	return n[event.Inner] > 0 && n[event.Outer] > 0 || l.HearsInside()
}

// sides returns how many portals each zone has, by their side.
func (l *Layout) sides() [][3]int {
	sides := make([][3]int, len(l.Zones))
	for i := range l.ReadPoints {
		if p := &l.ReadPoints[i]; p.Zone >= 0 && p.Role == event.Portal {
			sides[p.Zone][p.Side]++
		}
	}
	return sides
}

// HearsInside reports whether a fixed reader in the shop always hears the goods there.
func (l *Layout) HearsInside() bool {
	return slices.ContainsFunc(l.ReadPoints, func(p ReadPoint) bool {
		return p.Role == event.Fixed && p.Zone >= 0 && !p.KeepsQuiet() && l.Zones[p.Zone].Kind != event.Exit
	})
}

// missesPassages reports whether this is a portal in a session in which tags that were read keep quiet.
func (p *ReadPoint) missesPassages() bool {
	return p.Role == event.Portal && p.Session != "" && p.Session != "S0"
}
