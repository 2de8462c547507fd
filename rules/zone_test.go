package rules

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// zoneRule writes a rule about a zone with some keys.
func zoneRule(keys string) string {
	return "rules:\n- name: a\n  about: zone\n  " + strings.ReplaceAll(keys, "\n", "\n  ") + "\n"
}

func TestRulesAboutZones(t *testing.T) {
	set := compile(t, `
params:
  long: {default: 2h}
rules:
- name: novels
  about: zone
  items: product.category == "novels" && !item.paid
  within: 10m
  when: zone.kind in ["shelf", "floor"] and (items.count > 20 or items.came >= 3)
- name: the-same
  about: zone
  items: product.category == "novels" and not item.paid
  within: 600s
  when: zone.id == "cafe" and items.went > 2
- name: old
  about: zone
  when: items.oldest_seconds > params.long or 600 <= items.oldest_seconds
- name: odd
  about: zone
  when: items.oldest_seconds * 2 > 60 and at.minute == 5
- name: night
  about: zone
  when: items.count > 0 and not site.open
`)
	tally := func(name string) *Tally { return set.Rule(name).Tally }
	require.Equal(t, tally("novels").Key, tally("the-same").Key, "however it is spelt")
	require.NotEqual(t, tally("novels").Key, tally("old").Key)
	require.Equal(t, 10*time.Minute, tally("the-same").Within)
	require.Equal(t, []int64{600_000, 7_200_000}, tally("old").Ages)
	require.Equal(t, []bool{false, true, true, false, true}, []bool{tally("old").AnyAge, tally("odd").AnyAge, tally("old").OldestMatters(),
		tally("novels").OldestMatters(), tally("odd").Minute})
	require.Equal(t, []bool{true, false, true}, []bool{tally("night").Clock, tally("night").Minute, tally("odd").Clock})
	require.Equal(t, []bool{true, false, true, false}, []bool{set.Rule("novels").InZone("shelf-a", "shelf"), set.Rule("novels").InZone("till", "checkout"),
		set.Rule("the-same").InZone("cafe", "other"), set.Rule("the-same").InZone("bay", "other")})

	e, env := set.NewEvaluator(), passing()
	env.Item, env.Product.Category = Item{Registered: true}, "novels"
	require.True(t, e.Counts(set.Rule("novels"), env))
	require.True(t, e.Counts(set.Rule("old"), env))
	env.Item.Paid, env.Item.Registered = true, false
	require.False(t, e.Counts(set.Rule("novels"), env))
	require.False(t, e.Counts(set.Rule("old"), env), "what is in no product list")

	// What a rule counts is a part of what it means.
	a := compile(t, zoneRule("when: items.count > 3")).Rules()[0]
	b := compile(t, zoneRule("when: items.count > 3\nitems: item.sellable")).Rules()[0]
	require.NotEqual(t, a.ConditionDigest, b.ConditionDigest)
	require.Equal(t, "a: {items.count} items in {zone.name}", a.Say)
}

func TestMistakesInRulesAboutZones(t *testing.T) {
	for src, want := range map[string]string{
		zoneRule("when: items.count > 3\nitems: zone.kind == \"shelf\""):                       `5:10: zone.kind says nothing of an item that lies there`,
		zoneRule("when: items.count > 3\nitems: not passage.sure"):                             `5:14: passage.sure says nothing`,
		zoneRule("when: items.count > 3\nitems: time_between(\"09:00\", \"10:00\")"):           `5:10: time_between says nothing`,
		zoneRule("when: items.count > 3\nitems: any(product.home_zones,# == \"a\")"):           `5:33: list functions are not available in items`,
		zoneRule("when: items.count > 3\nitems: item.sellabel"):                                `5:10: unknown name "item.sellabel"`,
		zoneRule("when: items.came > 3"):                                                       `4:9: items.came and items.went need a length of time`,
		zoneRule("when: items.came > 3\nwithin: 5s"):                                           `5:11: within: `,
		zoneRule("when: items.came > 3\nwithin: 2d"):                                           `5:11: within: `,
		zoneRule("when: items.count > 3\nwithin: 5m"):                                          `5:11: warning: within has no effect`,
		zoneRule("when: items.count > 3\nitems: item.paid and item.paid == item.paid or true"): `5:10: warning: items is always true`,
		zoneRule("when: stock.count > 3"):                                                      `4:9: `,
		zoneRule("when: items.count < 0"):                                                      `4:9: warning: the condition is never true`,
		"rules: [{name: a, when: item.paid, items: item.paid}]":                                `1:43: items in a rule about item`,
		"rules: [{name: a, when: item.paid, within: 5m}]":                                      `1:44: within without first`,
		"rules: [{name: a, when: items.count > 3}]":                                            `1:25: `,
	} {
		_, diagnostics := Check("f", []byte(src), Known{})
		require.NotEmpty(t, diagnostics, src)
		require.Contains(t, diagnostics[0].String(), "f:"+want, src)
	}
	_, diagnostics := Check("f", []byte("rules: [{name: a, when: near.door == \"yard\"}]"), Known{Zones: []string{"yard-door"}})
	require.Contains(t, diagnostics[0].String(), `this site has no zone "yard"`)
}

// What a site keeps for rules about zones is bounded, whatever the document says.
func TestManyRulesAboutZones(t *testing.T) {
	many := func(n int, when string) string {
		var b strings.Builder
		b.WriteString("rules:\n")
		for i := range n {
			fmt.Fprintf(&b, "- {name: a-%d, about: zone, within: 10m, items: 'product.sku == \"UB-%d\"', when: '%s'}\n", i, i, when)
		}
		return b.String()
	}
	_, diagnostics := Check("f", []byte(many(MaxRules, "items.came > 1")), Known{})
	require.NotEmpty(t, diagnostics)
	require.Contains(t, diagnostics[0].Reason, "count in more than 40000 places")
	require.Equal(t, "a-200", diagnostics[0].Rule)
	set, diagnostics := Check("f", []byte(many(MaxRules, `zone.id == "cafe" and items.came > 1`)), Known{})
	require.Empty(t, diagnostics)
	require.NotNil(t, set)
}
