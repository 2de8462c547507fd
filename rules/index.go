package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// subjectIndex finds the rules about one subject that a fact could make true.
type subjectIndex struct {
	any     *bucket // for a cause that is not known
	byCause map[string]*bucket
}

// bucket holds the rules for one cause: those that must always be looked at, and those that ask for
// one value of a name.
type bucket struct {
	always []int32
	keys   []keyIndex
}

// dearest returns the rules of the bucket that are evaluated on one environment at worst.
func (b *bucket) dearest(rules []*Rule) (dearest []*Rule, cost int) {
	add := func(members []int32) (list []*Rule, sum int) {
		for _, i := range members {
			list = append(list, rules[i])
			sum += rules[i].cost
		}
		return list, sum
	}
	dearest, cost = add(b.always)
	for _, k := range b.keys {
		var most []*Rule
		highest := 0
		for _, v := range slices.Sorted(maps.Keys(k.rules)) {
			if list, sum := add(k.rules[v]); sum > highest {
				most, highest = list, sum
			}
		}
		dearest, cost = append(dearest, most...), cost+highest
	}
	return dearest, cost
}

// dearest returns the rules about the subject that are evaluated after one fact at worst.
func (s *subjectIndex) dearest(rules []*Rule) (dearest []*Rule, cost int) {
	for _, cause := range slices.Sorted(maps.Keys(s.byCause)) {
		if list, sum := s.byCause[cause].dearest(rules); sum > cost {
			dearest, cost = list, sum
		}
	}
	return dearest, cost
}

// keyIndex finds the rules that ask for a value of one name.
type keyIndex struct {
	get   func(*Env) string
	rules map[string][]int32
}

func newIndex(rules []*Rule) map[string]*subjectIndex {
	index := make(map[string]*subjectIndex)
	for _, about := range Subjects() {
		s := &subjectIndex{byCause: make(map[string]*bucket), any: newBucket(rules, about, anyCause)}
		// Most causes concern the same rules: such causes share a bucket.
		shared := make(map[string]*bucket)
		for _, cause := range subjectCauses[about] {
			bit := causeBits[cause]
			var members strings.Builder
			for i, r := range rules {
				if r.About == about && r.becomes&bit != 0 {
					fmt.Fprintf(&members, "%d ", i)
				}
			}
			b := shared[members.String()]
			if b == nil {
				b = newBucket(rules, about, bit)
				shared[members.String()] = b
			}
			s.byCause[cause] = b
		}
		index[about] = s
	}
	return index
}

func newBucket(rules []*Rule, about string, causes causeSet) *bucket {
	b := &bucket{}
	byName := make(map[string]int)
	for i, r := range rules {
		if r.About != about || r.Mode == ModeOff || causes != anyCause && r.becomes&causes == 0 {
			continue
		}
		p, e := r.key()
		if p == nil {
			b.always = append(b.always, int32(i))
			continue
		}
		k, ok := byName[p.name]
		if !ok {
			k = len(b.keys)
			byName[p.name] = k
			b.keys = append(b.keys, keyIndex{get: e.text, rules: make(map[string][]int32)})
		}
		for _, v := range p.values {
			b.keys[k].rules[v] = append(b.keys[k].rules[v], int32(i))
		}
	}
	return b
}

// key is the pin that narrows the rule down most, nil if it has none.
func (r *Rule) key() (*pin, *entry) {
	var best *pin
	var bestEntry *entry
	for i := range r.pins {
		e, _ := lookup(r.pins[i].name)
		if e != nil && e.rank > 0 && (best == nil || e.rank < bestEntry.rank) {
			best, bestEntry = &r.pins[i], e
		}
	}
	return best, bestEntry
}

// ConcernedBy reports whether a fact of this kind can change whether the rule is true. For a cause
// that is not known, and for "", it can.
func (r *Rule) ConcernedBy(cause string) bool {
	bit, ok := causeBits[cause]
	return !ok || r.concerns&bit != 0
}

// candidates appends the rules of the bucket that fit the environment to dst, in the order of the
// document.
func (b *bucket) candidates(dst []*Rule, rules []*Rule, env *Env) []*Rule {
	var buf [12][]int32
	lists := buf[:0]
	if len(b.always) > 0 {
		lists = append(lists, b.always)
	}
	for i := range b.keys {
		if l := b.keys[i].rules[cut(b.keys[i].get(env))]; len(l) > 0 {
			lists = append(lists, l)
		}
	}
	for len(lists) > 1 {
		least := 0
		for i := 1; i < len(lists); i++ {
			if lists[i][0] < lists[least][0] {
				least = i
			}
		}
		dst = append(dst, rules[lists[least][0]])
		if lists[least] = lists[least][1:]; len(lists[least]) == 0 {
			lists[least] = lists[len(lists)-1]
			lists = lists[:len(lists)-1]
		}
	}
	if len(lists) == 1 {
		for _, i := range lists[0] {
			dst = append(dst, rules[i])
		}
	}
	return dst
}
