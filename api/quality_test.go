package api

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/quality"
	"lintel/engine/store"
)

// keepAlerts puts alerts on record as a fold would.
func keepAlerts(t testing.TB, st store.Store, site string, alerts ...event.Alert) {
	t.Helper()
	for len(alerts) > 0 {
		n := min(len(alerts), 5000)
		c := store.Commit{Loose: true}
		for i := range alerts[:n] {
			c.Writes = append(c.Writes, store.Record{Kind: event.KindAlert, Key: alerts[i].ID, Value: event.AppendAlert(nil, &alerts[i])})
		}
		require.NoError(t, st.Commit(t.Context(), site, c))
		alerts = alerts[n:]
	}
}

func local(t testing.TB, s string) int64 {
	t.Helper()
	v, err := time.ParseInLocation("2006-01-02 15:04", s, testLay.Location())
	require.NoError(t, err)
	return v.UnixMilli()
}

// The quality of a rule from what staff do to its alerts, by the routes that they use.
func TestQualityFromAlertsToNumbers(t *testing.T) {
	r := newRig(t).shop()
	ids := []string{r.alert(1), r.alert(2), r.alert(3), r.alert(4)}
	r.post("/v1/alerts/"+ids[0]+"/acknowledge", "").wants(200)
	for i, outcome := range []string{"genuine", "false", "unclear"} {
		r.post("/v1/alerts/"+ids[i]+"/close", `{"outcome":"`+outcome+`"}`).wants(200)
	}
	r.until("all of it", func() bool {
		return into[RuleQuality](r.get("/v1/rules/unpaid-at-door/quality").wants(200)).Told.Fired == 4
	})
	v := into[RuleQuality](r.get("/v1/rules/unpaid-at-door/quality?site=umberhithe").wants(200))
	require.Equal(t, "live", v.Mode)
	require.Equal(t, []int{4, 1, 1, 1, 1, 1}, []int{v.Told.Fired, v.Told.Acknowledged, v.Told.Genuine, v.Told.False,
		v.Told.Unclear, v.Told.Open})
	require.NotNil(t, v.Told.Delay)
	require.Zero(t, v.Watched.Fired)
	require.Equal(t, 2, v.Told.Precision.Outcomes)
	require.Equal(t, 0.5, *v.Told.Precision.Share)
	require.Equal(t, "2 outcomes: too few to say.", v.Told.Precision.Words)
	require.Equal(t, 12, v.Weeks.Count)
	require.Len(t, v.ByWeek, 12)
	require.Equal(t, quality.WeekOf(r.clock().In(testLay.Location())).String(), v.Weeks.Last)
	require.Len(t, v.ByVersion, 1)
	require.True(t, v.ByVersion[0].Current)
	require.Equal(t, 4, v.ByVersion[0].Tally.Fired)
	require.Equal(t, event.Notice, v.Notice)
	require.Contains(t, v.Caution, "not that anyone did wrong")

	list := into[RuleQualityList](r.get("/v1/rules/quality").wants(200))
	require.Len(t, list.Rules, 2)
	require.Equal(t, "unpaid-at-door", list.Rules[0].Rule)
	require.Equal(t, "in-the-shelf", list.Rules[1].Rule, "a rule that is only watched comes after those that were told")
	require.Equal(t, "watch", list.Rules[1].Mode)
	require.Zero(t, list.Rules[1].Told.Fired)
	require.Equal(t, 4, list.Rules[1].Watched.Fired+list.Rules[1].Told.Fired)
	require.Nil(t, list.Rules[1].Watched.Precision.Share)
	require.Equal(t, 1.0, list.Rules[1].Watched.Precision.High)
	list = into[RuleQualityList](r.get("/v1/rules/quality?limit=1").wants(200))
	require.Len(t, list.Rules, 1)
	require.Equal(t, 1, list.LeftOut)
}

// Weeks around New Year 2027, by the clock of each shop.
func TestQualityByWeekAndVersion(t *testing.T) {
	var now int64
	r := newRig(t, func(o *Options) { o.Now = func() time.Time { return time.UnixMilli(now) } })
	now = local(t, "2027-01-06 12:00")
	r.shop()
	r.put("/v1/sites/pier/layout", strings.NewReplacer(`"umberhithe"`, `"pier"`, "Europe/London",
		"Pacific/Auckland").Replace(testLayout)).wants(201)
	r.get("/v1/sites/pier/stock").wants(200) // it is loaded: what is put into the store now stays
	n := 0
	alert := func(opened int64, digest, outcome string, more ...func(*event.Alert)) event.Alert {
		n++
		a := event.Alert{ID: fmt.Sprintf("umberhithe-9000-%d", n), Rule: "old-rule", Digest: digest, About: "item",
			Status: event.AlertClosed, OpenedAt: opened, Outcome: outcome}
		for _, f := range more {
			f(&a)
		}
		return a
	}
	open := func(a *event.Alert) { a.Status, a.AckedAt = event.AlertAcknowledged, a.OpenedAt+90_000 }
	cleared := func(a *event.Alert) { a.Status, a.EndedAt = event.AlertCleared, a.OpenedAt+5000 }
	var list []event.Alert
	for range 20 {
		list = append(list, alert(local(t, "2027-01-03 23:59"), "one", "false"), alert(local(t, "2027-01-04 00:00"), "two", "genuine"))
	}
	list = append(list,
		alert(local(t, "2027-01-05 09:00"), "two", "", open),
		alert(local(t, "2027-01-05 09:00"), "two", "", cleared, func(a *event.Alert) {
			a.Joined, a.Reminders,
				a.EscalatedAt = 1, 2, a.OpenedAt+1
		}),
		// part of another
		alert(local(t, "2027-01-05 09:00"), "two", "", cleared, func(a *event.Alert) { a.Lead = "umberhithe-9000-1" }),
		// nobody saw it
		alert(0, "two", "", func(a *event.Alert) { a.Status = event.AlertPending }),
		// a fault
		alert(local(t, "2027-01-05 09:00"), "two", "", func(a *event.Alert) { a.About, a.Status = "rule", event.AlertOpen }),
		//
		alert(local(t, "2027-01-05 10:00"), "three", "unclear", func(a *event.Alert) { a.Watch = true }),
		// the week before
		alert(local(t, "2026-12-27 23:59"), "one", "false"),
		//
		alert(local(t, "2027-01-05 10:00"), "x", "false", func(a *event.Alert) { a.Rule = "another" }),
		// ended by itself, and somebody said what it was
		alert(local(t, "2026-12-28 00:00"), "one", "", cleared, func(a *event.Alert) { a.AckedAt, a.Outcome = a.OpenedAt+30_000, "false" }),
	)
	list = append(list, alert(local(t, "2027-01-05 11:00"), "two", "false", func(a *event.Alert) {
		a.About,
			a.Joined = event.AboutStorm, 300
	}))
	keepAlerts(t, r.store, "umberhithe", list...)
	// 11:30 of Sunday in Umberhithe's time is half past midnight of Monday at the pier.
	keepAlerts(t, r.store, "pier", alert(local(t, "2027-01-03 11:30"), "two", "genuine"))

	v := into[RuleQuality](r.get("/v1/rules/old-rule/quality?site=umberhithe&weeks=2").wants(200))
	require.Empty(t, v.Mode, "there is no such rule any more")
	require.Equal(t, QualityWeeks{First: "2026-W53", Last: "2027-W01", Count: 2}, v.Weeks)
	require.Len(t, v.ByWeek, 2)
	require.Equal(t, []string{"2026-W53", "2026-12-28", "2027-01-03"}, []string{v.ByWeek[0].Week, v.ByWeek[0].Monday, v.ByWeek[0].Sunday})
	require.Equal(t, []string{"2027-W01", "2027-01-04", "2027-01-10"}, []string{v.ByWeek[1].Week, v.ByWeek[1].Monday, v.ByWeek[1].Sunday})
	w53, w01 := v.ByWeek[0].Told, v.ByWeek[1].Told
	require.Equal(t, []int{21, 21, 1, 1}, []int{w53.Fired, w53.False, w53.Cleared, w53.Acknowledged})
	require.Equal(t, []int{22, 20, 1, 1, 1, 1}, []int{w01.Fired, w01.Genuine, w01.Open, w01.NoOutcome, w01.Cleared, w01.Joined})
	require.Equal(t, QualityTrouble{Faults: 1, Storms: 1, KeptBack: 300}, v.ByWeek[1].QualityTrouble)
	require.Equal(t, []int{1, 2, 1}, []int{w01.Reminded, w01.Reminders, w01.Escalated})
	require.Equal(t, 1, v.ByWeek[1].Watched.Unclear)
	require.Equal(t, []int{43, 20, 21}, []int{v.Told.Fired, v.Told.Genuine, v.Told.False})
	require.Equal(t, &QualityDelay{Median: 60, P90: 84}, v.Told.Delay) // of 30 s and 90 s: 30 + 0.5 · 60, 30 + 0.9 · 60
	require.Len(t, v.ByVersion, 3)
	require.Equal(t, []string{"one", "two", "three"}, []string{v.ByVersion[0].Digest, v.ByVersion[1].Digest, v.ByVersion[2].Digest})
	require.Nil(t, v.ByVersion[0].Change)
	require.Equal(t, 1.0, v.ByVersion[1].Change.Difference)
	require.Contains(t, v.ByVersion[1].Change.Words, "Better")
	require.Nil(t, v.ByVersion[2].Change, "an unclear outcome is none")
	require.True(t, v.ByVersion[2].Watch)

	// At the pier it was Monday already.
	v = into[RuleQuality](r.get("/v1/rules/old-rule/quality?weeks=1").wants(200))
	require.Equal(t, 23, v.Told.Fired)
	require.Equal(t, 21, v.Told.Genuine)
	// Late on Sunday the new week has begun at the pier only, and is everybody's last.
	now = local(t, "2027-01-10 20:00")
	r.get("/v1/rules/old-rule/quality?weeks=1").wantsCode(codeUnknownRule)
	v = into[RuleQuality](r.get("/v1/rules/old-rule/quality?weeks=2").wants(200))
	require.Equal(t, "2027-W02", v.Weeks.Last)
	require.Equal(t, 23, v.Told.Fired)
	require.Equal(t, "2027-W01", into[RuleQuality](r.get("/v1/rules/old-rule/quality?weeks=1&site=umberhithe").wants(200)).Weeks.Last)

	all := into[RuleQualityList](r.get("/v1/rules/quality?weeks=3").wants(200))
	require.Equal(t, []string{"old-rule", "another", "in-the-shelf", "unpaid-at-door"},
		[]string{all.Rules[0].Rule, all.Rules[1].Rule, all.Rules[2].Rule, all.Rules[3].Rule})
	require.Equal(t, "live", all.Rules[3].Mode)

	pier, err := kit.MintKey(t.Context(), r.store, "pier-only", []string{kit.ScopeOperate}, []string{"pier"}, "test", time.Now())
	r.api.server.ForgetKeys()
	require.NoError(t, err)
	r.as(pier, func(r *rig) {
		require.Equal(t, 1, into[RuleQuality](r.get("/v1/rules/old-rule/quality").wants(200)).Told.Fired)
		require.Equal(t, 1, into[RuleQualityList](r.get("/v1/rules/quality").wants(200)).Rules[0].Told.Fired)
		r.get("/v1/rules/old-rule/quality?site=umberhithe").wantsCode(kit.CodeMissingSite)
		r.get("/v1/rules/quality?site=umberhithe").wantsCode(kit.CodeMissingSite)
	})
	for _, path := range []string{"/v1/rules/quality", "/v1/rules/old-rule/quality"} {
		r.get(path + "?site=nowhere").wantsCode(kit.CodeUnknownSite)
		for _, q := range []string{"weeks=0", "weeks=105", "weeks=x", "week=2"} {
			r.get(path + "?" + q).wantsCode(kit.CodeInvalidParameter)
		}
	}
	r.get("/v1/rules/quality?limit=0").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/rules/no-such-rule/quality").wantsCode(codeUnknownRule)
	require.Zero(t, into[RuleQuality](r.get("/v1/rules/in-the-shelf/quality").wants(200)).Watched.Fired,
		"a rule that is written and never fired")
}

func TestQualityWithoutSites(t *testing.T) {
	r := newRig(t)
	v := into[RuleQualityList](r.get("/v1/rules/quality").wants(200))
	require.Empty(t, v.Rules)
	require.Equal(t, 12, v.Weeks.Count)
}

// Of 100,000 alerts on record, on the embedded store.
func BenchmarkQuality(b *testing.B) {
	r := newRig(b).shop()
	now := r.clock().UnixMilli()
	list := make([]event.Alert, 100_000)
	why, err := json.Marshal(map[string]any{"text": `zone.kind == "exit" and item.sellable and not item.paid`,
		"value": true, "parts": []string{"zone.kind", "item.sellable", "item.paid"}})
	require.NoError(b, err)
	for i := range list {
		opened := now - int64(i)*72_000 // one every 72 s: 100,000 are twelve weeks
		list[i] = event.Alert{
			ID: fmt.Sprintf("umberhithe-%d-1", 1_000_000+i), Rule: fmt.Sprintf("rule-%d", i%50),
			Digest: fmt.Sprintf("%032x", i%3), About: "item", Severity: "urgent",
			Status: event.AlertClosed, Zone: "street-door", FactMs: opened, Since: opened, OpenedAt: opened,
			AckedAt: opened + int64(i%977)*1000, AckedBy: "door-team",
			ClosedAt: opened + 600_000, ClosedBy: "door-team", Outcome: event.Outcomes.Texts()[i%3],
			Say: "The Harbour Light passed Street door unpaid", Why: why, Send: []string{"door-team"},
		}
	}
	keepAlerts(b, r.store, "umberhithe", list...)
	b.ReportAllocs()
	for b.Loop() {
		v := into[RuleQualityList](r.get("/v1/rules/quality").wants(200))
		require.Greater(b, v.Rules[0].Told.Fired, 1000)
	}
}
