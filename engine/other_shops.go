package engine

import (
	"fmt"
	"maps"
	"slices"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// What other shops of the same store have. The core knows of no other site: a Batch says what this
// shop has and what it heard (Holding), whoever runs the core keeps an index of all shops by that, and
// what the index says of this shop's items comes back as entries (event.EntryElsewhere).

const (
	asideOther = "elsewhere/" // value: the id and the name of the shop that has the item, as MessagePack
	// maxOthers is of how many items a site remembers that another shop has them. What goes beyond is not
	// notified.
	maxOthers = 100_000
)

// Holding says of one item whether this shop has it in stock, when that has changed, or when an item
// that it does not have is heard.
type Holding struct {
	Key   epc.Key
	Seq   uint64 // the entry that it came of
	Has   bool   // it is this shop's: sellable, and not missing
	Firm  bool   // with Has: a delivery or a person said so, not only a reader
	Known string // the other shop that is known here to have it, "": none
}

// held reports whether the shop has the item in stock, wherever it is.
func (it *item) held() bool { return it.Disposition.Sellable() && it.flags&flagMissing == 0 }

// holds notes what the index of all shops must learn of an item after a fact of cause c, 0: none.
func (s *core) holds(i int32, c event.Cause) {
	it := s.item(i)
	has, had := it.held(), it.flags&flagHeld != 0
	firm := has && (c == event.Received || c == event.Returned)
	heard := !has && (c == event.Arrived || c == event.Passed || c == event.Near)
	if has == had && !firm && !heard {
		return
	}
	it.flags &^= flagHeld
	if has {
		it.flags |= flagHeld
	}
	s.out.Holdings = append(s.out.Holdings, Holding{Key: it.key, Seq: s.seq, Has: has, Firm: firm, Known: s.others.get(it.key).ID})
}

// Holdings returns what the index of all shops must know of up to most items from one on, to build it
// anew, and where to go on; 0: there are no more. The first is 0.
func (s *State) Holdings(from int32, most int) (list []Holding, next int32) {
	for next = from; next < s.count && len(list) < most; next++ {
		it := s.item(next)
		list = append(list, Holding{Key: it.key, Seq: s.seq, Has: it.held(), Known: s.others.get(it.key).ID})
	}
	if next >= s.count {
		next = 0
	}
	return list, next
}

// foldElsewhere takes what is known of other shops, and emits a fact for each item of which it is new.
func (s *core) foldElsewhere(list []event.Elsewhere) {
	for _, e := range list {
		i := s.find(e.Key)
		if i < 0 || !s.others.set(e.Key, e.Site) {
			continue
		}
		s.emitItem(event.OtherShop, i, s.clock, func(f *event.Fact) { f.Other = &e.Site })
	}
}

// otherShops are the items that other shops have.
type otherShops struct {
	of      map[epc.Key]event.OtherSite
	changed []epc.Key // since the last flush
}

func (o *otherShops) get(k epc.Key) (site event.OtherSite) {
	if len(o.of) == 0 {
		return site
	}
	return o.of[k]
}

// set keeps which shop has an item, none if its id is empty, and reports whether that is new.
func (o *otherShops) set(k epc.Key, site event.OtherSite) bool {
	had := o.get(k)
	if had == site || had.ID == "" && site.ID == "" || had.ID == "" && len(o.of) >= maxOthers {
		return false
	}
	if site.ID == "" {
		delete(o.of, k)
	} else {
		o.of[k] = site
	}
	o.changed = append(o.changed, k)
	return true
}

// flush puts what has changed; a nil value deletes.
func (o *otherShops) flush(put func(key string, value []byte)) {
	for _, k := range o.changed {
		key, _ := k.AppendBinary([]byte(asideOther))
		var value []byte
		if site, ok := o.of[k]; ok {
			value = event.AppendStrings(nil, []string{site.ID, site.Name})
		}
		put(string(key), value)
	}
	o.changed = o.changed[:0]
}

func (o *otherShops) load(key string, v []byte) error {
	k, err := epc.KeyFromBytes([]byte(key))
	r := event.NewDecoder(v)
	texts := r.Strings(nil)
	if err == nil {
		err = r.Err()
	}
	if err == nil && len(texts) != 2 {
		err = msgp.ArrayError{Wanted: 2, Got: uint32(len(texts))}
	}
	if err != nil {
		return fmt.Errorf("record of an item of another shop: %w", err)
	}
	o.of[k] = event.OtherSite{ID: texts[0], Name: texts[1]}
	return nil
}

func (o *otherShops) digest(put func(string, ...any)) {
	for _, k := range slices.SortedFunc(maps.Keys(o.of), epc.Key.Compare) {
		put("elsewhere %v %q", k, o.of[k])
	}
}
