package engine

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
)

// One identity in two places: two tags that carry the same EPC, or one that was copied. A single
// tag can be heard in two zones that lie side by side; it can't be heard on two floors in the same
// seconds, again and again. So only zones on different floors are compared, as far as the layout
// names floors.

const (
	// of the last half minute of epochs in which both places must hear the item: more than a lift or a
	// stairwell gives in passing
	doubledEpochs = 8
	doubledAgain  = 24 * 60 * 60 * 1000 // milliseconds before it is notified again
)

// lookDoubled looks whether a fresh hit at a fixed reader says that the item is in two places.
func (s *core) lookDoubled(i int32, pt *presence.Point, t int64) {
	it := s.item(i)
	here, there := s.bound.zone(it.Zone), s.bound.zone(pt.Zone)
	if here.Storey == "" || there.Storey == "" || here.Storey == there.Storey {
		return
	}
	if s.doubled.lately(it.key, s.clock) {
		return
	}
	if s.presence.InBoth(&it.Known, it.Zone, pt.Zone, t) < doubledEpochs {
		return
	}
	s.doubled.note(it.key, s.clock)
	s.emitItem(event.Doubled, i, t, func(f *event.Fact) { f.From, f.Point = there.ID, pt.ID })
}

// doubles are the items that were notified as heard in two places, with when.
type doubles struct {
	at      map[epc.Key]int64 // Unix milliseconds
	changed []epc.Key         // since the last flush
}

func (d *doubles) lately(k epc.Key, now int64) bool {
	at, ok := d.at[k]
	return ok && now-at < doubledAgain
}

// note keeps that an item is notified now, and drops what is too long ago to matter.
func (d *doubles) note(k epc.Key, now int64) {
	for _, old := range slices.SortedFunc(maps.Keys(d.at), epc.Key.Compare) {
		if old != k && !d.lately(old, now) {
			delete(d.at, old)
			d.changed = append(d.changed, old)
		}
	}
	d.at[k] = now
	d.changed = append(d.changed, k)
}

// flush puts what has changed; a nil value deletes.
func (d *doubles) flush(put func(key string, value []byte)) {
	for _, k := range d.changed {
		key, _ := k.AppendBinary([]byte(asideDoubled))
		var value []byte
		if at, ok := d.at[k]; ok {
			value = binary.BigEndian.AppendUint64(nil, uint64(at))
		}
		put(string(key), value)
	}
	d.changed = d.changed[:0]
}

func (d *doubles) load(key string, v []byte) error {
	k, err := epc.KeyFromBytes([]byte(key))
	if err == nil && len(v) != 8 {
		err = errors.New("it has not eight bytes")
	}
	if err != nil {
		return fmt.Errorf("record of an item in two places: %w", err)
	}
	d.at[k] = int64(binary.BigEndian.Uint64(v))
	return nil
}

func (d *doubles) digest(put func(string, ...any)) {
	for _, k := range slices.SortedFunc(maps.Keys(d.at), epc.Key.Compare) {
		put("doubled %v %d", k, d.at[k])
	}
}
