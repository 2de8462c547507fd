package doc_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules/doc"
)

func TestJSONPlacesAndStyles(t *testing.T) {
	d, p := doc.JSON([]byte("\ufeff{\r\n \"é\": [1, -2.5e3, true, null, \"a\\u00e9\\n\"],\n \"é\": {\"b\": []}}\n"), 1000)
	require.Nil(t, p)
	var got []string
	var walk func(n *doc.Node)
	walk = func(n *doc.Node) {
		got = append(got, fmt.Sprintf("%d:%d %s %q", n.Line, n.Column, n.Is(), n.Text))
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
		`1:1 an object ""`, `2:2 a text "é"`, `2:7 a list ""`, `2:8 a number "1"`, `2:11 a number "-2.5e3"`,
		`2:19 true or false "true"`, `2:25 null ""`,
		`2:31 a text "aé\n"`, `3:2 a text "é"`, `3:7 an object ""`, `3:8 a text "b"`, `3:13 a list ""`,
	}, got)
}

func TestJSONRefusals(t *testing.T) {
	for src, want := range map[string]string{
		"":             "line 1, column 1: not JSON: unexpected end of JSON input",
		"{\n\"a\": é}": "line 2, column 6: not JSON: invalid character 'Ã' looking for beginning of value",
		"{\"a\": 1,}":  "line 1, column 9: not JSON: invalid character '}' looking for beginning of object key string",
		"[1] 2":        "line 1, column 5: not JSON: invalid character '2' after top-level value",
		"[\n\"\xff\"]": "line 2, column 2: the text is not UTF-8; save it as UTF-8",
		strings.Repeat("[", 66) + strings.Repeat("]", 66): "line 1, column 66: the document is nested more than 64 " +
			"deep; nest it less deeply",
		strings.Repeat(" ", 1001): "line 1, column 1: the document has 1001 bytes; at most 1000 are allowed",
	} {
		d, p := doc.JSON([]byte(src), 1000)
		require.NotNil(t, p, src)
		require.Nil(t, d.Root)
		require.Equal(t, want, p.Summary())
	}
}

// Elements that are handed out one at a time are those of the whole document, up to where the text
// ends.
func TestJSONRows(t *testing.T) {
	const list = "[{\"a\": 1},\n {\"b\": [\"\\\"\", {\"c\": null}]}, 3]"
	read := func(src string) (rows []string, d *doc.Document, p *doc.Diagnostic) {
		d, p = doc.JSONRows([]byte(src), 1000, 20_000, "rows", func(_ *doc.Document, n *doc.Node) {
			rows = append(rows, fmt.Sprintf("%d:%d %v", n.Line, n.Column, plain(n)))
		})
		return rows, d, p
	}
	for _, form := range []string{"%s", `{"rows":%s}`, `{"x": {"rows": []}, "rows":%s, "rows": [7]}`} {
		rows, d, p := read(fmt.Sprintf(form, list))
		require.Nil(t, p)
		require.NotNil(t, d.Root)
		require.Len(t, rows, 3)
		require.Contains(t, rows[1], `2:2 map[b:[" map[c:<nil>]]]`)
	}
	for n := range len(list) {
		rows, d, p := read(list[:n])
		require.NotNil(t, p, list[:n])
		require.Nil(t, d.Root)
		require.LessOrEqual(t, len(rows), 3)
	}
	rows, _, p := read(`[1, 2, ]`)
	require.Len(t, rows, 2, "what stands before the place is still read")
	require.Equal(t, 8, p.Column)

	_, p = doc.JSONRows([]byte(`{"other": [`+strings.Repeat("0,", 30_000)+"0]}"), 100_000, 20_000, "rows", func(*doc.Document, *doc.Node) {})
	require.Contains(t, p.Reason, "more than 20000 values stand together")
	_, p = doc.JSONRows([]byte(`[`+strings.Repeat("0,", 30_000)+"0]"), 100_000, 20_000, "rows", func(*doc.Document, *doc.Node) {})
	require.Nil(t, p, "rows are counted one by one")
}

// plain is a node as encoding/json has it, with numbers as they stand; of members that stand twice
// the last counts.
func plain(n *doc.Node) any {
	switch {
	case n.Kind == doc.Mapping:
		m := map[string]any{}
		for _, f := range n.Fields {
			m[f.Key.Text] = plain(f.Value)
		}
		return m
	case n.Kind == doc.Sequence:
		list := []any{}
		for _, i := range n.Items {
			list = append(list, plain(i))
		}
		return list
	case n.Kind == doc.Empty:
		return nil
	case n.IsNumber() && n.Style == doc.Bare:
		return json.Number(n.Text)
	case n.Style == doc.Bare:
		return n.Text == "true"
	}
	return n.Text
}

// FuzzJSON compares with encoding/json: the same texts are read, to the same values, with places in
// the document and a path from each problem back to its value.
func FuzzJSON(f *testing.F) {
	for _, s := range []string{
		"", "{}", "[1,2", `{"a":{"a":[{},[],"\ud83d\ude00\ud800"]},"a":-0.0e-0}`, "\ufeff[true ,false,\n null]\r\n",
		`"\\n"`, `{"\\n":1,"\n":2}`, "[\"\xff\"]", "nul", "7 8",
		strings.Repeat("[", 70), `{"a b":[{"é":1}]}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		d, p := doc.JSON(src, 10_000)
		if (d.Root == nil) != (p != nil) {
			t.Fatalf("root %v with %+v", d.Root, p)
		}
		if p != nil {
			if p.Line < 1 || p.Line > bytes.Count(src, []byte("\n"))+1 || p.Column < 1 || p.Reason == "" {
				t.Fatalf("%+v", p)
			}
			return
		}
		var want any
		dec := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(src, []byte("\ufeff"))))
		dec.UseNumber()
		if err := dec.Decode(&want); err != nil {
			t.Fatal(err)
		}
		if got := plain(d.Root); !reflect.DeepEqual(got, want) {
			t.Fatalf("%#v, want %#v", got, want)
		}
		r := doc.NewReport("", 10, d, nil)
		var walk func(n *doc.Node, path string)
		walk = func(n *doc.Node, path string) {
			if got := r.PathOf(n); got != path {
				t.Fatalf("path %q, want %q", got, path)
			}
			for i, item := range n.Items {
				walk(item, fmt.Sprintf("%s[%d]", path, i))
			}
			for _, m := range n.Fields {
				name := doc.Clip(m.Key.Text)
				if path != "" {
					name = path + "." + name
				}
				walk(m.Value, name)
			}
		}
		walk(d.Root, "")
	})
}
