package api

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/rules"
)

func checkBody(rule string) string { return string(kit.MustJSON(map[string]string{"rule": rule})) }

// TestCheckOneRule: a rule is checked where it would stand, and places are those of the text that was sent.
func TestCheckOneRule(t *testing.T) {
	r := newRig(t)
	check := func(name, rule string) RuleCheck {
		return into[RuleCheck](r.post("/v1/rules/"+name+"/check", checkBody(rule)).wants(200))
	}
	fresh := check("first", "name: first\nwhen: item.payed\n")
	require.Zero(t, fresh.Version)
	require.Len(t, fresh.Diagnostics, 1)
	r.shop()
	before := string(r.get("/v1/rules").body)

	bad := "# why it is there\nname: in-the-shelf\nwhen: >-\n  zone.kind == \"shelf\" and\n  item.payed\nseverity: hot\n"
	for form, text := range map[string]string{
		"a mapping": bad,
		"a list":    "- " + strings.ReplaceAll(strings.TrimSuffix(strings.TrimPrefix(bad, "# why it is there\n"), "\n"), "\n", "\n  ") + "\n",
		"deeper":    "\n\n    " + strings.ReplaceAll(strings.TrimSuffix(bad, "\n"), "\n", "\n    ") + "\n",
	} {
		got := check("in-the-shelf", text)
		require.False(t, got.OK, form)
		require.True(t, got.Stored)
		require.Nil(t, got.Rule)
		require.Len(t, got.Diagnostics, 2, form)
		for _, d := range got.Diagnostics {
			line := []rune(strings.Split(text, "\n")[d.Line-1])
			word := string(line[d.Column-1 : d.Column-1+d.Length])
			require.Contains(t, []string{"item.payed", "hot"}, word, form)
		}
		require.Equal(t, "did you mean item.paid?", got.Diagnostics[0].Hint)
	}
	require.Equal(t, 2, check("in-the-shelf", "name: in-the-shelf\nwhen: item.paid\n  hold: 3\n").Diagnostics[0].Line, "what is no YAML")
	nameless := check("in-the-shelf", "when: item.payed\n").Diagnostics
	require.Equal(t, [2]int{1, 7}, [2]int{nameless[0].Line, nameless[0].Column}, "the name is that of the path")
	other := check("in-the-shelf", "name: elsewhere\nwhen: item.paid\n").Diagnostics
	require.Equal(t, [2]int{1, 7}, [2]int{other[0].Line, other[0].Column})

	good := check("in-the-shelf", "name: in-the-shelf\nwhen: item.present and item.present\nmode: watch\n")
	require.True(t, good.OK)
	require.False(t, good.Unchanged)
	require.Equal(t, "watch", good.Rule.Mode)
	require.NotEmpty(t, good.Rule.Words)
	require.NotNil(t, good.TrueNow)
	stored := into[RuleText](r.do("GET", "/v1/rules/in-the-shelf", "", "Accept", kit.MediaJSON).wants(200))
	require.True(t, check("in-the-shelf", stored.Text).Unchanged)
	require.Equal(t, before, string(r.get("/v1/rules").body), "nothing is stored")
	r.bodyFaults("POST", "/v1/rules/x/check", kit.MediaJSON, true)
	r.post("/v1/rules/x/check", `{"rule":`).wantsCode(kit.CodeInvalidJSON)
}

// TestCheckRunsCases: cases that are stored nowhere, on a rule that is not stored either.
func TestCheckRunsCases(t *testing.T) {
	r := newRig(t)
	r.shop()
	run := func(rule, file string) RuleCheck {
		body := string(kit.MustJSON(map[string]string{"rule": rule, "cases": file}))
		return into[RuleCheck](r.post("/v1/rules/in-the-till/check", body).wants(200))
	}
	rule := "name: in-the-till\nwhen: zone.kind == \"%s\"\n"
	file := "start: 2026-03-10 10:00\nitems: {book: {epc: 3036451FD40C0E4000000001}}\ncases:\n  - name: a book at the shelf\n" +
		"    rules: [in-the-till]\n    steps:\n      - read: {items: book, by: handheld-1, zone: shelf-a}\n      - exactly: [in-the-till]\n"
	passed := run(fmt.Sprintf(rule, "shelf"), file)
	require.NotNil(t, passed.Cases)
	require.Empty(t, passed.Cases.Diagnostics)
	require.Equal(t, 1, passed.Cases.Passed)
	failed := run(fmt.Sprintf(rule, "exit"), file)
	require.True(t, failed.OK, "the rule is good, whatever its cases say")
	require.Equal(t, 1, failed.Cases.Failed)
	require.Equal(t, 8, failed.Cases.Results[0].Failures[0].Line)
	require.Len(t, run(fmt.Sprintf(rule, "exit"), "cases: 3\n").Cases.Diagnostics, 1)
	require.Nil(t, run("name: in-the-till\nwhen: nothing\n", file).Cases)
	body := string(kit.MustJSON(map[string]string{"rule": rule, "cases": file}))
	r.post("/v1/rules/in-the-till/check?site=_x", body).wantsCode(kit.CodeUnknownSite)
	pier, err := kit.MintKey(t.Context(), r.store, "pier-only", []string{kit.ScopeAuthor}, []string{"pier"}, "test", time.Now())
	r.api.server.ForgetKeys()
	require.NoError(t, err)
	r.as(pier, func(r *rig) {
		r.post("/v1/rules/in-the-till/check?site=umberhithe", body).wantsCode(kit.CodeMissingSite)
	})
}

func TestRuleNames(t *testing.T) {
	r := newRig(t)
	got := into[RuleNames](r.get("/v1/rules/names").wants(200))
	require.Equal(t, rules.Names(), got.Names)
	require.NotEmpty(t, got.Keys)
	require.NotEmpty(t, got.Functions)
	r.get("/v1/rules/names?x=1").wantsCode(kit.CodeInvalidParameter)
}

// TestRuleHistory: the versions of the document in which one rule changed, and what changed of it alone.
func TestRuleHistory(t *testing.T) {
	r := newRig(t)
	r.get("/v1/rules/x/versions").wantsCode(codeUnknownDocument)
	r.shop()
	put := func(name, body string) { r.do("PUT", "/v1/rules/"+name, body, "Content-Type", mediaYAML) }
	put("other", "name: other\nwhen: item.paid\n")
	put("mine", "name: mine\nwhen: item.paid\n")
	put("other", "name: other\nwhen: not item.paid\n")
	put("mine", "name: mine\nwhen: item.paid\nseverity: urgent\n")
	r.do("DELETE", "/v1/rules/mine", "").wants(200)
	list := into[RuleHistory](r.get("/v1/rules/mine/versions").wants(200))
	var got []string
	for _, v := range list.Versions {
		got = append(got, fmt.Sprint(v.Version, " ", v.Change))
	}
	require.Equal(t, []string{"6 removed", "5 changed", "3 added"}, got)
	require.Zero(t, list.Before)
	part := into[RuleHistory](r.get("/v1/rules/mine/versions?limit=2").wants(200))
	require.Len(t, part.Versions, 2)
	require.Equal(t, 5, part.Before)
	rest := into[RuleHistory](r.get("/v1/rules/mine/versions?before=5").wants(200))
	require.Len(t, rest.Versions, 1)
	require.Empty(t, into[RuleHistory](r.get("/v1/rules/none/versions").wants(200)).Versions)

	d := into[DocumentDiff](r.get("/v1/rules/mine/diff?from=3&to=5").wants(200))
	require.Equal(t, [2]int{1, 0}, [2]int{d.Added, d.Removed}, "nothing of the other rule")
	require.Contains(t, d.Text, "+severity: urgent\n")
	gone := into[DocumentDiff](r.get("/v1/rules/mine/diff?from=5&to=6").wants(200))
	require.Equal(t, 3, gone.Removed)
	r.get("/v1/rules/mine/diff?x=1").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/rules/mine/versions?limit=0").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/rules/mine/diff?from=99").wantsCode(codeUnknownDocument)

	// A version of an earlier program that can't be read hides no change of the others.
	r.put2("rules", "rules: [")
	require.Len(t, into[RuleHistory](r.get("/v1/rules/mine/versions").wants(200)).Versions, 3)
	r.get("/v1/rules/mine/diff?from=5").wantsCode(kit.CodeInvalidDocument)
	r.post("/v1/rules/mine/check", checkBody("name: mine\nwhen: item.paid\n")).wantsCode(kit.CodeInvalidDocument)
}

// TestUnchangedRulesAreFoundUnread: what is found without reading a document is what reading it finds, over
// random edits of every kind.
func TestUnchangedRulesAreFoundUnread(t *testing.T) {
	const seed = 11
	random := rand.New(rand.NewPCG(seed, seed))
	list := []string{"  - name: a\n    when: item.paid\n", "  # why\n  - name: b\n    say: |\n      two\n\n      lines\n    when: item.paid\n",
		"  - {name: c, when: item.paid}\n"}
	head, document, unread := "", "", 0
	for step := range 400 {
		older := document
		k := random.IntN(len(list))
		switch random.IntN(6) {
		case 0:
			head = fmt.Sprintf("# %d\n", step)
		case 1:
			list[k] = fmt.Sprintf("  # %d\n%s", step, list[k][strings.Index(list[k], "  - "):])
		case 2:
			list[k] = strings.Replace(list[k], "item.paid", "not item.paid", 1)
		case 3:
			list = slices.Insert(list, k, fmt.Sprintf("  - name: n%d\n    when: item.paid\n", step))
		case 4:
			list = append(list, fmt.Sprintf("\n  - name: n%d\n    when: item.paid\n", step))
		case 5:
			if strings.Contains(list[k], "name: n") {
				list = slices.Delete(list, k, k+1)
			}
		}
		document = head + "rules:\n" + strings.Join(list, "")
		for _, name := range []string{"a", "b", "c"} {
			newer, err := standingOf([]byte(document), name)
			require.NoError(t, err)
			got, ok := newer.unchanged([]byte(older))
			if !ok {
				continue
			}
			unread++
			want, err := standingOf([]byte(older), name)
			require.NoError(t, err)
			require.Equal(t, want, got, "%s, step %d of seed %d:\n%s\nbefore:\n%s", name, step, seed, document, older)
		}
	}
	require.Greater(t, unread, 600, "most are found without reading")
}
