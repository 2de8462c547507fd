package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/trial"
	"lintel/rules"
)

const trialPath = "/v1/rules/unpaid-at-door/trial"

// doorRule is the rule of the rig, and changes to it.
func doorRule(old, changed string) string { return strings.Replace(testRules, old, changed, 1) }

// try posts a trial and returns its lines by type, each held against the OpenAPI document.
func (r *rig) try(query, body string, headers ...string) map[string][]json.RawMessage {
	r.t.Helper()
	rep := r.do("POST", trialPath+query, body, append([]string{"Content-Type", mediaYAML}, headers...)...).wants(200)
	return trialLines(r.t, rep.body)
}

func trialLines(t testing.TB, body []byte) map[string][]json.RawMessage {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	require.NoError(t, c.AddResource("https://lintel.test/trial.json", strictDoc))
	schema, err := c.Compile("https://lintel.test/trial.json#/paths/~1v1~1rules~1%7Bname%7D~1trial/post/responses/200/content/application~1x-ndjson/schema")
	require.NoError(t, err)
	lines := map[string][]json.RawMessage{}
	for line := range strings.Lines(string(body)) {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(line))
		require.NoError(t, err, line)
		require.NoError(t, schema.Validate(v), line)
		kind := v.(map[string]any)["type"].(string)
		lines[kind] = append(lines[kind], json.RawMessage(line))
	}
	return lines
}

func resultOf(t testing.TB, lines map[string][]json.RawMessage) trial.Report {
	t.Helper()
	require.Empty(t, lines[lineProblem])
	require.Len(t, lines[lineResult], 1)
	var line TrialResultLine
	require.NoError(t, json.Unmarshal(lines[lineResult][0], &line))
	return line.Report
}

func TestTrialOfTheSavedRule(t *testing.T) {
	r := newRig(t).shop()
	ids := []string{r.alert(1), r.alert(2), r.alert(3)}
	r.post("/v1/alerts/"+ids[0]+"/close", `{"outcome":"genuine"}`).wants(200)
	r.post("/v1/alerts/"+ids[1]+"/close", `{"outcome":"false"}`).wants(200)
	before := len(into[DeliveryList](r.get("/v1/deliveries")).Deliveries)
	cursor, _, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)

	lines := r.try("", "")
	require.NotEmpty(t, lines[lineProgress])
	rep := resultOf(t, lines)
	require.Equal(t, []any{"umberhithe", "unpaid-at-door", "live"}, []any{rep.Site, rep.Rule, rep.Mode})
	require.Equal(t, 3, rep.Tried.Raised)
	require.Equal(t, 3, rep.Tried.StillOpen)
	require.Equal(t, []trial.Messages{{Channel: "door-team", Sent: 3, ByChange: map[string]int{"alert.opened": 3}}}, rep.Tried.Messages)
	require.Equal(t, "The Harbour Light", rep.Tried.Products[0].Name)
	require.Equal(t, "Street door", rep.Tried.Zones[0].Name)
	require.True(t, rep.Live.Same)
	require.Equal(t, 3, rep.Recorded.Both)
	require.Equal(t, map[string]int{"genuine": 1, "false": 1, "none": 1}, rep.Recorded.BothOutcomes)
	require.Equal(t, 0.5, rep.Recorded.BothPrecision.Share)
	require.True(t, rep.Partial, "the shop has facts of a few seconds, not of seven days")
	require.NotNil(t, rep.KeptFrom)
	require.Contains(t, strings.Join(rep.Notes, " "), "are kept from")
	require.Equal(t, event.Notice, rep.Notice)
	require.Len(t, lines[lineAlert], 3)
	var alert TrialAlertLine
	require.NoError(t, json.Unmarshal(lines[lineAlert][0], &alert))
	require.Equal(t, "The Harbour Light passed Street door unpaid", alert.Alert.Say)
	require.Equal(t, "(01)09521141123454(21)1", alert.Alert.Item)
	require.NotEmpty(t, alert.Alert.Why)
	require.NotContains(t, string(lines[lineAlert][0]), `"id"`)

	// Nobody was told, and nothing happened.
	require.Len(t, into[DeliveryList](r.get("/v1/deliveries")).Deliveries, before)
	require.Len(t, into[AlertList](r.get("/v1/alerts?status=all")).Alerts,
		3+len(into[AlertList](r.get("/v1/alerts?status=all&rule=in-the-shelf")).Alerts))
	since, err := r.store.Read(t.Context(), "umberhithe", cursor, 100, 0)
	require.NoError(t, err)
	for _, e := range since {
		var what event.Entry
		require.NoError(t, event.DecodeEntry(e.Data, &what))
		require.Equal(t, event.EntryTick, what.Kind, "but that time passed")
	}

	require.Len(t, r.try("?alerts=1", "")[lineAlert], 1)
	rep = resultOf(t, r.try("?from=2020-01-01T00:00:00Z&to=2020-01-02T00:00:00Z", ""))
	require.Zero(t, rep.Facts)
	require.Zero(t, rep.Recorded.Other)
	rep = resultOf(t, r.try(fmt.Sprintf("?from=%d&to=%d", r.clock().UnixMilli(), r.clock().Add(time.Hour).UnixMilli()), ""))
	require.Zero(t, rep.Tried.Raised, "what was raised before the range is not counted")
	require.NotZero(t, rep.LeadIn)
	require.False(t, rep.To.After(r.clock()), "the future has no facts")
}

func TestTrialOfAnUnsavedRule(t *testing.T) {
	r := newRig(t).shop()
	genuine, wrong := r.alert(1), r.alert(2)
	r.post("/v1/alerts/"+genuine+"/close", `{"outcome":"genuine"}`).wants(200)
	r.post("/v1/alerts/"+wrong+"/close", `{"outcome":"false"}`).wants(200)
	rep := resultOf(t, r.try("?site=umberhithe", doorRule("and not item.paid", `and item.serial == "1"`)))
	require.Equal(t, 1, rep.Tried.Raised)
	require.False(t, rep.Live.Same)
	require.Equal(t, 2, rep.Live.Result.Raised)
	require.Equal(t, 1, rep.Live.Compared.OnlyOther)
	require.Equal(t, wrong, rep.Recorded.Avoided[0].ID)
	require.Empty(t, rep.Recorded.Missed)
	rep = resultOf(t, r.try("", doorRule("and not item.paid", `and item.serial == "2"`)))
	require.Equal(t, genuine, rep.Recorded.Missed[0].ID)
	require.Equal(t, "genuine", rep.Recorded.Missed[0].Outcome)

	// A rule that has no other version, to a channel that there is not, in mode off: tried as if it
	// were live.
	lines := r.do("POST", "/v1/rules/new-one/trial", "rules:\n  - {name: new-one, when: 'zone.kind == \"exit\"', "+
		"send: [door-team, nobody], mode: off}\n", "Content-Type", mediaYAML).wants(200)
	rep = resultOf(t, trialLines(t, lines.body))
	require.Nil(t, rep.Live)
	require.Equal(t, "off", rep.Mode)
	require.Equal(t, 2, rep.Tried.Raised)
	require.Equal(t, 2, rep.Tried.Messages[0].Sent)
	require.Equal(t, trial.Messages{Channel: "nobody", Unwanted: 2, ByChange: map[string]int{"alert.opened": 2},
		Unknown: true}, rep.Tried.Messages[1])
	require.Zero(t, rep.Recorded.Other)

	// One rule by itself is tried as it would stand in the saved document: with its params.
	r.yaml("params:\n  which: {type: text, default: \"1\"}\n" + testRules).wants(200)
	one := "# why\nname: new-one\nwhen: zone.kind == \"exit\" and item.serial == params.which\n"
	lines = r.do("POST", "/v1/rules/new-one/trial", one, "Content-Type", mediaYAML).wants(200)
	require.Equal(t, 1, resultOf(t, trialLines(t, lines.body)).Tried.Raised)
	r.yaml(testRules).wants(200)

	// A channel that takes other messages only, and params of the site.
	r.put("/v1/channels", strings.Replace(testChannels, `"format"`, `"types": ["alert.cleared"], "format"`, 1)).wants(200)
	rep = resultOf(t, r.try("", "params:\n  who:\n    type: text\n    default: nobody\n    sites:\n      "+
		"umberhithe: \"1\"\n"+doorRule("and not item.paid", `and item.serial == params.who`)))
	require.Equal(t, 1, rep.Tried.Raised)
	require.Equal(t, trial.Messages{Channel: "door-team", Unwanted: 1, ByChange: map[string]int{"alert.opened": 1}}, rep.Tried.Messages[0])

	r.put("/v1/sites/umberhithe/layout", strings.Replace(testLayout, "Front tables", "Tables", 1)).wants(200)
	require.Contains(t, strings.Join(resultOf(t, r.try("", "")).Notes, " "), "The layout was changed at")
}

func TestTrialAsEvents(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	rep := r.do("POST", trialPath, "", "Accept", mediaEvents).wants(200)
	require.Equal(t, mediaEvents, rep.header.Get("Content-Type"))
	events := strings.Split(strings.TrimSuffix(string(rep.body), "\n\n"), "\n\n")
	require.True(t, strings.HasPrefix(events[0], "event: progress\ndata: {\"type\":\"progress\""))
	require.True(t, strings.HasPrefix(events[len(events)-1], "event: result\ndata: {\"type\":\"result\""))
}

func TestTrialsThatAreRefused(t *testing.T) {
	r := newRig(t)
	r.do("POST", trialPath, "", "Content-Type", mediaYAML).wantsCode(kit.CodeUnknownSite)
	r.shop()
	r.do("POST", trialPath, "", "Accept", "text/html").wantsCode(kit.CodeNotAcceptable)
	r.do("POST", "/v1/rules/unpaid-at-dor/trial", "").wantsCode(codeUnknownRule)
	p := r.do("POST", "/v1/rules/unpaid-at-dor/trial", testRules, "Content-Type", mediaYAML).wantsCode(codeUnknownRule)
	require.Contains(t, p.json()["detail"], "unpaid-at-door")
	p = r.do("POST", trialPath, doorRule("item.paid", "item.payed"), "Content-Type", mediaYAML).wantsCode(kit.CodeInvalidDocument)
	require.EqualValues(t, 3, p.json()["errors"].([]any)[0].(map[string]any)["line"])
	for _, query := range []string{"from=x", "to=x", "from=2026-01-02T00:00:00Z&to=2026-01-01T00:00:00Z", "alerts=1001", "limit=5"} {
		r.post(trialPath+"?"+query, "").wantsCode(kit.CodeInvalidParameter)
	}
	r.post(trialPath+"?site=nowhere", "").wantsCode(kit.CodeUnknownSite)
	r.post(trialPath+"?site=_x", "").wantsCode(kit.CodeUnknownSite)
	r.bodyFaults("POST", trialPath, mediaYAML, false)

	r.put("/v1/sites/pier/layout", strings.ReplaceAll(testLayout, `"umberhithe"`, `"pier"`)).wants(201)
	p = r.post(trialPath, "").wantsCode(kit.CodeInvalidParameter)
	require.Contains(t, p.json()["detail"], "pier, umberhithe")
	pier, err := kit.MintKey(t.Context(), r.store, "pier", []string{kit.ScopeAuthor}, []string{"pier"}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(pier, func(r *rig) {
		r.post(trialPath+"?site=umberhithe", "").wantsCode(kit.CodeMissingSite)
		require.Equal(t, "pier", resultOf(t, r.try("", "")).Site, "the only site of the key")
	})
	require.Contains(t, strings.Join(resultOf(t, r.try("?site=pier", "")).Notes, " "), "No facts are kept")

	for range cap(r.api.trials.running) {
		r.api.trials.running <- struct{}{}
	}
	p = r.post(trialPath+"?site=umberhithe", "").wantsCode(codeTooManyTrials)
	require.Equal(t, "1", p.header.Get("Retry-After"))
}

// brittle fails to list facts once a trial runs.
type brittle struct{ store.Store }

func (s brittle) Facts(ctx context.Context, site string, from, to store.FactID, limit int, fn func(store.FactID, []byte) error) error {
	if limit == 1 {
		return s.Store.Facts(ctx, site, from, to, limit, fn)
	}
	return errors.New("the secret cause")
}

func TestTrialsThatBreakOff(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	sound := r.api
	r.api = New(Options{Store: brittle{r.store}, Runner: r.run, Log: sound.log, Now: r.clock})
	lines := r.try("", "")
	require.Empty(t, lines[lineResult])
	require.Contains(t, string(lines[lineProblem][0]), `"code":"unavailable"`)
	require.NotContains(t, string(lines[lineProblem][0]), "secret cause")
	require.Contains(t, r.log.String(), "secret cause")

	r.api = New(Options{Store: r.store, Runner: r.run, Log: sound.log, Now: r.clock, TrialFacts: 1})
	rep := resultOf(t, r.try("", ""))
	require.Equal(t, trial.StoppedFacts, rep.Stopped)
	require.Zero(t, rep.Recorded.Other, "an alert past where the trial came to can't be missed")
	r.alert(2)
	r.api = New(Options{Store: r.store, Runner: r.run, Log: sound.log, Now: r.clock, TrialAlerts: 1})
	require.Equal(t, trial.StoppedAlerts, resultOf(t, r.try("", "")).Stopped)

	r.api = sound
	r.api.Close()
	lines = r.try("", "")
	if len(lines[lineResult]) == 0 { // it may have been through already
		require.Contains(t, string(lines[lineProblem][0]), "shutting down")
	}
	require.Empty(t, r.api.trials.running)
}

// stuckWriter takes nothing once the head is out until it is let go.
type stuckWriter struct {
	*httptest.ResponseRecorder
	stuck chan struct{}
	free  chan struct{}
}

func (w *stuckWriter) Write(b []byte) (int, error) {
	select {
	case w.stuck <- struct{}{}:
	default:
	}
	<-w.free
	return w.ResponseRecorder.Write(b)
}

// While a trial runs, be it stuck, the site goes on; and it ends with its client.
func TestATrialHoldsNothing(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	w := &stuckWriter{httptest.NewRecorder(), make(chan struct{}, 1), make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	req := httptest.NewRequestWithContext(ctx, "POST", trialPath, nil)
	req.Header.Set("Authorization", "Bearer "+r.admin)
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.api.Handler().ServeHTTP(w, req)
	}()
	<-w.stuck
	require.Len(t, r.api.trials.running, 1)
	r.alert(2)
	r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"sold","epc":"(01)09521141123454(21)2","zone":"till"}`).wants(200)
	cancel()
	close(w.free)
	<-done
	require.Empty(t, r.api.trials.running)
	require.NotContains(t, w.Body.String(), `"type":"result"`)
	require.NotContains(t, w.Body.String(), `"type":"problem"`, "nobody is there to read it")
}

// A client that goes away ends its trial, over a real connection.
func TestATrialEndsWithItsClient(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	slow := &slowFacts{Store: r.store, page: make(chan struct{})}
	r.api = New(Options{Store: slow, Runner: r.run, Log: r.api.log, Now: r.clock})
	srv := httptest.NewServer(r.api.Handler())
	defer srv.Close()
	ctx, cancel := context.WithCancel(t.Context())
	req, err := http.NewRequestWithContext(ctx, "POST", srv.URL+trialPath, strings.NewReader(testRules))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+r.admin)
	req.Header.Set("Content-Type", mediaYAML)
	resp, err := srv.Client().Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	<-slow.page
	cancel()
	r.until("the trial's end", func() bool { return len(r.api.trials.running) == 0 })
}

// slowFacts lists facts for ever.
type slowFacts struct {
	store.Store
	page chan struct{}
}

func (s *slowFacts) Facts(ctx context.Context, site string, from, to store.FactID, limit int, fn func(store.FactID, []byte) error) error {
	if limit == 1 {
		return s.Store.Facts(ctx, site, from, to, limit, fn)
	}
	close(s.page)
	<-ctx.Done()
	return ctx.Err()
}

// What the export gives is all that a trial needs: on the file it comes to the same as on the
// store.
func TestTrialOfTheExport(t *testing.T) {
	r := newRig(t).shop().stocked()
	for serial := range 5 {
		r.alert(1 + serial)
	}
	r.post("/v1/sites/umberhithe/events?wait=5s", `{"type":"sold","epc":"(01)09521141123454(21)2","zone":"till","ref":"R 1"}`).wants(200)
	path := "/v1/sites/umberhithe/facts.jsonl"
	rep := r.get(path).wants(200)
	require.Equal(t, mediaNDJSON, rep.header.Get("Content-Type"))
	require.Contains(t, rep.header.Get("Content-Disposition"), "umberhithe-facts.jsonl")
	listed := into[FactList](r.get("/v1/sites/umberhithe/facts?limit=5000")).Facts
	require.Equal(t, len(listed), bytes.Count(rep.body, []byte("\n")))
	require.Equal(t, 1, bytes.Count(r.get(path+"?cause=sold").wants(200).body, []byte("\n")))
	require.Empty(t, r.get(path+"?from=0&to=0").wants(200).body)
	r.get(path + "?cause=solt").wantsCode(kit.CodeInvalidParameter)
	r.get(path + "?limit=5").wantsCode(kit.CodeInvalidParameter)
	r.get(path + "?from=x").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/sites/nowhere/facts.jsonl").wantsCode(kit.CodeUnknownSite)

	for _, change := range [][2]string{{"", ""}, {"severity: urgent", "hold: 1s"}, {"severity: urgent", "gather: 10s"},
		{`zone.kind == "exit" and item.sellable and not item.paid`, `cause == "arrived"`}} {
		src := doorRule(change[0], change[1])
		onStore := resultOf(t, r.try("", src))
		v, found, err := trial.Pick("rules", []byte(src), rules.Known{Site: "umberhithe"}, "unpaid-at-door")
		require.NoError(t, err)
		require.NotNil(t, v, "%v", found)
		plan := trial.Plan{Site: "umberhithe", Tried: v, From: onStore.From.UnixMilli(), To: onStore.To.UnixMilli()}
		require.NoError(t, r.api.viewSite(t.Context(), "umberhithe",
			func(st *engine.State) error { plan.Config = st.Config(); return nil }))
		reader, err := trial.NewFactReader(bytes.NewReader(rep.body))
		require.NoError(t, err)
		onFile, err := trial.Run(t.Context(), plan, reader.Facts())
		require.NoError(t, err)
		require.Equal(t, onStore.Facts, onFile.Facts)
		require.Equal(t, onStore.Tried, onFile.Tried)
	}
}

// TestFactsReadBackWhole gives any fact away and takes it back.
func TestFactsReadBackWhole(t *testing.T) {
	identities := []string{harbourLight, "(01)09521141123454(21)A/7_b", "(00)095201234567891235",
		"urn:epc:raw:96.x999999999999999999999999", "(8004)0614141AB", "(01)09521141123454(21)0012"}
	rapid.Check(t, func(t *rapid.T) {
		names := rapid.SampledFrom([]string{"", "shelf-a", "street-door", "sh\"elf\\ü"})
		f := event.Fact{
			Ms: rapid.Int64Range(0, 4e12).Draw(t, "ms"), N: rapid.Uint32().Draw(t, "n"),
			Seq: rapid.Uint64().Draw(t, "seq"), Cause: event.Cause(rapid.IntRange(1, 16).Draw(t, "cause")),
			At: rapid.Int64Range(0, 4e12).Draw(t, "at"), GTIN: rapid.Uint64Range(0, 99999999999999).Draw(t, "gtin"),
			Zone: names.Draw(t, "zone"), From: names.Draw(t, "from"),
			Point: names.Draw(t, "point"), Ref: rapid.StringN(0, 10, -1).Draw(t, "ref"),
		}
		f.Ref = strings.ToValidUTF8(f.Ref, "")
		if rapid.Bool().Draw(t, "item") {
			id, err := parseIdentity(rapid.SampledFrom(identities).Draw(t, "identity"), 0, false)
			require.NoError(t, err)
			f.Key, f.Text = keyOf(id)
			f.Disp = rapid.SampledFrom(event.Dispositions.All()).Draw(t, "disposition")
		}
		if rapid.Bool().Draw(t, "passage") {
			f.Passage = event.Passage{
				Direction:  event.Direction(rapid.IntRange(1, 3).Draw(t, "direction")),
				Confidence: float64(rapid.IntRange(0, 1e6).Draw(t, "confidence")) / 1e6, Reads: rapid.IntRange(0, 1e6).Draw(t, "reads"),
				Peak: rapid.SampledFrom([]int16{event.NoRSSI, 0, -551, 37, -9999}).Draw(t, "peak"),
				Span: rapid.Int64Range(0, 1e9).Draw(t, "span"),
			}
		}
		number := rapid.IntRange(0, math.MaxInt32)
		switch f.Cause {
		case event.Stock:
			f.Count = number.Draw(t, "count")
		case event.Counted:
			f.Count, f.Expected, f.MissingItems, f.Unexpected = number.Draw(t, "count"), number.Draw(t, "expected"),
				number.Draw(t, "missing"), number.Draw(t, "unexpected")
		}
		// What is stored is what is given away.
		var stored event.Fact
		require.NoError(t, event.DecodeFact(event.AppendFact(nil, &f), f.Ms, f.N, &stored))
		line, err := json.Marshal(factView(&stored))
		require.NoError(t, err)
		reader, err := trial.NewFactReader(bytes.NewReader(line))
		require.NoError(t, err)
		got, err := reader.Next()
		require.NoError(t, err, "%s", line)
		require.Equal(t, stored, *got, "%s", line)
	})
}

// BenchmarkTrial measures a trial as a request: facts of the embedded store, decoded, and one rule.
func BenchmarkTrial(b *testing.B) {
	r := newRig(b).shop()
	const n = 200_000
	id, err := parseIdentity(harbourLight, 0, false)
	require.NoError(b, err)
	key, _ := keyOf(id)
	start := r.clock().Add(-24 * time.Hour).UnixMilli()
	var facts []store.Fact
	for i := range n {
		f := event.Fact{Ms: start + int64(i)*100, Cause: event.Arrived, Key: key, GTIN: 9521141123454,
			Disp: event.SellableAccessible, Zone: []string{"shelf-a", "front-tables"}[i%2], From: "till", Point: "handheld-1"}
		f.Key.Lo, f.At = uint64(i%5000), f.Ms
		if i%100 == 0 {
			f.Cause, f.Zone, f.Passage = event.Passed, "street-door", event.Passage{Direction: event.DirectionOut,
				Confidence: 0.9, Reads: 8}
		}
		facts = append(facts, store.Fact{ID: store.FactID{Ms: f.Ms, N: f.N}, Data: event.AppendFact(nil, &f)})
	}
	require.NoError(b, r.store.Commit(b.Context(), "umberhithe", store.Commit{Loose: true, Facts: facts}))
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		w := httptest.NewRecorder()
		req := httptest.NewRequest("POST", trialPath+"?alerts=0", nil)
		req.Header.Set("Authorization", "Bearer "+r.admin)
		r.api.Handler().ServeHTTP(w, req)
		require.Contains(b, w.Body.String(), fmt.Sprintf(`"facts":%d,"lead_in_facts":0`, n))
	}
	b.ReportMetric(float64(b.N)*n/b.Elapsed().Seconds(), "facts/s")
}
