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
	doubledAgain  = 24 * 60 * 60 * 1000 // milliseconds before it is told again
)

// lookDoubled looks whether a fresh hit at a fixed reader says that the item is in two places.
func (s *State) lookDoubled(i int32, pt *presence.Point, t int64) {
	it := s.item(i)
	here, there := s.zone(it.Zone), s.zone(pt.Zone)
	if here.Floor == "" || there.Floor == "" || here.Floor == there.Floor {
		return
	}
	if at, ok := s.doubled[it.key]; ok && s.clock-at < doubledAgain {
		return
	}
	if s.presence.InBoth(&it.Known, it.Zone, pt.Zone, t) < doubledEpochs {
		return
	}
	for _, k := range slices.SortedFunc(maps.Keys(s.doubled), epc.Key.Compare) {
		if s.clock-s.doubled[k] >= doubledAgain && k != it.key {
			delete(s.doubled, k)
			s.dirty.gone = append(s.dirty.gone, RecordName{event.KindAside, doubledName(k)})
		}
	}
	s.doubled[it.key] = s.clock
	s.dirty.doubled = append(s.dirty.doubled, it.key)
	s.emitItem(event.Doubled, i, t, func(f *event.Fact) { f.From, f.Point = there.ID, pt.ID })
}

func doubledName(k epc.Key) string {
	b, _ := k.AppendBinary(nil)
	return asideDoubled + string(b)
}

func (s *State) doubledChange(k epc.Key) Change {
	return Change{Kind: event.KindAside, Key: doubledName(k), Value: binary.BigEndian.AppendUint64(nil, uint64(s.doubled[k]))}
}

func (s *State) loadDoubled(key string, v []byte) error {
	k, err := epc.KeyFromBytes([]byte(key))
	if err == nil && len(v) != 8 {
		err = errors.New("it has not eight bytes")
	}
	if err != nil {
		return fmt.Errorf("record of an item in two places: %w", err)
	}
	s.doubled[k] = int64(binary.BigEndian.Uint64(v))
	return nil
}
