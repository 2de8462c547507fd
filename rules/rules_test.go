package rules

import (
	"lintel/engine/event"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const starter = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
    gather: 5s
    severity: urgent
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]
  - name: wrong-zone
    when: item.sellable and item.present and zone.kind in ["shelf","floor"] and not item.home
    hold: 10m
  - name: below-minimum
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum and stock.backroom > 0
  - name: reader-silent
    about: reader
    when: cause == "silent"
`

// compile makes a set of a document that must be good.
func compile(t testing.TB, src string) *Set {
	t.Helper()
	set, diagnostics := Check("rules/test.yaml", []byte(src), Known{})
	for _, d := range diagnostics {
		if !strings.Contains(d.Reason, "is looked at only when something happens") { // the time is set by the tests
			t.Errorf("%s", d)
		}
	}
	require.NotNil(t, set)
	return set
}

func TestStarterRulesCompileAndAnswer(t *testing.T) {
	set := compile(t, starter)
	e := set.NewEvaluator()
	env := &Env{Cause: "passed", Item: Item{Sellable: true, Present: true}, Product: Product{Name: "Tide Tables"},
		Zone: Zone{ID: "street-door", Name: "Street door", Kind: "exit"}}
	names := func(rules []*Rule) (out []string) {
		for _, r := range rules {
			out = append(out, r.Name)
		}
		return out
	}
	require.Equal(t, []string{"unpaid-at-door"}, names(e.Candidates("item", "passed", env)))
	ok, err := e.True(set.Rule("unpaid-at-door"), env)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "Tide Tables passed Street door unpaid", e.Say(&set.Rule("unpaid-at-door").Choice, env))
	w := e.Why(set.Rule("unpaid-at-door"), env)
	require.Len(t, w.Parts, 3)
	env.Item.Paid = true
	ok, err = e.True(set.Rule("unpaid-at-door"), env)
	require.NoError(t, err)
	require.False(t, ok)
}

// digests compiles a document of one rule and returns its digests.
func digests(t *testing.T, src string) (all, condition string) {
	r := compile(t, src).Rules()[0]
	return r.Digest, r.ConditionDigest
}

func TestDigestIsOfTheMeaning(t *testing.T) {
	all, condition := digests(t, "rules:\n- name: a\n  when: zone.kind == \"exit\" and not item.paid\n  hold: 60s\n")
	for _, same := range []string{
		"# why\nrules:\n  - when: |\n      zone.kind=='exit' // the door\n        && !item.paid\n    hold: 1m\n    name: a\n",
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m0s, clear: 0s, severity: " +
			"warning, mode: live, hours: always}]",
	} {
		a, c := digests(t, same)
		require.Equal(t, all, a)
		require.Equal(t, condition, c)
	}
	for other, sameCondition := range map[string]bool{
		"rules: [{name: b, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m}]":                   true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, send: [x]}]":        true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, mode: watch}]":      true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, severity: urgent}]": true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, gather: 5s}]":       true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, say: x}]":           true,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 2m}]":                   false,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, clear: 1m}]":        false,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and not item.paid', hold: 1m, hours: open}]":      false,
		"rules: [{name: a, when: 'zone.kind == \"floor\" and not item.paid', hold: 1m}]":                  false,
		"rules: [{name: a, when: 'zone.kind == \"exit\" and item.paid', hold: 1m}]":                       false,
	} {
		a, c := digests(t, other)
		require.NotEqual(t, all, a, other)
		require.Equal(t, sameCondition, c == condition, other)
	}
	// Stored with alerts: it must not change from one release to the next.
	require.Equal(t, "0dd061fabb2dfb8fb60fd37ca524c5b0", all)
}

func TestDefaultsAndFields(t *testing.T) {
	set := compile(t, `rules:
- name: plain
  when: item.paid
- name: full
  about: stock
  when: stock.count == 0
  hold: 12h
  clear: 90s
  gather: 7d
  gather_by: product
  needs: 3
  limit: 5 per 1d
  quiet: 2h
  remind: 1d12h
  escalate: 10m
  escalate_to: [manager, night-desk]
  severity: info
  hours: mon-fri 09:00-24:00, sat 00:00-24:00
  say: gone
  send: one
  mode: live
`)
	p, f := set.Rules()[0], set.Rules()[1]
	require.Equal(t, []any{event.AboutItem, time.Duration(0), time.Duration(0), time.Duration(0), Warning, "always",
		ModeLive, 0, 2}, []any{p.About, p.Hold, p.Clear, p.Gather, p.Severity, p.Hours, p.Mode, p.Index, p.Line})
	require.Empty(t, p.Send)
	require.Equal(t, []any{event.AboutStock, 12 * time.Hour, 90 * time.Second, MaxPeriod, Info, "gone", ModeLive, 1, 4},
		[]any{f.About, f.Hold, f.Clear, f.Gather, f.Severity, f.Say, f.Mode, f.Index, f.Line})
	require.Equal(t, []string{"one"}, f.Send)
	require.Equal(t, []any{ByProduct, 3, Limit{5, 24 * time.Hour}, 2 * time.Hour, 36 * time.Hour, 10 * time.Minute,
		[]string{"manager", "night-desk"}},
		[]any{f.GatherBy, f.Needs, f.Limit, f.Quiet, f.Remind, f.Escalate, f.EscalateTo})
	require.Equal(t, []any{ByRule, 0, Limit{}, Storm}, []any{p.GatherBy, p.Needs, p.Limit, set.LimitOf(p)})
	require.Equal(t, []string{"stock.count"}, f.Uses())
	require.Nil(t, set.Rule("none"))
}

func TestPeriodsOutOfRange(t *testing.T) {
	for _, text := range []string{"-1s", "8d", "200h"} {
		_, diagnostics := Check("f", []byte("rules: [{name: a, when: item.paid, hold: "+text+"}]"), Known{})
		require.Len(t, diagnostics, 1, text)
		require.Equal(t, "hold: "+text+" is out of range: from 0s to 7d", diagnostics[0].Reason)
	}
}

func TestAnEmptyDocumentIsASet(t *testing.T) {
	set, diagnostics := Check("f", []byte("rules: []\n"), Known{})
	require.Empty(t, diagnostics)
	require.NotNil(t, set)
	require.Empty(t, set.NewEvaluator().Candidates(event.AboutItem, "passed", &Env{}))
}

func TestErrorsOfTheParserKeepASetFromBeingMade(t *testing.T) {
	doc, diagnostics := Parse("f", []byte("rules:\n- name: a\n  when: item.paid\n  colour: red\n"))
	require.Len(t, diagnostics, 1)
	require.Equal(t, 1, doc.Len())
	set, diagnostics := Compile(doc, Known{})
	require.Nil(t, set)
	require.Empty(t, diagnostics)
}

// TestShippedDocumentsAreClean compiles every document that lies in this directory.
func TestShippedDocumentsAreClean(t *testing.T) {
	files, err := filepath.Glob("*.yaml")
	require.NoError(t, err)
	files = slices.DeleteFunc(files, func(name string) bool { return strings.HasSuffix(name, "_cases.yaml") }) // the examples beside them
	require.NotEmpty(t, files)
	for _, name := range files {
		src, err := os.ReadFile(name)
		require.NoError(t, err)
		set, diagnostics := Check(name, src, Known{})
		require.Empty(t, diagnostics, name)
		require.NotNil(t, set)
	}
}

func TestInHours(t *testing.T) {
	set := compile(t, `rules:
- {name: a, when: item.paid, hours: open}
- {name: b, when: item.paid}
- {name: c, when: item.paid, hours: "mon 09:00-10:00"}
`)
	r := set.Rules()
	require.True(t, r[0].InHours(true, time.Sunday, 0))
	require.False(t, r[0].InHours(false, time.Sunday, 0))
	require.True(t, r[1].InHours(false, time.Sunday, 0))
	require.False(t, r[2].InHours(true, time.Sunday, 540))
	require.True(t, r[2].InHours(false, time.Monday, 540))
}
