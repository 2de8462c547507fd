package rules

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAlternativesPointAtTheText checks place, words and hint of what is wrong with alternatives and
// with messages in several languages.
func TestAlternativesPointAtTheText(t *testing.T) {
	known := Known{Channels: []string{"door-team", "manager"}, Sites: []string{"umberhithe", "harbour"}}
	_, diagnostics := Check("rules/door.yaml", []byte(`params:
  whom: {default: door-team, sites: {harbour: "door-team, managr", umberhithe: "no/channel"}}
  many: {default: 3}
rules:
  - name: a
    when: zone.kind == "exit" and not item.paid
    say: {en: "here", "12": "x", cy: [a]}
    send: [params.whom, params.many, params.wohm]
    but:
      - when: product.prize > 50
        severity: urgend
        say: "{product.nam} is dear"
        hold: 3s
      - severity: info
      - when: zone.kind == "shelf"
        send: [manager]
      - when: at.hour >= 24
        severity: info
      - when: at.hour > 20
  - name: b
    when: item.paid
    say: {product.name}
    but: urgent
  - name: c
    when: item.paid
    but:
`), known)
	var text []string
	for _, d := range diagnostics {
		text = append(text, d.String())
	}
	require.Equal(t, strings.TrimSpace(`
rules/door.yaml:7:10: say has no default
        say: {en: "here", "12": "x", cy: [a]}
             ^
    write default: and the message for shops whose layout names no language, or another one
rules/door.yaml:7:23: "12" is not a language
        say: {en: "here", "12": "x", cy: [a]}
                          ^^^^
    write the tag of a language, such as en, cy or pt-br, or default
rules/door.yaml:7:38: the message is not a text
        say: {en: "here", "12": "x", cy: [a]}
                                         ^
    put it in quotes, or after | on a line of its own
rules/door.yaml:8:25: params.many is of the type whole
        send: [params.whom, params.many, params.wohm]
                            ^^^^^^^^^^^
    here a param of the type text is needed
rules/door.yaml:8:38: there is no param "wohm"
        send: [params.whom, params.many, params.wohm]
                                         ^^^^^^^^^^^
    did you mean params.whom?
rules/door.yaml:10:15: unknown name "product.prize"
          - when: product.prize > 50
                  ^^^^^^^^^^^^^
    did you mean product.price?
rules/door.yaml:11:19: "urgend" is not a value of severity
            severity: urgend
                      ^^^^^^
    did you mean urgent?
rules/door.yaml:12:16: unknown name "product.nam"
            say: "{product.nam} is dear"
                   ^^^^^^^^^^^
    did you mean product.name?
rules/door.yaml:13:9: unknown key "hold"
            hold: 3s
            ^^^^
    an alternative has the keys when, severity, say, send
rules/door.yaml:14:9: the alternative has no when
          - severity: info
            ^
    write when: and the condition under which this holds, such as not site.open
rules/door.yaml:15:25: warning: this alternative is never taken
          - when: zone.kind == "shelf"
                            ^^
    the rule's own condition asks for another value of zone.kind
rules/door.yaml:17:15: warning: the condition is never true
          - when: at.hour >= 24
                  ^^^^^^^^^^^^^
    at.hour is from 0 to 23
rules/door.yaml:19:9: the alternative changes nothing
          - when: at.hour > 20
            ^
    write what then holds: severity, say or send
rules/door.yaml:22:10: say is not a text
        say: {product.name}
             ^
    a message that begins with a brace goes in quotes: say: "{product.name} is here"
rules/door.yaml:23:10: but is not a list of alternatives
        but: urgent
             ^^^^^^
    write a list, each entry with - when: and what then holds: severity, say or send
rules/door.yaml:26:5: but has no value
        but:
        ^^^
    leave the key out, or give it a value
`), strings.Join(text, "\n"))

	sites := "params: {whom: {default: door-team, sites: {harbour: 'door-team, managr', umberhithe: no/channel}}}\n" +
		"rules: [{name: a, when: item.paid, send: params.whom, escalate: 1m, escalate_to: [manager]}]"
	_, diagnostics = Check("rules/door.yaml", []byte(sites), known)
	require.Len(t, diagnostics, 2)
	require.Contains(t, diagnostics[0].String(), `2:42: warning: there is no channel "managr" (with the values of the site harbour)`)
	require.Contains(t, diagnostics[0].String(), "did you mean manager?")
	require.Contains(t, diagnostics[1].String(), `2:42: "no/channel" is not the name of a channel (with the values of the site umberhithe)`)

	many := "rules: [{name: a, when: item.paid, but: [" + strings.Repeat("{when: item.sellable, severity: info}, ", MaxAlternatives+1) + "]}]"
	set, diagnostics := Check("rules/door.yaml", []byte(many), known)
	require.Nil(t, set)
	require.Contains(t, diagnostics[0].String(), "the rule has more than 10 alternatives")

	tags := ""
	for i := range MaxLanguages + 1 {
		tags += fmt.Sprintf(", a%c: x", 'a'+i)
	}
	set, diagnostics = Check("rules/door.yaml", []byte("rules: [{name: a, when: item.paid, say: {default: x"+tags+"}}]"), known)
	require.Nil(t, set)
	require.Contains(t, diagnostics[0].String(), "say has more than 20 languages")
}

// choosing is a rule with everything that an alternative can replace.
const choosing = `
params:
  dear: {default: 50, sites: {harbour: 20}}
  whom: {default: door-team, sites: {harbour: "guard, manager"}}
rules:
  - name: a
    when: zone.kind == "exit"
    say: {default: "{product.name} passed", cy: "Aeth {product.name}", pt-BR: "{product.name} passou"}
    send: [params.whom]
    but:
      - {when: not site.open, severity: urgent, say: "{product.name} at night"}
      - {when: product.price >= params.dear, severity: urgent, send: [manager, params.whom]}
      - {when: product.price == 0, severity: info, send: []}
`

func TestTheFirstAlternativeThatIsTrueIsTaken(t *testing.T) {
	set := compile(t, choosing)
	said := func(set *Set, env *Env) string {
		e, r := set.NewEvaluator(), set.Rules()[0]
		n, err := e.Choose(r, env)
		require.NoError(t, err)
		c := r.Chosen(n)
		w := e.Why(r, env).Choice
		require.Equal(t, n, w.Taken)
		require.Equal(t, c.Severity, w.Severity)
		require.Equal(t, c.Send, w.Send)
		for i, part := range w.Parts {
			require.Equal(t, i+1 == n, part.Value)
			require.Equal(t, r.But[i].When, part.Text)
			require.Equal(t, r.But[i].Line, part.Line)
		}
		return fmt.Sprintf("%d %s %v %s", n, c.Severity, c.Send, e.Say(c, env))
	}
	env := func(open bool, price float64, language string) *Env {
		return &Env{Zone: Zone{Kind: "exit"}, Product: Product{Name: "Atlas", Price: price}, Site: Site{Open: open, Language: language}}
	}
	require.Equal(t, "0 warning [door-team] Atlas passed", said(set, env(true, 30, "")))
	require.Equal(t, "0 warning [door-team] Aeth Atlas", said(set, env(true, 30, "cy")))
	require.Equal(t, "0 warning [door-team] Aeth Atlas", said(set, env(true, 30, "cy-gb")))
	require.Equal(t, "0 warning [door-team] Atlas passou", said(set, env(true, 30, "pt-br")))
	require.Equal(t, "0 warning [door-team] Atlas passed", said(set, env(true, 30, "pt")), "a tag is not widened to a country")
	require.Equal(t, "2 urgent [manager door-team] Aeth Atlas", said(set, env(true, 50, "cy")))
	require.Equal(t, "1 urgent [door-team] Atlas at night", said(set, env(false, 50, "cy")), "an alternative replaces the whole message")
	require.Equal(t, "3 info [] Atlas passed", said(set, env(true, 0, "")))
	harbour := set.ForSite("harbour")
	require.Equal(t, "2 urgent [manager guard] Atlas passed", said(harbour, env(true, 30, "")))
	require.Equal(t, "0 warning [guard manager] Atlas passed", said(harbour, env(true, 10, "")))

	require.Equal(t, []string{"door-team", "guard", "manager"}, set.Rules()[0].Channels(), "of all sites")
	require.NotEqual(t, set.Rules()[0].Digest, harbour.Rules()[0].Digest)

	plain := compile(t, "rules: [{name: a, when: item.paid}]")
	why, err := json.Marshal(plain.NewEvaluator().Why(plain.Rules()[0], &Env{}))
	require.NoError(t, err)
	require.NotContains(t, string(why), "choice")
}

// What an alternative says is part of what the rule means, and no part of when it opens.
func TestAlternativesAreInTheDigest(t *testing.T) {
	of := func(was, is string) *Rule { return compile(t, strings.Replace(choosing, was, is, 1)).Rules()[0] }
	r := of("", "")
	for _, change := range [][2]string{
		{"not site.open", "site.open"}, {"severity: info", "severity: urgent"}, {"at night", "by night"}, {"send: []", "send: [guard]"},
		{"send: [manager, params.whom]", "send: [params.whom, manager]"}, {"Aeth", "Aet"}, {"cy:", "de:"},
		{", severity: info, send: []", ", send: []"},
	} {
		other := of(change[0], change[1])
		require.NotEqual(t, r.Digest, other.Digest, change)
		require.Equal(t, r.ConditionDigest, other.ConditionDigest, change)
	}
	require.Equal(t, r.Digest, of("pt-BR", "pt-br").Digest)
	require.Equal(t, r.Digest, of("product.price == 0,", "product.price==0 /* free */,").Digest)
}

// The work of alternatives counts, since they are evaluated in the fact that opens an alert.
func TestAlternativesCost(t *testing.T) {
	with := compile(t, choosing).Rules()[0]
	head := choosing[:strings.Index(choosing, "    but:")]
	without := compile(t, strings.Replace(head, "  dear: {default: 50, sites: {harbour: 20}}\n", "", 1)).Rules()[0]
	sum := without.Cost()
	for _, a := range with.But {
		require.Positive(t, a.cost)
		sum += a.cost
	}
	require.Equal(t, sum, with.Cost())
}

// An alternative that fails while it runs is passed over, and the failure points at it.
func TestAnAlternativeThatFails(t *testing.T) {
	set := compile(t, `
rules:
  - name: a
    when: item.paid
    but:
      - when: 'any(product.home_zones, any(product.home_zones, # == "x"))'
        severity: urgent
      - when: item.paid
        severity: info
`)
	env := &Env{Item: Item{Paid: true}, Product: Product{HomeZones: make([]string, 900)}}
	n, err := set.NewEvaluator().Choose(set.Rules()[0], env)
	require.Equal(t, 2, n)
	require.ErrorContains(t, err, "rules/test.yaml:6:64: rule a: the list functions of this condition go round too often")
}
