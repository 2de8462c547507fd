package engine

import (
	"container/heap"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// asideZone begins the keys of records of what came to a zone and went. The zone's id, a slash and a
// hash of what the rule counts follow.
const asideZone = "zone/"

// buckets is how many parts a window has beyond the one that fills: what came counts for the rule's time
// and at most a sixtieth of it longer, and a window has at most 61 parts.
const buckets = 60

// window counts what came to a zone and what went within a length of time.
type window struct {
	key   string
	width int64    // of a bucket, milliseconds
	list  []bucket // those in which something came or went, in order, with some that no longer count
	dirty bool     // it is in zoneBook.changed
}

// bucket is what came and went in one stretch of time.
type bucket struct {
	n          int64 // time divided by the width
	came, went uint32
}

func newWindow(key string, within int64) *window {
	return &window{key: key, width: (within + buckets - 1) / buckets}
}

// live returns the buckets that count at a moment.
func (w *window) live(now int64) []bucket {
	k := 0
	for k < len(w.list) && w.list[k].n < now/w.width-buckets {
		k++
	}
	return w.list[k:]
}

// add counts what comes or goes now.
func (w *window) add(now int64, came, went uint32) {
	n := now / w.width
	if live := w.live(now); len(live) < len(w.list) {
		w.list = append(w.list[:0], live...)
	}
	if len(w.list) == 0 || w.list[len(w.list)-1].n != n {
		w.list = append(w.list, bucket{n: n})
	}
	b := &w.list[len(w.list)-1]
	b.came, b.went = b.came+came, b.went+went
}

// sums returns how many items came and went.
func (w *window) sums(now int64) (came, went int) {
	for _, b := range w.live(now) {
		came, went = came+int(b.came), went+int(b.went)
	}
	return came, went
}

// next returns when the first bucket no longer counts, of those that count at a moment.
func (w *window) next(from int64) int64 {
	if live := w.live(from); len(live) > 0 {
		return (live[0].n + buckets + 1) * w.width
	}
	return math.MaxInt64
}

const windowVersion = 1

// record returns the record of the window at a moment, nil if nothing counts: the width of its buckets,
// and of each its number, what came and what went.
func (w *window) record(now int64) []byte {
	live := w.live(now)
	if len(live) == 0 {
		return nil
	}
	v := binary.AppendVarint([]byte{windowVersion}, w.width)
	for _, b := range live {
		v = binary.AppendVarint(v, b.n)
		v = binary.AppendUvarint(v, uint64(b.came))
		v = binary.AppendUvarint(v, uint64(b.went))
	}
	return v
}

var errWindow = errors.New("it is damaged or of another version")

// load takes the record of a window over.
func (z *zoneBook) load(key string, v []byte) error {
	key = asideZone + key
	if len(v) == 0 || v[0] != windowVersion {
		return fmt.Errorf("record %q: %w", key, errWindow)
	}
	width, n := binary.Varint(v[1:])
	if n <= 0 || width <= 0 {
		return fmt.Errorf("record %q: %w", key, errWindow)
	}
	w := z.kept[key]
	if w == nil || w.width != width {
		z.changed = append(z.changed, key) // no rule asks for it
		return nil
	}
	for v = v[1+n:]; len(v) > 0; {
		at, n := binary.Varint(v)
		came, c := binary.Uvarint(v[max(0, n):])
		if n <= 0 || c <= 0 {
			return fmt.Errorf("record %q: %w", key, errWindow)
		}
		went, g := binary.Uvarint(v[n+c:])
		if g <= 0 || len(w.list) > buckets || came > math.MaxUint32 || went > math.MaxUint32 {
			return fmt.Errorf("record %q: %w", key, errWindow)
		}
		w.list = append(w.list, bucket{at, uint32(came), uint32(went)})
		v = v[n+c+g:]
	}
	return nil
}

// flush puts the windows that have changed; a nil value deletes.
func (z *zoneBook) flush(now int64, put func(key string, value []byte)) {
	for _, key := range z.changed {
		var v []byte
		if w := z.kept[key]; w != nil {
			v, w.dirty = w.record(now), false
		}
		put(key, v)
	}
	z.changed = z.changed[:0]
}

// forget drops what flush would write.
func (z *zoneBook) forget() {
	for _, key := range z.changed {
		if w := z.kept[key]; w != nil {
			w.dirty = false
		}
	}
	z.changed = z.changed[:0]
}

func (z *zoneBook) digest(s *core, put func(string, ...any)) {
	for _, zr := range z.order {
		for _, t := range zr.tallies {
			oldest, _ := t.oldest()
			put("zone %s %q: %d oldest %d", s.idOf(t.zone), t.rule.Tally.Key, t.count, oldest)
			if t.window != nil {
				put("window %v", t.window.live(s.clock))
			}
		}
	}
}

// arrival is an item in a zone, with when it came.
type arrival struct {
	since int64
	item  int32
}

// ages is a heap of arrivals, the oldest first.
type ages []arrival

func (h ages) Len() int           { return len(h) }
func (h ages) Less(i, j int) bool { return h[i].since < h[j].since }
func (h ages) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *ages) Push(x any)        { *h = append(*h, x.(arrival)) }
func (h *ages) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

// push notes when an item came that counts.
func (t *tally) push(s *view, i int32) {
	if t.aged {
		heap.Push(&t.waiting, arrival{s.item(i).Since, i})
	}
}

// settle drops arrivals of items that no longer count from the top of the heap, and all of them when
// they are many: a heap has at most twice as many as count, and a few.
func (t *tally) settle(s *core) {
	if !t.aged {
		return
	}
	stale := func(a arrival) bool {
		it := s.item(a.item)
		s.zones.filled = false
		return it.Zone != t.zone || it.Since != a.since || !t.counts(&s.view, it)
	}
	for len(t.waiting) > 0 && stale(t.waiting[0]) {
		heap.Pop(&t.waiting)
	}
	if len(t.waiting) > 2*t.count+64 {
		t.waiting = slices.DeleteFunc(t.waiting, stale)
		heap.Init(&t.waiting)
	}
	s.zones.filled = false
}

// oldest returns when the item came that has been there longest.
func (t *tally) oldest() (since int64, ok bool) {
	if len(t.waiting) == 0 {
		return 0, false
	}
	return t.waiting[0].since, true
}
