package engine

import (
	"cmp"
	"container/heap"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

// subjectOf returns what an alert is about, comparable. One alert at a time lives for each rule and subject.
type subject struct {
	about byte // 'i' item, 's' stock, 'r' reader, 'c' count, 'f' a rule that failed, 'o' a rule that raised more than is told one by one
	key   epc.Key
	place string // stock: zone id or "kind:..."; reader: read point id; count: its id; of a rule: its name
}

// track is an alert that is not closed, with its timers.
type track struct {
	event.Alert
	subject subject
	dirty   bool
	gone    bool   // dropped: it leaves no record
	wake    int64  // when the first of its timers is due, while it is in the heap
	at      int    // place in the heap, -1: none
	seq     uint64 // of the entry that raised it, and its number there: the order of alerts
	n       int
}

// newTrack takes up an alert, new or from its record.
func newTrack(a event.Alert) *track {
	t := &track{Alert: a, subject: subjectOf(&a), at: -1}
	rest, num, _ := cutLast(a.ID)
	_, seq, _ := cutLast(rest)
	t.n, _ = strconv.Atoi(num)
	t.seq, _ = strconv.ParseUint(seq, 10, 64)
	return t
}

func cutLast(s string) (before, after string, ok bool) {
	k := strings.LastIndexByte(s, '-')
	if k < 0 {
		return "", s, false
	}
	return s[:k], s[k+1:], true
}

func compareTracks(a, b *track) int { return cmp.Or(cmp.Compare(a.seq, b.seq), cmp.Compare(a.n, b.n)) }

// alertBook holds the alerts of a site that are not closed.
type alertBook struct {
	byID      map[string]*track
	bySubject map[subject][]*track // pending, open and acknowledged ones, oldest first
	gathering map[string]*track    // by rule and group: the alert that others may join
	waiting   map[string][]*track  // by rule and group: those that wait for enough others
	rules     map[string]*ruleState
	timers    timerHeap
	dropped   [event.StageNeeds + 1]int // pending alerts that ended before anybody was told, since the state was made
	made      int                       // alerts raised in this entry, for ids
	madeSeq   uint64                    // which entry that was
}

func (b *alertBook) init() {
	b.byID = make(map[string]*track)
	b.bySubject = make(map[subject][]*track)
	b.gathering = make(map[string]*track)
	b.waiting = make(map[string][]*track)
	b.rules = make(map[string]*ruleState)
}

func subjectOf(a *event.Alert) subject {
	switch a.About {
	case event.AboutItem:
		return subject{about: 'i', key: a.Key}
	case event.AboutStock:
		return subject{about: 's', key: epc.Key{Lo: a.GTIN}, place: a.Place}
	case event.AboutReader:
		return subject{about: 'r', place: a.Place}
	case event.AboutCount:
		return subject{about: 'c', place: a.Place}
	case event.AboutStorm:
		return subject{about: 'o', place: a.Rule}
	}
	return subject{about: 'f', place: a.Rule}
}

// timerHeap orders tracks by when their first timer is due, then by id, so that equal times have one order.
type timerHeap []*track

func (h timerHeap) Len() int { return len(h) }
func (h timerHeap) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(h[i].wake, h[j].wake), compareTracks(h[i], h[j])) < 0
}
func (h timerHeap) Swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].at, h[j].at = i, j
}
func (h *timerHeap) Push(x any) {
	t := x.(*track)
	t.at = len(*h)
	*h = append(*h, t)
}
func (h *timerHeap) Pop() any {
	old := *h
	t := old[len(old)-1]
	*h = old[:len(old)-1]
	t.at = -1
	return t
}

// keepCleared is how long an alert that ended by itself can still be given an outcome.
const keepCleared = 7 * 24 * 60 * 60 * 1000

// next returns when the first of the alert's timers is due, 0: never.
func (t *track) next() int64 {
	if t.Status == event.AlertCleared {
		return t.EndedAt + keepCleared
	}
	next := int64(0)
	for _, at := range [...]int64{t.Due, t.TellAt, t.EscalateAt, t.RemindAt} {
		if at != 0 && (next == 0 || at < next) {
			next = at
		}
	}
	return next
}

// retime puts the alert where its timers say, and marks its record.
func (s *State) retime(t *track) {
	if t.at >= 0 {
		heap.Remove(&s.alerts.timers, t.at)
	}
	if t.wake = t.next(); t.wake != 0 && s.alerts.byID[t.ID] == t {
		heap.Push(&s.alerts.timers, t)
	}
	s.mark(t)
}

// setTimer sets when the alert's hold, clear delay or waiting ends; 0: there is none.
func (s *State) setTimer(t *track, due int64) {
	t.Due = due
	s.retime(t)
}

// discard takes an alert out of the book: with its record if nobody is ever to see it, without if the record stays.
func (s *State) discard(t *track, record bool) {
	if t.at >= 0 {
		heap.Remove(&s.alerts.timers, t.at)
	}
	delete(s.alerts.byID, t.ID)
	if k := t.group(); s.alerts.gathering[k] == t {
		delete(s.alerts.gathering, k)
	}
	if record {
		t.gone = true
		s.dirty.dropped = append(s.dirty.dropped, t.ID)
	}
}

// mark notes that the alert's record must be written.
func (s *State) mark(t *track) {
	if !t.dirty {
		t.dirty = true
		s.dirty.alerts = append(s.dirty.alerts, t)
	}
}

func (s *State) newAlertID() string {
	if s.alerts.madeSeq != s.seq {
		s.alerts.madeSeq, s.alerts.made = s.seq, 0
	}
	s.alerts.made++
	return fmt.Sprintf("%s-%d-%d", s.site, s.seq, s.alerts.made)
}

// rebound looks at all alerts after the configuration changed: those whose rule is gone or off end, and reports of failure end with the version that failed.
func (s *State) rebound() {
	for _, t := range s.alerts.inOrder() {
		if t.Status != event.AlertPending && t.Status != event.AlertOpen && t.Status != event.AlertAcknowledged {
			continue
		}
		r := s.bound.rulesByName[t.Rule]
		if r == nil || r.Mode == rules.ModeOff || t.subject.about == 'f' && r.Digest != t.Digest {
			s.lower(t, nil)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.alerts.rules)) {
		if s.bound.rulesByName[name] == nil {
			s.alerts.rules[name].gone = true
			delete(s.alerts.rules, name)
			s.dirty.gone = append(s.dirty.gone, RecordName{event.KindAside, asideRule + name})
		}
	}
}

// inOrder lists all alerts that are not closed in the order in which they were raised.
func (b *alertBook) inOrder() []*track {
	all := make([]*track, 0, len(b.byID))
	for _, t := range b.byID {
		all = append(all, t)
	}
	slices.SortFunc(all, compareTracks)
	return all
}

func (b *alertBook) digest(put func(string, ...any)) {
	for _, t := range b.inOrder() {
		put("alert %+v", t.Alert)
	}
	for _, name := range slices.Sorted(maps.Keys(b.rules)) {
		put("rule %s %d %d %v", name, b.rules[name].start, b.rules[name].n, b.rules[name].quiet)
	}
}

// nextTimer returns when the next timer of an alert is due, math.MaxInt64: never.
func (b *alertBook) nextTimer() int64 {
	if len(b.timers) == 0 {
		return math.MaxInt64
	}
	return b.timers[0].wake
}
