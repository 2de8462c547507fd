package rules

import (
	"errors"
	"fmt"
	"lintel/rules/hours"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Limit is how many alerts of a rule are told in a length of time; what goes beyond becomes part of
// one alert that says how many.
type Limit struct {
	N   int           // 0: no limit is written
	Per time.Duration // counted from the first alert that was told
}

func (l Limit) String() string {
	if l.N == 0 {
		return ""
	}
	return fmt.Sprintf("%d per %s", l.N, l.Per)
}

// Storm is the limit of rules that have none of their own, in a document without storm.
var Storm = Limit{N: 100, Per: 10 * time.Minute}

// What alerts of a rule are gathered by.
const (
	ByRule    = "rule" // all that come together
	ByZone    = "zone" // those at one zone
	ByFrom    = "from" // those that came from one zone
	ByProduct = "product"
)

// Limits of what keeps rules from making noise.
const (
	MaxLimit    = 10_000
	MaxNeeds    = 1000
	minRemind   = time.Minute
	minEscalate = 10 * time.Second
	minPer      = 10 * time.Second
)

var limitForm = regexp.MustCompile(`^(\d{1,6}) (?:per|in) (\S+)$`)

// parseLimit reads "5 per 1h".
func parseLimit(text string) (Limit, error) {
	m := limitForm.FindStringSubmatch(strings.Join(strings.Fields(text), " "))
	if m == nil {
		return Limit{}, fmt.Errorf("%q is not a number of alerts in a length of time", text)
	}
	n, _ := strconv.Atoi(m[1]) // at most six digits
	per, reason, _ := hours.PeriodWithin(m[2], minPer, MaxPeriod)
	switch {
	case n < 1 || n > MaxLimit:
		return Limit{}, fmt.Errorf("the number is %d, it goes from 1 to %d", n, MaxLimit)
	case reason != "":
		return Limit{}, errors.New(reason)
	}
	return Limit{n, per}, nil
}

const limitHint = "write for instance 5 per 1h"

// noise reads the keys that say when and how often people are told.
func (c *setCompiler) noise(rt *ruleText, r *Rule) {
	r.GatherBy = c.choice("gather_by", ByRule, []string{ByRule, ByZone, ByFrom, ByProduct})
	if s := rt.text("gather_by"); s != nil && r.Gather == 0 {
		c.errorAt(s, "gather_by without gather", "write gather: 5s, for how long alerts may join the first one")
	}
	if s := rt.text("needs"); s != nil {
		if text, ok := c.resolve(s, paramWhole); ok {
			n, err := strconv.Atoi(text)
			switch {
			case err != nil || n < 2 || n > MaxNeeds:
				c.errorAt(s, fmt.Sprintf("needs is %s", text), fmt.Sprintf("it is a whole number from 2 to %d: how "+
					"many must come together before anybody is notified", MaxNeeds))
			case r.Gather == 0:
				c.errorAt(s, "needs without gather", "write gather: 1m, within which so many must come together")
			default:
				r.Needs = n
			}
		}
	}
	if s := rt.text("limit"); s != nil {
		var err error
		if r.Limit, err = parseLimit(s.text); err != nil {
			c.errorAt(s, "limit: "+err.Error(), limitHint)
		}
	}
	r.Quiet = c.period("quiet")
	r.Remind, r.Escalate = c.period("remind"), c.period("escalate")
	for _, k := range []struct {
		key   string
		d     time.Duration
		least time.Duration
	}{{"remind", r.Remind, minRemind}, {"escalate", r.Escalate, minEscalate}} {
		if s := rt.text(k.key); s != nil && k.d != 0 && k.d < k.least {
			c.errorAt(s, fmt.Sprintf("%s is %s", k.key, k.d), fmt.Sprintf("it is at least %s, so that nobody stops reading", k.least))
		}
	}
	r.EscalateTo = c.channelList("escalate_to")
	switch to := rt.fields["escalate_to"]; {
	case r.Escalate > 0 && to == nil:
		c.errorAt(rt.text("escalate"), "escalate without escalate_to",
			"write escalate_to: [manager], whom to notify when nobody acknowledged in time")
	case r.Escalate == 0 && to != nil && rt.fields["escalate"] == nil:
		c.Add(Diagnostic{Line: rt.line, Column: rt.column, Reason: "escalate_to without escalate",
			Hint: "write escalate: 10m, after how long they are notified", Rule: rt.name()})
	}
	c.noiseWarnings(rt, r)
}

// noiseWarnings warns of keys that have no effect together.
func (c *setCompiler) noiseWarnings(rt *ruleText, r *Rule) {
	if s := rt.text("hold"); s != nil && r.Windows != nil && r.Hold >= r.Windows.Longest() && r.Hold > 0 && !r.HoldOpen {
		c.warnAt(s, fmt.Sprintf("hold is %s, and no window of its hours is longer than %s", r.Hold, r.Windows.Longest()),
			"the alert opens only when the next window begins; make the hold shorter or the hours longer")
	}
	if s := rt.text("escalate"); s != nil && r.Escalate > 0 && len(r.EscalateTo) > 0 &&
		!slices.ContainsFunc(r.EscalateTo, func(ch string) bool { return !slices.Contains(r.Send, ch) }) {
		c.warnAt(s, "escalate_to names only channels that are notified at once", "name somebody else, or use remind")
	}
	for _, key := range []string{"remind", "escalate"} {
		if s := rt.text(key); s != nil && r.Mode == ModeWatch {
			c.warnAt(s, key+" has no effect while the rule is only watched", "")
		}
	}
	if s := rt.text("remind"); s != nil && len(r.Send) == 0 && !rt.alternative("send") {
		c.warnAt(s, "remind has nobody to remind", "write send: and the channels")
	}
}

// storm reads the document's limit for rules without one of their own.
func (c *setCompiler) storm(doc *Document) Limit {
	if doc.storm == nil {
		return Storm
	}
	l, err := parseLimit(doc.storm.text)
	if err != nil {
		c.addAt(*doc.storm, Diagnostic{Reason: "storm: " + err.Error(), Hint: "write for instance 100 per 10m"})
		return Storm
	}
	return l
}
