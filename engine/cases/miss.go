package cases

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/engine/alert"
	"lintel/engine/event"
	"lintel/rules"
	"lintel/rules/hours"
)

// miss says in a few lines what came nearest to something that did not happen. The core explains:
// nothing of a rule is worked out again here.
func (w *world) miss(t *pattern, what string) []string {
	r := w.rule(t.rule.Text)
	if r == nil {
		return nil
	}
	for i := len(w.happened) - 1; i >= 0 && what == "open"; i-- {
		q := *t
		q.what = ""
		if h := &w.happened[i]; q.fitsAs(w, h, "") && (h.what == "cleared" || h.what == "closed") {
			return []string{fmt.Sprintf("it was %s at %s", h.what, w.clock(h.at))}
		}
	}
	for i := w.since - 1; i >= 0; i-- {
		if h := &w.happened[i]; t.fitsAs(w, h, what) {
			return []string{fmt.Sprintf("it happened at %s already, before the last expectation", w.clock(h.at))}
		}
	}
	if what != "opened" && what != "open" {
		return w.missLater(t, what)
	}
	switch {
	case len(t.items) > 0:
		var lines []string
		for _, i := range t.items {
			if len(lines) >= 6 {
				break
			}
			lines = append(lines, w.missItem(r, i)...)
		}
		return lines
	case r.About == event.AboutReader && t.reader != "":
		return w.missThing(r, subject{reader: t.reader})
	case r.About == event.AboutZone && t.zone != "":
		return w.missThing(r, subject{zone: t.zone})
	case r.About == event.AboutCount && t.count != "":
		if c := w.counts[t.count]; c == nil || c.result == nil {
			return []string{t.count + " was not closed"}
		}
		return w.missThing(r, subject{count: t.count})
	case r.About == event.AboutStock && t.gtin != 0:
		places := []string{t.zone}
		if i, ok := w.cfg.Catalog.ByGTIN(t.gtin); ok && t.zone == "" {
			places = nil
			for _, l := range w.cfg.Catalog.At(i).Limits {
				if places = append(places, l.Zone); l.Kind != "" {
					places[len(places)-1] = "kind:" + l.Kind
				}
			}
		}
		var lines []string
		for _, place := range places[:min(len(places), 3)] {
			lines = append(lines, w.missThing(r, subject{gtin: t.gtin, place: place})...)
		}
		return lines
	}
	return w.missAny(t, r)
}

func (w *world) rule(name string) *rules.Rule { return w.cfg.Rules.ForSite(w.s.Site()).Rule(name) }

// missAny explains a rule whose subject was not said: by its pending alerts, else by the items that
// something happened to.
func (w *world) missAny(t *pattern, r *rules.Rule) []string {
	var lines []string
	for _, a := range w.s.LiveAlerts() {
		if a.Rule == r.Name && a.Status == event.AlertPending && len(lines) < 4 {
			lines = append(lines, w.pending(r, a))
		}
	}
	if len(lines) > 0 {
		return lines
	}
	if r.About != event.AboutItem {
		return w.missAnyThing(t, r)
	}
	var seen []thing
	for i := len(w.facts) - 1; i >= 0 && len(seen) < 2; i-- {
		f := &w.facts[i]
		if f.Ms < w.sinceAt {
			break
		}
		if f.Key.IsZero() || slices.ContainsFunc(seen, func(t thing) bool { return t.tag.Key == f.Key }) {
			continue
		}
		item := thing{handle: w.name(f.Key, f.Text), tag: event.Tag{Key: f.Key, Text: f.Text}}
		seen = append(seen, item)
		lines = append(lines, w.missItem(r, item)...)
	}
	return lines
}

// missAnyThing explains a rule that is not about items and whose subject was not said: by what happened
// to such things, the nearest to true first.
func (w *world) missAnyThing(t *pattern, r *rules.Rule) (lines []string) {
	var nearest []note
	for _, n := range w.notes[r.Name] {
		if n.at < w.sinceAt || t.zone != "" && n.subject.place != t.zone && n.subject.zone != t.zone {
			continue
		}
		k := slices.IndexFunc(nearest, func(m note) bool { return m.subject == n.subject })
		if k < 0 {
			nearest = append(nearest, n)
		} else if !nearest[k].nearer(&n) {
			nearest[k] = n
		}
	}
	for name, c := range w.counts {
		if r.About == event.AboutCount && c.result != nil {
			x, _ := w.explain(r, subject{count: name})
			nearest = append(nearest, note{subject{count: name}, w.now, x})
		}
	}
	slices.SortFunc(nearest, func(a, b note) int {
		switch {
		case a.nearer(&b):
			return -1
		case b.nearer(&a):
			return 1
		}
		return strings.Compare(a.subject.words(w.c), b.subject.words(w.c))
	})
	for _, n := range nearest[:min(len(nearest), 2)] {
		lines = append(lines, w.missThing(r, n.subject)...)
	}
	if len(lines) == 0 {
		lines = []string{w.nothingFor(r)}
	}
	return lines
}

// pending says what holds an alert back.
func (w *world) pending(r *rules.Rule, a *event.Alert) string {
	who := "it"
	switch a.About {
	case event.AboutItem:
		who = w.name(a.Key, a.Text)
	case event.AboutStock:
		who = fmt.Sprintf("product %s at %s", w.c.product(a.GTIN), a.Place)
	case event.AboutZone:
		who = a.Zone
	}
	line := fmt.Sprintf("%s was pending: true since %s", who, w.clock(a.Since))
	switch a.Stage {
	case event.StageWithin:
		return fmt.Sprintf("the first step happened to %s at %s, and its time of %s is over at %s", who, w.clock(a.First.At),
			hours.OpenPeriod(r.Sequence.Within, r.Sequence.Open), w.when(a.Due))
	case event.StageHold:
		return fmt.Sprintf("%s, and the hold of %s is over at %s", line, hours.OpenPeriod(r.Hold, r.HoldOpen), w.when(a.Due))
	case event.StageQuiet:
		return fmt.Sprintf("%s, and the rule is quiet about it until %s", line, w.when(a.Due))
	case event.StageHours:
		return fmt.Sprintf("%s, outside the rule's hours (%s), which begin at %s", line, r.Hours, w.when(a.Due))
	case event.StageNeeds:
		return fmt.Sprintf("%s, and the rule needs %d together within %s", line, r.Needs, about(r.Gather))
	}
	return line + ", held back by " + a.Stage.String()
}

// missItem explains why a rule said nothing of an item, by the facts since the last expectation.
func (w *world) missItem(r *rules.Rule, item thing) []string {
	if r.About != event.AboutItem {
		return nil
	}
	k := item.tag.Key
	x, ok := w.s.ExplainItem(r.Name, k, nil)
	if !ok {
		return []string{item.handle + " is not known: nobody has heard or reported it"}
	}
	if x.Reason != event.ReasonFalse && x.Reason != event.ReasonOccasion && x.Reason != event.ReasonHours {
		return w.reason(r, &x, true, item.handle)
	}
	var facts []*event.Fact
	for i := range w.facts {
		if f := &w.facts[i]; f.Key == k && f.Ms >= w.sinceAt {
			facts = append(facts, f)
		}
	}
	if len(facts) == 0 {
		return []string{fmt.Sprintf("nothing happened to %s since %s", item.handle, w.clock(w.sinceAt))}
	}
	for i, f := range facts {
		x, _ := w.s.ExplainItem(r.Name, k, f)
		switch x.Reason {
		case event.ReasonHours:
			return []string{fmt.Sprintf("the condition was true of %s at %s (%s), outside the rule's hours (%s)",
				item.handle, w.clock(f.Ms), factWords(f), r.Hours)}
		case event.ReasonOccasion:
			line := fmt.Sprintf("the condition was true of %s at %s (%s)", item.handle, w.clock(f.Ms), factWords(f))
			if i+1 < len(facts) {
				next := facts[i+1]
				line += fmt.Sprintf(", until %s (%s)", w.clock(next.Ms), factWords(next))
			}
			if r.Hold > 0 {
				line += fmt.Sprintf(": not for the hold of %s", about(r.Hold))
			} else if r.Needs > 1 {
				line += fmt.Sprintf(": fewer than %d came together within %s", r.Needs, about(r.Gather))
			}
			return []string{line}
		}
	}
	last := facts[len(facts)-1]
	x, _ = w.s.ExplainItem(r.Name, k, last)
	lines := []string{fmt.Sprintf("the condition was false of %s at %s (%s): %s", item.handle, w.clock(last.Ms),
		factWords(last), x.Why.FalseParts())}
	if len(facts) > 1 {
		var story []string
		for _, f := range facts[max(0, len(facts)-5):] {
			story = append(story, w.clock(f.Ms)+" "+factWords(f))
		}
		lines = append(lines, "what happened to it: "+strings.Join(story, ", "))
	}
	return lines
}

// reason writes an explanation of the core.
func (w *world) reason(r *rules.Rule, x *alert.Explanation, ok bool, name string) []string {
	if !ok {
		return nil
	}
	switch x.Reason {
	case event.ReasonFalse:
		return []string{fmt.Sprintf("the condition is false of %s: %s", name, x.Why.FalseParts())}
	case event.ReasonHold, event.ReasonQuiet, event.ReasonHours, event.ReasonNeeds, event.ReasonWithin:
		for _, a := range w.s.LiveAlerts() {
			if a.Rule == r.Name && a.Status == event.AlertPending && (w.name(a.Key, a.Text) == name || a.Place == name || w.subjectOf(a) == name) {
				return []string{w.pending(r, a)}
			}
		}
	case event.ReasonRaised, event.ReasonGathered, event.ReasonLimit:
		for _, a := range w.s.LiveAlerts() {
			if a.ID != x.Alert {
				continue
			}
			h := w.happen(a)
			if x.Reason == event.ReasonRaised {
				return []string{fmt.Sprintf("%s has one since %s: %s", name, w.clock(a.OpenedAt), w.subject(h))}
			}
			return []string{fmt.Sprintf("%s became part of another one: %s", name, w.describe(h))}
		}
	case event.ReasonOff:
		return []string{"the rule's mode is off"}
	}
	return []string{name + ": " + x.Words(w.cfg.Layout.Location())}
}

// missLater says when something that follows an open alert is due.
func (w *world) missLater(t *pattern, what string) []string {
	var lines []string
	alerts := w.s.Alerts()
	for i := range alerts {
		a := &alerts[i]
		h := w.happen(a)
		q := *t
		q.what, q.others, q.until = "", nil, nil
		if a.Lead != "" || !q.fitsAs(w, h, "") || a.Status == event.AlertClosed {
			continue
		}
		line := fmt.Sprintf("it is %s since %s", a.Status, w.clock(max(a.OpenedAt, a.AckedAt, a.EndedAt)))
		for _, x := range nexts {
			if at := x.at(a); x.what == what && at > w.now {
				line += ", and " + x.words + " " + w.when(at)
			}
		}
		if what == "gathered" && t.others != nil {
			line += fmt.Sprintf("; %d have joined it", a.Joined)
		}
		if what == "cleared" && a.Due == 0 && (a.Status == event.AlertOpen || a.Status == event.AlertAcknowledged) {
			line += ", and its condition is still true"
		}
		if lines = append(lines, line); len(lines) == 4 {
			break
		}
	}
	if len(lines) == 0 {
		lines = append(lines, "the rule has no such alert that it could happen to")
	}
	return lines
}

// because says what the rule saw when an alert opened.
func because(h *happening) string {
	var y rules.Why
	if len(h.alert.Why) == 0 || json.Unmarshal(h.alert.Why, &y) != nil {
		return ""
	}
	since := ""
	if d := h.alert.OpenedAt - h.alert.Since; d > 0 {
		since = fmt.Sprintf(" for %s", about(time.Duration(d)*time.Millisecond))
	}
	words := "it was true" + since + ": " + y.Values()
	if c := y.Choice; c != nil && c.Taken > 0 {
		words += "; and of the rule's alternatives this was true: " + c.Parts[c.Taken-1].Text
	} else if c != nil {
		words += "; none of the rule's alternatives was true"
	}
	return words
}
