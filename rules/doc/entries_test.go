package doc_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules/doc"
)

const list = `# Rules of the shop.
rules:
  # Who goes out with what is not paid.
  - name: door   # the street door
    when: zone.kind == "exit"
    hold: 3s # a till may be late

  # The stockroom.
  #   Second line.
  - {name: back, when: zone.id == "stockroom", send: [a, b]}
  - when: |
      item.sellable and
      # no comment
      item.present
    name: shelf

    # said by the floor team
    say: 'it''s here'
params:
  a: {default: 3}
`

func entries(t *testing.T, text string) *doc.Entries {
	e, p := doc.OpenEntries([]byte(text), "rules", options)
	require.Nil(t, p)
	return e
}

func entry(t *testing.T, text string) doc.Entry {
	n, p := doc.ReadEntry([]byte(text), "rules", options)
	require.Nil(t, p, "%v", p)
	return n
}

func TestEntriesAreReadAsTheyStand(t *testing.T) {
	for name, want := range map[string]string{
		"door": "# Who goes out with what is not paid.\nname: door   # the street door\nwhen: zone.kind == \"exit\"\nhold: 3s # a till may be late\n",
		"back": "# The stockroom.\n#   Second line.\n{name: back, when: zone.id == \"stockroom\", send: [a, b]}\n",
		"shelf": "when: |\n  item.sellable and\n  # no comment\n  item.present\nname: shelf\n\n# said by the floor team\n" +
			"say: 'it''s here'\n",
	} {
		for _, text := range []string{list, strings.ReplaceAll(list, "\n", "\r\n"), "\ufeff" + list, strings.TrimSuffix(list, "\n")} {
			e := entries(t, text)
			got, ok, err := e.Get(name)
			require.NoError(t, err)
			require.True(t, ok)
			require.Equal(t, want, got.Text())
			again, err := e.Put(entry(t, got.Text()))
			require.NoError(t, err)
			require.Equal(t, text, string(again), "what was read is put back")
		}
	}
	_, ok, err := entries(t, list).Get("none")
	require.NoError(t, err)
	require.False(t, ok)
}

func TestEntriesArePut(t *testing.T) {
	e := entries(t, list)
	text, err := e.Put(entry(t, "name: door\nwhen: |\n  a\n\n  b\n"))
	require.NoError(t, err)
	require.Equal(t, strings.Replace(list, `  - name: door   # the street door
    when: zone.kind == "exit"
    hold: 3s # a till may be late
`, `  - name: door
    when: |
      a

      b
`, 1), string(text))

	text, err = e.Put(entry(t, "# New.\n- name: new\n  when: x\n"))
	require.NoError(t, err)
	require.Equal(t, strings.Replace(list, "params:", "  # New.\n  - name: new\n    when: x\nparams:", 1), string(text))

	text, err = e.Put(entry(t, "# Other.\n{name: back}"))
	require.NoError(t, err)
	require.Contains(t, string(text), "\n\n  # Other.\n  - {name: back}\n  - when:")

	for from, to := range map[string]string{
		"rules: []\n":                    "rules:\n  - name: n\n    when: x\n",
		"rules: # none\nparams: {}":      "rules: # none\n  - name: n\n    when: x\nparams: {}",
		"a: 1\nrules:":                   "a: 1\nrules:\n  - name: n\n    when: x",
		"rules:\n- name: a\n\n- name: b": "rules:\n- name: a\n\n- name: b\n\n- name: n\n  when: x",
		`{"rules": [{"name": "a'}"}, {"name": "b"}], "x": 1}`: `{"rules": [{"name": "a'}"}, {"name": "b"}, {"name": "n", "when": "x"}], "x": 1}`,
		"rules: [{name: a}] # c\n":                            "rules: [{name: a}, {\"name\": \"n\", \"when\": \"x\"}] # c\n",
		`{"rules": [{"when": "}", "name": "n"}]}`:             `{"rules": [{"name": "n", "when": "x"}]}`,
	} {
		text, err := entries(t, from).Put(entry(t, "name: n\nwhen: x"))
		require.NoError(t, err, from)
		require.Equal(t, to, string(text), from)
	}
	// What cannot be told apart is refused, whole.
	for _, from := range []string{"rules:\n  -\n    name: n\n", "{\"rules\": []}"} {
		_, err := entries(t, from).Put(entry(t, "name: n\nwhen: x"))
		require.ErrorIs(t, err, doc.ErrShape, from)
	}
	for _, bad := range []string{"- name: a\n- name: b\n", "rules: []", "rules:\n- name: a\nparams: {}\n", "x", "{"} {
		_, p := doc.ReadEntry([]byte(bad), "rules", options)
		require.NotNil(t, p, bad)
	}
}

func TestEntriesAreRemoved(t *testing.T) {
	text, err := entries(t, list).Remove("door")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(text), "# Rules of the shop.\nrules:\n\n  # The stockroom.\n"), "%s", text)
	text, err = entries(t, string(text)).Remove("shelf")
	require.NoError(t, err)
	text, err = entries(t, string(text)).Remove("back")
	require.NoError(t, err)
	require.Equal(t, "# Rules of the shop.\nrules: []\n\nparams:\n  a: {default: 3}\n", string(text))
	for from, to := range map[string]string{
		`{"rules": [{"name": "n"}, {"name": "b"}]}`: `{"rules": [{"name": "b"}]}`,
		`rules: [{name: b}, {name: n} ]`:            `rules: [{name: b} ]`,
		`rules: [{name: n}]`:                        `rules: []`,
	} {
		text, err := entries(t, from).Remove("n")
		require.NoError(t, err, from)
		require.Equal(t, to, string(text))
	}
}

func TestMembersOfAnEntryAreSet(t *testing.T) {
	set := func(name, key, value string) string {
		e := entries(t, list)
		n, _, err := e.Get(name)
		require.NoError(t, err)
		v := &doc.Node{Kind: doc.Scalar, Text: value}
		if value == "" {
			v = &doc.Node{}
		}
		n, err = n.Set([]doc.Field{{Key: &doc.Node{Kind: doc.Scalar, Text: key}, Value: v}}, options)
		require.NoError(t, err)
		text, err := e.Put(n)
		require.NoError(t, err)
		return string(text)
	}
	change := func(from, to string) string { return strings.Replace(list, from, to, 1) }
	require.Equal(t, change("hold: 3s # a till", "hold: 1m # a till"), set("door", "hold", "1m"))
	require.Equal(t, change("    hold: 3s # a till may be late\n", "    hold: 3s # a till may be late\n    mode: watch\n"), set("door", "mode", "watch"))
	require.Equal(t, change("    hold: 3s # a till may be late\n", ""), set("door", "hold", ""))
	require.Equal(t, change(`zone.id == "stockroom", send: [a, b]}`, `'zone.id == "stockroom"', send: [a, b], mode: off}`), set("back", "mode", "off"))
	require.Equal(t, change("say: 'it''s here'", `say: '"x": # y'`), set("shelf", "say", `"x": # y`))
	require.Equal(t, change("|\n      item.sellable and\n      # no comment\n      item.present\n", "x\n"), set("shelf", "when", "x"))
	require.Equal(t, change("say: 'it''s here'", "say: |-\n      a\n      b"), set("shelf", "say", "a\nb"))
	require.Equal(t, list, set("door", "mode", ""))
}

// FuzzEntries changes what it can of any document: what comes back says the same but for the entry,
// and putting back what was read changes no byte.
// A place in a document is found again in the text that the entry was read from, however deep that is.
func TestPlacesOfAnEntryAreMovedBack(t *testing.T) {
	const document = "rules:\n    - name: a\n      when: x\n    - name: b\n      when: y\n"
	for _, c := range []struct {
		document, sent, word string
		line, column         int // 0: it can't be said
	}{
		{document, "name: b\nwhen: odd\n", "odd", 2, 7},
		{document, "# why\n\n  name: b\n  when: |\n    one\n    odd\n", "odd", 6, 5},
		{document, "- name: b\n  when: odd\n", "odd", 2, 9},
		{document, "rules:\n- name: b\n  when: odd\n", "odd", 3, 9},
		{document, "when: odd\n", "odd", 1, 7}, // its name is added
		{document, "name: b\nwhen: yes\n", "a", 0, 0},
		{"rules: [{name: a, when: x}]\n", "name: b\nwhen: odd\n", "odd", 0, 0}, // it is written otherwise there
	} {
		sent, problem := doc.ReadEntry([]byte(c.sent), "rules", options)
		require.Nil(t, problem, c.sent)
		named, err := sent.Named("b", options)
		require.NoError(t, err)
		text, err := entries(t, c.document).Put(named)
		require.NoError(t, err)
		there, _, err := entries(t, string(text)).Get("b")
		require.NoError(t, err)
		at := strings.Index(string(text), c.word)
		before := string(text)[:at]
		d := doc.Diagnostic{Line: strings.Count(before, "\n") + 1, Column: at - strings.LastIndex(before, "\n"), Length: len(c.word)}
		got := sent.Moved(d, there)
		require.Equal(t, [2]int{c.line, c.column}, [2]int{got.Line, got.Column}, c.sent)
	}
}

func FuzzEntries(f *testing.F) {
	starter, err := os.ReadFile("../starter.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{list, string(starter), "rules: []", "rules:\n- name: a\n", `{"rules": [{"name": "a"}]}`, "rules: [{name: a},{name: b}]",
		"rules:\n  - name: a\n    when: >-\n      x\n\n      y\n  # c\n  - {name: b,\n     when: 'x }'}\n"} {
		f.Add([]byte(s), "when", "x: y")
	}
	f.Fuzz(func(t *testing.T, src []byte, key, value string) {
		e, p := doc.OpenEntries(src, "rules", options)
		if p != nil {
			return
		}
		d, _ := doc.YAML(src, options)
		seen := map[string]bool{}
		for _, n := range d.Root.Get("rules").Items {
			name := n.Get("name")
			if n.Kind != doc.Mapping || name == nil || name.Kind != doc.Scalar || seen[name.Text] {
				return
			}
			seen[name.Text] = true
			got, ok, err := e.Get(name.Text)
			if err != nil || !ok {
				continue
			}
			if _, err := e.Put(got); err != nil && err != doc.ErrShape {
				t.Fatal(err)
			}
			if there := (doc.Diagnostic{Line: got.Line, Column: got.Column}); got.Line < 1 || got.Moved(there, got) != there {
				t.Fatalf("%q stands at %d:%d, which is moved", name.Text, got.Line, got.Column)
			}
			if text, err := e.Remove(name.Text); err == nil {
				left, p := doc.OpenEntries(text, "rules", options)
				if p != nil {
					t.Fatal(p)
				}
				if _, ok, _ := left.Get(name.Text); ok {
					t.Fatalf("%q is still there", name.Text)
				}
			}
			set, err := got.Set([]doc.Field{{Key: &doc.Node{Kind: doc.Scalar, Text: key}, Value: &doc.Node{Kind: doc.Scalar, Text: value}}}, options)
			if err == nil && set.Node.Get(key).Text != value {
				t.Fatalf("%q is %q, want %q", key, set.Node.Get(key).Text, value)
			}
		}
	})
}
