package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/parser/lexer"

	"lintel/engine/event"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Severity is how pressing an alert of the rule is.
type Severity string

// The severities of rules.
const (
	Info    Severity = "info"
	Warning Severity = "warning"
	Urgent  Severity = "urgent"
)

// Mode says what becomes of a rule's alerts.
type Mode string

// The modes of rules.
const (
	ModeLive  Mode = "live"  // evaluated, recorded, told
	ModeWatch Mode = "watch" // evaluated and recorded, nobody is told
	ModeOff   Mode = "off"   // not evaluated
)

// Hours of a rule that are not windows.
const (
	HoursAlways = "always"
	HoursOpen   = "open"   // the site's opening hours
	HoursClosed = "closed" // all the rest of the week
)

// Limits of a rule's parts.
const (
	MaxPeriod   = 7 * 24 * time.Hour // of hold, clear and gather
	MaxName     = 64                 // characters of a rule's name
	MaxChannels = 20                 // in send
)

// Rule is one compiled rule. It is read-only and may be shared by goroutines.
type Rule struct {
	Name     string
	About    string        // item, stock, reader, count, zone
	Hold     time.Duration // the condition must stay true for so long before an alert opens
	HoldOpen bool          // Hold counts only the site's opening hours
	Clear    time.Duration // it must stay false for so long before the alert clears
	Gather   time.Duration // alerts of the rule that open within so long of the first become one
	GatherBy string        // which of them: ByRule, ByZone, ByFrom, ByProduct
	Needs    int           // with Gather: so many must come together, or nobody is told; 0: one is enough
	Limit    Limit         // of its own; the set has one for rules without
	Quiet    time.Duration // after somebody acknowledged or closed an alert, the same thing raises none for so long
	Remind   time.Duration // an open alert that nobody acknowledged is told again each time so long has passed; 0: never
	Escalate time.Duration // after so long without anybody acknowledging, EscalateTo is told; 0: never
	Hours    string        // always, open, closed, or windows as written
	Windows  hours.Week    // of Hours, nil unless it holds windows
	Mode     Mode

	Choice                // how its alerts are sent
	But    []*Alternative // what replaces parts of it; the first whose condition is true

	EscalateTo []string
	Tally      *Tally    // of a rule about a zone: what it counts; nil for any other
	Sequence   *Sequence // what must come before When, nil: nothing

	File  string // where it stands
	Line  int
	Index int // place in the set, from 0

	// Digest is a hash of all that the rule means, whatever its layout on the page: two rules with
	// the same digest behave the same.
	Digest string
	// ConditionDigest is the same of what makes an alert open and clear: about, when, hold, clear,
	// hours and needs. While it stays, open and pending alerts of the rule stay valid when the rest
	// of the rule changes.
	ConditionDigest string

	clause            // the condition; its cost has that of the alternatives in it
	last     []string // names that When reads: without those of what comes before
	params   []string // those that it uses anywhere, as params.NAME, sorted
	channels []string // that it may notify at any site, sorted
	given    *paramSet
	lang     *sharedLanguage
	slots    *slots
	whyOnce  sync.Once
}

// clause is a compiled condition, where it stands in the document, and what follows from its text.
type clause struct {
	When string // as written

	condition *condition
	uses      []string // names that the condition reads, sorted
	concerns  causeSet // kinds of fact that can change the condition
	becomes   causeSet // kinds of fact after which it can become true
	cost      int      // of evaluating the condition, at worst
	work      int      // the same, with texts and lists as long as an evaluator lets in
	pins      []pin
	source    *scalar       // of When
	words     []lexer.Token // for the digest
	tree      *whyPart      // made when an explanation is first asked for
}

// Channels returns the channels that the rule may notify, by any of its alternatives, as escalation,
// and with the params of any site, sorted.
func (r *Rule) Channels() []string { return slices.Clone(r.channels) }

// Uses returns the names that the condition reads, sorted.
func (r *Rule) Uses() []string { return slices.Clone(r.uses) }

// Cost returns what evaluating the rule takes at worst, in units of about a nanosecond. It follows from
// the text of the condition alone, so that it is the same on every machine.
func (r *Rule) Cost() int { return r.cost }

// Momentary reports whether the condition asks for what just happened, a passage or a kind of fact,
// rather than for how things are. Of a sequence it is the condition that comes last.
func (r *Rule) Momentary() bool { return momentary(r.last) }

// Passage reports whether the condition asks for a passage through a door.
func (r *Rule) Passage() bool { return slices.ContainsFunc(r.last, ofPassage) }

// Reads reports whether the condition reads a name. Of a sequence it is the condition that comes last.
func (r *Rule) Reads(name string) bool { return slices.Contains(r.last, name) }

// InIdentity reports whether any of the names reads an item's identity in words, which costs more than
// the rest of an environment.
func InIdentity(names []string) bool {
	return slices.ContainsFunc(names, func(name string) bool { return name == "item.key" || name == "item.epc" || name == "item.serial" })
}

func ofPassage(name string) bool { return strings.HasPrefix(name, "passage.") }

func momentary(uses []string) bool {
	return slices.ContainsFunc(uses, func(name string) bool { return name == "cause" || ofPassage(name) })
}

// Reach returns how long before its alert something of a rule can have begun. Opening hours are taken
// to be a seventh of the week or more.
func (r *Rule) Reach() time.Duration {
	reach := func(d time.Duration, open bool) time.Duration {
		if open {
			return 7 * d
		}
		return d
	}
	d := reach(r.Hold, r.HoldOpen)
	if q := r.Sequence; q != nil {
		d += reach(q.Within, q.Open)
	}
	return d
}

// InHours reports whether the rule is at work at that time of the site's week. open says whether
// the site is open.
func (r *Rule) InHours(open bool, weekday time.Weekday, minuteOfDay int) bool {
	switch {
	case r.Windows != nil:
		return r.Windows.Contains(weekday, minuteOfDay)
	case r.Hours == HoursOpen:
		return open
	case r.Hours == HoursClosed:
		return !open
	}
	return true
}

// Known is what the site has, for warnings about names that lead nowhere. A nil list means that it
// is not known, and brings no warning.
type Known struct {
	Zones      []string // ids
	ZoneKinds  []string // kinds of which the site has a zone
	Channels   []string
	Categories []string
	Attributes []string // names of product attributes
	Readers    []string // ids of read points
	Sites      []string // ids of all sites
	SomeSites  []string // where Sites is nil: ids of some, what is nearly one of them is taken for a slip
	Site       string   // its id: params have the values of this site; "": their defaults
}

// Check parses and compiles in one step; the diagnostics are those of both. It refuses also what takes
// too long together, which Compile lets pass, since a store may hold such rules from before.
func Check(file string, src []byte, known Known) (*Set, []Diagnostic) {
	parsed, diagnostics := Parse(file, src)
	set, more := Compile(parsed, known)
	all := append(diagnostics, more...)
	if set != nil {
		if tooDear := set.tooDear(); len(tooDear) > 0 {
			set, all = nil, append(all, tooDear...)
		}
	}
	slices.SortStableFunc(all, func(a, b Diagnostic) int { return cmp.Or(a.Line-b.Line, a.Column-b.Column) })
	return set, all
}

type setCompiler struct {
	report
	known   *Known
	lang    *language
	shared  *sharedLanguage
	names   map[string]*ruleText
	slots   *slots
	given   *paramSet
	current *ruleText
	told    []string // channels of the rule at hand

	noChannel map[string]bool // channels that there are not, and that was said
}

func (c *setCompiler) errorAt(s *scalar, message, hint string) {
	c.addAt(*s, Diagnostic{Reason: message, Hint: hint, Rule: c.current.name()})
}

func (c *setCompiler) warnAt(s *scalar, message, hint string) {
	c.addAt(*s, Diagnostic{Reason: message, Hint: hint, Rule: c.current.name(), Severity: doc.SeverityWarning})
}

func (c *setCompiler) missing(key, hint string) {
	if c.current.fields[key] == nil {
		what := "the rule"
		if c.current.of != nil {
			what = "the alternative"
		}
		c.Add(Diagnostic{Line: c.current.line, Column: c.current.column, Reason: what + " has no " + key, Hint: hint,
			Rule: c.current.name()})
	}
}

func (c *setCompiler) rule(rt *ruleText) *Rule {
	c.current, c.told = rt, nil
	r := &Rule{lang: c.shared, slots: c.slots, given: c.given, File: c.File, Line: rt.line}
	c.name(rt, r)
	r.About = c.choice("about", event.AboutItem, Subjects())
	r.Severity = c.severity(Warning)
	r.Mode = Mode(c.choice("mode", string(ModeLive), []string{string(ModeLive), string(ModeWatch), string(ModeOff)}))
	clear(c.given.used)
	r.Clear, r.Gather = c.period("clear"), c.period("gather")
	r.Hold, r.HoldOpen = c.openPeriod("hold", 0, MaxPeriod)
	r.Hours = HoursAlways
	if s := rt.text("hours"); s != nil {
		r.Hours = s.text
		if words := []string{HoursAlways, HoursOpen, HoursClosed}; !slices.Contains(words, s.text) {
			var err error
			if r.Windows, err = hours.ParseWeek(s.text); err != nil {
				hint := "hours are open, closed, always, days such as mon-fri, or windows such as mon-fri 09:00-18:00, sat 22:00-02:00"
				if n := doc.Nearest(s.text, words); n != "" {
					hint = "did you mean " + n + "?"
				}
				c.errorAt(s, "hours: "+err.Error(), hint)
			}
		}
	}
	r.Send = c.channelList("send")
	c.noise(rt, r)
	aboutOK := slices.Contains(Subjects(), r.About)
	c.sequence(rt, r)
	if r.Sequence == nil {
		c.missing("when", `write for instance: when: zone.kind == "exit" and not item.paid`)
	}
	var root ast.Node
	if s := rt.text("when"); s != nil && aboutOK {
		before := c.Len()
		r.clause = c.condition(s, r.About, func(p *parsed) {
			root, r.last = p.root, p.uses
			if hold, w := rt.text("hold"), p.window(); hold != nil && w > 0 && r.Hold >= w {
				c.warnAt(hold, fmt.Sprintf("hold is %s, and the condition is true for %s at most", r.Hold, w),
					"it never becomes an alert: make the hold shorter or the time longer")
			}
		})
		if c.Len() == before {
			c.warnOfTime(s, r)
		}
		for _, key := range []string{"hold", "clear", "quiet"} {
			if s := rt.text(key); s != nil && r.About == event.AboutCount && r.concerns&setOf(byPlan) == 0 {
				c.warnAt(s, key+" has no effect in rules about counts", "what a count found is reported when it closes, and stays so")
			}
		}
	}
	c.tally(rt, r, root)
	if said, ok := c.say(r.About, aboutOK); ok {
		r.Say, r.Says, r.message, r.messages = said.Say, said.Says, said.message, said.messages
	} else {
		r.Say = defaultSay(r)
		r.message = defaultMessage(r)
	}
	c.but(rt, r, aboutOK)
	if r.Sequence != nil && aboutOK {
		c.steps(rt, r)
	}
	slices.Sort(c.told)
	r.channels = slices.Compact(c.told)
	for name := range c.given.used {
		r.params = append(r.params, paramPrefix+name)
	}
	slices.Sort(r.params)
	r.digest()
	r.words = nil
	for _, a := range r.But {
		a.words = nil
	}
	return r
}

func (c *setCompiler) name(rt *ruleText, r *Rule) {
	s := rt.text("name")
	if s == nil {
		c.missing("name", "begin the rule with - name: a-short-name")
		return
	}
	r.Name = s.text
	const form = "a name has 1 to 64 of a-z, 0-9 and -"
	switch {
	case s.text == "" || utf8.RuneCountInString(s.text) > MaxName:
		c.errorAt(s, fmt.Sprintf("the name has %d characters", utf8.RuneCountInString(s.text)), form)
	case strings.Trim(s.text, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" || !isName(s.text):
		hint := form
		if fixed := asName(s.text); fixed != "" {
			hint += "; write " + fixed
		}
		c.errorAt(s, fmt.Sprintf("%q is not a name", s.text), hint)
	case c.names[s.text] != nil:
		c.errorAt(s, fmt.Sprintf("another rule is named %q", s.text), fmt.Sprintf("the other one is on line %d", c.names[s.text].line))
	default:
		c.names[s.text] = rt
	}
}

func isName(s string) bool {
	for _, b := range []byte(s) {
		if (b < 'a' || b > 'z') && (b < '0' || b > '9') && b != '-' {
			return false
		}
	}
	return s != "" && len(s) <= MaxName
}

// asName makes a name of a title, "" if nothing is left.
func asName(s string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(s) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case r == ' ' || r == '_' || r == '-' || r == '.':
			b.WriteByte('-')
		}
	}
	name := strings.Trim(b.String(), "-")
	return name[:min(len(name), MaxName)]
}

func (c *setCompiler) choice(key, otherwise string, values []string) string {
	s := c.current.text(key)
	if s == nil {
		return otherwise
	}
	if !slices.Contains(values, s.text) {
		hint := doc.Suggest(s.text, values, key+" is "+strings.Join(values[:len(values)-1], ", ")+" or "+values[len(values)-1])
		c.errorAt(s, fmt.Sprintf("%q is not a value of %s", s.text, key), hint)
	}
	return s.text
}

func (c *setCompiler) period(key string) time.Duration {
	s := c.current.text(key)
	if s == nil {
		return 0
	}
	return c.periodOf(s, key, s.text, 0, MaxPeriod)
}

// openPeriod reads a length of time that may count opening hours alone: "4h open".
func (c *setCompiler) openPeriod(key string, least, most time.Duration) (d time.Duration, open bool) {
	s := c.current.text(key)
	if s == nil {
		return 0, false
	}
	text, open := strings.CutSuffix(s.text, " "+HoursOpen)
	return c.periodOf(s, key, strings.TrimSpace(text), least, most), open
}

// periodOf reads text, which stands in s, as a length of time or the param that holds one.
func (c *setCompiler) periodOf(s *scalar, key, text string, least, most time.Duration) time.Duration {
	if text == "0" && least == 0 {
		return 0
	}
	value := *s
	value.text = text
	text, ok := c.resolve(&value, paramPeriod)
	if !ok {
		return 0
	}
	d, reason, hint := hours.PeriodWithin(text, least, most)
	if reason != "" {
		if _, bare := strconv.Atoi(s.text); bare == nil {
			hint = fmt.Sprintf("write %ss for seconds, %sm for minutes", s.text, s.text)
		} else if strings.Contains(s.text, HoursOpen) {
			hint = "write 4h open for four hours of the opening hours"
		}
		c.errorAt(s, key+": "+reason, hint)
	}
	return d
}

// channelList reads a list of channels.
func (c *setCompiler) channelList(key string) []string {
	f := c.current.fields[key]
	if f == nil {
		return nil
	}
	list := f.list
	if !f.isList {
		list = []scalar{f.value}
	}
	var out []string
	for i := range list {
		s := &list[i]
		names := []string{s.text}
		if strings.HasPrefix(s.text, paramPrefix) {
			text, ok := c.resolve(s, paramText)
			if !ok {
				continue
			}
			names = channelsIn(text)
		}
		for _, name := range names {
			switch {
			case len(out) == MaxChannels:
				c.errorAt(s, fmt.Sprintf("%s has more than %d channels", key, MaxChannels), "")
				return out
			case !isName(name):
				hint := "a name has 1 to 64 of a-z, 0-9 and -"
				if names := strings.FieldsFunc(name, func(r rune) bool { return r == ',' || r == ';' }); len(names) > 1 {
					for i := range names {
						names[i] = strings.TrimSpace(names[i])
					}
					hint = "write " + key + ": [" + strings.Join(names, ", ") + "]"
				} else if fixed := asName(name); fixed != "" {
					hint += "; write " + fixed
				}
				c.errorAt(s, fmt.Sprintf("%q is not the name of a channel", name), hint)
			case slices.Contains(out, name):
				if name == s.text && slices.ContainsFunc(list[:i], func(o scalar) bool { return o.text == name }) {
					c.errorAt(s, fmt.Sprintf("%s stands in %s twice", name, key), "")
				}
			default:
				if c.known.Channels != nil && !slices.Contains(c.known.Channels, name) && !c.noChannel[name] {
					c.noChannel[name] = true // one warning for each
					hint := doc.Suggest(name, c.known.Channels, "until there is one, nobody there is notified of this alert")
					c.warnAt(s, fmt.Sprintf("there is no channel %q", name), hint)
				}
				out = append(out, name)
			}
		}
	}
	c.told = append(c.told, out...)
	return out
}

// channelsIn returns the channels that the text of a param names, separated by commas; none for an
// empty text.
func channelsIn(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' })
}

// warnOfTime warns of a condition about how things are that asks for the time: it becomes true with
// time alone, and nothing looks at it then. Rules about zones are looked at by the clock.
func (c *setCompiler) warnOfTime(s *scalar, r *Rule) {
	kind := find(r.pins, "zone.kind")
	passing := kind != nil && slices.Equal(kind.values, []string{event.Exit.String()})
	byClock := r.About == event.AboutCount || r.About == event.AboutZone
	if r.Momentary() || passing || r.Sequence != nil || byClock {
		return
	}
	for _, name := range r.last {
		hint := "for instance hours: 20:00-06:00"
		switch {
		case name == "site.open":
			hint = "hours: open or hours: closed"
		case !strings.HasPrefix(name, "at."):
			continue
		}
		c.warnAt(s, fmt.Sprintf("%s is looked at only when something happens to the %s", name, r.About),
			"for what goes on, leave it out and write "+hint+", which are kept by the clock")
		return
	}
}

// condition compiles a condition; more may add what else there is to say of it.
func (c *setCompiler) condition(s *scalar, about string, more func(p *parsed)) clause {
	r := clause{When: s.text, source: s}
	p := c.lang.parse(s.text, about)
	if !p.failed() {
		r.cost, r.work = p.cost, p.work
		r.uses = slices.Sorted(slices.Values(p.uses))
		r.pins = pinsOf(p.root)
		r.concerns, r.becomes = causesOf(p.uses, r.pins, about, p.root)
		more(p)
		for _, pin := range r.pins {
			if len(pin.values) == 0 {
				p.warn(pin.loc, "the condition is never true", pin.name+" cannot have two values at once")
			}
		}
		for _, name := range p.uses {
			c.slots.of(name) // also those that the program does without: an explanation shows them
		}
		var err error
		if r.condition, err = c.lang.compile(p, p.root, c.slots, true); err != nil {
			p.translate(err, s.text)
		}
		if p.always == nil && !slices.ContainsFunc(p.problems, func(q problem) bool {
			return q.warning &&
				q.message == "the condition is never true"
		}) {
			p.checkSense()
		}
		if p.always != nil {
			p.problems = append(p.problems, problem{from: 0, to: p.length, warning: true,
				message: fmt.Sprintf("the condition is always %t", *p.always), hint: "compare something that changes, such as zone.kind"})
		}
	}
	c.problems(s, &p.guard)
	r.words = p.tokens
	return r
}

// problems reports what is wrong with a condition.
func (c *setCompiler) problems(s *scalar, g *guard) {
	for _, q := range g.problems {
		from, to := s.place(q.from), s.place(q.to)
		d := Diagnostic{Line: from.line, Column: from.column, Length: 1, Reason: q.message, Hint: q.hint, Rule: c.current.name()}
		if to.line == from.line && q.to > q.from {
			d.Length = max(1, to.column-from.column)
		} else if to.line > from.line && from.line <= len(c.Doc.Lines) {
			d.Length = max(1, utf8.RuneCountInString(strings.TrimRight(c.Doc.Lines[from.line-1], " \t"))-from.column+1)
		}
		if q.warning {
			d.Severity = doc.SeverityWarning
		}
		if q.message == endsTooEarly && s.commentAfter(from) {
			d.Hint = `YAML takes " #" and what follows it for a comment: put the condition in single quotes`
		}
		c.Add(d)
	}
}
