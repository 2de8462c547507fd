package alert

import (
	"cmp"
	"container/heap"
	"maps"
	"math"
	"slices"

	"lintel/engine/event"
	"lintel/rules"
)

// kept is which alerts a Book has: by id, by what facts about their subject find, and by when their timers are due.
type kept struct {
	byID      map[string]*track
	following following
	begun     begun
	timers    timerHeap
}

// Follows reports whether any rule has an alert about the subject whose condition has not ended.
func (k *kept) Follows(s Subject) bool { return len(k.following[s]) > 0 }

// About returns the alert of a rule about a subject whose condition has not ended, nil if there is
// none.
func (k *kept) About(s Subject, rule string) *event.Alert {
	if t := k.following.of(s, rule); t != nil {
		return &t.Alert
	}
	return nil
}

// Alert returns an alert that is not closed, pending or not, nil if there is none with this id.
func (k *kept) Alert(id string) *event.Alert {
	if t := k.byID[id]; t != nil && t.Status != event.AlertClosed {
		return &t.Alert
	}
	return nil
}

// Alerts lists the alerts that are not closed, pending ones included, in the order in which they
// were raised.
func (k *kept) Alerts() []*event.Alert {
	tracks := k.inOrder()
	list := make([]*event.Alert, 0, len(tracks))
	for _, t := range tracks {
		if t.Status != event.AlertClosed {
			list = append(list, &t.Alert)
		}
	}
	return list
}

// Count returns how many alerts want lets through, in no order.
func (k *kept) Count(want func(*event.Alert) bool) int {
	n := 0
	for _, t := range k.byID {
		if want(&t.Alert) {
			n++
		}
	}
	return n
}

func (k *kept) inOrder() []*track { return slices.SortedFunc(maps.Values(k.byID), compareTracks) }

// Next returns when the next timer of an alert is due, by the site clock; math.MaxInt64: never.
func (k *kept) Next() int64 {
	if len(k.timers) == 0 {
		return math.MaxInt64
	}
	return k.timers[0].wake
}

// members lists those that joined an alert, in the order in which they were raised.
func (k *kept) members(t *track) []*track {
	if t.MembersOn == 0 {
		return nil
	}
	return slices.DeleteFunc(k.inOrder(), func(m *track) bool { return m.Lead != t.ID })
}

// followed returns the alerts that a fact about a subject may change: those about it, and the first
// steps of any items of its product.
func (k *kept) followed(s Subject, gtin uint64) []*track {
	list := slices.Clone(k.following[s])
	if k.begun.products && s.about == 'i' && gtin != 0 {
		list = append(list, k.following[product(gtin)]...)
	}
	return list
}

// trackOf returns the alert of a rule that a fact about a subject may change, nil if there is none.
func (k *kept) trackOf(s Subject, gtin uint64, r *rules.Rule) *track {
	t := k.following.of(s, r.Name)
	if t == nil && gtin != 0 && s.about == 'i' && r.Sequence != nil && r.Sequence.Same == rules.SameProduct {
		t = k.following.of(product(gtin), r.Name)
	}
	return t
}

// wait puts an alert where its timers say.
func (k *kept) wait(t *track) {
	k.rest(t)
	if t.wake = t.next(); t.wake != 0 && k.byID[t.ID] == t {
		heap.Push(&k.timers, t)
	}
}

// rest takes an alert out of those whose timers run.
func (k *kept) rest(t *track) {
	if t.at >= 0 {
		heap.Remove(&k.timers, t.at)
	}
}

// following holds the alerts whose condition has not ended where facts about their subject find
// them, oldest first.
type following map[Subject][]*track

// of returns the alert of a rule about a subject, nil if there is none.
func (f following) of(s Subject, rule string) *track {
	for _, t := range f[s] {
		if t.Rule == rule {
			return t
		}
	}
	return nil
}

func (f following) add(t *track) { f[t.subject] = append(f[t.subject], t) }

func (f following) remove(t *track) {
	list := f[t.subject]
	if k := slices.Index(list, t); k >= 0 {
		f[t.subject] = slices.Delete(list, k, k+1)
	}
	if len(f[t.subject]) == 0 {
		delete(f, t.subject)
	}
}

// timerHeap orders alerts by when their first timer is due, then as they were raised, so that equal
// times have one order.
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
