package layout_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/event"
	"lintel/engine/layout"
)

const countsMember = `{
  "plan": [
    {"zones": ["shelf-a", "shelf-b"], "every": "7d", "by": "21:00", "team": "floor", "blind": true},
    {"zones": ["stockroom"], "on": ["mon", "thu"], "by": "8:00"}
  ],
  "fields": [
    {"id": "trolley", "name": "Trolley", "type": "number", "required": true},
    {"id": "round", "type": "choice", "choices": ["morning", "night"]},
    {"id": "remark", "type": "text"}
  ]
}`

const countedZones = `[{"id":"shelf-a","kind":"shelf"},{"id":"shelf-b","kind":"shelf"},{"id":"stockroom","kind":"stockroom"}]`

func countsOf(t testing.TB, member string) *layout.Layout {
	l, err := layout.Parse([]byte(with(map[string]string{"zones": countedZones, "counts": member})))
	require.NoError(t, err)
	return l
}

func TestCountPlanAndFields(t *testing.T) {
	l := countsOf(t, countsMember)
	require.Equal(t, &layout.Planned{Zones: []string{"shelf-a", "shelf-b"}, Every: 7, By: 21 * 60, Team: "floor", Blind: true},
		l.Counts.Planned("shelf-b"))
	require.Equal(t, []string{"mon", "thu"}, l.Counts.Planned("stockroom").Days())
	require.Nil(t, l.Counts.Planned("cafe"))
	b, err := json.Marshal(l)
	require.NoError(t, err)
	again, err := layout.Parse(b)
	require.NoError(t, err)
	require.Equal(t, l, again)

	values, faults := l.Counts.Check(map[string]string{"trolley": "7", "round": " night "})
	require.Empty(t, faults)
	require.Equal(t, []event.Field{{ID: "trolley", Value: "7"}, {ID: "round", Value: "night"}}, values)
	_, faults = l.Counts.Check(map[string]string{"trolley": "0x10", "round": "noon", "remark": "a\nb", "remarc": "x"})
	require.Equal(t, map[string]string{
		"trolley": "is no number from -1e12 to 1e12, such as 7 or 2.5", "round": "is none of morning, night",
		"remark": "has at most 200 characters, on one line", "remarc": `is no field of this shop's counts; did you mean "remark"?`,
	}, faults)
	_, faults = l.Counts.Check(nil)
	require.Equal(t, map[string]string{"trolley": "is missing: the shop asks for Trolley"}, faults)
}

func TestProblemsOfCounts(t *testing.T) {
	for src, want := range map[string][]string{
		`{"plan":[{"zones":["shelf-x"],"every":"7d","by":"21:00"}]}`: {
			`counts.plan[0].zones[0]: there is no zone "shelf-x"; did you mean "shelf-a"?`},
		`{"plan":[{"zones":[],"every":"36h","by":"25:00"}]}`: {
			`counts.plan[0].zones: names no zone; name them, like ["shelf-a", "shelf-b"]`,
			`counts.plan[0].every: is no number of days; write whole days, like 7d`,
			`counts.plan[0].by: "25:00" is not a time of day such as 09:00`},
		`{"plan":[{"zones":["shelf-a","shelf-a"],"by":"9:00"}]}`: {
			`counts.plan[0].zones[1]: the zone "shelf-a" is planned already; a zone has one place in the plan`,
			`counts.plan[0].every: is missing; write "every": "7d", or "on": ["mon", "thu"]`},
		`{"plan":[{"zones":["shelf-a"],"on":["monday"],"every":"1d","by":"9:00"}]}`: {
			`counts.plan[0].on[0]: "monday" is no day of the week; use one of mon, tue, wed, thu, fri, sat, sun`,
			`counts.plan[0].on: stands beside "every"; keep one of them`},
		`{"fields":[{"id":"a","type":"choice"},{"id":"a","type":"text","choices":["x"]},{"id":"b","type":"date"}]}`: {
			`counts.fields[0].choices: is missing; write them, like ["morning", "night"]`,
			`counts.fields[1].choices: goes with a choice only; remove it, or write "type": "choice"`,
			`counts.fields[1].id: there is another field "a"; give each field an id of its own`,
		},
	} {
		got := problemsOf(t, with(map[string]string{"zones": countedZones, "counts": src}))
		for i := range want {
			require.Contains(t, got, want[i])
		}
	}
}

// Wall-clock times and what is due when clocks change: RFC 5545, section 3.3.5, as for opening hours.
// Dates and weekdays of 2026: the Gregorian calendar.
func TestWhenACountIsDue(t *testing.T) {
	l := countsOf(t, countsMember)
	london := l.Location()
	at := func(s string) int64 {
		m, err := time.ParseInLocation("2006-01-02 15:04", s, london)
		require.NoError(t, err)
		return m.UnixMilli()
	}
	due := func(zone, last, since string) string {
		var from, begun int64
		if last != "" {
			from = at(last)
		}
		if since != "" {
			begun = at(since)
		}
		return time.UnixMilli(l.Counts.Planned(zone).Due(from, begun, london)).In(london).Format("2006-01-02 15:04")
	}
	require.Equal(t, "2026-03-02 21:00", due("shelf-a", "", "2026-03-02 10:00"), "never counted: due today")
	require.Equal(t, "2026-03-03 21:00", due("shelf-a", "", "2026-03-02 21:01"))
	require.Equal(t, "2026-03-09 21:00", due("shelf-a", "2026-03-02 23:30", ""), "a week after the last count")
	require.Equal(t, "2026-04-01 21:00", due("shelf-a", "2026-03-25 21:00", ""), "over the change of the clocks")
	require.Equal(t, "2026-03-05 08:00", due("stockroom", "", "2026-03-02 08:01"), "a Monday, after eight: Thursday")
	require.Equal(t, "2026-03-05 08:00", due("stockroom", "2026-03-02 08:00", ""))
	require.Equal(t, "2026-03-05 08:00", due("stockroom", "2026-03-01 09:00", ""), "on the evening before is on the day")
	require.Equal(t, "2026-03-02 08:00", due("stockroom", "2026-03-01 07:59", ""), "25 hours before is not")
	require.Equal(t, "2026-03-09 08:00", due("stockroom", "2026-03-05 07:00", ""))
	require.Equal(t, "2026-03-30 08:00", due("stockroom", "2026-03-26 08:00", ""), "the night between is an hour shorter")
}

// Whatever the plan, the next count is due after the last one, and within the longest span that it has.
func TestDueIsAheadOfTheLastCount(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	rapid.Check(t, func(rt *rapid.T) {
		p := layout.Planned{By: rapid.IntRange(0, 1440).Draw(rt, "by")}
		if p.Every = rapid.IntRange(0, 30).Draw(rt, "every"); p.Every == 0 {
			p.On[rapid.IntRange(0, 6).Draw(rt, "day")] = true
			p.On[rapid.IntRange(0, 6).Draw(rt, "other")] = true
		}
		last := time.Date(2026, 3, 1, 0, 0, 0, 0, london).Add(time.Duration(rapid.IntRange(0, 60*24*60).Draw(rt, "minute")) * time.Minute)
		due := time.UnixMilli(p.Due(last.UnixMilli(), 0, london))
		require.True(rt, due.After(last.Add(-time.Hour)), "%s after %s", due, last)
		require.Less(rt, due.Sub(last), time.Duration(max(p.Every, 8)+2)*24*time.Hour)
		first := time.UnixMilli(p.Due(0, last.UnixMilli(), london))
		require.False(rt, first.Before(last))
		require.Less(rt, first.Sub(last), 9*24*time.Hour)
	})
}
