package cases

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// fitsAs reports whether a change of an alert is what the pattern means. what stands in for a
// pattern that does not say it, "" for anything.
func (t *pattern) fitsAs(w *world, h *happening, what string) bool {
	if t.what != "" {
		what = t.what
	}
	a := &h.alert
	switch {
	case a.Rule != t.rule.Text,
		what != "" && h.what != what,
		t.gtin != 0 && a.GTIN != t.gtin,
		t.zone != "" && a.Zone != t.zone && a.Place != t.zone,
		t.reader != "" && (a.About != "reader" || a.Place != t.reader),
		t.others != nil && a.Joined != *t.others,
		t.severity != "" && a.Severity != t.severity,
		!strings.Contains(a.Say, t.say), t.until != nil && !w.shows(t.until, h.at):
		return false
	}
	if t.count != "" {
		if c := w.counts[t.count]; c == nil || a.About != "count" || a.Place != c.id {
			return false
		}
	}
	return !slices.ContainsFunc(t.items, func(i thing) bool { return !slices.Contains(h.items, i.tag.Key) })
}

func (t *pattern) fits(w *world, h *happening) bool { return t.fitsAs(w, h, "") }

// match pairs patterns with what happened, each with one of its own, so that as many patterns as
// can be have one: an entry that says little does not take what one that says more needs. It
// returns for each pattern the index of what it was paired with, -1: none.
func match(list []pattern, happened []*happening, fits func(*pattern, *happening) bool) []int {
	of := make([]int, len(list))
	taken := make([]int, len(happened))
	for i := range of {
		of[i] = -1
	}
	for k := range taken {
		taken[k] = -1
	}
	var find func(i int, tried []bool) bool
	find = func(i int, tried []bool) bool {
		for k, h := range happened {
			if tried[k] || !fits(&list[i], h) {
				continue
			}
			tried[k] = true
			if taken[k] < 0 || find(taken[k], tried) {
				of[i], taken[k] = k, i
				return true
			}
		}
		return false
	}
	for i := range list {
		find(i, make([]bool, len(happened)))
	}
	return of
}

// shown is how many lines of one failure's difference are written out.
const shown = 20

func (s *expectStep) run(w *world) {
	window := make([]*happening, 0, len(w.happened)-w.since)
	for i := range w.happened[w.since:] {
		window = append(window, &w.happened[w.since+i])
	}
	for _, holds := range s.checks {
		holds(w, window)
	}
	if s.moves {
		w.since, w.sinceAt, w.messages = len(w.happened), w.now, w.messages[:0]
		w.sinceFact, w.lost = len(w.facts), false
		clear(w.notes)
	}
}

// open lists the alerts that are open now.
func (w *world) open() (open []*happening) {
	for _, a := range w.s.Alerts() {
		if a.Lead == "" && (a.Status == event.AlertOpen || a.Status == event.AlertAcknowledged) {
			open = append(open, w.happen(&a))
		}
	}
	return open
}

// nexts are the changes of an alert that have a time, with what miss says of it.
var nexts = []struct {
	what, words string
	at          func(a *event.Alert) int64
}{
	{"cleared", "its clear delay is over at", func(a *event.Alert) int64 { return a.Due }},
	{"gathered", "those that joined are sent at", func(a *event.Alert) int64 { return a.TellAt }},
	{"reminded", "it is sent again at", func(a *event.Alert) int64 { return a.RemindAt }},
	{"escalated", "others are notified at", func(a *event.Alert) int64 { return a.EscalateAt }},
}

// waits are the words for what waits: what holds a pending alert back, and what an open one has
// before it.
var waits = func() []string {
	words := event.Stages.Texts()
	for _, x := range nexts {
		words = append(words, x.what)
	}
	return words
}()

// waiting lists what waits now, each with the time at which its wait is over.
func (w *world) waiting() (list []*happening) {
	add := func(a *event.Alert, what string, at int64) {
		if at != 0 {
			h := w.happen(a)
			h.what, h.at = what, at
			list = append(list, h)
		}
	}
	for _, a := range w.s.LiveAlerts() {
		switch {
		case a.Lead != "" || a.Status == event.AlertClosed:
		case a.Status == event.AlertPending:
			add(a, a.Stage.String(), a.Due)
		default:
			for _, x := range nexts {
				add(a, x.what, x.at(a))
			}
		}
	}
	return list
}

// compare holds what happened against a list. All says that nothing else may have happened.
func (w *world) compare(p *patterns, happened []*happening, what string, all bool, missed string) {
	of := match(p.list, happened, func(t *pattern, h *happening) bool { return t.fitsAs(w, h, what) })
	var missing []*pattern
	for i, k := range of {
		if k < 0 {
			missing = append(missing, &p.list[i])
		} else {
			happened[k].taken = true
		}
	}
	var more []*happening
	for k, h := range happened {
		if !slices.Contains(of, k) {
			more = append(more, h)
		}
	}
	if len(missing) == 0 && (!all || len(more) == 0) {
		return
	}
	at, message := p.place, ""
	switch {
	case len(missing) == 1:
		at, message = placeOf(missing[0].node), fmt.Sprintf("%s %s", missing[0].words(w.c, what), missed)
	case len(missing) > 1:
		at, message = placeOf(missing[0].node), fmt.Sprintf("%d of the %d alerts that should be there are not", len(missing), len(p.list))
	case len(more) == 1:
		message = "an alert that should not be there"
	default:
		message = fmt.Sprintf("%d alerts that should not be there", len(more))
	}
	f := w.fail(at, strings.Join(strings.Fields(message), " "), "")
	for _, t := range missing {
		if f.full() {
			break
		}
		f.add("-", t.words(w.c, what))
		said := cmp.Or(t.what, what, "open")
		if event.Stages.Has(said) {
			said = "opened"
		}
		for _, line := range w.miss(t, said) {
			f.add("", line)
		}
	}
	mark := " "
	if all {
		mark = "+"
	}
	for i, h := range more {
		if f.full() {
			f.add("", fmt.Sprintf("and %d more", len(more)-i))
			break
		}
		f.add(mark, w.describe(h))
		if all && h.what == "opened" {
			f.add("", because(h))
		}
		h.taken = h.taken || all
	}
	if len(missing) > 0 && len(happened) == 0 && what != "" {
		f.add(" ", fmt.Sprintf("nothing happened to any alert from %s to %s", w.clock(w.sinceAt), w.clock(w.now)))
	}
}

// forbid looks for what should never have happened.
func (w *world) forbid(p *patterns, window []*happening) {
	for i := range p.list {
		t := &p.list[i]
		var f *Failure
		for _, h := range window {
			if !t.fitsAs(w, h, cmp.Or(t.what, "opened")) {
				continue
			}
			h.taken = true
			if f == nil {
				f = w.fail(placeOf(t.node), strings.Join(strings.Fields(t.words(w.c, "opened")), " ")+" should never happen, and did", "")
			}
			if f.full() {
				break
			}
			f.add("+", w.describe(h))
			if h.what == "opened" {
				f.add("", because(h))
			}
		}
	}
}

// messaged holds the messages against how many there should be for each channel.
func (w *world) messaged(at place, named []string, want map[string]int) {
	had := make(map[string]int)
	for i := range w.messages {
		had[w.messages[i].Channel]++
	}
	channels := slices.Clone(named)
	for c := range had {
		if _, ok := want[c]; !ok {
			channels = append(channels, c)
		}
	}
	slices.Sort(channels[len(named):])
	var f *Failure
	for _, c := range channels {
		if had[c] == want[c] {
			continue
		}
		if f == nil {
			f = w.fail(at, "other messages than expected", "")
		}
		f.add("-", fmt.Sprintf("%s: %d", c, want[c]))
		f.add("+", fmt.Sprintf("%s: %d", c, had[c]))
		for i := range w.messages {
			if m := &w.messages[i]; m.Channel == c && !f.full() {
				f.add("", fmt.Sprintf("%s  %s", w.clock(m.At), w.about(m)))
			}
		}
	}
}

// about says what a message told of.
func (w *world) about(m *event.Delivery) string {
	for i := len(w.happened) - 1; i >= 0; i-- {
		if h := &w.happened[i]; h.alert.ID == m.Alert && h.at <= m.At {
			if what, ok := strings.CutPrefix(m.Type, "alert."); ok && (what == h.what || h.what == failed) {
				return w.subject(h)
			}
		}
	}
	return m.Type
}

// describe writes one change of an alert as a line.
func (w *world) describe(h *happening) string { return w.clock(h.at) + "  " + w.subject(h) }

// subject writes which rule, what happened, and what the alert is about.
func (w *world) subject(h *happening) string {
	a := &h.alert
	var about []string
	switch a.About {
	case "item":
		about = append(about, w.name(a.Key, a.Text))
	case "stock":
		about = append(about, "product "+w.c.product(a.GTIN))
	case "reader":
		about = append(about, a.Place)
	case "count":
		about = append(about, w.countName(a.Place))
	case "zone":
		about = append(about, a.Zone)
	case event.AboutStorm:
		about = append(about, "the rule's limit")
	case "rule":
		about = append(about, a.Say)
	}
	switch {
	case a.About == "stock":
		about = append(about, "at "+a.Place)
	case a.Zone != "" && a.About != "count" && a.About != "zone":
		about = append(about, "at "+a.Zone)
	}
	if a.Joined > 0 {
		about = append(about, fmt.Sprintf("with %d others", a.Joined))
	}
	if r := w.rule(a.Rule); r != nil && len(r.But) > 0 {
		about = append(about, "as "+a.Severity)
	}
	return strings.TrimSpace(a.Rule + " " + h.what + "  " + strings.Join(about, " "))
}

// countName is what the case calls a count.
func (w *world) countName(id string) string {
	for name, c := range w.counts {
		if c.id == id {
			return name
		}
	}
	return id
}

// name is what the case calls an item.
func (w *world) name(k epc.Key, text string) string {
	if n := w.c.items.name(k); n != "" {
		return n
	}
	if text != "" {
		return text
	}
	return k.String()
}

func (w *world) when(ms int64) string {
	return fmt.Sprintf("%s, %s from here", w.clock(ms), about(time.Duration(ms-w.now)*time.Millisecond))
}
