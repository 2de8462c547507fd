package rules

import (
	"slices"

	"lintel/engine/event"
)

// Key describes one member of a rule, for who writes one.
type Key struct {
	Name    string   `json:"name"`
	Meaning string   `json:"meaning"`          // one line
	Values  []string `json:"values,omitempty"` // those that it can have, or that are common
}

// Function describes functions that conditions may call.
type Function struct {
	Call    string `json:"call"`    // as written: "lower(x), upper(x), trim(x)"
	Meaning string `json:"meaning"` // one line
}

var keys = []Key{
	{"name", "what the rule is called: 1 to 64 of a-z, 0-9 and -", nil},
	{"about", "of what the condition speaks; item if it is left out", event.RuleSubjects.Texts()},
	{"when", "the condition", nil},
	{"hold", "the condition must stay true for so long first; 4h open counts opening hours only", []string{"30s", "10m", "4h open"}},
	{"clear", "the condition must stay false for so long before the alert clears", []string{"1m", "10m"}},
	{"gather", "alerts that open within so long of a first one become part of it", []string{"5s", "1m"}},
	{"gather_by", "which alerts are gathered into one", []string{ByRule, ByZone, ByFrom, ByProduct}},
	{"needs", "with gather: nobody is notified unless so many come together", nil},
	{"limit", "so many alerts are sent one by one; what goes beyond becomes one alert", []string{"5 per 1h"}},
	{"quiet", "after somebody acknowledged or closed an alert, the same thing raises none for so long", []string{"2h"}},
	{"remind", "an open alert is sent again each time so long has passed, until somebody acknowledges it", []string{"4h"}},
	{"escalate", "nobody acknowledged it for so long: the channels of escalate_to are notified", []string{"5m"}},
	{"escalate_to", "channels that are notified when nobody acknowledged the alert in time", nil},
	{"items", "of a rule about a zone: which items count", nil},
	{"first", "what must be true before the condition", nil},
	{"within", "how long after first the condition counts; about a zone: how far items.came and items.went look back", []string{"10m", "2h open"}},
	{"unless", "what calls it off after first", nil},
	{"same", "what first and when are about together", []string{SameItem, SameProduct}},
	{"severity", "how pressing an alert is; warning if it is left out", []string{string(Info), string(Warning), string(Urgent)}},
	{"hours", "when the rule notifies; always if it is left out", []string{HoursAlways, HoursOpen, HoursClosed, "mon-fri 09:00-18:00"}},
	{"say", "the message, with names in braces, or one for each language", nil},
	{"send", "channels that are notified; nobody if it is left out", nil},
	{butKey, "alternatives for severity, say and send, each with a condition", nil},
	{"mode", "live, watch (recorded, nobody is notified) or off; live if it is left out", []string{string(ModeLive), string(ModeWatch), string(ModeOff)}},
}

var ruleKeys = func() (names []string) {
	for _, k := range keys {
		names = append(names, k.Name)
	}
	return names
}()

// Keys returns the members that a rule may have. The caller owns the slice but not what its elements
// share.
func Keys() []Key { return slices.Clone(keys) }

var functionMeanings = []Function{
	{"len(x)", "characters of a text, elements of a list"},
	{"lower(x), upper(x), trim(x)", "a text in lower case, in upper case, without blanks at its ends"},
	{"abs(x), round(x), floor(x), ceil(x)", "of a number"},
	{"number(x)", "a text such as an attribute as a number, 0 if it is none: `number(product.attributes.pages) > 300`"},
	{"min(x, y), max(x, y)", "the smaller, the larger of numbers"},
	{`time_between("22:00", "06:00")`, "the time of day is at or after the first and before the second; may pass midnight"},
	{"any(list, # ...), all(...), none(...), one(...)", "the condition, with # for the element, holds for some, " +
		"every, no, exactly one element"},
	{"count(list, # ...)", "for how many elements it holds"},
	{"filter(list, # ...), map(list, # ...)", "the elements for which it holds; what it makes of each element"},
}

// FunctionMeanings returns what the functions of conditions do.
func FunctionMeanings() []Function { return slices.Clone(functionMeanings) }
