package engine

import (
	"encoding/binary"

	"lintel/engine/epc"
	"lintel/engine/presence"
)

// names numbers the ids of zones and read points. A number is never used again, so that records and
// evidence may hold numbers.
type names struct {
	ids     []string          // all that were ever seen; number = index+1
	numbers map[string]uint16 // and back
	fresh   []uint16          // since the last flush
}

// name returns the number of a zone or read point id, giving it one if it has none.
func (s *names) name(id string) uint16 {
	if id == "" {
		return 0
	}
	if n, ok := s.numbers[id]; ok {
		return n
	}
	s.ids = append(s.ids, id)
	n := uint16(len(s.ids))
	s.numbers[id] = n
	s.fresh = append(s.fresh, n)
	return n
}

// idOf is the inverse of name; "" for 0.
func (s *names) idOf(n uint16) string {
	if n == 0 || int(n) > len(s.ids) {
		return ""
	}
	return s.ids[n-1]
}

// items are all items of a site.
type items struct {
	pages      [][]item          // so that growing copies nothing
	count      int32             // how many
	index      map[epc.Key]int32 // identity to item
	texts      map[epc.Key]string
	registered map[epc.Key]uint64 // tags tied to a product by hand
	changed    []int32            // since the last flush
}

// item is one tagged thing: 64 bytes, since a shop has up to a million.
type item struct {
	key epc.Key
	presence.Known
	product int32 // catalogue index, -1: not known
	flags   itemFlags
	counted uint16 // the day, as dayOf has it, on which it was last counted, or first known
}

type itemFlags uint8

const (
	flagDeclared itemFlags = 1 << iota // of records alone: Known.Declared
	flagDirty                          // changed since the last Flush
	flagHeld                           // not in records: the last Holding said that this shop has it
	flagText                           // its words are in State.texts
	flagFaint                          // of records alone: Known.Faint
	flagForeign                        // notified as foreign
	flagMissed                         // the last count of its zone did not hear it
	flagMissing                        // notified as missing
)

const pageBits = 12

func (s *items) item(i int32) *item { return &s.pages[i>>pageBits][i&(1<<pageBits-1)] }

// find returns the index of the item with this identity, -1: none.
func (s *items) find(k epc.Key) int32 {
	if i, ok := s.index[k]; ok {
		return i
	}
	return -1
}

// touch marks an item for the next Flush.
func (s *items) touch(i int32) {
	if it := s.item(i); it.flags&flagDirty == 0 {
		it.flags |= flagDirty
		s.changed = append(s.changed, i)
	}
}

func (s *items) text(it *item) string {
	if it.flags&flagText != 0 {
		return s.texts[it.key]
	}
	return ""
}

// gtinOf returns the GTIN-14 of a tag: by hand, else from its identity; 0: none.
func (s *items) gtinOf(k epc.Key) uint64 {
	if len(s.registered) > 0 {
		if g, ok := s.registered[k]; ok {
			return g
		}
	}
	if g, ok := k.GTIN14(); ok {
		return g
	}
	if t, ok := s.texts[k]; ok {
		if e, err := epc.Parse(t); err == nil {
			g, _ := e.GTIN14()
			return g
		}
	}
	return 0
}

// append writes an item's record: about 25 bytes, so that with its key it costs a Redis hash
// less than 120.
func (s *items) append(b []byte, it *item) []byte {
	b = append(b, itemVersion, byte(it.Disposition), byte(it.stored()))
	b = binary.AppendUvarint(b, uint64(it.Zone))
	b = binary.AppendUvarint(b, uint64(it.From))
	b = binary.AppendUvarint(b, uint64(it.Point))
	b = binary.AppendVarint(b, it.Since)
	b = binary.AppendVarint(b, it.Sure-it.Since)
	b = binary.AppendVarint(b, it.Seen-it.Since)
	b = binary.AppendUvarint(b, s.registered[it.key])
	b = binary.AppendUvarint(b, uint64(it.counted))
	return append(b, s.text(it)...)
}
