package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/expr-lang/expr/parser/lexer"
)

// canonical is a word of a condition without regard to the spelling of operators.
func canonical(w lexer.Token) string {
	switch w.Value {
	case "&&":
		return "and"
	case "||":
		return "or"
	case "!":
		return "not"
	}
	return w.Value
}

// digest hashes what the rule means. Words of the condition are compared one by one, so that
// blanks, comments and the spelling of operators do not count.
func (r *Rule) digest() {
	h := sha256.New()
	field := func(key string, values ...string) {
		for _, v := range values {
			fmt.Fprintf(h, "%s %d:%s\n", key, len(v), v)
		}
	}
	condition := func(key string, c *clause) {
		for _, w := range c.words {
			field(key, string(w.Kind), canonical(w))
		}
	}
	says := func(c *Choice) {
		for _, tag := range slices.Sorted(maps.Keys(c.Says)) {
			field("say", tag, c.Says[tag])
		}
	}
	field("about", r.About)
	condition("when", &r.clause)
	if q := r.Sequence; q != nil {
		condition("first", &q.first)
		condition("unless", &q.unless)
		field("within", q.Within.String(), strconv.FormatBool(q.Open), q.Same)
	}
	when := r.Hours
	if r.Windows != nil {
		when = fmt.Sprint(r.Windows)
	}
	for _, name := range r.params {
		field("param", name, r.given.values[strings.TrimPrefix(name, paramPrefix)].text)
	}
	field("time", r.Hold.String(), r.Clear.String(), when)
	if r.HoldOpen {
		field("hold", HoursOpen)
	}
	if r.Needs > 0 {
		field("needs", strconv.Itoa(r.Needs), r.Gather.String(), r.GatherBy)
	}
	if r.Tally != nil {
		field("items", r.Tally.Key)
	}
	r.ConditionDigest = hex.EncodeToString(h.Sum(nil)[:16])
	field("name", r.Name)
	field("rest", r.Gather.String(), string(r.Severity), r.Say, string(r.Mode))
	field("send", r.Send...)
	if r.Gather > 0 && r.GatherBy != ByRule {
		field("gather_by", r.GatherBy)
	}
	if r.Limit.N > 0 {
		field("limit", r.Limit.String())
	}
	if r.Quiet > 0 || r.Remind > 0 || r.Escalate > 0 {
		field("noise", r.Quiet.String(), r.Remind.String(), r.Escalate.String())
		field("escalate_to", r.EscalateTo...)
	}
	says(&r.Choice)
	for _, a := range r.But {
		field("but", string(a.Severity), a.Say)
		condition("when", &a.clause)
		field("send", a.Send...)
		says(&a.Choice)
	}
	r.Digest = hex.EncodeToString(h.Sum(nil)[:16])
}
