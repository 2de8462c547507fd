package engine

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/epc"
	"lintel/engine/estimate"
	"lintel/engine/event"
)

// Counting: reads of a count change nothing but the count's own tallies until it is closed. Then they are reconciled with what was expected (reconcile.go). Tallies
// are records, not evidence: a count may last all day, and must survive everything.

// counter is a count that is not finished for good, with what it heard.
type counter struct {
	event.Count
	tallies map[tallyKey]*tally
	zones   []uint16 // name numbers
	dirty   bool
}

type tallyKey struct {
	key  epc.Key
	zone uint16
}

// tally is what a count heard of one tag in one zone.
type tally struct {
	reads  uint32
	sights uint16 // bursts of reads, each after the tag kept still for a while
	best   int16  // strongest read, tenths of a dBm
	passes uint16 // bit p-1: heard in pass p
	point  uint16 // the read point that heard it last
	last   int64
	text   string
	dirty  bool
}

// counts holds the counts of a site that are open, paused, or closed so lately that they may be opened again.
type counts struct {
	byID  map[string]*counter
	order []*counter // as opened
}

func (c *counts) init() { c.byID = make(map[string]*counter) }

// curveBins is how many bins a curve has at most; then neighbours are joined and new bins are twice as long.
const curveBins = 120

// countSeq returns the number of the entry that opened a count.
func countSeq(id string) uint64 {
	seq, _ := strconv.ParseUint(id[strings.LastIndexByte(id, '-')+1:], 10, 64)
	return seq
}

// reopenable is how long a closed count keeps its tallies, unless a newer count of one of its zones ends that sooner.
const reopenable = 12 * 60 * 60 * 1000

// foldCountReads adds a batch of reads to the tallies of a count. Reads repeated word for word add nothing, so that a handheld may send all of it again.
func (s *State) foldCountReads(e *event.Entry) {
	points := s.resolve(e)
	s.out.Reads += len(e.Reads)
	c := s.counts.byID[e.Count]
	if c == nil || c.Status != event.CountOpen && c.Status != event.CountPaused {
		s.foldLateCountReads(e, points)
		return
	}
	fresh := 0
	for k := range e.Reads {
		r := &e.Reads[k]
		zone := uint16(0)
		if r.Zone != 0 {
			zone = s.scratchZones[r.Zone-1]
		} else if len(c.zones) == 1 {
			zone = c.zones[0]
		}
		if zone == 0 || !slices.Contains(c.zones, zone) {
			s.out.Unplaced++
			continue
		}
		key := tallyKey{r.Key, zone}
		t := c.tallies[key]
		if t == nil {
			t = &tally{best: event.NoRSSI, text: r.Text}
			if !c.heard(r.Key) {
				fresh++
			}
			c.tallies[key] = t
		}
		at := min(r.T, e.At)
		if at <= t.last {
			continue
		}
		if t.reads == 0 || at-t.last >= estimate.BurstGap {
			t.sights = min(t.sights, math.MaxUint16-1) + 1
		}
		t.last = at
		t.reads += r.N
		t.best = max(t.best, r.RSSI)
		t.passes |= 1 << min(c.Pass-1, 15)
		if pt := points[r.Point]; pt != nil {
			t.point = pt.name
		}
		c.Reads += int(r.N)
		if !t.dirty {
			t.dirty = true
			s.dirty.tallies = append(s.dirty.tallies, dirtyTally{c, key, t})
		}
	}
	c.Distinct += fresh
	c.curve(s.clock, fresh, len(e.Reads))
	s.markCount(c)
}

// foldLateCountReads takes reads that were on their way when somebody else closed their count: they were acknowledged, so they are not lost, and say where the
// items are as any read of a handheld does. They leave no evidence, since what a count heard is never replayed.
func (s *State) foldLateCountReads(e *event.Entry, points []*pointInfo) {
	for k := range e.Reads {
		r := &e.Reads[k]
		pt := points[r.Point]
		if pt == nil || r.Zone == 0 || s.scratchZones[r.Zone-1] == 0 {
			s.out.Unplaced++
			continue
		}
		i, ok := s.index[r.Key]
		if !ok {
			i = s.create(r.Key, r.Text)
		}
		t := min(r.T, e.At)
		if it := s.item(i); t > it.seen {
			it.seen, it.point = t, pt.name
		}
		s.declare(i, s.scratchZones[r.Zone-1], t, pt.name)
		s.touch(i)
	}
}

// heard reports whether the count heard the tag in any of its zones.
func (c *counter) heard(k epc.Key) bool {
	for _, z := range c.zones {
		if c.tallies[tallyKey{k, z}] != nil {
			return true
		}
	}
	return false
}

// curve notes how many tags were new by now.
func (c *counter) curve(now int64, fresh, reads int) {
	var length, covered int64 = 1000, c.Opened
	for _, b := range c.Curve {
		covered += b.Ms
		length = b.Ms
	}
	for covered <= now {
		if len(c.Curve) == curveBins {
			half := c.Curve[:0]
			for i := 0; i+1 < curveBins; i += 2 {
				a, b := c.Curve[i], c.Curve[i+1]
				half = append(half, event.CurveBin{Ms: a.Ms + b.Ms, New: a.New + b.New, Reads: a.Reads + b.Reads})
			}
			c.Curve = half
			length = half[len(half)-1].Ms
		}
		c.Curve = append(c.Curve, event.CurveBin{Ms: length})
		covered += length
	}
	last := &c.Curve[len(c.Curve)-1]
	last.New += fresh
	last.Reads += reads
}

func (s *State) markCount(c *counter) {
	if !c.dirty {
		c.dirty = true
		s.dirty.counts = append(s.dirty.counts, c)
	}
}

// foldCount carries out a command on a count. What no longer fits changes nothing.
func (s *State) foldCount(cmd *event.CountCommand, by string) {
	if cmd.Do == "open" {
		s.openCount(cmd, by)
		return
	}
	c := s.counts.byID[cmd.ID]
	if c == nil {
		return
	}
	switch {
	case cmd.Do == "pause" && c.Status == event.CountOpen:
		c.Status = event.CountPaused
	case cmd.Do == "resume" && c.Status == event.CountPaused:
		c.Status = event.CountOpen
	case cmd.Do == "pass" && c.Status == event.CountOpen:
		c.Pass++
	case cmd.Do == "reopen" && c.Status == event.CountClosed:
		c.Status, c.Closed = event.CountOpen, 0
		c.Pass++
	case cmd.Do == "close" && (c.Status == event.CountOpen || c.Status == event.CountPaused):
		s.closeCount(c)
	case cmd.Do == "discard" && c.Status != event.CountDiscarded && c.Status != event.CountClosed:
		c.Status = event.CountDiscarded
		s.finish(c)
	default:
		return
	}
	s.markCount(c)
}

func (s *State) openCount(cmd *event.CountCommand, by string) {
	c := &counter{tallies: make(map[tallyKey]*tally), Count: event.Count{
		ID: event.CountID(s.site, s.seq), By: by, Note: cmd.Note, Status: event.CountOpen, Opened: s.clock, Pass: 1, MissingAfter: min(2, max(1, cmd.MissingAfter)),
	}}
	for _, id := range cmd.Zones {
		if n := s.numbers[id]; s.zone(n).known && !slices.Contains(c.zones, n) {
			c.zones = append(c.zones, n)
			c.Zones = append(c.Zones, id)
		}
	}
	if len(c.zones) == 0 {
		return
	}
	if cmd.Delivery {
		s.takePapers(c, cmd)
	}
	for i := range s.count {
		if c.Delivery {
			break
		}
		if it := s.item(i); it.disp.Sellable() && slices.Contains(c.zones, it.zone) {
			c.Expected = append(c.Expected, it.key)
		}
	}
	slices.SortFunc(c.Expected, epc.Key.Compare)
	// Closed counts that this one replaces, or that are too old, can't be opened again.
	for _, old := range slices.Clone(s.counts.order) {
		if old.Status == event.CountClosed && (s.clock-old.Closed > reopenable || slices.ContainsFunc(old.zones, func(z uint16) bool { return slices.Contains(c.zones, z) })) {
			s.finish(old)
		}
	}
	s.counts.byID[c.ID] = c
	s.counts.order = append(s.counts.order, c)
	s.markCount(c)
}

// takePapers notes what the papers of a delivery say. Tags that nobody has seen yet keep their words.
func (s *State) takePapers(c *counter, cmd *event.CountCommand) {
	c.Delivery = true
	for _, t := range cmd.Tags {
		c.Expected = append(c.Expected, t.Key)
		if s.find(t.Key) < 0 {
			s.create(t.Key, t.Text)
		}
	}
	slices.SortFunc(c.Expected, epc.Key.Compare)
	c.Expected = slices.Compact(c.Expected)
	for _, l := range cmd.Papers {
		if k := slices.IndexFunc(c.Papers, func(o event.Line) bool { return o.GTIN == l.GTIN }); k >= 0 {
			c.Papers[k].Count += l.Count
		} else {
			c.Papers = append(c.Papers, l)
		}
	}
	slices.SortFunc(c.Papers, func(a, b event.Line) int { return cmp.Compare(a.GTIN, b.GTIN) })
}

// finish forgets a count's tallies for good; its record and result stay.
func (s *State) finish(c *counter) {
	keys := make([]tallyKey, 0, len(c.tallies))
	for k := range c.tallies {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, compareTallies)
	for _, k := range keys {
		s.dirty.gone = append(s.dirty.gone, RecordName{event.KindTally, tallyName(c.ID, k)})
		c.tallies[k].dirty = false
	}
	c.Final = true
	s.markCount(c)
	clear(c.tallies)
	delete(s.counts.byID, c.ID)
	s.counts.order = slices.DeleteFunc(s.counts.order, func(o *counter) bool { return o == c })
}

func compareTallies(a, b tallyKey) int {
	if n := a.key.Compare(b.key); n != 0 {
		return n
	}
	return int(a.zone) - int(b.zone)
}

func tallyName(id string, k tallyKey) string {
	b := append([]byte(id), 0)
	b = binary.BigEndian.AppendUint16(b, k.zone)
	b, _ = k.key.AppendBinary(b)
	return string(b)
}

func appendTally(b []byte, t *tally) []byte {
	b = append(b, 2) // version
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
	if !ok || len(rest) != 18 || len(v) < 1 || v[0] != 1 && v[0] != 2 {
		return "", k, nil, bad
	}
	k.zone = binary.BigEndian.Uint16([]byte(rest))
	if k.key, err = epc.KeyFromBytes([]byte(rest[2:])); err != nil {
		return "", k, nil, bad
	}
	version := v[0]
	v = v[1:]
	uvarint := func() uint64 {
		u, n := binary.Uvarint(v)
		if n <= 0 {
			err, v = bad, nil
			return 0
		}
		v = v[n:]
		return u
	}
	varint := func() int64 {
		u, n := binary.Varint(v)
		if n <= 0 {
			err, v = bad, nil
			return 0
		}
		v = v[n:]
		return u
	}
	t = &tally{}
	t.reads, t.sights = uint32(uvarint()), 1
	if version > 1 {
		t.sights = uint16(uvarint())
	}
	t.best, t.passes, t.point, t.last = int16(varint()), uint16(uvarint()), uint16(uvarint()), varint()
	if err != nil {
		return "", k, nil, err
	}
	t.text = string(v)
	return id, k, t, nil
}

type dirtyTally struct {
	counter *counter
	key     tallyKey
	tally   *tally
}

func (c *counts) digest(put func(string, ...any)) {
	for _, k := range c.order {
		put("count %+v", k.Count)
		keys := make([]tallyKey, 0, len(k.tallies))
		for t := range k.tallies {
			keys = append(keys, t)
		}
		slices.SortFunc(keys, compareTallies)
		for _, t := range keys {
			put("  tally %v %d %x", t.key, t.zone, appendTally(nil, k.tallies[t]))
		}
	}
}
