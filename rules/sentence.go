package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/expr-lang/expr/ast"

	"lintel/engine/event"
	"lintel/rules/hours"
)

// yesNo says in words what a name that is yes or no says, and its opposite. A name that is not here
// takes its meaning.
var yesNo = map[string][2]string{
	"item.paid":         {"it is paid for", "it is not paid for"},
	"item.sellable":     {"it could be sold now", "it could not be sold now"},
	"item.foreign":      {"the tag is not this shop's", "the tag is this shop's"},
	"item.registered":   {"its product is known", "its product is not known"},
	"item.home":         {"it is where its product belongs", "it is not where its product belongs"},
	"item.present":      {"it is in the shop", "it is not heard in the shop"},
	"product.known":     {"the product is in the product list", "the product is not in the product list"},
	"zone.selling":      {"goods are sold where it is", "no goods are sold where it is"},
	"from.selling":      {"goods are sold where it was before", "no goods are sold where it was before"},
	"stock.has_minimum": {"a minimum is set", "no minimum is set"},
	"stock.has_maximum": {"a maximum is set", "no maximum is set"},
	"passage.sure":      {"the passage is sure", "the passage is only likely"},
	"site.open":         {"the shop is open", "the shop is closed"},
	"count.delivery":    {"it checked a delivery", "it checked no delivery"},
}

// nouns say in words what a name stands for. A name that is not here is read as its words:
// "product.price" is the product's price.
var nouns = map[string]string{
	"cause": "what just happened", "stock.count": "the stock there", "stock.minimum": "the minimum", "stock.maximum": "the maximum",
	"stock.backroom": "the stock in stockrooms", "stock.total": "the stock of the whole shop", "stock.short": "what is missing to the minimum",
	"product.home_zones": "the zones where the product belongs", "reader.silent_seconds": "the reader's silence",
	"count.expected": "the number of items expected", "count.found": "the number found", "count.missing": "the number not found",
	"count.unexpected": "the number found unexpectedly", "count.short": "the number of pieces short",
	"count.over": "the number of pieces too many", "count.wrong": "the number of pieces of other products",
	"near.seconds": "the time near the door", "near.door": "the door it lingers near", "items.count": "the number of items there",
	"items.came": "the number that came", "items.went": "the number that went", "items.oldest_seconds": "the time that the oldest has been there",
	"at.hour": "the hour", "at.minute": "the minute", "at.minute_of_day": "the minute of the day", "at.weekday": "the weekday",
	"at.date": "the date", "zone.id": "the zone", "from.id": "the zone before", "site.id": "the shop", "passage.door": "the door",
	"from.kind": "the kind of the zone before", "from.name": "the name of the zone before", "from.storey": "the storey before",
}

func noun(name string) string {
	if n := nouns[name]; n != "" {
		return n
	}
	if attribute, ok := strings.CutPrefix(name, attributePrefix); ok {
		return "the product's " + attribute
	}
	group, rest, _ := strings.Cut(name, ".")
	return "the " + group + "'s " + strings.ReplaceAll(rest, "_", " ")
}

// plain writes a condition in words.
type plain struct {
	*parsed
	source []rune
}

// words writes a part of a condition; no says that its opposite is meant.
func (w plain) words(n ast.Node, no bool) string {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		e, _ := lookup(n.Value)
		if said, ok := yesNo[n.Value]; ok {
			return map[bool]string{false: said[0], true: said[1]}[no]
		}
		return map[bool]string{true: "it is not so that "}[no] + e.Meaning
	case *ast.UnaryNode:
		if n.Operator == "not" {
			return w.words(n.Node, !no)
		}
	case *ast.BinaryNode:
		switch {
		case w.leaves[n]:
			from, _ := literalNumber(n.Left.(*ast.BinaryNode).Right)
			to, _ := literalNumber(n.Right.(*ast.BinaryNode).Right)
			return fmt.Sprintf("the time of day is %sfrom %s to %s", map[bool]string{true: "not "}[no], clock(from), clock(to))
		case n.Operator == "and" || n.Operator == "or":
			operator := n.Operator
			if no { // not (a and b) is not a or not b
				operator = map[string]string{"and": "or", "or": "and"}[operator]
			}
			var parts []string
			for _, side := range sides(n, n.Operator, w.leaves) {
				part := w.words(side, no)
				if b, ok := inner(side).(*ast.BinaryNode); ok && !w.leaves[b] && (b.Operator == "and" || b.Operator == "or") {
					part = "(" + part + ")"
				}
				parts = append(parts, part)
			}
			return enumerate(parts, operator)
		}
		if said := w.comparison(n, no); said != "" {
			return said
		}
	}
	from, to := w.span(n)
	return "`" + strings.Join(strings.Fields(string(w.source[from:min(to, len(w.source))])), " ") + "` is " +
		map[bool]string{false: "true", true: "false"}[no]
}

// inner is a part without the nots before it.
func inner(n ast.Node) ast.Node {
	for {
		u, ok := n.(*ast.UnaryNode)
		if !ok || u.Operator != "not" {
			return n
		}
		n = u.Node
	}
}

// opposites are the comparisons that are true where another is false.
var opposites = map[string]string{"==": "!=", "!=": "==", "<": ">=", ">=": "<", ">": "<=", "<=": ">"}

// turned are the comparisons with their sides exchanged.
var turned = map[string]string{"==": "==", "!=": "!=", "<": ">", ">": "<", "<=": ">=", ">=": "<="}

// verbs say a comparison in words, and its opposite where it has no sign of its own.
var verbs = map[string][2]string{
	"==": {"is"}, "!=": {"is not"}, "<": {"is less than"}, ">": {"is more than"}, "<=": {"is at most"}, ">=": {"is at least"},
	"contains": {"contains", "does not contain"}, "startsWith": {"begins with", "does not begin with"},
	"endsWith": {"ends with", "does not end with"}, "matches": {"matches the pattern", "does not match the pattern"},
}

// comparison writes a comparison of a name, "" if there is none.
func (w plain) comparison(n *ast.BinaryNode, no bool) string {
	left, right, operator := n.Left, n.Right, n.Operator
	if list, ok := right.(*ast.IdentifierNode); ok && operator == "in" {
		e, _ := lookup(list.Value)
		return w.value(e, left) + map[bool]string{false: " is among ", true: " is not among "}[no] + noun(list.Value)
	}
	if _, ok := left.(*ast.IdentifierNode); !ok && turned[operator] != "" {
		left, right, operator = right, left, turned[operator]
	}
	id, ok := left.(*ast.IdentifierNode)
	if !ok {
		return ""
	}
	e, _ := lookup(id.Value)
	if id.Value == "cause" && !no {
		if said := happened(operator, right); said != "" {
			return said
		}
	}
	if no && opposites[operator] != "" {
		operator, no = opposites[operator], false
	}
	if operator == "in" {
		list, isList := right.(*ast.ArrayNode)
		if !isList {
			value := w.value(e, right)
			return noun(id.Value) + map[bool]string{false: " is one of ", true: " is none of "}[no] + value
		}
		var values []string
		for _, v := range list.Nodes {
			values = append(values, w.value(e, v))
		}
		if no {
			return noun(id.Value) + " is not " + enumerate(values, "or")
		}
		return noun(id.Value) + " is " + enumerate(values, "or")
	}
	verb, ok := verbs[operator]
	if !ok {
		return ""
	}
	said := verb[0]
	if no {
		said = verb[1]
	}
	if s, isText := right.(*ast.StringNode); isText && s.Value == "" && w.constants[right] == "" && (operator == "==" || operator == "!=") {
		return noun(id.Value) + " " + said + " empty"
	}
	return noun(id.Value) + " " + said + " " + w.value(e, right)
}

// happened writes a comparison of the cause: what happened.
func happened(operator string, n ast.Node) string {
	nodes := []ast.Node{n}
	if list, ok := n.(*ast.ArrayNode); ok && operator == "in" {
		nodes = list.Nodes
	} else if operator != "==" {
		return ""
	}
	var said []string
	for _, n := range nodes {
		s, ok := n.(*ast.StringNode)
		if !ok {
			return ""
		}
		meaning := event.Causes.Meaning(s.Value)
		if meaning == "" {
			return ""
		}
		said = append(said, meaning)
	}
	if len(said) > 1 {
		return "either " + enumerate(said, "or")
	}
	return enumerate(said, "or")
}

// value writes what a name is compared with.
func (w plain) value(e *entry, n ast.Node) string {
	said := ""
	switch v := n.(type) {
	case *ast.IdentifierNode:
		return noun(v.Value)
	case *ast.StringNode:
		if said = v.Value; !isWord(said) {
			said = strconv.Quote(said)
		}
	default:
		number, ok := literalNumber(n)
		if !ok {
			from, to := w.span(n)
			return "`" + strings.Join(strings.Fields(string(w.source[from:min(to, len(w.source))])), " ") + "`"
		}
		said = strconv.FormatFloat(number, 'g', -1, 64)
		switch e.Unit {
		case "seconds":
			said = hours.FormatPeriod(time.Duration(math.Min(math.Max(number, 0), 1e9) * float64(time.Second)))
		case "dBm":
			said += " dBm"
		}
	}
	if name := w.constants[n]; name != "" {
		said += " (" + name + ")"
	}
	return said
}

// isWord reports whether a text is read well without quotes.
func isWord(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_") == ""
}

func clock(minutes float64) string {
	return fmt.Sprintf("%02d:%02d", int(minutes)/60, int(minutes)%60)
}

// enumerate joins parts: "a, b and c".
func enumerate(parts []string, last string) string {
	if len(parts) < 2 {
		return strings.Join(parts, "")
	}
	return strings.Join(parts[:len(parts)-1], ", ") + " " + last + " " + parts[len(parts)-1]
}

// inWords writes a condition in words.
func (r *Rule) inWords(condition, about string) string {
	r.lang.mu.Lock()
	defer r.lang.mu.Unlock()
	p := r.lang.lang.parse(condition, about)
	return plain{p, []rune(condition)}.words(p.root, false)
}

// Sentence says in ordinary words what the rule does: what it looks at, when an alert opens, and who
// is notified. It is made from the compiled rule, with the values that params have here.
func (r *Rule) Sentence() string {
	var b strings.Builder
	say := func(format string, args ...any) {
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, format, args...)
	}
	length := hours.FormatPeriod
	switch r.Mode {
	case ModeOff:
		say("Switched off.")
	case ModeWatch:
		say("Only watched: recorded, and nobody is notified.")
	}
	what := map[string]string{event.AboutItem: "item", event.AboutStock: "product in each place", event.AboutReader: "read point",
		event.AboutCount: "count that is closed"}[r.About]
	if what == "" {
		what = r.About
	}
	if r.Tally != nil && r.Tally.Items != "" {
		what += ", of the items of which " + r.inWords(r.Tally.Items, event.AboutItem)
	}
	if r.Tally != nil && r.Tally.Within > 0 {
		what += ", within " + length(r.Tally.Within)
	}
	stays := ""
	if r.Hold > 0 && r.About != event.AboutCount {
		stays = ", for " + spell(r.Hold, r.HoldOpen) + " on end"
	}
	during := ""
	switch {
	case r.Windows != nil:
		during = ", " + r.Hours + " only"
	case r.Hours == HoursOpen:
		during = ", in opening hours only"
	case r.Hours == HoursClosed:
		during = ", outside opening hours only"
	}
	when := ""
	switch q := r.Sequence; {
	case q == nil:
		when = r.inWords(r.When, r.About)
	case r.Absent():
		when = r.inWords(q.First, r.About) + ", and for " + spell(q.Within, q.Open) + " after that it is never true that " + r.inWords(q.Unless, r.About)
	default:
		when = "first " + r.inWords(q.First, r.About) + " and then, within " + spell(q.Within, q.Open) + ", " + r.inWords(r.When, r.About)
		if q.Unless != "" {
			when += ", and in between it is never true that " + r.inWords(q.Unless, r.About)
		}
	}
	say("For each %s%s: when %s%s, %s.", what, during, when, stays, r.Choice.sent())
	for i, a := range r.But {
		say("%s %s: %s.", map[bool]string{true: "But when", false: "Else when"}[i == 0], r.inWords(a.When, r.About), a.sent()+map[bool]string{true: ", with words of its own"}[a.Sets("say")])
	}
	if r.Gather > 0 {
		by := map[string]string{ByZone: " in one zone", ByFrom: " from one zone", ByProduct: " of one product"}[r.GatherBy]
		say("What comes within %s%s is one alert.", length(r.Gather), by)
	}
	if r.Needs > 0 {
		say("Only if %d come together.", r.Needs)
	}
	if r.Limit.N > 0 {
		say("Beyond %d in %s they become one alert.", r.Limit.N, length(r.Limit.Per))
	}
	if r.Clear > 0 && r.About != event.AboutCount {
		say("It clears when that has not been so for %s.", length(r.Clear))
	}
	if r.Quiet > 0 {
		say("After somebody acknowledged or closed it there is none about the same for %s.", length(r.Quiet))
	}
	if r.Remind > 0 {
		say("It is sent again every %s until somebody acknowledges it.", length(r.Remind))
	}
	if r.Escalate > 0 {
		is := map[bool]string{true: "is", false: "are"}[len(r.EscalateTo) == 1]
		say("If nobody acknowledges it for %s, %s %s notified too.", length(r.Escalate), enumerate(r.EscalateTo, "and"), is)
	}
	return b.String()
}

// spell writes a length of time, of opening hours alone or by the clock.
func spell(d time.Duration, open bool) string {
	return hours.FormatPeriod(d) + map[bool]string{true: " of opening hours"}[open]
}

// sent says how an alert is sent.
func (c *Choice) sent() string {
	said := "an alert opens"
	switch c.Severity {
	case Urgent:
		said = "an urgent alert opens"
	case Info:
		said = "an alert for information opens"
	}
	switch to := slices.Clone(c.Send); len(to) {
	case 0:
		return said + " and nobody is notified"
	case 1:
		return said + " and " + to[0] + " is notified"
	default:
		return said + " and " + enumerate(to, "and") + " are notified"
	}
}
