package rules

import (
	"flag"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
)

var rewrite = flag.Bool("rewrite", false, "write ENVIRONMENT.md anew")

// snake turns a Go field name into the language's: HomeZones is home_zones, PeakRSSI is peak_rssi.
func snake(s string) string {
	var b strings.Builder
	runes := []rune(s)
	for i, r := range runes {
		if unicode.IsUpper(r) && i > 0 && (unicode.IsLower(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// TestNamesAreTheFieldsOfEnv sets each field of the struct by reflection and reads it back by its
// name, so that no field is missing, none is read by another's name, and no type differs.
func TestNamesAreTheFieldsOfEnv(t *testing.T) {
	seen := map[string]bool{"at.minute_of_day": true, "zone.selling": true, "from.selling": true} // computed
	check := func(name string, set func(*Env) reflect.Value) {
		e := entryIndex[name]
		require.NotNil(t, e, name)
		seen[name] = true
		env := &Env{}
		f := set(env)
		key := ""
		switch f.Kind() {
		case reflect.String:
			require.Equal(t, typeText, e.Type, name)
			f.SetString("text of " + name)
		case reflect.Bool:
			require.Equal(t, typeBool, e.Type, name)
			f.SetBool(true)
		case reflect.Int:
			require.Equal(t, typeInt, e.Type, name)
			f.SetInt(int64(len(name)) + 1000)
		case reflect.Float64:
			require.Equal(t, typeFloat, e.Type, name)
			f.SetFloat(float64(len(name)) + 0.5)
		case reflect.Slice:
			require.Equal(t, typeList, e.Type, name)
			f.Set(reflect.ValueOf([]string{name}))
		case reflect.Map:
			require.True(t, e.attribute, name)
			f.Set(reflect.ValueOf(map[string]string{"colour": "blue"}))
			key = "colour"
			require.Equal(t, "blue", e.value(env, key))
			return
		default:
			t.Fatalf("%s has the type %s", name, f.Type())
		}
		require.Equal(t, f.Interface(), e.value(env, key), name)
	}
	typ := reflect.TypeFor[Env]()
	for i := range typ.NumField() {
		group := snake(typ.Field(i).Name)
		if typ.Field(i).Type.Kind() != reflect.Struct {
			check(group, func(e *Env) reflect.Value { return reflect.ValueOf(e).Elem().Field(i) })
			continue
		}
		for j := range typ.Field(i).Type.NumField() {
			check(group+"."+snake(typ.Field(i).Type.Field(j).Name),
				func(e *Env) reflect.Value { return reflect.ValueOf(e).Elem().Field(i).Field(j) })
		}
	}
	for _, n := range Names() {
		require.True(t, seen[n.Name], "%s is no field of Env", n.Name)
	}
	for kind, want := range map[string]bool{"shelf": true, "floor": true, "stockroom": false, "exit": false, "": false} {
		require.Equal(t, want, entryIndex["zone.selling"].value(&Env{Zone: Zone{Kind: kind}}, ""))
		require.Equal(t, want, entryIndex["from.selling"].value(&Env{From: Zone{Kind: kind}}, ""))
	}
	require.Equal(t, 14*60+5, entryIndex["at.minute_of_day"].value(passing(), ""))
}

// Rules that were written with a name that is no longer listed.
func TestFormerNames(t *testing.T) {
	for was, is := range former {
		require.NotContains(t, entryIndex, was)
		require.Contains(t, entryIndex, is)
	}
	set := compile(t, "rules: [{name: a, when: 'from.floor != zone.floor', say: 'on {zone.floor}'}]")
	r, e, env := set.Rules()[0], set.NewEvaluator(), &Env{Zone: Zone{Storey: "1"}}
	for storey, want := range map[string]bool{"1": false, "0": true} {
		env.From.Storey = storey
		is, err := e.True(r, env)
		require.NoError(t, err)
		require.Equal(t, want, is)
	}
	require.Equal(t, "on 1", e.Say(&r.Choice, env))
}

func TestNamesAreComplete(t *testing.T) {
	for _, n := range Names() {
		require.NotEmpty(t, n.Meaning, n.Name)
		require.NotEmpty(t, n.Subjects, n.Name)
		require.Contains(t, n.Example, n.Name)
		if n.Type == typeInt || n.Type == typeFloat {
			require.NotEmpty(t, n.Unit, n.Name)
		}
		for _, about := range n.Subjects {
			// The example is a good condition, without a warning, for each subject that has the
			// name. Those of cause and of the fields that show two names at once are only good for
			// some.
			src := fmt.Sprintf("rules:\n- name: a\n  about: %s\n  when: |\n    %s\n", about, n.Example)
			if n.Name == "cause" && about != event.AboutItem {
				continue
			}
			if n.Name == cameName || n.Name == wentName {
				src += "  within: 10m\n"
			}
			_, diagnostics := Check("f", []byte(src), Known{})
			if ofTime := strings.HasPrefix(n.Name, "at.") || n.Name == "site.open"; ofTime && about != event.AboutCount && about != event.AboutZone {
				require.Len(t, diagnostics, 1, n.Name)
				require.Contains(t, diagnostics[0].Reason, "is looked at only when something happens")
				continue
			}
			require.Empty(t, diagnostics, n.Name)
		}
		for _, cause := range n.Causes {
			ok := slices.ContainsFunc(n.Subjects, func(about string) bool { return slices.Contains(Causes(about), cause) })
			require.True(t, ok, "%s: %s", n.Name, cause)
		}
	}
}

// TestEnvironmentDocument keeps ENVIRONMENT.md in step with the code. Write it anew with: go test
// ./rules -run EnvironmentDocument -rewrite
func TestEnvironmentDocument(t *testing.T) {
	want := environmentDocument()
	if *rewrite {
		require.NoError(t, os.WriteFile("ENVIRONMENT.md", []byte(want), 0o644))
	}
	got, err := os.ReadFile("ENVIRONMENT.md")
	require.NoError(t, err)
	require.Equal(t, want, string(got), "run: go test ./rules -run EnvironmentDocument -rewrite")
}

func environmentDocument() string {
	var b strings.Builder
	b.WriteString(`# What a rule can see

This page is made from the code: go test ./rules -run EnvironmentDocument -rewrite

A condition (` + "`when`" + `) and a message (` + "`say`" + `) use these names. Missing data reads as empty text, 0, no, or an empty list; nothing is ever
undefined. Which names there are depends on what the rule is about.

`)
	b.WriteString("A rule is looked at after these kinds of fact:\n\n| about | causes |\n|---|---|\n")
	for _, about := range Subjects() {
		fmt.Fprintf(&b, "| %s | %s |\n", about, strings.Join(Causes(about), ", "))
	}
	b.WriteString("\nWhat the causes say:\n\n| cause | meaning |\n|---|---|\n")
	for _, w := range event.Causes.Words() {
		fmt.Fprintf(&b, "| `%s` | %s |\n", w.Text, w.Meaning)
	}
	group := "-"
	for _, n := range Names() {
		g, _, dotted := strings.Cut(n.Name, ".")
		if !dotted {
			g = "cause"
		}
		if g != group {
			group = g
			fmt.Fprintf(&b, "\n## %s\n\n| name | type | meaning | example | in rules about | may change after "+
				"|\n|---|---|---|---|---|---|\n", g)
		}
		meaning := n.Meaning
		if n.Values != nil {
			meaning += "; one of " + strings.Join(n.Values, ", ")
		}
		typ := n.Type
		if n.Unit != "" {
			typ += " (" + n.Unit + ")"
		}
		causes := "any fact, and with time alone"
		if len(n.Causes) > 0 {
			causes = strings.Join(n.Causes, ", ")
			if containsAll(n) {
				causes = "any fact"
			}
		}
		name := n.Name
		if name == "product.attributes" {
			name += ".*"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | `%s` | %s | %s |\n", name, typ, meaning, n.Example, strings.Join(n.Subjects, ", "), causes)
	}
	b.WriteString("\n## Operators and functions\n\n" +
		"`and` `or` `not`, `==` `!=` `<` `<=` `>` `>=`, `in` a list in square brackets, `contains` `startsWith` " +
		"`endsWith` and `matches` (a pattern in\n" +
		"quotes, RE2) on texts, `+` `-` `*` `/` `%` on numbers (dividing only by a number that is not 0), " +
		"`condition ? this : that`, `1..10`.\n" +
		"Comments begin with `//`.\n\n| function | meaning |\n|---|---|\n")
	for _, f := range FunctionMeanings() {
		fmt.Fprintf(&b, "| `%s` | %s |\n", f.Call, f.Meaning)
	}
	fmt.Fprintf(&b, `
## Limits

A condition has at most %d bytes, %d parts and %d nested brackets; list functions are nested at most %d deep. A range covers at most %d
numbers. A pattern has at most %d characters. Texts of the environment are cut at %d bytes, lists at %d elements. A condition that could take
more than a few milliseconds is refused when it is saved; one whose list functions go round too often is stopped, and that is reported.
`, MaxCondition, maxNodes, maxBrackets, maxListDepth, maxRange, maxPattern, maxTextValue, maxListValue)
	return b.String()
}

func containsAll(n Name) bool {
	for _, about := range n.Subjects {
		for _, c := range Causes(about) {
			if !slices.Contains(n.Causes, c) {
				return false
			}
		}
	}
	return true
}

// TestFunctionsAreDocumented compares the table with what the guard lets through.
func TestFunctionsAreDocumented(t *testing.T) {
	var all strings.Builder
	for _, f := range FunctionMeanings() {
		all.WriteString(f.Call + " ")
	}
	for _, f := range Functions() {
		require.Contains(t, all.String(), f+"(")
	}
	require.Equal(t, len(Functions()), strings.Count(all.String(), "("))
}
