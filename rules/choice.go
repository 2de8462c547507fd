package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"lintel/rules/doc"
)

// A rule says how pressing its alerts are, in which words, and who is notified. Under but it has
// alternatives, each with a condition of its own: the first one that is true when an alert opens
// replaces what it names, and the rest stays as the rule has it.

// Limits of alternatives and of languages.
const (
	MaxAlternatives = 10 // of one rule
	MaxLanguages    = 20 // of one message
)

const (
	butKey     = "but"
	defaultKey = "default"
)

var butKeys = []string{"when", "severity", "say", "send"}

// Choice is how an alert is sent: what an alternative of a rule can replace.
type Choice struct {
	Severity Severity
	Say      string            // the message as written; in several languages: the default one
	Says     map[string]string // the message in other languages, by tag in lower case
	Send     []string

	message  []piece
	messages map[string][]piece // by language, of Says
}

// in returns the message in a language: the one of the tag, else of a wider one, else the default.
func (c *Choice) in(language string) []piece {
	for tag := language; tag != "" && c.messages != nil; {
		if m, ok := c.messages[tag]; ok {
			return m
		}
		tag = tag[:max(0, strings.LastIndexByte(tag, '-'))]
	}
	return c.message
}

// Alternative is one entry under but: what holds in place of the rule's own where its condition is
// true.
type Alternative struct {
	clause
	Choice
	Line int
	sets []string // the keys that it has
}

// Sets reports whether the alternative has a key of its own: severity, say or send.
func (a *Alternative) Sets(key string) bool { return slices.Contains(a.sets, key) }

// Chosen returns how an alert is sent for which the alternative n was taken, counted from 1; the
// rule's own for 0, and for a number that the rule does not have.
func (r *Rule) Chosen(n int) *Choice {
	if n < 1 || n > len(r.But) {
		return &r.Choice
	}
	return &r.But[n-1].Choice
}

// More reports whether s is more pressing than t.
func (s Severity) More(t Severity) bool {
	return slices.Index(severities, s) > slices.Index(severities, t)
}

var severities = []Severity{Info, Warning, Urgent}

// Severities returns the severities of rules, the least pressing first.
func Severities() []string { return []string{string(Info), string(Warning), string(Urgent)} }

// Choose returns which alternative of the rule is taken in env: the number of the first that is
// true, from 1, 0 for none. One that fails is passed over; the first failure is returned too, as a
// *RunError.
func (e *Evaluator) Choose(r *Rule, env *Env) (n int, failed error) {
	e.steps = 0
	for i := range r.But {
		c := &r.But[i].clause
		ok, err := e.goOn(c.condition, env)
		if err != nil && failed == nil {
			failed = r.runError(c, err)
		}
		if ok && err == nil {
			return i + 1, failed
		}
	}
	return 0, failed
}

// WhyChoice explains which alternative of a rule is taken.
type WhyChoice struct {
	Taken    int      `json:"taken"` // its number, from 1; 0: none is, so that what the rule itself says holds
	Severity Severity `json:"severity"`
	Send     []string `json:"send,omitempty"`
	Parts    []*Why   `json:"parts"` // the conditions of the alternatives, up to the one that is taken
}

// whyChoice explains what Choose answers.
func (e *Evaluator) whyChoice(r *Rule, env *Env) *WhyChoice {
	if len(r.But) == 0 {
		return nil
	}
	w := &WhyChoice{}
	for i := range r.But {
		part := e.explain(r, &r.But[i].clause, r.But[i].tree, env)
		w.Parts = append(w.Parts, part)
		if part.Value && part.Error == "" {
			w.Taken = i + 1
			break
		}
	}
	c := r.Chosen(w.Taken)
	w.Severity, w.Send = c.Severity, c.Send
	return w
}

// alternative reports whether an alternative of the rule has a key.
func (r *ruleText) alternative(key string) bool {
	f := r.fields[butKey]
	return f != nil && slices.ContainsFunc(f.entries, func(a *ruleText) bool { return a.fields[key] != nil })
}

// alternatives reads the value of but: a list, or one alternative.
func (p *docParser) alternatives(n *doc.Node, rt *ruleText) *field {
	f := &field{isList: true}
	items := []*doc.Node{n}
	const hint = "write a list, each entry with - when: and what then holds: severity, say or send"
	switch {
	case n.Kind == doc.Sequence:
		items = n.Items
	case n.Kind != doc.Mapping:
		p.AddAt(n, Diagnostic{Reason: "but is not a list of alternatives", Hint: hint, Rule: rt.name()})
		return nil
	}
	if len(items) > MaxAlternatives {
		p.AddAt(items[MaxAlternatives], Diagnostic{Reason: fmt.Sprintf("the rule has more than %d alternatives", MaxAlternatives),
			Hint: "split it into several rules", Rule: rt.name()})
		return nil
	}
	for _, item := range items {
		alternative := &ruleText{place: place{item.Line, item.Column}, fields: make(map[string]*field), of: rt}
		p.keys(item, alternative, butKeys, "an alternative", hint)
		f.entries = append(f.entries, alternative)
	}
	return f
}

// keys reads the keys of a rule or of one of its alternatives.
func (p *docParser) keys(n *doc.Node, rt *ruleText, allowed []string, what, hint string) bool {
	whole := what
	if rt.of == nil {
		whole = "this entry"
	}
	return p.mapping(n, whole, hint, func(key scalar, value *doc.Node) {
		if !slices.Contains(allowed, key.text) {
			hint := doc.Suggest(key.text, allowed, what+" has the keys "+strings.Join(allowed, ", "))
			p.addAt(key, Diagnostic{Reason: fmt.Sprintf("unknown key %q", key.text), Hint: hint, Rule: rt.name()})
			return
		}
		if len(rt.fields) == 0 {
			rt.place = place{key.line, key.col}
		}
		if f := p.field(key, value, rt); f != nil {
			rt.fields[key.text] = f
		}
	})
}

// languages reads a message in several languages.
func (p *docParser) languages(n *doc.Node, rt *ruleText) *field {
	f := &field{isList: true, languages: make(map[string]scalar)}
	bad := func(at *doc.Node, reason, hint string) {
		p.AddAt(at, Diagnostic{Reason: reason, Hint: hint, Rule: rt.name()})
	}
	for _, e := range n.Fields {
		if e.Key.Kind != doc.Scalar || strings.Contains(e.Key.Text, ".") || e.Value == nil || e.Value.Kind == doc.Empty {
			bad(n, "say is not a text", `a message that begins with a brace goes in quotes: say: "{product.name} is here"`)
			return nil
		}
		tag, ok := e.Key.Text, true
		if tag != defaultKey {
			tag, ok = doc.Language(tag)
		}
		text, isText := p.scalar(e.Value)
		switch _, twice := f.languages[tag]; {
		case !ok:
			bad(e.Key, fmt.Sprintf("%q is not a language", e.Key.Text),
				"write the tag of a language, such as en, cy or pt-br, or default")
		case !isText:
			bad(e.Value, "the message is not a text", "put it in quotes, or after | on a line of its own")
		case twice:
			bad(e.Key, fmt.Sprintf("the language %s stands here twice", tag), "")
		case len(f.languages) > MaxLanguages:
			bad(e.Key, fmt.Sprintf("say has more than %d languages", MaxLanguages), "")
			return f
		default:
			f.languages[tag] = text
		}
	}
	if _, ok := f.languages[defaultKey]; !ok {
		bad(n, "say has no default", "write default: and the message for shops whose layout names no language, or another one")
	}
	return f
}

// say reads the message of the rule or alternative at hand; ok is false if it has none.
func (c *setCompiler) say(about string, known bool) (out Choice, ok bool) {
	f := c.current.fields["say"]
	if f == nil {
		return out, false
	}
	texts := map[string]scalar{defaultKey: f.value}
	if f.languages != nil {
		texts = f.languages
	}
	for _, tag := range slices.Sorted(maps.Keys(texts)) {
		s := texts[tag]
		var message []piece
		if known {
			message = c.template(&s, about)
		}
		if tag == defaultKey {
			out.Say, out.message = s.text, message
			continue
		}
		if out.Says == nil {
			out.Says, out.messages = make(map[string]string), make(map[string][]piece)
		}
		out.Says[tag], out.messages[tag] = s.text, message
	}
	return out, true
}

// but compiles the alternatives of a rule, and adds what they cost to it.
func (c *setCompiler) but(rt *ruleText, r *Rule, known bool) {
	f := rt.fields[butKey]
	if f == nil {
		return
	}
	defer func() { c.current = rt }()
	work := 0
	for _, entry := range f.entries {
		c.current = entry
		a := &Alternative{Choice: r.Choice, Line: entry.line}
		c.missing("when", `write when: and the condition under which this holds, such as not site.open`)
		if s := entry.text("when"); s != nil && known {
			a.clause = c.condition(s, r.About, func(p *parsed) {
				for _, pin := range both(slices.Clone(r.pins), pinsOf(p.root)) {
					if len(pin.values) == 0 && find(r.pins, pin.name) != nil {
						p.warn(pin.loc, "this alternative is never taken",
							"the rule's own condition asks for another value of "+pin.name)
						return
					}
				}
			})
			r.cost += a.cost
			if work += a.work; work > maxWork {
				c.errorAt(s, "the alternatives of this rule can take too long together",
					"compare fewer and shorter texts, or split it into several rules")
				return
			}
		}
		for _, key := range butKeys[1:] {
			if entry.fields[key] != nil {
				a.sets = append(a.sets, key)
			}
		}
		if len(a.sets) == 0 {
			c.Add(Diagnostic{Line: entry.line, Column: entry.column, Rule: rt.name(), Reason: "the alternative changes nothing",
				Hint: "write what then holds: severity, say or send"})
		}
		a.Severity = c.severity(r.Severity)
		if said, ok := c.say(r.About, known); ok {
			a.Say, a.Says, a.message, a.messages = said.Say, said.Says, said.message, said.messages
		}
		if a.Sets("send") {
			a.Send = c.channelList("send")
		}
		r.But = append(r.But, a)
	}
}

func (c *setCompiler) severity(otherwise Severity) Severity {
	return Severity(c.choice("severity", string(otherwise), Severities()))
}
