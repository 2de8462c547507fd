package demo

import (
	"strings"
	"time"

	"lintel/api"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/sim"
)

// verdict is what the simulator knows, compared with what Lintel reported.
type verdict struct {
	exits, exitsTold       int // unpaid items that went out of the door; how many of them an alert named
	visits                 int // in how many visits
	lateSales              int // items that were paid for, and told because the till told the sale only afterwards
	falseAlarms            int // items that an alert named and that did not go out
	turned                 int // unpaid items that came close to the door and did not go through
	silences, silencesTold int // readers that were off for long enough
	lying, right           int // items that lie in a zone; how many of them Lintel has there
	missed                 []string
}

const (
	near    = time.Minute      // between a passage and the alert about it
	tooLate = 20 * time.Second // before the end: the rule still waits
)

// judge compares. until is how far the shop's time went; items are all that Lintel knows then.
func judge(t *sim.Truth, w *words, until time.Time, door, silent []event.AlertView, items []api.ItemView) verdict {
	var v verdict
	v.atDoor(t, w, until, door)
	for _, a := range t.Approaches {
		if time.UnixMilli(a.From).Before(until) {
			v.turned++
		}
	}
	for _, s := range t.Silences {
		end := until
		if s.To != 0 && time.UnixMilli(s.To).Before(until) {
			end = time.UnixMilli(s.To)
		}
		i, ok := w.layout.ReadPointIndex(s.Point)
		if !ok {
			continue
		}
		after := w.layout.ReadPoints[i].SilentAfter
		// One that ends about when it would be notified may go either way.
		if after == 0 || end.Sub(time.UnixMilli(s.From)) < after+tooLate {
			continue
		}
		v.silences++
		for _, a := range silent {
			if a.Reader == s.Point && a.Opened != nil && a.Opened.After(time.UnixMilli(s.From)) && a.Opened.Before(end) {
				v.silencesTold++
				break
			}
		}
	}
	v.places(t, w, until, items)
	return v
}

// atDoor holds the alerts at the door against what went through it.
func (v *verdict) atDoor(t *sim.Truth, w *words, until time.Time, door []event.AlertView) {
	type exit struct {
		sim.Passage
		told bool
	}
	var unpaid, paid []exit
	for _, p := range t.Passages {
		if p.Direction != event.DirectionOut || t.Items[p.Item].Stranger || time.UnixMilli(p.At).After(until) {
			continue
		}
		if p.Paid {
			paid = append(paid, exit{p, false})
		} else {
			unpaid = append(unpaid, exit{p, false})
		}
	}
	take := func(list []exit, at time.Time, fits func(item int) bool) bool {
		for i := range list {
			d := at.Sub(time.UnixMilli(list[i].At))
			if !list[i].told && d > -near && d < near && fits(list[i].Item) {
				list[i].told = true
				return true
			}
		}
		return false
	}
	count := func(at time.Time, fits func(item int) bool) {
		switch {
		case take(unpaid, at, fits):
			v.exitsTold++
		case take(paid, at, fits):
			v.lateSales++
		default:
			v.falseAlarms++
		}
	}
	for _, a := range door {
		if a.Opened == nil {
			continue
		}
		count(*a.Opened, func(item int) bool {
			id, err := epc.Parse(a.Item)
			return err == nil && id.Key() == t.Items[item].Key
		})
		for _, say := range a.Members {
			// What joined an alert is named by its sentence.
			count(*a.Opened, func(item int) bool {
				return strings.Contains(say, w.title(event.GTINText(t.Items[item].GTIN)))
			})
		}
	}
	visits := map[int]bool{}
	for i := range unpaid {
		e := &unpaid[i]
		at := time.UnixMilli(e.At)
		if !e.told && until.Sub(at) < tooLate {
			continue // it went out a moment ago
		}
		v.exits++
		visits[e.Visit] = true
		if !e.told {
			v.missed = append(v.missed, w.clock(at)+" "+w.title(event.GTINText(t.Items[e.Item].GTIN)))
		}
	}
	v.visits = len(visits)
}

// places holds where Lintel has each item against where it lies.
func (v *verdict) places(t *sim.Truth, w *words, until time.Time, items []api.ItemView) {
	zones := make(map[epc.Key]string, len(items))
	for i := range items {
		if id, err := epc.Parse(items[i].Item); err == nil {
			zones[id.Key()] = items[i].Zone
		}
	}
	covered := map[string]bool{}
	for i := range w.layout.ReadPoints {
		if p := &w.layout.ReadPoints[i]; p.Role == event.Fixed && p.Zone >= 0 {
			covered[w.layout.Zones[p.Zone].ID] = true
		}
	}
	for i := range t.Items {
		at := t.Where(i, until.UnixMilli())
		if at.Carried || at.Outside || t.Items[i].Stranger || !covered[at.Zone] {
			continue
		}
		v.lying++
		if zones[t.Items[i].Key] == at.Zone {
			v.right++
		}
	}
}

// countVerdict is what lay in a zone beside what a count found there.
type countVerdict struct {
	lay    int
	found  int // of what lay there
	strays int // found, and lying elsewhere: mostly tags next door that the handheld heard as well
}

func judgeCount(t *sim.Truth, zone string, o *countOutcome) (v countVerdict) {
	for _, i := range t.Lying(zone, o.at) {
		v.lay++
		if o.found[t.Items[i].Key] {
			v.found++
		}
	}
	v.strays = len(o.found) - v.found
	return v
}
