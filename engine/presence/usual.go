package presence

import (
	"encoding/binary"
	"errors"
)

// Usual is what one door usually hears of one item that lies where it is: how often each side
// hears it in a slot, and how strongly. It is learnt from what led nowhere.
type Usual struct {
	slots uint16                // slots that it was learnt from
	level [2][usualLevels]uint8 // of these, by strength
	Until int64                 // slots up to here are learnt from
}

const (
	usualLevels = 13  // classes of 4 dB from -88 dBm upwards; the first holds what has no strength
	usualFull   = 250 // slots of one class at which all is halved, so that old habits fade
	usualLain   = 240 // slots of never having been heard that count at the most
	usualPrior  = 8   // slots that what is usual for all goods weighs
)

func usualClass(dbm int8) int {
	if dbm == unknownDB {
		return 0
	}
	return max(0, min(usualLevels-1, (int(dbm)+88)/4))
}

// Learn adds the slots (u.Until, upto] of an approach.
func (u *Usual) Learn(a *Approach, upto int64) {
	for k := max(u.Until, a.top-ringSlots, upto-ringSlots) + 1; k <= upto; k++ {
		s := a.at(k)
		u.slots++
		full := false
		for side := range s.heard {
			if s.heard[side] != 0 {
				c := &u.level[side][usualClass(s.level[side])]
				*c++
				full = full || *c >= usualFull
			}
		}
		if full || u.slots >= 4*usualFull {
			u.slots /= 2
			for side := range u.level {
				for q := range u.level[side] {
					u.level[side][q] /= 2
				}
			}
		}
	}
	u.Until = max(u.Until, upto)
}

// rest is what a door is expected to hear of an item that lies where it is: what is usual, or, of
// what was laid down a moment ago, what it has heard in the window so far: goods at rest go on as
// they began.
type rest struct {
	usual *Usual // nil: nothing is known
	slots int    // of the window so far
	level [2][usualLevels]uint8
	lain  int64 // slots that it has lain there: a door that never heard it in that time does not usually hear it

	stale  bool // what follows must be worked out again
	all    int
	most   [2][usualLevels]int
	silent [2]int
}

// likely returns how likely a side's slot is, in units of 1/one. General is the same for goods of
// which nothing is known. Weaker than usual is no news: somebody stands in the way. So is silence.
func (r *rest) likely(side int, s *slot, general uint32) uint32 {
	if r.stale {
		r.sum()
	}
	best := r.silent[side]
	if s.heard[side] != 0 {
		q := usualClass(s.level[side])
		best = r.most[side][q]
		if q > 0 {
			best = max(best, r.count(side, q-1)/3) // a class below is nearly as usual
		}
	} else {
		best = max(best, r.most[side][0])
	}
	return uint32((usualPrior*uint64(general) + uint64(best)*one) / uint64(usualPrior+r.all))
}

func (r *rest) count(side, q int) int {
	n := int(r.level[side][q])
	if r.usual != nil {
		n += int(r.usual.level[side][q])
	}
	return n
}

// sum works out what likely looks up: how many slots count, and of each class the largest number of
// slots that it or a stronger one has.
func (r *rest) sum() {
	r.stale, r.all = false, r.slots
	if r.usual == nil || r.usual.slots == 0 {
		r.all += int(min(r.lain, usualLain))
	} else {
		r.all += int(r.usual.slots)
	}
	for side := range r.most {
		heard, most := 0, 0
		for q := usualLevels - 1; q >= 0; q-- {
			n := r.count(side, q)
			heard += n
			most = max(most, n)
			r.most[side][q] = most
		}
		r.silent[side] = r.all - heard
	}
}

// note takes a slot for what the door hears of the item at rest.
func (r *rest) note(s *slot) {
	r.slots++
	r.stale = true
	for side := range s.heard {
		if s.heard[side] != 0 {
			r.level[side][usualClass(s.level[side])]++
		}
	}
}

// Loudest returns the strongest class that is usual on a side, in dBm at its upper edge; NoLevel:
// none.
func (u *Usual) Loudest(side int) int8 {
	if u != nil {
		for q := usualLevels - 1; q > 0; q-- {
			if u.level[side][q] > 0 {
				return int8(-88 + 4*q + 3)
			}
		}
	}
	return NoLevel
}

// Append appends the stored form of u: the slots, and the classes that were heard.
func (u *Usual) Append(b []byte) []byte {
	b = binary.AppendVarint(b, u.Until)
	b = binary.AppendUvarint(b, uint64(u.slots))
	for side := range u.level {
		for q, n := range u.level[side] {
			if n > 0 {
				b = append(b, byte(side*usualLevels+q), n)
			}
		}
	}
	return b
}

// Decode is the inverse of Append; b must hold nothing else.
func (u *Usual) Decode(b []byte) error {
	*u = Usual{}
	until, n := binary.Varint(b)
	if n <= 0 {
		return errUsual
	}
	b = b[n:]
	slots, n := binary.Uvarint(b)
	if n <= 0 || slots > 4*usualFull || len(b[n:])%2 != 0 {
		return errUsual
	}
	u.Until, u.slots = until, uint16(slots)
	for b = b[n:]; len(b) > 0; b = b[2:] {
		if b[0] >= 2*usualLevels {
			return errUsual
		}
		u.level[b[0]/usualLevels][b[0]%usualLevels] = b[1]
	}
	return nil
}

var errUsual = errors.New("the usual levels of an item at a door are damaged")

// Settled reports whether an approach goes on as usual, so that there is nothing to judge: neither
// side has heard the item more strongly than it usually does in the window, and both have heard it
// about as often in the last seconds.
func (u *Usual) Settled(a *Approach, until int64) bool {
	const recent = 16 // slots
	if u.slots < 3*learnedAtLeast {
		return false
	}
	var heard [2]int
	for k := until - Window + 1; k <= min(until, a.top); k++ {
		s := a.at(k)
		for side := range heard {
			if s.heard[side] == 0 {
				continue
			}
			if k > until-recent {
				heard[side]++
			}
			louder := 0
			for q := usualClass(s.level[side]); q < usualLevels; q++ {
				louder += int(u.level[side][q])
			}
			if louder*50 < int(u.slots) {
				return false
			}
		}
	}
	for side, n := range heard {
		usually := 0
		for _, c := range u.level[side] {
			usually += int(c)
		}
		if 4*usually >= int(u.slots) && n == 0 || 16*usually < int(u.slots) && n > 3 {
			return false
		}
	}
	return true
}

const learnedAtLeast = Window / 2 // slots from which what is usual is known

// UsualClasses is how many classes of strength a Usual has: the first holds reads without a strength,
// the others are of 4 dB from -88 dBm upwards.
const UsualClasses = usualLevels

// NewUsual returns what is usual where of so many slots each side heard the item so often in each
// class. Nothing is learnt from slots up to until again.
func NewUsual(slots uint16, level [2][UsualClasses]uint8, until int64) Usual {
	return Usual{slots: min(slots, 4*usualFull), level: level, Until: until}
}

// Levels returns what NewUsual took.
func (u *Usual) Levels() (slots uint16, level [2][UsualClasses]uint8) { return u.slots, u.level }
