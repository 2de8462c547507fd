package doc_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	reference "go.yaml.in/yaml/v3"

	"lintel/rules/doc"
)

var options = doc.Options{
	MaxBytes: 20_000, Unit: "shelf", TooLarge: "split it", Keys: "begin with -", Tag: "put it in quotes", Empty: "write shelves:",
	Syntax: func(line string) string { return "it says " + line },
}

// Every form that is refused, with the place of it and how to fix it.
func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		src  string
		want string // LINE:COLUMN message; hint
	}{
		"too large": {strings.Repeat("# 2345678\n", 2001), "1:1 the document has 20010 bytes; at most " +
			"20000 are allowed; split it"},
		"nothing":          {"", "1:1 the document is empty; write shelves:"},
		"a comment":        {"# no shelf yet\n", "1:1 the document is empty; write shelves:"},
		"null":             {"~", "1:1 the document is empty; write shelves:"},
		"a long line":      {"a: b\nc: " + strings.Repeat("d", 8<<10), "2:1 the line has 8195 bytes; at most 8192 are allowed; "},
		"blank lines":      {"a: |\n  b" + strings.Repeat("\n", 203) + "  c", "203:1 more than 200 blank lines follow each other; "},
		"not UTF-8":        {"a: é\xff", "1:5 a byte that is not UTF-8 is not allowed; "},
		"a NUL":            {"a: b\nc\x00: d", "2:2 the control character U+0000 is not allowed; "},
		"a C1 control":     {"a: \u0085", "1:4 the control character U+0085 is not allowed; "},
		"a line separator": {"a: \u2028", "1:4 the control character U+2028 is not allowed; "},
		"a second BOM":     {"\ufeffa: \ufeff", "1:4 the control character U+FEFF is not allowed; "},
		"two documents":    {"a: b\n---\nc: d\n", "2:1 one file is one document; remove the ---"},
		"the end of one":   {"a: b\n...\n", "2:1 one file is one document; remove the ..."},
		"an anchor": {"a: &b c", "1:4 anchors, aliases and merge keys are not allowed; write the value " +
			"out, or put it in quotes if it is text"},
		"an alias": {"a: *b", "1:4 anchors, aliases and merge keys are not allowed; write the value " +
			"out, or put it in quotes if it is text"},
		"a merge key": {"<<: {a: b}", "1:1 anchors, aliases and merge keys are not allowed; write the " +
			"value out, or put it in quotes if it is text"},
		"a tag":               {"a: !!str b", "1:4 YAML tags are not allowed; put it in quotes"},
		"a directive":         {"%YAML 1.2\n---\na: b", "1:1 YAML directives are not allowed; "},
		"a marked key":        {"? a\n: b", `1:1 "?" keys are not allowed; `},
		"many brackets":       {"a: " + strings.Repeat("[", 17), "1:20 brackets are nested more than 16 deep; "},
		"many levels":         {strings.Repeat("- ", 17) + "a", "1:33 more than 16 levels begin on one line; "},
		"far to the right":    {strings.Repeat(" ", 201) + "- a", "1:202 the indentation is deeper than any shelf needs; "},
		"a lone entry":        {"-\n- a", "2:1 the entry before this one is empty; remove the lone -"},
		"an entry in a list":  {"[\n- a]", "2:1 - begins an entry inside brackets; separate the values in brackets with commas"},
		"many keys":           {many("k%d: v\n", 1001), "1001:6 more than 1000 keys stand together; begin with -"},
		"an unfinished quote": {"a: b\nc: \"d\n", "2:4 not valid YAML: could not find end character of double-quoted text; it says c: \"d"},
	} {
		t.Run(name, func(t *testing.T) {
			d, p := doc.YAML([]byte(c.src), options)
			require.NotNil(t, p)
			require.Nil(t, d.Root)
			require.Equal(t, c.want, fmt.Sprintf("%d:%d %s; %s", p.Line, p.Column, p.Reason, p.Hint))
		})
	}
}

func many(format string, n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, format, i)
	}
	return b.String()
}

// What is just within the bounds is read.
func TestBoundsAreWideEnough(t *testing.T) {
	for name, src := range map[string]string{
		"bytes":       strings.Repeat("# 2345678\n", 1999) + "a: b67890\n",
		"line":        "a: " + strings.Repeat("b", 8<<10-3),
		"blank lines": "a: |\n  b" + strings.Repeat("\n", 201) + "  c",
		"brackets":    strings.Repeat("[", 16) + strings.Repeat("]", 16),
		"levels":      strings.Repeat("- ", 16) + "a",
		"keys":        many("k%d: v\n", 1000),
		"all keys":    strings.Repeat("- {a: 1, b: 2, c: 3}\n", 900),
	} {
		_, p := doc.YAML([]byte(src), options)
		require.Nil(t, p, name)
	}
}

// The line of a problem can be shown whatever it holds.
func TestLineOfAProblemIsText(t *testing.T) {
	d, p := doc.YAML([]byte("a: b\nc: \xff\xfe d"), options)
	require.Equal(t, 2, p.Line)
	require.Equal(t, "c: \ufffd d", doc.NewReport("", 1, d, p).List()[0].Source)
}

func TestPlacesAndStyles(t *testing.T) {
	d, p := doc.YAML([]byte("\ufeff# shelves\r\nplain: é # note\r\n'single': \"double\\n\"\r\nlist:\r\n  - |\r\n   "+
		" one\r\n  - >-\r\n    two\r\n    three\r\n  - {x: 007, x: yes}\r\nnone:\r\n"), options)
	require.Nil(t, p)
	var got []string
	var walk func(n *doc.Node)
	walk = func(n *doc.Node) {
		got = append(got, fmt.Sprintf("%d:%d kind %d style %d %q", n.Line, n.Column, n.Kind, n.Style, n.Text))
		for _, i := range n.Items {
			walk(i)
		}
		for _, f := range n.Fields {
			walk(f.Key)
			walk(f.Value)
		}
	}
	walk(d.Root)
	require.Equal(t, []string{
		`2:1 kind 3 style 0 ""`, `2:1 kind 1 style 0 "plain"`, `2:8 kind 1 style 0 "é"`, `3:1 kind 1 style 1 "single"`,
		`3:11 kind 1 style 2 "double\n"`,
		`4:1 kind 1 style 0 "list"`, `5:3 kind 2 style 0 ""`, `5:5 kind 1 style 3 "one\n"`, `7:5 kind 1 style 4 "two three"`,
		`10:5 kind 3 style 0 ""`, `10:6 kind 1 style 0 "x"`, `10:9 kind 1 style 0 "007"`, `10:14 kind 1 style 0 "x"`,
		`10:17 kind 1 style 0 "yes"`,
		`11:1 kind 1 style 0 "none"`, `11:7 kind 0 style 0 ""`,
	}, got)
	require.Equal(t, "é", d.Root.Get("plain").Text)
	require.Equal(t, "007", d.Root.Get("list").Items[2].Get("x").Text, "the first of two")
	require.Nil(t, d.Root.Get("nobody"))
}

// What is read is what another reader of YAML 1.2, go.yaml.in/yaml/v3, makes of the same document:
// values, kinds, styles and lines.
func TestAgainstAnotherReader(t *testing.T) {
	for _, src := range []string{
		"rules:\n  - name: unpaid-at-door\n    when: |\n      zone.kind == \"exit\"\n      and not item.paid\n    " +
			"hold: 3s\n    send: [door-team, 'floor''s team']\n",
		"a: {b: [1, 2.5, true, null, ~, .inf], c: \"x\\u00e9\\ty\"}\nd:\n- e\n- f: g\n  h: i\n-   - j\n    - k\n",
		"text: >\n  one\n  two\n\n  three\nkeep: |+\n  a\n\nstrip: |-\n  b\nmore: |2\n   c\nend: plain words\n  go on here\n",
		"'quoted key': v\n\"double key\": 'it''s'\n7: seven\n\"\": empty\n",
		"[a, {b: c}, [d, [e]], \"f: g\", 'h # i', j#k] # note\n",
		"# before\n---\nx: y # after\n",
		"just words\n",
	} {
		d, p := doc.YAML([]byte(src), options)
		require.Nil(t, p, src)
		var want reference.Node
		require.NoError(t, reference.Unmarshal([]byte(src), &want))
		same(t, src, want.Content[0], d.Root)
	}
}

func same(t *testing.T, src string, want *reference.Node, got *doc.Node) {
	require.Equal(t, want.Line, got.Line, "line of %q in\n%s", want.Value, src)
	switch want.Kind {
	case reference.ScalarNode:
		if want.Tag == "!!null" {
			require.Equal(t, doc.Empty, got.Kind, src)
			return
		}
		require.Equal(t, doc.Scalar, got.Kind, src)
		require.Equal(t, want.Value, got.Text, src)
		styles := map[reference.Style]doc.Style{
			reference.SingleQuotedStyle: doc.Single, reference.DoubleQuotedStyle: doc.Double,
			reference.LiteralStyle: doc.Literal, reference.FoldedStyle: doc.Folded,
		}
		require.Equal(t, styles[want.Style], got.Style, "%q in\n%s", want.Value, src)
		require.Equal(t, want.Column, got.Column, "column of %q in\n%s", want.Value, src)
	case reference.SequenceNode:
		require.Equal(t, doc.Sequence, got.Kind, src)
		require.Len(t, got.Items, len(want.Content), src)
		for i, w := range want.Content {
			same(t, src, w, got.Items[i])
		}
	case reference.MappingNode:
		require.Equal(t, doc.Mapping, got.Kind, src)
		require.Len(t, got.Fields, len(want.Content)/2, src)
		for i, f := range got.Fields {
			same(t, src, want.Content[2*i], f.Key)
			same(t, src, want.Content[2*i+1], f.Value)
		}
	default:
		t.Fatalf("unexpected kind %d in %q", want.Kind, src)
	}
}
