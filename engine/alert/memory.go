package alert

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/event"
	"lintel/rules"
)

// memory is what is remembered of a rule: how many alerts it raised lately, and which subjects it
// is quiet about.
type memory struct {
	rule  string
	start int64 // of the time in which alerts are counted, 0: none was raised
	n     int   // how many were raised in it
	quiet map[Subject]int64
	dirty bool
	gone  bool
}

const (
	memoryVersion = 1
	// maxQuiet is how many subjects a rule can be quiet about; of more, those whose quiet ends
	// first are forgotten.
	maxQuiet = 10_000
)

// memories holds what is remembered of each rule.
type memories struct {
	byRule    map[string]*memory
	unwritten *unwritten
}

// of returns what is remembered of a rule, to be changed.
func (ms *memories) of(rule string) *memory {
	m := ms.byRule[rule]
	if m == nil {
		m = &memory{rule: rule}
		ms.byRule[rule] = m
	}
	if !m.dirty {
		m.dirty = true
		ms.unwritten.memories = append(ms.unwritten.memories, m)
	}
	return m
}

// keepOnly forgets what is remembered of other rules than these.
func (ms *memories) keepOnly(known map[string]*rules.Rule) {
	for _, name := range slices.Sorted(maps.Keys(ms.byRule)) {
		if known[name] == nil {
			ms.byRule[name].gone = true
			delete(ms.byRule, name)
			ms.unwritten.delete(event.KindAside, RulePrefix+name)
		}
	}
}

// beQuiet lets the rule be quiet for a while about what an alert, and those that joined it, are
// about: somebody has it in hand.
func (b *Book) beQuiet(t *track) {
	r := b.byName[t.Rule]
	if r == nil || r.Quiet == 0 {
		return
	}
	m := b.memories.of(t.Rule)
	if m.quiet == nil {
		m.quiet = make(map[Subject]int64)
	}
	maps.DeleteFunc(m.quiet, func(_ Subject, until int64) bool { return until <= b.now })
	for _, t := range append(b.members(t), t) {
		if t.About != event.AboutStorm && t.About != event.AboutRule {
			m.quiet[t.subject] = b.now + r.Quiet.Milliseconds()
		}
	}
	if over := len(m.quiet) - maxQuiet; over > 0 {
		first := slices.SortedFunc(maps.Keys(m.quiet), func(a, b Subject) int {
			return cmp.Or(cmp.Compare(m.quiet[a], m.quiet[b]), a.compare(b))
		})
		for _, s := range first[:over] {
			delete(m.quiet, s)
		}
	}
}

// quietUntil returns until when the rule is quiet about the alert's subject.
func (ms *memories) quietUntil(t *track) int64 {
	if m := ms.byRule[t.Rule]; m != nil {
		return m.quiet[t.subject]
	}
	return 0
}

func (m *memory) append(b []byte) []byte {
	b = msgp.AppendArrayHeader(b, uint32(3+5*len(m.quiet)))
	b = msgp.AppendInt(b, memoryVersion)
	b = msgp.AppendInt64(b, m.start)
	b = msgp.AppendInt(b, m.n)
	for _, s := range slices.SortedFunc(maps.Keys(m.quiet), Subject.compare) {
		b = msgp.AppendUint8(b, s.about)
		b = event.AppendKey(b, s.key)
		b = msgp.AppendString(b, s.place)
		b = msgp.AppendInt64(b, m.quiet[s])
	}
	return b
}

func decodeMemory(rule string, b []byte) (*memory, error) {
	r := event.NewDecoder(b)
	n := r.Array()
	if v := r.Int(); r.Err() == nil && (v != memoryVersion || n < 3 || (n-3)%5 != 0) {
		return nil, fmt.Errorf("rule record of version %d with %d fields, this Lintel reads version %d", v, n, memoryVersion)
	}
	m := &memory{rule: rule, start: r.Int64(), n: r.Int()}
	for n -= 3; n > 0 && r.Err() == nil; n -= 5 {
		s := Subject{about: r.Uint8(), key: r.Key(), place: r.String()}
		if m.quiet == nil {
			m.quiet = make(map[Subject]int64)
		}
		m.quiet[s] = r.Int64()
	}
	if r.Err() != nil {
		return nil, fmt.Errorf("rule record: %w", r.Err())
	}
	return m, nil
}
