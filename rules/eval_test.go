package rules

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/expr-lang/expr"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// one makes a set of one rule; the condition goes into a block, so any text will do.
func one(t testing.TB, about, when string) (*Evaluator, *Rule) {
	t.Helper()
	set := compile(t, "rules:\n  - name: a\n    about: "+about+"\n    when: |\n      "+strings.ReplaceAll(when, "\n", "\n      ")+"\n")
	return set.NewEvaluator(), set.Rules()[0]
}

func TestConditions(t *testing.T) {
	for _, c := range []struct {
		when string
		want bool
	}{
		{`zone.kind == "exit"`, true},
		{`zone.kind in ["shelf", "floor"]`, false},
		{`zone.kind not in ["shelf", "floor"]`, true},
		{`zone.id in product.home_zones`, false},
		{`from.id in product.home_zones`, true},
		{`!item.paid && item.sellable || false`, true},
		{`product.price * 2 >= 49 and product.price / 2 < 12.3`, true},
		{`10 < product.price < 30`, true},
		{`passage.peak_rssi > -50 and passage.reads % 2 == 1`, true},
		{`product.attributes.colour == "blue" and product.attributes["colour"] == "blue"`, true},
		{`product.attributes.size == ""`, true},
		{`at.weekday in ["wednesday"] and at.date >= "2026-11-25" and at.date < "2026-12-01"`, true},
		{`time_between("14:00", "14:06")`, true},
		{`time_between("14:06", "14:05")`, false},
		{`time_between("22:00", "14:06")`, true},
		{`time_between("22:00", "14:05")`, false},
		{`lower(product.name) contains "tide" and upper(zone.id) == "STREET-DOOR" and trim(" x ") == "x"`, true},
		{`product.name matches "^Tide .*Sound$" and not (product.name matches "z")`, true},
		{`product.gtin startsWith "0952" and product.gtin endsWith "94" and len(product.gtin) == 14`, true},
		{`any(product.home_zones, # startsWith "front") and all(product.home_zones, # != "")`, true},
		{`none(product.home_zones, # == zone.id) and one(product.home_zones, # == "shelf-a")`, true},
		{`count(product.home_zones, # contains "-") == 2 and len(filter(product.home_zones, # == "shelf-a")) == 1`, true},
		{`"SHELF-A" in map(product.home_zones, upper(#))`, true},
		{`any(1..20, # == passage.reads)`, true},
		{`max(passage.reads, 20) == 20 and min(1, 2) == 1 and abs(passage.peak_rssi) == 48 and ` +
			`round(product.price) == 25 and floor(1.5) + ceil(1.5) == 3`, true},
		{`(item.paid ? 0.0 : product.price) > 20`, true},
		{`zone.id + "/" + zone.kind == "street-door/exit"`, true},
		{"zone.kind == \"exit\" // the door\n  and /* really */ item.sellable", true},
		{`at.minute_of_day == 845`, true},
		{`site.open and site.id == "umberhithe" and not item.foreign`, true},
	} {
		e, r := one(t, event.AboutItem, c.when)
		got, err := e.True(r, passing())
		require.NoError(t, err, c.when)
		require.Equal(t, c.want, got, c.when)
		require.Equal(t, c.want, e.Why(r, passing()).Value, c.when)
		// On nothing at all there is an answer too.
		_, err = e.True(r, &Env{})
		require.NoError(t, err, c.when)
	}
}

// TestTextsAndListsAreCut binds values beyond the limits.
func TestTextsAndListsAreCut(t *testing.T) {
	e, r := one(t, event.AboutItem, `len(item.key) == 2048 and len(product.home_zones) == 1000 and all(product.home_zones, len(#) <= 4096)`)
	env := &Env{Item: Item{Key: strings.Repeat("é", 4096)}}
	for range 2000 {
		env.Product.HomeZones = append(env.Product.HomeZones, strings.Repeat("x", 5000))
	}
	// The list is too long for the step counter: it is stopped, and said so.
	_, err := e.True(r, env)
	var run *RunError
	require.ErrorAs(t, err, &run)
	env.Product.HomeZones = env.Product.HomeZones[:5]
	e, r = one(t, event.AboutItem, `len(item.key) == 2048 and all(product.home_zones, len(#) == 4096)`)
	ok, err := e.True(r, env)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, 4096, len(cut(strings.Repeat("x", 4095)+"y")))
	require.Equal(t, 4095, len(cut(strings.Repeat("x", 4095)+"é")))
}

func TestRunErrorPointsAtTheText(t *testing.T) {
	set := compile(t, `rules:
  - name: homes
    when: |
      zone.kind == "exit"
        and any(product.home_zones, any(product.home_zones, # == zone.id))
`)
	e, r := set.NewEvaluator(), set.Rules()[0]
	env := passing()
	for i := range 900 {
		env.Product.HomeZones = append(env.Product.HomeZones, fmt.Sprintf("zone-%d", i))
	}
	_, err := e.True(r, env)
	require.EqualError(t, err, "rules/test.yaml:5:61: rule homes: the list functions of this condition go round too often")
	w := e.Why(r, env)
	require.False(t, w.Value)
	require.Equal(t, "the list functions of this condition go round too often", w.Error)
	require.True(t, w.Parts[0].Value)
	// The next one is not the worse for it.
	ok, err := e.True(r, passing())
	require.NoError(t, err)
	require.False(t, ok)
}

// conditions draws conditions and environments that often make them true.
func drawCondition(t *rapid.T, depth int) string {
	if depth > 0 && rapid.IntRange(0, 2).Draw(t, "shape") > 0 {
		l, r := drawCondition(t, depth-1), drawCondition(t, depth-1)
		switch rapid.IntRange(0, 4).Draw(t, "join") {
		case 0, 1:
			return l + " and " + r
		case 2:
			return "(" + l + " or " + r + ")"
		case 3:
			return "not (" + l + ")"
		default:
			return "(" + l + " ? " + r + " : " + drawCondition(t, depth-1) + ")"
		}
	}
	return rapid.SampledFrom([]string{
		`zone.kind == "exit"`, `zone.kind == "shelf"`, `"exit" == zone.kind`, `zone.kind != "exit"`,
		`zone.kind in ["shelf", "floor"]`, `zone.id == "b"`,
		`zone.id in ["a", "c"]`, `from.kind == "shelf"`, `zone.id == from.id`, `product.gtin == "1"`,
		`product.category in ["x", "y"]`, `product.sku == "s"`,
		`item.paid`, `not item.sellable`, `item.home == false`, `cause == "passed"`, `cause in ["sold", "left"]`,
		`cause != "sold"`, `passage.direction == "out"`,
		`passage.confidence > 0.5`, `passage.reads >= 3`, `passage.reads < 3`, `reader.id == "r"`,
		`reader.role == "portal"`, `product.price > 10`, `at.hour >= 20`,
		`site.open`, `item.serial == "7"`, `zone.id in product.home_zones`, `any(product.home_zones, # == zone.id)`,
		`product.attributes.c == "d"`,
		`lower(zone.id) == "b"`, `zone.id matches "^[ab]$"`, `item.disposition == "retail_sold"`,
	}).Draw(t, "leaf")
}

func drawEnv(t *rapid.T) *Env {
	text := func(label string, values ...string) string {
		return rapid.SampledFrom(append(values, "")).Draw(t, label)
	}
	zone := func(label string) Zone {
		return Zone{ID: text(label, "a", "b", "c"), Kind: text(label, "exit", "shelf", "floor")}
	}
	env := &Env{
		Cause: text("cause", "passed", "sold", "left", "arrived"), Zone: zone("zone"), From: zone("from"),
		Item: Item{Paid: rapid.Bool().Draw(t, "paid"), Sellable: rapid.Bool().Draw(t, "sellable"), Home: rapid.Bool().Draw(t, "home"),
			Serial: text("serial", "7"), Disposition: text("disp", "retail_sold")},
		Product: Product{GTIN: text("gtin", "1", "2"), SKU: text("sku", "s"), Category: text("cat", "x", "y", "z"),
			Price: rapid.SampledFrom([]float64{0, 10, 10.5}).Draw(t, "price")},
		Reader: Reader{ID: text("reader", "r"), Role: text("role", "portal")},
		At:     At{Hour: rapid.IntRange(0, 23).Draw(t, "hour")},
		Site:   Site{Open: rapid.Bool().Draw(t, "open")},
	}
	if env.Cause == "passed" {
		env.Passage = Passage{Direction: text("dir", "out", "in"),
			Confidence: rapid.SampledFrom([]float64{0, 0.6}).Draw(t, "conf"), Reads: rapid.IntRange(0, 5).Draw(t, "reads")}
	}
	if rapid.Bool().Draw(t, "homes") {
		env.Product.HomeZones = []string{"a", "b"}
		env.Product.Attributes = map[string]string{"c": "d"}
	}
	return env
}

// nested is the environment as plain nested maps.
func nested(e *Env) map[string]any {
	m := map[string]any{}
	for i := range entries {
		en := &entries[i]
		if en.attribute {
			continue
		}
		group, last, ok := strings.Cut(en.Name.Name, ".")
		if !ok {
			m[group] = en.value(e, "")
			continue
		}
		g, _ := m[group].(map[string]any)
		if g == nil {
			g = map[string]any{}
			m[group] = g
		}
		g[last] = en.value(e, "")
	}
	attributes := map[string]string{}
	for k, v := range e.Product.Attributes {
		attributes[k] = v
	}
	m["product"].(map[string]any)["attributes"] = attributes
	return m
}

// TestAnswersMatchTheLanguage compares our answers, with flattened names, numbered variables and
// the step counter, with those of the expression language's own compiler and machine on plain
// nested maps (github.com/expr-lang/expr, expr.Eval). Why must agree too, and one evaluator that
// goes from environment to environment must not remember anything.
func TestAnswersMatchTheLanguage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		when := drawCondition(t, 3)
		set, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when: |\n      "+when+"\n"), Known{})
		if set == nil {
			t.Fatalf("%v", diagnostics)
		}
		e, r := set.NewEvaluator(), set.Rules()[0]
		for range 4 {
			env := drawEnv(t)
			want, err := expr.Eval(when, nested(env))
			if err != nil {
				t.Fatalf("%s: %v", when, err)
			}
			got, err := e.True(r, env)
			if err != nil || got != want.(bool) {
				t.Fatalf("%s: %t %v, want %t", when, got, err, want)
			}
			w := e.Why(r, env)
			if w.Value != got || w.Error != "" {
				t.Fatalf("%s: why says %t %s", when, w.Value, w.Error)
			}
			checkParts(t, w, env)
		}
	})
}

// checkParts evaluates the text of each part of an explanation for itself: its span must be a
// condition with the value that was told.
func checkParts(t *rapid.T, w *Why, env *Env) {
	for _, p := range w.Parts {
		want, err := expr.Eval(p.Text, nested(env))
		if err != nil || want != p.Value {
			t.Fatalf("part %q of %q: %t, want %v %v", p.Text, w.Text, p.Value, want, err)
		}
		checkParts(t, p, env)
	}
}

// drawRules makes a set of drawn rules.
func drawRules(t *rapid.T) *Set {
	var src strings.Builder
	src.WriteString("rules:\n")
	n := rapid.IntRange(1, 30).Draw(t, "rules")
	for i := range n {
		mode := rapid.SampledFrom([]string{"live", "watch", "off"}).Draw(t, "mode")
		fmt.Fprintf(&src, "  - name: r%d\n    mode: %s\n    when: |\n      %s\n", i, mode, drawCondition(t, 2))
	}
	set, diagnostics := Check("f", []byte(src.String()), Known{})
	if set == nil {
		t.Fatalf("%v", diagnostics)
	}
	return set
}

// TestCandidatesLeaveNothingOut checks the index against evaluating everything. With no cause,
// every true rule is a candidate; candidates stand in the order of the document, and none is off.
func TestCandidatesLeaveNothingOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := drawRules(t)
		e := set.NewEvaluator()
		env := drawEnv(t)
		candidates := append([]*Rule(nil), e.Candidates(event.AboutItem, "", env)...)
		for _, r := range set.Rules() {
			ok, err := e.True(r, env)
			if err != nil {
				t.Fatal(err)
			}
			isCandidate := len(candidates) > 0 && candidates[0] == r
			if isCandidate {
				candidates = candidates[1:]
			}
			if isCandidate && r.Mode == ModeOff || ok && !isCandidate && r.Mode != ModeOff {
				t.Fatalf("%q: true %t, candidate %t", r.When, ok, isCandidate)
			}
		}
		if len(candidates) > 0 {
			t.Fatal("candidates are out of order")
		}
	})
}

// TestFactsThatChangeRulesFindThem draws two environments of which the second differs from the
// first only by what a kind of fact can change. A rule that becomes true must be a candidate, and
// one whose truth changes must be concerned by the cause.
func TestFactsThatChangeRulesFindThem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := drawRules(t)
		cause := rapid.SampledFrom(Causes(event.AboutItem)).Draw(t, "fact")
		before, after := drawEnv(t), drawEnv(t)
		after.Cause = cause
		if cause != "passed" {
			after.Passage = Passage{}
		}
		keep(after, before, cause)
		was, is := set.NewEvaluator(), set.NewEvaluator()
		candidates := is.Candidates(event.AboutItem, cause, after)
		for _, r := range set.Rules() {
			a, err1 := was.True(r, before)
			b, err2 := is.True(r, after)
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			if a != b && !r.ConcernedBy(cause) {
				t.Fatalf("%q changes with %s but is not concerned", r.When, cause)
			}
			if !a && b && r.Mode != ModeOff && !slices.Contains(candidates, r) {
				t.Fatalf("%q becomes true with %s but is no candidate", r.When, cause)
			}
		}
	})
}

// keep sets what a fact of this kind cannot change in dst to what it is in src.
func keep(dst, src *Env, cause string) {
	for i := range entries {
		e := &entries[i]
		if len(e.Causes) == 0 || slices.Contains(e.Causes, cause) || e.Name.Name == "cause" {
			continue
		}
		group, last, _ := strings.Cut(e.Name.Name, ".")
		find := func(v reflect.Value, name string) reflect.Value {
			return v.FieldByNameFunc(func(f string) bool { return snake(f) == name })
		}
		find(find(reflect.ValueOf(dst).Elem(), group), last).Set(find(find(reflect.ValueOf(src).Elem(), group), last))
	}
}

func TestCandidatesAreFew(t *testing.T) {
	set := compile(t, shelfRules(1000))
	e := set.NewEvaluator()
	env := passing()
	require.Empty(t, e.Candidates(event.AboutItem, "passed", env))
	env.Zone.ID, env.Product.GTIN, env.Reader.ID = "shelf-501", gtinOf(43), "reader-9"
	var names []string
	for _, r := range e.Candidates(event.AboutItem, "passed", env) {
		names = append(names, r.Name)
	}
	require.Equal(t, []string{"rule-9", "rule-43", "rule-501"}, names)
	names = nil
	for _, r := range e.Candidates(event.AboutItem, "arrived", env) {
		names = append(names, r.Name)
	}
	require.Equal(t, []string{"rule-43", "rule-501"}, names)
	require.Empty(t, e.Candidates("nothing", "passed", env))
	require.Empty(t, e.Candidates(event.AboutStock, "stock", env))
}

func TestCauses(t *testing.T) {
	for _, c := range []struct {
		about, when       string
		concerned, become string // causes: - for none, * for all
	}{
		{event.AboutItem, `cause == "passed" and not item.paid`, "*", "passed"},
		{event.AboutItem, `cause in ["sold", "returned"]`, "*", "sold returned"},
		{event.AboutItem, `cause == "sold" or zone.kind == "exit"`, "*", "*"},
		{event.AboutItem, `passage.direction == "out" and not item.paid`, "*", "passed"},
		{event.AboutItem, `passage.direction in ["out", "unsure"] or passage.confidence >= 0.5`, "*", "passed"},
		{event.AboutItem, `passage.direction == ""`, "*", "*"},
		{event.AboutItem, `passage.confidence < 0.5`, "*", "*"},
		{event.AboutItem, `product.category == "maps" and product.price > 5`,
			"arrived passed sold returned received shipped found foreign moved registered",
			"arrived passed sold returned received shipped found foreign moved registered"},
		{event.AboutItem, `item.serial == "1" and at.hour > 5`, "*", "*"},
		{event.AboutReader, `cause == "silent"`, "silent heard", "silent"},
		{event.AboutReader, `reader.silent_seconds > 60`, "silent heard", "silent heard"},
		{event.AboutStock, `stock.count < 3`, "stock", "stock"},
		{event.AboutCount, `count.accuracy < 0.9`, "counted", "counted"},
		{event.AboutItem, `cause == "passed" and cause == "sold"`, "*", "-"},
	} {
		set, _ := Check("f", []byte("rules:\n  - name: a\n    about: "+c.about+"\n    when: |\n      "+c.when+"\n"), Known{})
		require.NotNil(t, set, c.when)
		r := set.Rules()[0]
		e := set.NewEvaluator()
		has := func(list, cause string) bool {
			return list == "*" || strings.Contains(" "+list+" ", " "+cause+" ")
		}
		for _, cause := range Causes(c.about) {
			require.Equal(t, has(c.concerned, cause), r.ConcernedBy(cause), "%s: %s", c.when, cause)
			b := e.set.index[c.about].byCause[cause]
			n := len(b.always)
			for _, k := range b.keys {
				n += len(k.rules)
			}
			require.Equal(t, has(c.become, cause), n > 0, "%s: %s", c.when, cause)
		}
		require.True(t, r.ConcernedBy(""))
		require.True(t, r.ConcernedBy("something new"))
	}
}

func TestWhy(t *testing.T) {
	set := compile(t, `rules:
  - name: door
    when: |
      zone.kind == "exit" and not item.paid
        and (product.price > 100 or
             any(product.home_zones, # == zone.id))
        and time_between("22:00", "06:00")
`)
	e, r := set.NewEvaluator(), set.Rules()[0]
	got, err := json.MarshalIndent(e.Why(r, passing()), "", " ")
	require.NoError(t, err)
	want := `{
 "text": "zone.kind == \"exit\" and not item.paid and (product.price \u003e 100 or any(product.home_zones, # == zone.id)) and time_between(\"22:00\", \"06:00\")",
 "value": false,
 "line": 4,
 "column": 7,
 "parts": [
  {"text": "zone.kind == \"exit\"", "value": true, "line": 4, "column": 7, "names": [{"name": "zone.kind", "value": "exit"}]},
  {"text": "not item.paid", "value": true, "line": 4, "column": 31, "parts": [
   {"text": "item.paid", "value": false, "line": 4, "column": 35, "names": [{"name": "item.paid", "value": false}]}]},
  {"text": "product.price \u003e 100 or any(product.home_zones, # == zone.id)", "value": false, "line": 5, "column": 14, "parts": [
   {"text": "product.price \u003e 100", "value": false, "line": 5, "column": 14, "names": [{"name": "product.price", "value": 24.5}]},
   {"text": "any(product.home_zones, # == zone.id)", "value": false, "line": 6, "column": 14, "names": [
    {"name": "product.home_zones", "value": ["shelf-a", "front-tables"]}, {"name": "zone.id", "value": "street-door"}]}]},
  {"text": "time_between(\"22:00\", \"06:00\")", "value": false, "line": 7, "column": 13, "names": [{"name": "at.minute_of_day", "value": 845}]}
 ],
 "names": [
  {"name": "at.minute_of_day", "value": 845}, {"name": "item.paid", "value": false}, {"name": "product.home_zones", "value": ["shelf-a", "front-tables"]},
  {"name": "product.price", "value": 24.5}, {"name": "zone.id", "value": "street-door"}, {"name": "zone.kind", "value": "exit"}
 ]
}`
	require.JSONEq(t, want, string(got))
	again, err := json.MarshalIndent(e.Why(r, passing()), "", " ")
	require.NoError(t, err)
	require.Equal(t, string(got), string(again))
}

func TestWhyCutsLongValues(t *testing.T) {
	e, r := one(t, event.AboutItem, `item.key == "" or zone.id in product.home_zones`)
	w := e.Why(r, &Env{Item: Item{Key: strings.Repeat("é", 1000)}, Product: Product{HomeZones: slices.Repeat([]string{"a"}, 50)}})
	require.Equal(t, strings.Repeat("é", 128)+"...", w.Names[0].Value)
	require.Len(t, w.Names[1].Value, 21)
	require.Equal(t, "... and 30 more", w.Names[1].Value.([]string)[20])
}

func TestSay(t *testing.T) {
	for _, c := range []struct{ say, want string }{
		{"{product.name} passed {zone.name} unpaid", "Tide Tables of the Inner Sound passed Street door unpaid"},
		{"{{{ item.serial }}} {product.price} {passage.confidence} {passage.reads} {item.paid} {site.open}", "{101} 24.50 0.93 17 no yes"},
		{"{product.attributes.colour}, {product.attributes.size}; {product.home_zones}", "blue, unknown size; shelf-a, front-tables"},
		{"no names", "no names"},
	} {
		set := compile(t, "rules:\n- name: a\n  when: item.paid\n  say: '"+c.say+"'\n")
		e := set.NewEvaluator()
		require.Equal(t, c.want, e.Say(&set.Rules()[0].Choice, passing()))
	}
	set := compile(t, "rules:\n- {name: a, when: item.paid, say: '{near.seconds} {passage.seconds}'}\n")
	require.Equal(t, "120 2.35", set.NewEvaluator().Say(&set.Rules()[0].Choice, &Env{Near: Near{Seconds: 120.25}, Passage: Passage{Seconds: 2.345}}))
	set = compile(t, starter)
	e := set.NewEvaluator()
	require.Equal(t, "unknown item passed an unknown place unpaid", e.Say(&set.Rules()[0].Choice, &Env{}))
	require.Equal(t, "below minimum: unknown item in an unknown place, 0 left", e.Say(&set.Rule("below-minimum").Choice, &Env{}))
	require.Equal(t, "reader silent: an unknown reader", e.Say(&set.Rule("reader-silent").Choice, &Env{}))
	said := e.Say(&set.Rules()[0].Choice, &Env{Product: Product{Name: "a\nb\x1b[31m\u202e" + strings.Repeat("é", 1000)}, Zone: Zone{Name: "\xff"}})
	require.True(t, strings.HasPrefix(said, "a b[31mé"), said)
	require.LessOrEqual(t, len(said), MaxMessage)
	require.NotContains(t, said, "\n")
	require.Contains(t, said, "\ufffd")
}

func TestSayIsCapped(t *testing.T) {
	set := compile(t, "rules:\n- name: a\n  when: item.paid\n  say: '"+strings.Repeat("{product.name}", 20)+"'\n")
	e := set.NewEvaluator()
	said := e.Say(&set.Rules()[0].Choice, &Env{Product: Product{Name: strings.Repeat("é", 300)}})
	require.LessOrEqual(t, len(said), MaxMessage)
	require.True(t, strings.HasSuffix(said, "..."))
}

// TestSetIsShared runs evaluators of one set side by side; the race detector watches.
func TestSetIsShared(t *testing.T) {
	set := compile(t, starter)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			e := set.NewEvaluator()
			for range 100 {
				for _, r := range set.Rules() {
					_, _ = e.True(r, passing())
					_ = e.Why(r, passing())
					_ = e.Say(&r.Choice, passing())
				}
			}
		})
	}
	wg.Wait()
}

// TestEvaluationDoesNotAllocate holds the way from fact to answer free of garbage, on environments
// that change.
func TestEvaluationDoesNotAllocate(t *testing.T) {
	set := compile(t, starter)
	e := set.NewEvaluator()
	envs := [2]*Env{passing(), passing()}
	envs[1].Zone, envs[1].Item.Paid = Zone{ID: "shelf-a", Kind: "shelf"}, true
	i := 0
	run := func() {
		for _, r := range e.Candidates(event.AboutItem, "passed", envs[i&1]) {
			_, _ = e.True(r, envs[i&1])
		}
		i++
	}
	run()
	run()
	runtime.GC()
	require.Zero(t, testing.AllocsPerRun(100, run))
}

func TestRulesOfAnotherSetAreRefused(t *testing.T) {
	e, _ := one(t, event.AboutItem, "item.paid")
	_, other := one(t, event.AboutItem, "item.paid and item.home")
	_, err := e.True(other, &Env{})
	require.ErrorContains(t, err, "of another set")
	require.NotEmpty(t, e.Why(other, &Env{}).Error)
}

func TestUnusualNumbers(t *testing.T) {
	e, r := one(t, event.AboutItem, `product.price > 1 or passage.confidence < 0.5`)
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, math.Copysign(0, -1)} {
		env := passing()
		env.Product.Price, env.Passage.Confidence = v, v
		got, err := e.True(r, env)
		require.NoError(t, err)
		require.Equal(t, v > 1 || v < 0.5, got)
		_, err = json.Marshal(e.Why(r, env))
		require.NoError(t, err)
	}
}

func TestNumbersInTexts(t *testing.T) {
	e, r := one(t, event.AboutItem, `number(product.attributes.pages) > 300 and number("2,5") == 2.5`)
	for text, want := range map[string]bool{"": false, "301": true, " 301 ": true, "3.1e2": true, "300": false,
		"301,5": true, "many": false, "Inf": false, "NaN": false, "1" + strings.Repeat("0", 100): false} {
		env := passing()
		env.Product.Attributes = map[string]string{"pages": text}
		got, err := e.True(r, env)
		require.NoError(t, err)
		require.Equal(t, want, got, "%q", text)
	}
	require.Equal(t, []NameValue{{"product.attributes.pages", "1"}}, func() []NameValue {
		env := passing()
		env.Product.Attributes = map[string]string{"pages": "1"}
		return e.Why(r, env).Names
	}())
	for _, bad := range []string{"number() > 1", "number(product.price) > 1", "number(product.name, 2) > 1", "number# > 1"} {
		_, diagnostics := Check("f", []byte("rules: [{name: a, when: '"+bad+"'}]"), Known{})
		require.NotEmpty(t, diagnostics, bad)
		require.Equal(t, doc.SeverityError, diagnostics[0].Severity, bad)
	}
}
