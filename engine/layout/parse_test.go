package layout_test

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

func umberhithe(t testing.TB) []byte {
	src, err := os.ReadFile("testdata/umberhithe.json")
	require.NoError(t, err)
	return src
}

func TestParse(t *testing.T) {
	l, err := layout.Parse(umberhithe(t))
	require.NoError(t, err)
	require.Equal(t, "umberhithe", l.Site)
	require.Equal(t, "Umberhithe Books", l.Name)
	require.Equal(t, "Europe/London", l.Location().String())
	require.Len(t, l.Zones, 13)

	door, ok := l.ZoneIndex("street-door")
	require.True(t, ok)
	require.Equal(t, layout.Zone{ID: "street-door", Name: "Street door", Kind: event.Exit, Storey: "ground",
		SureWithin: 8 * time.Second, LingeringAfter: 30 * time.Second}, l.Zones[door])
	_, ok = l.ZoneIndex("attic")
	require.False(t, ok)

	in, ok := l.ReadPointIndex("street-door-in")
	require.True(t, ok)
	require.Equal(t, layout.ReadPoint{
		ID: "street-door-in", Name: "Street door, inside", Role: event.Portal, Zone: door, Side: event.Inner,
		MinRSSI: -70, MinReads: 3, SilentAfter: 5 * time.Minute, Session: "S1",
	}, l.ReadPoints[in])
	hand, ok := l.ReadPointIndex("handheld-1")
	require.True(t, ok)
	require.Equal(t, layout.ReadPoint{ID: "handheld-1", Name: "handheld-1", Role: event.Handheld, Zone: -1}, l.ReadPoints[hand])

	require.Equal(t, layout.Presence{
		Epoch: 500 * time.Millisecond, HysteresisDB: 6, Completeness: 0.99, PassageGap: 700 * time.Millisecond,
		PassageMax: 15 * time.Second,
	}, l.Presence)
	require.Equal(t, []hours.Window{{From: 9 * 60, To: 18 * 60}}, l.Hours.Week[time.Monday])
	require.Equal(t, []hours.Window{{From: 11 * 60, To: 13 * 60}, {From: 14 * 60, To: 17 * 60}}, l.Hours.Week[time.Sunday])
	require.Equal(t, "2026-12-24", l.Hours.Except[0].Date.String(), "dates are in order")
}

// Layouts that were stored when the member was called floor.
// What would turn the words beside a name is left out of it.
func TestNamesTurnNothing(t *testing.T) {
	l, err := layout.Parse([]byte(`{"site":"umberhithe","name":"\u202eskooB","time_zone":"Europe/London",
		"zones":[{"id":"a","name":"Shelf\u2066 A","kind":"shelf"},{"id":"b","name":"\u202e","kind":"shelf"}]}`))
	require.NoError(t, err)
	require.Equal(t, "skooB", l.Name)
	require.Equal(t, "Shelf A", l.Zones[0].Name)
	require.Equal(t, "b", l.Zones[1].Name)
	_, err = layout.Parse([]byte(`{"site":"umberhithe","time_zone":"Europe/London","zones":[{"id":"a\u202e","kind":"shelf"}]}`))
	require.ErrorContains(t, err, "is no id")
}

func TestFormerStorey(t *testing.T) {
	for _, member := range []string{"storey", "floor"} {
		l, err := layout.Parse([]byte(`{"site":"a","time_zone":"UTC","zones":[{"id":"b","kind":"floor","` + member + `":"upper"}]}`))
		require.NoError(t, err)
		require.Equal(t, "upper", l.Zones[0].Storey)
		b, err := json.Marshal(l)
		require.NoError(t, err)
		require.Contains(t, string(b), `"kind":"floor","storey":"upper"`)
	}
}

func TestKeepsQuiet(t *testing.T) {
	for session, quiet := range map[string]bool{"": false, "S0": false, "S1": false, "S2": true, "S3": true} {
		require.Equal(t, quiet, (&layout.ReadPoint{Session: session}).KeepsQuiet(), session)
	}
}

// with returns a small layout with some of its members replaced.
func with(members map[string]string) string {
	all := map[string]string{"site": `"umberhithe"`, "time_zone": `"Europe/London"`,
		"zones": `[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit"}]`}
	for name, value := range members {
		all[name] = value
	}
	var parts []string
	for _, name := range []string{"site", "name", "time_zone", "zones", "read_points", "hours", "presence", "counts"} {
		if all[name] != "" {
			parts = append(parts, fmt.Sprintf("%q: %s", name, all[name]))
		}
	}
	return "{" + strings.Join(parts, ",\n") + "}"
}

func problemsOf(t *testing.T, src string) []string {
	t.Helper()
	l, err := layout.Parse([]byte(src))
	if err == nil {
		return nil
	}
	require.Nil(t, l)
	var list doc.Errors
	require.ErrorAs(t, err, &list)
	var lines []string
	for _, p := range list {
		lines = append(lines, p.Summary())
	}
	return lines
}

func TestProblems(t *testing.T) {
	tests := map[string]struct {
		src  string
		want []string
	}{
		"nothing": {"", []string{"line 1, column 1: not JSON: unexpected end of JSON input"}},
		"syntax": {"{\n \"site\": 'q'}", []string{`line 2, column 10: not JSON: invalid character '\'' ` +
			`looking for beginning of value`}},
		"not UTF-8": {"{\n \"site\": \"\xe9\"}", []string{"line 2, column 11: the text is not UTF-8; save it as UTF-8"}},
		"no object": {`[]`, []string{"line 1, column 1: the document is a list where an object is expected; " +
			"write it in braces: { ... }"}},
		"site": {with(map[string]string{"site": `"Umberhithe Books"`}),
			[]string{`site: "Umberhithe Books" is no id: an id has 1 to 64 characters of a-z, 0-9, '-' and '_'; ` +
				`write "umberhithe-books", say, and keep the words in the name`}},
		"local time": {with(map[string]string{"time_zone": `"Local"`}),
			[]string{`time_zone: "Local" means another place on every machine; write a name of the IANA time zone ` +
				`database, like Europe/London`}},
		"time zone": {with(map[string]string{"time_zone": `"america/new york"`}),
			[]string{`time_zone: there is no time zone "america/new york"; did you mean "America/New_York"?`}},
		"no zones": {with(map[string]string{"zones": `[]`}), []string{"zones: names no zone; a shop has at least one zone"}},
		"zones no list": {with(map[string]string{"zones": `{}`}), []string{"zones: is an object where a list is " +
			"expected; write it in square brackets: [ ... ]"}},
		"name": {with(map[string]string{"name": `"a\nb"`}), []string{"name: has a control character; " +
			"remove line breaks, tabs and other control characters"}},
		"unknown field": {`{"site":"q","timezone":"UTC","zones":[{"id":"a","kind":"other"}]}`,
			[]string{"time_zone: is missing; write a name of the IANA time zone database, like Europe/London",
				`timezone: there is no member "timezone" here; did you mean "time_zone"?`}},
		"field twice": {with(map[string]string{"zones": `[{"id":"a","kind":"shelf","kind":"floor"}]`}),
			[]string{"zones[0].kind: stands twice; keep one of them"}},
		"zones": {with(map[string]string{"zones": `[{"id":"a","kind":"shlef"},{"id":"a","kind":"floor"},{"kind":7},"x"]`}), []string{
			`zones[0].kind: "shlef" is not a kind; did you mean "shelf"?`,
			`zones[1].id: "a" is also the id of zones[0]; give each zone an id of its own`,
			"zones[2].id: is missing",
			"zones[2].kind: is a number where a text is expected; write it in double quotes",
			"zones[3]: is a text where an object is expected; write it in braces: { ... }",
			"zones[3].id: is missing",
			"zones[3].kind: is missing",
		}},
		"zone named as a kind": {with(map[string]string{"zones": `[{"id":"stockroom","kind":"stockroom"},{"id":"floor","kind":"floor"},{"id":"tables","kind":"floor"},{"id":"exit","kind":"other"}]`}), []string{
			`zones[1].id: "floor" is the name of a kind that 2 zones have, so it does not say which is meant; choose another id, like "floor-1"`,
			`zones[3].id: "exit" is the name of a kind, and this zone is of kind "other"; choose another id, like "exit-1"`,
		}},
		"lingering_after": {with(map[string]string{"zones": `[{"id":"d","kind":"exit","lingering_after":"19s"},{"id":"a","kind":"shelf","sure_within":"6s","lingering_after":"1m"}]`}), []string{
			"zones[0].lingering_after: 19s is out of range: from 20s to 10m",
			`zones[1].sure_within: only an exit is sure of passages, and the kind is "shelf"; remove it, or make this a zone of kind "exit"`,
			`zones[1].lingering_after: only an exit has goods that linger near it, and the kind is "shelf"; remove it, or make this a zone of kind "exit"`,
		}},
		"sure_within": {with(map[string]string{"zones": `[{"id":"d","kind":"exit","sure_within":"1s"},{"id":"e","kind":"exit","sure_within":"11s"},{"id":"f","kind":"exit","sure_within":6},{"id":"a","kind":"shelf","sure_within":"6s"}]`}), []string{
			"zones[0].sure_within: 1s is out of range: from 2s to 10s",
			"zones[1].sure_within: 11s is out of range: from 2s to 10s",
			"zones[2].sure_within: is a number where a text is expected; write it in double quotes",
			`zones[3].sure_within: only an exit is sure of passages, and the kind is "shelf"; remove it, or make this a zone of kind "exit"`,
		}},
		"read points": {with(map[string]string{"read_points": `[
			{"id":"p","role":"fixed","zone":"shelfa"},{"id":"p","role":"fxed","zone":"shelf-a"},{"id":"q","role":"fixed"},{"id":"r","role":"desk","zone":"shelf-a","side":"inner"},
			{"id":"s","role":"handheld","min_rssi":70,"min_reads":0,"silent_after":"5","session":"s2"},
			{"id":"t","role":"handheld","min_rssi":"-70","min_reads":1.5,"silent_after":"1ms","session":"S9"},{"id":"u","role":"portal","zone":"street-door","side":"left"}]`}), []string{
			`read_points[0].zone: there is no zone "shelfa"; did you mean "shelf-a"?`,
			`read_points[1].id: "p" is also the id of read_points[0]; give each read point an id of its own`,
			`read_points[1].role: "fxed" is not a role; did you mean "fixed"?`,
			"read_points[2].zone: is missing; name the zone that it sees; only a handheld can do without",
			`read_points[3].side: only a portal has sides, and the role is "desk"; remove it, or make this a "portal"`,
			"read_points[4].min_rssi: 70 is out of range: received power in dBm is below zero; write it with its minus sign, like -70",
			"read_points[4].min_reads: 0 is out of range: from 1 to 1000",
			`read_points[4].silent_after: "5" is not a length of time; write a number and a unit, such as 700ms, 3s, 20m, 1h30m or 2d`,
			`read_points[4].session: "s2" is not a session; did you mean "S2"?`,
			"read_points[5].min_rssi: is a text where a number is expected; write a number without quotes",
			"read_points[5].min_reads: 1.5 is not a whole number",
			"read_points[5].silent_after: 1ms is out of range: from 1s to 30d",
			`read_points[5].session: "S9" is not a session; did you mean "S0"?`,
			`read_points[6].side: "left" is not a side; use one of inner, outer`,
		}},
		"hours": {with(map[string]string{"hours": `{"monday":"9:00-17:00","tue":"9-17","wed":"09:00-09:00","thu":"09:00-13:00,12:00-17:00","fri":"24:00-02:00","sat":"09:00-25:00","sun":"",
			"except":{"2026-02-29":"closed","2026-12-25":"shut","2026-12-26":"closed","2026-12-26":"closed","25/12/2026":"closed"}}`}), []string{
			"hours.monday: there is no member \"monday\" here; use one of mon, tue, wed, thu, fri, sat, sun, except",
			`hours.tue: "9" is not a time of day such as 09:00`,
			`hours.wed: "09:00-09:00" is empty; a whole day is 00:00-24:00`,
			"hours.thu: 09:00-13:00 and 12:00-17:00 overlap: join them to one window",
			`hours.fri: "24:00-02:00" begins at 24:00; write 00:00 on the next day`,
			`hours.sat: "25:00" is not a time of day such as 09:00`,
			`hours.sun: "" is not a span of time such as 09:00-18:00, or closed`,
			`hours.except.2026-02-29: "2026-02-29" is not a date: write year-month-day, like 2026-12-25`,
			`hours.except.2026-12-25: "shut" is not a span of time such as 09:00-18:00, or closed`,
			"hours.except.2026-12-26: stands twice; keep one of them",
			`hours.except.25/12/2026: "25/12/2026" is not a date: write year-month-day, like 2026-12-25`,
		}},
		"hours without a day": {with(map[string]string{"hours": `{}`}),
			[]string{`hours: names no day; leave "hours" out for a shop that is always open, or write "mon": "09:00-18:00"`}},
		"presence": {with(map[string]string{"presence": `{"epoch":"1m","hysteresis":6,"hysteresis_db":-1,"completeness":1,"passage_gap":"8s","passage_max":"5s"}`}), []string{
			"presence.epoch: 1m is out of range: from 250ms to 10s",
			`presence.hysteresis: there is no member "hysteresis" here; did you mean "hysteresis_db"?`,
			"presence.hysteresis_db: -1 is out of range: from 0 to 30 dB",
			"presence.completeness: 1 is out of range: from 0.5 to 0.9999",
			"presence.passage_gap: 8s is not shorter than passage_max, 5s",
		}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) { require.Equal(t, test.want, problemsOf(t, test.src)) })
	}
}

func TestProblemsAreCapped(t *testing.T) {
	zones := strings.Repeat(`{},`, 500)
	got := problemsOf(t, with(map[string]string{"zones": "[" + zones[:len(zones)-1] + "]"}))
	require.Len(t, got, 201)
	require.Equal(t, "800 more problems are not shown; fix these first", got[200])
}

func TestCaps(t *testing.T) {
	require.Equal(t, []string{"line 1, column 1: the document has 1048577 bytes; at most 1048576 are allowed"},
		problemsOf(t, strings.Repeat(" ", layout.MaxBytes+1)))
	zones := strings.Repeat(`0,`, layout.MaxZones+1)
	require.Equal(t, []string{"zones: has 1001 entries; at most 1000 are allowed"},
		problemsOf(t, with(map[string]string{"zones": "[" + zones[:len(zones)-1] + "]"})))
	deep := strings.Repeat("[", 5000) + strings.Repeat("]", 5000)
	require.Len(t, problemsOf(t, deep), 1)
}

func TestMarshal(t *testing.T) {
	l, err := layout.Parse([]byte(with(map[string]string{
		"zones":       `[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit","sure_within":"6000ms"},{"id":"bay-door","kind":"exit","sure_within":"8s","lingering_after":"60s"}]`,
		"read_points": `[{"id":"tables-1","role":"fixed","zone":"shelf-a","silent_after":"90m","min_reads":1},{"id":"hand","role":"handheld","name":"hand"}]`,
		"hours":       `{"except":{"2026-12-25":"closed"},"fri":"9:00-17:00 ,18:00-2:00"}`,
	})))
	require.NoError(t, err)
	b, err := json.Marshal(l)
	require.NoError(t, err)
	require.Equal(t, `{"site":"umberhithe","time_zone":"Europe/London","zones":[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit","sure_within":"6s"},{"id":"bay-door","kind":"exit","lingering_after":"1m"}],`+
		`"read_points":[{"id":"tables-1","role":"fixed","zone":"shelf-a","min_reads":1,"silent_after":"1h30m"},{"id":"hand","role":"handheld"}],`+
		`"hours":{"mon":"closed","tue":"closed","wed":"closed","thu":"closed","fri":"09:00-17:00, 18:00-02:00","sat":"closed","sun":"closed","except":{"2026-12-25":"closed"}},`+
		`"presence":{"epoch":"1s","hysteresis_db":6,"completeness":0.99,"passage_gap":"700ms","passage_max":"15s"}}`, string(b))
}

func TestMinReadsKeepsWhetherItWasGiven(t *testing.T) {
	l, err := layout.Parse([]byte(with(map[string]string{"read_points": `[{"id":"a","role":"fixed","zone":"shelf-a"},{"id":"b","role":"fixed","zone":"shelf-a","min_reads":1},{"id":"c","role":"fixed","zone":"shelf-a","min_reads":3}]`})))
	require.NoError(t, err)
	require.Equal(t, [...]int{0, 1, 3}, [...]int{l.ReadPoints[0].MinReads, l.ReadPoints[1].MinReads, l.ReadPoints[2].MinReads})
}

func TestWarnings(t *testing.T) {
	const (
		street = `[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit"}]`
		hasty  = `[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit","sure_within":"3s"}]`
		inside = `{"id":"shelf-a-1","role":"fixed","zone":"shelf-a","session":"S1"},`
		door   = `{"id":"door","role":"portal","zone":"street-door"}`
		inner  = `{"id":"in","role":"portal","zone":"street-door","side":"inner","session":"S0","min_rssi":-60}`
		outer  = `{"id":"out","role":"portal","zone":"street-door","side":"outer"}`
		alone  = `zones[1]: only readers inside can tell a second burst from an entrance, and no fixed reader ` +
			`inside always hears the goods: the door "street-door" cannot be sure of a passage, only call it likely; ` +
			`add a read point of role "fixed" inside the shop, in session S0 or S1, or a second antenna so that the door has two sides`
	)
	for name, test := range map[string]struct {
		zones, points string
		want          []string
	}{
		"two sides, nobody inside":        {street, inner + "," + outer, nil},
		"two sides in a hurry":            {hasty, inner + "," + outer, nil},
		"one antenna and a reader inside": {street, inside + door, nil},
		"no door":                         {street, inside[:len(inside)-1], nil},
		"one antenna alone":               {street, door, []string{alone}},
		"the reader inside hears once":    {street, strings.Replace(inside, "S1", "S3", 1) + door, []string{alone}},
		"the reader inside is at a door": {street, strings.Replace(inside, `"zone":"shelf-a"`, `"zone":"street-door"`,
			1) + door, []string{alone}},
		"one antenna in a hurry": {hasty, inside + door, []string{`zones[1].sure_within: 3s is too short ` +
			`for a door without two sides, which must wait for silence; write "4s" or more, or add a second antenna so that the door has two sides`}},
		"inner without outer": {street, inside + inner, []string{
			`zones[1]: the door "street-door" has an inner side and no outer one, so it cannot tell ways out from ways in; add a read point with "side": "outer", or leave "side" out if one antenna sees both sides`}},
		"outer without inner": {street, inside + outer, []string{
			`zones[1]: the door "street-door" has an outer side and no inner one, so it cannot tell ways out from ways in; add a read point with "side": "inner", or leave "side" out if one antenna sees both sides`}},
		"a door in S1": {street, inner + "," + strings.Replace(outer, `"role"`, `"session":"S1","role"`, 1), []string{
			`read_points[1].session: in session S1 a tag that was read keeps quiet, so most passages are heard once or not at all; write "S0", and set the reader to it`}},
		"a high floor": {street, strings.Replace(inner, "-60", "-59.5", 1) + "," + outer, []string{
			"read_points[0].min_rssi: -59.5 dBm is a high floor for a door: bodies and bags take as much from " +
				"goods that pass, so it costs passages; write -60 or less, or lower the reader's power"}},
		"heard once, wanted twice": {street, `{"id":"a","role":"fixed","zone":"shelf-a","session":"S2","min_reads":2},{"id":"b","role":"fixed","zone":"shelf-a","session":"S2","min_reads":1},{"id":"c","role":"fixed","zone":"shelf-a","min_reads":2}`, []string{
			"read_points[0].min_reads: 2 reads are needed, but in session S2 a tag that was read keeps quiet and " +
				"is heard once; write 1, or leave it out"}},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := layout.Parse([]byte(with(map[string]string{"zones": test.zones, "read_points": "[" + test.points + "]"})))
			require.NoError(t, err)
			var got []string
			for _, w := range l.Warnings() {
				got = append(got, w.Summary())
			}
			require.Equal(t, test.want, got)
			refused := strings.Contains(strings.Join(got, ""), "cannot be sure of a passage") ||
				strings.Contains(strings.Join(got, ""), "most passages are heard once or not at all")
			require.Equal(t, !refused, l.CanBeSure(1))
		})
	}
}

func TestNames(t *testing.T) {
	for i, name := range event.ZoneKinds.Texts() {
		kind, ok := event.ZoneKinds.Parse(name)
		require.True(t, ok)
		require.EqualValues(t, i+1, kind)
		require.Equal(t, name, kind.String())
		var back event.ZoneKind
		require.NoError(t, json.Unmarshal([]byte(`"`+name+`"`), &back))
		require.Equal(t, kind, back)
	}
	require.False(t, event.ZoneKinds.Has(""))
	require.Equal(t, "zone kind 99", event.ZoneKind(99).String())
	require.Equal(t, []string{"fixed", "portal", "handheld", "desk"}, event.Roles.Texts())
	require.Equal(t, []string{"inner", "outer"}, event.Sides.Texts())
	for _, text := range []string{`""`, `"outer"`} {
		var side event.Side
		require.NoError(t, json.Unmarshal([]byte(text), &side))
		b, err := json.Marshal(side)
		require.NoError(t, err)
		require.Equal(t, text, string(b))
	}
}

func TestSettingsThatHaveNoEffect(t *testing.T) {
	l, err := layout.Parse([]byte(`{"site":"umberhithe","time_zone":"UTC","zones":[{"id":"shelf-a","kind":"shelf"}],"presence":{"passage_gap":"2s"}}`))
	require.NoError(t, err)
	list := l.Warnings()
	require.Len(t, list, 1)
	require.Equal(t, "presence.passage_gap", list[0].Path)
	require.Contains(t, list[0].Reason, "2s has no effect any more")
}

func TestPlan(t *testing.T) {
	src := with(map[string]string{"zones": `[{"id":"shelf-a","kind":"shelf","at":{"x":0,"y":2.5,"width":4,"height":0.1}},{"id":"shelf-b","kind":"shelf"}]`})
	l, err := layout.Parse([]byte(src))
	require.NoError(t, err)
	require.Equal(t, &layout.Area{Y: 2.5, Width: 4, Height: 0.1}, l.Zones[0].At)
	require.Nil(t, l.Zones[1].At)
	b, err := json.Marshal(l)
	require.NoError(t, err)
	require.Contains(t, string(b), `"at":{"x":0,"y":2.5,"width":4,"height":0.1}`)
	again, err := layout.Parse(b)
	require.NoError(t, err)
	require.Equal(t, l, again)
	require.Equal(t, []string{
		`zones[0].at.width: 0.05 is out of range: from 0.1 to 1000 m`,
		`zones[0].at.x: -1 is out of range: from 0 to 1000 m`,
		`zones[0].at.y: is missing; write all four in metres, like {"x": 2, "y": 0.5, "width": 4, "height": 1}`,
		`zones[0].at.z: there is no member "z" here; did you mean "x"?`,
		"zones[1].at: is a list where an object is expected; write it in braces: { ... }",
	}, slices.Sorted(slices.Values(problemsOf(t, with(map[string]string{
		"zones": `[{"id":"a","kind":"shelf","at":{"x":-1,"z":1,"width":0.05,"height":1}},{"id":"b","kind":"shelf","at":[1,2,3,4]}]`})))))
}
