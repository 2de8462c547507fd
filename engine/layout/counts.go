package layout

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/engine/event"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Limits on what a layout says of counts.
const (
	MaxPlanned    = 1000 // members of the plan; a zone is in one of them at most
	MaxFields     = 10
	MaxChoices    = 50
	MaxFieldRunes = 200 // of a value
	maxEvery      = 366 // days
)

// Counts is what a shop plans of its counts, and what it asks when one is opened.
type Counts struct {
	Plan   []Planned
	Fields []CountField
}

// Planned is a count that is due again and again: every so many days, or on some weekdays.
type Planned struct {
	Zones []string
	Every int     // days after the last count; 0: by On
	On    [7]bool // by time.Weekday
	By    int     // minutes after midnight by which it is due, 0 to 1440
	Team  string  // who counts: a team, never a person; may be empty
	Blind bool    // who counts is not shown what is expected
}

// CountField is something that the shop wants to know of each count.
type CountField struct {
	ID       string
	Name     string // for people; the id if none was given
	Type     FieldType
	Required bool
	Choices  []string // FieldChoice: the values that there are
}

// FieldType is what the values of a field are.
type FieldType string

// The types of fields. There are no others.
const (
	FieldText   FieldType = "text"
	FieldNumber FieldType = "number"
	FieldChoice FieldType = "choice"
)

// Planned returns what the plan says of a zone, nil if nothing.
func (c *Counts) Planned(zone string) *Planned {
	for i := range c.Plan {
		if slices.Contains(c.Plan[i].Zones, zone) {
			return &c.Plan[i]
		}
	}
	return nil
}

// Due returns when the next count is due, as Unix milliseconds, where the last one was closed at
// last; 0: there was none since the zone is in the plan, which is since. A zone that was never counted
// is due on the first day that there is. A count of the 24 hours before is the one that was due on a
// weekday.
func (p *Planned) Due(last, since int64, loc *time.Location) int64 {
	ref := since
	if last != 0 {
		ref = last
	}
	day := hours.DateOf(time.UnixMilli(ref).In(loc))
	if last != 0 && p.Every > 0 {
		return p.on(day, p.Every, loc)
	}
	for n := 0; ; n++ {
		due := p.on(day, n, loc)
		switch {
		case p.Every == 0 && !p.On[time.UnixMilli(p.noon(day, n)).UTC().Weekday()]:
		case last == 0 && due >= since, last != 0 && p.on(day, n-1, loc) >= last:
			return due
		}
		if n > 9 { // never: some weekday is in the plan
			return math.MaxInt64
		}
	}
}

// on returns when it is due so many days after a date.
func (p *Planned) on(d hours.Date, days int, loc *time.Location) int64 {
	return hours.Instant(hours.DateOf(time.UnixMilli(p.noon(d, days)).UTC()), p.By, loc).UnixMilli()
}

// noon returns the noon of the day so many days after a date, as if it were in UTC.
func (*Planned) noon(d hours.Date, days int) int64 {
	return time.Date(d.Year, d.Month, d.Day+days, 12, 0, 0, 0, time.UTC).UnixMilli()
}

// Check returns the values that were given, in the order of the fields. faults has what is wrong, by
// the id of the field.
func (c *Counts) Check(given map[string]string) (values []event.Field, faults map[string]string) {
	faults = make(map[string]string)
	ids := make([]string, len(c.Fields))
	for i := range c.Fields {
		f := &c.Fields[i]
		ids[i] = f.ID
		switch v, ok := given[f.ID]; {
		case !ok && f.Required:
			faults[f.ID] = "is missing: the shop asks for " + f.Name
		case !ok:
		default:
			value, fault := f.value(v)
			if fault != "" {
				faults[f.ID] = fault
			} else {
				values = append(values, event.Field{ID: f.ID, Value: value})
			}
		}
	}
	for id := range given {
		if !slices.Contains(ids, id) && len(faults) < MaxFields {
			faults[id] = "is no field of this shop's counts" + doc.OrDidYouMean(id, ids)
		}
	}
	return values, faults
}

// value returns a value as it is kept, or what is wrong with it.
func (f *CountField) value(s string) (value, fault string) {
	switch s = strings.TrimSpace(s); {
	case s == "":
		return "", "is empty: leave it out"
	case utf8.RuneCountInString(s) > MaxFieldRunes || strings.ContainsFunc(s, unicode.IsControl):
		return "", fmt.Sprintf("has at most %d characters, on one line", MaxFieldRunes)
	case f.Type == FieldChoice && !slices.Contains(f.Choices, s):
		return "", fmt.Sprintf("is none of %s", strings.Join(f.Choices, ", "))
	case f.Type == FieldNumber:
		if n, err := strconv.ParseFloat(s, 64); err != nil || math.IsNaN(n) || math.Abs(n) > 1e12 || strings.ContainsAny(s, "xXpP_nN") {
			return "", "is no number from -1e12 to 1e12, such as 7 or 2.5"
		}
	}
	return s, ""
}

func parseCounts(f fields, l *Layout) {
	v := f.Get("counts")
	if v == nil {
		return
	}
	o, _ := f.Object.Object(v, "plan", "fields")
	planned := make(map[string]bool)
	for _, n := range o.List("plan", MaxPlanned) {
		o, ok := f.Object.Object(n, "zones", "every", "on", "by", "team", "blind")
		if ok {
			l.Counts.Plan = append(l.Counts.Plan, parsePlanned(fields{o}, l, planned))
		}
	}
	had := make(map[string]bool)
	for _, n := range o.List("fields", MaxFields) {
		o, ok := f.Object.Object(n, "id", "name", "type", "required", "choices")
		if !ok {
			continue
		}
		field := parseField(fields{o})
		if had[field.ID] {
			o.Problem("id", "give each field an id of its own", "there is another field %q", field.ID)
		}
		had[field.ID] = true
		l.Counts.Fields = append(l.Counts.Fields, field)
	}
}

func parsePlanned(f fields, l *Layout, planned map[string]bool) (p Planned) {
	for _, n := range f.List("zones", MaxZones) {
		zone, ok := f.TextOf(n)
		switch _, known := l.zoneIndex[zone]; {
		case !ok:
		case !known:
			f.About(n, doc.OneOf(zone, l.idsOf()), "there is no zone %q", zone)
		case planned[zone]:
			f.About(n, "a zone has one place in the plan", "the zone %q is planned already", zone)
		default:
			planned[zone] = true
			p.Zones = append(p.Zones, zone)
		}
	}
	if n := f.Get("zones"); n == nil || n.Kind == doc.Sequence && len(n.Items) == 0 {
		f.Problem("zones", `name them, like ["shelf-a", "shelf-b"]`, "names no zone")
	}
	every := hours.Member(f.Object, "every", 24*time.Hour, maxEvery*24*time.Hour, 0)
	if p.Every = int(every / (24 * time.Hour)); every%(24*time.Hour) != 0 {
		f.Problem("every", "write whole days, like 7d", "is no number of days")
	}
	for _, n := range f.List("on", 7) {
		if day, ok := f.TextOf(n); ok {
			if i := slices.Index(dayNames, day); i >= 0 {
				p.On[weekday(i)] = true
			} else {
				f.About(n, doc.OneOf(day, dayNames), "%q is no day of the week", day)
			}
		}
	}
	switch both := f.Get("every") != nil; {
	case both && f.Get("on") != nil:
		f.Problem("on", "keep one of them", `stands beside "every"`)
	case !both && p.On == [7]bool{}:
		f.Problem("every", `write "every": "7d", or "on": ["mon", "thu"]`, "is missing")
	}
	if s, ok := f.text("by", true); ok {
		var err error
		if p.By, err = hours.ParseClock(s); err != nil {
			f.Problem("by", "", "%v", err)
		}
	}
	p.Team, _ = f.text("team", false)
	p.Blind = f.Flag("blind")
	return p
}

func parseField(f fields) (c CountField) {
	c.ID, _ = f.id("id", true)
	c.Name = f.name(c.ID)
	c.Type = FieldType(f.OneOf("type", true, []string{string(FieldText), string(FieldNumber), string(FieldChoice)}))
	c.Required = f.Flag("required")
	for _, n := range f.List("choices", MaxChoices) {
		s, ok := f.TextOf(n)
		switch s = strings.TrimSpace(s); {
		case !ok:
		case s == "" || utf8.RuneCountInString(s) > MaxFieldRunes || strings.ContainsFunc(s, unicode.IsControl):
			f.About(n, "", "has 1 to %d characters, on one line", MaxFieldRunes)
		case slices.Contains(c.Choices, s):
			f.About(n, "", "%q stands twice", s)
		default:
			c.Choices = append(c.Choices, s)
		}
	}
	switch n := f.Get("choices"); {
	case c.Type == FieldChoice && n == nil:
		f.Problem("choices", `write them, like ["morning", "night"]`, "is missing")
	case c.Type == FieldChoice && n.Kind == doc.Sequence && len(n.Items) == 0:
		f.Problem("choices", "", "is empty")
	case c.Type != FieldChoice && n != nil && c.Type != "":
		f.Problem("choices", `remove it, or write "type": "choice"`, "goes with a choice only")
	}
	return c
}

type countsJSON struct {
	Plan   []plannedJSON `json:"plan,omitempty"`
	Fields []fieldJSON   `json:"fields,omitempty"`
}

type plannedJSON struct {
	Zones []string `json:"zones"`
	Every string   `json:"every,omitempty"`
	On    []string `json:"on,omitempty"`
	By    string   `json:"by"`
	Team  string   `json:"team,omitempty"`
	Blind bool     `json:"blind,omitempty"`
}

type fieldJSON struct {
	ID       string    `json:"id"`
	Name     string    `json:"name,omitempty"`
	Type     FieldType `json:"type"`
	Required bool      `json:"required,omitempty"`
	Choices  []string  `json:"choices,omitempty"`
}

// Days returns the weekdays of the plan as the document has them.
func (p *Planned) Days() (days []string) {
	for i, name := range dayNames {
		if p.On[weekday(i)] {
			days = append(days, name)
		}
	}
	return days
}

// Clock returns by when it is due, as "21:00".
func (p *Planned) Clock() string { return fmt.Sprintf("%02d:%02d", p.By/60, p.By%60) }

func marshalCounts(c *Counts) *countsJSON {
	if len(c.Plan)+len(c.Fields) == 0 {
		return nil
	}
	out := &countsJSON{}
	for i := range c.Plan {
		p := &c.Plan[i]
		j := plannedJSON{Zones: p.Zones, On: p.Days(), By: p.Clock(), Team: p.Team, Blind: p.Blind}
		if p.Every > 0 {
			j.Every = fmt.Sprintf("%dd", p.Every)
		}
		out.Plan = append(out.Plan, j)
	}
	for _, f := range c.Fields {
		out.Fields = append(out.Fields, fieldJSON{f.ID, unless(f.Name, f.ID), f.Type, f.Required, f.Choices})
	}
	return out
}
