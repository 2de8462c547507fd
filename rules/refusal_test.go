package rules

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules/doc"
)

// TestRefusals goes through what a condition must not hold: the text that is meant, the message and
// the hint.
func TestRefusals(t *testing.T) {
	for _, c := range []struct{ when, at, message, hint string }{
		{`zone.kind = "exit"`, `=`, `"=" does not compare`, "write =="},
		{`zone.kind == 3`, `3`, "a text is written in quotes", `write "3"`},
		{`zone.kind == len(zone.id)`, `==`, `"==" cannot be used on text and whole number`, "numbers are written without quotes"},
		{`item.paid == "x"`, `==`, `"==" cannot be used on yes/no and text`, ""},
		{`not zone.kind`, `not`, `"not" cannot be used on text`, "must be yes/no"},
		{`item.paid and "x"`, `and`, `"and" cannot be used on yes/no and text`, "must be yes/no"},
		{`-zone.id == 3`, `-`, `"-" cannot be used on text`, ""},
		{`zone.kind`, `zone.kind`, "must be yes/no, but this is a text", "compare"},
		{`zone.kind == "exit" and`, "", "ends too early", "missing"},
		{`(zone.kind == "exit"`, "", "ends too early", "missing"},
		{`zone.kind == "exit" zone.id == "a"`, `zone`, `unexpected "zone"`, "an operator"},
		{`item.paid)`, `)`, "this bracket closes nothing", "remove it"},
		{`"abc`, ``, "a quote is not closed", "close it"},
		{`@`, `@`, "unexpected character", ""},
		{`product.price > 1e400`, `1e400`, "the number is too large", ""},
		{`product.price > 9223372036854775808`, `9223372036854775808`, "the number is too large", ""},
		{`kind == "exit"`, `kind`, `unknown name "kind"`, "did you mean zone.kind?"},
		{`zone.xyzzy == ""`, `zone.xyzzy`, `unknown name "zone.xyzzy"`, "names of zone: id, name, kind, selling, storey"},
		{`xyzzy.plugh == ""`, `xyzzy.plugh`, `unknown name "xyzzy.plugh"`, ""},
		{`zone == "x"`, `zone`, `"zone" stands for several values`, "zone.id"},
		{`count > 3`, `count`, `"count" stands for several values`, ""},
		{`product.attributes == 3`, `product.attributes`, "needs the name of one attribute", "colour"},
		{`product.attributes.a.b == ""`, `product.attributes.a.b`, "at most 64 characters and no dot", ""},
		{`product.attributes["a.b"] == ""`, `product.attributes["a.b"]`, "at most 64 characters and no dot", ""},
		{`$env.zone == ""`, `$env.zone`, `unknown name "$env.zone"`, ""},
		{`step(1)`, `step`, `unknown function "step"`, "functions are abs"},
		{`lenn(zone.id) > 3`, `lenn`, `unknown function "lenn"`, "did you mean len?"},
		{`now() > 3`, `now`, `not available: function "now"`, ""},
		{`zone.id.lower() == "x"`, `zone.id.lower`, "a name cannot be called", "lower(zone.name)"},
		{`zone.id[0] == "x"`, `[`, "elements of lists and texts are not available", ""},
		{`zone.id[0:1] == "x"`, `[`, "parts of texts and lists are not available", "startsWith"},
		{`{a: 1}.a == 1`, `{a: 1}.a`, "a dot follows something that has no parts", ""},
		{`item.paid == {}`, `{`, "braces are not available", "square brackets"},
		{`any(product.home_zones, .x == "")`, `.x`, "a dot follows something that has no parts", ""},
		{`any(product.home_zones, #index > 3)`, `#`, "#index is not available", "# is the element"},
		{`zone.kind in "exit"`, `in`, `"in" cannot be used on text and text`, "contains"},
		{`zone.kind in []`, `[`, "an empty list holds nothing", ""},
		{`zone.kind in ["a", 3]`, `["a", 3]`, "a list holds either texts or numbers", ""},
		{`[1, 2] in [1, 2]`, `in`, "a list cannot be in a list of whole number", ""},
		{`product.home_zones == ["a"]`, `product.home_zones == ["a"]`, "lists cannot be compared", "any(list"},
		{`product.price / item.serial > 1`, `/`, "needs a number other than 0", "multiply"},
		{`product.price / 0 > 1`, `/`, "needs a number other than 0", "multiply"},
		{`passage.reads % 0 > 1`, `%`, "needs a number other than 0", "multiply"},
		{`product.price / -0.0 > 1`, `/`, "needs a number other than 0", "multiply"},
		{`product.price ** 2 > 1`, `**`, "powers are not available", ""},
		{`product.price ^ 2 > 1`, `^`, "powers are not available", ""},
		{`nil == zone.id`, `nil`, "nil is not needed", `compare with ""`},
		{`item.paid ?? true`, `??`, "is not needed", "missing data"},
		{`item?.paid`, `?.`, "is not needed", "missing data"},
		{`let a = 1; a > 0`, `let`, "variables are not available", ""},
		{`item.paid; item.sellable`, `;`, `";" is not available`, "and, or"},
		{`if item.paid { true } else { false }`, `if`, `"if" is not available`, "? this : that"},
		{`zone.id | lower() == "x"`, `|`, `"|" is not available`, "lower(zone.name)"},
		{`item.paid & item.sellable`, `&`, `"&" is not available`, "write and"},
		{`::len(zone.id) > 3`, `::`, `"::" is not available`, ""},
		{`b'abc' == b'abc'`, `b'abc'`, "byte strings are not available", ""},
		{`1..2000 == 3`, `..`, "a range goes up, by at most 1000", ""},
		{`any(3..1, # > 1)`, `..`, "a range goes up, by at most 1000", ""},
		{`any(1..passage.reads, # > 1)`, `..`, "a range needs whole numbers", "1..10"},
		{`any(1..5, any(1..5, any(1..5, # > 1)))`, `any`, "nested more than 2 deep", ""},
		{`all(1..1000, all(1..1000, # > 0))`, "", "go round too often", "shorter ranges"},
		{`any(product.home_zones, # + "x" == "y")`, `# + "x"`, "texts cannot be joined inside list functions", ""},
		{`any(product.home_zones, # matches "a")`, `matches`, "matches is not available inside list functions", ""},
		{`zone.kind matches "("`, `"("`, "bad pattern: missing closing )", "RE2"},
		{`zone.kind matches zone.id`, `matches`, "needs a pattern in quotes", ""},
		{`zone.kind matches "(a?){500}a{500}b"`, `"(a?){500}a{500}b"`, "takes too long", ""},
		{`zone.kind matches "` + strings.Repeat("a", 201) + `"`, `"` + strings.Repeat("a", 201) + `"`, "longer than 200 characters", ""},
		{`zone.kind matches "a{2000}"`, `"a{2000}"`, "bad pattern", ""},
		{`max(item.paid, 3) > 1`, `max`, "max does not take a yes/no", ""},
		{`max(product.home_zones) == 1`, `max(product.home_zones)`, "max takes numbers", ""},
		{`len(3) > 1`, `len`, "len does not take a whole number", ""},
		{`abs(zone.id) > 1`, `abs`, "abs does not take a text", ""},
		{`trim(zone.id, "x") == ""`, `trim(zone.id, "x")`, "trim takes one text", ""},
		{`lower(3) == ""`, `3`, "lower takes a text, not a whole number", ""},
		{`any() == true`, `)`, "takes a list and a condition", ""},
		{`any(item.paid, # > 1)`, `item.paid`, "any takes a list, not a yes/no", ""},
		{`any(product.home_zones, len(#))`, `len`, "the condition for each element must be yes/no, but this is a whole number", ""},
		{`lower() == ""`, `lower`, "not enough arguments for lower", ""},
		{`lower("a", "b") == ""`, `lower`, "too many arguments for lower", ""},
		{`len() > 3`, `len`, "invalid number of arguments", ""},
		{`(item.paid ? 1 : "a") == 1`, `item.paid ? 1 : "a"`, "this can be of different types", ""},
		{`(item.paid ? 1 : product.price) > 1`, `item.paid ? 1 : product.price`, "one side of ? : is a whole number", "0.0"},
		{`time_between("22:00", "6")`, `"6"`, "is not a time of day", ""},
		{`time_between(at.date, "22:00")`, `time_between`, "two different times of day", "22:00"},
		{`time_between("22:00", "22:00")`, `time_between`, "two different times of day", ""},
		{`time_between("22:00")`, `time_between`, "two different times of day", ""},
		{`zone.id + ` + strings.Repeat("zone.id + ", 70) + `"" == ""`, "", "too much text", ""},
		{strings.Repeat(`zone.id contains zone.name or `, 30) + strings.Repeat("lower(", 40) + "zone.id" +
			strings.Repeat(")", 40) + ` == ""`, "", "can", ""},
		{strings.Repeat("(", 65) + "item.paid" + strings.Repeat(")", 65), "(", "nested more than 64 deep", ""},
		{strings.Repeat("item.paid or ", 100) + "item.paid", "", "more than 300 parts", "several rules"},
	} {
		t.Run(c.when[:min(len(c.when), 60)], func(t *testing.T) {
			set, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when: |\n      "+c.when+"\n"), Known{})
			require.Nil(t, set, c.when)
			d := diagnostics[0]
			require.Equal(t, doc.SeverityError, d.Severity, c.when)
			require.Equal(t, 4, d.Line, c.when)
			require.Contains(t, d.Reason, c.message, c.when)
			require.Contains(t, d.Hint, c.hint, c.when)
			if c.at != "" {
				runes := []rune(d.Source)
				require.Equal(t, c.at, string(runes[d.Column-1:min(len(runes), d.Column-1+d.Length)]), c.when)
			}
		})
	}
}
