package api

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/storetest"
)

const (
	configPath = "/v1/configuration"
	planPath   = configPath + "/plan"
)

func storeDocument(name, body string) store.Document {
	return store.Document{Name: name, At: time.Now(), By: "test", Body: []byte(body)}
}

// documents writes the body of a request: names and texts in turn.
func documentsBody(pairs ...string) string {
	req := ConfigurationRequest{}
	for i := 0; i < len(pairs); i += 2 {
		req.Documents = append(req.Documents, ConfigurationText{Document: pairs[i], Text: pairs[i+1]})
	}
	return string(kit.MustJSON(req))
}

var wholeShop = documentsBody("rules", testRules, "channels", testChannels, "products", testProducts, "layout/umberhithe", testLayout)

func changesByName(list []PlannedDocument) map[string]string {
	m := make(map[string]string)
	for _, d := range list {
		m[d.Document] = d.Change
	}
	return m
}

// versions lists which versions there are, without the keys.
func (r *rig) versions() map[string]int {
	r.t.Helper()
	m := make(map[string]int)
	for _, d := range into[ConfigurationList](r.get(configPath).wants(200)).Documents {
		m[d.Document] = d.Version
	}
	return m
}

func TestApplyConfiguration(t *testing.T) {
	r := newRig(t)
	require.Empty(t, r.versions())
	empty := r.get(configPath).header.Get("ETag")
	plan := r.post(planPath, wholeShop).wants(200)
	require.Equal(t, empty, plan.header.Get("ETag"))
	p := into[ConfigurationPlan](plan)
	require.True(t, p.OK)
	require.Equal(t, 4, p.ToStore)
	require.Equal(t, map[string]string{"rules": "new", "channels": "new", "products": "new",
		"layout/umberhithe": "new"}, changesByName(p.Documents))
	require.Empty(t, p.Documents[3].Diagnostics, "rules are checked against the channels and the layout that come with them")
	require.Empty(t, r.versions(), "a plan stores nothing")

	rep := r.do("POST", configPath+"?note=opening", wholeShop, "If-Match", empty).wants(200)
	for _, secret := range []string{"TOPSECRET", "QUJDREVG"} {
		require.NotContains(t, string(rep.body), secret)
		require.NotContains(t, string(plan.body), secret)
	}
	a := into[ConfigurationApplied](rep)
	require.Equal(t, 4, a.Stored)
	require.True(t, a.InEffect)
	require.Equal(t, map[string]int{"rules": 1, "channels": 1, "products": 1, "layout/umberhithe": 1}, r.versions())
	require.Equal(t, rep.header.Get("ETag"), r.get(configPath).header.Get("ETag"))
	for _, d := range into[ConfigurationList](r.get(configPath)).Documents {
		require.Equal(t, VersionView{Version: 1, At: *a.At, By: "boss", Note: "opening"}, d.VersionView)
	}
	require.Equal(t, testRules, string(r.get("/v1/rules").wants(200).body), "byte by byte")
	require.Equal(t, testLayout, string(r.get(layoutPath).wants(200).body))

	// Once more changes nothing, and neither does what was shown with masks.
	shown := string(r.get("/v1/channels").wants(200).body)
	csv := string(r.do("GET", "/v1/products", "", "Accept", "text/csv").wants(200).body)
	for _, body := range []string{wholeShop, documentsBody("channels", shown, "products", csv)} {
		a = into[ConfigurationApplied](r.post(configPath, body).wants(200))
		require.Zero(t, a.Stored)
		require.Nil(t, a.At)
		require.Equal(t, 1, r.versions()["channels"])
	}
	require.Equal(t, map[string]string{"rules": "kept", "channels": "unchanged", "products": "unchanged",
		"layout/umberhithe": "kept"}, changesByName(a.Documents))

	// A change of one leaves the others.
	changed := documentsBody("rules", strings.Replace(testRules, "urgent", "warning", 1), "layout/umberhithe",
		testLayout, "layout/pier", strings.ReplaceAll(testLayout, "umberhithe", "pier"))
	a = into[ConfigurationApplied](r.post(configPath, changed).wants(200))
	require.Equal(t, 2, a.Stored)
	require.Equal(t, map[string]int{"rules": 2, "channels": 1, "products": 1, "layout/umberhithe": 1, "layout/pier": 1}, r.versions())
	k := slices.IndexFunc(a.Documents, func(d PlannedDocument) bool { return d.Document == "rules" })
	require.Contains(t, a.Documents[k].Changes.Text, "--- rules@1\n+++ rules\n")
	require.Equal(t, 2, a.Documents[k].Version)
}

func TestApplyIsAllOrNothing(t *testing.T) {
	r := newRig(t).shop()
	before := r.versions()
	good := strings.Replace(testRules, "urgent", "warning", 1)
	for what, bad := range map[string]struct{ body, says string }{
		"rules": {documentsBody("layout/umberhithe", strings.Replace(testLayout, "Shelf A", "A", 1), "rules",
			"rules:\n  - name: broken\n    when: zone.kindd == 1\n"), "zone.kindd"},
		"layout": {documentsBody("rules", good, "layout/umberhithe", strings.Replace(testLayout, "Europe/London",
			"Mars/Base", 1)), "Mars/Base"},
		"site":     {documentsBody("rules", good, "layout/pier", testLayout), "layout/pier"},
		"channels": {documentsBody("rules", good, "channels", strings.Replace(testChannels, "https:", "gopher:", 1)), "gopher"},
		"mask":     {documentsBody("rules", good, "channels", strings.Replace(testChannels, "TOPSECRETHEADER", "***", 1)+" "), ""},
		"products": {documentsBody("rules", good, "products", "gtin\n9521141123455\n9521141123455\n"), "check digit"},
		"every": {documentsBody("rules", "rules: 7", "channels", "{", "products", "x", "layout/umberhithe", "[", "layout/pier", "{}"),
			""},
	} {
		rep := r.post(planPath, bad.body).wants(200)
		if what == "mask" { // a header's mask keeps what it stands for
			require.True(t, into[ConfigurationPlan](rep).OK)
			continue
		}
		require.False(t, into[ConfigurationPlan](rep).OK, what)
		p := r.post(configPath, bad.body).wantsCode(kit.CodeInvalidDocument)
		require.Contains(t, string(p.body), bad.says, what)
		require.NotContains(t, string(p.body), "TOPSECRET")
		require.Equal(t, before, r.versions(), what)
		if what == "every" {
			require.Len(t, p.json()["documents"], 5, "everything that is wrong is said")
		}
	}
	require.NotContains(t, r.log.String(), "TOPSECRET")
}

// Documents are judged as they would be together, those that are not sent included.
func TestApplyChecksEverythingTogether(t *testing.T) {
	r := newRig(t).shop()
	moved := strings.ReplaceAll(strings.ReplaceAll(testLayout, "shelf-a", "shelf-b"), "shelf-b-1", "shelf-a-1")
	about := func(p ConfigurationPlan, name string) PlannedDocument {
		k := slices.IndexFunc(p.Documents, func(d PlannedDocument) bool { return d.Document == name })
		require.GreaterOrEqual(t, k, 0, name)
		return p.Documents[k]
	}
	// The rules that stay name a zone that goes; so do products that are sent.
	p := into[ConfigurationPlan](r.post(planPath, documentsBody("layout/umberhithe", moved, "products", testProducts)).wants(200))
	require.True(t, p.OK)
	require.Equal(t, "kept", about(p, "rules").Change)
	require.Contains(t, about(p, "rules").Diagnostics[0].Reason, "shelf-a")
	require.Contains(t, about(p, "products").Warnings[0], "shelf-a")
	// With rules that know the new zone there is nothing to say.
	p = into[ConfigurationPlan](r.post(planPath, documentsBody("layout/umberhithe", moved, "rules",
		strings.Replace(testRules, "shelf-a", "shelf-b", 1))).wants(200))
	require.Empty(t, about(p, "rules").Diagnostics)
	// A channel that goes is missed by rules that stay.
	p = into[ConfigurationPlan](r.post(planPath, documentsBody("channels", `{"channels":[]}`)).wants(200))
	require.Contains(t, about(p, "rules").Diagnostics[0].Reason, "door-team")
	// What is invalid itself brings no warnings about what names it.
	p = into[ConfigurationPlan](r.post(planPath, documentsBody("channels", `{`, "layout/umberhithe", "{", "products", "x")).wants(200))
	require.Empty(t, about(p, "rules").Diagnostics)
	require.Equal(t, "unchanged", about(into[ConfigurationPlan](r.post(planPath,
		documentsBody("rules", testRules)).wants(200)), "rules").Change)
}

func TestApplyRefusesAStalePlan(t *testing.T) {
	r := newRig(t).shop()
	change := documentsBody("rules", strings.Replace(testRules, "urgent", "warning", 1))
	tag := r.post(planPath, change).wants(200).header.Get("ETag")
	require.Equal(t, tag, r.get(configPath).header.Get("ETag"))
	r.put(layoutPath, strings.Replace(testLayout, "Shelf A", "A", 1)).wants(200)
	before := r.versions()
	r.do("POST", configPath, change, "If-Match", tag).wantsCode(kit.CodeVersionMismatch)
	r.do("POST", configPath, change, "If-Match", `"x", W/`+r.get(configPath).header.Get("ETag")).wantsCode(kit.CodeVersionMismatch)
	require.Equal(t, before, r.versions())
	r.do("POST", configPath, change, "If-Match", `"x", `+r.get(configPath).header.Get("ETag")).wants(200)
	// A new key is no change of the configuration.
	tag = r.get(configPath).header.Get("ETag")
	r.key("somebody", kit.ScopeReads)
	require.Equal(t, tag, r.get(configPath).header.Get("ETag"))
	r.do("POST", configPath, documentsBody("rules", testRules), "If-Match", "*").wants(200)
}

// late is a store on which somebody changes a document just before documents are stored together.
type late struct {
	store.Store
	mu    sync.Mutex
	times int
	do    func()
}

func (l *late) PutDocuments(ctx context.Context, puts []store.DocumentPut) error {
	l.mu.Lock()
	now := l.times > 0
	l.times--
	l.mu.Unlock()
	if now {
		l.do()
	}
	return l.Store.PutDocuments(ctx, puts)
}

func TestSomebodyChangesADocumentMeanwhile(t *testing.T) {
	l := &late{}
	r := newRig(t, func(o *Options) {
		l.Store = o.Store.(store.Store)
		o.Store = l
		o.Runner = runnerOn(t, l)
	}).shop()
	n := 0
	l.do = func() {
		n++
		version, err := r.api.newestVersion(t.Context(), "layout/umberhithe")
		require.NoError(t, err)
		_, err = store.PutDocument(t.Context(), l.Store, storeDocument("layout/umberhithe", testLayout+strings.Repeat("\n", n)), version)
		require.NoError(t, err)
	}
	change := documentsBody("rules", strings.Replace(testRules, "urgent", "warning", 1))
	tag := r.get(configPath).header.Get("ETag")
	l.times = 1
	r.do("POST", configPath, change, "If-Match", tag).wantsCode(kit.CodeVersionMismatch)
	require.Equal(t, 1, r.versions()["rules"], "the plan was made for another layout")
	l.times = 3
	require.Equal(t, 1, into[ConfigurationApplied](r.post(configPath, change).wants(200)).Stored,
		"planned anew, for nobody said for which version")
	l.times = 100
	r.post(configPath, documentsBody("rules", testRules)).wantsCode(kit.CodeConflict)
	r.post("/v1/rules/restore", `{"version":1}`).wantsCode(kit.CodeConflict)
	require.Equal(t, 2, r.versions()["rules"])
	l.times = 2
	require.Equal(t, 3, into[Restored](r.do("POST", "/v1/rules/restore", `{"version":1}`, "If-Match",
		`"2"`).wants(200)).Version, "another document may change, this one may not")
	l.times = 1
	r.do("POST", layoutPath+"/restore", `{"version":1}`, "If-Match",
		fmt.Sprintf("%q", fmt.Sprint(r.versions()["layout/umberhithe"]))).wantsCode(kit.CodeVersionMismatch)
}

func TestApplyRefusesWrongRequests(t *testing.T) {
	r := newRig(t).shop()
	for _, path := range []string{configPath, planPath} {
		r.post(path, `{"documents":[]}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, documentsBody("keys", "{}")).wantsCode(kit.CodeInvalidBody)
		r.post(path, documentsBody("layout/_x", "{}")).wantsCode(kit.CodeInvalidBody)
		r.post(path, documentsBody("layout/", "{}")).wantsCode(kit.CodeInvalidBody)
		r.post(path, documentsBody("rules", testRules, "rules", testRules)).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{"documents":[{"document":"rules","media_type":"text/csv","text":""}]}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{"documents":[{"document":"products","media_type":"text/plain","text":""}]}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, `{"documents":[{"document":"rules","txt":""}]}`).wantsCode(kit.CodeInvalidBody)
		r.post(path, "{").wantsCode(kit.CodeInvalidJSON)
		r.post(path, "{\"documents\":[{\"document\":\"rules\",\"text\":\"\xff\"}]}").wantsCode(kit.CodeInvalidJSON)
		r.bodyFaults("POST", path, kit.MediaJSON, true)
	}
	r.get(configPath + "?x=1").wantsCode(kit.CodeInvalidParameter)
	r.post(configPath+"?note="+strings.Repeat("x", 201), wholeShop).wantsCode(kit.CodeInvalidParameter)
	r.keyFaults(configPath, documentsBody("rules", testRules+"\n"), 200)
	products := `{"documents":[{"document":"products","media_type":"application/json","text":"[{\"gtin\":\"9521141123461\"}]"}]}`
	p := into[ConfigurationPlan](r.post(planPath, products).wants(200))
	require.Equal(t, [2]int{1, 2}, [2]int{p.Documents[slices.IndexFunc(p.Documents,
		func(d PlannedDocument) bool { return d.Document == "products" })].Changes.Products.Added,
		p.Documents[slices.IndexFunc(p.Documents, func(
			d PlannedDocument) bool {
			return d.Document == "products"
		})].Changes.Products.Removed})

	// Who may only look may plan, for a check before a merge; a key for some sites sees their
	// layouts only.
	r.as(r.key("looks", kit.ScopeOperate), func(r *rig) {
		r.post(planPath, documentsBody("rules", testRules)).wants(200)
		r.post(configPath, documentsBody("rules", testRules)).wantsCode(kit.CodeMissingScope)
	})
	text, err := kit.MintKey(t.Context(), r.store, "pier", []string{kit.ScopeAuthor}, []string{"pier"}, "test", r.clock())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(text, func(r *rig) {
		require.NotContains(t, r.versions(), "layout/umberhithe")
		r.post(planPath, documentsBody("rules", testRules)).wantsCode(kit.CodeMissingSite)
		r.post(layoutPath+"/restore", `{"version":1}`).wantsCode(kit.CodeMissingSite)
	})
}

// A large diff is cut in a plan, and its counts are still of all.
func TestPlansStayShort(t *testing.T) {
	r := newRig(t).shop()
	var b strings.Builder
	b.WriteString(testRules)
	for i := range 5000 {
		fmt.Fprintf(&b, "# a remark about rule number %d\n", i)
	}
	p := into[ConfigurationPlan](r.post(planPath, documentsBody("rules", b.String())).wants(200))
	d := p.Documents[slices.IndexFunc(p.Documents, func(d PlannedDocument) bool { return d.Document == "rules" })]
	require.True(t, d.Changes.Truncated)
	require.LessOrEqual(t, len(d.Changes.Text), shortText)
	require.True(t, strings.HasSuffix(d.Changes.Text, "\n"))
	require.Equal(t, 5000, d.Changes.Added)
	r.post(configPath, documentsBody("rules", b.String())).wants(200)
	require.False(t, into[DocumentDiff](r.get("/v1/rules/diff").wants(200)).Truncated, "asked for by itself it is whole")
}

// Faults of the store: whatever fails, all documents of a request are stored or none.
func TestApplyUnderFaults(t *testing.T) {
	var faulty *storetest.Faulty
	r := newRig(t, func(o *Options) {
		faulty = storetest.NewFaulty(o.Store.(store.Store), storetest.Seed(t), storetest.Faults{})
		o.Store, o.TakeUp = faulty, time.Millisecond
		o.Runner = runnerOn(t, faulty)
	}).shop()
	last, stored := r.versions(), 0
	for i := range 60 {
		body := documentsBody("rules", testRules+strings.Repeat("\n", i+1), "layout/umberhithe",
			testLayout+strings.Repeat("\n", i+1), "products", fmt.Sprintf("gtin,price\n9521141123454,%d\n", i+1))
		faulty.SetFaults(storetest.Faults{Before: 0.05, After: 0.05})
		status := r.post(configPath, body).status
		faulty.SetFaults(storetest.Faults{})
		now := r.versions()
		grew := map[int]bool{}
		for _, name := range []string{"rules", "layout/umberhithe", "products"} {
			grew[now[name]-last[name]] = true
		}
		require.Len(t, grew, 1, "half was stored: %v, then %v", last, now)
		if status == 200 {
			require.True(t, grew[1])
			stored++
		}
		require.True(t, grew[0] || grew[1])
		last = now
	}
	require.Positive(t, stored)
	require.Less(t, stored, 60, "no fault was met")
}

// Random edits, applied together and restored one by one, against a model that remembers every
// content.
func TestAppliedAndRestoredAsAModelHasThem(t *testing.T) {
	r := newRig(t, func(o *Options) { o.TakeUp = time.Nanosecond })
	texts := map[string]func(int) string{
		"rules":             func(i int) string { return fmt.Sprintf("%s# %d\n", testRules, i) },
		"layout/umberhithe": func(i int) string { return strings.Replace(testLayout, "Shelf A", fmt.Sprintf("Shelf %d", i), 1) },
		"layout/pier": func(i int) string {
			return strings.ReplaceAll(strings.Replace(testLayout, "Shelf A", fmt.Sprintf("Shelf %d", i), 1), "umberhithe", "pier")
		},
		"products": func(i int) string { return fmt.Sprintf("gtin,price\n9521141123454,%d\n", i+1) },
		"channels": func(i int) string {
			return strings.Replace(testChannels, `"format"`, fmt.Sprintf(`"timeout": "%ds", "format"`, i+1), 1)
		},
	}
	names := slices.Sorted(maps.Keys(texts))
	at := map[string]string{"rules": "/v1/rules", "products": "/v1/products", "channels": "/v1/channels",
		"layout/umberhithe": layoutPath, "layout/pier": "/v1/sites/pier/layout"}
	// The content as it can be got: one that is parsed is written anew.
	content := func(name string) string {
		switch name {
		case "products":
			return string(r.do("GET", at[name], "", "Accept", "text/csv").wants(200).body)
		case "channels":
			channels, err := r.api.channels(t.Context())
			require.NoError(t, err)
			b, err := deliver.EncodeChannels(channels)
			require.NoError(t, err)
			return string(b)
		}
		return string(r.get(at[name]).wants(200).body)
	}
	const first = 9 // a content that nothing draws
	rapid.Check(t, func(rt *rapid.T) {
		var pairs []string
		for _, name := range names {
			pairs = append(pairs, name, texts[name](first))
		}
		r.post(configPath, documentsBody(pairs...)).wants(200)
		start := r.versions()
		model := map[string][]string{} // contents by document, from the version at the start on
		for _, name := range names {
			model[name] = []string{content(name)}
		}
		for range rapid.IntRange(1, 4).Draw(rt, "steps") {
			if rapid.Bool().Draw(rt, "apply") {
				pairs = pairs[:0]
				for _, name := range rapid.SliceOfNDistinct(rapid.SampledFrom(names), 1, 4, rapid.ID).Draw(rt, "documents") {
					pairs = append(pairs, name, texts[name](rapid.IntRange(0, 2).Draw(rt, "content")))
				}
				a := into[ConfigurationApplied](r.post(configPath, documentsBody(pairs...)).wants(200))
				stored := 0
				for i := 0; i < len(pairs); i += 2 {
					name := pairs[i]
					got := content(name)
					if strings.HasPrefix(name, "layout/") || name == "rules" {
						require.Equal(rt, pairs[i+1], got, "byte by byte")
					}
					if versions := model[name]; versions[len(versions)-1] != got { // the same once more is no version
						model[name] = append(versions, got)
						stored++
					}
				}
				require.Equal(rt, stored, a.Stored)
				require.Zero(rt, into[ConfigurationApplied](r.post(configPath, documentsBody(pairs...)).wants(200)).Stored)
			} else {
				name := rapid.SampledFrom(names).Draw(rt, "restored")
				k := rapid.IntRange(0, len(model[name])-1).Draw(rt, "version")
				back := into[Restored](r.post(at[name]+"/restore", fmt.Sprintf(`{"version":%d}`, start[name]+k)).wants(200))
				want := model[name][k]
				require.Equal(rt, model[name][len(model[name])-1] == want, back.Unchanged)
				if !back.Unchanged {
					model[name] = append(model[name], want)
				}
			}
			now := r.versions()
			for name, versions := range model {
				require.Equal(rt, start[name]+len(versions)-1, now[name])
				require.Equal(rt, versions[len(versions)-1], content(name))
			}
		}
		for name, versions := range model {
			if len(versions) > 1 && name != "products" {
				d := into[DocumentDiff](r.get(fmt.Sprintf("%s/diff?from=%d", at[name], start[name])).wants(200))
				require.Equal(rt, versions[0] == versions[len(versions)-1], d.Text == "")
			}
		}
	})
}

// runnerOn is a runner on another view of the rig's store.
func runnerOn(t *testing.T, st store.Store) *runner.Runner {
	run := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Node: "other"})
	t.Cleanup(run.Stop)
	return run
}

// A configuration that takes away more than half of the products or rules is warned of in its plan, and
// stored only if that is meant.
func TestAConfigurationThatRemovesMuch(t *testing.T) {
	r := newRig(t)
	r.post(configPath, wholeShop).wants(200)
	had := r.versions()
	for document, empty := range map[string]string{"products": "gtin,name\n", "rules": "rules:\n"} {
		plan := into[ConfigurationPlan](r.post(planPath, documentsBody(document, empty)).wants(200))
		require.True(t, plan.OK)
		warned := ""
		for _, d := range plan.Documents {
			if d.Document == document {
				warned = strings.Join(d.Warnings, " ")
			}
		}
		require.Regexp(t, "^This removes [0-9]+ of [0-9]+ "+document, warned)
		detail := r.post(configPath, documentsBody(document, empty)).wantsCode(codeRemoval).json()["detail"]
		require.Contains(t, detail, "allow_removal=true")
		require.Equal(t, had, r.versions())
	}
	r.post(configPath+"?allow_removal=true", documentsBody("products", "gtin,name\n", "rules", "rules:\n")).wants(200)
	require.Equal(t, had["rules"]+1, r.versions()["rules"])
}
