package sim

import (
	"lintel/engine/epc"
	"lintel/engine/event"
	"time"
)

// DemoDay is a whole day, with everything that a demonstration wants to show.
func DemoDay(seed uint64) Config { return Demo(seed, DayStart, 10*time.Hour) }

// Now returns how far the world has gone, Unix milliseconds.
func (s *Sim) Now() int64 { return s.now }

// Stays returns where the item was, from the beginning to now, without gaps.
func (t *Truth) Stays(item int) []Stay {
	out := make([]Stay, len(t.stays[item]))
	for k := range out {
		out[k] = t.stay(item, k)
	}
	return out
}

// UnpaidExits returns the passages of this shop's items out of the door that nobody paid for.
func (t *Truth) UnpaidExits() []Passage {
	var found []Passage
	for _, p := range t.Passages {
		if p.Direction == event.DirectionOut && !p.Paid && !t.Items[p.Item].Stranger {
			found = append(found, p)
		}
	}
	return found
}

// ItemByKey finds an item by its identity.
func (t *Truth) ItemByKey(k epc.Key) (int, bool) {
	i, ok := t.index[k]
	return i, ok
}
