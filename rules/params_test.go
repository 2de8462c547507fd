package rules

import (
	"fmt"
	"lintel/engine/event"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const withParams = `params:
  dwell: {default: 25m, min: 5m, max: 2h, meaning: how long a thing may stay where goods are tried, sites: {umberhithe: 40m}}
  high_price: {type: number, default: 100, min: 1, max: 10000, sites: {umberhithe: 80, hillside: 250}}
  valued: {default: maps, values: [maps, atlases]}
  together: {default: 8, min: 2, max: 50}
  strict: {default: no}
storm: 20 per 5m
rules:
  - name: dwell
    when: zone.kind == "fitting" and item.present
    hold: params.dwell
    say: "{product.name} is there for {params.dwell}"
  - name: valuable
    when: product.price >= params.high_price and product.category == params.valued and not params.strict
    gather: 1m
    needs: params.together
  - name: plain
    when: item.paid
  - name: silent
    about: reader
    when: reader.silent_seconds > params.dwell
`

func TestParams(t *testing.T) {
	set, diagnostics := Check("f.yaml", []byte(withParams), Known{})
	require.Empty(t, diagnostics)
	own := set.ForSite("umberhithe")
	require.Same(t, own, set.ForSite("umberhithe"))
	require.Same(t, set, set.ForSite("riverside"))
	require.Equal(t, Limit{20, 5 * time.Minute}, set.LimitOf(set.Rule("plain")))

	require.Equal(t, []time.Duration{25 * time.Minute, 40 * time.Minute}, []time.Duration{set.Rule("dwell").Hold, own.Rule("dwell").Hold})
	require.Equal(t, 8, set.Rule("valuable").Needs)
	env := &Env{Product: Product{Name: "Harbour Map", Price: 90, Category: "maps"}, Reader: Reader{SilentSeconds: 1600}}
	ask := func(s *Set, rule string) bool {
		e := s.NewEvaluator()
		ok, err := e.True(s.Rule(rule), env)
		require.NoError(t, err)
		return ok
	}
	require.False(t, ask(set, "valuable"))
	require.True(t, ask(own, "valuable"))
	require.False(t, ask(set.ForSite("hillside"), "valuable"))
	require.True(t, ask(set, "silent")) // 25 minutes are 1,500 seconds
	require.False(t, ask(own, "silent"))

	e := own.NewEvaluator()
	require.Equal(t, "Harbour Map is there for 40m", e.Say(&own.Rule("dwell").Choice, env))
	why := e.Why(own.Rule("valuable"), env)
	require.Equal(t, []NameValue{{"product.category", "maps"}, {"product.price", 90.0}, {"params.high_price", 80.0},
		{"params.strict", false}, {"params.together", 8}, {"params.valued", "maps"}}, why.Names)
	require.Equal(t, "product.price >= params.high_price", why.Parts[0].Text)
	require.Equal(t, []NameValue{{"product.price", 90.0}, {"params.high_price", 80.0}}, why.Parts[0].Names)

	// A rule is another one where its values are others, and only there.
	require.NotEqual(t, set.Rule("valuable").ConditionDigest, own.Rule("valuable").ConditionDigest)
	require.NotEqual(t, set.Rule("dwell").Digest, own.Rule("dwell").Digest)
	require.Equal(t, set.Rule("plain").Digest, own.Rule("plain").Digest)

	require.Equal(t, []string{"dwell", "high_price", "valued", "together", "strict"}, set.given.names())
	require.Equal(t, &Param{Name: "dwell", Type: "period", Meaning: "how long a thing may stay where goods are tried",
		Default: "25m", Min: "5m", Max: "2h", Sites: map[string]string{"umberhithe": "40m"}}, set.Params()[0])
	require.Equal(t, []string{"period", "number", "text", "whole", "yes_no"}, []string{set.Params()[0].Type,
		set.Params()[1].Type, set.Params()[2].Type, set.Params()[3].Type, set.Params()[4].Type})
}

// Which value is compared decides which rules a fact can meet, so a text param narrows them like a
// text in the condition.
func TestParamsPin(t *testing.T) {
	set, diagnostics := Check("f.yaml", []byte("params: {place: {default: front-tables, sites: {umberhithe: "+
		"shelf-a}}}\nrules: [{name: a, when: zone.id == params.place}]"), Known{})
	require.Empty(t, diagnostics)
	for site, zone := range map[string]string{"": "front-tables", "umberhithe": "shelf-a"} {
		e := set.ForSite(site).NewEvaluator()
		require.Len(t, e.Candidates(event.AboutItem, "arrived", &Env{Zone: Zone{ID: zone}}), 1)
		require.Empty(t, e.Candidates(event.AboutItem, "arrived", &Env{Zone: Zone{ID: "elsewhere"}}))
	}
}

func TestBadParams(t *testing.T) {
	const rule = "rules: [{name: a, when: product.price > params.x}]\n"
	for _, c := range []struct{ doc, place, want string }{
		{"params: {x: {}}\n" + rule, "1:10", "the param x has no default"},
		{"params: {x: 5}\n" + rule, "1:13", "a param is not made of keys and values"},
		{"params: {x: {min: 1}}\n" + rule, "1:10", "the param x has no default"},
		{"params: {X1: {default: 1}}\n" + rule, "1:10", `"X1" is not the name of a param`},
		{"params: {x: {default: 1, mix: 2}}\n" + rule, "1:26", `unknown key "mix"`},
		{"params: {x: {default: 1, type: numbr}}\n" + rule, "1:32", `"numbr" is not a type`},
		{"params: {x: {default: 5, max: 2}}\n" + rule, "1:23", "x is 5, more than its max of 2"},
		{"params: {x: {default: 5, min: 2, sites: {umberhithe: 1}}}\n" + rule, "1:54", "x is 1, less than its min of 2"},
		{"params: {x: {default: 5, sites: {umberhithe: many}}}\n" + rule, "1:46", `x: "many" is not a whole number up to 2147483647`},
		{"params: {x: {default: maps, min: 2}}\n" + rule, "1:34", "a param of type text has no min"},
		{"params: {x: {default: maps, values: [atlases]}}\n" + rule, "1:23", `"maps" is not a value of x`},
		{"params: {x: {default: maps}}\n" + rule, "2:39", `">" cannot be used on number and text`},
		{"params: {y: {default: 1}}\n" + rule, "2:41", `there is no param "x"`},
		{"params: {x: {default: 1}}\nrules: [{name: a, when: item.paid, hold: params.x}]\n", "2:42", "params.x is of the type whole"},
		{"params: {x: {default: 1}}\nrules: [{name: a, when: item.paid, hold: params.z}]\n", "2:42", `there is no param "z"`},
		{"params: {x: {default: 1}}\nrules: [{name: a, when: item.paid, say: '{params.z}'}]\n", "2:43", `there is no param "z"`},
		{"params: {x: {default: 1}}\nrules: [{name: a, when: item.paid}]\n", "1:10", "no rule uses the param x"},
		{"params: [x]\n" + rule, "1:9", "params is not made of keys and values"},
		{"params: {x: {default: 2, sites: {umberhithe: 0}}}\nrules: [{name: a, when: product.price / params.x > 3}]\n", "2:39",
			`"/" needs a number other than 0 on its right (with the values of the site umberhithe)`},
		{"storm: lots\nrules: []\n", "1:8", `storm: "lots" is not a number of alerts in a length of time`},
	} {
		_, diagnostics := Check("f.yaml", []byte(c.doc), Known{})
		require.NotEmpty(t, diagnostics, c.doc)
		d := diagnostics[0]
		require.Equal(t, []string{c.want, "f.yaml:" + c.place}, []string{d.Reason, d.File + ":" + itoa(d.Line) + ":" +
			itoa(d.Column)}, c.doc)
	}
}

func TestBadNoise(t *testing.T) {
	for keys, want := range map[string]string{
		"needs: 3":                                        "needs without gather",
		"gather: 1m, needs: 1":                            "needs is 1",
		"gather: 1m, gather_by: shelf":                    `"shelf" is not a value of gather_by`,
		"gather_by: zone":                                 "gather_by without gather",
		"limit: 5":                                        `limit: "5" is not a number of alerts in a length of time`,
		"limit: 0 per 1h":                                 "limit: the number is 0, it goes from 1 to 10000",
		"limit: 5 per 1s":                                 "limit: 1s is out of range: from 10s to 7d",
		"limit: 5 per moon":                               `limit: "moon" is not a length of time`,
		"remind: 5s, send: a":                             "remind is 5s",
		"escalate: 10m":                                   "escalate without escalate_to",
		"escalate_to: b":                                  "escalate_to without escalate",
		"escalate: 1s, escalate_to: b":                    "escalate is 1s",
		"escalate: 10m, escalate_to: b!":                  `"b!" is not the name of a channel`,
		"escalate: 10m, escalate_to: b, send: b":          "escalate_to names only channels that are notified at once",
		"remind: 1h":                                      "remind has nobody to remind",
		"remind: 1h, send: a, mode: watch":                "remind has no effect while the rule is only watched",
		"about: count, when: count.missing > 0, hold: 5m": "hold has no effect in rules about counts",
		"quiet: 8d":                                       "quiet: 8d is out of range: from 0s to 7d",
	} {
		when := "when: item.paid, "
		if strings.Contains(keys, "when:") {
			when = ""
		}
		_, diagnostics := Check("f.yaml", []byte("rules: [{name: a, "+when+keys+"}]\n"), Known{})
		require.NotEmpty(t, diagnostics, keys)
		require.Equal(t, want, diagnostics[0].Reason, keys)
		require.Greater(t, diagnostics[0].Column, 1, keys)
	}
}

func itoa(n int) string { return strconv.Itoa(n) }

// A document at the bounds of params, sites and rules is checked within a bounded time: see
// BenchmarkManySites.
func manySites() []byte {
	var b strings.Builder
	b.WriteString("params:\n")
	for p := range 40 {
		fmt.Fprintf(&b, "  p%d: {default: 5, sites: {\n", p)
		for s := range maxParamSites - 1 {
			fmt.Fprintf(&b, "    s%d: %d,\n", s, s)
		}
		b.WriteString("  }}\n")
	}
	b.WriteString("rules:\n")
	for r := range 200 {
		fmt.Fprintf(&b, "  - {name: r%d, when: 'product.price > params.p%d'}\n", r, r%40)
	}
	return []byte(b.String())
}

func TestManySitesAreBounded(t *testing.T) {
	_, diagnostics := Check("f.yaml", manySites(), Known{})
	require.Len(t, diagnostics, 1)
	require.Contains(t, diagnostics[0].Reason, "come to more than 20000 cases")
}

func BenchmarkManySites(b *testing.B) {
	src := manySites()
	b.ReportAllocs()
	for b.Loop() {
		Check("f.yaml", src, Known{})
	}
}
