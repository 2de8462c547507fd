package doors

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/layout"
)

func short(t *testing.T, name string, seed uint64, change func(*Config)) *Shop {
	r, ok := RegimeByName(name)
	require.True(t, ok, name)
	c := Config{Regime: r, Seed: seed, WarmUp: 10 * time.Second, Length: time.Minute, Every: 3 * time.Second}
	if change != nil {
		change(&c)
	}
	s, err := New(c)
	require.NoError(t, err)
	return s
}

func TestEveryRegimeRuns(t *testing.T) {
	held := 0
	for _, r := range Regimes() {
		require.NotEmpty(t, r.Source, r.Name)
		if r.Held {
			held++
		}
		s := short(t, r.Name, 3, func(c *Config) { c.WarmUp, c.Length, c.Every = time.Second, 9*time.Second, 500*time.Millisecond })
		l, err := layout.Parse(s.Layout())
		require.NoError(t, err, r.Name)
		reads, last := map[string]int{}, int64(0)
		for {
			e, ok := s.Next()
			if !ok {
				break
			}
			require.GreaterOrEqual(t, e.At, last, r.Name)
			last = e.At
			for k := range e.Reads {
				p := e.Points[e.Reads[k].Point]
				i, known := l.ReadPointIndex(p)
				require.True(t, known, p)
				reads[p]++
				require.Equal(t, l.ReadPoints[i].Role == event.Handheld, e.Reads[k].Zone > 0)
				_, known = s.Truth().ItemByKey(e.Reads[k].Key)
				require.True(t, known)
				require.GreaterOrEqual(t, e.Reads[k].N, uint32(1))
			}
		}
		for _, p := range []string{"street-door-in", "tables-1", "shelf-a-1"} {
			require.Positive(t, reads[p], "%s in %s", p, r.Name)
		}
	}
	require.GreaterOrEqual(t, 3*held, len(Regimes()), "a third of the regimes is held out")
}

func TestEqualConfigurationsEqualEntries(t *testing.T) {
	brief := func(c *Config) { c.Length = 20 * time.Second }
	a, b := short(t, "hopping", 5, brief), short(t, "hopping", 5, func(c *Config) {
		brief(c)
		c.Regime.Phase = true
	})
	var one, two []byte
	for {
		e, ok := a.Next()
		f, ok2 := b.Next()
		require.Equal(t, ok, ok2)
		if !ok {
			break
		}
		for k := range f.Reads {
			r := &f.Reads[k]
			require.NotZero(t, r.Phase)
			r.Phase, r.Channel, r.Doppler = 0, 0, 0
		}
		one, two = event.AppendEntry(one[:0], &e), event.AppendEntry(two[:0], &f)
		require.Equal(t, one, two)
	}
	require.Equal(t, a.Truth().Crossings, b.Truth().Crossings)
	require.Equal(t, a.Truth().Visits, b.Truth().Visits)
}

// Whatever a crossing says, the goods' own places say the same: they are on one side just before
// and on the other after, and stay there.
func TestTruthAgreesWithItself(t *testing.T) {
	s := short(t, "base", 11, func(c *Config) { c.Length, c.Every = 3*time.Minute, 2*time.Second })
	for {
		if _, ok := s.Next(); !ok {
			break
		}
	}
	tr := s.Truth()
	require.Greater(t, len(tr.Crossings), 40)
	visits := map[int]Visit{}
	for _, v := range tr.Visits {
		visits[v.ID] = v
	}
	for _, c := range tr.Crossings {
		before, after := tr.Where(c.Item, c.At-40), tr.Where(c.Item, c.At)
		require.True(t, before.Carried && after.Carried)
		require.Equal(t, c.Out, s.Beyond(c.Door, after) >= 0)
		require.NotEqual(t, c.Out, s.Beyond(c.Door, before) >= 0)
		require.LessOrEqual(t, math.Abs(s.Aside(c.Door, after)), s.doorOf(c.Door).halfWidth+0.6, "%s %s", c.Kind, c.Door)
		v, ok := visits[c.Visit]
		require.True(t, ok)
		require.Equal(t, c.Kind, v.Kind)
		if c.Out {
			require.True(t, v.CrossedOut)
		}
		if c.Kind == "stand" || c.Kind == "turnback" {
			require.True(t, c.Out, "who turns back has not come in")
		}
	}
	rested := 0
	for i := range tr.Items {
		if w := tr.Where(i, tr.Until); w.Zone != "" {
			rested++
			require.True(t, tr.Items[i].Own)
		}
	}
	require.Greater(t, rested, 250)
}

// What cannot be simulated is refused in words.
func TestRegimesAreChecked(t *testing.T) {
	for _, change := range []func(*Regime){
		func(r *Regime) { *r = Regime{} },
		func(r *Regime) { r.TurnMs = [2]int{0, 100} },
		func(r *Regime) { r.Channels = 7 },
		func(r *Regime) { r.DoorSession = "S4" },
		func(r *Regime) { r.Drift = math.NaN() },
		func(r *Regime) { r.Pairs = 0 },
	} {
		r := base()
		change(&r)
		_, err := New(Config{Regime: r})
		require.ErrorContains(t, err, "doors: regime")
	}
	_, err := New(Config{Regime: base(), Length: -1})
	require.ErrorContains(t, err, "Length")
}

// A tag that comes closer at 1 m/s turns the phase of its answer, there and back, and shifts it by
// 2 v f / c (Doppler; any textbook on radar).
func TestDoppler(t *testing.T) {
	s := short(t, "bodies-none", 1, func(c *Config) { c.Regime.Phase = true })
	s.cfg.Regime.Channels = 1
	a := &antenna{pos: vec{0, 3, 400}, dir: vec{1, 0, 0}}
	i := s.makeItem(true, false)
	s.goods[i].along = vec{0, 0, 1}
	now := s.now - s.start
	s.carry(i, &track{knots: []knot{{now, 9, 3, 0}, {now + 4000, 5, 3, 0}}}, vec{0, 0, 400}, 0)
	d := s.devices[0]
	sum, n := 0.0, 0
	var last float64
	for ms := int64(0); ms < 3000; ms += 50 {
		x := s.extra(d, a, &candidate{item: i}, 866.9, s.now+ms)
		sum, n = sum+x.Doppler, n+1
		require.GreaterOrEqual(t, x.Phase, 0.0)
		require.Less(t, x.Phase, 360.0)
		last = x.Channel
	}
	require.InDelta(t, 2*1*866.9/lightSpeed, sum/float64(n), 0.4)
	require.Equal(t, 866.9, last)
}

// The speed of the simulation, as a multiple of real time.
func BenchmarkShop(b *testing.B) {
	for b.Loop() {
		s, err := New(Config{Regime: base(), Seed: 1, WarmUp: 10 * time.Second, Length: 2 * time.Minute})
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, ok := s.Next(); !ok {
				break
			}
		}
	}
	b.ReportMetric(130*float64(b.N)/b.Elapsed().Seconds(), "times-real")
}

// Each regime changes what it says it does, seen from the entries alone.
func TestRegimesDoWhatTheySay(t *testing.T) {
	type seen struct {
		point string
		item  int
		at    int64
		read  event.Read
	}
	play := func(name string) (*Shop, []seen) {
		s := short(t, name, 4, func(c *Config) { c.WarmUp, c.Length = 2*time.Second, 25*time.Second })
		var list []seen
		for {
			e, ok := s.Next()
			if !ok {
				return s, list
			}
			for _, r := range e.Reads {
				i, _ := s.Truth().ItemByKey(r.Key)
				list = append(list, seen{e.Points[r.Point], i, e.At, r})
			}
		}
	}
	count := func(list []seen, point string) (n int) {
		for _, x := range list {
			if x.point == point {
				n += int(x.read.N)
			}
		}
		return n
	}
	_, usual := play("base")
	lag := func(list []seen) (low, high int64) {
		low, high = math.MaxInt64, math.MinInt64
		for _, x := range list {
			low, high = min(low, x.at-x.read.T), max(high, x.at-x.read.T)
		}
		return low, high
	}

	_, list := play("rssi-none")
	for _, x := range list {
		require.EqualValues(t, event.NoRSSI, x.read.RSSI)
	}
	_, list = play("rssi-steps")
	for _, x := range list {
		require.Zero(t, x.read.RSSI%40)
	}
	_, list = play("late")
	_, most := lag(list)
	soonest, before := lag(usual)
	require.Greater(t, soonest, int64(-200), "no read comes before it was made, but for a clock")
	require.Greater(t, most, before+2500)
	require.Less(t, before, int64(1700), "a second until the report, the network and a clock")
	_, list = play("clocks-2s")
	least, most := lag(list)
	require.Greater(t, most-least, int64(2000))

	var s *Shop
	s, list = play("sums")
	require.InEpsilon(t, count(usual, "street-door-in"), count(list, "street-door-in"), 0.25, "the same tags are counted")
	last := map[[2]string]int64{}
	for _, x := range list {
		if k := [2]string{x.point, x.read.Key.String()}; x.point == "street-door-in" && x.at < s.end-1000 {
			require.GreaterOrEqual(t, x.at-last[k], int64(900), "one read for each tag in a second")
			last[k] = x.at
		}
	}

	// A tag that lies still by a door in S2 answers once.
	s, list = play("door-s2")
	times := map[int]int{}
	for _, x := range list {
		if w := s.Truth().Where(x.item, x.at); w.Zone == "window" && w.Since == s.Truth().Start && x.point == "street-door-in" {
			times[x.item]++
		}
	}
	for _, n := range times {
		require.Equal(t, 1, n)
	}
	require.NotEmpty(t, times)
	_, list = play("door-s1")
	require.Less(t, count(list, "street-door-in"), count(usual, "street-door-in")/3)

	_, list = play("strong")
	require.Greater(t, count(list, "street-door-out"), count(usual, "street-door-out"))
	s, _ = play("nothing-near")
	for _, i := range s.Truth().Items {
		require.False(t, i.Near)
	}
}
