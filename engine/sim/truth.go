package sim

import (
	"sort"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// Truth is what really happened up to now, whatever the readers heard. All times are Unix
// milliseconds of the true clock; an open end is 0. It shares memory with the run and grows with
// it.
type Truth struct {
	Start         int64
	Until         int64
	Items         []Item // index: the number that all the other lists use
	Passages      []Passage
	Approaches    []Approach
	Sales         []Sale
	Returns       []Return
	Received      []Receipt
	Misplacements []Misplacement
	Shortages     []Shortage
	Silences      []Silence
	Sweeps        []Sweep

	stays [][]stay
	zones []string
	index map[epc.Key]int
}

// Item is one tagged thing.
type Item struct {
	EPC      string // hexadecimal digits
	Key      epc.Key
	GTIN     uint64
	Stranger bool // not of this shop: a customer brought it along
}

// Passage is one item going through the street door.
type Passage struct {
	Item      int
	At        int64 // when it was in the middle of the door
	Direction event.Direction
	Paid      bool // of an item of this shop: paid for by then, whether the server was told or not
	Told      int64
	Visit     int // number of the visit, to see what went together
}

// Approach is one unpaid item that was carried to the door and not through it.
type Approach struct {
	Item    int
	From    int64
	To      int64
	Closest float64 // metres from the middle of the door
	Visit   int
}

// Sale is one item paid for at the till.
type Sale struct {
	Item int
	At   int64
	Told int64 // when the server is told
	Ref  string
}

// Return is one item brought back and refunded at the till.
type Return struct {
	Item int
	At   int64
	Told int64
	Ref  string
}

// Receipt is one item that came in from a supplier.
type Receipt struct {
	Item int
	At   int64
	Told int64
	Ref  string
}

// Misplacement is one item lying on the sales floor in a zone where its product does not belong.
type Misplacement struct {
	Item int
	Zone string
	From int64
	To   int64
}

// Shortage is a time in which fewer copies of a product lie in a zone than should. What a customer
// has in hand does not lie there.
type Shortage struct {
	GTIN uint64
	Zone string
	From int64
	To   int64
}

// Silence is a time in which a reader is switched off.
type Silence struct {
	Point string
	From  int64
	To    int64
}

// Sweep is a walk through a zone with a handheld reader.
type Sweep struct {
	Point string
	Zone  string
	From  int64
	To    int64
}

// Stay says where an item is for a time.
type Stay struct {
	From    int64
	To      int64  // 0: still so
	Zone    string // "" for the ways between the zones, and outside
	Carried bool   // in somebody's hands; else it lies in the zone, or is not in the shop
	Outside bool   // beyond the middle of the door, or not in the shop
}

const (
	howCarried uint8 = 1 << iota
	howOutside
)

type stay struct {
	from int64
	zone uint8
	how  uint8
}

// Truth returns what really happened up to now.
func (s *Sim) Truth() *Truth {
	t := &s.truth
	t.Until = s.now
	if t.index == nil {
		t.index = make(map[epc.Key]int, len(t.Items))
		for i := range t.Items {
			t.index[t.Items[i].Key] = i
		}
	}
	return t
}

func (t *Truth) stay(item, k int) Stay {
	list := t.stays[item]
	v := Stay{From: list[k].from, Zone: t.zones[list[k].zone], Carried: list[k].how&howCarried != 0, Outside: list[k].how&howOutside != 0}
	if k+1 < len(list) {
		v.To = list[k+1].from
	}
	return v
}

// Where returns where the item was at a moment; at a change, where it was from then on. Before the
// beginning it is where it was then.
func (t *Truth) Where(item int, at int64) Stay {
	list := t.stays[item]
	k := sort.Search(len(list), func(k int) bool { return list[k].from > at })
	return t.stay(item, max(0, k-1))
}

// Lying returns the items that lay in the zone at a moment, ascending.
func (t *Truth) Lying(zone string, at int64) []int {
	var found []int
	for i := range t.stays {
		if w := t.Where(i, at); w.Zone == zone && !w.Carried && !w.Outside {
			found = append(found, i)
		}
	}
	return found
}
