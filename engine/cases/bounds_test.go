package cases

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules"
)

// A case that would take for ever ends, and says so.
func TestEntriesAreBounded(t *testing.T) {
	defer func(e, r int) { maxEntries, maxReads = e, r }(maxEntries, maxReads)
	book, _ := NewBook("rules.yaml", []byte("rules:\n  - name: sold\n    when: cause == \"sold\"\n"), rules.Known{})
	const head = "layout: {site: a, time_zone: UTC, zones: [{id: z, kind: shelf}], read_points: [{id: r, role: " +
		"fixed, zone: z}]}\nitems: {a: {epc: E280116060000209}}\nstart: 2026-01-01 00:00\n"
	f, diagnostics := Parse("f.yaml", []byte(head+"cases: [{name: b, steps: [{put: {items: a, zone: z}}, {wait: "+
		"31d}, {wait: 31d}, {exactly: [sold]}]}]"), Context{})
	require.NotNil(t, f, "%v", diagnostics)
	for _, c := range [][3]any{{1000, 1 << 30, "more than 1000 entries"}, {1 << 30, 2000, "2000 reads"}} {
		maxEntries, maxReads = c[0].(int), c[1].(int)
		rep := Run(f, book)
		require.Len(t, rep.Results[0].Failures, 1, "what comes after means nothing")
		require.Contains(t, rep.String(), c[2])
		require.Equal(t, 3, strings.Count(rep.String(), "\n"))
	}
}

// Facts that are not kept any more are not taken for facts that never were.
func TestTooManyFacts(t *testing.T) {
	defer func(n int) { maxFacts = n }(maxFacts)
	maxFacts = 10
	book, _ := NewBook("rules.yaml", []byte("rules:\n  - name: sold\n    when: cause == \"sold\"\n"), rules.Known{})
	const text = "layout: {site: a, time_zone: UTC, zones: [{id: z, kind: shelf}, {id: y, kind: shelf}]}\n" +
		"items: {a: {epc: E280116060000209}}\nstart: 2026-01-01 00:00\ncases: [{name: b, steps: ["
	for times, want := range map[int]string{4: "something else happened to a", 20: "too much happened since the last expectation"} {
		src := text + strings.Repeat("{moved: {items: a, zone: z}}, {moved: {items: a, zone: y}}, ", times) + "{facts: {a: []}}]}]"
		f, diagnostics := Parse("f.yaml", []byte(src), Context{})
		require.NotNil(t, f, "%v", diagnostics)
		require.Contains(t, Run(f, book).String(), want)
	}
}
