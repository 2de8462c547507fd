package deliver

import (
	"fmt"
	"slices"
	"time"
)

type gateKey struct{ channel, alert string }

// parked holds, by channel and alert, the order of the first message that is pending in the store
// and not in memory. Messages after it wait there too.
type parked map[string]map[string]int

const (
	maxParked = 1 << 14         // alerts of one channel that are remembered
	wideGap   = 2 * time.Second // before the store is searched for what is due late, so that it is not all the time
)

// add remembers a message, and reports whether there was room for that.
func (p parked) add(channel, alert string, order int) bool {
	if alert == "" {
		return true
	}
	alerts := p[channel]
	if alerts == nil {
		alerts = map[string]int{}
		p[channel] = alerts
	}
	first, known := alerts[alert]
	if !known && len(alerts) >= maxParked {
		return false
	}
	if !known || order < first {
		alerts[alert] = order
	}
	return true
}

// before reports whether an earlier message of the alert is parked.
func (p parked) before(channel, alert string, order int) bool {
	first, known := p[channel][alert]
	return known && first < order
}

// gate returns where the entry has to queue.
func (e *entry) gate() (gateKey, bool) {
	return gateKey{e.lane.name, e.alert}, e.pending && e.alert != ""
}

// mayGo reports whether no earlier message of the alert is pending.
func (e *entry) mayGo() bool {
	key, ok := e.gate()
	return !ok || e.site.gates[key][0] == e && !e.site.parked.before(key.channel, key.alert, e.order)
}

// behind returns the id of the message that the entry has to wait for longer than for a try that is
// under way or about to begin, if there is one.
func (e *entry) behind() (id string, waits bool) {
	key, _ := e.gate()
	switch first := e.site.gates[key]; {
	case e.mayGo():
		return "", false
	case first[0] == e:
		return fmt.Sprintf("number %d", e.site.parked[key.channel][key.alert]), true
	default:
		return first[0].id, first[0].state == stateDelayed || first[0].state == stateGated
	}
}

// park leaves a message of a channel that fails to the store, and with it those that wait for it.
func (q *queue) park(e *entry) {
	s := e.site
	key, ok := e.gate()
	if !ok {
		q.remove(e)
		return
	}
	if !s.parked.add(key.channel, key.alert, e.order) {
		s.crowd(key.channel)
	}
	if s.scanning {
		s.passed.add(key.channel, key.alert, e.order)
	}
	for {
		list := s.gates[key]
		last := list[len(list)-1]
		last.answer(Outcome{Class: Failed, Reason: "not sent: it waits for " + e.id + ", an earlier message of its alert"}, nil)
		q.remove(last)
		delete(s.recent, last.id) // it is not done
		if last == e {
			return
		}
	}
}

func (s *siteQueue) crowd(channel string) {
	if s.crowded == nil {
		s.crowded = map[string]bool{}
	}
	s.crowded[channel] = true
}

// bringForward lets waiting messages of the lane be tried now, the oldest first, as many as it has
// credit for. What failed for another reason than the channel's is tried once more, and then waits
// for its own time.
func (q *queue) bringForward(l *lane) {
	for l.credit > 0 && l.waiting.Len() > 0 {
		e := l.waiting.first()
		l.credit--
		q.unplace(e)
		e.forward, e.due = true, e.notBefore
		q.place(e)
	}
	if l.credit == 0 {
		return
	}
	for _, s := range q.sites {
		if len(s.parked[l.name]) > 0 && s.attached {
			s.wide[l.name] = true
			s.scanBy(time.Now().Add(wideGap))
		}
	}
}

// ungate takes the entry out of its gate when it is settled or leaves, and lets the next one pass.
func (q *queue) ungate(e *entry) {
	key, ok := e.gate()
	if e.pending = false; !ok {
		return
	}
	s := e.site
	list := s.gates[key]
	at := slices.Index(list, e)
	list = slices.Delete(list, at, at+1)
	if len(list) == 0 {
		delete(s.gates, key)
		return
	}
	s.gates[key] = list
	if next := list[0]; at == 0 && next.state == stateGated {
		q.place(next)
	}
}
