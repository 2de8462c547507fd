package engine

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"slices"

	"lintel/engine/alert"
	"lintel/engine/event"
	"lintel/rules"
)

// Rules about a zone count items that are in it. The counts are kept as items move, for the zones and
// the choices of items that some rule asks for; a site without such rules keeps none. Which items are
// in a zone, and since when, follows from the records of items. What came and went is a record of its
// own, see window. An exit holds no items: what is there has gone out.
//
// A condition can change without any item that moves: with the age of the oldest item, when
// something came too long ago to count, and with the time of day. For that there are timers.

// zoneBook holds what rules about zones count. The zero value is that of a site without such rules.
type zoneBook struct {
	eval   *rules.Evaluator
	zones  []*zoneRules // by name number, nil: no rule can be true there; nil: there are no rules about zones
	order  []*zoneRules // those that are not nil, in the order of the layout
	env    rules.Env    // of an item that may count
	filled bool         // env is that of the item as it is now
	wordy  bool         // some rule chooses items by their identity in words

	was    uint16 // zone of the item that changes, and since when it was there
	wasAt  int64
	owed   []*zoneRules // whose rules have not met what changed
	fact   int          // of the batch: the first after the change
	seen   int64        // site clock up to which timers were carried out
	next   int64        // when the first is due, if known
	known  bool
	clocks rules.Tally // Clock and Minute: whether any rule asks for the time of day

	hourFrom, hourEnds int64 // a stretch of time in which neither the hour changes nor the shop opens or closes

	changed []string // keys of windows whose records have changed since the last flush
	kept    map[string]*window
}

// zoneRules are the rules about one zone, and what each counts.
type zoneRules struct {
	zone    uint16
	rules   []*rules.Rule
	counted []*tally // by each rule
	tallies []*tally // each once
	owed    bool
}

// tally is the items of one zone that rules choose alike.
type tally struct {
	zone    uint16
	rule    *rules.Rule // one of those that count so
	eval    *rules.Evaluator
	count   int
	window  *window // of what came and went; nil: no rule asks
	aged    bool    // some rule asks for the oldest
	ages    []int64 // see rules.Tally
	anyAge  bool
	waiting ages // if aged: the items, by when they came, with some that no longer count
	had     bool // the item that changes counted before
	changed bool // since rules met it
}

func newTally(zone uint16, r *rules.Rule, eval *rules.Evaluator) *tally {
	return &tally{zone: zone, rule: r, eval: eval, aged: r.Tally.OldestMatters(), ages: r.Tally.Ages, anyAge: r.Tally.AnyAge}
}

// of returns a rule about a zone and what it counts there, nil if it can't be true there.
func (z *zoneBook) of(zone uint16, rule string) (*rules.Rule, *tally) {
	if zr := z.at(zone); zr != nil {
		if k := slices.IndexFunc(zr.rules, func(r *rules.Rule) bool { return r.Name == rule }); k >= 0 {
			return zr.rules[k], zr.counted[k]
		}
	}
	return nil, nil
}

func (z *zoneBook) at(zone uint16) *zoneRules {
	if int(zone) < len(z.zones) {
		return z.zones[zone]
	}
	return nil
}

// bindZones takes over the rules about zones, and counts anew.
func (s *core) bindZones() {
	old := &s.zones
	z := zoneBook{seen: old.seen, changed: old.changed, kept: make(map[string]*window)}
	for i := range s.bound.cfg.Layout.Zones {
		l := &s.bound.cfg.Layout.Zones[i]
		if l.Kind == event.Exit {
			continue
		}
		zr := &zoneRules{zone: s.numbers[l.ID]}
		byKey := make(map[string]*tally)
		for _, r := range s.bound.rules.Rules() {
			if r.Tally == nil || r.Mode == rules.ModeOff || !r.InZone(l.ID, l.Kind.String()) {
				continue
			}
			if z.eval == nil {
				z.eval, z.zones = s.bound.rules.NewEvaluator(), make([]*zoneRules, len(s.bound.layout.Zones))
			}
			t := byKey[r.Tally.Key]
			if t == nil {
				t = newTally(zr.zone, r, z.eval)
				byKey[r.Tally.Key], zr.tallies = t, append(zr.tallies, t)
				if within := r.Tally.Within.Milliseconds(); within > 0 {
					t.window = z.keep(old, windowKey(l.ID, r), within)
				}
			}
			t.aged, t.anyAge = t.aged || r.Tally.OldestMatters(), t.anyAge || r.Tally.AnyAge
			t.ages = slices.Concat(t.ages, r.Tally.Ages)
			z.clocks.Clock, z.clocks.Minute = z.clocks.Clock || r.Tally.Clock, z.clocks.Minute || r.Tally.Minute
			z.wordy = z.wordy || r.Tally.Wordy
			zr.rules, zr.counted = append(zr.rules, r), append(zr.counted, t)
		}
		if len(zr.rules) > 0 {
			z.zones[zr.zone], z.order = zr, append(z.order, zr)
		}
	}
	for key := range old.kept {
		if z.kept[key] == nil {
			z.changed = append(z.changed, key) // nobody asks any more
		}
	}
	slices.Sort(z.changed)
	z.changed = slices.Compact(z.changed)
	s.zones = z
	s.zones.recount(s)
}

// keep returns the window of a tally, with what it had under the rules before.
func (z *zoneBook) keep(old *zoneBook, key string, within int64) *window {
	w := old.kept[key]
	if w == nil {
		w = newWindow(key, within)
	}
	z.kept[key] = w
	return w
}

// windowKey is the key of a window's record.
func windowKey(zone string, r *rules.Rule) string {
	h := sha256.Sum256([]byte(r.Tally.Key))
	return asideZone + zone + "/" + hex.EncodeToString(h[:8])
}

// recount counts anew what is in the zones.
func (z *zoneBook) recount(s *core) {
	for _, zr := range z.order {
		for _, t := range zr.tallies {
			t.count, t.waiting = 0, nil
		}
	}
	if z.zones == nil {
		return
	}
	for i := range s.count {
		if zr := z.at(s.item(i).Zone); zr != nil {
			z.filled = false
			for _, t := range zr.tallies {
				t.add(&s.view, i)
			}
		}
	}
	z.filled, z.known = false, false
}

// add counts an item that is there.
func (t *tally) add(s *view, i int32) {
	if it := s.item(i); it.Zone == t.zone && t.counts(s, it) {
		t.count++
		t.push(s, i)
	}
}

// counts reports whether an item counts, if it is in the zone.
func (t *tally) counts(s *view, it *item) bool {
	if t.rule.Tally.Items == "" {
		return it.product >= 0
	}
	z := &s.zones
	if z.eval != t.eval { // a question: the book's own environment is the worker's
		var env rules.Env
		s.countedEnv(&env, it, t.rule.Tally.Wordy)
		return t.eval.Counts(t.rule, &env)
	}
	if !z.filled {
		s.countedEnv(&z.env, it, z.wordy)
		z.filled = true
	}
	return t.eval.Counts(t.rule, &z.env)
}

// countedEnv fills what a rule may ask of an item that it counts.
func (s *view) countedEnv(env *rules.Env, it *item, wordy bool) {
	env.Product = rules.Product{}
	s.productEnv(env, it.product)
	env.Item = itemNow(it.Disposition, it.product, s.idOf(it.Zone), s.bound.zone(it.Zone).Kind != event.Exit, env.Product.HomeZones)
	if wordy {
		s.fillWords(env, it.key, s.text(it))
	}
}

// before notes what counts of an item that is about to change.
func (z *zoneBook) before(s *core, it *item) {
	if z.zones == nil {
		return
	}
	z.was, z.wasAt, z.filled = it.Zone, it.Since, false
	if zr := z.at(it.Zone); zr != nil {
		for _, t := range zr.tallies {
			t.had = t.counts(&s.view, it)
		}
	}
}

// after counts what has changed since before.
func (z *zoneBook) after(s *core, i int32) {
	if z.zones == nil {
		return
	}
	it := s.item(i)
	z.filled = false
	came, went := z.at(it.Zone), z.at(z.was)
	if it.Zone != z.was && went != nil {
		for _, t := range went.tallies {
			if t.had {
				t.count--
				z.note(s, went, t, 0, 1)
			}
		}
	}
	if came != nil {
		for _, t := range came.tallies {
			has, had := t.counts(&s.view, it), t.had && it.Zone == z.was
			switch {
			case has && it.Zone != z.was:
				t.count++
				t.push(&s.view, i)
				z.note(s, came, t, 1, 0)
			case has != had || has && it.Since != z.wasAt:
				if has {
					t.push(&s.view, i)
				}
				if has && !had {
					t.count++
				} else if had && !has {
					t.count--
				}
				z.note(s, came, t, 0, 0)
			}
		}
	}
	z.filled = false
}

// note marks a tally that changed: its zone's rules are to meet that.
func (z *zoneBook) note(s *core, zr *zoneRules, t *tally, entered, left uint32) {
	if t.window != nil && entered+left > 0 {
		t.window.add(s.clock, entered, left)
		z.mark(t.window)
	}
	t.changed, z.known = true, false
	if !zr.owed {
		if len(z.owed) == 0 {
			z.fact = len(s.out.Facts)
		}
		zr.owed, z.owed = true, append(z.owed, zr)
	}
	t.settle(s)
}

func (z *zoneBook) mark(w *window) {
	if !w.dirty {
		w.dirty, z.changed = true, append(z.changed, w.key)
	}
}

// meetZones lets the rules about zones meet what items changed there.
func (s *view) meetZones(at int64) {
	z := &s.zones
	if len(z.owed) == 0 {
		return
	}
	owed := z.owed
	z.owed = nil
	f := event.Fact{Cause: event.Zone, At: at, Seq: s.seq}
	if z.fact < len(s.out.Facts) {
		f.Ms, f.N = s.out.Facts[z.fact].Ms, s.out.Facts[z.fact].N
	}
	for _, zr := range owed {
		zr.owed = false
		for k, r := range zr.rules {
			if zr.counted[k].changed {
				s.meetZone(r, zr.counted[k], f)
			}
		}
		for _, t := range zr.tallies {
			t.changed = false
		}
	}
	z.owed = owed[:0]
}

// meetAllZones lets every rule about a zone meet it as it is.
func (s *view) meetAllZones() {
	for _, zr := range s.zones.order {
		for k, r := range zr.rules {
			s.meetZone(r, zr.counted[k], event.Fact{Cause: event.Zone, At: s.clock, Seq: s.seq})
		}
	}
}

func (s *view) meetZone(r *rules.Rule, t *tally, f event.Fact) {
	f.Zone = s.idOf(t.zone)
	s.alerts.MeetRule(r, alert.Zone(f.Zone), &f, s.zoneItems(&f, t))
}

// zoneItems fills the environment of a rule about a zone.
func (s *view) zoneItems(f *event.Fact, t *tally) *rules.Env {
	f.Zone = s.idOf(t.zone)
	env := s.baseEnv(f)
	env.Items.Count = t.count
	if t.window != nil {
		env.Items.Came, env.Items.Went = t.window.sums(s.clock)
	}
	if oldest, ok := t.oldest(); ok {
		env.Items.OldestSeconds = float64(max(0, s.clock-oldest)) / 1000
	}
	return env
}

// zonesNext returns when time alone may change what a rule about a zone is, math.MaxInt64: never.
func (s *view) zonesNext() int64 {
	z := &s.zones
	if z.zones == nil {
		return math.MaxInt64
	}
	if !z.known {
		z.known, z.next = true, s.clockNext(z.seen, z.clocks.Minute)
		for _, zr := range z.order {
			for _, t := range zr.tallies {
				z.next = min(z.next, t.next(z.seen))
			}
		}
	}
	return z.next
}

// next returns when time alone changes what is counted, after a moment.
func (t *tally) next(from int64) int64 {
	next := int64(math.MaxInt64)
	if t.window != nil {
		next = t.window.next(from)
	}
	oldest, ok := t.oldest()
	if !ok {
		return next
	}
	for _, age := range t.ages {
		if at := oldest + age + 1; at > from { // above that age, be it > or >=
			next = min(next, at)
		}
	}
	if t.anyAge {
		_, n := looksAround(max(0, from-oldest))
		next = min(next, oldest+n)
	}
	return next
}

// meetZoneTimes lets the rules meet zones where time alone may have changed what they are.
func (s *view) meetZoneTimes() {
	z := &s.zones
	before := z.seen
	if z.zones == nil || s.clock < s.zonesNext() {
		z.seen = s.clock
		return
	}
	z.seen, z.known = s.clock, false
	hour := z.clocks.Clock && s.clockNext(before, false) <= s.clock
	minute := z.clocks.Minute && s.clockNext(before, true) <= s.clock
	for _, zr := range z.order {
		for k, r := range zr.rules {
			t := zr.counted[k]
			if hour && r.Tally.Clock || minute && r.Tally.Minute || t.next(before) <= s.clock {
				s.meetZone(r, t, event.Fact{Cause: event.Zone, At: s.clock, Seq: s.seq})
			}
		}
		for _, t := range zr.tallies {
			if t.window != nil && t.window.next(before) <= s.clock && t.window.next(s.clock) == math.MaxInt64 {
				z.mark(t.window) // it is empty: its record goes
			}
		}
	}
}

// clockNext returns the first full minute after a moment at which a rule may see another time of day:
// the next one, or else the first of another hour or at which the shop opens or closes.
// math.MaxInt64: no rule asks for the time.
func (s *view) clockNext(from int64, minutes bool) int64 {
	const minute = 60_000
	if !s.zones.clocks.Clock {
		return math.MaxInt64
	}
	at := (from/minute + 1) * minute
	if minutes {
		return at
	}
	z := &s.zones
	if from < z.hourFrom || from >= z.hourEnds {
		then := *s.local(from)
		for range 60 {
			if c := s.local(at); c.at.Hour != then.at.Hour || c.open != then.open {
				break
			}
			at += minute
		}
		z.hourFrom, z.hourEnds = from, at
	}
	return z.hourEnds
}
