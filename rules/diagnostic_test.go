package rules

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestDiagnosticsPointAtTheText checks place, words and hint of what people get to see. Each
// document is followed by all its diagnostics.
func TestDiagnosticsPointAtTheText(t *testing.T) {
	known := Known{
		Zones: []string{"front-tables", "street-door"}, ZoneKinds: []string{"shelf", "floor", "exit", "stockroom"},
		Channels:   []string{"door-team", "floor-team"},
		Categories: []string{"maps", "novels"}, Attributes: []string{"colour"}, Readers: []string{"door-1"},
	}
	for _, c := range []struct{ name, doc, want string }{
		{"unknown name", `
rules:
  - name: door
    when: zone.knd == "exit"
`, `
rules/door.yaml:4:11: unknown name "zone.knd"
        when: zone.knd == "exit"
              ^^^^^^^^
    did you mean zone.kind?`},

		{"in a block", `
rules:
  - name: door
    when: |
      zone.kind == "exit"
        and item.payed   // a comment of the condition
`, `
rules/door.yaml:6:13: unknown name "item.payed"
            and item.payed   // a comment of the condition
                ^^^^^^^^^^
    did you mean item.paid?`},

		{"a comment of the wrong kind", `
rules:
  - name: door
    when: |
      zone.kind == "exit"  # the door
`, `
rules/door.yaml:5:28: unexpected "#"
          zone.kind == "exit"  # the door
                               ^
    comments in a condition begin with //; # is the element inside a list function`},

		{"folded, with blank and deeper lines", `
rules:
  - name: door
    when: >-
      zone.kind == "exit"

      and item.sellable
        and not
      item.payed
`, `
rules/door.yaml:9:7: unknown name "item.payed"
          item.payed
          ^^^^^^^^^^
    did you mean item.paid?`},

		{"plain over two lines, after wide letters", `
rules:
  - name: door
    when: product.name == "Été" and
      item.payed  # a YAML comment
`, `
rules/door.yaml:5:7: unknown name "item.payed"
          item.payed  # a YAML comment
          ^^^^^^^^^^
    did you mean item.paid?`},

		{"single quotes", `
rules:
  - name: door
    when: 'product.name == "it''s" and item.payed'
`, `
rules/door.yaml:4:40: unknown name "item.payed"
        when: 'product.name == "it''s" and item.payed'
                                           ^^^^^^^^^^
    did you mean item.paid?`},

		{"double quotes with escapes and a joined line", `
rules:
  - name: door
    when: "product.name == \"\u00c9t\xe9\" \
      and item.payed"
`, `
rules/door.yaml:5:11: unknown name "item.payed"
          and item.payed"
              ^^^^^^^^^^
    did you mean item.paid?`},

		{"unknown keys and values", `
rules:
  - name: Unpaid at Door!
    wen: item.paid
    severity: hot
    mode: of
    hold: 3
    clear: 8d
    hours: mon-fry 09:00-18:00
    send: [door-team, dor-team, door-team]
`, `
rules/door.yaml:3:5: the rule has no when
      - name: Unpaid at Door!
        ^
    write for instance: when: zone.kind == "exit" and not item.paid
rules/door.yaml:3:11: "Unpaid at Door!" is not a name
      - name: Unpaid at Door!
              ^^^^^^^^^^^^^^^
    a name has 1 to 64 of a-z, 0-9 and -; write unpaid-at-door
rules/door.yaml:4:5: unknown key "wen"
        wen: item.paid
        ^^^
    did you mean when?
rules/door.yaml:5:15: "hot" is not a value of severity
        severity: hot
                  ^^^
    severity is info, warning or urgent
rules/door.yaml:6:11: "of" is not a value of mode
        mode: of
              ^^
    did you mean off?
rules/door.yaml:7:11: hold: "3" is not a length of time
        hold: 3
              ^
    write 3s for seconds, 3m for minutes
rules/door.yaml:8:12: clear: 8d is out of range: from 0s to 7d
        clear: 8d
               ^^
rules/door.yaml:9:12: hours: "fry" is not a day; did you mean fri?
        hours: mon-fry 09:00-18:00
               ^^^^^^^^^^^^^^^^^^^
    hours are open, closed, always, days such as mon-fri, or windows such as mon-fri 09:00-18:00, sat 22:00-02:00
rules/door.yaml:10:23: warning: there is no channel "dor-team"
        send: [door-team, dor-team, door-team]
                          ^^^^^^^^
    did you mean door-team?
rules/door.yaml:10:33: door-team stands in send twice
        send: [door-team, dor-team, door-team]
                                    ^^^^^^^^^`},

		{"subjects", `
rules:
  - name: below-minimum
    about: stock
    when: stock.count < stock.minimum and passage.confidence > 0.5
    say: "{product.nam} is low, {item.key}, {zone.name"
`, `
rules/door.yaml:5:43: a rule about stock has no passage.confidence
        when: stock.count < stock.minimum and passage.confidence > 0.5
                                              ^^^^^^^^^^^^^^^^^^
    passage.confidence belongs to rules about item
rules/door.yaml:6:12: unknown name "product.nam"
        say: "{product.nam} is low, {item.key}, {zone.name"
               ^^^^^^^^^^^
    did you mean product.name?
rules/door.yaml:6:34: a rule about stock has no item.key
        say: "{product.nam} is low, {item.key}, {zone.name"
                                     ^^^^^^^^
    item.key belongs to rules about item
rules/door.yaml:6:45: "{" is not closed
        say: "{product.nam} is low, {item.key}, {zone.name"
                                                ^
    write {zone.name} for a value, {{ for a brace`},

		{"warnings", `
rules:
  - name: a
    when: zone.kind == "exist" and zone.id in ["front-table", "street-door"]
  - name: b
    when: product.category == "map" and zone.kind == "fitting" and product.attributes.color == "red"
  - name: c
    when: zone.kind == "exit" and zone.kind in ["shelf", "floor"]
  - name: d
    when: passage.confidence == 0.9 or item.paid
  - name: e
    about: reader
    when: cause == "silence" and reader.id == "door-2"
    send: [door-team]
`, `
rules/door.yaml:1:1: warning: no rule notifies the channel floor-team
    name it in a rule's send, or remove it
rules/door.yaml:4:24: warning: zone.kind is never "exist"
        when: zone.kind == "exist" and zone.id in ["front-table", "street-door"]
                           ^^^^^^^
    did you mean "exit"?
rules/door.yaml:4:48: warning: this site has no zone "front-table"
        when: zone.kind == "exist" and zone.id in ["front-table", "street-door"]
                                                   ^^^^^^^^^^^^^
    did you mean "front-tables"?
rules/door.yaml:6:31: warning: no product is in the category "map"
        when: product.category == "map" and zone.kind == "fitting" and product.attributes.color == "red"
                                  ^^^^^
    did you mean "maps"?
rules/door.yaml:6:54: warning: this site has no zone of the kind "fitting"
        when: product.category == "map" and zone.kind == "fitting" and product.attributes.color == "red"
                                                         ^^^^^^^^^
rules/door.yaml:6:68: warning: no product has the attribute "color"
        when: product.category == "map" and zone.kind == "fitting" and product.attributes.color == "red"
                                                                       ^^^^^^^^^^^^^^^^^^^^^^^^
    did you mean product.attributes.colour?
rules/door.yaml:8:45: warning: the condition is never true
        when: zone.kind == "exit" and zone.kind in ["shelf", "floor"]
                                                ^^
    zone.kind cannot have two values at once
rules/door.yaml:10:30: warning: passage.confidence is measured, so it hardly ever is exactly one number
        when: passage.confidence == 0.9 or item.paid
                                 ^^
    write >= or <=
rules/door.yaml:13:20: warning: a rule about reader is never evaluated for the cause "silence"
        when: cause == "silence" and reader.id == "door-2"
                       ^^^^^^^^^
    did you mean "silent"?
rules/door.yaml:13:47: warning: this site has no read point "door-2"
        when: cause == "silence" and reader.id == "door-2"
                                                  ^^^^^^^^
    did you mean "door-1"?`},

		{"never and always", `
rules:
  - name: a
    about: stock
    when: stock.count > 5 and stock.count < 3
  - name: b
    when: item.paid and (at.hour >= 24 or zone.kind == "exit")
  - name: c
    about: stock
    when: stock.count >= 0 and stock.has_minimum
  - name: d
    when: item.sellable and zone.kind == "exit" and item.paid
  - name: e
    when: item.home and not item.home
  - name: f
    when: 0.5 < passage.confidence and passage.confidence <= 0.5
  - name: g
    when: time_between("09:00", "09:30") and zone.kind == "exit"
    hold: 30m
  - name: h
    when: zone.kind == "exit"
    hold: 3h
    hours: mon-fri 09:00-12:00
    send: [door-team, floor-team]
`, `
rules/door.yaml:5:31: warning: the condition is never true
        when: stock.count > 5 and stock.count < 3
                                  ^^^^^^^^^^^^^^^
    no number is what this and the parts before it ask of stock.count
rules/door.yaml:7:26: warning: this part is never true
        when: item.paid and (at.hour >= 24 or zone.kind == "exit")
                             ^^^^^^^^^^^^^
    at.hour is from 0 to 23
rules/door.yaml:10:11: warning: this part is always true
        when: stock.count >= 0 and stock.has_minimum
              ^^^^^^^^^^^^^^^^
    stock.count is 0 or more
rules/door.yaml:12:53: warning: the condition is never true
        when: item.sellable and zone.kind == "exit" and item.paid
                                                        ^^^^^^^^^
    item.paid and item.sellable are never both true
rules/door.yaml:14:25: warning: the condition is never true
        when: item.home and not item.home
                            ^^^^^^^^^^^^^
    item.home cannot be both true and false
rules/door.yaml:16:40: warning: the condition is never true
        when: 0.5 < passage.confidence and passage.confidence <= 0.5
                                           ^^^^^^^^^^^^^^^^^^^^^^^^^
    no number is what this and the parts before it ask of passage.confidence
rules/door.yaml:19:11: warning: hold is 30m0s, and the condition is true for 30m0s at most
        hold: 30m
              ^^^
    it never becomes an alert: make the hold shorter or the time longer
rules/door.yaml:22:11: warning: hold is 3h0m0s, and no window of its hours is longer than 3h0m0s
        hold: 3h
              ^^
    the alert opens only when the next window begins; make the hold shorter or the hours longer`},

		{"two of a name, and a constant", `
rules:
- name: a
  when: true
- name: a
  when: 1 > 2
`, `
rules/door.yaml:4:9: warning: the condition is always true
      when: true
            ^^^^
    compare something that changes, such as zone.kind
rules/door.yaml:5:9: another rule is named "a"
    - name: a
            ^
    the other one is on line 3
rules/door.yaml:6:9: warning: the condition is always false
      when: 1 > 2
            ^^^^^
    compare something that changes, such as zone.kind`},

		{"anchors", `
rules:
  - &a
    name: x
`, `
rules/door.yaml:3:5: anchors, aliases and merge keys are not allowed
      - &a
        ^
    write the value out, or put it in quotes if it is text`},

		{"a top-level list", `
- name: a
  when: item.paid
`, `
rules/door.yaml:2:1: the document is not made of keys and values
    - name: a
    ^
    write rules: and a list of rules below it`},

		{"a misspelt top", `
rule:
  - name: a
`, `
rules/door.yaml:2:1: unknown key "rule"
    rule:
    ^^^^
    did you mean rules?`},

		{"tabs", "\nrules:\n\t- name: a\n", `
rules/door.yaml:3:1: not valid YAML: found character '	' that cannot start any token
    	- name: a
    ^
    indent with blanks, not tabs`},

		{"a key twice, empty values, wrong shapes", `
rules:
  - name: a
    when: item.paid
    when: item.paid
    hold:
    say: [a]
  - just text
`, `
rules/door.yaml:5:5: the key "when" stands here twice
        when: item.paid
        ^^^^
rules/door.yaml:6:5: hold has no value
        hold:
        ^^^^
    leave the key out, or give it a value
rules/door.yaml:7:10: say is not a text
        say: [a]
             ^
    put it in quotes, or after | on a line of its own
rules/door.yaml:8:5: this entry is not made of keys and values
      - just text
        ^^^^^^^^^
    begin each rule with - name:`},

		{"YAML that went wrong", `
rules:
  - name: a
    when: "zone.kind" == "exit"
`, `
rules/door.yaml:4:23: not valid YAML: something follows the end of a text or a bracket
        when: "zone.kind" == "exit"
                          ^
    write when: zone.kind == "exit"`},

		{"keys out of line", `
rules:
  - name: a
   when: item.paid
`, `
rules/door.yaml:4:4: not valid YAML: value is not allowed in this context
       when: item.paid
       ^
    the keys of one rule begin in the same column`},

		{"no colon", `
rules:
  - name a
    when: item.paid
`, `
rules/door.yaml:3:5: not valid YAML: unexpected key name
      - name a
        ^
    a key is followed by a colon and a blank: name: unpaid-at-door`},

		{"an exclamation mark", `
rules:
  - name: a
    when: !item.paid
    send: {a: b}
`, `
rules/door.yaml:4:11: YAML tags are not allowed
        when: !item.paid
              ^
    put the value in quotes if it is text; in a condition write not instead of !`},

		{"nothing in a block", `
rules:
  - name: a
    send: {a: b}
    when: |
`, `
rules/door.yaml:4:11: send is not a list of channels
        send: {a: b}
              ^
    write send: [door-team, floor-team]
rules/door.yaml:5:11: the condition is empty
        when: |
              ^
    write for instance: when: zone.kind == "exit"`},

		{"sequences", `
rules:
  - {name: a, first: zone.knd == "exit", within: 10m, when: item.paid}
  - {name: b, first: item.present, when: item.paid}
  - {name: c, first: item.present, within: 2d}
  - {name: d, when: item.paid, unless: item.present, within: 10m, same: product}
  - {name: e, about: count, first: count.missing > 3, within: 1h, when: count.missing > 5}
  - {name: f, about: stock, first: stock.count == 0, within: 1h open, unless: stock.count > 0, same: product, hold: 5m}
  - {name: g, first: item.present, within: 4h opn, unless: item.paid, same: zone}
`, `
rules/door.yaml:3:22: unknown name "zone.knd"
      - {name: a, first: zone.knd == "exit", within: 10m, when: item.paid}
                         ^^^^^^^^
    did you mean zone.kind?
rules/door.yaml:4:22: first without within
      - {name: b, first: item.present, when: item.paid}
                         ^^^^^^^^^^^^
    write within: 10m, how long after it the rest counts
rules/door.yaml:5:22: nothing comes after first
      - {name: c, first: item.present, within: 2d}
                         ^^^^^^^^^^^^
    write when: and what comes then, or unless: and what must not come within the time
rules/door.yaml:5:44: within: 2d is out of range: from 1s to 24h
      - {name: c, first: item.present, within: 2d}
                                               ^^
rules/door.yaml:6:40: unless without first
      - {name: d, when: item.paid, unless: item.present, within: 10m, same: product}
                                           ^^^^^^^^^^^^
    write and not (...) in when; unless goes with first
rules/door.yaml:6:62: within without first
      - {name: d, when: item.paid, unless: item.present, within: 10m, same: product}
                                                                 ^^^
    it goes with about: zone, or with first: and the condition that comes before
rules/door.yaml:6:73: same without first
      - {name: d, when: item.paid, unless: item.present, within: 10m, same: product}
                                                                            ^^^^^^^
    write first: and the condition that comes before
rules/door.yaml:7:36: a count is closed once, so nothing comes before it
      - {name: e, about: count, first: count.missing > 3, within: 1h, when: count.missing > 5}
                                       ^^^^^^^^^^^^^^^^^
    leave first out, or write about: item
rules/door.yaml:8:102: same goes with about: item
      - {name: f, about: stock, first: stock.count == 0, within: 1h open, unless: stock.count > 0, same: product, hold: 5m}
                                                                                                         ^^^^^^^
    both steps of this rule are about the same stock already
rules/door.yaml:8:117: warning: hold only adds to within here
      - {name: f, about: stock, first: stock.count == 0, within: 1h open, unless: stock.count > 0, same: product, hold: 5m}
                                                                                                                        ^^
    make within longer and leave hold out
rules/door.yaml:9:44: within: "4h opn" is not a length of time
      - {name: g, first: item.present, within: 4h opn, unless: item.paid, same: zone}
                                               ^^^^^^
    write a number and a unit, such as 700ms, 3s, 20m, 1h30m or 2d
rules/door.yaml:9:77: "zone" is not a value of same
      - {name: g, first: item.present, within: 4h opn, unless: item.paid, same: zone}
                                                                                ^^^^
    same is item or product`},

		{"looked at only when something happens", `
rules:
  - {name: a, when: item.present and at.hour >= 20, send: [door-team, floor-team]}
  - {name: b, about: stock, when: stock.count > 0 and not site.open}
  - {name: c, when: cause == "arrived" and not site.open}
  - {name: d, about: count, when: count.missing > 0 and not site.open}
`, `
rules/door.yaml:3:21: warning: at.hour is looked at only when something happens to the item
      - {name: a, when: item.present and at.hour >= 20, send: [door-team, floor-team]}
                        ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
    for what goes on, leave it out and write for instance hours: 20:00-06:00, which are kept by the clock
rules/door.yaml:4:35: warning: site.open is looked at only when something happens to the stock
      - {name: b, about: stock, when: stock.count > 0 and not site.open}
                                      ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
    for what goes on, leave it out and write hours: open or hours: closed, which are kept by the clock`},

		{"empty", "", `
rules/door.yaml:1:1: the document is empty
    write rules: and a list of rules below it`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, diagnostics := Check("rules/door.yaml", []byte(c.doc), known)
			var b strings.Builder
			for _, d := range diagnostics {
				fmt.Fprintf(&b, "\n%s", d)
			}
			require.Equal(t, c.want, b.String())
		})
	}
}

// TestPlaceFindsEveryCharacter writes a condition in every style of YAML and looks up where the
// unknown name in it is.
func TestPlaceFindsEveryCharacter(t *testing.T) {
	for name, doc := range map[string]string{
		"plain":            "rules:\n- name: a\n  when: item.paid and @\n",
		"plain, two lines": "rules:\n- name: a\n  when: item.paid\n    and @\n",
		"plain, blank":     "rules:\n- name: a\n  when: item.paid and\n\n    @\n",
		"on the next line": "rules:\n- name: a\n  when:\n    item.paid and @\n",
		"literal":          "rules:\n- name: a\n  when: |\n    item.paid\n\n      and\n    @\n",
		"literal, kept":    "rules:\n- name: a\n  when: |+\n    item.paid and\n    @\n\n",
		"literal, comment": "rules:\n- name: a\n  when: | # c\n    item.paid and\n    @\n\n",
		"folded":           "rules:\n- name: a\n  when: >\n    item.paid\n    and\n    @\n",
		"folded, blank":    "rules:\n- name: a\n  when: >\n    item.paid\n\n\n    and\n    @\n",
		"folded, deeper":   "rules:\n- name: a\n  when: >\n    item.paid and\n      (\n      @\n    )\n",
		"single":           "rules:\n- name: a\n  when: 'item.serial == ''é'' and @'\n",
		"single, lines":    "rules:\n- name: a\n  when: 'item.paid\n    and\n\n    @'\n",
		"double":           "rules:\n- name: a\n  when: \"item.serial == \\\"\\t\\u00e9\\x41\\\" and @\"\n",
		"double, lines":    "rules:\n- name: a\n  when: \"item.paid \\\n    and\n    @\"\n",
		"flow":             "rules: [{name: a, when: item.paid and @}]\n",
		"flow, quoted":     "rules: [{name: a, when: \"item.paid and\n  @\"}]\n",
		"crlf":             "rules:\r\n- name: a\r\n  when: |\r\n    item.paid\r\n    and @\r\n",
		"after wide":       "rules:\n- name: a\n  say: äöü→\n  when: item.serial == 'äöü→' and @\n",
	} {
		t.Run(name, func(t *testing.T) {
			// An unknown name stands in for the mark, so that the places stay the same.
			_, diagnostics := Check("f", []byte(strings.ReplaceAll(doc, "@", "Q")), Known{})
			require.NotEmpty(t, diagnostics)
			d := diagnostics[0]
			require.Equal(t, `unknown name "Q"`, d.Reason)
			line := strings.Split(strings.ReplaceAll(doc, "\r\n", "\n"), "\n")[d.Line-1]
			require.Less(t, d.Column-1, len([]rune(line)))
			require.Equal(t, "@", string([]rune(line)[d.Column-1]), "%d:%d", d.Line, d.Column)
		})
	}
}

func TestACommentThatCutsAConditionOff(t *testing.T) {
	_, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when: any(product.home_zones, # == \"a\")\n"), Known{})
	require.NotEmpty(t, diagnostics)
	require.Equal(t, endsTooEarly, diagnostics[0].Reason)
	require.Contains(t, diagnostics[0].Hint, `takes " #" and what follows it for a comment`)
	_, diagnostics = Check("f", []byte("rules:\n  - name: a\n    when: 'any(product.home_zones,' # all\n"), Known{})
	require.Equal(t, "a value or a closing bracket is missing", diagnostics[0].Hint)
}

func TestDocumentLimits(t *testing.T) {
	first := func(src string) string {
		_, diagnostics := Check("f", []byte(src), Known{})
		require.NotEmpty(t, diagnostics)
		return diagnostics[0].Reason
	}
	require.Contains(t, first(strings.Repeat("#", MaxDocument+1)), "at most 1048576 are allowed")
	require.Contains(t, first("rules:\n"+strings.Repeat("- {name: a, when: item.paid}\n", MaxRules+1)), "at most 5000 are allowed")
	require.Contains(t, first(strings.Repeat("[", 1000)), "nested more than")
	require.Contains(t, first("rules:\n"+strings.Repeat("- ", 100)+"a\n"), "levels begin on one line")
	require.Contains(t, first("rules: *a\n"), "aliases")
	require.Contains(t, first("rules: !x []\n"), "tags")
	require.Contains(t, first("rules:\n- <<: {name: a}\n"), "merge keys")
	require.Contains(t, first("rules: []\n---\nrules: []\n"), "one file is one document")
	require.Contains(t, first("rules: []\n...\n"), "one file is one document")
	require.Contains(t, first("rules: [- a]\n"), "begins an entry inside brackets")
	require.Contains(t, first("rules:\n-\n-\n"), "the entry before this one is empty")
	require.Contains(t, first("rules:\n- name: a\n  when: |\n"+strings.Repeat("\n", 300)), "blank lines")
	require.Contains(t, first("rules: "+strings.Repeat("a", 9000)), "the line has 9007 bytes")
	require.Contains(t, first("rules:\n"+strings.Repeat("  a: b\n", 1100)), "more than 1000 keys")
	require.Contains(t, first("rules:\n- name: \x01\n"), "U+0001")
	require.Contains(t, first("rules:\n- name: \xff\n"), "not UTF-8")
	require.Contains(t, first("rules:\n- name: a\n  when: "+strings.Repeat("item.paid or ", 400)+"true\n"), "at most 4096 are allowed")
	require.Contains(t, first("rules:\n- name: a\n  when: "+strings.Repeat("item.paid or ", 110)+"true\n"), "more than 300 parts")
}

func TestManyProblemsAreCounted(t *testing.T) {
	_, diagnostics := Parse("f", []byte("rules:\n"+strings.Repeat("- nme: a\n", 1000)))
	require.Len(t, diagnostics, maxDiagnostics+1)
	require.Equal(t, "800 more problems are not shown", diagnostics[maxDiagnostics].Reason)
}

func TestLongLinesAreCutAroundThePlace(t *testing.T) {
	src := "rules:\n- name: a\n  when: " + strings.Repeat("item.paid or ", 30) + "itm.paid or " +
		strings.Repeat("item.paid or ", 30) + "item.paid\n"
	_, diagnostics := Check("f", []byte(src), Known{})
	require.Len(t, diagnostics, 1)
	lines := strings.Split(diagnostics[0].String(), "\n")
	require.Less(t, len(lines[1]), 200)
	at := strings.Index(lines[2], "^^^^^^^^")
	require.Positive(t, at)
	require.Equal(t, "itm.paid", lines[1][at:at+8])
}

// A value that a closed set does not have can never be true, and the checker says so.
func TestValuesOutsideAClosedSet(t *testing.T) {
	for when, want := range map[string]string{
		`cause == "moved"`:                `never evaluated for the cause "moved"; an item that is moved has the cause "arrived"`,
		`item.disposition == "stolen"`:    `item.disposition is never "stolen"`,
		`zone.kind == "shelff"`:           `zone.kind is never "shelff"; did you mean "shelf"?`,
		`passage.direction == "outwards"`: `passage.direction is never "outwards"`,
		`reader.role == "gate"`:           `reader.role is never "gate"`,
		`item.disposition == "returned"`:  `item.disposition is never "returned"`,
	} {
		_, diagnostics := Check("f", []byte("rules:\n- name: a\n  about: item\n  when: "+when+"\n"), Known{})
		require.Len(t, diagnostics, 1, when)
		require.Contains(t, diagnostics[0].Reason+"; "+diagnostics[0].Hint, want)
	}
}

// What is never true for another reason than its value, and what no product or site has.
func TestWhatCanNeverBeTrueIsWarnedOf(t *testing.T) {
	for when, want := range map[string]string{
		`zone.kind == "exit" and item.present`:        `item.present and zone.kind == "exit" are never both true`,
		`item.present and "exit" == zone.kind`:        `item.present and zone.kind == "exit" are never both true`,
		`zone.kind != "exit" and zone.kind == "exit"`: `zone.kind == "exit" cannot be both true and false`,
		`product.gtin == "09521234567894"`:            "the check digit of the GTIN must be 9, not 4",
		`product.gtin in ["9521234567899"]`:           `product.gtin has 14 digits, "9521234567899" has 13; write "09521234567899"`,
		`product.gtin == "09521234567899"`:            "",
		`item.present and not (zone.kind == "exit")`:  "",
		`item.present and zone.kind != "exit"`:        "",
		`item.present or zone.kind == "exit"`:         "",
	} {
		_, diagnostics := Check("f", []byte("rules:\n- name: a\n  about: item\n  when: "+when+"\n"), Known{})
		if want == "" {
			require.Empty(t, diagnostics, when)
			continue
		}
		require.NotEmpty(t, diagnostics, when)
		require.Contains(t, diagnostics[0].Reason+"; "+diagnostics[0].Hint, want)
	}

	src := []byte(`params:
  cheap: {default: 5, sites: {umberhithe: 4, umberhite: 6}}
rules:
  - {name: a, when: product.price < params.cheap}
`)
	_, diagnostics := Check("f", src, Known{Sites: []string{"umberhithe"}})
	require.Len(t, diagnostics, 1)
	require.Equal(t, `there is no site "umberhite"`, diagnostics[0].Reason)
	require.Equal(t, "did you mean umberhithe?", diagnostics[0].Hint)
	_, diagnostics = Check("f", src, Known{})
	require.Empty(t, diagnostics, "offline the sites are not known")
}
