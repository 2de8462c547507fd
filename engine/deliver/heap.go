package deliver

import (
	"cmp"
	"container/heap"
	"slices"
)

// entryHeap is a heap of entries. Its places are kept in the entries, so that any can be taken out.
type entryHeap struct {
	list []*entry
	less func(a, b *entry) int
	at   func(*entry) *int // its place in list and 1; 0: it is not there
}

// newDelayed makes a heap with the entry on top that is due first.
func newDelayed() *entryHeap {
	return &entryHeap{at: func(e *entry) *int { return &e.delayedAt }, less: func(a, b *entry) int {
		return cmp.Or(cmp.Compare(a.due, b.due), compareEntries(a, b))
	}}
}

// newWaiting makes a heap with the entry on top that tells of what happened first.
func newWaiting() *entryHeap {
	return &entryHeap{at: func(e *entry) *int { return &e.waitingAt }, less: func(a, b *entry) int {
		return cmp.Or(cmp.Compare(a.made, b.made), compareEntries(a, b))
	}}
}

func (h *entryHeap) add(e *entry) { heap.Push(h, e) }

func (h *entryHeap) first() *entry { return h.list[0] }

// drop takes an entry out, if it is there.
func (h *entryHeap) drop(e *entry) {
	if at := *h.at(e); at > 0 {
		heap.Remove(h, at-1)
	}
}

// Len is for package heap.
func (h *entryHeap) Len() int { return len(h.list) }

// Less is for package heap.
func (h *entryHeap) Less(i, j int) bool { return h.less(h.list[i], h.list[j]) < 0 }

// Swap is for package heap.
func (h *entryHeap) Swap(i, j int) {
	h.list[i], h.list[j] = h.list[j], h.list[i]
	*h.at(h.list[i]), *h.at(h.list[j]) = i+1, j+1
}

// Push is for package heap.
func (h *entryHeap) Push(x any) {
	e := x.(*entry)
	h.list = append(h.list, e)
	*h.at(e) = len(h.list)
}

// Pop is for package heap.
func (h *entryHeap) Pop() any {
	n := len(h.list) - 1
	e := h.list[n]
	h.list = slices.Delete(h.list, n, n+1)
	*h.at(e) = 0
	return e
}
