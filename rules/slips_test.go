package rules

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// TestSlips pins what people get to read who wrote from the habits of spoken language, of
// spreadsheets and of other languages: what is pointed at, what is wrong, and what to write.
func TestSlips(t *testing.T) {
	for _, c := range []struct{ when, at, reason, hint string }{
		{`zone.kind == “exit” and not item.paid`, `“`, "“ is a typed quote", `write plain quotes: "exit"`},
		{`zone.kind == „exit“`, `„`, "„ is a typed quote", `write plain quotes: "exit"`},
		{`zone.kind == ‘exit’`, `‘`, "‘ is a typed quote", `write plain quotes: "exit"`},
		{`“zone.kind == "exit"”`, `“`, "“ is a typed quote", "leave the quotes around the condition out"},
		{`zone.kind == exit`, `exit`, "a text is written in quotes", `write "exit"`},
		{`zone.id == front-tables`, `front-tables`, "a text is written in quotes", `write "front-tables"`},
		{`zone.name == front tables and item.paid`, `== front tables and item`, "a text is written in quotes", `write "front tables"`},
		{`zone.kind in [shelf, "floor"]`, `shelf`, "a text is written in quotes", `write "shelf"`},
		{`product.name contains Atlas`, `Atlas`, "a text is written in quotes", `write "Atlas"`},
		{`product.attributes.size == 38`, `38`, "a text is written in quotes", `write "38"`},
		{`product.gtin == 9521234567899`, `9521234567899`, "a text is written in quotes", `write "9521234567899"`},
		{`at.date == 2026-12-24`, `2026-12-24`, "a text is written in quotes", `write "2026-12-24"`},
		{`zone.kind == "exit" AND not item.paid`, `AND`, "AND is written in lower case", "write and"},
		{`zone.kind == "exit" OR item.paid`, `OR`, "OR is written in lower case", "write or"},
		{`item.sellable and NOT item.paid`, `NOT`, "NOT is written in lower case", "write not"},
		{`zone.kind <> "exit"`, `<>`, `"<>" does not compare`, "write !="},
		{`zone.kind = "exit"`, `=`, `"=" does not compare`, "write == to compare"},
		{`zone.kind === "exit"`, `===`, `"===" does not compare`, "write =="},
		{`product.price => 50`, `=>`, `"=>" does not compare`, "write >="},
		{`product.price =< 50`, `=<`, `"=<" does not compare`, "write <="},
		{`product.price ≥ 50`, `≥`, `"≥" does not compare`, "write >="},
		{`zone.kind is "exit"`, `is`, "is does not compare", "write =="},
		{`zone.kind is not "exit"`, `is not`, "is does not compare", "write !="},
		{`zone.id is empty`, `is`, "is does not compare", `write zone.id == ""`},
		{`item.paid is false`, `is`, "is does not compare", "write not item.paid"},
		{`item is not paid`, `is not`, "is does not compare", "write not item.paid"},
		{`zone.kind in ("shelf", "floor")`, `in ("shelf", "floor")`, "a list is written in square brackets", `write in ["shelf", "floor"]`},
		{`zone.kind in "shelf", "floor"`, `in "shelf", "floor"`, "a list is written in square brackets", `write in ["shelf", "floor"]`},
		{`product.price > 49,50`, `49,50`, "a number has a decimal point, not a comma", "write 49.50"},
		{`product.price > 1,000 and item.sellable`, `1,000`, "a number has no commas", "write 1000"},
		{`product.price > 1 000`, `1 000`, "a number has no blanks", "write 1000"},
		{`product.price > 50%`, `50%`, "a number has no percent sign",
			"write 50; for a share of another number multiply: stock.count < stock.minimum * 0.5"},
		{`passage.confidence < 97%`, `97%`, "a share is a number from 0 to 1", "write 0.97"},
		{`product.price > "50"`, `"50"`, "product.price is a number", "write 50 without quotes"},
		{`product.price > £50`, `£50`, "a number has no currency", "write the number alone: product.price is in the shop's currency"},
		{`product.price > 50 EUR`, `50 EUR`, "a number has no currency", "write the number alone: product.price is in the shop's currency"},
		{`item.paid == "yes"`, `"yes"`, "item.paid is yes or no by itself", "write item.paid"},
		{`item.paid == no`, `no`, "item.paid is yes or no by itself", "write not item.paid"},
		{`item.paid != yes`, `yes`, "item.paid is yes or no by itself", "write not item.paid"},
		{`item.paid == False`, `False`, "item.paid is yes or no by itself", "write not item.paid"},
		{`passage.seconds > 5 min`, `5 min`, "a number has no unit", "write 300: passage.seconds is in seconds"},
		{`passage.seconds > 5m`, `5m`, "a number has no unit", "write 300: passage.seconds is in seconds"},
		{`item.present 5 minutes`, `5 minutes`, "a number has no unit",
			"write 5; how long a condition must stay true goes into hold: 5m"},
		{`at.hour > 20:00`, `20:00`, "a time of day goes into time_between, in quotes", `write time_between("20:00", "24:00")`},
		{`zone.kind equals "exit"`, `equals`, `"equals" is not available`, "write =="},
		{`zone.kind not equal "exit"`, `not equal`, `"not equal" is not available`, "write !="},
		{`product.name like "Atlas"`, `like`, `"like" is not available`, "write contains"},
		{`product.name starts with "Atlas"`, `starts with`, `"starts with" is not available`, "write startsWith"},
		{`product.price at least 50`, `at least`, `"at least" is not available`, "write >="},
		{`product.price between 50 and 100`, `between`, "between is not available", "write product.price >= 50 and product.price <= 100"},
		{`product.price >= 50 and <= 100`, `<=`, "a name is missing before <=", "write and product.price <= 100"},
		{`zone.kind == "shelf" or "floor"`, `"floor"`, "this text is compared with nothing", `write zone.kind in ["shelf", "floor"]`},
		{`item.sellable and zone.kind != "shelf" or "floor"`, `"floor"`, "this text is compared with nothing",
			`write zone.kind not in ["shelf", "floor"]`},
		{`contains(product.name, "Atlas")`, `contains(product.name, "Atlas")`, "contains stands between two texts",
			`write product.name contains "Atlas"`},
		{`product.name.contains("Atlas")`, `product.name.contains("Atlas")`, "contains stands between two texts",
			`write product.name contains "Atlas"`},
		{`item.paid == null`, `null`, "null is not needed", `missing data reads as empty text, 0 or false: compare with "" or 0`},
		{`zone.kind == "exit", not item.paid`, `,`, "a comma joins no conditions", "write and, or or"},
		{`zone.kind == "exit") and item.paid`, `)`, "this bracket closes nothing", "remove it, or open one before"},
		{`zone.kind == "exit" then item.paid`, `then`, "a condition has no then",
			"write the condition alone: what is done when it is true stands in the other keys of the rule"},
		{`item.price > 50`, `item.price`, `unknown name "item.price"`, "did you mean product.price?"},
		{`kind == "exit"`, `kind`, `unknown name "kind"`, "did you mean zone.kind?"},
		// What stands in texts and comments is no slip.
		{`zone.name == "A AND B <> 49,50" and item.payed // “so”`, `item.payed`, `unknown name "item.payed"`, "did you mean item.paid?"},
	} {
		set, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when: |\n      "+c.when+"\n"), Known{})
		require.Nil(t, set, c.when)
		require.Len(t, diagnostics, 1, c.when)
		d := diagnostics[0]
		require.Equal(t, [2]string{c.reason, c.hint}, [2]string{d.Reason, d.Hint}, c.when)
		shown := []rune(c.when)[d.Column-7:]
		require.Equal(t, c.at, string(shown[:min(d.Length, len(shown))]), c.when)
		require.Equal(t, utf8.RuneCountInString(c.when[:strings.Index(c.when, c.at)])+7, d.Column, c.when)
	}
}

// TestNeverTrueHere pins the warnings about values that cannot occur where they stand.
func TestNeverTrueHere(t *testing.T) {
	known := Known{Zones: []string{"shelf-a", "street-door"}, Sites: []string{"umberhithe"}}
	for _, c := range []struct{ when, reason, hint string }{
		{`item.disposition == "returned"`, `item.disposition is never "returned"`,
			`a return sets "sellable_not_accessible"; the return itself is cause == "returned"`},
		{`item.disposition == "missing"`, `item.disposition is never "missing"`, `a count that does not find an item is cause == "missing"`},
		{`item.disposition == "stolen"`, `item.disposition is never "stolen"`,
			"no item is ever called stolen: an alert is a prompt to look, never proof"},
		{`item.disposition == "sold"`, `item.disposition is never "sold"`, `write item.paid, or "retail_sold"`},
		{`item.disposition == "sellable"`, `item.disposition is never "sellable"`, `did you mean "sellable_accessible"?`},
		{`product.gtin == "09521234567894"`, `no product has the GTIN "09521234567894"`, "the check digit of the GTIN must be 9, not 4"},
		{`zone.kind == "exit" and item.present`, "the condition is never true", `item.present and zone.kind == "exit" are never both true`},
		{`zone.id == "shelf-aa"`, `this site has no zone "shelf-aa"`, `did you mean "shelf-a"?`},
		{`passage.door == "street"`, `this site has no zone "street"`, `did you mean "street-door"?`},
		{`zone.name == "shelf-a"`, `"shelf-a" is the id of a zone, not its name`, "write zone.id"},
		{`site.id == "umberhithee"`, `there is no site "umberhithee"`, `did you mean "umberhithe"?`},
		{`at.weekday == "sat"`, `at.weekday is never "sat"`, `did you mean "saturday"?`},
		{`cause == "sale"`, `a rule about item is never evaluated for the cause "sale"`, `did you mean "sold"?`},
	} {
		set, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when: |\n      "+c.when+"\n"), known)
		require.NotNil(t, set, c.when)
		require.Len(t, diagnostics, 1, c.when)
		require.Equal(t, [2]string{c.reason, c.hint}, [2]string{diagnostics[0].Reason, diagnostics[0].Hint}, c.when)
	}
	src := []byte("params: {dwell: {default: 5m, sites: {umberhite: 6m, harbour: 7m}}}\n" +
		"rules: [{name: a, when: item.present, hold: params.dwell}]\n")
	for _, c := range []struct {
		known Known
		want  []string
	}{
		{Known{}, nil},
		{known, []string{`there is no site "umberhite"`, `there is no site "harbour"`}},
		{Known{SomeSites: known.Sites}, []string{`"umberhite" is nearly the site of the layout`}}, // other shops may have layouts elsewhere
	} {
		_, diagnostics := Check("f", src, c.known)
		var got []string
		for _, d := range diagnostics {
			got = append(got, d.Reason)
		}
		require.Equal(t, c.want, got)
	}
}

// TestSlipsOfYAML pins what is said of rules whose quotes and braces YAML takes for its own.
func TestSlipsOfYAML(t *testing.T) {
	const followed = "not valid YAML: something follows the end of a text or a bracket"
	for _, c := range []struct{ keys, reason, hint string }{
		{`when: "zone.kind == "exit""`, followed, `write when: zone.kind == "exit"`},
		{`when: 'zone.kind == 'exit''`, followed, `write when: zone.kind == 'exit'`},
		{`when: "zone.kind" == "exit"`, followed, `write when: zone.kind == "exit"`},
		{"when: item.paid\n    say: {product.name} passed {zone.name}", "not valid YAML: value is not allowed in this context",
			`write say: "{product.name} passed {zone.name}"`},
		{"when: item.paid\n    say: {product.name} is \"gone\"", "not valid YAML: value is not allowed in this context",
			`write say: '{product.name} is "gone"'`},
		{"when: item.paid\n    say: {product.name}", "say is not a text",
			`a message that begins with a brace goes in quotes: say: "{product.name} is here"`},
		{"when: item.paid\n    send: door-team, manager", `"door-team, manager" is not the name of a channel`, "write send: [door-team, manager]"},
		{"when: item.paid\n    send: Door Team", `"Door Team" is not the name of a channel`, "a name has 1 to 64 of a-z, 0-9 and -; write door-team"},
		{"when: item.paid\n    hold: 5 min", `hold: "5 min" is not a length of time`, "write 5m"},
		{"when: item.paid\n    hold: 2 Hours", `hold: "2 Hours" is not a length of time`, "write 2h"},
	} {
		_, diagnostics := Check("f", []byte("rules:\n  - name: a\n    "+c.keys+"\n"), Known{})
		require.Len(t, diagnostics, 1, c.keys)
		require.Equal(t, [2]string{c.reason, c.hint}, [2]string{diagnostics[0].Reason, diagnostics[0].Hint}, c.keys)
	}
	_, diagnostics := Check("f", []byte("rules:\n  - name: a\n    when:\n    - item.paid\n    - item.present\n"), Known{})
	require.Equal(t, "when is not a text", diagnostics[1].Reason)
	require.Contains(t, diagnostics[1].Hint, "join conditions with and")
}

// TestSlipsAreFoundFast searches the longest conditions that match as much as they can.
func TestSlipsAreFoundFast(t *testing.T) {
	limit := 10 * time.Millisecond
	if raceDetector {
		limit *= 20
	}
	for _, part := range []string{",", ")", "((((,", "1,2 ", "in (", "a is b ", "== a ", "5 m(", "“", "zone.id is ", "not equal ", "a == b and < "} {
		source := strings.Repeat(part, MaxCondition/len(part))
		took := time.Hour
		for range 3 { // the clock of a busy machine runs fast now and then
			begin := busy()
			findSlip(source)
			took = min(took, busy()-begin)
		}
		t.Logf("%-14q %s", part, took)
		require.Less(t, took, limit, part)
	}
}
