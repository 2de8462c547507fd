package api

import (
	"encoding/csv"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
)

// A wrong outcome is corrected: both stand in the history, and the last one counts.
func TestAnOutcomeIsCorrected(t *testing.T) {
	r := newRig(t).shop()
	id := r.alert(1)
	path := "/v1/alerts/" + id
	r.post(path+"/correct", `{"outcome":"false"}`).wantsCode(codeAlertStatus)
	a := into[ActAnswer](r.post(path+"/comment", `{"note":"the till was slow"}`).wants(200))
	require.Equal(t, "open", a.Alert.Status)
	require.Equal(t, "the till was slow", a.Alert.Note)
	r.post(path+"/comment", `{"note":" "}`).wantsCode(kit.CodeInvalidBody)
	r.post(path+"/close", `{"outcome":"genuine","note":"book found outside"}`).wants(200)
	r.post(path+"/close", `{"outcome":"false"}`).wantsCode(codeAlertStatus)
	r.post(path+"/correct", `{"outcome":"genuine"}`).wantsCode(codeAlertStatus)
	r.post(path+"/correct", `{"outcome":"maybe"}`).wantsCode(kit.CodeInvalidBody)
	a = into[ActAnswer](r.post(path+"/correct", `{"outcome":"false","note":"it was paid at the cafe"}`).wants(200))
	require.True(t, a.Processed)
	require.Equal(t, "closed", a.Alert.Status)
	require.Equal(t, "false", a.Alert.Outcome)
	r.post(path+"/comment", `{"note":"told the till"}`).wants(200)

	v := into[event.AlertView](r.get(path).wants(200))
	var did []string
	for _, h := range v.History {
		require.Equal(t, "boss", h.By)
		require.WithinDuration(t, r.clock(), h.At, time.Minute)
		did = append(did, h.Do+" "+h.Outcome+" "+h.Note)
	}
	require.Equal(t, []string{"comment  the till was slow", "close genuine book found outside", "correct false it was paid at the cafe",
		"comment  told the till"}, did)
	q := into[RuleQuality](r.get("/v1/rules/unpaid-at-door/quality").wants(200))
	require.Equal(t, []int{1, 0, 1}, []int{q.Told.Fired, q.Told.Genuine, q.Told.False})

	r.do("POST", path+"/comment", `{"note":"once"}`, "Idempotency-Key", "k1").wants(200)
	for _, do := range []string{"comment", "correct"} {
		r.do("POST", path+"/"+do, `{"note":"twice"}`, "Idempotency-Key", "k1").wantsCode(kit.CodeIdempotencyMismatch)
	}
	// What is over for longer than a week is as it is.
	r.ahead.Add(int64(8 * 24 * time.Hour))
	r.reads(`[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`).wants(202)
	require.Contains(t, string(r.post(path+"/correct", `{"outcome":"unclear"}`).wantsCode(codeAlertStatus).body),
		"more than a week ago")
	require.Contains(t, string(r.post(path+"/comment", `{"note":"late"}`).wantsCode(codeAlertStatus).body), "more than a week ago")

	for _, do := range []string{"comment", "correct"} {
		r.keyedFaults(path + "/" + do)
		r.do("POST", path+"/"+do, "x", "Content-Type", "text/csv").wantsCode(kit.CodeUnsupportedType)
		r.post(path+"/"+do, "[").wantsCode(kit.CodeInvalidJSON)
		r.post(path+"/"+do+"?x=1", "{}").wantsCode(kit.CodeInvalidParameter)
		r.post("/v1/alerts/umberhithe-1-1/"+do, `{"note":"x","outcome":"false"}`)
	}
	r.post(path+"/comment", `{"note":"`+strings.Repeat("x", 1001)+`"}`).wantsCode(kit.CodeInvalidBody)
	r.post("/v1/alerts/umberhithe-1-1/comment", `{"note":"x"}`).wantsCode(codeUnknownAlert)
	r.post("/v1/alerts/umberhithe-1-1/correct", `{"outcome":"false"}`).wantsCode(codeUnknownAlert)
}

func TestAlertsByTimeAndZoneAndAsTable(t *testing.T) {
	r := newRig(t).shop()
	first := r.alert(1)
	middle := time.UnixMilli(r.clock().UnixMilli() + 1)
	r.ahead.Add(int64(time.Second))
	second := r.alert(2)
	r.post("/v1/alerts/"+first+"/close", `{"outcome":"false"}`).wants(200)
	ids := func(query string) (list []string) {
		for _, a := range into[AlertList](r.get("/v1/alerts?status=all&rule=unpaid-at-door&" + query).wants(200)).Alerts {
			list = append(list, a.ID)
		}
		return list
	}
	cut := url.QueryEscape(middle.UTC().Format(time.RFC3339Nano))
	require.Equal(t, []string{second, first}, ids(""))
	require.Equal(t, []string{second}, ids("from="+cut))
	require.Equal(t, []string{first}, ids("to="+cut))
	require.Equal(t, []string{second, first}, ids("zone=street-door"))
	require.Empty(t, ids("zone=shelf-a"))
	require.Equal(t, []string{second}, ids("limit=1"))
	r.get("/v1/alerts?from=2&to=1").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/alerts?from=x").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/alerts?to=x").wantsCode(kit.CodeInvalidParameter)

	rows, err := csv.NewReader(strings.NewReader(string(r.get("/v1/alerts.csv?status=all&rule=unpaid-at-door").wants(200).body))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 3)
	require.Equal(t, []string{"Alert", "Site", "Rule", "Severity", "Status", "Message"}, rows[0][:6])
	require.Equal(t, []string{second, "umberhithe", "unpaid-at-door", "urgent", "open"}, rows[1][:5])
	require.Equal(t, "false", rows[2][20])
	require.Equal(t, "Outcome", rows[0][20])
	_, err = time.Parse(time.RFC3339, rows[1][14])
	require.NoError(t, err, rows[1][14])
	require.True(t, strings.HasPrefix(string(r.get("/v1/alerts.xlsx").wants(200).body), "PK"))
	r.do("GET", "/v1/alerts", "", "Accept", "text/csv").wants(200)
	r.do("GET", "/v1/alerts", "", "Accept", "image/png").wantsCode(kit.CodeNotAcceptable)
	for _, path := range []string{"/v1/alerts.csv", "/v1/alerts.xlsx"} {
		r.get(path + "?zonne=x").wantsCode(kit.CodeInvalidParameter)
		r.get(path + "?site=pier").wantsCode(kit.CodeUnknownSite)
	}
}
