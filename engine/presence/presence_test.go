package presence

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const noon = 1_772_452_800_000

// read is one read of an approach.
type read struct {
	side int
	ms   int64
	dbm  int8
	n    uint32
	echo Echo
}

func heard(reads []read) *Approach {
	a := &Approach{}
	for _, r := range reads {
		a.Hear(r.side, r.ms, r.dbm, r.n, r.echo)
	}
	return a
}

func reads(rt *rapid.T) []read {
	list := make([]read, rapid.IntRange(1, 60).Draw(rt, "reads"))
	for i := range list {
		list[i] = read{rapid.IntRange(0, 1).Draw(rt, "side"), noon + rapid.Int64Range(0, WindowMs).Draw(rt, "at"),
			int8(rapid.IntRange(-80, -40).Draw(rt, "dbm")), uint32(rapid.IntRange(1, 3).Draw(rt, "n")), Echo{}}
	}
	return list
}

// What a door has heard depends neither on the order in which reads come, nor on how often.
func TestApproachIsASet(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		list := reads(rt)
		again := append(rapid.Permutation(list).Draw(rt, "order"), list...)
		a, b := heard(list), heard(again)
		require.Equal(rt, a.Summary(a.Newest()), b.Summary(b.Newest()))
		for k := a.Newest() - ringSlots; k <= a.Newest(); k++ {
			require.Equal(rt, a.at(k), b.at(k))
		}
	})
}

func TestApproachForgets(t *testing.T) {
	a := heard([]read{{Inner, noon, -50, 1, Echo{}}})
	require.True(t, a.HeardIn(SlotOf(noon), SlotOf(noon)))
	a.Hear(Outer, noon+RingMs, -60, 1, Echo{})
	require.False(t, a.HeardIn(SlotOf(noon), SlotOf(noon)), "its slot is another's now")
	require.False(t, a.Hear(Inner, noon, -50, 1, Echo{}), "too late")
	require.Equal(t, 1, a.Summary(a.Newest()).Reads)
}

// The integer logarithm against the one of the standard library.
func TestLog2(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		x := rapid.Uint64Range(1, 1<<40).Draw(rt, "x")
		require.InDelta(rt, 256*math.Log2(float64(x)), log2(x), 1.5)
	})
}

// A belief is a distribution whatever is heard: no state is ever ruled out, and none overflows.
func TestBeliefStaysInBounds(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a := heard(reads(rt))
		e := Evidence{Approach: a, From: a.Newest() - Window + 1, Until: a.Newest() + rapid.Int64Range(0, 40).Draw(rt, "quiet"),
			Start:    rapid.SampledFrom([]Belief{StartLying, StartCarried, StartOutside, StartUnknown}).Draw(rt, "start"),
			OneSided: rapid.Bool().Draw(rt, "one"), Loud: [2]int8{LoudByDefault, LoudByDefault},
			Lain: rapid.Int64Range(0, 1000).Draw(rt, "lain"),
			Inside: Inside{Epoch: 1000, Last: noon/1000 + 20, Hits: rapid.Uint64().Draw(rt, "hits"),
				Desk: rapid.Uint64().Draw(rt, "desk"), Known: noon/1000 + 18,
				Rate: uint32(rapid.IntRange(0, one).Draw(rt, "rate"))},
		}
		v := Judge(&e)
		for _, x := range v.Belief {
			require.Positive(rt, x)
			require.Less(rt, x, uint32(1)<<evenBits)
		}
		require.InDelta(rt, 1, v.In()+v.share(DoorwayOut, Doorway)+v.Through(), 1e-5)
		require.Equal(rt, v, Judge(&e))
	})
}

// A desk's short-range reader has the last word: who is at the till is not at the door.
func TestADeskVetoes(t *testing.T) {
	var list []read
	for ms := int64(0); ms < 4000; ms += 100 {
		list = append(list, read{int(ms / 2000), noon + ms, -55, 1, Echo{}})
	}
	a := heard(list)
	e := Evidence{Approach: a, From: a.Newest() - Window + 1, Until: a.Newest() + 12, Start: StartLying,
		Loud: [2]int8{-52, -52}, Lain: 1000,
		Inside: Inside{Epoch: 1000, Last: noon/1000 + 7, Known: noon/1000 + 7}}
	v := Judge(&e)
	require.Greater(t, v.Through(), 0.8)
	e.Inside.Desk = 0b1110
	v = Judge(&e)
	require.Less(t, v.Through(), 0.05)
}

func TestUsual(t *testing.T) {
	var u *Usual
	require.Equal(t, int8(NoLevel), u.Loudest(Inner))
	a := &Approach{}
	for ms := int64(0); ms < WindowMs; ms += 250 {
		a.Hear(Inner, noon+ms, -66, 1, Echo{})
	}
	u = &Usual{}
	u.Learn(a, a.Newest())
	require.Equal(t, Window, int(u.slots)-(ringSlots-Window), "the slots before it was heard are silent ones")
	require.Equal(t, int8(-65), u.Loudest(Inner))
	before := *u
	u.Learn(a, a.Newest())
	require.Equal(t, before, *u, "no slot is learnt twice")
	for range 40 { // old habits fade, and nothing overflows
		u.Until = a.Newest() - Window
		u.Learn(a, a.Newest())
	}
	require.LessOrEqual(t, u.slots, uint16(4*usualFull))
	require.True(t, u.Settled(a, a.Newest()))
	a.Hear(Outer, noon+WindowMs, -50, 1, Echo{})
	require.False(t, u.Settled(a, a.Newest()), "the outer side never heard it like this")
}

func TestLoud(t *testing.T) {
	var l Loud
	require.EqualValues(t, LoudByDefault, l.Level())
	for range loudPeaks {
		l.Add(-40)
	}
	require.EqualValues(t, -40, l.Level(), "readers that report 12 dB more hear carried goods 12 dB louder")
	var back Loud
	back.Decode(l.Append(nil))
	require.Equal(t, l, back)
	back.Decode([]byte{1, 2, 3})
	require.Equal(t, Loud{}, back)
}

// Goods of one bag share what is known of them, whatever the order in which they stand.
func TestTogether(t *testing.T) {
	candidate := func(reads []read, hits uint64) Candidate {
		a := heard(reads)
		c := Candidate{Evidence: Evidence{Approach: a, From: SlotOf(noon) - 40, Until: SlotOf(noon) + 48,
			Start: StartLying, Loud: [2]int8{-52, -52}, Lain: 4000,
			Inside: Inside{Epoch: 1000, Last: noon/1000 + 12, Known: noon/1000 + 11, Hits: hits, Rate: one / 2}},
			Home: 3, Left: noon/1000 - 10}
		c.Summary = a.Summary(c.Until)
		return c
	}
	var walk, few []read
	for ms := int64(0); ms < 4000; ms += 100 {
		d := float64(ms-1800) / 1000
		side := Inner
		if ms > 1800 {
			side = Outer
		}
		walk = append(walk, read{side, noon + ms, int8(-50 - 4*d*d), 1, Echo{}})
		if ms%1300 == 0 {
			few = append(few, walk[len(walk)-1])
		}
	}
	list := []Candidate{candidate(walk, 0), candidate(few, 0), candidate(walk, 0)}
	alone := []Candidate{candidate(few, 0)}
	JudgeAll(alone)
	JudgeAll(list)
	require.Greater(t, list[1].Out(), alone[0].Out(), "a book that is hardly read is found by its neighbours")
	back := []Candidate{candidate(few, 0), candidate(walk, 0), candidate(walk, 0)}
	JudgeAll(back)
	require.Equal(t, list[1].Belief, back[0].Belief)

	box := []Candidate{candidate(walk, 0), candidate(walk, 0b1101)}
	JudgeAll(box)
	require.Less(t, box[0].Out(), 0.2, "what a reader inside hears of one, it hears of all")
	require.Greater(t, list[0].Out(), 0.8)
}

// Whoever goes through a door passes below its antenna: what it has not heard about as loudly as goods
// that are carried is less likely to have gone, by the ratio of two normal distributions.
func TestFaint(t *testing.T) {
	require.Zero(t, faint(-56, -52))
	require.Zero(t, faint(-40, -50))
	require.Zero(t, faint(NoLevel, -50), "without a strength")
	require.InDelta(t, -10*8.5/(6.5*6.5), float64(faint(-66, -52))/256*math.Ln2, 0.1, "10 dB below what is still usual")
	var list [2]Candidate
	for k, level := range []int8{-50, -70} {
		var walk []read
		for ms := int64(0); ms < 4000; ms += 100 {
			walk = append(walk, read{int(ms / 2000), noon + ms, level, 1, Echo{}})
		}
		a := heard(walk)
		list[k] = Candidate{Evidence: Evidence{Approach: a, From: SlotOf(noon) - 40, Until: SlotOf(noon) + 40, Start: StartLying,
			Loud: [2]int8{-52, -52}, Lain: 1000}}
		list[k].Summary = a.Summary(list[k].Until)
		JudgeAll(list[k : k+1])
	}
	require.Greater(t, list[0].Out(), 0.8)
	require.Less(t, list[1].Out(), list[0].Out())
}

// The tables are likelihoods: every row of transitions adds up to one slot's worth, and being heard
// by the outer side says outside.
func TestTables(t *testing.T) {
	for from, row := range tables.move {
		sum := 0
		for _, p := range row {
			sum += int(p)
		}
		require.InDelta(t, 65536, sum, 8, "from state %d", from)
	}
	require.Greater(t, tables.both[0][4][Step], tables.both[0][4][Room])
	require.Greater(t, tables.both[4][0][Room], tables.both[4][0][Step])
	require.Less(t, tables.hit[0][Gone], tables.hit[0][AtRest])
	require.True(t, slices.ContainsFunc(tables.desk[:], func(p uint32) bool { return p > 100 }))
}

func FuzzUsual(f *testing.F) {
	f.Add((&Usual{slots: 40, Until: SlotOf(noon)}).Append(nil))
	f.Add([]byte{0, 1, 5, 9, 14, 200})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		var u, again Usual
		if u.Decode(b) != nil {
			return
		}
		require.NoError(t, again.Decode(u.Append(nil)))
		require.Equal(t, u, again)
	})
}

func BenchmarkJudge(b *testing.B) {
	var list []read
	for ms := int64(0); ms < 4000; ms += 100 {
		list = append(list, read{int(ms / 2000), noon + ms, int8(-50 - ms/400), 1, Echo{}})
	}
	a := heard(list)
	e := Evidence{Approach: a, From: a.Newest() - 40, Until: a.Newest() + 8, Start: StartLying, Loud: [2]int8{-52, -52}, Lain: 1000,
		Inside: Inside{Epoch: 1000, Last: noon/1000 + 7, Known: noon/1000 + 7, Rate: one / 2}}
	for b.Loop() {
		Judge(&e)
	}
}
