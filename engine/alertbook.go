package engine

import (
	"cmp"
	"container/heap"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/layout"
	"lintel/rules"
)

// subject is what an alert is about, comparable. One alert at a time lives for each rule and subject.
type subject struct {
	about byte // 'i' item, 's' stock, 'r' reader, 'f' a rule that failed
	key   epc.Key
	place string // stock: zone id or "kind:..."; reader: read point id; failed rule: its name
}

// track is an alert that is not closed, with its timer.
type track struct {
	Alert
	subject subject
	dirty   bool
	at      int    // place in the heap, -1: none
	seq     uint64 // of the entry that raised it, and its number there: the order of alerts
	n       int
}

// newTrack takes up an alert, new or from its record.
func newTrack(a Alert) *track {
	t := &track{Alert: a, subject: a.subject(), at: -1}
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
	gathering map[string]*track    // by rule: the alert that others may join
	timers    timerHeap
	dropped   int    // pending alerts that ended before their hold, since the state was made
	made      int    // alerts raised in this entry, for ids
	madeSeq   uint64 // which entry that was
}

func (b *alertBook) init() {
	b.byID = make(map[string]*track)
	b.bySubject = make(map[subject][]*track)
	b.gathering = make(map[string]*track)
}

func (a *Alert) subject() subject {
	switch a.About {
	case "item":
		return subject{about: 'i', key: a.Key}
	case "stock":
		return subject{about: 's', key: epc.Key{Lo: a.GTIN}, place: a.Place}
	case "reader":
		return subject{about: 'r', place: a.Place}
	case "count":
		return subject{about: 'c', place: a.Place}
	}
	return subject{about: 'f', place: a.Rule}
}

// timerHeap orders tracks by when their hold or clear delay ends, then by id, so that equal times have one order.
type timerHeap []*track

func (h timerHeap) Len() int { return len(h) }
func (h timerHeap) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(h[i].Due, h[j].Due), compareTracks(h[i], h[j])) < 0
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

func (s *State) setTimer(t *track, due int64) {
	if t.at >= 0 {
		heap.Remove(&s.alerts.timers, t.at)
	}
	t.Due = due
	if due != 0 {
		heap.Push(&s.alerts.timers, t)
	}
	s.mark(t)
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

// meetItem lets the rules meet a fact about an item.
func (s *State) meetItem(fact int, i int32) {
	f := s.out.Facts[fact] // a copy: the slice may grow
	it := s.item(i)
	tracked := it.flags&flagTracked != 0
	if !tracked && !s.bound.itemRules[f.Cause] {
		return
	}
	env := s.itemEnv(&f, it)
	subj := subject{about: 'i', key: it.key}
	s.meet(&f, env, subj, "item")
}

// meetStock lets the rules meet a change of a product's stock in a zone: for the zone itself, and for every minimum or maximum that the product has
// anywhere, since goods that come to the stockroom can fill the shelf.
func (s *State) meetStock(fact int, k stockKey) {
	if !s.bound.stockRules {
		return
	}
	f := s.out.Facts[fact]
	own := false
	for _, l := range s.bound.limits[k.product] {
		own = own || l.zone == k.zone
		s.meetLimit(&f, k.product, l)
	}
	if !own {
		s.meetLimit(&f, k.product, limit{zone: k.zone})
	}
}

func (s *State) meetLimit(f *Fact, product int32, l limit) {
	env := s.stockEnv(f, product, l)
	place := s.idOf(l.zone)
	if l.zone == 0 {
		place = "kind:" + l.kind.String()
	}
	s.meet(f, env, subject{about: 's', key: epc.Key{Lo: s.bound.cfg.Catalog.At(int(product)).GTIN}, place: place}, "stock")
}

// meetReader lets the rules meet a read point that went silent or reports again.
func (s *State) meetReader(fact int, pt *pointInfo) {
	f := s.out.Facts[fact]
	s.meet(&f, s.readerEnv(&f, pt), subject{about: 'r', place: pt.id}, "reader")
}

// meetCount lets the rules meet a count that closed.
func (s *State) meetCount(fact int, res *CountResult) {
	f := s.out.Facts[fact]
	s.meet(&f, s.countEnv(&f, res), subject{about: 'c', place: res.Count}, "count")
}

// meet is where a fact meets the rules about its subject: first those that already have an alert about it, then those that the fact may make true.
func (s *State) meet(f *Fact, env *rules.Env, subj subject, about string) {
	eval := s.bound.eval
	eval.Bind(env)
	had := s.alerts.bySubject[subj]
	if len(had) > 0 {
		had = slices.Clone(had) // lowering an alert changes the list
		for _, t := range had {
			r := s.bound.rulesByName[t.Rule]
			if r == nil || !r.ConcernedBy(f.Cause.String()) {
				continue
			}
			s.settleTrack(t, r, f, env)
		}
		eval.Bind(env)
	}
next:
	for _, r := range eval.Candidates(about, f.Cause.String()) {
		for _, t := range had {
			if t.Rule == r.Name {
				continue next
			}
		}
		if ok, err := eval.True(r); err != nil {
			s.ruleFailed(r, err, f)
			eval.Bind(env)
		} else if ok && s.inHours(r) {
			s.raise(r, subj, f, env)
		}
	}
}

// settleTrack evaluates a rule again for a subject that it already has an alert about. For an item, the cause and the passage are those that raised the alert and
// all else is as it is now: so a rule about a passage is not ended by the next fact that is none, and a sale ends it. A read point is silent or not: there the cause is the
// present one.
func (s *State) settleTrack(t *track, r *rules.Rule, f *Fact, env *rules.Env) {
	then := *env
	lasting := t.subject.about == 'i'
	if lasting {
		then.Cause, then.Passage = t.Cause.String(), passageEnv(t.Passage)
	}
	s.bound.eval.Bind(&then)
	ok, err := s.bound.eval.True(r)
	if err == nil && !ok && lasting && t.Cause != f.Cause {
		s.bound.eval.Bind(env)
		ok, err = s.bound.eval.True(r)
	}
	if err != nil {
		s.ruleFailed(r, err, f)
		return // unknown is not false: the alert stays as it is
	}
	switch {
	case ok && t.Ended:
		t.Ended = false
		s.mark(t)
	case ok && t.Status != AlertPending && t.Due != 0 && t.Untold == 0:
		s.setTimer(t, 0) // true again before the clear delay ended: it is the same alert
	case !ok:
		s.lower(t, r)
	}
}

// raise starts an alert: pending while the rule's hold runs, else open at once.
func (s *State) raise(r *rules.Rule, subj subject, f *Fact, env *rules.Env) {
	t := newTrack(Alert{
		ID: s.newAlertID(), Rule: r.Name, Digest: r.Digest, About: r.About, Severity: string(r.Severity), Watch: r.Mode == rules.ModeWatch,
		Key: f.Key, Text: f.Text, GTIN: f.GTIN, Zone: f.Zone, Place: subj.place, Cause: f.Cause, Passage: f.Passage, FactMs: f.Ms, FactN: f.N,
		Since: s.clock,
	})
	s.alerts.byID[t.ID] = t
	s.follow(t)
	if r.Hold > 0 {
		s.setTimer(t, s.clock+r.Hold.Milliseconds())
		return
	}
	s.open(t, r, env)
}

// follow puts a track where facts about its subject find it.
func (s *State) follow(t *track) {
	s.alerts.bySubject[t.subject] = append(s.alerts.bySubject[t.subject], t)
	if t.subject.about == 'i' {
		if i := s.find(t.subject.key); i >= 0 {
			s.item(i).flags |= flagTracked
		}
	}
}

func (s *State) unfollow(t *track) {
	list := s.alerts.bySubject[t.subject]
	if k := slices.Index(list, t); k >= 0 {
		list = slices.Delete(list, k, k+1)
	}
	if len(list) > 0 {
		s.alerts.bySubject[t.subject] = list
		return
	}
	delete(s.alerts.bySubject, t.subject)
	if t.subject.about == 'i' {
		if i := s.find(t.subject.key); i >= 0 {
			s.item(i).flags &^= flagTracked
		}
	}
}

// open tells an alert; env is what the rule saw.
func (s *State) open(t *track, r *rules.Rule, env *rules.Env) {
	s.fillWords(env, t.Key, t.Text)
	s.bound.eval.Bind(env)
	t.Status, t.OpenedAt, t.Due = AlertOpen, s.clock, 0
	t.Say = s.bound.eval.Say(r)
	if why, err := json.Marshal(s.bound.eval.Why(r)); err == nil {
		t.Why = why
	}
	if r.Gather > 0 {
		if s.join(t, r) {
			return
		}
		t.GatherEnds = s.clock + r.Gather.Milliseconds()
	}
	if !t.Watch {
		t.Send = r.Send
	}
	s.mark(t)
	s.tell(t, "alert.opened")
}

// lower ends an alert's condition: a pending one was never told and is dropped, an open one clears now or after the rule's clear delay.
func (s *State) lower(t *track, r *rules.Rule) {
	switch {
	case t.Status == AlertPending:
		s.alerts.dropped++
		s.setTimer(t, 0)
		s.unfollow(t)
		delete(s.alerts.byID, t.ID)
		s.dirty.dropped = append(s.dirty.dropped, t.ID)
	case r != nil && r.Clear > 0:
		if t.Due == 0 {
			s.setTimer(t, s.clock+r.Clear.Milliseconds())
		}
	default:
		s.clearAlert(t)
	}
}

func (s *State) clearAlert(t *track) {
	s.setTimer(t, 0)
	s.unfollow(t)
	if t.MembersOn > 0 {
		t.Ended = true // the others that joined it go on
		if s.clock < t.GatherEnds {
			s.setTimer(t, t.GatherEnds)
		} else {
			s.gathered(t)
		}
		return
	}
	if t.Lead != "" {
		s.leaveLead(t)
		return
	}
	t.Status, t.EndedAt = AlertCleared, s.clock
	s.mark(t)
	s.tell(t, "alert.cleared")
}

// tell makes the deliveries of one change of an alert, one for each channel.
func (s *State) tell(t *track, change string) {
	t.Untold = 0
	switch change {
	case "alert.opened":
		if t.GatherEnds > s.clock {
			s.alerts.gathering[t.Rule] = t
		}
	case "alert.closed", "alert.cleared":
		if s.alerts.gathering[t.Rule] == t {
			delete(s.alerts.gathering, t.Rule)
		}
	}
	s.out.Alerts = append(s.out.Alerts, AlertChange{Seq: s.seq, Type: change, Alert: t.Alert})
	if len(t.Send) == 0 {
		return
	}
	t.Orders++
	data, err := json.Marshal(struct {
		Alert   AlertView    `json:"alert"`
		Order   int          `json:"order"`
		Product *productView `json:"product,omitempty"`
	}{t.View(s.site), t.Orders, s.productView(t.GTIN)})
	if err != nil {
		panic(fmt.Sprintf("engine: an alert that does not marshal: %v", err)) // all its parts are strings, numbers and JSON that was marshalled before
	}
	for _, c := range t.Send {
		s.out.Deliveries = append(s.out.Deliveries, Delivery{
			ID: fmt.Sprintf("msg_%s-%d-%s", t.ID, t.Orders, c), Channel: c, Type: change, Alert: t.ID, Order: t.Orders, At: s.clock, Data: data,
		})
	}
}

type productView struct {
	GTIN     string  `json:"gtin"`
	SKU      string  `json:"sku,omitempty"`
	Name     string  `json:"name"`
	Category string  `json:"category,omitempty"`
	Price    float64 `json:"price,omitempty"`
}

func (s *State) productView(gtin uint64) *productView {
	i, ok := s.bound.cfg.Catalog.ByGTIN(gtin)
	if !ok {
		return nil
	}
	p := s.bound.cfg.Catalog.At(i)
	return &productView{GTIN: GTINText(p.GTIN), SKU: p.SKU, Name: p.Name, Category: p.Category, Price: p.Price}
}

// ring ends the holds and clear delays that are due.
func (s *State) ring() {
	for len(s.alerts.timers) > 0 && s.alerts.timers[0].Due <= s.clock {
		t := heap.Pop(&s.alerts.timers).(*track)
		t.Due = 0
		s.mark(t)
		r := s.bound.rulesByName[t.Rule]
		if t.Status != AlertPending {
			if t.Untold > 0 && s.clock >= t.GatherEnds {
				s.gathered(t)
			} else {
				s.clearAlert(t)
			}
			continue
		}
		// Facts would have lowered it, but a new version of the rule or the layout may see it otherwise.
		env := s.envOf(t)
		if r == nil || r.Mode == rules.ModeOff || env == nil {
			s.lower(t, r)
			continue
		}
		s.bound.eval.Bind(env)
		if ok, err := s.bound.eval.True(r); err != nil {
			s.ruleFailed(r, err, &Fact{Cause: t.Cause})
			s.lower(t, r)
		} else if !ok {
			s.lower(t, r)
		} else {
			s.open(t, r, env)
		}
	}
}

// envOf builds what a rule sees of an alert's subject now, with the cause and passage that raised it; nil if the subject is gone.
func (s *State) envOf(t *track) *rules.Env {
	f := Fact{Cause: t.Cause, Passage: t.Passage, At: s.clock, Key: t.Key, Text: t.Text, GTIN: t.GTIN, Zone: t.Zone, Point: t.Place}
	switch t.subject.about {
	case 'i':
		i := s.find(t.Key)
		if i < 0 {
			return nil
		}
		it := s.item(i)
		f.Disp, f.Zone, f.From, f.GTIN = it.disp, s.idOf(it.zone), s.idOf(it.from), s.gtinOf(it.key)
		return s.itemEnv(&f, it)
	case 's':
		product, ok := s.bound.cfg.Catalog.ByGTIN(t.GTIN)
		if !ok {
			return nil
		}
		l, ok := s.limitAt(int32(product), t.Place)
		if !ok {
			return nil
		}
		return s.stockEnv(&f, int32(product), l)
	case 'r':
		if pt := s.point(s.numbers[t.Place]); pt != nil {
			return s.readerEnv(&f, pt)
		}
	}
	return nil
}

// limitAt finds the limit of a product that a stock alert's place names; a zone without one gives an empty limit.
func (s *State) limitAt(product int32, place string) (limit, bool) {
	kind, byKind := strings.CutPrefix(place, "kind:")
	for _, l := range s.bound.limits[product] {
		if byKind && l.zone == 0 && l.kind.String() == kind || !byKind && l.zone != 0 && s.idOf(l.zone) == place {
			return l, true
		}
	}
	if byKind {
		k, err := layout.ParseKind(kind)
		return limit{kind: k}, err == nil
	}
	n, ok := s.numbers[place]
	return limit{zone: n}, ok
}

// act carries out what a person did to an alert. What no longer fits (a late click) changes nothing.
func (s *State) act(a *Act, by string) {
	t := s.alerts.byID[a.Alert]
	if t == nil || t.Status == AlertPending || t.Lead != "" {
		return
	}
	switch {
	case a.Do == "acknowledge" && t.Status == AlertOpen:
		t.Status, t.AckedAt, t.AckedBy = AlertAcknowledged, s.clock, by
		if a.Note != "" {
			t.Note = a.Note
		}
		s.mark(t)
		s.tell(t, "alert.acknowledged")
	case a.Do == "close" && slices.Contains(Outcomes, a.Outcome):
		s.setTimer(t, 0)
		s.unfollow(t)
		t.Status, t.ClosedAt, t.ClosedBy, t.Outcome = AlertClosed, s.clock, by, a.Outcome
		if a.Note != "" {
			t.Note = a.Note
		}
		s.closeMembers(t)
		delete(s.alerts.byID, t.ID)
		s.mark(t)
		s.tell(t, "alert.closed")
	}
}

// rebound looks at all alerts after the configuration changed: those whose rule is gone or off end, and reports of failure end with the version that failed.
func (s *State) rebound() {
	for _, t := range s.alerts.inOrder() {
		if t.Status != AlertPending && t.Status != AlertOpen && t.Status != AlertAcknowledged {
			continue
		}
		r := s.bound.rulesByName[t.Rule]
		if r == nil || r.Mode == rules.ModeOff || t.subject.about == 'f' && r.Digest != t.Digest {
			s.lower(t, nil)
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
		put("alert %s", AppendAlert(nil, &t.Alert))
	}
}

// nextTimer returns when the next hold or clear delay ends, math.MaxInt64: never.
func (b *alertBook) nextTimer() int64 {
	if len(b.timers) == 0 {
		return math.MaxInt64
	}
	return b.timers[0].Due
}
