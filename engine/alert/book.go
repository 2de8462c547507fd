package alert

import (
	"cmp"
	"container/heap"
	"container/list"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

// Shop is what a book asks of the site that it belongs to, and where it puts what comes of its
// alerts.
type Shop interface {
	// Env fills what a rule sees of an alert's subject now, with the cause and the passage that
	// raised the alert; nil if the subject is gone. It is valid until the next environment is
	// filled.
	Env(s Subject, a *event.Alert) *rules.Env
	// Identify fills the words of an item's identity, which the environment may lack.
	Identify(env *rules.Env, k epc.Key, text string)
	// Local returns a moment in the site's time, and whether the site is open then.
	Local(ms int64) (open bool, day time.Weekday, minuteOfDay int)
	// Product returns what messages show of a product, nil if the catalogue does not have it.
	Product(gtin uint64) *event.MessageProduct
	// Changed takes a change of an alert, one of event.Changes, with its messages.
	Changed(change string, a *event.Alert, messages []event.Delivery)
	// Joined takes an alert that became part of another; there are no changes of it.
	Joined(a *event.Alert)
}

// Subject is what an alert is about. At any time there is at most one alert for each rule and
// subject.
type Subject struct {
	about byte // see abouts; the byte is stored
	key   epc.Key
	place string // stock: zone id or "kind:..."; reader: read point id; count, zone: its id; of a rule: its name
}

// abouts are the texts of Subject.about.
var abouts = map[byte]string{
	'i': event.AboutItem, 'p': event.AboutItem, 's': event.AboutStock, 'r': event.AboutReader, 'c': event.AboutCount, 'z': event.AboutZone,
	'f': event.AboutRule, 'o': event.AboutStorm,
}

// Item is the subject of rules about one tagged thing.
func Item(k epc.Key) Subject { return Subject{about: 'i', key: k} }

// product is the subject of the first step of a sequence about any items of one product.
func product(gtin uint64) Subject { return Subject{about: 'p', key: epc.Key{Lo: gtin}} }

// Stock is the subject of rules about a product at a place: a zone id, or "kind:" and a zone kind.
func Stock(gtin uint64, place string) Subject {
	return Subject{about: 's', key: epc.Key{Lo: gtin}, place: place}
}

// Reader is the subject of rules about a read point.
func Reader(point string) Subject { return Subject{about: 'r', place: point} }

// Count is the subject of rules about a count.
func Count(id string) Subject { return Subject{about: 'c', place: id} }

// Zone is the subject of rules about what is in a zone.
func Zone(id string) Subject { return Subject{about: 'z', place: id} }

// failure is the subject of the alert that reports a rule which failed, storm that of what a rule
// raises beyond its limit.
func failure(rule string) Subject { return Subject{about: 'f', place: rule} }
func storm(rule string) Subject   { return Subject{about: 'o', place: rule} }

// About returns what kind of thing the subject is, one of event.Subjects.
func (s Subject) About() string { return abouts[s.about] }

func (s Subject) compare(t Subject) int {
	return cmp.Or(cmp.Compare(s.about, t.about), s.key.Compare(t.key), cmp.Compare(s.place, t.place))
}

func subjectOf(a *event.Alert) Subject {
	switch a.About {
	case event.AboutItem:
		if a.Place == rules.SameProduct {
			return product(a.GTIN)
		}
		return Item(a.Key)
	case event.AboutStock:
		return Stock(a.GTIN, a.Place)
	case event.AboutReader:
		return Reader(a.Place)
	case event.AboutCount:
		return Count(a.Place)
	case event.AboutZone:
		return Zone(a.Place)
	case event.AboutStorm:
		return storm(a.Rule)
	}
	return failure(a.Rule)
}

// track is an alert that is not closed, with its timers.
type track struct {
	event.Alert
	subject Subject
	dirty   bool
	gone    bool   // it leaves no record
	wake    int64  // when the first of its timers is due, while it is in the heap
	at      int    // place in the heap, -1: none
	seq     uint64 // of the entry that raised it, and its number there: the order of alerts
	n       int
	begun   *list.Element // its place among the first steps of its rule, nil: it is none
}

// newTrack returns the track of an alert, new or from its record.
func newTrack(a event.Alert) *track {
	t := &track{Alert: a, subject: subjectOf(&a), at: -1}
	rest, n := cutLast(a.ID)
	_, seq := cutLast(rest)
	t.n, _ = strconv.Atoi(n)
	seq, _, _ = strings.Cut(seq, "_")
	t.seq, _ = strconv.ParseUint(seq, 10, 64)
	return t
}

// cutLast cuts an id at its last hyphen.
func cutLast(s string) (before, after string) {
	k := max(0, strings.LastIndexByte(s, '-'))
	return s[:k], strings.TrimPrefix(s[k:], "-")
}

func compareTracks(a, b *track) int { return cmp.Or(cmp.Compare(a.seq, b.seq), cmp.Compare(a.n, b.n)) }

// Book holds the alerts of a site that are not over for longer than keepOver, and what is remembered of its rules. It is
// not for concurrent use, but for Explain and the questions, which change nothing.
type Book struct {
	Incarnation string // of the store: a part of the ids that are made from now on, "" for none

	site string
	shop Shop
	seq  uint64 // of the entry that is folded
	now  int64  // the site clock, Unix milliseconds

	set    *rules.Set
	eval   *rules.Evaluator
	byName map[string]*rules.Rule
	hours  calendar

	kept
	gathers  gathers
	memories memories
	counters
	left    *rules.Rule // the first that was not evaluated in the entry leftSeq
	leftSeq uint64
	made    int    // alerts raised in this entry, for ids
	madeSeq uint64 // which entry that was

	unwritten
}

// NewBook returns the empty book of a site. Bind must follow.
func NewBook(site string, shop Shop) *Book {
	b := &Book{
		site: site, shop: shop, hours: calendar{shop: shop}, kept: kept{byID: make(map[string]*track), following: make(following)},
		gathers: gathers{leads: make(map[string]*track), waiting: make(map[string][]*track)},
	}
	b.memories = memories{byRule: make(map[string]*memory), unwritten: &b.unwritten}
	return b
}

// Bind sets the rules, and the site's opening hours, that hold from now on.
func (b *Book) Bind(set *rules.Set, open Opening) {
	b.set, b.eval, b.hours.opening, b.hours.begin = set, set.NewEvaluator(), open, nil
	b.begun.bind(set)
	b.byName = make(map[string]*rules.Rule, len(set.Rules()))
	for _, r := range set.Rules() {
		b.byName[r.Name] = r
	}
}

// Begin says which entry what follows comes of, and what time it is: Unix milliseconds of the site
// clock.
func (b *Book) Begin(seq uint64, now int64) { b.seq, b.now = seq, now }

// counters count what came of rules beside alerts.
type counters struct {
	dropped  [len(stageStates)]int // alerts that nobody saw, by what held them back, since the book was made
	failures int                   // of rules, since the last call of Failures
}

// Dropped returns how many alerts ended before anybody was notified, by what held them back.
func (c *counters) Dropped() map[event.Stage]int {
	dropped := make(map[event.Stage]int)
	for stage, n := range c.dropped {
		if n > 0 {
			dropped[event.Stage(stage)] = n
		}
	}
	return dropped
}

// Failures returns how often a rule failed while it ran since the last call.
func (c *counters) Failures() int {
	n := c.failures
	c.failures = 0
	return n
}

// Digest writes what the book knows with put, in a fixed order.
func (b *Book) Digest(put func(format string, args ...any)) {
	for _, t := range b.inOrder() {
		a := t.Alert
		a.Why = nil // as text: a list of bytes is long
		put("alert %+v why %s", a, t.Why)
	}
	for _, name := range slices.Sorted(maps.Keys(b.memories.byRule)) {
		m := b.memories.byRule[name]
		put("rule %s %d %d %v", name, m.start, m.n, m.quiet)
	}
}

// incarnation returns what follows a number in an id, which may be given out again without it.
func incarnation(ofStore string) string {
	if ofStore == "" {
		return ""
	}
	return "_" + ofStore
}

// newAlert puts an alert of a rule into the book, pending, and lets facts about its subject find
// it.
func (b *Book) newAlert(r *rules.Rule, a event.Alert) *track {
	if b.madeSeq != b.seq {
		b.madeSeq, b.made = b.seq, 0
	}
	b.made++
	a.ID = fmt.Sprintf("%s-%d%s-%d", b.site, b.seq, incarnation(b.Incarnation), b.made)
	a.Rule, a.Digest, a.Watch, a.Since = r.Name, r.Digest, r.Mode == rules.ModeWatch, b.now
	t := newTrack(a)
	b.byID[t.ID] = t
	b.following.add(t)
	return t
}

// discard takes an alert out of the book: with its record if nobody is ever to see it, without if
// the record stays.
func (b *Book) discard(t *track, withRecord bool) {
	b.rest(t)
	delete(b.byID, t.ID)
	b.gathers.end(t)
	b.begun.remove(t)
	if withRecord {
		t.gone = true
		b.delete(event.KindAlert, t.ID)
	}
}

// keepOver is how long an alert that ended by itself can still be given an outcome, and that of one
// that a person closed can be corrected, in milliseconds.
const keepOver = 7 * 24 * 60 * 60 * 1000

// next returns when the first of the alert's timers is due, 0: never.
func (t *track) next() int64 {
	switch t.Status {
	case event.AlertCleared:
		return t.EndedAt + keepOver
	case event.AlertClosed:
		return t.ClosedAt + keepOver
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
func (b *Book) retime(t *track) {
	b.wait(t)
	b.mark(t)
}

// setDue sets when the alert's hold, clear delay or another wait ends; 0: there is none.
func (b *Book) setDue(t *track, due int64) {
	t.Due = due
	b.retime(t)
}

// Advance carries out the timers that are due.
func (b *Book) Advance() {
	for b.Next() <= b.now {
		t := heap.Pop(&b.timers).(*track)
		b.fireTimers(t)
		if b.byID[t.ID] == t && t.at < 0 {
			b.retime(t)
		}
	}
}

// Resume says that nothing could be received for a while: every hold, and every wait for what must not
// come within a time, goes on for grace, in milliseconds, at most for its own length, since what would
// end it may be on its way.
func (b *Book) Resume(grace int64) {
	for _, t := range b.inOrder() {
		r := b.byName[t.Rule]
		if r == nil {
			continue
		}
		length, open := r.Hold, r.HoldOpen
		switch {
		case t.Stage == event.StageWithin && r.Absent():
			length, open = r.Sequence.Within, r.Sequence.Open
		case t.Stage != event.StageHold:
			continue
		}
		if due := b.hours.after(b.now, min(time.Duration(grace)*time.Millisecond, length), open); due > t.Due {
			b.setDue(t, due)
		}
	}
}

// fireTimers carries out those of an alert's timers that are due.
func (b *Book) fireTimers(t *track) {
	c := cause{rule: b.byName[t.Rule]}
	if t.Over() {
		b.fire(t, onDue, nil, c)
		return
	}
	for _, timer := range [...]struct {
		at *int64
		on occurrence
	}{{&t.Due, onDue}, {&t.TellAt, onGathered}, {&t.EscalateAt, onEscalateDue}, {&t.RemindAt, onRemindDue}} {
		if *timer.at == 0 || *timer.at > b.now || b.byID[t.ID] != t {
			continue
		}
		*timer.at = 0
		b.fire(t, timer.on, nil, c)
	}
}
