package yamldoc_test

import (
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"lintel/rules/yamldoc"
)

// FuzzRead feeds documents: nothing may panic; there is a root or a problem, and both have places in the document; nodes are what their kind says and nested no deeper than
// what was let through; a document reads the same again, and with line ends of another kind.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"", "a: b", "rules: []", "- - - a", "{{{{", "a: &x [*x]", "? a\n: b", "a:\n\t- b", "%YAML 1.2\n---\na: []\n...\n", "\ufeffa: []\r\n", "a: !!str b", "<<: {a: b}", "'", "\"", "[", "{a: b",
		"a: |\n  b\nc: >-\n  d\n\n  e\n    f\n", "'x''y': \"\\u00e9\\x41 \\\n  z\"", "a: {b: 1, b: 2, {c: d}: e}", "{a: b: c}", "a: b: c", "a\nb: c", "---\n---\n", "{a}", "{: a}", "[a: b]", ": a", "-\n- a", "~", "# a",
		strings.Repeat("a", 9000), strings.Repeat("\n", 300), strings.Repeat("[", 20), strings.Repeat("- ", 20), "a\x00b", "\xff", strings.Repeat(" ", 210) + "- a", "a: \u2028",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		doc, p := yamldoc.Read(src, options)
		if (doc.Root == nil) != (p != nil) {
			t.Fatalf("root %v with %+v", doc.Root != nil, p)
		}
		lines := strings.Count(string(src), "\n") + 1
		if p != nil {
			if p.Line < 1 || p.Line > lines+1 || p.Column < 1 || p.Message == "" {
				t.Fatalf("%+v", p)
			}
			if p.Line <= len(doc.Lines) && !utf8.ValidString(doc.Lines[p.Line-1]) {
				t.Fatalf("line %d of the problem can't be shown: %q", p.Line, doc.Lines[p.Line-1])
			}
		} else {
			if doc.Root.Kind == yamldoc.Empty {
				t.Fatal("the root is empty")
			}
			check(t, doc.Root, lines, 0)
		}
		again, p2 := yamldoc.Read(src, options)
		if !reflect.DeepEqual(doc, again) || !reflect.DeepEqual(p, p2) {
			t.Fatalf("one answer %+v, then %+v", p, p2)
		}
		if dos := strings.ReplaceAll(strings.ReplaceAll(string(src), "\r\n", "\n"), "\n", "\r\n"); len(dos) <= options.MaxBytes {
			again, p2 = yamldoc.Read([]byte(dos), options)
			if !reflect.DeepEqual(doc, again) || !reflect.DeepEqual(p, p2) {
				t.Fatalf("%+v, and with CRLF %+v", p, p2)
			}
		}
	})
}

func check(t *testing.T, n *yamldoc.Node, lines, depth int) {
	if n.Line < 1 || n.Line > lines+1 || n.Column < 1 || depth > 300 {
		t.Fatalf("%+v at depth %d of %d lines", n, depth, lines)
	}
	if n.Kind != yamldoc.Scalar && (n.Text != "" || n.Style != yamldoc.Plain) || n.Kind != yamldoc.Sequence && n.Items != nil || n.Kind != yamldoc.Mapping && n.Fields != nil {
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
