package sim

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// busy is the middle of a day, with something going on at once.
func busy(seed uint64, length time.Duration) Config {
	c := Demo(seed, DayStart.Add(3*time.Hour), length)
	c.People.CustomersPerHour = 400
	return c
}

// run plays a configuration to its end.
func run(t require.TestingT, c Config, each func(Step)) *Sim {
	s, err := New(c)
	require.NoError(t, err)
	for {
		step, ok := s.Next()
		if !ok {
			return s
		}
		if each != nil {
			each(step)
		}
	}
}

func digest(t require.TestingT, c Config) (sum [32]byte, reads int) {
	h := sha256.New()
	var b []byte
	s := run(t, c, func(step Step) {
		reads += len(step.Reads)
		b = binary.BigEndian.AppendUint64(b[:0], uint64(step.At))
		b = AppendEvents(AppendReads(b, step), step)
		h.Write(b)
	})
	fmt.Fprintf(h, "%+v", *s.Truth()) // maps print in the order of their keys
	return [32]byte(h.Sum(nil)), reads
}

func TestEqualSeedsEqualRuns(t *testing.T) {
	one, reads := digest(t, busy(11, 90*time.Second))
	two, _ := digest(t, busy(11, 90*time.Second))
	other, _ := digest(t, busy(12, 90*time.Second))
	require.Greater(t, reads, 50_000)
	require.Equal(t, one, two)
	require.NotEqual(t, one, other)
}

func TestTruthDoesNotDependOnRadio(t *testing.T) {
	quiet := busy(3, 8*time.Minute)
	quiet.Radio.Off = true
	deaf := busy(3, 8*time.Minute)
	deaf.Radio.Sensitivity = -55
	deaf.Radio.FixedCycle = 2 * time.Second
	deaf.Network.LateShare = 0.5
	a, b := run(t, quiet, nil).Truth(), run(t, deaf, nil).Truth()
	require.NotEmpty(t, a.Sales)
	require.Equal(t, a, b)
}

func TestStepsArriveInOrder(t *testing.T) {
	c := busy(5, 2*time.Minute)
	c.Network.LateShare = 0.05
	last, newest, overtaken, biggest := int64(0), map[string]int64{}, 0, 0
	s := run(t, c, func(step Step) {
		require.GreaterOrEqual(t, step.At, last)
		require.NotEmpty(t, len(step.Reads)+len(step.Events))
		last = step.At
		biggest = max(biggest, len(step.Reads))
		for i := range step.Reads {
			r := &step.Reads[i]
			if r.Time > step.At+c.Radio.ClockSkew.Milliseconds() || r.Time <= step.At-20_000 {
				require.Fail(t, "a read from the future, or from long ago", "%+v at %d", r, step.At)
			}
			if r.Time < newest[r.Point]-1000 {
				overtaken++
			}
			newest[r.Point] = max(newest[r.Point], r.Time)
		}
	})
	require.Positive(t, overtaken, "late batches come out of order")
	require.LessOrEqual(t, biggest, c.Network.MaxBatch)
	require.GreaterOrEqual(t, last, s.end-500)
	require.Less(t, len(s.uplink.free), 200, "memory does not grow with the length of the run")
}

func TestTagsDecode(t *testing.T) {
	s, err := New(DemoDay(1))
	require.NoError(t, err)
	seen := map[epc.Key]bool{}
	strange := 0
	for _, item := range s.Truth().Items {
		id, err := epc.ParseHex(item.EPC, 0, false)
		require.NoError(t, err)
		require.Equal(t, epc.SGTIN96, id.Scheme())
		require.Equal(t, item.Key, id.Key())
		gtin, ok := id.GTIN14()
		require.True(t, ok)
		require.Equal(t, item.GTIN, gtin)
		_, known := s.catalog.ByGTIN(gtin)
		require.Equal(t, item.Stranger, !known)
		require.False(t, seen[item.Key])
		seen[item.Key] = true
		if item.Stranger {
			strange++
		}
	}
	require.Equal(t, defaultItems+strangers, len(seen))
	require.Equal(t, strangers, strange)
}

// verifyWorld compares the lists that are kept up to date with what they are lists of.
func verifyWorld(t require.TestingT, s *Sim) {
	counts := make([]int32, len(s.counts))
	lying := 0
	for zone, list := range s.inZone {
		for slot, i := range list {
			th := &s.things[i]
			if th.state != resting || th.zone != uint8(zone) || th.slot != int32(slot) {
				require.Fail(t, "not where the list says", "zone %d, slot %d: %+v", zone, slot, th)
			}
			if th.product >= 0 && !th.paid {
				counts[s.cell(th.product, uint8(zone))]++
			}
			lying++
		}
	}
	require.Equal(t, counts, s.counts)
	out := 0
	for i := range s.things {
		if s.things[i].state == outside {
			out++
		}
	}
	inHands := 0
	for _, p := range s.persons {
		for _, i := range p.goods {
			require.Equal(t, carried, s.things[i].state)
			require.Same(t, p, s.things[i].holder)
			inHands++
		}
	}
	require.Equal(t, inHands, len(s.inHands))
	require.Equal(t, len(s.things), lying+out+inHands)
	n := len(s.radio.fixed)
	for k, a := range s.radio.fixed {
		for slot, l := range a.heard {
			if int(s.radio.slots[int(l.item)*n+k]) != slot || s.things[l.item].state != resting {
				require.Fail(t, "heard where it is not", "%s, slot %d: %+v", a.point, slot, l)
			}
		}
	}
}

// verifyTruth checks what cannot be otherwise in any run.
func verifyTruth(t require.TestingT, s *Sim) {
	truth := s.Truth()
	for i := range truth.Items {
		stays := truth.Stays(i)
		if len(stays) == 0 || stays[0].From != s.cfg.Start {
			require.Fail(t, "no place in the beginning", "item %d: %+v", i, stays)
		}
		for k, st := range stays {
			if k+1 == len(stays) {
				if st.To != 0 {
					require.Fail(t, "the last stay has an end", "%+v", st)
				}
				break
			}
			if st.To <= st.From || st.To != stays[k+1].From { // an item is in one place at a time, and never nowhere
				require.Fail(t, "stays do not follow each other", "%+v, then %+v", st, stays[k+1])
			}
		}
	}
	type period struct {
		at   int64
		paid bool
	}
	paid := map[int][]period{}
	for _, sale := range truth.Sales {
		before := truth.Where(sale.Item, sale.At-1)
		require.Equal(t, till, before.Zone, "what is sold lay at the till")
		require.False(t, before.Carried)
		require.GreaterOrEqual(t, sale.Told, sale.At)
		paid[sale.Item] = append(paid[sale.Item], period{sale.At, true})
	}
	for _, r := range truth.Returns {
		require.Equal(t, till, truth.Where(r.Item, r.At).Zone)
		paid[r.Item] = append(paid[r.Item], period{r.At, false})
	}
	for _, r := range truth.Received {
		require.Equal(t, bay, truth.Where(r.Item, r.At).Zone)
	}
	for _, p := range truth.Passages {
		require.Contains(t, []event.Direction{event.DirectionIn, event.DirectionOut}, p.Direction)
		before, after := truth.Where(p.Item, p.At-tickMs), truth.Where(p.Item, p.At+tickMs)
		require.Equal(t, door, before.Zone)
		require.True(t, before.Carried)
		require.Equal(t, p.Direction == event.DirectionOut, after.Outside)
		require.NotEqual(t, before.Outside, after.Outside)
		newest := period{paid: p.Paid} // bought before the beginning, or not at all
		for _, x := range paid[p.Item] {
			if x.at <= p.At && x.at > newest.at {
				newest = x
			}
		}
		require.Equal(t, newest.paid, p.Paid)
		if truth.Items[p.Item].Stranger {
			require.False(t, p.Paid)
		}
	}
	for _, a := range truth.Approaches {
		require.Greater(t, a.Closest, 0.0)
		require.Less(t, a.Closest, nearDoor)
		require.Greater(t, a.To, a.From)
		for _, p := range truth.Passages {
			require.False(t, p.Item == a.Item && p.At >= a.From && p.At < a.To, "who turned back did not pass")
		}
	}
	for _, m := range truth.Misplacements {
		w := truth.Where(m.Item, m.From)
		require.Equal(t, m.Zone, w.Zone)
		require.False(t, w.Carried)
		require.False(t, s.isHome(s.things[m.Item].product, s.plan.number[m.Zone]))
		if m.To != 0 {
			require.True(t, truth.Where(m.Item, m.To).Carried)
		}
	}
}

func TestWorldIsConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := busy(rapid.Uint64().Draw(t, "seed"), time.Duration(rapid.IntRange(2, 15).Draw(t, "minutes"))*time.Minute)
		c.Radio.Off = true
		c.People.WalkOutChance = rapid.Float64Range(0, 1).Draw(t, "walk out")
		c.People.TurnBackChance = rapid.Float64Range(0, 1).Draw(t, "turn back")
		c.People.WrongPlaceChance = rapid.Float64Range(0, 1).Draw(t, "wrong place")
		c.People.ReturnsPerHour = rapid.Float64Range(0, 60).Draw(t, "returns")
		s := run(t, c, nil)
		verifyWorld(t, s)
		verifyTruth(t, s)
	})
}

func TestWorldIsConsistentWithRadio(t *testing.T) {
	s := run(t, busy(8, 2*time.Minute), nil)
	verifyWorld(t, s)
	verifyTruth(t, s)
}

func countsOf(t *testing.T, seed uint64, truth *Truth) {
	bags, alone := map[int]bool{}, 0
	paidOut := map[int]bool{}
	for _, p := range truth.UnpaidExits() {
		bags[p.Visit] = true
	}
	untold := 0
	for _, p := range truth.Passages {
		if p.Direction == event.DirectionOut && p.Paid {
			paidOut[p.Visit] = true
			if p.Told > p.At {
				untold++
			}
		}
	}
	for _, sh := range truth.Shortages {
		if sh.Zone == tables && sh.To != 0 {
			alone++
		}
	}
	require.GreaterOrEqual(t, len(bags), 1, "seed %d: somebody leaves without paying", seed)
	require.GreaterOrEqual(t, len(paidOut), 5, "seed %d: customers pay and leave", seed)
	require.GreaterOrEqual(t, untold, 1, "seed %d: a sale is told after the door", seed)
	require.GreaterOrEqual(t, len(truth.Misplacements), 2, "seed %d: books are misplaced", seed)
	require.GreaterOrEqual(t, alone, 1, "seed %d: a table runs low and is refilled", seed)
	require.GreaterOrEqual(t, len(truth.Approaches), 1, "seed %d: somebody turns back", seed)
	require.GreaterOrEqual(t, len(truth.Returns), 1, "seed %d: something is brought back", seed)
	require.GreaterOrEqual(t, len(truth.Received), deliverable/2, "seed %d: a delivery arrives", seed)
	require.Len(t, truth.Silences, 1, "seed %d: a reader goes silent", seed)
	require.Len(t, truth.Sweeps, 2, "seed %d: staff sweep", seed)
	require.Less(t, truth.Silences[0].To, truth.Until, "seed %d: and comes back", seed)
}

func TestGoodsAreLaidWhereTheSceneSays(t *testing.T) {
	c := Config{Seed: 4, Start: DayStart.UnixMilli(), Length: 5 * time.Minute, People: DefaultPeople(),
		Network: DefaultNetwork(), Radio: Radio{Off: true}}
	c.People.CustomersPerHour, c.People.ReturnsPerHour = 0, 0
	c.Scenes = []Scene{
		{At: time.Second, Kind: SceneMisplace, Zone: "shelf-a", To: "cafe", N: 2},
		{At: 2 * time.Second, Kind: SceneLeftBehind, Zone: "shelf-c", To: "shelf-b", N: 1},
		{At: 3 * time.Second, Kind: SceneLeftBehind, Zone: "shelf-d", N: 1},
	}
	truth := run(t, c, nil).Truth()
	require.Len(t, truth.Lying("cafe", truth.Until), 2)
	require.Len(t, truth.Sales, 2)
	var where []string
	for _, sale := range truth.Sales {
		stay := truth.Where(sale.Item, truth.Until)
		require.False(t, stay.Carried || stay.Outside)
		where = append(where, stay.Zone)
	}
	require.ElementsMatch(t, []string{"shelf-b", "shelf-d"}, where)
	for _, p := range truth.Passages {
		require.True(t, truth.Items[p.Item].Stranger, "nothing of the shop's went through the door")
	}
}

func TestDemoDayShowsEverything(t *testing.T) {
	for seed := range uint64(12) {
		c := DemoDay(seed)
		c.Radio.Off = true
		s := run(t, c, nil)
		countsOf(t, seed, s.Truth())
		require.Empty(t, s.tillLine, "the shop is empty in the evening")
		require.GreaterOrEqual(t, len(s.Truth().Sales), 50)
	}
}

func TestShortDemoShowsEverything(t *testing.T) {
	for seed := range uint64(12) {
		c := Demo(seed, DayStart.Add(time.Hour), 20*time.Minute)
		c.Radio.Off = true
		countsOf(t, seed, run(t, c, nil).Truth())
	}
}

func TestOpeningHours(t *testing.T) {
	c := Config{Seed: 1, Start: DayStart.UnixMilli(), Length: time.Hour, Radio: DefaultRadio(), People: DefaultPeople(),
		Network: DefaultNetwork()}
	c.Radio.Off, c.People.StrangerChance, c.People.CustomersPerHour = true, 1, 60
	first := func() int64 { return run(t, c, nil).Truth().Passages[0].At }
	require.Greater(t, first(), DayStart.Add(30*time.Minute).UnixMilli(), "nobody comes in before nine")
	c.People.IgnoreHours = true
	require.Less(t, first(), DayStart.Add(20*time.Minute).UnixMilli())
}

func TestBadConfigurations(t *testing.T) {
	for name, spoil := range map[string]func(*Config){
		"length":         func(c *Config) { c.Length = 0 },
		"items":          func(c *Config) { c.Items = 5 },
		"multiple of":    func(c *Config) { c.Radio.FixedCycle = 150 * time.Millisecond },
		"PickChance":     func(c *Config) { c.People.PickChance = math.NaN() },
		"MissMax":        func(c *Config) { c.Radio.MissMin, c.Radio.MissMax = 0.5, 0.2 },
		"MaxBatch":       func(c *Config) { c.Network.MaxBatch = 0 },
		"Stops":          func(c *Config) { c.People.Stops = 0 },
		"WalkMin":        func(c *Config) { c.People.WalkMin = 0 },
		"ReadsPerSec":    func(c *Config) { c.Radio.ReadsPerSec = 0 },
		`no zone "cafe"`: func(c *Config) { c.Layout = bytes.ReplaceAll(Layout(), []byte(`"cafe"`), []byte(`"coffee"`)) },
		`"shelf-z-1"`:    func(c *Config) { c.Layout = bytes.ReplaceAll(Layout(), []byte(`"shelf-a-1"`), []byte(`"shelf-z-1"`)) },
		"not JSON":       func(c *Config) { c.Layout = []byte("{") },
	} {
		c := DemoDay(1)
		spoil(&c)
		_, err := New(c)
		require.ErrorContains(t, err, name)
	}
}

func TestEntriesAndBodies(t *testing.T) {
	kinds := map[event.EventType]int{}
	zones := 0
	run(t, busy(4, 2*time.Minute), func(step Step) {
		entries := Entries(step)
		var back event.Entry
		for i := range entries {
			require.NoError(t, event.DecodeEntry(event.AppendEntry(nil, &entries[i]), &back))
			require.Equal(t, step.At, back.At)
			require.Zero(t, back.Seq)
		}
		if len(step.Reads) > 0 {
			var body []struct {
				EPC   string    `json:"epc"`
				Point string    `json:"read_point"`
				Zone  string    `json:"zone"`
				RSSI  float64   `json:"rssi"`
				Time  time.Time `json:"time"`
			}
			require.NoError(t, json.Unmarshal(AppendReads(nil, step), &body))
			require.Len(t, body, len(step.Reads))
			e := &entries[0]
			require.Equal(t, event.EntryReads, e.Kind)
			for i, r := range step.Reads {
				want := Read{EPC: body[i].EPC, Key: r.Key, Point: body[i].Point, Zone: body[i].Zone, RSSI: body[i].RSSI,
					Time: body[i].Time.UnixMilli()}
				got, zone := e.Reads[i], ""
				if got.Zone > 0 {
					zone = e.Zones[got.Zone-1]
					zones++
				}
				same := r.Key == got.Key && r.Point == e.Points[got.Point] && r.Zone == zone && r.Time == got.T &&
					math.Abs(r.RSSI-float64(got.RSSI)/10) < 1e-9
				if want != r || !same {
					require.Fail(t, "read changed", "%+v: JSON %+v, entry %+v", r, want, got)
				}
			}
		}
		if len(step.Events) > 0 {
			var body []struct {
				Type string    `json:"type"`
				EPCs []string  `json:"epcs"`
				Zone string    `json:"zone"`
				Time time.Time `json:"time"`
				Ref  string    `json:"ref"`
			}
			require.NoError(t, json.Unmarshal(AppendEvents(nil, step), &body))
			e := &entries[len(entries)-1]
			require.Equal(t, event.EntryEvents, e.Kind)
			for i, ev := range step.Events {
				typ, ok := event.EventTypes.Parse(body[i].Type)
				require.True(t, ok)
				require.Equal(t, Event{Type: typ, EPCs: body[i].EPCs, Keys: ev.Keys, Zone: body[i].Zone,
					Time: body[i].Time.UnixMilli(), Ref: body[i].Ref}, ev)
				require.Len(t, e.Events[i].Tags, len(ev.EPCs))
				require.Equal(t, ev.Time, e.Events[i].T)
				kinds[ev.Type]++
			}
		}
	})
	require.Positive(t, zones)
	require.Positive(t, kinds[event.EventSold])
	require.Positive(t, kinds[event.EventReceived])
}

func TestWholeDayWithReads(t *testing.T) {
	if os.Getenv("LINTEL_LONG") == "" {
		t.Skip("a day of reads takes some ten seconds: set LINTEL_LONG=1")
	}
	reads := 0
	s := run(t, DemoDay(2), func(step Step) { reads += len(step.Reads) })
	t.Logf("%d reads", reads)
	require.Greater(t, reads, 20_000_000)
	require.Less(t, len(s.uplink.free), 500)
	verifyWorld(t, s)
	verifyTruth(t, s)
	countsOf(t, 2, s.Truth())
}

func BenchmarkReads(b *testing.B) {
	c := busy(1, 1000*time.Hour)
	c.People.IgnoreHours = true
	s, err := New(c)
	require.NoError(b, err)
	for range 2000 { // buffers have grown
		s.Next()
	}
	reads := 0
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		step, _ := s.Next()
		reads += len(step.Reads)
	}
	b.ReportMetric(float64(reads)/b.Elapsed().Seconds(), "reads/s")
}

func BenchmarkBodies(b *testing.B) {
	s, err := New(busy(1, time.Hour))
	require.NoError(b, err)
	var step Step
	for len(step.Reads) < 500 {
		step, _ = s.Next()
	}
	b.Run("json", func(b *testing.B) {
		b.ReportAllocs()
		var body []byte
		for b.Loop() {
			body = AppendReads(body[:0], step)
		}
	})
	b.Run("entries", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			Entries(step)
		}
	})
}
