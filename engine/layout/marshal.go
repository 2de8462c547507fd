package layout

import (
	"bytes"
	"encoding/json"

	"lintel/engine/event"
	"lintel/rules/hours"
)

type layoutJSON struct {
	Site       string          `json:"site"`
	Name       string          `json:"name,omitempty"`
	TimeZone   string          `json:"time_zone"`
	Language   string          `json:"language,omitempty"`
	Zones      []zoneJSON      `json:"zones"`
	ReadPoints []readPointJSON `json:"read_points,omitempty"`
	Hours      json.RawMessage `json:"hours,omitempty"`
	Presence   presenceJSON    `json:"presence"`
	Counts     *countsJSON     `json:"counts,omitempty"`
}

type zoneJSON struct {
	ID     string         `json:"id"`
	Name   string         `json:"name,omitempty"`
	Kind   event.ZoneKind `json:"kind"`
	Storey string         `json:"storey,omitempty"`
	At     *areaJSON      `json:"at,omitempty"`

	SureWithin string `json:"sure_within,omitempty"`
	Lingering  string `json:"lingering_after,omitempty"`
}

type areaJSON struct {
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Width  float64 `json:"width"`
	Height float64 `json:"height"`
}

type readPointJSON struct {
	ID          string     `json:"id"`
	Name        string     `json:"name,omitempty"`
	Role        event.Role `json:"role"`
	Zone        string     `json:"zone,omitempty"`
	Side        string     `json:"side,omitempty"`
	MinRSSI     float64    `json:"min_rssi,omitempty"`
	MinReads    int        `json:"min_reads,omitempty"`
	SilentAfter string     `json:"silent_after,omitempty"`
	Session     string     `json:"session,omitempty"`
}

type presenceJSON struct {
	Epoch        string  `json:"epoch"`
	HysteresisDB float64 `json:"hysteresis_db"`
	Completeness float64 `json:"completeness"`
	PassageGap   string  `json:"passage_gap"`
	PassageMax   string  `json:"passage_max"`
}

// MarshalJSON returns the layout as the document that Parse reads back to an equal layout. Equal
// layouts give equal bytes: members come in one order, and what has its default value is left out,
// except for the presence settings, which are all there to be seen.
func (l *Layout) MarshalJSON() ([]byte, error) {
	doc := layoutJSON{Site: l.Site, Name: unless(l.Name, l.Site), TimeZone: l.TimeZone, Language: l.Language,
		Zones: []zoneJSON{}, Hours: marshalHours(&l.Hours), Counts: marshalCounts(&l.Counts)}
	for _, z := range l.Zones {
		out := zoneJSON{ID: z.ID, Name: unless(z.Name, z.ID), Kind: z.Kind, Storey: z.Storey, At: (*areaJSON)(z.At)}
		if z.SureWithin != 0 && z.SureWithin != DefaultSureWithin {
			out.SureWithin = hours.FormatPeriod(z.SureWithin)
		}
		if z.LingeringAfter != 0 && z.LingeringAfter != DefaultLingeringAfter {
			out.Lingering = hours.FormatPeriod(z.LingeringAfter)
		}
		doc.Zones = append(doc.Zones, out)
	}
	for _, p := range l.ReadPoints {
		out := readPointJSON{ID: p.ID, Name: unless(p.Name, p.ID), Role: p.Role, Side: p.Side.String(),
			MinRSSI: p.MinRSSI, MinReads: p.MinReads, Session: p.Session}
		if p.Zone >= 0 && p.Zone < len(l.Zones) {
			out.Zone = l.Zones[p.Zone].ID
		}
		if p.SilentAfter != 0 {
			out.SilentAfter = hours.FormatPeriod(p.SilentAfter)
		}
		doc.ReadPoints = append(doc.ReadPoints, out)
	}
	doc.Presence = presenceJSON{
		Epoch:        hours.FormatPeriod(l.Presence.Epoch),
		HysteresisDB: l.Presence.HysteresisDB,
		Completeness: l.Presence.Completeness,
		PassageGap:   hours.FormatPeriod(l.Presence.PassageGap),
		PassageMax:   hours.FormatPeriod(l.Presence.PassageMax),
	}
	return json.Marshal(doc)
}

func unless(s, otherwise string) string {
	if s == otherwise {
		return ""
	}
	return s
}

// marshal writes the days in the order of the week, which a map would not keep.
func marshalHours(h *hours.Hours) json.RawMessage {
	if !h.Known {
		return nil
	}
	var b bytes.Buffer
	b.WriteByte('{')
	member := func(name, value string) {
		if c := b.Bytes()[b.Len()-1]; c != '{' {
			b.WriteByte(',')
		}
		b.WriteString(`"` + name + `":"` + value + `"`)
	}
	for i, name := range dayNames {
		member(name, hours.FormatWindows(h.Week[weekday(i)]))
	}
	if len(h.Except) > 0 {
		b.WriteString(`,"except":{`)
		for _, e := range h.Except {
			member(e.Date.String(), hours.FormatWindows(e.Windows))
		}
		b.WriteByte('}')
	}
	b.WriteByte('}')
	return b.Bytes()
}
