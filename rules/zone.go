package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser/lexer"

	"lintel/engine/event"
	"lintel/rules/hours"
)

// Limits of within: how far items.came and items.went look back.
const (
	minWithin = 10 * time.Second
	maxWithin = 24 * time.Hour
)

// The names of a rule about a zone that ask what came, went, and has been there for long.
const (
	cameName   = "items.came"
	wentName   = "items.went"
	oldestName = "items.oldest_seconds"
)

// Tally is what a rule about a zone counts there. Rules with the same Key count the same.
type Tally struct {
	Key    string        // the words of Items and Within: equal for what counts alike
	Items  string        // which items of the zone count, as written; "": all items of known products
	Within time.Duration // how long items.came and items.went look back; 0: neither is read
	Cost   int           // of finding out whether an item counts, at worst, in the unit of MaxCost
	Wordy  bool          // Items asks for the item's identity in words
	// Ages are the values of items.oldest_seconds at which the condition can change, in milliseconds.
	// AnyAge says that it can change at others, too.
	Ages   []int64
	AnyAge bool
	Clock  bool // the condition changes with the time of day, or when the shop opens and closes
	Minute bool // and with each minute of it

	filter *condition // nil: all items of known products
}

// OldestMatters reports whether the rule asks how long the oldest item has been there.
func (t *Tally) OldestMatters() bool { return t.AnyAge || len(t.Ages) > 0 }

// InZone reports whether the condition can be true in a zone: it asks for no other zone's id or kind.
func (r *Rule) InZone(id, kind string) bool {
	for name, is := range map[string]string{"zone.id": id, "zone.kind": kind} {
		if p := find(r.pins, name); p != nil && !slices.Contains(p.values, is) {
			return false
		}
	}
	return true
}

// Counts reports whether an item counts for a rule about the zone that it is in. Env is that of the
// item; of it only Item and Product are looked at.
func (e *Evaluator) Counts(r *Rule, env *Env) bool {
	if r.Tally.filter == nil {
		return env.Item.Registered
	}
	yes, err := e.run(r.Tally.filter, env)
	return yes && err == nil // nothing that is allowed in items fails
}

// tally reads the keys of rules about zones, and what the condition says of when to look at it.
func (c *setCompiler) tally(rt *ruleText, r *Rule, root ast.Node) {
	items, within := rt.text("items"), rt.text("within")
	if r.About != event.AboutZone {
		if items != nil {
			c.errorAt(items, fmt.Sprintf("items in a rule about %s", r.About), "it goes with about: zone")
		}
		return
	}
	t := &Tally{}
	r.Tally = t
	var words []lexer.Token
	if items != nil {
		t.Items = items.text
		words = c.filter(items, t)
		r.cost += 2 * t.Cost // as it was before, and as it is
	}
	moving := slices.Contains(r.uses, cameName) || slices.Contains(r.uses, wentName)
	switch {
	case within == nil && moving:
		c.errorAt(rt.text("when"), "items.came and items.went need a length of time",
			"write within: 10m beside when: how far back they look")
	case within != nil:
		if text, ok := c.resolve(within, paramPeriod); ok {
			d, reason, hint := hours.PeriodWithin(text, minWithin, maxWithin)
			if t.Within = d; reason != "" {
				c.errorAt(within, "within: "+reason, hint)
			}
		}
		if !moving {
			c.warnAt(within, "within has no effect without items.came or items.went", "")
		}
	}
	if root != nil {
		t.looks(root)
	}
	for _, name := range r.uses {
		t.Clock = t.Clock || strings.HasPrefix(name, "at.") || name == "site.open"
		t.Minute = t.Minute || name == "at.minute" || name == minutesOfName
	}
	slices.Sort(t.Ages)
	t.Ages = slices.Compact(t.Ages)
	var key strings.Builder
	for _, w := range words {
		v := canonical(w)
		fmt.Fprintf(&key, "%s:%d:%s ", w.Kind, len(v), v)
	}
	fmt.Fprintf(&key, "%d", t.Within.Milliseconds())
	t.Key = key.String()
}

// filter compiles the condition that says which items count, and returns its words.
func (c *setCompiler) filter(s *scalar, t *Tally) []lexer.Token {
	p := c.lang.parse(s.text, event.AboutItem)
	if !p.failed() {
		p.plain(p.root)
	}
	for _, name := range p.uses {
		c.slots.of(name)
	}
	t.Wordy = InIdentity(p.uses)
	if !p.failed() {
		var err error
		if t.filter, err = c.lang.compile(p, p.root, c.slots, true); err != nil {
			p.translate(err, s.text)
		}
		t.Cost = p.cost
		if p.always != nil {
			p.warn(file.Location{To: p.length}, fmt.Sprintf("items is always %t", *p.always), "say which items count, such as item.sellable")
		}
	}
	c.problems(s, &p.guard)
	return p.tokens
}

// plain refuses what a condition on which items count can't have: names that belong to a moment
// rather than to an item, and list functions, since it is evaluated for every item that moves.
func (p *parsed) plain(n ast.Node) {
	from, to := p.span(n)
	at := file.Location{From: from, To: to}
	switch n := n.(type) {
	case *ast.IdentifierNode:
		if e, _ := lookup(n.Value); e != nil && !strings.HasPrefix(n.Value, "item.") && !strings.HasPrefix(n.Value, "product.") {
			p.fail(at, fmt.Sprintf("%s says nothing of an item that lies there", n.Value),
				"items asks for what begins with item. or product.; put the rest into when")
		}
		if strings.HasPrefix(n.Value, "item.days_") {
			p.fail(at, n.Value+" grows with each day, and items are counted when something happens to them",
				"write a rule about items with it")
		}
	case *ast.PredicateNode:
		p.fail(at, "list functions are not available in items", "compare with ==, or with in and a list")
		return
	}
	if p.leaves[n] {
		p.fail(at, withinName+" says nothing of an item that lies there", "put it into when")
		return
	}
	for _, c := range children(n) {
		p.plain(c)
	}
}

// looks finds the ages of the oldest item at which the condition can change.
func (t *Tally) looks(n ast.Node) {
	if b, ok := n.(*ast.BinaryNode); ok {
		for _, side := range [][2]ast.Node{{b.Left, b.Right}, {b.Right, b.Left}} {
			id, isName := side[0].(*ast.IdentifierNode)
			v, isNumber := literalNumber(side[1])
			if isName && isNumber && id.Value == oldestName && !slices.Contains([]string{"+", "-", "*", "/", "%"}, b.Operator) {
				if v >= 0 && v < maxAge {
					t.Ages = append(t.Ages, int64(math.Ceil(v*1000)))
				}
				return
			}
		}
	}
	if id, ok := n.(*ast.IdentifierNode); ok && id.Value == oldestName {
		t.AnyAge = true
	}
	for _, c := range children(n) {
		t.looks(c)
	}
}

// maxTallies is how many zones all rules of a document may count in together, where a rule that is bound
// to no zone's id counts in manyZones.
const (
	maxTallies = 40_000
	manyZones  = 200
)

// limitTallies bounds what a site keeps for rules about zones.
func (c *setCompiler) limitTallies(rules []*Rule) {
	left := maxTallies
	for _, r := range rules {
		if r.Tally == nil || left < 0 {
			continue
		}
		zones := manyZones
		if p := find(r.pins, "zone.id"); p != nil {
			zones = min(zones, len(p.values))
		}
		if left -= zones; left < 0 {
			c.Add(Diagnostic{Line: r.Line, Column: 1, Rule: r.Name,
				Reason: fmt.Sprintf("the rules about zones count in more than %d places together", maxTallies),
				Hint:   fmt.Sprintf(`bind rules to zones with zone.id == "till": one that is bound to none counts for %d`, manyZones)})
		}
	}
}

// maxAge is how many seconds of age matter: ten years.
const maxAge = 10 * 366 * 24 * 3600
