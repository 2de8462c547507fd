package sim

import (
	"bytes"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// still is a shop in which nothing moves.
func still(seed uint64, length time.Duration) Config {
	c := Config{Seed: seed, Start: DayStart.UnixMilli(), Length: length, Radio: DefaultRadio(), People: DefaultPeople(),
		Network: DefaultNetwork()}
	c.People.CustomersPerHour, c.People.ReturnsPerHour = 0, 0
	c.Network.LateShare = 0
	return c
}

func (s *Sim) antennaOf(point string) *antenna {
	for _, a := range s.radio.antennas {
		if a.point == point {
			return a
		}
	}
	return nil
}

func TestPowerFallsWithDistance(t *testing.T) {
	c := still(1, time.Second)
	c.Radio.Shadowing, c.Radio.Fading, c.Radio.FixedPower = 0, 0, 0
	s, err := New(c)
	require.NoError(t, err)
	a := s.antennaOf("stockroom-1")
	at := func(d float64) link {
		l, ok := s.radio.link(a, 7, vec{a.pos.x, a.pos.y, a.pos.z - d}, 0)
		require.True(t, ok)
		return l
	}
	// The closed form in the middle of the beam: RSSI1m at one metre, and 2 * 10 * Exponent dB less
	// for each tenfold distance.
	require.Equal(t, tenths(c.Radio.RSSI1m), at(1).base)
	require.InDelta(t, 20*c.Radio.Exponent*math.Log10(2.5), float64(at(1).base-at(2.5).base)/10, 0.1)
	for d := 0.5; d < 3.3; d += 0.1 {
		require.Greater(t, at(d).base, at(d+0.1).base, "at %.1f m", d)
	}
	// Half the beamwidth off the axis costs 3 dB there and 3 dB back.
	half := c.Radio.Beamwidth / 2 * math.Pi / 180
	l, ok := s.radio.link(a, 7, vec{a.pos.x + math.Sin(half), a.pos.y, a.pos.z - math.Cos(half)}, 0)
	require.True(t, ok)
	require.InDelta(t, c.Radio.RSSI1m-6, float64(l.base)/10, 0.1)
	_, ok = s.radio.link(a, 7, vec{a.pos.x, a.pos.y, a.pos.z - 40}, 0)
	require.False(t, ok)
	_, ok = s.radio.link(a, 7, a.pos.at(upper+0.5), 12)
	require.False(t, ok, "not through the ceiling, from behind, in a closed bag")
}

func TestPowerFallsWithDistanceOnAverage(t *testing.T) {
	// With shadowing and fading it is still so for the mean over many tags.
	heard := map[string]*[2]float64{} // by item and read point: sum and number
	s := run(t, still(2, 30*time.Second), func(step Step) {
		for _, r := range step.Reads {
			k := r.EPC + r.Point
			if heard[k] == nil {
				heard[k] = &[2]float64{}
			}
			heard[k][0] += r.RSSI
			heard[k][1]++
		}
	})
	var rings [4][2]float64 // 1 to 2 m, 2 to 3 m, ...
	for _, a := range s.radio.fixed {
		for _, l := range a.heard {
			if h := heard[s.hex[l.item]+a.point]; h != nil && a.role == event.Fixed {
				ring := int(s.things[l.item].pos.sub(a.pos).length()) - 1
				if ring >= 0 && ring < len(rings) {
					rings[ring][0] += h[0] / h[1]
					rings[ring][1]++
				}
			}
		}
	}
	for k := range rings {
		require.Greater(t, rings[k][1], 30.0)
		if k > 0 {
			require.Less(t, rings[k][0]/rings[k][1], rings[k-1][0]/rings[k-1][1]-2, "each metre costs some dB")
		}
	}
}

func TestReadRates(t *testing.T) {
	c := still(3, time.Minute)
	c.Layout = bytes.ReplaceAll(Layout(), []byte("S1"), []byte("S0"))
	c.Radio.S0Rounds, c.Radio.ReadsPerSec = 1, 100_000
	count := map[string]int{}
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			count[r.EPC+r.Point]++
		}
	})
	rounds := c.Length.Seconds() / c.Radio.FixedCycle.Seconds()
	var low, high, all, tags float64 = 1, 0, 0, 0
	for _, a := range s.radio.fixed {
		if a.role != event.Fixed {
			continue
		}
		for _, l := range a.heard {
			if float64(l.base-l.cut)/10 < s.radio.loudest {
				continue // fading makes it miss more
			}
			rate := float64(count[s.hex[l.item]+a.point]) / rounds
			low, high, all, tags = min(low, rate), max(high, rate), all+rate, tags+1
			// Binomial: five standard deviations around what this pair has, so that about one of a
			// million falls outside.
			p := 1 - float64(l.miss)/65536
			require.InDelta(t, p, rate, 5*math.Sqrt(p*(1-p)/rounds)+1/rounds)
			require.GreaterOrEqual(t, p, 1-c.Radio.MissMax-1e-4)
			require.LessOrEqual(t, p, 1-c.Radio.MissMin+1e-4)
		}
	}
	require.Greater(t, tags, 1000.0)
	require.InDelta(t, 1-(c.Radio.MissMin+c.Radio.MissMax)/2, all/tags, 0.01, "the mean of the band")
	require.Less(t, low, 0.6)
	require.Greater(t, high, 0.9)
}

func TestSessionS1KeepsTagsQuiet(t *testing.T) {
	c := still(4, 30*time.Second)
	c.Radio.ClockSkew = 0
	shortest, reads, between := int64(math.MaxInt64), 0, int64(0)
	s, err := New(c)
	require.NoError(t, err)
	sessions := map[string]bool{}
	for i := range s.layout.ReadPoints {
		sessions[s.layout.ReadPoints[i].ID] = s.layout.ReadPoints[i].Session == "S1"
	}
	// Whichever reader of the session read it: the flag is the tag's.
	times := map[string][]int64{}
	run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if sessions[r.Point] {
				times[r.EPC] = append(times[r.EPC], r.Time)
			}
		}
	})
	for _, list := range times {
		for k := range list {
			for _, other := range list[:k] {
				shortest = min(shortest, max(list[k]-other, other-list[k]))
			}
		}
		reads += len(list)
		between += list[len(list)-1] - list[0]
	}
	// Rounds of different readers overlap by up to a cycle, and are played one after the other.
	require.GreaterOrEqual(t, shortest, c.Radio.QuietMin.Milliseconds()-s.antennaOf("tables-1").cycle)
	mean := float64(between) / float64(reads-len(times))
	quiet := float64((c.Radio.QuietMin + c.Radio.QuietMax).Milliseconds()) / 2
	require.Greater(t, mean, quiet, "on average the quiet time, and up to the next round that does not miss it")
	require.Less(t, mean, quiet+3000)

	c.Layout = bytes.ReplaceAll(Layout(), []byte("S1"), []byte("S0"))
	loud := 0
	run(t, c, func(step Step) { loud += len(step.Reads) })
	require.Greater(t, loud, 2*reads, "without, they answer in every round")
}

func TestReadersHearTheZoneNextDoor(t *testing.T) {
	own, strays, mine, theirs := 0, 0, 0.0, 0.0
	var s *Sim
	seen := func(step Step) {
		for _, r := range step.Reads {
			i, _ := s.Truth().ItemByKey(r.Key)
			p, _ := s.layout.ReadPointIndex(r.Point)
			if s.layout.ReadPoints[p].Role != event.Fixed {
				continue
			}
			if s.layout.Zones[s.layout.ReadPoints[p].Zone].ID == s.truth.Where(i, r.Time).Zone {
				own++
				mine += r.RSSI
			} else {
				strays++
				theirs += r.RSSI
			}
		}
	}
	var err error
	s, err = New(still(5, 20*time.Second))
	require.NoError(t, err)
	for step, ok := s.Next(); ok; step, ok = s.Next() {
		seen(step)
	}
	share := float64(strays) / float64(own+strays)
	require.Greater(t, share, 0.02)
	require.Less(t, share, 0.3)
	require.Less(t, theirs/float64(strays), mine/float64(own)-6, "and more weakly")
}

func TestReaderSpeedIsLimited(t *testing.T) {
	c := still(6, 30*time.Second)
	c.Radio.ReadsPerSec = 150
	count := map[string]int{}
	run(t, c, func(step Step) {
		for _, r := range step.Reads {
			count[r.Point]++
		}
	})
	for point, n := range count {
		// A round that runs at the end may still be paid for afterwards.
		require.Less(t, float64(n), 150*30*1.5+2000, point)
	}
	require.Greater(t, count["stockroom-1"], 1000)
}

func TestGoodsNearTheDoorAreHeardAllDay(t *testing.T) {
	const minutes = 4
	windows := map[string][minutes]int{}
	c := still(7, minutes*time.Minute)
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if r.Point == "street-door-in" {
				w := windows[r.EPC]
				w[min(minutes-1, max(0, (r.Time-c.Start)/60_000))]++
				windows[r.EPC] = w
			}
		}
	})
	always := 0
	for _, w := range windows {
		if min(w[0], w[1], w[2], w[3]) >= 20 {
			always++
		}
	}
	require.GreaterOrEqual(t, always, 3)
	require.LessOrEqual(t, always, len(s.inZone[s.plan.number[tables]])/3, "but by far not all that lies on the tables")
}

// burst is what the two sides of the door heard of one item.
type burst struct {
	moments, weights [2]float64
	reads            int
}

func TestPassagesRunThroughTheDoor(t *testing.T) {
	c := still(8, 26*time.Minute)
	c.Radio.ClockSkew = 2 * time.Second // both antennas have the same clock
	for k := range 24 {
		kind := []SceneKind{SceneUnpaidExit, ScenePurchase, SceneReturn}[k%3]
		c.Scenes = append(c.Scenes, Scene{At: time.Duration(k) * time.Minute, Kind: kind, N: 1 + k%3})
	}
	times := map[epc.Key][]Read{}
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if r.Point == "street-door-in" || r.Point == "street-door-out" {
				times[r.Key] = append(times[r.Key], r)
			}
		}
	})
	skew := s.antennaOf("street-door-in").device.skew
	require.Equal(t, skew, s.antennaOf("street-door-out").device.skew)
	ways, missed, wrong := map[event.Direction]int{}, 0, 0
	for _, p := range s.Truth().Passages {
		var b burst
		peak, edge := -200.0, -200.0
		for _, r := range times[s.keys[p.Item]] {
			off := r.Time - skew - p.At
			if off < -3000 || off > 3000 {
				continue
			}
			side := 0
			if r.Point == "street-door-out" {
				side = 1
			}
			w := math.Max(1, r.RSSI+100)
			b.moments[side] += w * float64(off)
			b.weights[side] += w
			b.reads++
			if max(off, -off) > 1500 {
				edge = max(edge, r.RSSI)
			} else {
				peak = max(peak, r.RSSI)
			}
		}
		if b.weights[0] == 0 || b.weights[1] == 0 {
			missed++
			continue
		}
		ways[p.Direction]++
		require.Greater(t, peak, edge, "the power rises and falls")
		lead := b.moments[1]/b.weights[1] - b.moments[0]/b.weights[0]
		if (lead > 0) != (p.Direction == event.DirectionOut) {
			wrong++
		}
	}
	require.GreaterOrEqual(t, ways[event.DirectionOut], 25)
	require.GreaterOrEqual(t, ways[event.DirectionIn], 5)
	require.Zero(t, wrong, "going out, the inner antenna hears it first, and coming in, the outer one")
	require.LessOrEqual(t, missed, len(s.Truth().Passages)/10)
}

func TestSilence(t *testing.T) {
	c := still(9, 3*time.Minute)
	c.Scenes = []Scene{{At: 30 * time.Second, Kind: SceneSilence, Point: "shelf-b-1", For: time.Minute}}
	c.Radio.ClockSkew = 0
	var list []int64
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if r.Point == "shelf-b-1" {
				list = append(list, r.Time)
			}
		}
	})
	require.Len(t, s.Truth().Silences, 1)
	off := s.Truth().Silences[0]
	before, after := 0, 0
	for _, at := range list {
		switch {
		case at <= off.From:
			before++
		case at >= off.To-c.Radio.FixedCycle.Milliseconds():
			after++
		default:
			require.Failf(t, "not silent", "a read at %d", at-off.From)
		}
	}
	require.Greater(t, before, 100)
	require.Greater(t, after, 100)
}

func TestSweepReadsItsZoneAndStrays(t *testing.T) {
	c := still(10, 5*time.Minute)
	c.Scenes = []Scene{{At: time.Second, Kind: SceneSweep, Zone: "shelf-b", Point: "handheld-2"}}
	found, strays := map[epc.Key]int{}, 0
	reads := 0
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if r.Point != "handheld-2" {
				if r.Zone != "" {
					require.Fail(t, "only a handheld declares a zone", "%+v", r)
				}
				continue
			}
			require.Equal(t, "shelf-b", r.Zone)
			reads++
			found[r.Key]++
		}
	})
	truth := s.Truth()
	require.Len(t, truth.Sweeps, 1)
	require.NotZero(t, truth.Sweeps[0].To)
	there := truth.Lying("shelf-b", truth.Sweeps[0].From)
	inside := 0
	for key, n := range found {
		i, _ := truth.ItemByKey(key)
		if truth.Where(i, truth.Sweeps[0].From).Zone == "shelf-b" {
			inside++
		} else {
			strays += n
		}
	}
	require.Greater(t, reads, 2000)
	require.GreaterOrEqual(t, float64(inside), 0.98*float64(len(there)), "a slow walk finds nearly everything")
	require.Positive(t, strays, "and hears some of what stands next to it")
	require.Less(t, float64(strays), 0.2*float64(reads))
	t.Logf("%d reads, %d of %d found, %d others, with %d reads", reads, inside, len(there), len(found)-inside, strays)
}

func TestSweepsRepeat(t *testing.T) {
	c := still(10, 5*time.Minute)
	c.Radio.Off = true
	c.Scenes = []Scene{{At: time.Second, Kind: SceneSweep, Zone: "shelf-b", Point: "handheld-2", N: 2}}
	sweeps := run(t, c, nil).Truth().Sweeps
	require.Len(t, sweeps, 2)
	require.GreaterOrEqual(t, sweeps[1].From-sweeps[0].To, int64(betweenWalks))
	require.Greater(t, sweeps[1].To, sweeps[1].From)
}

func TestDesksReadWhatLiesOnThem(t *testing.T) {
	heard := map[string]map[epc.Key]int64{}
	c := busy(13, 6*time.Minute)
	c.Radio.ClockSkew = 0
	s := run(t, c, func(step Step) {
		for _, r := range step.Reads {
			if heard[r.Point] == nil {
				heard[r.Point] = map[epc.Key]int64{}
			}
			if _, ok := heard[r.Point][r.Key]; !ok {
				heard[r.Point][r.Key] = r.Time
			}
		}
	})
	truth := s.Truth()
	require.NotEmpty(t, truth.Sales)
	require.NotEmpty(t, truth.Received)
	sold, received := 0, 0
	for _, sale := range truth.Sales {
		if at, ok := heard["till-1"][s.keys[sale.Item]]; ok && at <= sale.At {
			sold++
		}
	}
	for _, r := range truth.Received {
		if at, ok := heard["receiving-1"][s.keys[r.Item]]; ok && at <= r.At {
			received++
		}
	}
	// A badly placed tag can be missed even there.
	require.GreaterOrEqual(t, float64(sold), 0.95*float64(len(truth.Sales)), "the till's desk hears what is paid for")
	require.GreaterOrEqual(t, float64(received), 0.95*float64(len(truth.Received)), "and the bench what is delivered")
}
