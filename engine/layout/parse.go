package layout

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"lintel/engine/event"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // so that time zones are known on a machine that has none of its own
	"unicode/utf8"

	"github.com/valyala/fastjson"
)

// Limits on what Parse accepts.
const (
	MaxBytes      = 1 << 20 // of the document
	MaxZones      = 1000
	MaxReadPoints = 2000
	MaxExceptions = 1000 // dates with hours of their own
)

// Parse reads a layout document. The error, if any, is of type Errors and names every problem, not only the first.
func Parse(src []byte) (*Layout, error) {
	p := newReport()
	root := parseJSON(p, src)
	if root == nil {
		return nil, p.err()
	}
	f := p.object("", root, "site", "name", "time_zone", "zones", "read_points", "hours", "presence")
	l := &Layout{}
	l.Site, _ = f.id("site", true)
	l.Name = l.Site
	if s, ok := f.text("name", false); ok {
		l.Name = s
	}
	l.TimeZone, l.location = parseTimeZone(&f)
	parseZones(&f, l)
	parseReadPoints(&f, l)
	parseHours(&f, &l.Hours)
	parsePresence(&f, &l.Presence)
	if err := p.err(); err != nil {
		return nil, err
	}
	return l, nil
}

// parseJSON returns nil after a problem with the text itself.
func parseJSON(p *report, src []byte) *fastjson.Value {
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	if len(src) > MaxBytes {
		p.add("", "", "the document is %d bytes long; at most %d are allowed", len(src), MaxBytes)
		return nil
	}
	if !utf8.Valid(src) {
		at := invalidUTF8(src)
		line, column := position(src, at)
		p.add("", "save it as UTF-8", "line %d, column %d: the text is not UTF-8", line, column)
		return nil
	}
	// The standard library decides what is JSON, since it is strict and knows where the text goes wrong; fastjson then keeps what a map would
	// lose: the order of members and those that stand twice.
	var syntax *json.SyntaxError
	if err := json.Unmarshal(src, new(json.RawMessage)); errors.As(err, &syntax) {
		line, column := position(src, int(syntax.Offset)-1)
		p.add("", "", "line %d, column %d: not JSON: %s", line, column, syntax)
		return nil
	}
	root, err := fastjson.ParseBytes(src)
	if err != nil {
		p.add("", "", "not readable as JSON: %v", err)
		return nil
	}
	return root
}

func invalidUTF8(src []byte) int {
	for i := 0; i < len(src); {
		r, size := utf8.DecodeRune(src[i:])
		if r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return len(src)
}

// position returns the line and column, in characters from 1, of the byte at offset at.
func position(src []byte, at int) (line, column int) {
	at = max(0, min(at, len(src)))
	before := src[:at]
	start := bytes.LastIndexByte(before, '\n') + 1
	return bytes.Count(before, []byte{'\n'}) + 1, utf8.RuneCount(before[start:]) + 1
}

func parseTimeZone(f *fields) (string, *time.Location) {
	const how = "write a name of the IANA time zone database, like Europe/London"
	name, ok := f.text("time_zone", false)
	switch {
	case !ok && f.values["time_zone"] == nil:
		f.add(f.at("time_zone"), how, "is missing")
		return "", nil
	case !ok:
		return "", nil
	case name == "Local":
		f.add(f.at("time_zone"), how, `"Local" means another place on every machine`)
		return "", nil
	}
	location, err := time.LoadLocation(name)
	if err != nil {
		hint := how
		if other := titleCase(name); other != name {
			if _, err := time.LoadLocation(other); err == nil {
				hint = fmt.Sprintf("did you mean %q?", other)
			}
		}
		f.add(f.at("time_zone"), hint, "there is no time zone %q", name)
		return "", nil
	}
	return name, location
}

// titleCase turns "europe/london" or "america/new york" into the way the time zone database writes most names.
func titleCase(s string) string {
	b := []byte(strings.ToLower(strings.ReplaceAll(strings.TrimSpace(s), " ", "_")))
	for i := range b {
		if (i == 0 || b[i-1] == '/' || b[i-1] == '_') && b[i] >= 'a' && b[i] <= 'z' {
			b[i] -= 'a' - 'A'
		}
	}
	return string(b)
}

func parseZones(f *fields, l *Layout) {
	list := f.list("zones", MaxZones)
	if len(list) == 0 && (f.values["zones"] == nil || f.values["zones"].Type() == fastjson.TypeArray && len(f.values["zones"].GetArray()) == 0) {
		f.add(f.at("zones"), "a shop has at least one zone", "names no zone")
	}
	l.zoneIndex = make(map[string]int, len(list))
	ofKind := map[event.ZoneKind]int{}
	for i, v := range list {
		zf := f.object(fmt.Sprintf("zones[%d]", i), v, "id", "name", "kind", "floor", "sure_within")
		var z Zone
		var hasID bool
		if z.ID, hasID = zf.id("id", true); hasID {
			if first, twice := l.zoneIndex[z.ID]; twice {
				f.add(zf.at("id"), "give each zone an id of its own", "%q is also the id of zones[%d]", z.ID, first)
			} else {
				l.zoneIndex[z.ID] = i
			}
		}
		z.Name = z.ID
		if s, ok := zf.text("name", false); ok {
			z.Name = s
		}
		z.Kind = one(&zf, "kind", true, event.ZoneKinds)
		z.Floor, _ = zf.text("floor", false)
		if z.Kind == event.Exit {
			z.SureWithin = zf.duration("sure_within", 2*time.Second, 10*time.Second, DefaultSureWithin)
		} else if zf.values["sure_within"] != nil && z.Kind != event.ZoneKindNone {
			f.add(zf.at("sure_within"), `remove it, or make this a zone of kind "exit"`, "only an exit is sure of passages, and the kind is %q", z.Kind)
		}
		ofKind[z.Kind]++
		l.Zones = append(l.Zones, z)
	}
	for i, z := range l.Zones {
		kind, ok := event.ZoneKinds.Parse(z.ID)
		if !ok {
			continue
		}
		at := fmt.Sprintf("zones[%d].id", i)
		if z.Kind != kind && z.Kind != event.ZoneKindNone {
			f.add(at, fmt.Sprintf("choose another id, like %q", z.ID+"-1"), "%q is the name of a kind, and this zone is of kind %q", z.ID, z.Kind)
		} else if ofKind[kind] > 1 {
			f.add(at, fmt.Sprintf("choose another id, like %q", z.ID+"-1"), "%q is the name of a kind that %d zones have, so it does not say which is meant", z.ID, ofKind[kind])
		}
	}
}

// idsOf returns the valid zone ids in the order of the document.
func (l *Layout) idsOf() []string {
	ids := make([]string, 0, len(l.Zones))
	for _, z := range l.Zones {
		if z.ID != "" {
			ids = append(ids, z.ID)
		}
	}
	return ids
}

func parseReadPoints(f *fields, l *Layout) {
	list := f.list("read_points", MaxReadPoints)
	ids := l.idsOf()
	l.pointIndex = make(map[string]int, len(list))
	for i, v := range list {
		pf := f.object(fmt.Sprintf("read_points[%d]", i), v, "id", "name", "role", "zone", "side", "min_rssi", "min_reads", "silent_after", "session")
		p := ReadPoint{Zone: -1}
		var ok bool
		if p.ID, ok = pf.id("id", true); ok {
			if first, twice := l.pointIndex[p.ID]; twice {
				f.add(pf.at("id"), "give each read point an id of its own", "%q is also the id of read_points[%d]", p.ID, first)
			} else {
				l.pointIndex[p.ID] = i
			}
		}
		p.Name = p.ID
		if s, ok := pf.text("name", false); ok {
			p.Name = s
		}
		p.Role = one(&pf, "role", true, event.Roles)
		if zone, ok := pf.text("zone", false); ok {
			if index, found := l.zoneIndex[zone]; found {
				p.Zone = index
			} else {
				f.add(pf.at("zone"), f.nearest(zone, ids), "there is no zone %q", zone)
			}
		} else if pf.values["zone"] == nil && p.Role != event.Handheld && p.Role != event.RoleNone {
			f.add(pf.at("zone"), "name the zone that it sees; only a handheld can do without", "is missing")
		}
		p.Side = one(&pf, "side", false, event.Sides)
		if p.Side != event.SideNone && p.Role != event.Portal && p.Role != event.RoleNone {
			f.add(pf.at("side"), `remove it, or make this a "portal"`, "only a portal has sides, and the role is %q", p.Role)
		}
		if v := pf.values["min_rssi"]; v != nil && v.Type() == fastjson.TypeNumber && v.GetFloat64() > 0 {
			f.add(pf.at("min_rssi"), "write it with its minus sign, like -70", "%s is out of range: received power in dBm is below zero", v)
		} else {
			p.MinRSSI = pf.number("min_rssi", -120, 0, 0, " dBm")
		}
		p.MinReads = pf.integer("min_reads", 1, 1000, 0)
		p.SilentAfter = pf.duration("silent_after", time.Second, 30*24*time.Hour, 0)
		if s, ok := pf.text("session", false); ok {
			if sessions := []string{"S0", "S1", "S2", "S3"}; slices.Contains(sessions, s) {
				p.Session = s
			} else {
				f.add(pf.at("session"), f.nearest(s, sessions), "%q is not a session", s)
			}
		}
		l.ReadPoints = append(l.ReadPoints, p)
	}
}

var dayNames = []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}

// weekday returns the day that dayNames[i] means.
func weekday(i int) time.Weekday { return time.Weekday((i + 1) % 7) }

func parseHours(f *fields, h *Hours) {
	v, ok := f.values["hours"]
	if !ok {
		return
	}
	h.Known = true
	hf := f.object("hours", v, append(slices.Clone(dayNames), "except")...)
	if len(hf.values) == 0 && v.Type() == fastjson.TypeObject {
		f.add("hours", `leave "hours" out for a shop that is always open, or write "mon": "09:00-18:00"`, "names no day")
	}
	for i, name := range dayNames {
		h.Week[weekday(i)] = hf.windows(name)
	}
	except, ok := hf.values["except"]
	if !ok {
		return
	}
	o, err := except.Object()
	if err != nil {
		f.add("hours.except", `write {"2026-12-25": "closed"}`, "%s where an object was expected", typeName(except))
		return
	}
	if o.Len() > MaxExceptions {
		f.add("hours.except", "remove dates that are long past", "has %d dates; at most %d are allowed", o.Len(), MaxExceptions)
		return
	}
	ef := fields{report: f.report, path: "hours.except", values: map[string]*fastjson.Value{}}
	o.Visit(func(key []byte, v *fastjson.Value) {
		name := string(key)
		date, err := ParseDate(name)
		if err != nil {
			f.add(ef.at(name), "", "%v", err)
			return
		}
		if _, twice := ef.values[name]; twice {
			f.add(ef.at(name), "keep one of them", "stands twice in this object")
			return
		}
		ef.values[name] = v
		h.Except = append(h.Except, Exception{Date: date, Windows: ef.windows(name)})
	})
	slices.SortFunc(h.Except, func(a, b Exception) int { return a.Date.Compare(b.Date) })
}

func (f *fields) windows(name string) []Window {
	s, ok := f.text(name, false)
	if !ok {
		return nil
	}
	windows, err := ParseWindows(s)
	if err != nil {
		f.add(f.at(name), "", "%v", err)
	}
	return windows
}

func parsePresence(f *fields, p *Presence) {
	*p = DefaultPresence()
	v, ok := f.values["presence"]
	if !ok {
		return
	}
	pf := f.object("presence", v, "epoch", "hysteresis_db", "completeness", "passage_gap", "passage_max")
	p.Epoch = pf.duration("epoch", 250*time.Millisecond, 10*time.Second, p.Epoch)
	p.HysteresisDB = pf.number("hysteresis_db", 0, 30, p.HysteresisDB, " dB")
	p.Completeness = pf.number("completeness", 0.5, 0.9999, p.Completeness, "")
	p.PassageGap = pf.duration("passage_gap", 50*time.Millisecond, 10*time.Second, p.PassageGap)
	p.PassageMax = pf.duration("passage_max", time.Second, 10*time.Minute, p.PassageMax)
	if p.PassageGap >= p.PassageMax {
		f.add("presence.passage_gap", "", "%s is not shorter than passage_max, %s", formatDuration(p.PassageGap), formatDuration(p.PassageMax))
	}
}
