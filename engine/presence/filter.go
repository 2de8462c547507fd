package presence

import "math/bits"

// The states of an item with regard to a door, along the way out. Of what is carried near a door
// there are two each: on its way out, by 0.4 m a second and more, and not.
const (
	AtRest     = iota // lies where it is, inside
	Deep              // carried, inside, more than 3 m from the doorway
	RoomOut           // 1.5 to 3 m before it
	Room              //
	NearOut           // 0.5 to 1.5 m before it
	Near              //
	DoorwayOut        // within 0.5 m of the threshold
	Doorway           //
	StepOut           // 0.5 to 1.5 m past it
	Step              //
	OutsideOut        // 1.5 to 3.5 m past it
	Outside           //
	Gone              // further away
	States
)

const (
	one      = 1 << 12 // likelihoods are in units of 1/one
	evenBits = 30      // a belief adds up to less than 1<<evenBits
)

// Belief is how likely each state is, in arbitrary units.
type Belief [States]uint32

func (b *Belief) sum() (n uint64) {
	for _, x := range b {
		n += uint64(x)
	}
	return n
}

// share returns the part of some states, 0 to 1, rounded to a millionth.
func (b *Belief) share(from, to int) float64 {
	var part uint64
	for _, x := range b[from : to+1] {
		part += uint64(x)
	}
	return float64(part*1_000_000/max(1, b.sum())) / 1e6
}

// Out is the confidence that the item is past the door: 1.5 m or more, or gone.
func (b *Belief) Out() float64 { return b.share(OutsideOut, Gone) }

// Away is the confidence that the item is well away outside.
func (b *Belief) Away() float64 { return b.share(Gone, Gone) }

// Through is the confidence that the item has crossed the threshold.
func (b *Belief) Through() float64 { return b.share(StepOut, Gone) }

// Resting is the confidence that the item lies where it is.
func (b *Belief) Resting() float64 { return b.share(AtRest, AtRest) }

// In is the confidence that the item is inside.
func (b *Belief) In() float64 { return b.share(AtRest, Near) }

// weigh multiplies the belief with likelihoods, and scales it.
func (b *Belief) weigh(l *likelihood) {
	var next [States]uint64
	var all uint64
	for k := range b {
		next[k] = uint64(b[k]) * l[k]
		all |= next[k]
	}
	b.scale(&next, all)
}

func (b *Belief) scale(next *[States]uint64, all uint64) {
	shift := bits.Len64(all) - (evenBits - 3)
	for k := range next {
		x := next[k]
		if shift >= 0 {
			x >>= uint(shift)
		} else {
			x <<= uint(-shift)
		}
		b[k] = uint32(max(1, x)) // nothing is ever ruled out
	}
}

// farthest is how many places an item can go in a slot: nobody gets from the room to the street but
// through the doorway. What was counted beyond is goods that came and went otherwise.
const farthest = 3

// place numbers the places that states are about, along the way out.
func place(state int) int {
	if state <= Deep {
		return state
	}
	return (state + RoomOut) / 2
}

// step is a transition that happens, in units of 1/65536 a slot.
type step struct {
	from, to uint8
	chance   uint32
}

var steps = func() (list []step) {
	for from := range tables.move {
		for to, p := range tables.move[from] {
			if way := place(to) - place(from); p > 0 && way <= farthest && -way <= farthest {
				list = append(list, step{uint8(from), uint8(to), uint32(p)})
			}
		}
	}
	return list
}()

// move lets one slot of time pass.
func (b *Belief) move() {
	var next [16]uint64
	var b16 [16]uint32
	copy(b16[:], b[:])
	for _, s := range steps {
		next[s.to&15] += uint64(b16[s.from&15]) * uint64(s.chance)
	}
	for k := range b {
		b[k] = max(1, uint32(next[k]>>16)) // nothing is ever ruled out
	}
}

// Odds are the logarithm to base 2, in 1/256, of how much likelier the item is past the door than not.
func (b *Belief) Odds() int {
	var out, not uint64
	for s, x := range b {
		if s >= OutsideOut {
			out += uint64(x)
		} else {
			not += uint64(x)
		}
	}
	return log2(out) - log2(not)
}

// Tilt changes the odds of being past the door by delta, in the units of Odds.
func (b *Belief) Tilt(delta int) {
	whole, part := delta>>8, uint64(delta&255)
	var next [States]uint64
	var all uint64
	for s, x := range b {
		y := uint64(x) << 8
		if s >= OutsideOut {
			y = uint64(x) * (256 + part) // 2^f is about 1+f
			if whole >= 0 {
				y <<= uint(min(whole, 20))
			} else {
				y >>= uint(min(-whole, 20))
			}
		}
		next[s] = y
		all |= y
	}
	b.scale(&next, all)
}

// log2 returns the logarithm to base 2 of x in 1/256, by squaring: the same on every machine.
func log2(x uint64) int {
	if x == 0 {
		return 0
	}
	n := bits.Len64(x) - 1
	y := x << uint(63-n) >> 32 // 1 to 2, in units of 1<<31
	log := n
	for range 8 {
		y = y * y >> 31
		log <<= 1
		if y >= 1<<32 {
			log |= 1
			y >>= 1
		}
	}
	return log
}
