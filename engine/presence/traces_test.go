package presence

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// shop has one item and does nothing.
type shop struct{ item Known }

func (s *shop) Item(int32) *Known                                               { return &s.item }
func (s *shop) Key(int32) epc.Key                                               { return epc.Key{} }
func (s *shop) Touch(int32)                                                     {}
func (s *shop) Arrived(int32, uint16, int64, uint16)                            {}
func (s *shop) Left(int32, int64)                                               {}
func (s *shop) Rests(int32, int64)                                              {}
func (s *shop) Declared(int32, uint16, int64, uint16, bool)                     {}
func (s *shop) Reader(*Point, event.Cause)                                      {}
func (s *shop) AtDoor(int32, event.Cause, uint16, int64, string, event.Passage) {}

func TestSizes(t *testing.T) {
	require.EqualValues(t, 40, unsafe.Sizeof(Known{}), "of each of a million items")
	require.EqualValues(t, 48, unsafe.Sizeof(trace{}))
	require.LessOrEqual(t, unsafe.Sizeof(doorItem{})+unsafe.Sizeof(doorMemory{}), uintptr(100))
}

// Asking about a reader that never reported writes nothing, not even beside what the site holds:
// others ask at the same time.
func TestAskingAboutAReaderWritesNothing(t *testing.T) {
	var shop shop
	s := New(&shop, &shop)
	pt := &Point{Name: 1, Role: event.Portal}
	s.Bind(&Layout{Zones: make([]Zone, 2), Points: []*Point{nil, pt}, Epoch: 1000}, false)
	room := make([]readerState, 2)
	room[1].last = 1 // in the room that the slice has to grow into
	s.readers.points = room[:0]
	last, silent := s.Reports(1)
	require.Zero(t, last)
	require.False(t, silent)
	require.Empty(t, s.Warnings(1))
	require.EqualValues(t, 1, room[1].last)
}

// The bound of silence against its definition: the smallest number of epochs that a tag with the
// estimated rate stays unheard in with no more than the given chance, (1-p)^k <= exp(-looks).
func TestSilenceIsTheBinomialBound(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		h := rapid.Uint64Min(1).Draw(rt, "hits") | 1
		looks := rapid.Float64Range(1, 20).Draw(rt, "looks")
		k := silence(h, int64(math.Round(looks*lookUnits)))
		require.GreaterOrEqual(rt, k, int64(minSilence))
		require.LessOrEqual(rt, k, int64(traceEpochs))
		q := 1 - float64(bits.OnesCount64(h)+1)/float64(bits.Len64(h)+2)
		if k < traceEpochs {
			require.LessOrEqual(rt, math.Pow(q, float64(k)), math.Exp(-looks)*(1+1e-4))
		}
		if k > minSilence {
			require.Greater(rt, math.Pow(q, float64(k-1)), math.Exp(-looks)*(1-1e-4))
		}
	})
}

// The chance of a false departure against its promise, by drawing tags that are there: fewer than
// one in a hundred hours and items, for rates that readers have.
func TestPresentTagsRarelyLeave(t *testing.T) {
	looks := int64(goneLooks * lookUnits * math.Log(1/0.01))
	for _, p := range []float64{0.25, 0.4, 0.6, 0.9} {
		t.Run(fmt.Sprint(p), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, uint64(p*100)))
			var h uint64
			silent, left := int64(0), 0
			const epochs = 3600 * 300
			for range epochs {
				if rng.Float64() < p {
					h = h<<uint(min(silent+1, 64)) | 1
					silent = 0
					continue
				}
				if silent++; h != 0 && bits.Len64(h) > 32 && silent == silence(h, looks) {
					left++
				}
			}
			t.Logf("left %d times in 300 hours", left)
			require.LessOrEqual(t, left, 60)
		})
	}
}

// A trace against a plain record of every read: the epochs heard, and the strongest read of each
// slot.
func TestTraceRemembersTheLastEpochs(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var shop shop
		s := New(&shop, &shop)
		pt := &Point{Name: 2, Zone: 1, Role: event.Fixed, hits: 2}
		s.Bind(&Layout{Zones: make([]Zone, 3), Points: []*Point{nil, nil, pt}, Epoch: 1000}, false)
		s.Begin(noon)
		base := s.epochOf(noon)
		heard := map[int64]int8{}
		last := int64(-1 << 40)
		e := base
		for range rapid.IntRange(1, 60).Draw(rt, "reads") {
			e += rapid.SampledFrom([]int64{0, 0, 1, 1, 1, 2, 3, 9, 40, -1, -2, -5, -20}).Draw(rt, "step")
			db := int8(rapid.IntRange(-80, -40).Draw(rt, "db"))
			_, had := heard[e]
			tooOld := e <= last-traceEpochs
			fresh := s.hear(0, &shop.item, pt, 1, e*1000, int16(db)*10)
			require.Equal(rt, !had && !tooOld, fresh)
			if !tooOld {
				if old, ok := heard[e]; !ok || db > old {
					heard[e] = db
				}
				last = max(last, e)
			}
		}
		tr := &s.traces.all[shop.item.traces]
		require.Equal(rt, last, tr.last)
		for k := range int64(traceEpochs) {
			_, ok := heard[last-k]
			require.Equal(rt, ok, tr.bits>>uint(k)&1 == 1, "%d epochs before the last", k)
		}
		for k := range int64(scoreEpochs) {
			at := last - k
			if tr.bits>>uint(k)&1 == 0 {
				continue
			}
			want := int8(-128)
			for o := at / slotEpochs * slotEpochs; o < at/slotEpochs*slotEpochs+slotEpochs; o++ {
				if db, ok := heard[o]; ok {
					want = max(want, db)
				}
			}
			require.Equal(rt, want, tr.peak[peakOf(at)], "%d epochs before the last", k)
		}
	})
}
