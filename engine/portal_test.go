package engine

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
)

// leg is a read at the door: after so many milliseconds, at which side, how strong.
type leg struct {
	after int64
	point string
	rssi  float64
}

// through is somebody who walks out.
var through = []leg{
	{0, "door-in", -69}, {200, "door-in", -64}, {400, "door-in", -58}, {600, "door-in", -54}, {650, "door-out", -66}, {800, "door-in", -53}, {850, "door-out", -60},
	{1050, "door-out", -55}, {1100, "door-in", -57}, {1250, "door-out", -53}, {1300, "door-in", -63}, {1450, "door-out", -56}, {1650, "door-out", -61}, {1850, "door-out", -67},
}

func passages(sh *shop) (list []Fact) {
	for _, f := range sh.facts {
		if f.Cause == Passed {
			list = append(list, f)
		}
	}
	return list
}

// report sends the legs as the door's reader does: every 300 ms, late by delay, by a clock that is ahead by skew.
func (sh *shop) report(skew, delay int64, k epc.Key, legs []leg) {
	begin := sh.now
	for from := int64(0); from <= legs[len(legs)-1].after; from += 300 {
		e := Entry{Kind: EntryReads, Points: []string{"door-in", "door-out"}}
		for _, l := range legs {
			if l.after < from || l.after >= from+300 {
				continue
			}
			r := Read{Key: k, RSSI: int16(l.rssi * 10), N: 1, T: begin + l.after + skew}
			if l.point == "door-out" {
				r.Point = 1
			}
			e.Reads = append(e.Reads, r)
		}
		sh.pass(time.Duration(begin+from+300+delay-sh.now) * time.Millisecond)
		if len(e.Reads) > 0 {
			sh.step(e)
		}
	}
}

func TestPassageWhateverTheReadersClockSays(t *testing.T) {
	for _, skew := range []int64{-1500, -400, 0, 400, 1500} {
		for _, delay := range []int64{0, 40, 250} {
			sh := newShop(t, testRules)
			k := book(1, 1)
			sh.stand("shelf-a-1", -55, 10, k)
			sh.report(skew, delay, k, through)
			last := sh.now
			sh.pass(5 * time.Second)
			list := passages(sh)
			require.Len(t, list, 1, "skew %d, delay %d", skew, delay)
			require.Equal(t, DirectionOut, list[0].Passage.Direction)
			require.Greater(t, list[0].Passage.Confidence, 0.9)
			b := sh.s.portals.bursts[burstKey{sh.s.find(k), sh.s.numbers["street-door"]}]
			require.Equal(t, len(through), b.reads, "no read is lost, and the burst is not cut")
			require.LessOrEqual(t, list[0].Ms-last, int64(0), "told before the burst is over")
			require.LessOrEqual(t, list[0].At, list[0].Ms, "nothing is told before it happens")
			require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
		}
	}
}

func TestPassageIsToldAsSoonAsItIsPlain(t *testing.T) {
	// The middle of the door is where both sides hear the item alike, 1,000 ms after the first read.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	begin := sh.now
	sh.report(0, 0, k, through)
	list := passages(sh)
	require.Len(t, list, 1, "before the pause that ends the burst")
	require.LessOrEqual(t, list[0].Ms-begin, int64(2000), "within a second of the middle of the door")
	require.Equal(t, DirectionOut, list[0].Passage.Direction)
	require.GreaterOrEqual(t, list[0].Passage.Confidence, plainPassage)
	sh.pass(time.Minute)
	require.Len(t, passages(sh), 1, "the end of the burst tells it no second time")
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
}

// onwards are legs that go on after others.
func onwards(first []leg, after int64, more ...leg) []leg {
	list := slices.Clone(first)
	for _, l := range more {
		l.after += after
		list = append(list, l)
	}
	return list
}

func TestWhoTurnsBackInTheDoorIsTakenBack(t *testing.T) {
	// Plainly out, and at once in again, all in one burst: the hold is not over, so nobody is told.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	sh.report(0, 0, k, onwards(through, 2000, leg{0, "door-out", -56}, leg{200, "door-out", -54}, leg{400, "door-in", -58}, leg{500, "door-out", -60},
		leg{600, "door-in", -54}, leg{800, "door-in", -54}, leg{1000, "door-in", -57}, leg{1200, "door-in", -60}))
	sh.pass(300 * time.Millisecond)
	list := passages(sh)
	require.Len(t, list, 2)
	require.Equal(t, DirectionOut, list[0].Passage.Direction)
	require.Equal(t, DirectionIn, list[1].Passage.Direction)
	require.Equal(t, "street-door", list[1].From)
	require.GreaterOrEqual(t, list[1].Passage.Confidence, -insideAgain)
	sh.pass(time.Minute)
	require.Len(t, passages(sh), 2)
	require.Empty(t, sh.alerts(), "back within the hold")
	require.NotEqual(t, "street-door", sh.zoneOf(k))
}

func TestWhoStandsBeforeTheDoorIsNotTakenBack(t *testing.T) {
	// Out, and then half a minute on the step, where the outer side hears the item well and the inner one now and then.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	var outside []leg
	for i := range int64(150) {
		outside = append(outside, leg{i * 200, "door-out", -62})
		if i%7 == 0 {
			outside = append(outside, leg{i*200 + 50, "door-in", -70})
		}
	}
	sh.report(0, 0, k, onwards(through, 2000, outside...))
	sh.pass(time.Minute)
	require.Len(t, passages(sh), 1)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
	require.Equal(t, "street-door", sh.zoneOf(k))
}

func TestPassageWithAPauseInTheDoor(t *testing.T) {
	// Nothing is heard for a second, just when the item is between the antennas.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	sh.report(0, 0, k, []leg{
		{0, "door-in", -66}, {200, "door-in", -60}, {400, "door-in", -56}, {1400, "door-out", -58}, {1600, "door-out", -62}, {1800, "door-out", -66},
	})
	sh.pass(5 * time.Second)
	require.Len(t, passages(sh), 1)
}

func TestCarriedOutFromADisplayThatTheDoorHears(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	for range 200 { // without a pause, for a minute
		sh.read("tables-1", -52, k)
		sh.read("door-in", -69, k)
		sh.pass(300 * time.Millisecond)
	}
	require.Empty(t, passages(sh))
	sh.report(0, 0, k, through)
	sh.pass(5 * time.Second)
	list := passages(sh)
	require.Len(t, list, 1)
	require.Equal(t, DirectionOut, list[0].Passage.Direction)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
}

func TestLingersAtTheDoorAndTurnsBack(t *testing.T) {
	// Both sides hear who stands a step from the door, the inner one always louder.
	for _, outer := range []float64{-72, -68, -64} {
		sh := newShop(t, testRules)
		k := book(1, 1)
		sh.stand("shelf-a-1", -55, 10, k)
		var legs []leg
		for i := range int64(25) {
			near := 1 - math.Abs(float64(i)-12)/12 // 0 at both ends, 1 in the middle
			legs = append(legs, leg{i * 200, "door-in", -70 + 16*near})
			if near > 0.4 {
				legs = append(legs, leg{i*200 + 100, "door-out", outer - 2 + 2*near})
			}
		}
		sh.report(0, 0, k, legs)
		sh.pass(time.Minute)
		require.Empty(t, passages(sh), "outer side at %v dBm", outer)
	}
}

func TestWalksInFromNowhere(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.walk("door-out", "door-in", k)
	list := passages(sh)
	require.Len(t, list, 1)
	require.Equal(t, DirectionIn, list[0].Passage.Direction)
	require.Empty(t, list[0].Zone)
	require.Equal(t, "street-door", list[0].From)
	require.Empty(t, sh.alerts())
}

func TestWhatWasHeardOnTheWayOutBringsNothingBack(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("tables-1", -55, 10, k)
	sh.walkOut(k)
	sh.read("tables-1", -70, k) // through the window
	sh.pass(20 * time.Second)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
	sh.stand("tables-1", -55, 5, k)
	require.Equal(t, []string{"unpaid-at-door opened", "unpaid-at-door cleared"}, sh.alerts(), "it was brought back")
}

func TestConfidenceFallsWithTheEvidence(t *testing.T) {
	confidence := func(legs []leg) float64 {
		sh := newShop(t, testRules)
		k := book(1, 1)
		sh.stand("shelf-a-1", -55, 10, k)
		sh.report(0, 0, k, legs)
		b := sh.s.portals.bursts[burstKey{sh.s.find(k), sh.s.numbers["street-door"]}]
		require.NotNil(t, b)
		return sh.s.judge(b).Confidence
	}
	weaker := make([]leg, len(through))
	for i, l := range through {
		weaker[i] = leg{l.after, l.point, l.rssi - 8}
	}
	whole := confidence(through)
	require.Greater(t, whole, confidence(weaker))
	require.Greater(t, whole, confidence(through[:10]), "the end is missing")
	require.Less(t, confidence(through[:5]), minPassage, "only the way up to the door")
	require.Greater(t, whole, 0.95)
}
