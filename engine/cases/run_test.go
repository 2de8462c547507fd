package cases_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/rules"
)

// The starter cases would notice if a rule were switched off, said something at once that it should
// wait for, or looked at another thing: each such change fails a case.
func TestStarterCasesNoticeChanges(t *testing.T) {
	src, err := os.ReadFile("../../rules/starter.yaml")
	require.NoError(t, err)
	text, err := os.ReadFile("../../rules/starter_cases.yaml")
	require.NoError(t, err)
	f, diagnostics := cases.Parse("starter_cases.yaml", text, cases.Context{})
	require.NotNil(t, f, "%v", diagnostics)
	changed := func(from, to string) string {
		doc := strings.Replace(string(src), from, to, 1)
		require.True(t, doc != string(src), "the starter rules have no %q any more: change it here as well", from)
		book, diagnostics := cases.NewBook("starter.yaml", []byte(doc), rules.Known{})
		require.NotNil(t, book, "%v", diagnostics)
		for i := range f.Cases { // the first that fails is enough
			one := *f
			one.Cases = f.Cases[i : i+1]
			if rep := cases.Run(&one, book); rep.Failed > 0 {
				return rep.String()
			}
		}
		require.Fail(t, "no case notices it", "%q in place of %q", to, from)
		return ""
	}
	book, _ := cases.NewBook("starter.yaml", src, rules.Known{})
	for _, r := range book.Rules().Rules() {
		name, watch := "  - name: "+r.Name+"\n", ""
		if r.Mode == rules.ModeWatch {
			watch = "    mode: watch\n"
		}
		require.Contains(t, changed(name+watch, name+"    mode: off\n"), r.Name)
	}
	for _, c := range [][2]string{
		{"and passage.sure", "and not passage.sure"}, {"hold: 10m", "hold: 5m"}, {"hold: 2m", "hold: 0s"},
		{"hold: 30m", "hold: 15m"}, {"hold: params.dwell", "hold: 10m"}, {"hold: 5m", "hold: 1m"},
		{"gather: 5s", "gather: 0s"}, {"clear: 1m", "clear: 0s"}, {"item.sellable and not item.paid",
			"not item.foreign"}, {"not item.home", "item.home"}, {"and stock.backroom > 0", ""},
		{"{default: 6,", "{default: 3,"}, {"umberhithe: 150", "umberhithe: 5"}, {"umberhithe: 150", "umberhithe: 100"}, {"and not site.open", ""}, {"when: not site.open", "when: site.open"},
		{"count.expected >= 20 and", ""}, {"{type: number, default: 50,", "{type: number, default: 5,"}, {"default: 0.97,", "default: 0.8,"},
		{"{default: 20,", "{default: 19,"}, {"{default: 5m,", "{default: 3m,"}, {"hours: mon-fri 08:00-18:00", "hours: always"},
		{"near.seconds >= 120", "near.seconds >= 60"}, {"gather_by: product", "gather_by: rule"}, {"unless: zone.selling or", "unless:"},
		{"count.delivery and count.short", "count.missing"}, {"within: 2h open", "within: 2h"}, {"hold: 1h", "hold: 30m"},
		{"and not item.registered", "and not item.home"},
		{"send: [door-team]", "send: [floor-team]"},
	} {
		changed(c[0], c[1])
	}
}

func TestRunFile(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		name = filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
		return name
	}
	ruleFile := write("shop.yaml", "rules:\n  - name: sold\n    when: cause == \"sold\"\n")
	_, err := cases.RunFile(ruleFile, "", cases.Context{})
	require.ErrorContains(t, err, "there is no file "+filepath.Join(dir, "shop_cases.yaml"))
	write("layout.json", `{"site": "umberhithe", "time_zone": "Europe/London", "zones": [{"id": "till", "kind": "checkout"}]}`)
	write("shop_cases.yaml", "layout: layout.json\nitems: {a: {epc: E280116060000209}}\nstart: 2026-03-10 "+
		"10:00\ncases:\n- name: sold\n  steps:\n  - sold: a\n  - exactly: [sold]\n")
	rep, err := cases.RunFile(ruleFile, "", cases.Context{})
	require.NoError(t, err)
	require.True(t, rep.OK(), rep)
	require.Equal(t, []cases.Coverage{{Rule: "sold", Raised: 1}}, rep.Rules)

	_, err = cases.RunFile(filepath.Join(dir, "none.yaml"), "", cases.Context{})
	require.ErrorContains(t, err, "there is no file")
	_, err = cases.RunFile(dir, "", cases.Context{})
	require.ErrorContains(t, err, "is no file")
	_, err = cases.RunFile(write("bad.yaml", "rules:\n  - name: a\n"), "", cases.Context{})
	require.ErrorContains(t, err, "the rule has no when")
	rep, err = cases.RunFile(ruleFile, write("x.yaml", "cases: []"), cases.Context{})
	require.NoError(t, err)
	require.False(t, rep.OK())
	require.Contains(t, rep.String(), "there is no layout")
}

// A case that goes wrong all the time stops being told at some point.
func TestFailuresAreBounded(t *testing.T) {
	src := "layout: layout.json\nstart: 2026-03-10 10:00\ncases:\n- name: all wrong\n  steps:\n" +
		strings.Repeat("  - expect: [wrong-zone]\n", 100)
	rep := play(t, []byte(src))
	require.Len(t, rep.Results, 1)
	require.Len(t, rep.Results[0].Failures, 20)
	require.Less(t, len(rep.String()), 20_000)
}

// What a bag of many makes is told in a few lines.
func TestDifferencesAreBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("layout: layout.json\nproducts: products.csv\nitems: {many: {product: HARBOUR, serials: " +
		"1-300}}\nstart: 2026-03-10 10:00\ncases:\n- name: many\n  rules: [wrong-zone]\n  steps:\n")
	b.WriteString("  - received: {items: many, zone: shelf-a}\n  - wait: 20m\n  - exactly: []\n  - expect: [")
	for i := range 150 {
		fmt.Fprintf(&b, "{rule: wrong-zone, item: many/%d},", i+1)
	}
	b.WriteString("]\n")
	rep := play(t, []byte(b.String()))
	require.Equal(t, 1, rep.Failed)
	require.Contains(t, rep.String(), "alerts that should not be there")
	require.Contains(t, rep.String(), "more\n")
	require.Less(t, len(rep.String()), 10_000)
}

func TestKnown(t *testing.T) {
	src, err := shopFile("layout.json")
	require.NoError(t, err)
	l, err := layout.Parse(src)
	require.NoError(t, err)
	c, bad := catalog.ParseCSV(strings.NewReader("gtin,category,attr.author\n9521234000013,novels,A\n9521234000020,,\n9521234000037,crime,B\n"), catalog.CSVOptions{})
	require.Empty(t, bad)
	known := cases.Known(l, c)
	require.Equal(t, []string{"crime", "novels"}, known.Categories)
	require.Equal(t, []string{"author"}, known.Attributes)
	require.Contains(t, known.Zones, "street-door")
	require.Contains(t, known.ZoneKinds, "exit")
	require.Contains(t, known.Readers, "door-in")
	require.Nil(t, known.Channels, "channels are not known here, so nothing is said of them")
	require.Equal(t, rules.Known{}, cases.Known(nil, nil))
}

// A trace is written where it stands, whatever stood there, and nothing else in the file changes.
func TestTracesAreRewritten(t *testing.T) {
	dir := t.TempDir()
	rules, file := filepath.Join(dir, "rules.yaml"), filepath.Join(dir, "rules_cases.yaml")
	require.NoError(t, os.WriteFile(rules, []byte("rules:\n  - name: sold\n    when: cause == \"sold\"\n"), 0o600))
	const head = "layout: {site: a, time_zone: UTC, zones: [{id: z, kind: shelf}]}\nitems: {a: {epc: E280116060000209}}\n" +
		"start: 2026-03-10 10:00\ncases:\n"
	const trace = "    10:00:00      a sold\n    10:00:00      sold opened a\n"
	for _, c := range [][2]string{
		{"- name: a\n  trace:\n  steps: [sold: a]\n", "- name: a\n  trace: |\n" + trace + "  steps: [sold: a]\n"},
		{"- name: a\n  trace: | # it\n      old\n\n      older\n\n  steps: [sold: a]",
			"- name: a\n  trace: | # it\n" + trace + "\n  steps: [sold: a]"},
		{"- trace: |\n    old\n  steps: [sold: a]\n  name: a\n- name: b\n  steps: [wait: 1m]\n  trace: |",
			"- trace: |\n" + trace + "  steps: [sold: a]\n  name: a\n- name: b\n  steps: [wait: 1m]\n  trace: |\n    nothing happens\n"},
		{"- name: a\n  \"trace\": # it\n  steps: [sold: a]\n", "- name: a\n  \"trace\": | # it\n" + trace + "  steps: [sold: a]\n"},
		{"- name: a\n  trace: |2\n     old\n  steps: [sold: a]\n", "- name: a\n  trace: |\n" + trace + "  steps: [sold: a]\n"},
		{"- name: a\n  trace:\n  # what happens\n  steps: [sold: a]\n",
			"- name: a\n  trace: |\n" + trace + "  # what happens\n  steps: [sold: a]\n"},
	} {
		for _, end := range []string{"\n", "\r\n"} {
			text := func(s string) string { return strings.ReplaceAll(head+s, "\n", end) }
			require.NoError(t, os.WriteFile(file, []byte(text(c[0])), 0o600))
			for range 2 {
				rep, err := cases.RunFile(rules, "", cases.Context{Rewrite: true})
				require.NoError(t, err)
				require.True(t, rep.OK(), rep)
				got, err := os.ReadFile(file)
				require.NoError(t, err)
				require.Equal(t, text(c[1]), string(got))
			}
		}
	}
	// A file with a problem stays as it is.
	require.NoError(t, os.WriteFile(file, []byte(head+"- {name: a}"), 0o600))
	rep, err := cases.RunFile(rules, "", cases.Context{Rewrite: true})
	require.NoError(t, err)
	require.NotEmpty(t, rep.Diagnostics)
}
