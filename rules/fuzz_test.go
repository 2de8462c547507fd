package rules

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"lintel/rules/doc"
)

// FuzzParse feeds documents: nothing may panic, and every diagnostic has a place in the document.
func FuzzParse(f *testing.F) {
	f.Add([]byte(starter))
	f.Add([]byte(withParams))
	f.Add([]byte("storm: 3 per 1h\nrules: [{name: a, when: item.paid, gather: 1m, gather_by: from, needs: 3, " +
		"limit: 5 per 1h, quiet: 1h, remind: 4h, escalate: 10m, escalate_to: [b]}]\n"))
	f.Add([]byte(shelfRules(12)))
	f.Add([]byte(choosing))
	for _, s := range []string{
		"", "rules:", "rules: []", "rules:\n- name: a\n  when: |\n    item.paid\n", "rules: [{name: a, when: 'x''y'}]",
		"rules:\n- name: \"\\u00e9\\x41\"\n",
		"rules:\n  - when: >-\n      a\n\n      b\n        c\n", "- - - a", "{{{{", "a: &x [*x]", "? a\n: b",
		"rules:\n\t- a", "%YAML 1.2\n---\nrules: []\n...\n",
		"rules:\n- name: a\n  when: \"item.paid \\\n    and x\"\n  say: '{zone.name} {{x}} {y'\n  hours: mon " +
			"22:00-02:00\n  hold: 1d12h\n  send: a\n",
		"\ufeffrules: []\r\n", "rules:\n- !!str a\n", "rules:\n- <<: {a: b}\n", "rules: |\n  a\n",
		"rules:\n- name:\n    - a\n", "'", "\"", "rules: [", "rules: {a: b",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		set, diagnostics := Check("f.yaml", src, Known{Channels: []string{"a"}, Zones: []string{"a"}})
		lines := strings.Count(string(src), "\n") + 1
		bad := false
		for _, d := range diagnostics {
			bad = bad || d.Severity == doc.SeverityError
			if d.Line < 1 || d.Column < 1 || d.Reason == "" || d.Line > lines+1 {
				t.Fatalf("%+v", d)
			}
			_ = d.String()
		}
		if (set == nil) != bad {
			t.Fatalf("set %v with %v", set != nil, diagnostics)
		}
	})
}

// FuzzWhen feeds conditions: nothing may panic, and whatever compiles answers within bounds on
// every environment, the same each time, and can be explained.
func FuzzWhen(f *testing.F) {
	for _, h := range readHostile(f) {
		if text := h.text(); len(text) <= 2*MaxCondition {
			f.Add(text)
		}
	}
	for _, n := range Names() {
		f.Add(n.Example)
	}
	f.Add(`any(product.home_zones, # startsWith "front") and count(1..3, # > 1) == 2`)
	f.Add(`lower(zone.name) contains "é" or product.name matches "^(a|b)+$" // x`)
	f.Add(`(item.paid ? 1.0 : product.price) * 2 > 3 and time_between("22:00", "06:00")`)
	envs := hostileEnvs()
	f.Fuzz(func(t *testing.T, when string) {
		d := &Document{File: "f", text: &doc.Document{Lines: []string{when}}}
		text := func(s string) *field { return &field{value: scalar{text: s, line: 1, col: 1, lines: d.text.Lines}} }
		for _, about := range Subjects() {
			d.rules = []*ruleText{{place: place{1, 1}, fields: map[string]*field{"name": text("a"),
				"about": text(about), "when": text(when)}}}
			own := d.rules[0]
			own.fields[butKey] = &field{isList: true, entries: []*ruleText{{place: own.place, of: own,
				fields: map[string]*field{"when": text(when), "severity": text("info")}}}}
			set, diagnostics := Compile(d, Known{Zones: []string{"a"}})
			for _, d := range diagnostics {
				if d.Column < 1 || d.Reason == "" {
					t.Fatalf("%+v", d)
				}
				_ = d.String()
			}
			if set == nil {
				continue
			}
			e, r := set.NewEvaluator(), set.Rules()[0]
			for _, env := range envs {
				begin := time.Now()
				got, err := e.True(r, env)
				if d := time.Since(begin); d > time.Second {
					t.Fatalf("%q took %s", when, d)
				}
				again, err2 := e.True(r, env)
				if got != again || (err == nil) != (err2 == nil) {
					t.Fatalf("%q: %t %v, then %t %v", when, got, err, again, err2)
				}
				w := e.Why(r, env)
				if err == nil && (w.Value != got || w.Error != "") {
					t.Fatalf("%q: %t, but why says %t %s", when, got, w.Value, w.Error)
				}
				if n, failed := e.Choose(r, env); (n == 1) != (got && err == nil) || (failed == nil) != (err == nil) {
					t.Fatalf("%q: %t %v, but as an alternative %d %v", when, got, err, n, failed)
				}
				if _, err := json.Marshal(w); err != nil {
					t.Fatalf("%q: %v", when, err)
				}
				_ = e.Say(&r.Choice, env)
			}
		}
	})
}
