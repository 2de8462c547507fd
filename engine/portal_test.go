package engine

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/presence"
)

// leg is a read: after so many milliseconds, by which read point, how strong; 0: without a
// strength.
type leg struct {
	after int64
	point string
	rssi  float64
}

// through is somebody who walks out, heard ten times a second by each side: the inner one loudest
// after 1,000 ms, the outer one after 2,200 ms, so that the middle of the door is between the two.
var through = func() (list []leg) {
	level := func(after, loudest int64) float64 {
		d := float64(after-loudest) / 1000
		return math.Round(-50 - 9*d*d)
	}
	for after := int64(0); after < 4000; after += 100 {
		if db := level(after, 1000); db > -72 {
			list = append(list, leg{after, "door-in", db})
		}
		if db := level(after+50, 2200); db > -72 {
			list = append(list, leg{after + 50, "door-out", db})
		}
	}
	return list
}()

// passages lists the passages that are sure; hints those that were only likely.
func passages(sh *shop) []event.Fact { return passed(sh, false) }
func hints(sh *shop) []event.Fact    { return passed(sh, true) }

func passed(sh *shop, likely bool) (list []event.Fact) {
	for _, f := range sh.facts {
		if f.Cause == event.Passed && f.Passage.Likely == likely {
			list = append(list, f)
		}
	}
	return list
}

// ways says which way the sure passages went.
func ways(sh *shop) (list []string) {
	for _, f := range passages(sh) {
		list = append(list, f.Passage.Direction.String())
	}
	return list
}

// report sends the legs as readers do: all reads of so many milliseconds in one batch, late by
// delay, by a clock that is ahead by skew.
func (sh *shop) report(every, skew, delay int64, k epc.Key, legs []leg) {
	begin := sh.now
	for from := int64(0); from <= legs[len(legs)-1].after; from += every {
		e := event.Entry{Kind: event.EntryReads}
		for _, l := range legs {
			if l.after < from || l.after >= from+every {
				continue
			}
			point := slices.Index(e.Points, l.point)
			if point < 0 {
				point = len(e.Points)
				e.Points = append(e.Points, l.point)
			}
			r := event.Read{Key: k, RSSI: event.NoRSSI, N: 1, Point: uint16(point), T: begin + l.after + skew}
			if l.rssi != 0 {
				r.RSSI = int16(l.rssi * 10)
			}
			e.Reads = append(e.Reads, r)
		}
		sh.pass(time.Duration(begin+from+every+delay-sh.now) * time.Millisecond)
		if len(e.Reads) > 0 {
			sh.step(e)
		}
	}
}

func TestPassageWhateverTheReadersClockSays(t *testing.T) {
	for _, skew := range []int64{-2000, -400, 0, 400, 2000} {
		for _, delay := range []int64{0, 40, 250} {
			sh := newShop(t, testRules)
			k := book(1, 1)
			sh.stand("shelf-a-1", -55, 20, k)
			sh.report(300, skew, delay, k, through)
			sh.pass(20 * time.Second)
			require.Equal(t, []string{"out"}, ways(sh), "skew %d, delay %d", skew, delay)
			f := passages(sh)[0]
			require.GreaterOrEqual(t, f.Passage.Confidence, 0.6)
			require.LessOrEqual(t, f.At, f.Ms, "nothing is notified before it happens")
			require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
		}
	}
}

// Times are the reads' own: what a report comes with, and when, is not what is judged.
func TestPassageWhateverTheRhythmOfReports(t *testing.T) {
	for _, every := range []int64{100, 300, 1000, 2000} {
		sh := newShop(t, testRules)
		k := book(1, 1)
		sh.stand("shelf-a-1", -55, 20, k)
		sh.report(every, 0, 20, k, through)
		sh.pass(20 * time.Second)
		require.Equal(t, []string{"out"}, ways(sh), "reports each %d ms", every)
	}
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

func TestWhoTurnsBackInTheDoorHasNotPassed(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 20, k)
	sh.report(300, 0, 0, k, onwards(through[:30], 1900, leg{0, "door-out", -58}, leg{200, "door-in", -60},
		leg{300, "door-out", -62}, leg{400, "door-in", -54},
		leg{600, "door-in", -53}, leg{800, "door-in", -54}, leg{1000, "door-in", -57}, leg{1200, "door-in", -60},
		leg{1400, "door-in", -66}))
	sh.stand("shelf-a-1", -55, 10, k)
	require.Equal(t, "shelf-a", sh.zoneOf(k))
	sh.pass(time.Minute)
	require.Empty(t, passages(sh))
	require.Empty(t, sh.alerts())
}

func TestWhoStandsBeforeTheDoorIsNotTakenBack(t *testing.T) {
	// Out, and then half a minute on the step, where the outer side hears the item well and the
	// inner one now and then.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 20, k)
	var outside []leg
	for i := range int64(150) {
		outside = append(outside, leg{i * 200, "door-out", -59 - float64(i*5%7)})
		if i%7 == 0 {
			outside = append(outside, leg{i*200 + 50, "door-in", -70})
		}
	}
	sh.report(300, 0, 0, k, onwards(through, 4000, outside...))
	sh.pass(time.Minute)
	require.Equal(t, []string{"out"}, ways(sh))
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
}

// many are n reads by one point, evenly from one time to another.
func many(from, to int64, n int, point string, rssi float64) (l []leg) {
	for k := range n {
		l = append(l, leg{from + (to-from)*int64(k)/int64(max(1, n-1)), point, rssi})
	}
	return l
}

func join(parts ...[]leg) []leg {
	all := slices.Concat(parts...)
	slices.SortStableFunc(all, func(a, b leg) int { return int(a.after - b.after) })
	return all
}

const laneLayout = `{"site": "umberhithe", "time_zone": "UTC", "zones": [
  {"id": "shelf-a", "kind": "shelf"}, {"id": "street-door", "kind": "exit"}, {"id": "lane-door", "kind": "exit"}, {"id": "till", "kind": "checkout"}],
  "read_points": [{"id": "shelf-a-1", "role": "fixed", "zone": "shelf-a"}, {"id": "door-in", "role": "portal", "zone": "street-door", "side": "inner"},
  {"id": "door-out", "role": "portal", "zone": "street-door", "side": "outer"}, {"id": "lane-1", "role": "portal", "zone": "lane-door"}, {"id": "till-1", "role": "desk", "zone": "till"}]}`

// What a belief must make of single walks: bursts with pauses, one side alone, a stray read at the
// end, goods that lie near the door, the till. The reads are constructed.
func TestSingleWalks(t *testing.T) {
	var home []leg
	for at := int64(0); at < 60_000; at += 3000 {
		home = append(home, leg{at, "shelf-a-1", -54})
	}
	for _, c := range []struct {
		name   string
		legs   []leg
		silent bool // no reader inside hears it before: it was only declared
		want   []string
	}{
		{"a slow exit with a pause of a second and a half", join(many(0, 4500, 56, "door-in", -63),
			many(6000, 11_200, 82, "door-out", -62), many(7500, 8000, 5, "door-in", -66)), false, []string{"out"}},
		{"the same without the pause", join(many(0, 4500, 56, "door-in", -63), many(4600, 9800, 82, "door-out", -62),
			many(6100, 6600, 5, "door-in", -66)), false, []string{"out"}},
		{"a plain exit, then nine outer reads and a weak inner one at the end",
			join(many(0, 1500, 15, "door-in", -55), many(1200, 3000, 18, "door-out", -55),
				many(4200, 5700, 9, "door-out", -66), many(6500, 6500, 1, "door-in", -72)), false, []string{"out"}},
		{"the outer side alone, well heard, as it goes away", join(many(0, 1200, 12, "door-out", -57),
			many(1200, 2400, 10, "door-out", -63), many(2400, 3200, 4, "door-out", -70)), false, []string{"out"}},
		{"the outer side alone, no strength reported", many(0, 3000, 30, "door-out", 0), false, []string{"out"}},
		{"one antenna: a walk out, then a few weak reads", join(many(0, 3000, 30, "lane-1", -52),
			many(4200, 5000, 8, "lane-1", -65)), false, []string{"out"}},
		{"on its shelf, heard there every three seconds; the door's inner side hears it, then three times the outer one",
			join(home, many(51_100, 55_000, 18, "door-in", -70), many(54_600, 55_200, 3, "door-out", -73)), true, nil},
		{"the same, and one outer read", join(home, many(51_100, 54_300, 21, "door-in", -68),
			many(55_200, 55_200, 1, "door-out", -76)), true, nil},
		{"at the till, read there ten times a second, while the door hears it change from its inner to its outer side",
			join(many(0, 8000, 80, "till-1", -50), many(1000, 4000, 14, "door-in", -67),
				many(3600, 5500, 14, "door-out", -68)), false, nil},
		{"one stray read of the outer side", many(0, 0, 1, "door-out", -70), false, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			sh := newShop(t, testRules)
			l, err := layout.Parse([]byte(laneLayout))
			require.NoError(t, err)
			sh.cfg = &Config{Layout: l, Catalog: sh.cfg.Catalog, Rules: sh.cfg.Rules}
			sh.s = NewMachine("umberhithe", sh.cfg)
			k := book(1, 1)
			sh.event(event.EventReceived, "shelf-a", k)
			sh.pass(100 * time.Second)
			if !c.silent {
				sh.stand("shelf-a-1", -55, 20, k)
			}
			sh.pass(2 * time.Second)
			sh.report(300, 0, 10, k, c.legs)
			sh.pass(15 * time.Second)
			require.Equal(t, c.want, ways(sh), "%v", sh.told(0))
		})
	}
}

// Goods that lie near a door, and that no reader inside hears, may seem to go out once. When the door
// itself finds that they have not, it has learnt how it hears them, and says so no more.
func TestGoodsThatNobodyHearsInsideGoOutOnce(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.event(event.EventReceived, "front-tables", k)
	sh.pass(time.Minute)
	for range 12 { // a fade of one side, then of the other
		sh.report(300, 0, 0, k, join(many(0, 3500, 12, "door-in", -54), many(4000, 6000, 12, "door-out", -54),
			many(14_000, 19_000, 30, "door-in", -54)))
		sh.pass(time.Second)
	}
	require.LessOrEqual(t, len(sh.alerts()), 2, "%v", ways(sh))
}

func TestGoodsNearTheDoorFadeAndStay(t *testing.T) {
	// A slow fade of one side, then of the other, over minutes: louder and weaker, but never as
	// goods that are carried.
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.event(event.EventReceived, "front-tables", k)
	for i := range 600 {
		fade := 4 * math.Sin(float64(i)/40)
		sh.read("door-in", math.Round(-66+fade), k)
		if i%3 == 0 {
			sh.read("door-out", math.Round(-72-fade), k)
		}
		if i%10 == 0 {
			sh.read("tables-1", -52, k)
		}
		sh.pass(300 * time.Millisecond)
	}
	require.Empty(t, passages(sh))
}

func TestLingersAtTheDoorAndTurnsBack(t *testing.T) {
	// Both sides hear who stands a step from the door, the inner one always louder.
	for _, outer := range []float64{-72, -68, -64} {
		sh := newShop(t, testRules)
		k := book(1, 1)
		sh.stand("shelf-a-1", -55, 20, k)
		var legs []leg
		for i := range int64(25) {
			near := 1 - math.Abs(float64(i)-12)/12 // 0 at both ends, 1 in the middle
			legs = append(legs, leg{i * 200, "door-in", -70 + 16*near})
			if near > 0.4 {
				legs = append(legs, leg{i*200 + 100, "door-out", outer - 2 + 2*near})
			}
		}
		sh.report(300, 0, 0, k, legs)
		sh.stand("shelf-a-1", -55, 5, k)
		sh.pass(time.Minute)
		require.Empty(t, passages(sh), "outer side at %v dBm", outer)
	}
}

// A bag decides together: what is hardly read goes with what is read well, and what a reader inside
// hears of one it hears of all.
func TestGoodsThatTravelTogetherDecideTogether(t *testing.T) {
	bag := []epc.Key{book(1, 1), book(1, 2), book(1, 3)}
	walk := func(sh *shop, stay bool) {
		sh.stand("shelf-a-1", -55, 20, bag...)
		begin := sh.now
		for at := int64(0); at < 12_000; at += 300 {
			e := event.Entry{Kind: event.EntryReads, Points: []string{"door-in", "door-out", "tables-1"}}
			for _, l := range through {
				if l.after < at || l.after >= at+300 {
					continue
				}
				point := uint16(0)
				if l.point == "door-out" {
					point = 1
				}
				for i, k := range bag {
					if i < 2 || l.after%600 < 100 { // the third is hardly read
						e.Reads = append(e.Reads, event.Read{Key: k, Point: point, RSSI: int16(10 * l.rssi), N: 1, T: begin + l.after})
					}
				}
			}
			if stay && at >= 3000 && at%900 == 0 {
				e.Reads = append(e.Reads, event.Read{Key: bag[0], Point: 2, RSSI: -560, N: 1, T: begin + at})
			}
			sh.pass(time.Duration(begin+at+300-sh.now) * time.Millisecond)
			if len(e.Reads) > 0 {
				sh.step(e)
			}
		}
		sh.pass(5 * time.Second)
	}
	sh := newShop(t, testRules)
	walk(sh, false)
	require.Equal(t, []string{"out", "out", "out"}, ways(sh))
}

// With one antenna only readers inside can tell an exit from somebody who came to the door: without
// them a passage is never sure.
func TestOneAntennaWithoutReadersInsideIsNeverSure(t *testing.T) {
	for _, inside := range []bool{true, false} {
		text := laneLayout
		if !inside {
			text = strings.Replace(text, `{"id": "shelf-a-1", "role": "fixed", "zone": "shelf-a"},`, "", 1)
		}
		l, err := layout.Parse([]byte(text))
		require.NoError(t, err)
		sh := newShop(t, testRules)
		sh.cfg = &Config{Layout: l, Catalog: sh.cfg.Catalog, Rules: sh.cfg.Rules}
		sh.s = NewMachine("umberhithe", sh.cfg)
		k := book(1, 1)
		sh.event(event.EventReceived, "shelf-a", k)
		sh.pass(100 * time.Second)
		if inside {
			sh.stand("shelf-a-1", -55, 20, k)
		}
		sh.report(300, 0, 10, k, join(many(0, 700, 7, "lane-1", -64), many(800, 1200, 5, "lane-1", -57),
			many(1300, 1900, 7, "lane-1", -51), many(2000, 2400, 5, "lane-1", -58), many(2500, 3000, 6, "lane-1", -65)))
		sh.pass(15 * time.Second)
		require.Equal(t, inside, len(passages(sh)) == 1)
		require.NotEmpty(t, hints(sh))
	}
}

// At most 100 bytes on record for an item that a door ever heard.
func TestADoorRemembersLittle(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.event(event.EventReceived, "front-tables", k)
	for i := range 400 {
		sh.read("door-in", float64(-60-i%9), k)
		sh.read("door-out", float64(-66-i%5), k)
		sh.pass(250 * time.Millisecond)
	}
	found := false
	for _, c := range sh.s.flush() {
		if c.Kind == event.KindAside && strings.HasPrefix(c.Key, presence.DoorPrefix) {
			found = true
			require.LessOrEqual(t, len(c.Key)+len(c.Value), 100)
		}
	}
	require.True(t, found, "what is usual is on record")
}

// What a door's reader does is told in words where it keeps the door from being sure in time.
func TestWarnsOfReaders(t *testing.T) {
	warnings := func(sh *shop, id string) string {
		for _, p := range sh.s.ReadPoints() {
			if sh.cfg.Layout.ReadPoints[p.Index].ID == id {
				return strings.Join(p.Warnings, "; ")
			}
		}
		t.Fatal(id)
		return ""
	}
	report := func(sh *shop, every, behind int64, rssi int16) {
		for i := range int64(20) {
			sh.pass(time.Duration(every) * time.Millisecond)
			sh.step(event.Entry{Kind: event.EntryReads, Points: []string{"door-in"},
				Reads: []event.Read{{Key: book(1, int(i)), RSSI: rssi, N: 1, T: sh.now - behind}}})
		}
	}
	sh := newShop(t, testRules)
	report(sh, 300, 20, -600)
	require.Empty(t, warnings(sh, "door-in"))
	require.Empty(t, warnings(sh, "door-out"), "it never reported")
	sh = newShop(t, testRules)
	report(sh, 4500, 20, -600)
	require.Contains(t, warnings(sh, "door-in"), "reports about every 4.5 s")
	sh = newShop(t, testRules)
	report(sh, 300, 3000, -600)
	require.Contains(t, warnings(sh, "door-in"), "3.0 s after the times that they bear")
	sh = newShop(t, testRules)
	report(sh, 300, -3000, -600)
	require.Contains(t, warnings(sh, "door-in"), "its clock is 3.0 s ahead")

	l, err := layout.Parse([]byte(laneLayout))
	require.NoError(t, err)
	sh = newShop(t, testRules)
	sh.cfg = &Config{Layout: l, Catalog: sh.cfg.Catalog, Rules: sh.cfg.Rules}
	sh.s = NewMachine("umberhithe", sh.cfg)
	sh.read("lane-1", -55, book(1, 1))
	require.Contains(t, warnings(sh, "lane-1"), "no fixed reader inside reports now")
	sh.read("shelf-a-1", -55, book(1, 2))
	require.Empty(t, warnings(sh, "lane-1"))
}
