package cases

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"lintel/rules"
)

// FuzzCases feeds case files: nothing may panic, every problem has a place in the file, a file
// without problems runs to its end, gives the same answer twice, and is good with its traces
// rewritten.
func FuzzCases(f *testing.F) {
	files, err := filepath.Glob("testdata/*.txtar")
	if err != nil || len(files) == 0 {
		f.Fatal("no seeds: ", err)
	}
	for _, name := range files {
		archive, err := txtar.ParseFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(archive.Files[0].Data)
	}
	for _, src := range []string{
		"cases:\n- name: a\n  steps: [{wait: 1m}, {at: 23:59}, {open: []}]\nlayout: layout.json\nstart: 2026-10-25 02:30 +01:00",
		"layout: {site: a, time_zone: UTC, zones: [{id: z, kind: exit}], read_points: [{id: r, role: portal, zone: " +
			"z}]}\nitems: {a: {epc: E280116060000209}}\nstart: 2026-01-01 00:00\n" +
			"cases: [{name: b, steps: [{walk: {items: a, through: z}}, {registered: {items: a, product: x}}, notified: nobody]}]",
		"cases: &a [*a]", "? a\n: b", "{{{{", "- - - a", "\ufeffcases:\r\n", "cases: |\n  a\n", "layout:\n  - a\nproducts:\n  - - b\n",
	} {
		f.Add([]byte(src))
	}
	shop := func(name string) []byte {
		src, err := os.ReadFile(filepath.Join("testdata", "shop", name))
		if err != nil {
			f.Fatal(err)
		}
		return src
	}
	read := map[string][]byte{"layout.json": shop("layout.json"), "products.csv": shop("products.csv")}
	book, diagnostics := NewBook("rules.yaml", shop("rules.yaml"), rules.Known{})
	if book == nil {
		f.Fatal(diagnostics)
	}
	// Long waits are no matter of the parser.
	maxEntries, maxReads = 3000, 30_000
	f.Fuzz(func(t *testing.T, src []byte) {
		ctx := Context{ReadFile: func(name string) ([]byte, error) {
			if text, ok := read[name]; ok {
				return text, nil
			}
			return nil, fmt.Errorf("there is no file %s", name)
		}}
		file, diagnostics := Parse("f.yaml", src, ctx)
		if (file == nil) != (len(diagnostics) > 0) {
			t.Fatalf("file %v with %v", file != nil, diagnostics)
		}
		lines := strings.Count(string(src), "\n") + 1
		for _, d := range diagnostics {
			if d.Line < 1 || d.Column < 1 || d.Reason == "" || d.Line > lines+1 {
				t.Fatalf("%+v", d)
			}
			_ = d.String()
		}
		if file == nil || len(file.Cases) > 20 {
			return
		}
		rep := Run(file, book)
		first := rep.String()
		if again := Run(file, book).String(); again != first {
			t.Fatalf("one answer\n%s\nand another\n%s", first, again)
		}
		if len(rep.Diagnostics) > 0 {
			return
		}
		text := file.rewrite(src, rep)
		file, diagnostics = Parse("f.yaml", text, ctx)
		if file == nil {
			t.Fatalf("rewritten it has problems: %v\n%s", diagnostics, text)
		}
		if rep = Run(file, book); strings.Contains(rep.String(), "the trace is not what happened") {
			t.Fatalf("rewritten it is wrong: %s\n%s", rep, text)
		}
	})
}
