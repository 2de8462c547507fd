package layout

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // so that time zones are known on a machine that has none of its own
	"unicode"
	"unicode/utf8"

	"lintel/engine/event"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Limits on what Parse accepts.
const (
	MaxBytes      = 1 << 20 // of the document
	MaxZones      = 1000
	MaxReadPoints = 2000
	MaxExceptions = 1000 // dates with hours of their own

	maxProblems  = 200 // that are told of one document
	maxNameBytes = 200
)

// Parse reads a layout document, which is JSON. The error, if any, is of type doc.Errors and names
// every problem.
func Parse(src []byte) (*Layout, error) {
	d, problem := doc.JSON(src, MaxBytes)
	r := doc.NewReport("", maxProblems, d, problem)
	if d.Root != nil {
		if l := Read(r, d.Root); l != nil {
			return l, nil
		}
	}
	return nil, fmt.Errorf("layout: %w", r.Err())
}

// Read reads a layout that stands in a document, and reports what is wrong with it there. It
// returns nil after an error.
func Read(r *doc.Report, n *doc.Node) *Layout {
	before := r.Len()
	root, ok := r.Object(n, "site", "name", "time_zone", "language", "zones", "read_points", "hours", "presence", "counts")
	if !ok {
		return nil
	}
	f := fields{root}
	l := &Layout{}
	l.Site, _ = f.id("site", true)
	l.Name = f.name(l.Site)
	l.TimeZone, l.location = parseTimeZone(f)
	l.Language = parseLanguage(f)
	parseZones(f, l)
	parseReadPoints(f, l)
	parseHours(f, &l.Hours)
	parsePresence(f, &l.Presence)
	parseCounts(f, l)
	if r.Len() > before {
		return nil
	}
	return l
}

// fields are the members of an object.
type fields struct{ doc.Object }

// text returns a text with the white space around it dropped; missing or wrong, "" and false.
func (f fields) text(name string, required bool) (string, bool) {
	s, ok := f.Text(name, required)
	if !ok {
		return "", false
	}
	switch s = strings.TrimSpace(s); {
	case s == "":
		f.Problem(name, "", "is empty")
	case len(s) > maxNameBytes:
		f.Problem(name, "", "is %d bytes long; at most %d are allowed", len(s), maxNameBytes)
	case strings.ContainsFunc(s, unicode.IsControl):
		f.Problem(name, "remove line breaks, tabs and other control characters", "has a control character")
	default:
		return s, true
	}
	return "", false
}

// name returns the name, else the id.
func (f fields) name(id string) string {
	s, _ := f.text("name", false)
	return cmp.Or(doc.Unturned(s), id)
}

// id returns an id member.
func (f fields) id(name string, required bool) (string, bool) {
	s, ok := f.text(name, required)
	if ok && !ValidID(s) {
		f.Problem(name, idHint(s), "%q is no id: an id has 1 to 64 characters of a-z, 0-9, '-' and '_'", s)
		return "", false
	}
	return s, ok
}

// idHint makes an id of what a person wrote, as far as it can.
func idHint(s string) string {
	id := strings.Trim(strings.Map(func(r rune) rune {
		r = unicode.ToLower(r)
		if r < utf8.RuneSelf && ValidID(string(r)) {
			return r
		}
		return '-'
	}, s), "-")
	if !ValidID(id) || len(strings.Trim(id, "-_")) == 0 {
		return ""
	}
	return fmt.Sprintf("write %q, say, and keep the words in the name", id)
}

// one returns a member that is a word of a closed set.
func one[T ~uint8](f fields, name string, required bool, set *event.Set[T]) T {
	s, ok := f.text(name, required)
	if !ok {
		return 0
	}
	v, ok := set.Parse(s)
	if !ok {
		f.Problem(name, doc.OneOf(s, set.Texts()), "%q is not a %s", s, name)
	}
	return v
}

func parseLanguage(f fields) string {
	text, ok := f.text("language", false)
	if !ok {
		return ""
	}
	tag, ok := doc.Language(text)
	if !ok {
		f.Problem("language", "write a language tag of RFC 5646, such as en, cy or pt-br", "%q is not a language", text)
		return ""
	}
	return tag
}

func parseTimeZone(f fields) (string, *time.Location) {
	const how = "write a name of the IANA time zone database, like Europe/London"
	name, ok := f.text("time_zone", false)
	switch {
	case !ok && f.Get("time_zone") == nil:
		f.Problem("time_zone", how, "is missing")
		return "", nil
	case !ok:
		return "", nil
	case name == "Local":
		f.Problem("time_zone", how, `"Local" means another place on every machine`)
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
		f.Problem("time_zone", hint, "there is no time zone %q", name)
		return "", nil
	}
	return name, location
}

// titleCase turns "europe/london" or "america/new york" into the way the time zone database writes
// most names.
func titleCase(s string) string {
	b := []byte(strings.ToLower(strings.ReplaceAll(strings.TrimSpace(s), " ", "_")))
	for i := range b {
		if (i == 0 || b[i-1] == '/' || b[i-1] == '_') && b[i] >= 'a' && b[i] <= 'z' {
			b[i] -= 'a' - 'A'
		}
	}
	return string(b)
}

// formerStorey is the name that the member storey had in documents that are still stored.
const formerStorey = "floor"

func parseZones(f fields, l *Layout) {
	list := f.List("zones", MaxZones)
	if n := f.Get("zones"); n == nil || n.Kind == doc.Sequence && len(n.Items) == 0 {
		f.Problem("zones", "a shop has at least one zone", "names no zone")
	}
	l.zoneIndex = make(map[string]int, len(list))
	ofKind := map[event.ZoneKind]int{}
	for i, v := range list {
		o, _ := f.Object.Object(v, "id", "name", "kind", "storey", formerStorey, "at", "sure_within", "lingering_after")
		zf := fields{o}
		var z Zone
		var hasID bool
		if z.ID, hasID = zf.id("id", true); hasID {
			if first, twice := l.zoneIndex[z.ID]; twice {
				zf.Problem("id", "give each zone an id of its own", "%q is also the id of zones[%d]", z.ID, first)
			} else {
				l.zoneIndex[z.ID] = i
			}
		}
		z.Name = zf.name(z.ID)
		z.Kind = one(zf, "kind", true, event.ZoneKinds)
		if z.Storey, hasID = zf.text("storey", false); !hasID {
			z.Storey, _ = zf.text(formerStorey, false)
		}
		z.At = parseArea(zf)
		if z.Kind == event.Exit {
			z.SureWithin = hours.Member(zf.Object, "sure_within", 2*time.Second, 10*time.Second, DefaultSureWithin)
			z.LingeringAfter = hours.Member(zf.Object, "lingering_after", 20*time.Second, 10*time.Minute, DefaultLingeringAfter)
		} else if z.Kind != event.ZoneKindNone {
			for _, only := range [][2]string{{"sure_within", "is sure of passages"}, {"lingering_after", "has goods that linger near it"}} {
				if zf.Get(only[0]) != nil {
					zf.Problem(only[0], `remove it, or make this a zone of kind "exit"`, "only an exit %s, and the kind is %q", only[1], z.Kind)
				}
			}
		}
		ofKind[z.Kind]++
		l.Zones = append(l.Zones, z)
	}
	for i, z := range l.Zones {
		kind, ok := event.ZoneKinds.Parse(z.ID)
		if !ok {
			continue
		}
		id, hint := list[i].Get("id"), fmt.Sprintf("choose another id, like %q", z.ID+"-1")
		if z.Kind != kind && z.Kind != event.ZoneKindNone {
			f.About(id, hint, "%q is the name of a kind, and this zone is of kind %q", z.ID, z.Kind)
		} else if ofKind[kind] > 1 {
			f.About(id, hint, "%q is the name of a kind that %d zones have, so it does not say which is meant", z.ID, ofKind[kind])
		}
	}
}

// parseArea reads where a zone is on the plan of its storey.
func parseArea(f fields) *Area {
	v := f.Get("at")
	if v == nil {
		return nil
	}
	o, ok := f.Object.Object(v, "x", "y", "width", "height")
	if !ok {
		return nil
	}
	for _, name := range []string{"x", "y", "width", "height"} {
		if o.Get(name) == nil {
			o.Problem(name, `write all four in metres, like {"x": 2, "y": 0.5, "width": 4, "height": 1}`, "is missing")
		}
	}
	return &Area{
		X: o.Number("x", 0, MaxMetres, 0, " m"), Y: o.Number("y", 0, MaxMetres, 0, " m"),
		Width: o.Number("width", MinExtent, MaxMetres, 0, " m"), Height: o.Number("height", MinExtent, MaxMetres, 0, " m"),
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

func parseReadPoints(f fields, l *Layout) {
	list := f.List("read_points", MaxReadPoints)
	ids := l.idsOf()
	l.pointIndex = make(map[string]int, len(list))
	for i, v := range list {
		o, _ := f.Object.Object(v, "id", "name", "role", "zone", "side", "min_rssi", "min_reads", "silent_after", "session")
		pf := fields{o}
		p := ReadPoint{Zone: -1}
		var ok bool
		if p.ID, ok = pf.id("id", true); ok {
			if first, twice := l.pointIndex[p.ID]; twice {
				pf.Problem("id", "give each read point an id of its own", "%q is also the id of read_points[%d]", p.ID, first)
			} else {
				l.pointIndex[p.ID] = i
			}
		}
		p.Name = pf.name(p.ID)
		p.Role = one(pf, "role", true, event.Roles)
		if zone, ok := pf.text("zone", false); ok {
			if index, found := l.zoneIndex[zone]; found {
				p.Zone = index
			} else {
				pf.Problem("zone", doc.OneOf(zone, ids), "there is no zone %q", zone)
			}
		} else if pf.Get("zone") == nil && p.Role != event.Handheld && p.Role != event.RoleNone {
			pf.Problem("zone", "name the zone that it sees; only a handheld can do without", "is missing")
		}
		p.Side = one(pf, "side", false, event.Sides)
		if p.Side != event.SideNone && p.Role != event.Portal && p.Role != event.RoleNone {
			pf.Problem("side", `remove it, or make this a "portal"`, "only a portal has sides, and the role is %q", p.Role)
		}
		if v := pf.Get("min_rssi"); v != nil && v.IsNumber() && !strings.HasPrefix(v.Text, "-") && strings.Trim(v.Text, "0.") != "" {
			pf.Problem("min_rssi", "write it with its minus sign, like -70",
				"%.40s is out of range: received power in dBm is below zero", v.Text)
		} else {
			p.MinRSSI = pf.Number("min_rssi", -120, 0, 0, " dBm")
		}
		p.MinReads = pf.Whole("min_reads", 1, 1000, 0)
		p.SilentAfter = hours.Member(pf.Object, "silent_after", time.Second, 30*24*time.Hour, 0)
		if s, ok := pf.text("session", false); ok {
			if sessions := []string{"S0", "S1", "S2", "S3"}; slices.Contains(sessions, s) {
				p.Session = s
			} else {
				pf.Problem("session", doc.OneOf(s, sessions), "%q is not a session", s)
			}
		}
		l.ReadPoints = append(l.ReadPoints, p)
	}
}

var dayNames = []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}

// weekday returns the day that dayNames[i] means.
func weekday(i int) time.Weekday { return time.Weekday((i + 1) % 7) }

func parseHours(f fields, h *hours.Hours) {
	v := f.Get("hours")
	if v == nil {
		return
	}
	h.Known = true
	o, ok := f.Object.Object(v, append(slices.Clone(dayNames), "except")...)
	if ok && len(v.Fields) == 0 {
		f.Problem("hours", `leave "hours" out for a shop that is always open, or write "mon": "09:00-18:00"`, "names no day")
	}
	for i, name := range dayNames {
		h.Week[weekday(i)] = windows(f, o.Get(name))
	}
	except := o.Get("except")
	switch {
	case except == nil:
		return
	case except.Kind != doc.Mapping:
		f.About(except, `write {"2026-12-25": "closed"}`, "is %s where an object is expected", except.Is())
		return
	case len(except.Fields) > MaxExceptions:
		f.About(except, "remove dates that are long past", "has %d dates; at most %d are allowed", len(except.Fields), MaxExceptions)
		return
	}
	seen := make(map[string]bool, len(except.Fields))
	for _, e := range except.Fields {
		date, err := hours.ParseDate(e.Key.Text)
		switch {
		case err != nil:
			f.About(e.Key, "", "%v", err)
		case seen[e.Key.Text]:
			f.About(e.Key, "keep one of them", "stands twice")
		default:
			seen[e.Key.Text] = true
			h.Except = append(h.Except, hours.Exception{Date: date, Windows: windows(f, e.Value)})
		}
	}
	slices.SortFunc(h.Except, func(a, b hours.Exception) int { return a.Date.Compare(b.Date) })
}

// windows reads the windows of a day; nil is closed.
func windows(f fields, n *doc.Node) []hours.Window {
	if n == nil {
		return nil
	}
	s, ok := f.TextOf(n)
	if !ok {
		return nil
	}
	windows, err := hours.ParseWindows(s)
	if err != nil {
		f.About(n, "", "%v", err)
	}
	return windows
}

func parsePresence(f fields, p *Presence) {
	*p = DefaultPresence()
	v := f.Get("presence")
	if v == nil {
		return
	}
	o, _ := f.Object.Object(v, "epoch", "hysteresis_db", "completeness", "passage_gap", "passage_max")
	p.Epoch = hours.Member(o, "epoch", 250*time.Millisecond, 10*time.Second, p.Epoch)
	p.HysteresisDB = o.Number("hysteresis_db", 0, 30, p.HysteresisDB, " dB")
	p.Completeness = o.Number("completeness", 0.5, 0.9999, p.Completeness, "")
	p.PassageGap = hours.Member(o, "passage_gap", 50*time.Millisecond, 10*time.Second, p.PassageGap)
	p.PassageMax = hours.Member(o, "passage_max", time.Second, 10*time.Minute, p.PassageMax)
	if p.PassageGap >= p.PassageMax {
		o.Problem("passage_gap", "", "%s is not shorter than passage_max, %s", hours.FormatPeriod(p.PassageGap),
			hours.FormatPeriod(p.PassageMax))
	}
}
