package cases

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
	"lintel/rules/hours"
)

// Bounds on what one case may make of its steps.
var (
	maxEntries = 500_000
	maxReads   = 5_000_000
	maxFacts   = 20_000 // that are kept
)

// world is the shop while a case runs. Everything that happens in it is an entry for
// engine.Machine.
type world struct {
	c   *Case
	cfg *engine.Config
	s   *engine.Machine

	now     int64 // Unix milliseconds
	acted   bool  // something was done at this very moment
	entries int
	reads   int
	over    func() bool // see Book.Stop
	stopped bool        // a bound was passed or something can't go on: the rest of the case means nothing

	lying  []lying
	muted  map[string]bool
	pulse  *event.Entry // what the readers report together; nil: to be made anew
	beatAt int64        // when they report next
	busy   int64        // until when they report in each epoch

	happened  []happening
	since     int   // of happened: what came after the last expectation
	sinceAt   int64 // when that was
	sinceFact int   // of facts: the first after it
	lost      bool  // and some of them are not kept any more
	messages  []event.Delivery
	facts     []event.Fact
	trace     []string // if the case has one
	traced    int      // its lines, with those that are only counted
	counts    map[string]*counting
	failures  []Failure

	watched []*rules.Rule // see noteBatch
	notes   map[string][]note
}

// lying is an item that the readers of a zone hear all the time.
type lying struct {
	tag    event.Tag
	points []string
	rssi   int16
}

// counting is a count that the case opened.
type counting struct {
	id     string
	zones  []string
	result *event.CountResult
}

// happening is one change of an alert, with what had joined the alert by then.
type happening struct {
	what  string
	at    int64
	alert event.Alert
	items []epc.Key // of the alert and of those that joined it
	taken bool      // some expectation named it
}

func newWorld(c *Case, cfg *engine.Config, over func() bool) *world {
	w := &world{c: c, over: over, cfg: cfg, s: engine.NewMachine(cfg.Layout.Site, cfg), now: c.start.UnixMilli(),
		muted: make(map[string]bool), counts: make(map[string]*counting), notes: make(map[string][]note)}
	w.watched = c.watched(cfg.Rules.ForSite(cfg.Layout.Site))
	w.sinceAt, w.beatAt = w.now, w.now
	w.advance(w.now)
	return w
}

// step folds one entry, as the server does.
func (w *world) step(e *event.Entry) {
	if w.stopped {
		return
	}
	w.entries++
	w.reads += len(e.Reads)
	if w.over != nil && w.entries%64 == 1 && w.over() {
		w.stop("there was no time left for the case", "run fewer or shorter cases at once")
		return
	}
	if w.entries > maxEntries || w.reads > maxReads {
		w.stop(fmt.Sprintf("the case takes more than %d entries or %d reads", maxEntries, maxReads),
			"make its waits shorter, or its reads fewer")
		return
	}
	e.Seq, e.At = 0, max(w.now, w.s.Clock())
	if err := w.s.Apply(e, nil); err != nil {
		w.stop(err.Error(), "") // cannot be: the machine numbers them
		return
	}
	w.note(w.s.Batch())
}

// note keeps what came of an entry.
func (w *world) note(b *engine.Batch) {
	for i := range b.Alerts {
		ch := &b.Alerts[i]
		h := w.happen(&ch.Alert)
		h.what, h.at = strings.TrimPrefix(ch.Type, "alert."), ch.At
		if ch.Alert.About == event.AboutRule && h.what == "opened" {
			h.what = failed
		}
		w.happened = append(w.happened, *h)
	}
	w.noteBatch(b)
	w.record(b, w.happened[len(w.happened)-len(b.Alerts):])
	w.messages = append(w.messages, b.Deliveries...)
	if len(w.facts)+len(b.Facts) > maxFacts {
		old := len(w.facts) / 2
		w.lost = w.lost || w.sinceFact < old
		w.facts, w.sinceFact = slices.Delete(w.facts, 0, old), max(0, w.sinceFact-old)
	}
	w.facts = append(w.facts, b.Facts...)
	for _, res := range b.Results {
		for _, c := range w.counts {
			if c.id == res.Count {
				c.result = res
			}
		}
	}
}

// act begins something that is done now. Two things are never done at the very same moment: a
// millisecond lies between them.
func (w *world) act() {
	if w.acted {
		w.advance(w.now + 1)
	}
	w.acted = true
}

// advance lets time go by until a moment, with what is due on the way: the timers of the core, and
// what the shop's readers report by themselves.
func (w *world) advance(to int64) {
	for !w.stopped {
		tick, due := w.s.Tick(min(to, w.beatAt))
		next := min(tick.At, w.beatAt)
		if next > to {
			break
		}
		w.now = max(w.now, next)
		if due {
			w.step(&tick)
		} else {
			w.beat()
		}
	}
	if to > w.now {
		w.acted = false
	}
	w.now = max(w.now, to)
}

// heardFor is for how long after a fixed reader heard something the readers report in each epoch:
// as long as evidence matters.
const heardFor = 3 * time.Minute

// slowBeat is how often they report otherwise, if no read point counts as silent sooner.
const slowBeat = time.Minute

// beat lets the readers report what lies about, and that they are alive. A shop is full of other
// goods, so readers that hear nothing of the case's items hear something else.
func (w *world) beat() {
	if w.pulse == nil {
		w.pulse = &event.Entry{Kind: event.EntryReads}
		for i := range w.cfg.Layout.ReadPoints {
			p := &w.cfg.Layout.ReadPoints[i]
			if !w.muted[p.ID] && (p.Role == event.Fixed || p.SilentAfter > 0) {
				w.pulse.Points = append(w.pulse.Points, p.ID)
			}
		}
		for _, l := range w.lying {
			for _, id := range l.points {
				if k := slices.Index(w.pulse.Points, id); k >= 0 {
					w.pulse.Reads = append(w.pulse.Reads, event.Read{Key: l.tag.Key, Text: l.tag.Text, Point: uint16(k),
						RSSI: l.rssi, N: 1})
				}
			}
		}
	}
	for i := range w.pulse.Reads {
		w.pulse.Reads[i].T = w.now
	}
	w.step(w.pulse)
	epoch := w.cfg.Layout.Presence.Epoch
	if len(w.pulse.Reads) > 0 {
		w.busy = w.now + heardFor.Milliseconds()
	}
	wait := epoch
	if w.now >= w.busy {
		wait = slowBeat
		for i := range w.cfg.Layout.ReadPoints {
			if d := w.cfg.Layout.ReadPoints[i].SilentAfter; d > 0 {
				wait = min(wait, d/3)
			}
		}
		wait = max(wait, epoch)
	}
	w.beatAt = w.now + max(1, wait.Milliseconds())
}

// rearrange makes the readers report what has changed, from now on in each epoch.
func (w *world) rearrange() {
	w.pulse = nil
	w.busy = w.now + heardFor.Milliseconds()
	w.beatAt = min(w.beatAt, w.now+w.cfg.Layout.Presence.Epoch.Milliseconds())
}

func (w *world) takeAway(items []thing) {
	w.lying = slices.DeleteFunc(w.lying, func(l lying) bool {
		return slices.ContainsFunc(items, func(t thing) bool { return t.tag.Key == l.tag.Key })
	})
	w.rearrange()
}

// addRead adds a read to an entry, with the names of its read point and zone.
func (w *world) addRead(e *event.Entry, point, zone string, r event.Read) {
	r.Point = number(&e.Points, point)
	if zone != "" {
		r.Zone = 1 + number(&e.Zones, zone)
	}
	e.Reads = append(e.Reads, r)
}

func number(names *[]string, name string) uint16 {
	if i := slices.Index(*names, name); i >= 0 {
		return uint16(i)
	}
	*names = append(*names, name)
	return uint16(len(*names) - 1)
}

// hear lets a read point report items now.
func (w *world) hear(s *readStep, count string) {
	e := event.Entry{Kind: event.EntryReads, Count: count}
	for _, t := range s.items {
		w.addRead(&e, s.point.ID, s.zone, event.Read{Key: t.tag.Key, Text: t.tag.Text, RSSI: s.rssi, N: uint32(s.times), T: w.now})
	}
	w.step(&e)
}

func (s *readStep) run(w *world) {
	w.act()
	if s.point.Role == event.Fixed {
		w.busy = max(w.busy, w.now+(s.span+heardFor).Milliseconds())
		w.beatAt = min(w.beatAt, w.now+w.cfg.Layout.Presence.Epoch.Milliseconds())
	}
	w.hear(s, "")
	if s.span == 0 {
		return
	}
	begin := w.now
	for after := s.every; after < s.span && !w.stopped; after += s.every {
		w.advance(begin + after.Milliseconds())
		w.hear(s, "")
	}
	w.advance(begin + s.span.Milliseconds())
}

func (s *putStep) run(w *world) {
	w.takeAway(s.items)
	w.act()
	for _, t := range s.items {
		w.lying = append(w.lying, lying{t.tag, s.points, s.rssi})
	}
	w.rearrange()
	w.beatAt = w.now
	w.advance(w.now)
	w.acted = true
}

func (s *takeStep) run(w *world) {
	w.act()
	w.takeAway(s.items)
}

func (s *muteStep) run(w *world) {
	w.act()
	// The last report of those that stop, and the first of those that begin again, is now.
	e := event.Entry{Kind: event.EntryReads, Points: s.points}
	w.step(&e)
	for _, id := range s.points {
		w.muted[id] = s.mute
	}
	w.rearrange()
}

func (s *eventStep) run(w *world) {
	w.act()
	ev := s.event
	ev.T = w.now - s.ago.Milliseconds()
	w.step(&event.Entry{Kind: event.EntryEvents, Events: []event.Event{ev}})
}

func (s *elsewhereStep) run(w *world) {
	w.act()
	for part := range slices.Chunk(s.items, event.MaxElsewhere) {
		e := event.Entry{Kind: event.EntryElsewhere}
		for _, t := range part {
			if _, ok := w.s.Item(t.tag.Key); !ok {
				w.fail(s.place, t.handle+" was not heard here yet: only what was heard is looked up at other shops",
					"write this step after it is read, put or received")
				w.stopped = true
				return
			}
			e.Elsewhere = append(e.Elsewhere, event.Elsewhere{Key: t.tag.Key, Site: s.site})
		}
		w.step(&e)
	}
}

func (s *waitStep) run(w *world) {
	to := w.now + s.d.Milliseconds()
	if s.wall != nil {
		t, bad := w.moment(s.wall)
		if bad != nil {
			w.fail(s.place, bad.message, bad.hint)
			w.stopped = true
			return
		}
		if to = t.UnixMilli(); to < w.now {
			w.fail(s.place, fmt.Sprintf("it is %s already, so it can't become %s", w.clock(w.now), s.wall.text),
				"write the date too for a time on another day: at: 2026-03-11 09:00")
			w.stopped = true
			return
		}
	}
	if to > w.c.start.Add(maxCaseTime).UnixMilli() {
		w.fail(s.place, fmt.Sprintf("this is more than %s after the case began", hours.FormatPeriod(maxCaseTime)), "make its waits shorter")
		w.stopped = true
		return
	}
	w.advance(to)
}

func (s downStep) run(w *world) {
	w.act()
	w.now += time.Duration(s).Milliseconds()
	w.step(&event.Entry{Kind: event.EntryStart})
	w.rearrange()
	w.beatAt = w.now + w.cfg.Layout.Presence.Epoch.Milliseconds() // the readers connect again
}

// moment returns when the clocks of the site show a time: today, if it has no date.
func (w *world) moment(at *wall) (time.Time, *wallError) {
	loc, day := w.cfg.Layout.Location(), *at
	if !day.hasDate {
		day.date = hours.DateOf(time.UnixMilli(w.now).In(loc))
	}
	return day.resolve(loc)
}

// shows reports whether the clocks of the site show a time at a moment, to the second or minute that
// is written.
func (w *world) shows(at *wall, ms int64) bool {
	unit := time.Minute
	if at.exact {
		unit = time.Second
	}
	t, bad := w.moment(at)
	return bad == nil && time.UnixMilli(ms).Sub(t) >= 0 && time.UnixMilli(ms).Sub(t) < unit
}

func (s *countStep) run(w *world) {
	w.act()
	c := w.counts[s.name]
	if s.do == "open" {
		c = &counting{id: event.CountID(w.s.Site(), w.s.Seq()+1), zones: s.zones}
		w.counts[s.name] = c
	}
	switch s.do {
	case "open":
		w.step(&event.Entry{Kind: event.EntryCount, By: "case", Command: event.CountCommand{Do: s.do, Zones: s.zones,
			MissingAfter: s.missingAfter, Delivery: s.papers != nil, Papers: s.papers}})
	case "read":
		read := *s.read
		if read.zone == "" {
			if len(c.zones) > 1 {
				w.fail(s.place, "the count has several zones, and it is not said in which one these items are", "write zone: "+c.zones[0])
				return
			}
			read.zone = c.zones[0]
		}
		w.hear(&read, c.id)
	default:
		w.step(&event.Entry{Kind: event.EntryCount, By: "case", Command: event.CountCommand{Do: s.do, ID: c.id}})
	}
}

func (s *personStep) run(w *world) {
	w.act()
	var found []event.Alert
	alerts := w.s.Alerts()
	for i := range alerts {
		a := &alerts[i]
		if a.Status != event.AlertClosed && a.Lead == "" && s.which.fits(w, w.happen(a)) {
			if s.do == "acknowledge" && a.Status != event.AlertOpen {
				continue
			}
			found = append(found, *a)
		}
	}
	if len(found) != 1 {
		f := w.fail(s.place, fmt.Sprintf("there are %d alerts that somebody could %s here, not one", len(found), s.do), "")
		if len(found) == 0 {
			f.Reason = "there is no alert that somebody could " + s.do + " here"
			f.add("-", s.which.words(w.c, "open"))
			for _, line := range w.miss(&s.which, "opened") {
				f.add("", line)
			}
		}
		for i := range found {
			f.add("+", w.describe(w.happen(&found[i])))
		}
		return
	}
	w.step(&event.Entry{Kind: event.EntryAct, By: s.by, Act: event.Act{Alert: found[0].ID, Do: s.do, Outcome: s.outcome, Note: s.note}})
}

// happen wraps an alert as it stands now.
func (w *world) happen(a *event.Alert) *happening {
	h := &happening{what: a.Status.String(), at: a.OpenedAt, alert: *a}
	if a.About == "item" {
		h.items = []epc.Key{a.Key}
	}
	if a.Joined > 0 {
		for _, m := range w.s.LiveAlerts() {
			if m.Lead == a.ID && m.About == "item" {
				h.items = append(h.items, m.Key)
			}
		}
	}
	return h
}

// clock writes a moment as the clocks of the site show it: with the date on another day than the
// first, with the distance to UTC where the clocks show a time twice.
func (w *world) clock(ms int64) string {
	loc := w.cfg.Layout.Location()
	t := time.UnixMilli(ms).In(loc)
	form := time.TimeOnly
	if ms%1000 != 0 {
		form += ".000"
	}
	if hours.DateOf(t) != hours.DateOf(w.c.start) {
		form = time.DateOnly + " " + form
	}
	date := hours.DateOf(t)
	shown := wall{date: date, hasDate: true, seconds: t.Hour()*3600 + t.Minute()*60 + t.Second()}
	if _, twice := shown.resolve(loc); twice != nil {
		form += " -07:00"
	}
	return t.Format(form)
}
