package doors

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
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
		s := short(t, r.Name, 3, func(c *Config) { c.WarmUp, c.Length, c.Every = 2*time.Second, 25*time.Second, time.Second })
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
				require.Equal(t, l.ReadPoints[i].Role == layout.Handheld, e.Reads[k].Zone > 0)
				_, known = s.Truth().ItemByKey(e.Reads[k].Key)
				require.True(t, known)
				require.GreaterOrEqual(t, e.Reads[k].N, uint32(1))
			}
		}
		for _, p := range []string{"street-door-in", "street-door-out", "lane-door-1", "tables-1", "shelf-a-1"} {
			require.Positive(t, reads[p], "%s in %s", p, r.Name)
		}
	}
	require.GreaterOrEqual(t, 3*held, len(Regimes()), "a third of the regimes is held out")
}

func TestEqualConfigurationsEqualEntries(t *testing.T) {
	a, b := short(t, "hopping", 5, nil), short(t, "hopping", 5, func(c *Config) { c.Extras = true })
	var one, two []byte
	for {
		e, ok := a.Next()
		f, ok2 := b.Next()
		require.Equal(t, ok, ok2)
		if !ok {
			break
		}
		one, two = engine.AppendEntry(one[:0], &e), engine.AppendEntry(two[:0], &f)
		require.Equal(t, one, two)
		require.Empty(t, a.Extras())
		require.Len(t, b.Extras(), len(f.Reads))
	}
	require.Equal(t, a.Truth().Crossings, b.Truth().Crossings)
	require.Equal(t, a.Truth().Visits, b.Truth().Visits)
}

// Whatever a crossing says, the goods' own places say the same: they are on one side just before
// and on the other after, and stay there.
func TestTruthAgreesWithItself(t *testing.T) {
	s := short(t, "base", 11, func(c *Config) { c.Length = 10 * time.Minute })
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
	s := short(t, "bodies-none", 1, func(c *Config) { c.Extras = true })
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
