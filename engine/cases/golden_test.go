package cases_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
	"lintel/rules"
)

var rewrite = flag.Bool("rewrite", false, "write what comes out into the files that say what should")

// shopFile reads a file of the shop that the golden files play in.
func shopFile(name string) ([]byte, error) {
	src, err := os.ReadFile(filepath.Join("testdata", "shop", name))
	if err != nil {
		return nil, fs.ErrNotExist
	}
	return src, nil
}

func shopBook(t testing.TB) *cases.Book {
	src, err := shopFile("rules.yaml")
	require.NoError(t, err)
	return bookOf(t, src)
}

func bookOf(t testing.TB, src []byte) *cases.Book {
	book, diagnostics := cases.NewBook("rules.yaml", src, rules.Known{})
	require.NotNil(t, book, "%v", diagnostics)
	return book
}

// play parses and runs a case file on the shop's rules.
func play(t testing.TB, src []byte) *cases.Report { return playOn(t, src, shopBook(t)) }

func playOn(t testing.TB, src []byte, book *cases.Book) *cases.Report {
	f, diagnostics := cases.Parse("cases.yaml", src, cases.Context{ReadFile: shopFile})
	if f == nil {
		require.NotEmpty(t, diagnostics)
		return &cases.Report{File: "cases.yaml", Diagnostics: diagnostics}
	}
	return cases.Run(f, book)
}

// Each file holds cases and what lintel check says of them, some their own rules before. go test ./engine/cases -run Golden
// -rewrite makes them anew.
func TestGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txtar"), func(t *testing.T) {
			archive, err := txtar.ParseFile(name)
			require.NoError(t, err)
			book, src, want := shopBook(t), archive.Files[0].Data, &archive.Files[len(archive.Files)-1]
			if len(archive.Files) == 3 {
				book, src = bookOf(t, src), archive.Files[1].Data
			}
			require.Equal(t, "want", want.Name)
			rep := playOn(t, src, book)
			got := rep.String()
			if *rewrite {
				want.Data = []byte(got)
				require.NoError(t, os.WriteFile(name, txtar.Format(archive), 0o644))
				return
			}
			require.Equal(t, string(want.Data), got)
			again, err := json.Marshal(playOn(t, src, book))
			require.NoError(t, err)
			first, err := json.Marshal(rep)
			require.NoError(t, err)
			require.Equal(t, string(first), string(again), "the same cases must always give the same answer")
		})
	}
}

func TestFormOfTheDocument(t *testing.T) {
	for _, c := range []struct{ src, want string }{
		{"", "f.yaml:1:1: the document is empty"},
		{"cases:\n\t- name: a", "f.yaml:2:1: "},
		{"cases: [{name: a", "f.yaml:1:"},
		{"a: &x 1", "f.yaml:1:4: anchors, aliases and merge keys are not allowed"},
		{"a: !!str 1", "f.yaml:1:4: YAML tags are not allowed"},
		{"a: 1\n---\nb: 2", "f.yaml:2:1: one file is one document"},
		{"- a\n- b", "f.yaml:1:1: the document is not made of keys and values"},
		{"cases:\n  - name: a\n    name: b", "f.yaml:3:5: the key \"name\" stands here twice"},
		{strings.Repeat("[", 20), "f.yaml:1:17: brackets are nested more than 16 deep"},
		{"a: b\x01", "f.yaml:1:5: the control character U+0001 is not allowed"},
		{"a: \xff", "f.yaml:1:4: a byte that is not UTF-8 is not allowed"},
		{"#" + strings.Repeat("x", 9000), "f.yaml:1:1: the line has 9001 bytes"},
		{strings.Repeat("#\n", 1<<19+1), "f.yaml:1:1: the document has 1048578 bytes"},
		{strings.Repeat("\n", 300), "f.yaml:201:1: more than 200 blank lines follow each other"},
	} {
		f, diagnostics := cases.Parse("f.yaml", []byte(c.src), cases.Context{})
		require.Nil(t, f, "%.40q", c.src)
		require.NotEmpty(t, diagnostics)
		require.True(t, strings.HasPrefix(diagnostics[0].String(), c.want), "%.40q gives %s", c.src, diagnostics[0])
	}
}

// A case can switch some rules on: the others are cut out of the document, whatever it looks like,
// and what stays keeps its place.
func TestSomeRulesAreSwitchedOn(t *testing.T) {
	const doc = `storm: 50 per 10m
rules:
  # the first
  - name: a
    when: |
      item.paid
      and zone.kind == "shelf"
    say: "- not a rule"

  -
    # in front of its name
    name: b
    when: zone.id == "till"
  - {name: c, when: item.sellable, hold: 1s}
params:
  p: {default: 3}
`
	const text = `layout: layout.json
products: products.csv
items: {tide: {product: TIDE, serial: 1}}
start: 2026-03-10 10:00
cases:
  - {name: one, rules: [%s], steps: [{read: {items: tide, by: till-1}}, exactly: [%s]]}
`
	run := func(doc, on, want string) *cases.Report {
		book, diagnostics := cases.NewBook("rules.yaml", []byte(doc), rules.Known{})
		require.NotNil(t, book, "%v", diagnostics)
		f, diagnostics := cases.Parse("cases.yaml", fmt.Appendf(nil, text, on, want), cases.Context{ReadFile: shopFile})
		require.NotNil(t, f, "%v", diagnostics)
		return cases.Run(f, book)
	}
	require.True(t, run(doc, "b", "b").OK())
	require.True(t, run(doc, "a", "").OK())
	require.True(t, run(doc, `"c", b`, "b").OK())
	require.True(t, run(doc, "b, a", "b").OK())
	inline := `rules: [{name: a, when: item.paid}, {name: b, when: zone.id == "till"}]`
	require.True(t, run(inline, "b", "b").OK())
}
