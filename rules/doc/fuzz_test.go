package doc_test

import (
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"lintel/rules/doc"
)

// FuzzRead feeds documents: nothing may panic; there is a root or a problem, and both have places
// in the document; nodes are what their kind says and nested no deeper than what was let through; a
// document reads the same again, and with line ends of another kind.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"", "a: b", "rules: []", "- - - a", "{{{{", "a: &x [*x]", "? a\n: b", "a:\n\t- b",
		"%YAML 1.2\n---\na: []\n...\n", "\ufeffa: []\r\n", "a: !!str b", "<<: {a: b}", "'", "\"", "[", "{a: b",
		"a: |\n  b\nc: >-\n  d\n\n  e\n    f\n", "'x''y': \"\\u00e9\\x41 \\\n  z\"", "a: {b: 1, b: 2, {c: d}: e}",
		"{a: b: c}", "a: b: c", "a\nb: c", "---\n---\n", "{a}", "{: a}", "[a: b]", ": a", "-\n- a", "~", "# a",
		strings.Repeat("a", 9000), strings.Repeat("\n", 300), strings.Repeat("[", 20), strings.Repeat("- ", 20),
		"a\x00b", "\xff", strings.Repeat(" ", 210) + "- a", "a: \u2028",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		d, p := doc.YAML(src, options)
		if (d.Root == nil) != (p != nil) {
			t.Fatalf("root %v with %+v", d.Root != nil, p)
		}
		lines := strings.Count(string(src), "\n") + 1
		if p != nil {
			if p.Line < 1 || p.Line > lines+1 || p.Column < 1 || p.Reason == "" {
				t.Fatalf("%+v", p)
			}
			if shown := doc.NewReport("", 1, d, p).List()[0].String(); !utf8.ValidString(shown) {
				t.Fatalf("the problem can't be shown: %q", shown)
			}
		} else {
			if d.Root.Kind == doc.Empty {
				t.Fatal("the root is empty")
			}
			check(t, d.Root, lines, 0)
		}
		again, p2 := doc.YAML(src, options)
		if !reflect.DeepEqual(d, again) || !reflect.DeepEqual(p, p2) {
			t.Fatalf("one answer %+v, then %+v", p, p2)
		}
		if dos := strings.ReplaceAll(strings.ReplaceAll(string(src), "\r\n", "\n"), "\n", "\r\n"); len(dos) <= options.MaxBytes {
			again, p2 = doc.YAML([]byte(dos), options)
			if !reflect.DeepEqual(d, again) || !reflect.DeepEqual(p, p2) {
				t.Fatalf("%+v, and with CRLF %+v", p, p2)
			}
		}
	})
}

func check(t *testing.T, n *doc.Node, lines, depth int) {
	if n.Line < 1 || n.Line > lines+1 || n.Column < 1 || depth > 300 {
		t.Fatalf("%+v at depth %d of %d lines", n, depth, lines)
	}
	if n.Kind != doc.Scalar && (n.Text != "" || n.Style != doc.Plain) || n.Kind != doc.Sequence && n.Items != nil ||
		n.Kind != doc.Mapping && n.Fields != nil {
		t.Fatalf("%+v holds what its kind does not", n)
	}
	for _, i := range n.Items {
		check(t, i, lines, depth+1)
	}
	for _, f := range n.Fields {
		check(t, f.Key, lines, depth+1)
		if f.Value != nil {
			check(t, f.Value, lines, depth+1)
		}
	}
}
