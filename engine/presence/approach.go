package presence

import (
	"fmt"
	"math/bits"
)

// The time grid of a door.
const (
	SlotMs    = 250 // milliseconds of a slot
	ringSlots = 128 // slots that an approach keeps: 32 s
	Window    = 64  // slots that a belief looks at: 16 s
	RingMs    = ringSlots * SlotMs
	WindowMs  = Window * SlotMs
	NoLevel   = -128       // dBm of a slot in which nothing was heard, or no strength reported
	moments   = 8          // parts of a slot, so that a read that is reported twice counts once
	unknownDB = int8(-127) // level of a slot that was heard without a strength
)

// Sides of a door. A door with one antenna uses Inner alone.
const (
	Inner = 0
	Outer = 1
)

// slot is what both sides of a door heard of an item in a quarter of a second: 6 bytes.
type slot struct {
	level  [2]int8  // strongest read, dBm; NoLevel: not heard
	heard  [2]uint8 // bit k: heard in the k-th eighth of the slot
	motion [2]Motion
}

func (s *slot) empty() bool { return s.heard[0]|s.heard[1] == 0 }

// Approach is what one door heard of one item in the last half minute. The zero value is empty.
type Approach struct {
	top   int64 // newest slot heard, 0: none; the ring covers (top-ringSlots, top]
	slots [ringSlots]slot
	last  [2]lastEcho
}

// SlotOf returns the slot of a time in Unix milliseconds.
func SlotOf(ms int64) int64 { return ms / SlotMs }

// Hear adds a read of one side. Dbm is NoLevel where no strength is reported; n is how often the
// reader saw the tag for this report; echo is what it reported beside that, if anything. Reads may
// come in any order, and again: only the first counts. It reports whether the approach changed.
func (a *Approach) Hear(side int, ms int64, dbm int8, n uint32, echo Echo) bool {
	at := SlotOf(ms)
	switch {
	case at > a.top:
		for k := max(a.top+1, at-ringSlots+1); k <= at; k++ {
			a.slots[k&(ringSlots-1)] = slot{}
		}
		a.top = at
		for k := range a.last {
			if ms-a.last[k].ms > sameMs { // too old to be compared with, and no longer in the journal's tail
				a.last[k] = lastEcho{}
			}
		}
	case at <= a.top-ringSlots:
		return false
	}
	s := &a.slots[at&(ringSlots-1)]
	was := *s
	if dbm == NoLevel {
		dbm = unknownDB
	}
	if s.heard[side] == 0 || dbm > s.level[side] {
		s.level[side] = dbm
	}
	moment := ms % SlotMs * moments / SlotMs
	for k := int64(0); k < min(int64(n), moments); k++ { // a sum of several reads fills the moments around it
		s.heard[side] |= 1 << ((moment + k) & (moments - 1))
	}
	s.motion[side] |= a.last[side].motion(echo, ms)
	return *s != was
}

// Newest returns the newest slot in which the door heard the item.
func (a *Approach) Newest() int64 { return a.top }

func (a *Approach) at(k int64) slot {
	if k > a.top || k <= a.top-ringSlots {
		return slot{}
	}
	return a.slots[k&(ringSlots-1)]
}

// String lists the slots that were heard and the last echoes: all that an approach holds.
func (a *Approach) String() string {
	b := fmt.Appendf(nil, "top %d last %v", a.top, a.last)
	for k := a.top - ringSlots + 1; k <= a.top; k++ {
		if s := a.at(k); s != (slot{}) {
			b = fmt.Appendf(b, " %d:%v", k, s)
		}
	}
	return string(b)
}

// Summary is an approach in figures, over the last window before a slot.
type Summary struct {
	Reads int    // moments in which it was heard
	Slots [2]int // slots in which each side heard it
	Peak  [2]int8
	From  int64 // first and last slot heard
	To    int64
}

// Summary sums up the slots of the window that ends with slot end.
func (a *Approach) Summary(end int64) Summary {
	s := Summary{Peak: [2]int8{NoLevel, NoLevel}, From: end, To: end}
	begun := false
	for k := max(a.top-ringSlots, end-Window) + 1; k <= min(end, a.top); k++ {
		x := a.at(k)
		if x.empty() {
			continue
		}
		if !begun {
			begun, s.From = true, k
		}
		s.To = k
		for side := range x.heard {
			if x.heard[side] != 0 {
				s.Reads += bits.OnesCount8(x.heard[side])
				s.Slots[side]++
				if x.level[side] != unknownDB {
					s.Peak[side] = max(s.Peak[side], x.level[side])
				}
			}
		}
	}
	return s
}

// HeardIn reports whether the door heard the item in the slots from, ..., to.
func (a *Approach) HeardIn(from, to int64) bool {
	for k := max(from, a.top-ringSlots+1); k <= min(to, a.top); k++ {
		if s := a.at(k); !s.empty() {
			return true
		}
	}
	return false
}

// firstHeard returns the first slot from one on in which the door heard the item; the newest if
// there is none before.
func (a *Approach) firstHeard(from int64) int64 {
	for k := max(from, a.top-ringSlots+1); k < a.top; k++ {
		if s := a.at(k); !s.empty() {
			return k
		}
	}
	return a.top
}
