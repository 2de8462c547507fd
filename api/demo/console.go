package demo

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"lintel/api"
	"lintel/engine/event"
	"lintel/rules"
)

const (
	settleAfter  = 90 * time.Second // of the shop's time, until the readers have found what there is
	summaryEvery = 5 * time.Minute
)

// consoleEvent is something that the console reports: exactly one of its members is set.
type consoleEvent struct {
	fact  *api.FactView
	alert *api.AlertChangeView
	hook  *hook
	mark  time.Time      // say how things stand
	tell  func(*console) // something else to tell
	do    func()         // something else in the console's turn, when all is over
}

// place is a product in a zone.
type place struct{ gtin, zone string }

// burst is a run of changes of one rule's alerts: the first ones get a line each, the others one
// together.
type burst struct {
	what    string
	st      style
	rule    string
	from    time.Time
	lines   int
	hidden  int
	zones   map[string]int
	hooks   int             // webhooks of the hidden ones
	members map[string]bool // the hidden ones, alert id and change
}

const (
	burstLines = 3
	burstSpan  = 10 * time.Second // of the shop's time
)

// console turns what comes in into lines. One goroutine uses it.
type console struct {
	page    *page
	words   *words
	client  *client
	key     string
	clock   *clock
	verbose bool

	now     time.Time // of the last line
	settled bool
	stock   map[place]int
	batch   struct { // facts of one business document
		cause, ref, zone, gtin string
		n                      int
		at                     time.Time
	}
	bursts   map[string]*burst          // by rule and change
	alerts   map[string]event.AlertView // by id, as they were last
	order    []string                   // of alerts
	shown    map[string]bool            // alert id and change, of which the line is written
	early    map[string][]hook          // webhooks that came before that line
	sold     map[string]bool            // items
	hooks    map[string]int             // good ones, by channel
	ids      map[string]struct{}        // of good webhooks
	start    time.Time                  // of the day
	bad      int
	repeated int
	slowest  time.Duration
	took     []time.Duration
	passages struct{ out, outUnpaid, in int }
	lastMark struct {
		real  time.Time
		reads float64
	}
}

func newConsole(p *page, w *words, c *client, key string, clk *clock, start time.Time, verbose bool) *console {
	k := &console{
		page: p, words: w, client: c, key: key, clock: clk, verbose: verbose, start: start, now: start,
		stock: make(map[place]int), bursts: make(map[string]*burst), alerts: make(map[string]event.AlertView),
		shown: make(map[string]bool), early: make(map[string][]hook),
		sold: make(map[string]bool), hooks: make(map[string]int), ids: make(map[string]struct{}),
	}
	k.lastMark.real = time.Now()
	return k
}

// run reports events until the channel is closed.
func (c *console) run(ctx context.Context, events <-chan consoleEvent) {
	for {
		select {
		case e, ok := <-events:
			if !ok {
				c.flush()
				c.burstsOver(true)
				for _, list := range c.early {
					for i := range list {
						c.delivery(&list[i])
					}
				}
				return
			}
			c.take(ctx, e)
		case <-time.After(150 * time.Millisecond):
			c.flush()
			c.burstsOver(false)
		}
	}
}

func (c *console) take(ctx context.Context, e consoleEvent) {
	c.burstsOver(!e.mark.IsZero() || e.do != nil)
	switch {
	case e.fact != nil:
		c.fact(e.fact)
	case e.alert != nil:
		c.flush()
		c.alert(e.alert)
	case e.hook != nil:
		c.hook(e.hook)
	case e.tell != nil:
		c.flush()
		e.tell(c)
	case e.do != nil:
		e.do()
	default:
		c.flush()
		if !c.settled {
			c.settled = true
			c.opening(ctx)
		} else {
			c.summary(ctx, e.mark)
		}
	}
}

// stamp returns the time of a line: times only go forward, since what is reported was concluded in
// that order.
func (c *console) stamp(t time.Time) string {
	if t.After(c.now) {
		c.now = t
	}
	return c.words.clock(c.now)
}

// row writes a line with a time, also below with none.
func (c *console) row(t time.Time, what string, st style, rest string) {
	c.page.row(c.stamp(t), what, st, rest, plain)
}

func (c *console) below(what, rest string) { c.page.row("", what, dim, rest, dim) }

// factTime is the site clock at which a fact was concluded: the first half of its id.
func factTime(id string) time.Time {
	var ms int64
	if _, err := fmt.Sscanf(id, "%d-", &ms); err != nil {
		return time.Time{}
	}
	return time.UnixMilli(ms)
}

func (c *console) fact(f *api.FactView) {
	switch f.Cause {
	case "stock":
		if f.Count != nil {
			c.stock[place{f.GTIN, f.Zone}] = *f.Count
		}
		return
	case "sold":
		c.sold[f.Item] = true
	case "returned":
		delete(c.sold, f.Item)
	}
	switch f.Cause {
	case "received", "sold", "returned":
		c.gather(f)
	case "passed":
		c.flush()
		c.passage(f)
	}
}

// gather puts the facts of one business document together into one line.
func (c *console) gather(f *api.FactView) {
	b := &c.batch
	if b.n > 0 && (b.cause != f.Cause || b.ref != f.Ref) {
		c.flush()
	}
	if b.n == 0 {
		b.at = factTime(f.ID)
	}
	b.cause, b.ref, b.zone, b.gtin = f.Cause, f.Ref, f.Zone, f.GTIN
	b.n++
}

// flush writes the line that gather has put together.
func (c *console) flush() {
	b := &c.batch
	if b.n == 0 {
		return
	}
	n := b.n
	b.n = 0
	what := c.words.title(b.gtin)
	if n > 1 {
		what = number(n) + " items"
	}
	switch b.cause {
	case "received":
		c.row(b.at, "received", cyan, fmt.Sprintf("%s came in with the delivery %s, at %s", what, b.ref, c.words.zone(b.zone)))
	case "returned":
		c.row(b.at, "returned", cyan, fmt.Sprintf("%s was brought back, receipt %s", what, b.ref))
	case "sold":
		if c.verbose {
			c.row(b.at, "sold", dim, fmt.Sprintf("%s, receipt %s", what, b.ref))
		}
	}
}

func (c *console) passage(f *api.FactView) {
	if f.Passage == nil || !c.settled {
		return
	}
	out := f.Passage.Direction == "out"
	state, st := "unpaid", plain
	switch {
	case c.words.product(f.GTIN) == nil:
		state = "not this shop's"
	case f.Disposition == event.RetailSold.String():
		state = "paid"
	case out:
		st = yellow
	}
	if !f.Passage.Sure {
		if out && state == "unpaid" { // for a lamp at the door; the rest would only be noise here
			c.row(factTime(f.ID), "likely", dim, fmt.Sprintf("%s · %s · %s · confidence %.2f", c.words.title(f.GTIN),
				c.words.door(f), state, f.Passage.Confidence))
		}
		return
	}
	switch {
	case !out:
		c.passages.in++
	case state == "unpaid":
		c.passages.outUnpaid++
		fallthrough
	default:
		c.passages.out++
	}
	way := map[string]string{"out": "out", "in": "in", "unsure": "at door"}[f.Passage.Direction]
	c.row(factTime(f.ID), way, st, fmt.Sprintf("%s · %s · %s · confidence %.2f", c.words.title(f.GTIN), c.words.door(f),
		state, f.Passage.Confidence))
}

func (c *console) alert(ch *api.AlertChangeView) {
	a := ch.Alert
	before, known := c.alerts[a.ID]
	if !known {
		c.order = append(c.order, a.ID)
	}
	c.alerts[a.ID] = a
	members := len(before.Members)
	at, what, st, text := c.now, strings.TrimPrefix(ch.Change, "alert."), plain, a.Rule+": "+a.Say
	switch ch.Change {
	case event.ChangeOpened:
		what, st, text = "ALERT", c.severity(a.Severity), a.Severity+" · "+text
		at = moment(a.Opened, at)
	case event.ChangeGathered:
		more := a.Members[min(members, len(a.Members)):]
		st = c.severity(a.Severity)
		text = fmt.Sprintf("%s into this alert: %s", some(len(more), "more item", "more items"), strings.Join(c.shorter(more, &a), "; "))
	case event.ChangeCleared:
		st = green
		what, text = c.ended(&a)
		at = moment(a.Cleared, at)
	}
	id := a.ID + " " + ch.Change
	if c.joins(&a, id, at, what, st) {
		return
	}
	c.row(at, what, st, text)
	if ch.Change == event.ChangeOpened {
		c.below("because", reason(a.Why))
	}
	c.shown[id] = true
	for i := range c.early[id] {
		c.delivery(&c.early[id][i])
	}
	delete(c.early, id)
}

func moment(t *time.Time, or time.Time) time.Time {
	if t == nil {
		return or
	}
	return *t
}

// joins reports whether the change is one of so many that it gets no line of its own.
func (c *console) joins(a *event.AlertView, id string, at time.Time, what string, st style) bool {
	key := a.Rule + " " + what
	b := c.bursts[key]
	if b == nil {
		b = &burst{what: what, st: st, rule: a.Rule, from: at, zones: make(map[string]int), members: make(map[string]bool)}
		c.bursts[key] = b
	}
	if b.lines < burstLines {
		b.lines++
		return false
	}
	b.hidden++
	b.members[id] = true
	if a.Zone != "" {
		b.zones[a.Zone]++
	}
	for i := range c.early[id] {
		c.delivery(&c.early[id][i])
	}
	delete(c.early, id)
	return true
}

// burstsOver writes the lines of runs that have ended.
func (c *console) burstsOver(all bool) {
	if len(c.bursts) == 0 {
		return
	}
	now := c.clock.Now()
	for _, key := range slices.Sorted(maps.Keys(c.bursts)) {
		b := c.bursts[key]
		if !all && now.Sub(b.from) < burstSpan {
			continue
		}
		delete(c.bursts, key)
		if b.hidden == 0 {
			continue
		}
		var zones []string
		for _, z := range slices.Sorted(maps.Keys(b.zones)) {
			zones = append(zones, fmt.Sprintf("%s %d", c.words.zone(z), b.zones[z]))
		}
		c.page.row("", b.what, b.st, fmt.Sprintf("%s: %d more alike (%s)", b.rule, b.hidden, strings.Join(zones, ", ")), plain)
		if b.hooks > 0 {
			c.page.row("", "webhook", green, fmt.Sprintf("%d more · signature ok", b.hooks), dim)
		}
		for id := range b.members {
			c.shown[id] = true
		}
	}
}

// hidden returns the run that the change is a part of without a line, nil if there is none.
func (c *console) hidden(id string) *burst {
	for _, b := range c.bursts {
		if b.members[id] {
			return b
		}
	}
	return nil
}

// shorter takes off what the sentences of products have in common with that of the first one: all
// but their titles.
func (c *console) shorter(list []string, first *event.AlertView) []string {
	common, ok := strings.CutPrefix(first.Say, c.words.title(first.GTIN))
	if !ok {
		return list
	}
	short := make([]string, len(list))
	for i, s := range list {
		short[i] = strings.TrimSuffix(s, common)
	}
	return short
}

func (c *console) severity(s string) style {
	switch s {
	case "urgent":
		return red
	case "warning":
		return yellow
	}
	return bold
}

// ended says why an alert ended by itself.
func (c *console) ended(a *event.AlertView) (what, why string) {
	switch {
	case a.About == "stock":
		what = "cleared"
		why = fmt.Sprintf("%s: %s", a.Rule, a.Say)
		n, ok := c.stock[place{a.GTIN, a.Place}]
		p := c.words.product(a.GTIN)
		if !ok || p == nil {
			return what, why
		}
		for _, l := range p.Limits {
			if l.Zone == a.Place && l.HasMin && n >= l.Min {
				return "refilled", fmt.Sprintf("%s has %d of %s again, at least %d should be there",
					c.words.zone(a.Place), n, p.Name, l.Min)
			}
		}
		return what, fmt.Sprintf("%s: the stockroom has no more of %s", a.Rule, p.Name)
	case a.About == "reader":
		return "heard", fmt.Sprintf("the reader %s at %s reports again", a.Reader, c.words.zone(a.Zone))
	case a.Item != "" && c.sold[a.Item]:
		return "cleared", fmt.Sprintf("%s: the till has reported the sale of %s by now", a.Rule, c.words.title(a.GTIN))
	}
	return "cleared", fmt.Sprintf("%s: no longer so for %s", a.Rule, c.words.title(a.GTIN))
}

// reason writes the tree of an alert's condition in one line: each part with what it was.
func reason(why json.RawMessage) string {
	var w rules.Why
	if len(why) == 0 || json.Unmarshal(why, &w) != nil {
		return "not recorded"
	}
	var parts []string
	var walk func(*rules.Why)
	walk = func(w *rules.Why) {
		for _, p := range w.Parts {
			walk(p)
		}
		if len(w.Parts) > 0 {
			return
		}
		text := fmt.Sprintf("%s %t", w.Text, w.Value)
		if w.Error != "" {
			text = w.Text + " failed: " + w.Error
		}
		// A comparison says more with its numbers.
		slices.SortFunc(w.Names, func(a, b rules.NameValue) int {
			return cmp.Compare(strings.Index(w.Text, a.Name), strings.Index(w.Text, b.Name))
		})
		var numbers []string
		for _, n := range w.Names {
			if v, ok := n.Value.(float64); ok {
				numbers = append(numbers, fmt.Sprint(v))
			}
		}
		if len(numbers) > 0 {
			text += " (" + strings.Join(numbers, ", ") + ")"
		}
		parts = append(parts, text)
	}
	walk(&w)
	return listed(parts...)
}

// hook reports a webhook after the alert that it is about.
func (c *console) hook(h *hook) {
	id := h.body.Data.Alert.ID + " " + h.body.Type
	if h.err == nil && !c.shown[id] && c.hidden(id) == nil {
		c.early[id] = append(c.early[id], *h)
		return
	}
	c.delivery(h)
}

func (c *console) delivery(h *hook) {
	switch {
	case h.err != nil:
		c.bad++
		c.page.row("", "webhook", red, fmt.Sprintf("%s refused: %v · %s", h.channel, h.err, h.id), plain)
		return
	case h.again:
		c.repeated++
		c.below("webhook", fmt.Sprintf("%s · sent once more, dropped · %s", h.channel, h.id))
		return
	}
	c.hooks[h.channel]++
	c.ids[h.id] = struct{}{}
	took := max(0, h.at.Sub(c.clock.real(h.body.Timestamp)))
	c.took = append(c.took, took)
	c.slowest = max(c.slowest, took)
	if b := c.hidden(h.body.Data.Alert.ID + " " + h.body.Type); b != nil {
		b.hooks++
		return
	}
	c.page.row("", "webhook", green, fmt.Sprintf("%s · signature ok · %d ms after · %s", h.channel, took.Milliseconds(), h.id), dim)
}
