package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/stocktake"
)

const (
	countPlanPath = "/v1/sites/umberhithe/count-plan"
	accuracyPath  = "/v1/sites/umberhithe/count-accuracy"
)

// planned is the test's shop with a plan of counts, every zone of it due today.
func planned(t testing.TB) *rig {
	r := newRig(t).shop().stocked()
	lay := strings.TrimSuffix(strings.TrimSpace(testLayout), "}") + `, "counts": {
	  "plan": [
	    {"zones": ["stockroom"], "every": "7d", "by": "24:00", "team": "floor", "blind": true},
	    {"zones": ["front-tables"], "every": "1d", "by": "24:00"}
	  ],
	  "fields": [
	    {"id": "trolley", "name": "Trolley", "type": "number"},
	    {"id": "round", "name": "Round", "type": "choice", "choices": ["morning", "night"], "required": true}
	  ]}}`
	r.put("/v1/sites/umberhithe/layout", lay).wants(200)
	r.tick()
	return r
}

func TestCountPlanOfANight(t *testing.T) {
	r := planned(t)
	v := into[CountsDue](r.get(countPlanPath).wants(200))
	require.Len(t, v.Zones, 2)
	require.Equal(t, []string{"stockroom", "due", "floor"}, []string{v.Zones[0].Zone, v.Zones[0].Status, v.Zones[0].Team})
	require.Equal(t, DueProgress{Zones: 2, Due: 2}, v.Progress)

	require.Contains(t, string(r.post(countsPath, `{"zones":["stockroom"],"fields":{"round":"noon","trolly":1}}`).
		wantsCode(kit.CodeInvalidBody).body), `is none of morning, night`)
	r.post(countsPath, `{"zones":["stockroom"]}`).wantsCode(kit.CodeInvalidBody)
	path := r.openedCount(`{"zones":["stockroom"],"fields":{"round":"night","trolley":7}}`)
	r.counted(path, "stockroom", 100, 101, 102, 103)
	v = into[CountsDue](r.get(countPlanPath).wants(200))
	require.Equal(t, "running", v.Zones[0].Status)
	require.Equal(t, DueProgress{Zones: 2, Due: 1, Running: 1, Expected: 5, Found: 4}, v.Progress)
	detail := into[CountDetail](r.get(path).wants(200))
	require.Equal(t, map[string]string{"round": "night", "trolley": "7"}, detail.Fields)

	r.told(path, "close")
	v = into[CountsDue](r.get(countPlanPath).wants(200))
	require.Equal(t, "done", v.Zones[0].Status)
	require.NotNil(t, v.Zones[0].Last)
	require.Equal(t, DueProgress{Zones: 2, Due: 1, Done: 1, Share: 0.5, Expected: 5, Found: 4}, v.Progress)
	a := into[CountAccuracy](r.get(accuracyPath).wants(200))
	require.Len(t, a.Weeks, 1)
	require.Equal(t, []int{1, 5, 4, 1, 0}, []int{a.Weeks[0].Counts, a.Weeks[0].Expected, a.Weeks[0].Matched, a.Weeks[0].Missing,
		a.Weeks[0].Unexpected})
	require.InDelta(t, 0.8, a.Weeks[0].ItemAccuracy, 1e-9)
	require.Contains(t, string(r.get(accuracyPath+".csv").wants(200).body), ",stockroom,")
	require.Empty(t, into[CountAccuracy](r.get(accuracyPath+"?zone=till").wants(200)).Weeks)
	page := string(r.get(path + "/differences.html").wants(200).body)
	require.Contains(t, page, "Round: night")
	require.Contains(t, page, "\u2610")
	require.Contains(t, page, "Looked at by")
	require.NotContains(t, page, "missed_once", "the code is for programs")

	// What was missed is looked for alone.
	missing := into[MissingItems](r.get(path + "/missing").wants(200))
	require.Len(t, missing.Items, 1)
	require.Equal(t, missing.Items[0].Item+"\n", string(r.get(path+"/missing.txt").wants(200).body))
	require.Contains(t, string(r.get(path+"/missing.csv").wants(200).body), missing.Items[0].Item)
	r.get(path + "/missing.xlsx").wants(200)
	r.post(countsPath, `{"missing_of":"umberhithe-count-9999","fields":{"round":"night"}}`).wantsCode(codeUnknownCount)
	faults := func(list string) { // what is wrong with a question, whichever list it asks for
		r.get(list + "?wrong=1").wantsCode(kit.CodeInvalidParameter)
		r.get(strings.Replace(list, "/sites/umberhithe", "/sites/nowhere", 1)).wantsCode(kit.CodeUnknownSite)
		if strings.Contains(list, path) {
			r.get(strings.Replace(list, path, countsPath+"/umberhithe-count-9999", 1)).wantsCode(codeUnknownCount)
		}
	}
	for _, list := range []string{countPlanPath, accuracyPath, accuracyPath + ".csv", path + "/items.txt", path + "/missing", path + "/missing.csv",
		path + "/missing.xlsx", path + "/missing.txt"} {
		faults(list)
	}
	for _, list := range []string{accuracyPath, path + "/missing"} {
		r.do("GET", list, "", "Accept", "image/png").wantsCode(kit.CodeNotAcceptable)
	}
	again := r.openedCount(fmt.Sprintf(`{"missing_of":%q,"fields":{"round":"night"}}`, detail.ID))
	sought := into[CountDetail](r.get(again).wants(200))
	require.True(t, sought.Only)
	require.Equal(t, 1, sought.Expected)
	require.Equal(t, nextGoOn, sought.Next)
	r.post(again+"/reads?wait=10s", fmt.Sprintf(`[{"epc":%q,"read_point":"handheld-1"},{"epc":"(01)09521141123454(21)100","read_point":"handheld-1"}]`,
		missing.Items[0].Item)).wants(200)
	sought = into[CountDetail](r.get(again).wants(200))
	require.Equal(t, []int{1, 1}, []int{sought.Progress.Found, sought.Unique})
	require.Equal(t, nextDone, sought.Next)
	require.Empty(t, into[MissingItems](r.get(again+"/missing").wants(200)).Items)
	r.told(again, "close")
	r.post(countsPath, fmt.Sprintf(`{"missing_of":%q,"fields":{"round":"night"}}`, sought.ID)).wantsCode(codeCountStatus)
}

func TestABlindCountShowsNothingExpected(t *testing.T) {
	r := planned(t)
	hand := r.key("hand", kit.ScopeCount)
	path := r.openedCount(`{"zones":["stockroom"],"fields":{"round":"night"}}`)
	r.counted(path, "stockroom", 100, 101)
	r.as(hand, func(r *rig) {
		v := into[CountDetail](r.get(path).wants(200))
		require.True(t, v.Blind)
		require.Equal(t, []int{-1, -1, -1}, []int{v.Expected, v.Progress.Found, v.Assessment.Expected})
		require.NotContains(t, v.Assessment.Words, "expected")
		require.Equal(t, -1, into[CountList](r.get(countsPath)).Counts[0].Expected)
		require.Nil(t, into[CountedItems](r.get(path + "/items")).Items[0].Expected)
		for _, form := range []string{"", ".csv", ".xlsx", ".txt"} {
			r.get(path + "/missing" + form).wantsCode(codeBlind)
		}
		due := into[CountsDue](r.get(countPlanPath).wants(200))
		require.Equal(t, []int{-1, -1}, []int{due.Progress.Expected, due.Counts[0].Found})
	})
	require.Equal(t, 5, into[CountDetail](r.get(path)).Expected, "who operates sees it")
	r.told(path, "close")
	r.as(hand, func(r *rig) {
		require.Equal(t, 5, into[CountDetail](r.get(path)).Expected)
		require.Len(t, into[MissingItems](r.get(path+"/missing")).Items, 3)
	})
}

func TestAListOfIdentitiesIsACount(t *testing.T) {
	r := newRig(t).shop().stocked()
	r.tick()
	path := r.openedCount(`{"zones":["stockroom","front-tables"]}`)
	text := "# shelf one\n(01)09521141123454(21)100\r\n\nnonsense\n(01)09521141123454(21)101\n"
	a := into[BatchAnswer](r.do("POST", path+"/reads?wait=10s&read_point=handheld-1&zone=stockroom", text, "Content-Type", "text/plain").wants(200))
	require.Equal(t, 2, a.Accepted)
	require.Equal(t, 4, a.Rejected[0].Line)
	require.Contains(t, a.Rejected[0].Reason, "line 4: ")
	r.tick()
	table := "EPC;Zone;RSSI;Operator\n(01)09521141123454(21)102;stockroom;-55,5;x\n(01)09521141123454(21)103;nowhere;;\n"
	a = into[BatchAnswer](r.do("POST", path+"/reads?wait=10s&read_point=handheld-1", table, "Content-Type", "text/csv").wants(200))
	require.Equal(t, 1, a.Accepted)
	require.Equal(t, 3, a.Rejected[0].Line)
	require.Contains(t, string(r.do("POST", path+"/reads", "tag\n1\n", "Content-Type", "text/csv").wantsCode(kit.CodeInvalidBody).body), "names no column epc")
	r.do("POST", "/v1/sites/umberhithe/reads", text, "Content-Type", "text/plain").wantsCode(kit.CodeUnsupportedType)
	require.Equal(t, "(01)09521141123454(21)100\n(01)09521141123454(21)101\n(01)09521141123454(21)102\n",
		string(r.get(path+"/items.txt").wants(200).body), "also of a count that goes on")
	items := into[CountedItems](r.get(path + "/items").wants(200)).Items
	require.Equal(t, "stockroom", items[2].Zone)
}

// The three words, the sentence and the figures of an answer say the same at every moment of a count:
// bursts of new tags that die out, pauses, and rounds.
func TestNextAgreesWithItsFigures(t *testing.T) {
	var b stocktake.Book
	start := int64(1_772_445_600_000)
	b.Open(event.Count{ID: "umberhithe-count-1", Zones: []string{"shelf-a"}, Opened: start, MissingAfter: 1}, []uint16{1})
	said := map[string]int{}
	tag := 0
	for s := range int64(400) {
		now := start + 1000*(s+1)
		if s%200 == 199 {
			b.Do(&event.CountCommand{Do: "pass", ID: "umberhithe-count-1"}, now, nil)
		}
		e := event.Entry{At: now, Count: "umberhithe-count-1"}
		fresh := max(0, 30-int(s%200)) / 2
		for k := range fresh + int(s%7) {
			if k < fresh {
				tag++
			}
			key, err := parseIdentity(fmt.Sprintf("(01)09521141123454(21)%d", max(1, tag-k%max(1, tag))), 0, false)
			require.NoError(t, err)
			ek, _ := keyOf(key)
			e.Reads = append(e.Reads, event.Read{Key: ek, Zone: 1, RSSI: -550, N: 1, T: now})
		}
		b.Hear(&e, []uint16{1}, []uint16{1}, now)
		p, ok := b.Progress("umberhithe-count-1", nil)
		require.True(t, ok)
		v := CountDetail{}
		v.progress(&p, now, false, false)
		said[v.Next]++
		what := fmt.Sprintf("second %d: %s, %+v, %s", s, v.Next, *v.Progress, v.Assessment.Words)
		if strings.Contains(v.Assessment.Words, "go on") && v.Progress.PerSecond > 0 {
			require.Equal(t, nextGoOn, v.Next, what)
		}
		if v.Next != nextGoOn {
			require.Zero(t, v.Progress.NewPerSecond, what)
			require.NotContains(t, v.Assessment.Words, "; still", what)
		}
		if v.Next == nextDone {
			require.Zero(t, v.Assessment.UnseenAtLeast, what)
		}
		if _, after, ok := strings.Cut(v.Assessment.Words, "; still "); ok && strings.Contains(after, "a second") {
			var n float64
			_, err := fmt.Sscanf(after, "%f", &n)
			require.NoError(t, err)
			require.InDelta(t, v.Progress.NewPerSecond, n, 0.5, what)
		}
	}
	require.Positive(t, said[nextGoOn])
	require.Positive(t, said[nextOnceMore]+said[nextDone])
}

func TestDayAndNight(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	for now, want := range map[string]string{
		"2026-03-10 09:00": "2026-03-09 12:00 to 2026-03-11 00:00",
		"2026-03-10 12:00": "2026-03-10 00:00 to 2026-03-11 12:00",
		"2026-03-29 02:30": "2026-03-28 12:00 to 2026-03-30 00:00", // the clocks change
	} {
		at, err := time.ParseInLocation("2006-01-02 15:04", now, london)
		require.NoError(t, err)
		from, until := dayAndNight(at)
		const form = "2006-01-02 15:04"
		require.Equal(t, want, from.Format(form)+" to "+until.Format(form))
	}
}

// What comes as text or CSV becomes reads, or an error that names a line; never more than are taken.
func FuzzUpload(f *testing.F) {
	f.Add(true, []byte("(01)09521141123454(21)100\n# x\n\n3036451FD40C0E4000000001\n"))
	f.Add(false, []byte("epc;rssi;zone\n1;-5,5;a\n\"2\n3\";x;\n"))
	f.Add(false, []byte("\xef\xbb\xbfEPC,Read Point,time\n1,r,2026-01-01T00:00:00Z\n"))
	f.Fuzz(func(t *testing.T, text bool, body []byte) {
		u := uploader{most: 5, point: "handheld-1"}
		err := u.csv(body)
		if text {
			u = uploader{most: 5, point: "handheld-1"}
			err = u.text(body)
		}
		require.LessOrEqual(t, len(u.lines), 5)
		if err != nil {
			require.NotZero(t, codeOf(err).Status)
			return
		}
		lines := strings.Split(strings.TrimSuffix(u.out.String(), "\n"), "\n")
		if len(u.lines) == 0 {
			return
		}
		require.Len(t, lines, len(u.lines))
		last := 0
		for i, line := range lines {
			var read map[string]any
			require.NoError(t, json.Unmarshal([]byte(line), &read), line)
			require.Greater(t, u.lines[i], last)
			last = u.lines[i]
		}
	})
}

func TestUploadsAreBounded(t *testing.T) {
	r := newRig(t).shop()
	path := r.openedCount(`{"zones":["stockroom"]}`)
	many := strings.Repeat("(01)09521141123454(21)100\n", r.api.opt.BatchLimit+1)
	r.do("POST", path+"/reads", many, "Content-Type", "text/plain").wantsCode(codeBatchTooLarge)
	r.do("POST", path+"/reads", "epc\n"+many, "Content-Type", "text/csv").wantsCode(codeBatchTooLarge)
	require.Equal(t, http.StatusOK, r.get(path).status)
}
