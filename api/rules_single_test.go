package api

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
)

const commented = `# Rules of Umberhithe Books.
rules:
  # The street door.
  - name: unpaid-at-door   # urgent
    when: zone.kind == "exit" and item.sellable and not item.paid
    severity: urgent
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]

  - {name: in-the-shelf, when: 'zone.id == "shelf-a"', mode: watch, say: "{product.name} is in {zone.name}"}
`

func (r *rig) sendYAML(method, path, body string, headers ...string) *reply {
	r.t.Helper()
	return r.do(method, path, body, append([]string{"Content-Type", "text/yaml"}, headers...)...)
}

func (r *rig) text() string { return string(r.get("/v1/rules").wants(200).body) }

func TestOneRuleIsReadAndStored(t *testing.T) {
	r := newRig(t).shop()
	v := into[RulesSaved](r.sendYAML("PUT", "/v1/rules", commented).wants(200)).Version

	got := r.get("/v1/rules/unpaid-at-door").wants(200)
	require.Equal(t, kit.ETag(v), got.header.Get("ETag"))
	require.True(t, strings.HasPrefix(string(got.body), "# The street door.\nname: unpaid-at-door   # urgent\nwhen: "+
		"zone.kind"), "%s", got.body)
	one := into[RuleText](r.get("/v1/rules/unpaid-at-door?format=json").wants(200))
	require.Equal(t, string(got.body), one.Text)
	require.Equal(t, "urgent", one.Rule.Severity)
	r.do("GET", "/v1/rules/unpaid-at-door", "", "If-None-Match", kit.ETag(v)).wants(304)
	require.Contains(t, string(r.get("/v1/rules/unpaid-at-dor").wantsCode(codeUnknownRule).body), "did you mean")

	// What was read is put back: the same bytes, and no version.
	saved := into[RuleSaved](r.sendYAML("PUT", "/v1/rules/unpaid-at-door", one.Text).wants(200))
	require.True(t, saved.Unchanged)
	require.Equal(t, v, saved.Version)
	require.Equal(t, commented, r.text())
	// So is what says the same in JSON.
	saved = into[RuleSaved](r.put("/v1/rules/in-the-shelf",
		`{"name": "in-the-shelf", "when": "zone.id == \"shelf-a\"", "mode": "watch", "say": "{product.name} is in {zone.name}"}`).wants(200))
	require.True(t, saved.Unchanged)

	saved = into[RuleSaved](r.sendYAML("PUT", "/v1/rules/unpaid-at-door?note=calmer", "name: unpaid-at-door\nwhen: "+
		"zone.kind == \"exit\" and item.sellable\n",
		"If-Match", kit.ETag(v)).wants(200))
	require.Equal(t, v+1, saved.Version)
	require.True(t, saved.InEffect)
	require.Equal(t, 5, saved.Changes.Removed)
	want := strings.Replace(commented, `unpaid-at-door   # urgent
    when: zone.kind == "exit" and item.sellable and not item.paid
    severity: urgent
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]
`, "unpaid-at-door\n    when: zone.kind == \"exit\" and item.sellable\n", 1)
	require.Equal(t, want, r.text(), "all else is as it was, byte for byte")
	r.sendYAML("PUT", "/v1/rules/unpaid-at-door", one.Text, "If-Match", kit.ETag(v)).wantsCode(kit.CodeVersionMismatch)

	// A new one comes last, in JSON as in YAML.
	r.do("PUT", "/v1/rules/unpaid-at-door", `{"when": "item.present"}`, "If-None-Match", "*").wantsCode(kit.CodeVersionMismatch)
	saved = into[RuleSaved](r.do("PUT", "/v1/rules/silent", `{"about": "reader", "when": "cause == \"silent\"", "send": ["door-team"], "limit": "3 per 1h"}`,
		"If-None-Match", "*").wants(201))
	require.Equal(t, "name: silent\nabout: reader\nwhen: cause == \"silent\"\nsend: [door-team]\nlimit: 3 per 1h\n", saved.Text)
	require.Equal(t, want+"\n  - name: silent\n    about: reader\n    when: cause == \"silent\"\n    send: "+
		"[door-team]\n    limit: 3 per 1h\n", r.text())

	r.do("DELETE", "/v1/rules/silent?dry_run=true", "").wants(200)
	r.do("DELETE", "/v1/rules/silent", "").wants(200)
	require.Equal(t, want+"\n", r.text())
	r.do("DELETE", "/v1/rules/silent", "").wantsCode(codeUnknownRule)

	for body, code := range map[string]kit.Code{
		"name: other\nwhen: item.present": kit.CodeInvalidBody, "- name: a\n- name: b": kit.CodeInvalidDocument,
		"name: silent\nwhen: item.pressent": kit.CodeInvalidDocument, "[": kit.CodeInvalidDocument, "": kit.CodeInvalidDocument,
	} {
		r.sendYAML("PUT", "/v1/rules/silent", body).wantsCode(code)
	}
	r.put("/v1/rules/silent", `{}`).wantsCode(kit.CodeInvalidDocument)
	r.put("/v1/rules/silent", `["a"]`).wantsCode(kit.CodeInvalidDocument)
	r.put("/v1/rules/silent", `{"when": "item.present", "when": "item.paid"}`).wantsCode(kit.CodeInvalidDocument)
	r.do("PUT", "/v1/rules/silent", "x", "Content-Type", "text/csv").wantsCode(kit.CodeUnsupportedType)
}

func TestTheFirstRuleIsStoredAlone(t *testing.T) {
	r := newRig(t)
	r.put("/v1/sites/umberhithe/layout", testLayout).wants(201)
	r.get("/v1/rules/first").wantsCode(codeUnknownDocument)
	r.sendYAML("PUT", "/v1/rules/first/cases", shelfCases).wantsCode(codeUnknownDocument)
	r.do("PUT", "/v1/rules/first", `{"when": "item.present"}`, "If-Match", "*").wantsCode(kit.CodeVersionMismatch)
	r.put("/v1/rules/first", `{"when": "item.present"}`).wants(201)
	require.Equal(t, "rules:\n  - name: first\n    when: item.present\n", r.text())
}

// The mode is switched by one call, and nothing else in the document changes.
func TestModeIsSwitched(t *testing.T) {
	r := newRig(t).shop()
	r.sendYAML("PUT", "/v1/rules", commented).wants(200)
	patch := func(rule, body string, headers ...string) *reply {
		return r.do("PATCH", "/v1/rules/"+rule, body, append([]string{"Content-Type", mediaMergePatch}, headers...)...)
	}
	patch("unpaid-at-door", `{"mode": "off"}`).wants(200)
	require.Equal(t, strings.Replace(commented, "    send: [door-team]\n", "    send: [door-team]\n    mode: off\n", 1), r.text())
	require.True(t, into[RuleSaved](patch("unpaid-at-door", `{"mode": "off"}`).wants(200)).Unchanged)
	patch("unpaid-at-door", `{"mode": null}`).wants(200)
	require.Equal(t, commented, r.text())
	patch("in-the-shelf", `{"mode": "live"}`).wants(200)
	require.Equal(t, strings.Replace(commented, "mode: watch", "mode: live", 1), strings.ReplaceAll(r.text(),
		"'{product.name} is in {zone.name}'",
		`"{product.name} is in {zone.name}"`))
	patch("in-the-shelf", `{"mode": "loud"}`).wantsCode(kit.CodeInvalidDocument)
	patch("in-the-shelf", `{"moode": "off"}`).wantsCode(kit.CodeInvalidDocument)
	patch("in-the-shelf", `{"when": null}`).wantsCode(kit.CodeInvalidDocument)
	patch("in-the-shelf", `{"name": "x"}`).wantsCode(kit.CodeInvalidBody)
	patch("in-the-shelf", `[`).wantsCode(kit.CodeInvalidBody)
	patch("none", `{"mode": "off"}`).wantsCode(codeUnknownRule)
	patch("in-the-shelf", `{"mode": "off"}`, "If-Match", `"1"`).wantsCode(kit.CodeVersionMismatch)
	r.as(r.key("reader", "operate"), func(*rig) {
		r.get("/v1/rules/in-the-shelf").wants(200)
		patch("in-the-shelf", `{"mode": "off"}`).wantsCode(kit.CodeMissingScope)
	})
}

func TestWhatARuleIsTrueOfNow(t *testing.T) {
	r := newRig(t).shop().stocked()
	saved := into[RuleSaved](r.put("/v1/rules/in-the-back?dry_run=true",
		`{"when": "zone.id == \"stockroom\"", "say": "{item.serial} is back", "hold": "2h"}`).
		wants(200))
	require.True(t, saved.DryRun)
	require.Len(t, saved.TrueNow, 1)
	now := saved.TrueNow[0]
	require.Equal(t, 5, now.Count)
	require.Equal(t, 7, now.Looked)
	require.Equal(t, "It is true now of 5 things.", now.Words)
	require.Len(t, now.Examples, 3)
	require.Equal(t, TrueExample{Site: "umberhithe", Item: "(01)09521141123454(21)100", GTIN: "09521141123454",
		Zone: "stockroom", Say: "100 is back"}, now.Examples[0])
	r.get("/v1/rules/in-the-back").wantsCode(codeUnknownRule)

	check := into[CheckAnswer](r.sendYAML("POST", "/v1/rules/check",
		testRules+`  - {name: few, about: stock, when: stock.has_minimum and stock.count < stock.minimum}
  - {name: loud, about: reader, when: reader.role == "handheld"}
  - {name: sold, when: cause == "sold"}
  - {name: moved, first: zone.id == "stockroom", within: 1h, when: item.registered}
  - {name: stuck, first: zone.id == "till", within: 1h, unless: zone.id == "front-tables"}
`).wants(200))
	require.Len(t, check.TrueNow, 2, "stored rules, those about what happens, and those about what came first, are left out")
	require.Equal(t, "front-tables", check.TrueNow[0].Examples[0].Place)
	require.Equal(t, 1, check.TrueNow[0].Count)
	require.Equal(t, "handheld-1", check.TrueNow[1].Examples[0].Reader)
	far, err := kit.MintKey(t.Context(), r.store, "far", []string{kit.ScopeAuthor}, []string{"harbour"}, "test", r.clock())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	// A key for no site of them learns nothing of them.
	r.as(far, func(*rig) {
		require.Empty(t, into[CheckAnswer](r.sendYAML("POST", "/v1/rules/check", "rules:\n  - {name: a, when: "+
			"item.present}\n").wants(200)).TrueNow)
	})
}

// Many who change rules at once lose none of their changes.
func TestSingleRulesAreStoredSideBySide(t *testing.T) {
	r := newRig(t).shop()
	r.sendYAML("PUT", "/v1/rules", commented).wants(200)
	done := make(chan int, 6)
	for n := range 6 {
		go func() {
			req := httptest.NewRequest("PUT", fmt.Sprintf("/v1/rules/rule-%d", n), strings.NewReader(`{"when": "item.present"}`))
			req.Header.Set("Authorization", "Bearer "+r.admin)
			req.Header.Set("Content-Type", kit.MediaJSON)
			w := httptest.NewRecorder()
			r.api.Handler().ServeHTTP(w, req)
			done <- w.Code
		}()
	}
	for range 6 {
		require.Equal(t, 201, <-done)
	}
	for n := range 6 {
		require.Contains(t, r.text(), fmt.Sprintf("  - name: rule-%d\n    when: item.present\n", n))
	}
}

func TestFaultsOfSingleRules(t *testing.T) {
	r := newRig(t).shop()
	r.bodyFaults("PUT", "/v1/rules/in-the-shelf", "text/yaml", false)
	r.bodyFaults("PATCH", "/v1/rules/in-the-shelf", mediaMergePatch, false)
	for _, method := range []string{"GET", "PUT", "PATCH", "DELETE"} {
		r.do(method, "/v1/rules/in-the-shelf?versions=1", `{"mode": "off"}`, "Content-Type",
			kit.MediaJSON).wantsCode(kit.CodeInvalidParameter)
	}
	r.do("GET", "/v1/rules/in-the-shelf", "", "Accept", "text/csv").wantsCode(kit.CodeNotAcceptable)
	r.do("DELETE", "/v1/rules/in-the-shelf", "", "If-Match", `"99"`).wantsCode(kit.CodeVersionMismatch)
	// A document in which one rule can't be told from what is around it is not touched.
	r.sendYAML("PUT", "/v1/rules", "rules:\n  -\n    name: in-the-shelf\n    when: item.present\n  - {name: b, when: "+
		"item.present}\n").wants(200)
	for _, method := range []string{"GET", "DELETE"} {
		r.do(method, "/v1/rules/in-the-shelf", "").wantsCode(kit.CodeInvalidDocument)
	}
	r.do("PATCH", "/v1/rules/in-the-shelf", `{"mode": "off"}`, "Content-Type", kit.MediaJSON).wantsCode(kit.CodeInvalidDocument)
}

const shelfCases = `items:
  light: {product: UB-1001, serial: 1}
start: 2026-03-10 10:00
cases:
  - name: a book on shelf A is noticed
    rules: in-the-shelf
    steps:
      - put: {items: light, zone: shelf-a}
      - wait: 1m
      - exactly: [in-the-shelf]
`

// The cases of a rule are kept beside it, and keep a change from being stored that they contradict.
func TestARuleWithItsCases(t *testing.T) {
	r := newRig(t).shop()
	path := "/v1/rules/in-the-shelf/cases"
	r.get(path).wantsCode(codeUnknownDocument)
	dry := into[CasesSaved](r.sendYAML("PUT", path+"?dry_run=1&site=umberhithe", shelfCases).wants(200))
	require.True(t, dry.DryRun)
	require.Equal(t, 1, dry.Cases.Passed, "%+v", dry.Cases)
	r.get(path).wantsCode(codeUnknownDocument)
	saved := into[CasesSaved](r.sendYAML("PUT", path, shelfCases).wants(201))
	require.Equal(t, 1, saved.Version)
	require.True(t, into[CasesSaved](r.sendYAML("PUT", path, shelfCases).wants(200)).Unchanged)
	got := r.get(path).wants(200)
	require.Equal(t, shelfCases, string(got.body))
	require.Equal(t, kit.ETag(1), got.header.Get("ETag"))
	r.do("GET", path, "", "If-None-Match", kit.ETag(1)).wants(304)
	require.Equal(t, shelfCases, into[RuleText](r.get("/v1/rules/in-the-shelf?format=json").wants(200)).Cases)

	// The rule is watched only, and its cases are about what it means.
	one := into[RuleSaved](r.do("PATCH", "/v1/rules/in-the-shelf", `{"mode": "off"}`, "Content-Type", kit.MediaJSON).wants(200))
	require.Equal(t, 1, one.Cases.Passed)
	before := r.text()
	wrong := `{"when": "zone.id == \"stockroom\""}`
	refused := r.do("PATCH", "/v1/rules/in-the-shelf", wrong, "Content-Type", kit.MediaJSON).wantsCode(codeCasesFailed)
	require.Contains(t, string(refused.body), "in-the-shelf opened did not happen")
	r.do("PUT", "/v1/rules/in-the-shelf", wrong, "Content-Type", kit.MediaJSON).wantsCode(codeCasesFailed)
	require.Equal(t, before, r.text())
	require.Equal(t, 1, into[RuleSaved](r.do("PATCH", "/v1/rules/in-the-shelf?dry_run=1", wrong, "Content-Type",
		kit.MediaJSON).wants(200)).Cases.Failed)
	require.Equal(t, 1, into[RuleSaved](r.do("PATCH", "/v1/rules/in-the-shelf?anyway=1", wrong, "Content-Type",
		kit.MediaJSON).wants(200)).Cases.Failed)

	two := strings.Replace(shelfCases, "put: {items: light, zone: shelf-a}", "moved: {items: light, zone: stockroom}", 1)
	r.sendYAML("PUT", path, shelfCases+"# more\n").wantsCode(codeCasesFailed)
	require.Equal(t, 2, into[CasesSaved](r.sendYAML("PUT", path, two, "If-Match", kit.ETag(1)).wants(200)).Version)
	r.sendYAML("PUT", path, shelfCases, "If-Match", kit.ETag(1)).wantsCode(kit.CodeVersionMismatch)
	require.Equal(t, shelfCases, string(r.get(path+"?version=1").wants(200).body))

	r.sendYAML("PUT", path, "cases: 3\n").wantsCode(kit.CodeInvalidDocument)
	r.sendYAML("PUT", path, shelfCases+"layout: /etc/hostname\n").wantsCode(kit.CodeInvalidDocument)
	r.sendYAML("PUT", "/v1/rules/none/cases", shelfCases).wantsCode(codeUnknownRule)
	r.sendYAML("PUT", path+"?site=pier", shelfCases).wantsCode(kit.CodeUnknownSite)
	r.get(path + "?x=1").wantsCode(kit.CodeInvalidParameter)
	r.bodyFaults("PUT", path, "text/yaml", false)
	// A case that takes for ever ends.
	long := strings.Replace(shelfCases, "wait: 1m", "wait: 31d}\n      - {wait: 31d", 1)
	long = strings.Replace(long, "- wait: 31d}", "- {wait: 31d}", 1)
	began := time.Now()
	r.sendYAML("PUT", path, strings.Replace(long, "serial: 1}", "serials: 1-900}", 1))
	require.Less(t, time.Since(began), 20*time.Second)
}
