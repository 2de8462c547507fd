package deliver

import "cmp"

// entryHeap has the entry that is due first on top.
type entryHeap []*entry

func (h entryHeap) Len() int { return len(h) }
func (h entryHeap) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(h[i].due, h[j].due), compareEntries(h[i], h[j])) < 0
}
func (h entryHeap) Swap(i, j int) { h[i], h[j] = h[j], h[i]; h[i].heapAt, h[j].heapAt = i, j }
func (h *entryHeap) Push(x any) {
	e := x.(*entry)
	e.heapAt = len(*h)
	*h = append(*h, e)
}
func (h *entryHeap) Pop() any {
	old := *h
	e := old[len(old)-1]
	old[len(old)-1] = nil
	*h = old[:len(old)-1]
	return e
}
