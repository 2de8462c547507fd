package api

import (
	"fmt"
	"strings"
	"testing"

	"lintel/api/kit"
	"lintel/engine/store"

	"github.com/stretchr/testify/require"
)

const layoutPath = "/v1/sites/umberhithe/layout"

func (r *rig) yaml(body string) *reply {
	r.t.Helper()
	return r.do("PUT", "/v1/rules?allow_removal=true", body, "Content-Type", "text/yaml")
}

func (r *rig) csv(body string) *reply {
	r.t.Helper()
	return r.do("PUT", "/v1/products?allow_removal=true", body, "Content-Type", "text/csv")
}

// The form of the unified diff is that of POSIX.1-2017, utility diff, "Diff -u Output Format".
func TestDiffOfRules(t *testing.T) {
	r := newRig(t)
	r.get("/v1/rules/diff").wantsCode(codeUnknownDocument)
	r.shop()
	same := into[DocumentDiff](r.get("/v1/rules/diff").wants(200))
	require.Equal(t, DocumentDiff{Document: "rules", From: same.To, To: same.To}, same, "one version differs from itself in nothing")
	r.do("PUT", "/v1/rules?note=doors", strings.Replace(testRules, "urgent", "warning", 1), "Content-Type", "text/yaml").wants(200)
	d := into[DocumentDiff](r.get("/v1/rules/diff").wants(200))
	require.Equal(t, 1, d.From.Version)
	require.Equal(t, 2, d.To.Version)
	require.Equal(t, "doors", d.To.Note)
	require.Equal(t, "boss", d.To.By)
	require.Equal(t, [2]int{1, 1}, [2]int{d.Added, d.Removed})
	require.Equal(t, `--- rules@1
+++ rules@2
@@ -1,7 +1,7 @@
 rules:
   - name: unpaid-at-door
     when: zone.kind == "exit" and item.sellable and not item.paid
-    severity: urgent
+    severity: warning
     say: "{product.name} passed {zone.name} unpaid"
     send: [door-team]
   - name: in-the-shelf
`, d.Text)
	back := into[DocumentDiff](r.get("/v1/rules/diff?from=2&to=1").wants(200))
	require.Contains(t, back.Text, "-    severity: warning\n+    severity: urgent\n")
	r.get("/v1/rules/diff?from=9").wantsCode(codeUnknownDocument)
	r.get("/v1/rules/diff?to=9&from=1").wantsCode(codeUnknownDocument)
	r.get("/v1/rules/diff?to=x").wantsCode(kit.CodeInvalidParameter)
}

func TestDiffOfLayouts(t *testing.T) {
	r := newRig(t)
	r.get(layoutPath + "/diff").wantsCode(codeUnknownDocument)
	r.get("/v1/sites/_x/layout/diff").wantsCode(kit.CodeUnknownSite)
	r.put(layoutPath, testLayout).wants(201)
	r.put(layoutPath, strings.Replace(testLayout, "Front tables", "Tables", 1)).wants(200)
	d := into[DocumentDiff](r.get(layoutPath + "/diff").wants(200))
	require.Equal(t, [2]int{1, 1}, [2]int{d.Added, d.Removed})
	require.Contains(t, d.Text, "+++ layout/umberhithe@2\n")
	// Two layouts on one line each still show where they differ.
	one := strings.Join(strings.Fields(testLayout), " ")
	r.put(layoutPath, one).wants(200)
	r.put(layoutPath, strings.Replace(one, "Shelf A", "Shelf B", 1)).wants(200)
	d = into[DocumentDiff](r.get(layoutPath + "/diff").wants(200))
	require.Equal(t, [2]int{1, 1}, [2]int{d.Added, d.Removed})
	require.Contains(t, d.Text, `+      "name": "Shelf B",`)
	r.get(layoutPath + "/diff?x=1").wantsCode(kit.CodeInvalidParameter)
}

func TestDiffOfProducts(t *testing.T) {
	r := newRig(t)
	r.get("/v1/products/diff").wantsCode(codeUnknownDocument)
	r.csv(testProducts + "9521141123461,UB-1003,Spring Tide,crime,,,\n").wants(201)
	r.csv(`gtin,sku,name,category,price,home_zones,minimum,maximum,attr.author
9521141123478,UB-1004,Slack Water,crime,7,,,,
9521141123454,UB-1001,The Harbour Light,fiction,8.99,shelf-a,front-tables:2,front-tables:5,Ada Example
9521234000013,UB-1002,Low Water,crime,8.50,shelf-a,,,
`).wants(200)
	d := into[DocumentDiff](r.get("/v1/products/diff").wants(200))
	require.Equal(t, &ProductChanges{Added: 1, Removed: 1, Changed: 1, Unchanged: 1, List: []ProductChange{
		{GTIN: "09521141123478", Name: "Slack Water", Change: "added"},
		{GTIN: "09521141123454", Name: "The Harbour Light", Change: "changed", Fields: []FieldChange{
			{"price", "9.99", "8.99"}, {"home_zones", "shelf-a|front-tables", "shelf-a"},
			{"maximum", "", "front-tables:5"}, {"attr.author", "", "Ada Example"},
		}},
		{GTIN: "09521141123461", Name: "Spring Tide", Change: "removed"},
	}}, d.Products)
	d = into[DocumentDiff](r.get("/v1/products/diff?limit=1").wants(200))
	require.Len(t, d.Products.List, 1)
	require.Equal(t, 2, d.Products.More)
	require.Equal(t, 1, d.Products.Removed, "counts are of all")
	r.get("/v1/products/diff?limit=0").wantsCode(kit.CodeInvalidParameter)
}

func TestDiffOfChannelsHasNoSecret(t *testing.T) {
	r := newRig(t)
	r.get("/v1/channels/diff").wantsCode(codeUnknownDocument)
	r.put("/v1/channels", testChannels).wants(201)
	changed := strings.NewReplacer("TOPSECRETPATH", "TOPSECRETOTHER", "TOPSECRETHEADER", "TOPSECRETVALUE", "whsec_QUJD",
		"whsec_QUJE", `"format"`, `"timeout": "9s", "format"`).Replace(testChannels)
	r.put("/v1/channels", changed).wants(200)
	rep := r.get("/v1/channels/diff").wants(200)
	for _, secret := range []string{"TOPSECRET", "QUJD", "QUJE"} {
		require.NotContains(t, string(rep.body), secret)
	}
	d := into[DocumentDiff](rep)
	require.Contains(t, d.Text, `+      "timeout": "9s"`)
	require.Regexp(t, `(?m)^-.*whsec_\*\*\*[0-9a-f]{8}"$`, d.Text)
	require.Equal(t, []string{"door-team: url, after the host", "door-team: the value of the header X-Token"}, d.Masked)
	r.get("/v1/channels/diff?x=1").wantsCode(kit.CodeInvalidParameter)
}

// restoreFaults tries what can be wrong with going back. The document must be at version 2 or more,
// of other content than version 1.
func (r *rig) restoreFaults(path string) {
	r.t.Helper()
	r.post(path, `{"version":99}`).wantsCode(codeUnknownDocument)
	r.post(path, `{"version":0}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"version":1,"note":"a\nb"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"version":1,"why":"x"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"version":`).wantsCode(kit.CodeInvalidJSON)
	r.do("POST", path, `{"version":1}`, "If-Match", `"77"`).wantsCode(kit.CodeVersionMismatch)
	r.bodyFaults("POST", path, kit.MediaJSON, true)
	r.keyFaults(path, `{"version":1}`, 200)
}

func TestRestoreRules(t *testing.T) {
	r := newRig(t)
	r.post("/v1/rules/restore", `{"version":1}`).wantsCode(codeUnknownDocument)
	r.shop()
	other := strings.Replace(testRules, "urgent", "warning", 1)
	r.yaml(other).wants(200)
	r.do("POST", "/v1/rules/restore", `{"version":1}`, "If-Match", `"1"`).wantsCode(kit.CodeVersionMismatch)
	rep := r.do("POST", "/v1/rules/restore", `{"version":1,"note":"too quiet"}`, "If-Match", `"2"`).wants(200)
	back := into[Restored](rep)
	require.Equal(t, 3, back.Version)
	require.Equal(t, 1, back.Restored)
	require.False(t, back.Unchanged)
	require.True(t, back.InEffect)
	require.Contains(t, back.Changes.Text, "-    severity: warning\n+    severity: urgent\n")
	require.Equal(t, `"3"`, rep.header.Get("ETag"))
	require.Equal(t, testRules, string(r.get("/v1/rules").wants(200).body))
	newest := into[VersionList](r.get("/v1/rules/versions")).Versions[0]
	require.Equal(t, VersionView{Version: 3, At: back.At, By: "boss", Note: "too quiet"}, newest)

	again := into[Restored](r.post("/v1/rules/restore", `{"version":1}`).wants(200))
	require.True(t, again.Unchanged)
	again.Unchanged = false
	require.Equal(t, back.Saved, again.Saved, "the version that has this content already")
	require.Len(t, into[VersionList](r.get("/v1/rules/versions")).Versions, 3)

	// Rules may name what is gone by now: that is a warning, as it is for rules that are put.
	r.put(layoutPath, strings.ReplaceAll(strings.ReplaceAll(testLayout, "shelf-a", "shelf-b"), "shelf-b-1", "shelf-a-1")).wants(200)
	r.yaml(other).wants(200)
	gone := into[Restored](r.post("/v1/rules/restore", `{"version":1}`).wants(200))
	require.Len(t, gone.Diagnostics, 1)
	require.Contains(t, gone.Diagnostics[0].Reason, "shelf-a")
	require.Equal(t, "version 1 again", gone.Note)

	// What is no longer valid is refused: here a version that an earlier program may have taken.
	r.put2("rules", "rules:\n  - name: broken\n    when: zone.kindd == 1\n")
	r.yaml(other).wants(200)
	p := r.post("/v1/rules/restore", `{"version":6}`).wantsCode(kit.CodeInvalidDocument).json()
	require.Contains(t, fmt.Sprint(p["documents"]), "zone.kindd")
	require.Contains(t, p["detail"], "Version 6 does not fit")
	r.restoreFaults("/v1/rules/restore")
}

// put2 stores a document past all checks.
func (r *rig) put2(name, body string) {
	r.t.Helper()
	version, err := r.api.newestVersion(r.t.Context(), name)
	require.NoError(r.t, err)
	_, err = store.PutDocument(r.t.Context(), r.store, storeDocument(name, body), version)
	require.NoError(r.t, err)
}

func TestRestoreLayout(t *testing.T) {
	r := newRig(t)
	path := layoutPath + "/restore"
	r.post(path, `{"version":1}`).wantsCode(codeUnknownDocument)
	r.post("/v1/sites/_x/layout/restore", `{"version":1}`).wantsCode(kit.CodeUnknownSite)
	r.shop()
	changed := strings.Replace(testLayout, "Front tables", "Tables", 1)
	r.put(layoutPath, changed).wants(200)
	require.Equal(t, 3, into[Restored](r.post(path, `{"version":1}`).wants(200)).Version)
	require.Equal(t, testLayout, string(r.get(layoutPath).wants(200).body))
	r.put2("layout/umberhithe", strings.Replace(testLayout, "Europe/London", "Mars/Base", 1))
	r.put2("layout/umberhithe", testLayout)
	p := r.post(path, `{"version":4}`).wantsCode(kit.CodeInvalidDocument).json()
	require.Contains(t, fmt.Sprint(p["documents"]), "Mars/Base")
	r.put(layoutPath, changed).wants(200)
	r.restoreFaults(path)
	here := r.key("here-only", kit.ScopeAuthor) // for all sites; one of another site is refused by the routes' own test
	r.as(here, func(r *rig) { r.post(path, `{"version":2}`).wants(200) })
}

func TestRestoreProducts(t *testing.T) {
	r := newRig(t)
	r.post("/v1/products/restore", `{"version":1}`).wantsCode(codeUnknownDocument)
	r.shop()
	before := string(r.do("GET", "/v1/products", "", "Accept", "text/csv").wants(200).body)
	r.csv("gtin\n9521141123461\n").wants(200)
	back := into[Restored](r.post("/v1/products/restore", `{"version":1}`).wants(200))
	require.Equal(t, 3, back.Version)
	require.Equal(t, [3]int{2, 1, 0}, [3]int{back.Changes.Products.Added, back.Changes.Products.Removed, back.Changes.Products.Changed})
	require.Equal(t, before, string(r.do("GET", "/v1/products", "", "Accept", "text/csv").wants(200).body))
	r.put(layoutPath, strings.ReplaceAll(strings.ReplaceAll(testLayout, "shelf-a", "shelf-b"), "shelf-b-1", "shelf-a-1")).wants(200)
	r.csv("gtin\n9521141123461\n").wants(200)
	require.Contains(t, into[Restored](r.post("/v1/products/restore", `{"version":1}`).wants(200)).Warnings[0], "shelf-a")
	r.csv("gtin\n9521141123461\n").wants(200)
	r.restoreFaults("/v1/products/restore")
}

func TestRestoreChannels(t *testing.T) {
	r := newRig(t)
	r.post("/v1/channels/restore", `{"version":1}`).wantsCode(codeUnknownDocument)
	r.put("/v1/channels", testChannels).wants(201)
	r.put("/v1/channels", `{"channels":[]}`).wants(200)
	rep := r.post("/v1/channels/restore", `{"version":1}`).wants(200)
	require.NotContains(t, string(rep.body), "TOPSECRET")
	back := into[Restored](rep)
	require.Equal(t, 3, back.Version)
	require.Contains(t, back.Warnings[0], "secrets")
	channels, err := r.api.channels(t.Context())
	require.NoError(t, err)
	require.Equal(t, "https://chat.example.test/hook/TOPSECRETPATH", channels[0].URL, "with its secrets")
	r.put2("channels", `{"channels":[{"name":"A B","url":"https://x.example/TOPSECRET"}]}`)
	r.put2("channels", `{"channels":[]}`)
	require.NotContains(t, string(r.post("/v1/channels/restore", `{"version":4}`).wantsCode(kit.CodeInvalidDocument).body), "TOPSECRET")
	r.restoreFaults("/v1/channels/restore")
	require.NotContains(t, r.log.String(), "TOPSECRET")
}
