package trial

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/event"
)

// Result is what one version of a rule came to.
type Result struct {
	Raised    int            `json:"raised" jsonschema_description:"Alerts that would have opened."`
	StillOpen int            `json:"still_open" jsonschema_description:"Of them, those whose condition had not ended by the end. Nobody closes an alert of a trial."`
	Waiting   map[string]int `json:"waiting" jsonschema_description:"Conditions that were true at the end and had not become an alert yet, by what they waited for: hold, hours, needs, ..."`
	Changes   map[string]int `json:"changes" jsonschema_description:"How often alerts would have changed, by the kind of change: alert.opened, alert.cleared, ..."`
	HeldBack  map[string]int `json:"held_back" jsonschema_description:"What did not become an alert of its own, by reason: hold (ended before the hold did), hours (outside the rule's hours), needs (too few came together), gathered (told as part of another), limit (one of more than the rule's limit, and told as part of one alert), ..."`
	Open      Span           `json:"open_seconds" jsonschema_description:"How long the alerts were open that ended."`
	ByDay     []DayCount     `json:"by_day" jsonschema_description:"Alerts by the site's local date. Days without one are left out."`
	ByHour    []WeekdayCount `json:"by_hour" jsonschema_description:"Alerts by hour of the site's local week, from monday."`
	Products  []NameCount    `json:"products" jsonschema_description:"The products with the most alerts, by GTIN."`
	Zones     []NameCount    `json:"zones" jsonschema_description:"The zones with the most alerts; of stock: the places."`
	Messages  []Messages     `json:"messages" jsonschema_description:"What would have been sent, by channel."`
	Errors    int            `json:"errors" jsonschema_description:"Evaluations that failed."`
	Failure   string         `json:"failure,omitempty" jsonschema_description:"What the first of them said."`
}

// Span is a distribution of lengths of time.
type Span struct {
	Ended   int     `json:"ended" jsonschema_description:"How many were measured."`
	Median  float64 `json:"median"`
	P90     float64 `json:"p90" jsonschema_description:"Nine in ten were at most so long."`
	Longest float64 `json:"longest"`
}

// DayCount counts alerts of a day.
type DayCount struct {
	Date   string `json:"date"`
	Raised int    `json:"raised"`
}

// WeekdayCount counts alerts of a day of the week, hour by hour.
type WeekdayCount struct {
	Weekday string  `json:"weekday"`
	Hours   [24]int `json:"hours"`
}

// NameCount counts alerts about something.
type NameCount struct {
	ID     string `json:"id"`
	Name   string `json:"name,omitempty"`
	Raised int    `json:"raised"`
}

// Messages counts what a channel would have been sent.
type Messages struct {
	Channel  string         `json:"channel"`
	Sent     int            `json:"sent"`
	Unwanted int            `json:"unwanted,omitempty" jsonschema_description:"Made for the channel, which takes no such messages or is disabled."`
	ByChange map[string]int `json:"by_change" jsonschema_description:"Sent and unwanted ones, by the change that they report."`
	Unknown  bool           `json:"unknown,omitempty" jsonschema_description:"There is no such channel: nobody would be notified."`
}

// top is how many products and zones are listed.
const top = 10

var weekdays = [...]string{"monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"}

// tally counts while a trial runs.
type tally struct {
	loc      *time.Location
	raised   int
	errors   int
	failure  string
	changes  map[string]int
	days     map[string]int
	week     [7][24]int
	products map[uint64]int
	zones    map[string]int
	channels map[string]map[string]int
}

func newTally(loc *time.Location) tally {
	return tally{
		loc: loc, changes: make(map[string]int), days: make(map[string]int), products: make(map[uint64]int), zones: make(map[string]int),
		channels: make(map[string]map[string]int),
	}
}

func (t *tally) opened(a *event.Alert) {
	t.raised++
	local := time.UnixMilli(a.OpenedAt).In(t.loc)
	t.days[local.Format(time.DateOnly)]++
	t.week[(local.Weekday()+6)%7][local.Hour()]++
	if a.GTIN != 0 {
		t.products[a.GTIN]++
	}
	if zone := cmp.Or(a.Zone, a.Place); zone != "" && a.About != "count" {
		t.zones[zone]++
	}
}

func (t *tally) message(d *event.Delivery) {
	m := t.channels[d.Channel]
	if m == nil {
		m = make(map[string]int)
		t.channels[d.Channel] = m
	}
	m[d.Type]++
}

func (t *tally) result() Result {
	res := Result{
		Raised: t.raised, Changes: t.changes, HeldBack: make(map[string]int), Waiting: make(map[string]int),
		Errors: t.errors, Failure: t.failure,
		ByDay: []DayCount{}, Products: []NameCount{}, Zones: []NameCount{}, Messages: []Messages{},
	}
	for _, date := range slices.Sorted(maps.Keys(t.days)) {
		res.ByDay = append(res.ByDay, DayCount{date, t.days[date]})
	}
	for i, name := range weekdays {
		res.ByHour = append(res.ByHour, WeekdayCount{name, t.week[i]})
	}
	for gtin, n := range t.products {
		res.Products = append(res.Products, NameCount{ID: event.GTINText(gtin), Raised: n})
	}
	for zone, n := range t.zones {
		res.Zones = append(res.Zones, NameCount{ID: zone, Raised: n})
	}
	res.Products, res.Zones = most(res.Products), most(res.Zones)
	for _, name := range slices.Sorted(maps.Keys(t.channels)) {
		m := Messages{Channel: name, ByChange: t.channels[name]}
		for _, n := range m.ByChange {
			m.Sent += n
		}
		res.Messages = append(res.Messages, m)
	}
	return res
}

// most keeps the first few of a list, the most frequent first.
func most(list []NameCount) []NameCount {
	slices.SortFunc(list, func(a, b NameCount) int { return cmp.Or(cmp.Compare(b.Raised, a.Raised), strings.Compare(a.ID, b.ID)) })
	return list[:min(len(list), top)]
}

// held notes that something was held back, if anything was.
func (r *Result) held(why string, n int) {
	if n > 0 {
		r.HeldBack[why] += n
	}
}

// name fills in what things are called.
func (r *Result) name(cfg *engine.Config) {
	for i := range r.Zones {
		if k, ok := cfg.Layout.ZoneIndex(r.Zones[i].ID); ok {
			r.Zones[i].Name = cfg.Layout.Zones[k].Name
		}
	}
	for i := range r.Products {
		gtin, _ := strconv.ParseUint(r.Products[i].ID, 10, 64) // it was written from a number
		if k, ok := cfg.Catalog.ByGTIN(gtin); ok {
			r.Products[i].Name = cfg.Catalog.At(k).Name
		}
	}
}

// spanOf sums up lengths of time in milliseconds, which it sorts. Quantiles are of the nearest
// rank.
func spanOf(spans []int64) Span {
	n := len(spans)
	if n == 0 {
		return Span{}
	}
	slices.Sort(spans)
	at := func(percent int) float64 { return float64(spans[(n*percent+99)/100-1]) / 1000 }
	return Span{Ended: n, Median: at(50), P90: at(90), Longest: at(100)}
}
