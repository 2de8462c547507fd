package passages

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/sim/doors"
	"lintel/rules"
	"lintel/rules/doc"
)

const shop = `{"site":"umberhithe","time_zone":"Europe/London","zones":[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit"}],
	"read_points":[{"id":"shelf-a-1","role":"fixed","zone":"shelf-a"},{"id":"in","role":"portal","zone":"street-door","side":"inner"},
	{"id":"out","role":"portal","zone":"street-door","side":"outer"},{"id":"handheld-1","role":"handheld"}]}`

const book, other = "(01)09521234000013(21)1", "(01)09521234000013(21)2"

var noon = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)

// carried is a book that is carried out and, from back on, in again: a walk of two seconds from one
// side to the other, invented.
func carried(back time.Duration) *Passage {
	p := &Passage{
		Door: "street-door", Item: book, Label: Out, Notified: Notified{"out", 0.98, true, noon}, Start: noon.Add(-Before),
		Known: Known{Zone: "shelf-a", Disposition: "sellable_accessible", GTIN: "09521234000013"}, Layout: []byte(shop),
		Others: []Other{{Item: other}}, Points: []string{"in", "out"}, Entries: []Entry{},
	}
	walk := func(from time.Duration, first, second int) {
		for i := range 20 {
			at := (Before + from).Milliseconds() - 1500 + int64(100*i)
			level := func(k int) *float64 { return new(-74 + float64(k)) }
			p.Entries = append(p.Entries, Entry{At: at + 20, Points: []int{0, 1}, Reads: []Read{
				{Point: first, At: at, RSSI: level(20 - i), Count: 2, Phase: new(float64(110 * i % 360)),
					Channel: new(866.3), Doppler: new(-3.5)}, {Point: second, At: at, RSSI: level(i)},
				{Tag: 1, Point: 0, At: at, RSSI: new(-74.0)},
			}})
		}
	}
	walk(0, 0, 1)
	if back > 0 {
		walk(back, 1, 0)
	}
	return p
}

func judge(t *testing.T, p *Passage) Judgement {
	t.Helper()
	require.NoError(t, p.check())
	j, err := p.Judge()
	require.NoError(t, err)
	return j
}

func TestJudge(t *testing.T) {
	j := judge(t, carried(0))
	require.True(t, j.Out)
	require.True(t, j.Same)
	require.Equal(t, "umberhithe", j.Site)
	require.InDelta(t, noon.UnixMilli(), j.At, 10_000)
	require.Equal(t, event.DirectionOut, j.Facts[0].Passage.Direction)

	// Paid for, before or while the door makes sure, nobody's, or lying still: nobody is notified.
	p := carried(0)
	p.Known.Disposition = "retail_sold"
	require.False(t, judge(t, p).Out)
	p = carried(0)
	p.Known = Known{}
	require.False(t, judge(t, p).Out)
	p = carried(0)
	p.Entries = append(p.Entries, Entry{At: Before.Milliseconds() + 600, Events: []Event{{Type: "sold", At: Before.Milliseconds()}}})
	require.False(t, judge(t, p).Out)
	p = carried(0)
	p.Item, p.Others[0] = other, Other{Item: book, Known: p.Known}
	for i := range p.Entries {
		for k := range p.Entries[i].Reads {
			p.Entries[i].Reads[k].Tag ^= 1
		}
		p.Entries[i].Reads = slices.DeleteFunc(p.Entries[i].Reads, func(r Read) bool { return r.Tag == 1 })
	}
	j = judge(t, p)
	require.False(t, j.Out)
	require.False(t, j.Same)
	require.Empty(t, j.Facts)

	// Known by its registration alone, and not by its own number.
	p = carried(0)
	p.Item = "urn:epc:raw:96.x0123456789ABCDEF01234567"
	require.True(t, judge(t, p).Out)
}

func TestReport(t *testing.T) {
	var r Report
	add := func(label string, j Judgement) {
		p := carried(0)
		p.Label = label
		j.Site = "umberhithe"
		r.count(p, &j)
	}
	soon, late := noon.Add(Within).UnixMilli(), noon.Add(Within).UnixMilli()+1
	add(Out, Judgement{Out: true, At: soon, Same: true})
	add(Out, Judgement{Out: true, At: late, Same: true})
	add(Out, Judgement{})
	add(In, Judgement{Out: true, At: late})
	add(Stayed, Judgement{Same: true})
	p := carried(0)
	p.Label = ""
	require.NoError(t, r.Judge(p))
	p = carried(0)
	require.NoError(t, r.Judge(p)) // found
	p.Door = "bay"
	r.count(p, &Judgement{Site: "umberhithe", Same: true})
	require.Equal(t, []Score{{Site: "umberhithe", Door: "bay", Out: 1}, {"umberhithe", "street-door", 4, 2, 2, 1, 2, 1}}, r.Doors)
}

func line(t testing.TB, p *Passage) string {
	b, err := Append(nil, p)
	require.NoError(t, err)
	return string(b)
}

func TestReadWhatWasWritten(t *testing.T) {
	p := carried(5 * time.Second)
	p.Entries = append(p.Entries, Entry{At: 900_000, Events: []Event{{"registered", -5, "shelf-a", "09521234000013"}}},
		Entry{Points: []int{1}})
	p.Entries[0].Reads[0].Zone = "shelf-a"
	text := line(t, p)
	require.Equal(t, 1, strings.Count(text, "\n"))
	r := NewReader(strings.NewReader("\ufeff" + text + "\n  \n" + text))
	for _, n := range []int{1, 4} {
		got, err := r.Next()
		require.NoError(t, err)
		require.Equal(t, n, r.Line())
		require.Equal(t, text, line(t, got))
	}
	_, err := r.Next()
	require.Equal(t, io.EOF, err)
}

func TestWhatIsNoPassage(t *testing.T) {
	good := line(t, carried(0))
	for what, c := range map[string][3]string{
		"not JSON":       {`{"door":`, `{"door":x`, "not JSON: invalid character 'x'"},
		"no object":      {good, "[]\n", "is a list where an object is expected"},
		"more":           {"}\n", "}{}\n", "not JSON: invalid character '{' after top-level value"},
		"unknown member": {`"label"`, `"lable"`, `there is no member "lable"`},
		"twice":          {`"label":"out"`, `"label":"out","label":"in"`, "label: stands twice"},
		"missing":        {`"label":"out",`, "", "label: is missing"},
		"label":          {`"label":"out"`, `"label":"gone"`, `label: "gone" is no label; write one of ["out" "in" "stayed"]`},
		"door":           {`"door":"street-door"`, `"door":"shelf-a"`, `door: the layout has no door "shelf-a"`},
		"item":           {`"item":"(01)0952`, `"item":"(01)0953`, "item: "},
		"direction":      {`"direction":"out"`, `"direction":"up"`, `notified.direction: "up"`},
		"confidence":     {`"confidence":0.98`, `"confidence":1.1`, "notified.confidence: 1.1 is out of range: from 0 to 1"},
		"sure":           {`"sure":true`, `"sure":1`, "notified.sure: is a number"},
		"when": {`"at":"2026-03-10T12:00:00Z"`, `"at":"2026-03-10T13:00:00Z"`,
			"notified.at: is not within 15 minutes after start"},
		"start":       {`"start":"2026-03-10T11:57:00Z"`, `"start":"noon"`, "start: is not a time"},
		"zone":        {`"zone":"shelf-a"`, `"zone":"shelf-b"`, "known.zone: the layout has no zone"},
		"disposition": {`sellable_accessible`, `stolen`, `known.disposition: there is no disposition "stolen"`},
		"gtin":        {`"gtin":"09521234000013"`, `"gtin":"123"`, "known.gtin: "},
		"layout":      {`"layout":{"site"`, `"layout":{"sight"`, "layout: "},
		"other": {`{"item":"(01)09521234000013(21)2"`, `{"item":"(01)09521234000013(21)1"`,
			"others[0].item: (01)09521234000013(21)1 stands twice"},
		"read point": {`"read_points":["in","out"]`, `"read_points":["in","in"]`, `read_points[1]: "in" stands twice`},
		"no read point": {`"read_points":["in","out"]`, `"read_points":["in","till"]`,
			`read_points[1]: the layout has no read point "till"`},
		"entry":        {`"entries":[{"at":178520`, `"entries":[{"at":1e9`, "entries[0].at: 1e9 is out of range: from 0 to 900000"},
		"empty entry":  {`"entries":[`, `"entries":[{"at":0},`, "entries[0]: has neither points nor events"},
		"both":         {`"entries":[{`, `"entries":[{"events":[{"type":"sold","at":0}],`, "entries[0]: has points and events"},
		"point":        {`"points":[0,1]`, `"points":[0,2]`, "entries[0].points[1]: 2 is not the index of one of 2 read points"},
		"same point":   {`"points":[0,1]`, `"points":[0,0]`, "entries[0].points[1]: 0 is not the index"},
		"read":         {`"reads":[{"tag":0`, `"reads":[{"tag":2`, "entries[0].reads[0].tag: 2 is past the last of 1 others"},
		"read's point": {`"points":[0,1]`, `"points":[0]`, "entries[0].reads[1].point: 1 is not among the points of the entry"},
		"level":        {`"rssi":-54`, `"rssi":"loud"`, "entries[0].reads[0].rssi: is a text where a number is expected"},
		"phase":        {`"phase":110`, `"phase":360`, "entries[1].reads[0].phase: 360 is out of range: from 0 to 359.9"},
		"event": {`"entries":[`, `"entries":[{"at":0,"events":[{"type":"stolen","at":0}]},`,
			`entries[0].events[0].type: there is no event "stolen"`},
		"learnt": {`"entries":[`, `"learnt":[{"lag_seconds":9e9,"carried_dbm":[-40,3]}],"entries":[`,
			"learnt[0].lag_seconds: 9e9 is out of range"},
		"learnt of whom": {`"entries":[`, `"learnt":[{}],"entries":[`, "learnt: has 1 entries for 2 read points"},
		"usual": {`"gtin":"09521234000013"`, `"gtin":"09521234000013","usual":{"slots":9,"inner":[0,256]}`,
			"known.usual.inner[1]: 256 is no whole number from 0 to 255"},
		"registered": {`"entries":[`, `"entries":[{"at":0,"events":[{"type":"registered","at":0}]},`,
			"entries[0].events[0].gtin: is missing"},
	} {
		bad := strings.Replace(good, c[0], c[1], 1)
		require.NotEqual(t, good, bad, what)
		r := NewReader(strings.NewReader(good + bad))
		_, err := r.Next()
		require.NoError(t, err)
		_, err = r.Next()
		var e doc.Errors
		require.ErrorAs(t, err, &e, what)
		require.Equal(t, 2, e[0].Line, what)
		var all strings.Builder
		for _, d := range e {
			fmt.Fprintln(&all, strings.TrimPrefix(d.Path+": ", ": ")+d.Reason)
		}
		require.Contains(t, all.String(), c[2], what)
	}
	p := carried(0)
	p.Entries = nil
	_, err := NewReader(strings.NewReader(strings.Replace(line(t, p), `"entries":null`, `"entries":[]`, 1))).Next()
	require.ErrorContains(t, err, "line 1, entries: has none")
	_, err = NewReader(io.MultiReader(strings.NewReader("{"), &blanks{MaxLine})).Next()
	require.ErrorContains(t, err, "line 1: is longer than")
	p = carried(0)
	p.Points = slices.Repeat([]string{"in"}, maxPoints+1)
	_, err = NewReader(strings.NewReader(line(t, p))).Next()
	require.ErrorContains(t, err, "line 1, read_points: has 1001 entries; at most 1000 are allowed")
}

type blanks struct{ n int }

func (b *blanks) Read(to []byte) (int, error) {
	if b.n == 0 {
		return 0, io.EOF
	}
	n := min(b.n, len(to))
	b.n -= n
	copy(to, bytes.Repeat([]byte{' '}, n))
	return n, nil
}

// Whatever is read can be written, read again the same, and judged.
func FuzzPassage(f *testing.F) {
	f.Add([]byte(line(f, carried(5*time.Second))))
	f.Add([]byte(strings.Replace(strings.Replace(line(f, carried(0)), `"entries":[`, `"learnt":[{"interval_seconds":0.3,`+
		`"carried_dbm":[-40,-51]},{"lag_seconds":-0.1,"carried_dbm":[]}],"entries":[`, 1), `"gtin":"09521234000013"`,
		`"gtin":"09521234000013","usual":{"slots":40,"inner":[1,2,3],"outer":[]}`, 1)))
	f.Add([]byte(strings.Replace(line(f, carried(0)), `"entries":[`,
		`"entries":[{"at":0,"events":[{"type":"registered","at":-9,"zone":"shelf-a","gtin":"09521234000013"}]},`, 1)))
	f.Fuzz(func(t *testing.T, src []byte) {
		p, err := NewReader(bytes.NewReader(src)).Next()
		if err != nil {
			return
		}
		text := line(t, p)
		again, err := NewReader(strings.NewReader(text)).Next()
		require.NoError(t, err)
		require.Equal(t, text, line(t, again))
		_, err = p.Judge()
		require.NoError(t, err)
	})
}

// simulated is a shop's journal and the passages that it meant, from the simulator.
func simulated(t testing.TB) (*engine.State, []byte, []event.Entry, []event.Fact) {
	regime, _ := doors.RegimeByName("base")
	s, err := doors.New(doors.Config{Regime: regime, Seed: 5, WarmUp: 200 * time.Second, Length: 200 * time.Second})
	require.NoError(t, err)
	lay, err := layout.Parse(s.Layout())
	require.NoError(t, err)
	doc, _ := rules.Parse("rules", []byte("rules: []\n"))
	set, _ := rules.Compile(doc, rules.Known{})
	cfg := &engine.Config{Layout: lay, Catalog: s.Catalog(), Rules: set}
	st := engine.NewMachine(lay.Site, cfg)
	var journal []event.Entry
	var facts []event.Fact
	step := func(e event.Entry) {
		e.Seq = 0
		require.NoError(t, st.Apply(&e, nil))
		facts = append(facts, st.Batch().Facts...)
		journal = append(journal, e)
	}
	for {
		e, ok := s.Next()
		if !ok {
			return st.State, s.Layout(), journal, facts
		}
		for tick, due := st.Tick(e.At); due; tick, due = st.Tick(e.At) {
			step(tick)
		}
		e.Reads, e.Points, e.Zones = slices.Clone(e.Reads), slices.Clone(e.Points), slices.Clone(e.Zones)
		step(e)
	}
}

func recorded(t testing.TB, st *engine.State, doc []byte, journal []event.Entry, facts []event.Fact, f *event.Fact) *Passage {
	r, err := NewRecorder(st.Config().Layout, doc, f)
	require.NoError(t, err)
	for i := range journal {
		r.Listen(&journal[i])
	}
	for i := range journal {
		require.NoError(t, r.Add(&journal[i]))
	}
	_, to := r.Window()
	for i := range facts {
		if facts[i].Ms <= to {
			r.Fact(&facts[i])
		}
	}
	r.Learnt(st)
	return r.Passage("")
}

// What a shop concluded is mostly concluded again from the documents. What the shop has learnt is in
// them as it is at the end, not as it was then, and of items that the door did not hear it is not.
func TestRecordedPassagesAreJudgedAsTheyWere(t *testing.T) {
	st, doc, journal, facts := simulated(t)
	from := journal[0].At + Before.Milliseconds() // whole windows
	all, same, agree, n := 0, 0, 0, 0
	var sizes []int
	for i := range facts {
		f := &facts[i]
		if !sure(f) || f.At < from || f.Ms+Around.Milliseconds() > journal[len(journal)-1].At {
			continue
		}
		if n++; n%4 != 0 {
			continue
		}
		text := line(t, recorded(t, st, doc, journal, facts, f))
		sizes = append(sizes, len(text))
		p, err := NewReader(strings.NewReader(text)).Next()
		require.NoError(t, err)
		require.Equal(t, f.Name(), p.Item)
		j, err := p.Judge()
		require.NoError(t, err)
		all++
		if j.Same {
			same++
		}
		out := outUnpaid(f)
		if !out || j.Out {
			agree++
		}
	}
	slices.Sort(sizes)
	require.Greater(t, all, 4)
	t.Logf("%d passages, %d concluded again, %d with the same notification; bytes %d to %d", all, same, agree, sizes[0],
		sizes[len(sizes)-1])
	require.GreaterOrEqual(t, same, all*75/100)
	require.GreaterOrEqual(t, agree, all*75/100)
}

func TestWhatIsRecorded(t *testing.T) {
	lay, err := layout.Parse([]byte(shop))
	require.NoError(t, err)
	key := func(words string) epc.Key {
		tag, err := tagOf(words)
		require.NoError(t, err)
		return tag.Key
	}
	ms := noon.UnixMilli()
	f := &event.Fact{Cause: event.Passed, At: ms, Ms: ms + 500, Key: key(book), GTIN: 9521234000013,
		Disp: event.SellableAccessible, Zone: "street-door", From: "shelf-a", Point: "out"}
	f.Passage.Direction = event.DirectionOut
	r, err := NewRecorder(lay, []byte(shop), f)
	require.NoError(t, err)
	third := "(01)09521234000013(21)3"
	entries := []event.Entry{
		{Kind: event.EntryReads, At: ms - 180_001, Points: []string{"in"}, Reads: []event.Read{{Key: key(book), N: 1}}}, // too early
		{Kind: event.EntryReads, At: ms - 180_000, Points: []string{"shelf-a-1", "gone"}, Reads: []event.Read{
			{Key: key(book), N: 3, T: ms - 181_000, RSSI: -555}, {Key: key(other), N: 1, RSSI: event.NoRSSI, T: ms - 180_100},
			{Key: key(third), N: 1}, {Key: key(book), N: 1, Point: 1}}},
		// the door alone
		{Kind: event.EntryReads, At: ms - 60_000, Points: []string{"in"},
			Reads: []event.Read{{Key: key(third), N: 1, T: ms - 60_000, RSSI: -700}}},
		// a report, and no more
		{Kind: event.EntryReads, At: ms - 50_000, Points: []string{"shelf-a-1"}, Reads: []event.Read{{Key: key(third), N: 1}}},
		{Kind: event.EntryEvents, At: ms - 40_000,
			Events: []event.Event{{Type: event.EventSold, Tags: []event.Tag{{Key: key(third)}}},
				{Type: event.EventMoved, Tags: []event.Tag{{Key: key(other)}, {Key: key(book)}}, Zone: "shelf-a",
					T: ms - 40_100, Ref: "till 4"}}},
		{Kind: event.EntryReads, At: ms - 30_000, Count: "count-1", Points: []string{"handheld-1"},
			Reads: []event.Read{{Key: key(book), N: 1}}},
		{Kind: event.EntryReads, At: ms - 25_000, Points: []string{"handheld-1"}, Zones: []string{"shelf-a"},
			Reads: []event.Read{{Key: key(book), N: 1, Zone: 1, T: ms - 25_000}}},
		{Kind: event.EntryTick, At: ms - 24_000},
		{Kind: event.EntryReads, At: ms + 10_000, Points: []string{"out"},
			Reads: []event.Read{{Key: key(other), N: 1, T: ms + 9_900, RSSI: -600, Phase: 1, Channel: 8663,
				Doppler: event.DopplerZero - 5}}},
		{Kind: event.EntryReads, At: ms + 20_501, Points: []string{"out"}, Reads: []event.Read{{Key: key(book), N: 1}}}, // too late
	}
	for i := range entries {
		r.Listen(&entries[i])
	}
	for i := range entries {
		require.NoError(t, r.Add(&entries[i]))
	}
	r.Fact(&event.Fact{Cause: event.Arrived, Ms: ms - 200_000, Key: key(book), From: "elsewhere"})
	r.Fact(&event.Fact{Cause: event.Sold, Ms: ms - 40_000, Key: key(third), Zone: "shelf-a", Disp: event.RetailSold})
	r.Fact(f)
	r.Unknown(func(k epc.Key) {
		require.Equal(t, key(other), k)
		r.Item(&engine.ItemInfo{Key: k, Since: ms - 200_000, Zone: "shelf-a", Disposition: event.RetailSold, GTIN: 9521234000013})
		r.Item(&engine.ItemInfo{Key: k, Since: ms, Zone: "street-door"})
	})
	p := r.Passage(Stayed)
	require.NoError(t, p.check())
	require.JSONEq(t, `{"door":"street-door","item":"(01)09521234000013(21)1","label":"stayed","notified":{"direction":"out","confidence":0,"sure":true,"at":"2026-03-10T12:00:00Z"},
		"known":{"zone":"shelf-a","disposition":"sellable_accessible","gtin":"09521234000013"},"layout":`+shop+`,"start":"2026-03-10T11:57:00Z",
		"others":[{"item":"(01)09521234000013(21)2","known":{"zone":"shelf-a","disposition":"retail_sold","gtin":"09521234000013"}},
			{"item":"(01)09521234000013(21)3","known":{"zone":"shelf-a","disposition":"sellable_accessible"}}],
		"read_points":["shelf-a-1","in","handheld-1","out"],
		"entries":[{"at":0,"points":[0],"reads":[{"tag":0,"point":0,"at":-1000,"rssi":-55.5,"count":3},{"tag":1,"point":0,"at":-100}]},
			{"at":120000,"points":[1],"reads":[{"tag":2,"point":1,"at":120000,"rssi":-70}]},
			{"at":130000,"points":[0]},
			{"at":140000,"events":[{"type":"moved","at":139900,"zone":"shelf-a"}]},
			{"at":155000,"points":[2],"reads":[{"tag":0,"point":2,"at":155000,"rssi":0,"zone":"shelf-a"}]},
			{"at":190000,"points":[3],"reads":[{"tag":1,"point":3,"at":189900,"rssi":-60,"phase":0,"channel":866.3,"doppler":-0.5}]}]}`, line(t, p))

	_, err = NewRecorder(lay, nil, &event.Fact{Cause: event.Sold})
	require.ErrorContains(t, err, "is no passage")
	_, err = NewRecorder(lay, nil, &event.Fact{Cause: event.Passed, Zone: "yard"})
	require.ErrorContains(t, err, `no door "yard"`)

	// What a reader says of its clock is kept within bounds, and too much is refused.
	require.NoError(t, r.Add(&event.Entry{Kind: event.EntryReads, At: ms, Points: []string{"in"},
		Reads: []event.Read{{Key: key(book), T: -1 << 62, N: 1}}}))
	require.NoError(t, p.check())
	many := event.Entry{Kind: event.EntryReads, At: ms, Points: []string{"in"}}
	for i := range MaxOthers + 1 {
		many.Reads = append(many.Reads, event.Read{Key: key(fmt.Sprintf("(01)09521234000013(21)%d", 100+i)), N: 1})
	}
	require.Equal(t, ErrTooMany, r.Add(&many))
}
