package trial_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/sim"
	"lintel/engine/trial"
	"lintel/rules"
)

// Each rule of the demonstration alone does what it does among the others.
func TestPickKeepsWhatARuleMeans(t *testing.T) {
	set, diags := rules.Check("rules", sim.Rules(), rules.Known{})
	require.NotNil(t, set, "%v", diags)
	require.Greater(t, len(set.Rules()), 3)
	for _, r := range set.Rules() {
		v, _, err := trial.Pick("rules", sim.Rules(), rules.Known{}, r.Name)
		require.NoError(t, err)
		require.Equal(t, r.Digest, v.Rule.Digest)
		if r.Mode == rules.ModeLive {
			require.Equal(t, r.Digest, v.Digest(), r.Name)
		} else {
			require.NotEqual(t, r.Digest, v.Digest(), "it is tried live")
		}
	}
}

// A rule can be written in many ways; alone it means the same.
func TestPickReadsEveryWayToWrite(t *testing.T) {
	for _, src := range []string{
		`{rules: [{name: a, when: 'zone.kind == "exit"', say: "x: {zone.name} # no comment"}, {name: b, when: item.paid}]}`,
		"# a comment\nrules:\n- name: a # the first\n  # why\n  when: |\n    zone.kind == \"exit\" // the door\n   " +
			" and not item.paid\n  send:\n  - door-team\n  - \"floor-team\"\n  hold: 1h30m\n  hours: mon-fri " +
			"09:00-18:00\n- name: b\n  when: item.paid\n",
		"rules:\r\n  - name: b\r\n    when: item.paid\r\n  - when: >-\r\n      item.sellable and\r\n      zone.id " +
			"== 'street-door'\r\n    name: 'a'\r\n    say: \"\\\"quoted\\\" <&> \\\\ ü € 😀\"\r\n    mode: off\r\n",
		"\ufeff\"rules\":\n  - \"name\": a\n    when: \"product.price > 1.50 and product.name == '1_000'\"\n    " +
			"say: 1_000.50\n    gather: 0\n    send: door-team\n  - name: b\n    when: item.paid\n",
		"params:\n  dear:\n    type: number\n    default: 5\n    min: 1\n    sites:\n      umberhithe: 80\nstorm: " +
			"5 per 1h\nrules:\n  - name: a\n    when: product.price > params.dear\n    gather: 1m\n    gather_by: " +
			"zone\n    needs: 3\n    limit: 2 per 30m\n    remind: 5m\n    send: [door-team]\n    escalate: 10m\n  " +
			"  escalate_to: [manager]\n  - {name: b, when: item.paid}\n",
	} {
		set, diags := rules.Check("rules", []byte(src), rules.Known{Site: "umberhithe"})
		require.NotNil(t, set, "%s: %v", src, diags)
		v, _, err := trial.Pick("rules", []byte(src), rules.Known{Site: "umberhithe"}, "a")
		require.NoError(t, err, src)
		same(t, v)
	}
}

// same compares by the digest, which is of all that a rule means, once the mode is out of the way.
func same(t require.TestingT, v *trial.Version) {
	want := v.Rule
	if want.Mode == rules.ModeLive {
		require.Equal(t, want.Digest, v.Digest())
		return
	}
	got := trial.LiveRule(v)
	require.Equal(t, rules.ModeLive, got.Mode)
	require.Equal(t, want.ConditionDigest, got.ConditionDigest)
	require.Equal(t, []any{want.Say, want.Send, want.Severity, want.Gather}, []any{got.Say, got.Send, got.Severity, got.Gather})
}

func TestPickAnyText(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		text := rapid.StringOfN(rapid.RuneFrom([]rune("a b:{}[],&*#?|-<>=!%@'\"\\/~0.1e_üñ€😀")), 1, 60, -1)
		when := fmt.Sprintf("product.name != %q", text.Draw(r, "text"))
		say := rapid.StringOfN(rapid.RuneFrom([]rune("a b:[],&*#?|-<>=!%@'\"\\/~0.1e_ü€😀")), 1, 60, -1).Draw(r, "say")
		src := fmt.Sprintf("rules:\n  - name: b\n    when: item.paid\n  - name: a\n    mode: %s\n    when: %q\n    "+
			"say: %q\n", rapid.SampledFrom([]string{"live", "watch", "off"}).Draw(r, "mode"), when, say)
		set, _ := rules.Check("rules", []byte(src), rules.Known{})
		if set == nil {
			r.Skip("a document that is refused can't be tried")
		}
		v, _, err := trial.Pick("rules", []byte(src), rules.Known{Site: "umberhithe"}, "a")
		require.NoError(r, err, src)
		same(r, v)
	})
}

func TestPickUnknown(t *testing.T) {
	src := "rules:\n  - {name: a, when: item.paid}\n  - {name: b, when: item.paid}\n"
	var unknown *trial.UnknownRuleError
	_, _, err := trial.Pick("rules", []byte(src), rules.Known{}, "c")
	require.ErrorAs(t, err, &unknown)
	require.EqualError(t, err, `there is no rule "c"; there are a, b`)
	_, _, err = trial.Pick("rules", []byte(src), rules.Known{}, "")
	require.EqualError(t, err, "there are several rules; name one of a, b")
	_, _, err = trial.Pick("rules", []byte("rules: []\n"), rules.Known{}, "")
	require.EqualError(t, err, "there are no rules")
	v, found, err := trial.Pick("rules", []byte("rules:\n  - {name: a, when: item.payed}\n"), rules.Known{}, "")
	require.NoError(t, err)
	require.Nil(t, v)
	require.Len(t, found, 1)
}
