package stocktake

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// dirt is what changed since the last Flush.
type dirt struct {
	counts  []*count
	tallies []dirtyTally
	gone    []string // names of tallies
	results []*event.CountResult
	zones   []string // ids
}

type dirtyTally struct {
	count *count
	key   tallyKey
	tally *tally
}

func (b *Book) mark(c *count) {
	if !c.dirty {
		c.dirty = true
		b.dirt.counts = append(b.dirt.counts, c)
	}
}

// Pending returns how many tallies wait for the next Flush.
func (b *Book) Pending() int { return len(b.dirt.tallies) }

// Flush puts the records that changed since the last call; a nil value deletes. Deletions come
// first, since a tally may be dropped and made again between two commits.
func (b *Book) Flush(put func(kind, key string, value []byte)) {
	for _, name := range b.dirt.gone {
		put(event.KindTally, name, nil)
	}
	for _, c := range b.dirt.counts {
		put(event.KindCount, c.ID, event.AppendCount(nil, &c.Count))
	}
	for _, t := range b.dirt.tallies {
		if t.tally.dirty {
			put(event.KindTally, tallyName(t.count.ID, t.key), appendTally(nil, t.tally))
		}
	}
	for _, r := range b.dirt.results {
		put(event.KindResult, r.Count, event.AppendCountResult(nil, r))
	}
	for _, id := range b.dirt.zones {
		put(event.KindAside, ZonePrefix+id, b.plan.zones[id].append(nil))
	}
	b.Forget()
}

// Forget drops what Flush would put.
func (b *Book) Forget() {
	for _, c := range b.dirt.counts {
		c.dirty = false
	}
	for _, t := range b.dirt.tallies {
		t.tally.dirty = false
	}
	for _, id := range b.dirt.zones {
		b.plan.zones[id].dirty = false
	}
	b.dirt = dirt{tallies: b.dirt.tallies[:0]}
}

// Load takes a count's or a tally's record; after the last one comes Loaded. A record of another
// kind is an error.
func (b *Book) Load(kind, key string, value []byte) error {
	if kind == event.KindTally {
		id, k, t, err := decodeTally(key, value)
		if err == nil {
			b.count(id).tallies[k] = t
		}
		return err
	}
	rec, err := event.DecodeCount(value)
	if err != nil {
		return fmt.Errorf("%s: %w", key, err)
	}
	b.count(rec.ID).Count = rec
	return nil
}

// Loaded keeps of the counts that were loaded those that are not final. It asks for the numbers of
// their zones.
func (b *Book) Loaded(number func(id string) uint16) {
	b.loadZones()
	b.schedule()
	maps.DeleteFunc(b.byID, func(_ string, c *count) bool { return c.ID == "" || c.Final })
	for c := range maps.Values(b.byID) {
		for _, id := range c.Zones {
			c.zones = append(c.zones, number(id))
		}
		b.order = append(b.order, c)
	}
	slices.SortFunc(b.order, func(x, y *count) int { return cmp.Or(cmp.Compare(x.seq(), y.seq()), cmp.Compare(x.ID, y.ID)) })
}

// seq returns the number of the entry that opened the count, which event.CountID puts last.
func (c *count) seq() uint64 {
	n, _ := strconv.ParseUint(c.ID[strings.LastIndexByte(c.ID, '-')+1:], 10, 64)
	return n
}

// Digest puts all that the book holds, in a fixed order.
func (b *Book) Digest(put func(format string, args ...any)) {
	for _, id := range slices.Sorted(maps.Keys(b.plan.zones)) {
		put("counted %s %x", id, b.plan.zones[id].append(nil))
	}
	for _, c := range b.order {
		put("count %+v", c.Count)
		for _, k := range c.keys() {
			put("  tally %v %d %x", k.key, k.zone, appendTally(nil, c.tallies[k]))
		}
	}
}

// keys lists the count's tallies by identity and zone.
func (c *count) keys() []tallyKey { return slices.SortedFunc(maps.Keys(c.tallies), tallyKey.compare) }

// tallyName is the key of a tally's record, see event.KindTally.
func tallyName(id string, k tallyKey) string {
	b := append([]byte(id), 0)
	b = binary.BigEndian.AppendUint16(b, k.zone)
	b, _ = k.key.AppendBinary(b)
	return string(b)
}

const tallyVersion = 2 // version 1 has no sights

func appendTally(b []byte, t *tally) []byte {
	b = append(b, tallyVersion)
	b = binary.AppendUvarint(b, uint64(t.reads))
	b = binary.AppendUvarint(b, uint64(t.sights))
	b = binary.AppendVarint(b, int64(t.best))
	b = binary.AppendUvarint(b, uint64(t.passes))
	b = binary.AppendUvarint(b, uint64(t.point))
	b = binary.AppendVarint(b, t.last)
	return append(b, t.text...)
}

func decodeTally(name string, v []byte) (id string, k tallyKey, t *tally, err error) {
	bad := fmt.Errorf("tally record %x is damaged or of another version", name)
	id, rest, ok := strings.Cut(name, "\x00")
	if !ok || len(rest) != 18 || len(v) < 1 || v[0] < 1 || v[0] > tallyVersion {
		return "", k, nil, bad
	}
	k.zone = binary.BigEndian.Uint16([]byte(rest))
	if k.key, err = epc.KeyFromBytes([]byte(rest[2:])); err != nil {
		return "", k, nil, bad
	}
	r := bytes.NewReader(v[1:])
	uvarint := func() uint64 {
		n, e := binary.ReadUvarint(r)
		err = cmp.Or(err, e)
		return n
	}
	varint := func() int64 {
		n, e := binary.ReadVarint(r)
		err = cmp.Or(err, e)
		return n
	}
	t = &tally{reads: uint32(uvarint()), sights: 1}
	if v[0] > 1 {
		t.sights = uint16(uvarint())
	}
	t.best, t.passes, t.point, t.last = int16(varint()), uint16(uvarint()), uint16(uvarint()), varint()
	if err != nil {
		return "", k, nil, bad
	}
	t.text = string(v[len(v)-r.Len():])
	return id, k, t, nil
}
