package cases

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/rules"
)

// neverPlayed are the names that cannot be both true and false in rules about a subject, and why.
var neverPlayed = map[string]string{
	"product-known-of-stock": "stock is counted of listed products alone",
	"zone-kind-of-stock":     "goods at an exit are no stock",
	"zone-kind-of-zone":      "an exit holds no goods",
}

// TestEveryNameIsPlayed plays each example of rules/ENVIRONMENT.md, filled by the core, so that it is
// true and so that it is false, in rules about each subject that has the name.
func TestEveryNameIsPlayed(t *testing.T) {
	var doc strings.Builder
	doc.WriteString("storm: 1000 per 1m\nrules:\n")
	want := make(map[string]bool)
	for _, n := range rules.Names() {
		for _, about := range n.Subjects {
			if n.Name == "cause" && about != event.AboutItem {
				continue // the example is about an item; the other subjects have one or two causes
			}
			name := strings.NewReplacer(".", "-", "_", "-").Replace(n.Name) + "-of-" + about
			for rule, when := range map[string]string{name: n.Example, "not-" + name: "not (" + n.Example + ")"} {
				want[rule] = true
				fmt.Fprintf(&doc, "- name: %s\n  about: %s\n  when: |\n    %s\n", rule, about, when)
				if n.Name == "items.came" || n.Name == "items.went" {
					doc.WriteString("  within: 1m\n")
				}
			}
		}
	}
	files, err := filepath.Glob("testdata/environment/*_cases.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	book, diagnostics := NewBook("environment.yaml", []byte(doc.String()), rules.Known{})
	require.NotNil(t, book, "%v", diagnostics)
	for _, name := range files {
		src, err := ReadFile(name)
		require.NoError(t, err)
		f, diagnostics := Parse(name, src, Context{})
		require.Empty(t, diagnostics)
		rep := Run(f, book)
		require.True(t, rep.OK(), rep.String())
		for _, c := range f.Cases {
			set, err := book.only(nil)
			require.NoError(t, err)
			w := newWorld(c, &engine.Config{Layout: c.layout, Catalog: c.products, Rules: set}, nil)
			for _, s := range c.steps {
				s.run(w)
			}
			for i := range w.happened {
				delete(want, w.happened[i].alert.Rule)
			}
		}
	}
	for rule := range neverPlayed {
		require.True(t, want[rule], "%s is no exception any more", rule)
		delete(want, rule)
	}
	require.Empty(t, slices.Sorted(maps.Keys(want)), "write a case into testdata/environment in which each of these rules raises an alert")
}
