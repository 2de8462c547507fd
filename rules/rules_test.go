package rules

import (
	"testing"

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
		t.Errorf("%s", d)
	}
	require.NotNil(t, set)
	return set
}

func TestStarterRulesCompileAndAnswer(t *testing.T) {
	set := compile(t, starter)
	e := set.NewEvaluator()
	env := &Env{Cause: "passed", Item: Item{Sellable: true, Present: true}, Product: Product{Name: "Tide Tables"}, Zone: Zone{ID: "street-door", Name: "Street door", Kind: "exit"}}
	e.Bind(env)
	names := func(rules []*Rule) (out []string) {
		for _, r := range rules {
			out = append(out, r.Name)
		}
		return out
	}
	require.Equal(t, []string{"unpaid-at-door"}, names(e.Candidates("item", "passed")))
	ok, err := e.True(set.Rule("unpaid-at-door"))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "Tide Tables passed Street door unpaid", e.Say(set.Rule("unpaid-at-door")))
	w := e.Why(set.Rule("unpaid-at-door"))
	require.Len(t, w.Parts, 3)
	env.Item.Paid = true
	e.Bind(env)
	ok, err = e.True(set.Rule("unpaid-at-door"))
	require.NoError(t, err)
	require.False(t, ok)
}
