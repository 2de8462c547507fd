package trial_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/layout"
	"lintel/engine/sim"
	"lintel/engine/trial"
	"lintel/rules"
)

func config(t testing.TB, src string) *engine.Config {
	l, err := layout.Parse(sim.Layout())
	require.NoError(t, err)
	set, diags := rules.Check("rules", []byte(src), rules.Known{})
	require.Empty(t, diags)
	c, bad := catalog.ParseCSV(strings.NewReader(string(sim.ProductsCSV())), catalog.CSVOptions{})
	require.Empty(t, bad)
	return &engine.Config{Layout: l, Catalog: c, Rules: set}
}

// yield turns a list into what Run reads.
func yield(facts []engine.Fact) func() (engine.Fact, bool, error) {
	i := 0
	return func() (engine.Fact, bool, error) {
		if i == len(facts) {
			return engine.Fact{}, false, nil
		}
		i++
		return facts[i-1], true, nil
	}
}

// A day that was folded live and the trial of the same rules on its facts must come to the same alerts: the trial is no second copy of the loop.
func TestTrialAgreesWithWhatHappened(t *testing.T) {
	cfg := config(t, string(sim.Rules()))
	simCfg := sim.Demo(3, sim.DayStart.Add(90*time.Minute), 20*time.Minute)
	simCfg.Items = 1500
	day, err := sim.New(simCfg)
	require.NoError(t, err)
	s := engine.NewState("quayside", cfg)
	var out engine.Output
	var facts []engine.Fact
	var live []engine.Alert
	step := func(e engine.Entry) {
		e.Seq = s.Seq() + 1
		out.Reset()
		require.NoError(t, engine.Step(cfg, s, &e, &out))
		s.Forget()
		facts = append(facts, out.Facts...)
		for _, c := range out.Alerts {
			if c.Type == "alert.opened" {
				live = append(live, c.Alert)
			}
		}
	}
	for {
		m, ok := day.Next()
		if !ok {
			break
		}
		for next := s.NextTimer(); next <= m.At; next = s.NextTimer() {
			step(engine.Entry{Kind: engine.EntryTick, At: max(next, s.Clock()+1)})
		}
		for _, e := range sim.Entries(m) {
			step(e)
		}
	}
	require.NotEmpty(t, live)
	res, err := trial.Run(trial.Options{Site: "quayside", Config: cfg, Keep: 1 << 20}, yield(facts))
	require.NoError(t, err)
	require.Equal(t, len(facts), res.Facts)
	// Rules about stock see only what changed, so they are compared by the others.
	others := func(list []engine.Alert) (kept []engine.Alert) {
		for _, a := range list {
			if a.About == "item" || a.About == "reader" {
				kept = append(kept, a)
			}
		}
		return kept
	}
	c := trial.Compare(others(res.Alerts), others(live))
	require.Equal(t, c.Live, c.Both, "%+v", c)
	require.Zero(t, c.OnlyTried, "%+v", c)
}

func passed(i int, ms int64, disp engine.Disposition) engine.Fact {
	return engine.Fact{Ms: ms, Cause: engine.Passed, At: ms, Key: epc.Key{Hi: 1<<60 | 9521234000013, Lo: uint64(i)}, Zone: "street-door", From: "shelf-a", Disp: disp,
		Passage: engine.Passage{Direction: engine.DirectionOut, Confidence: 0.9, Reads: 8}}
}

const unpaid = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
    say: "{item.key}"
`

func TestTrialHoldsAndCompares(t *testing.T) {
	cfg := config(t, unpaid)
	start := sim.DayStart.UnixMilli()
	sold := passed(2, start+2000, engine.RetailSold)
	sold.Cause = engine.Sold
	facts := []engine.Fact{passed(1, start, engine.SellableAccessible), passed(2, start+1000, engine.SellableAccessible), sold, passed(3, start+86_400_000, engine.SellableAccessible)}
	res, err := trial.Run(trial.Options{Site: "quayside", Config: cfg}, yield(facts))
	require.NoError(t, err)
	require.Equal(t, 1, res.Raised)
	require.Equal(t, 1, res.Held, "the sale came within the hold")
	require.Equal(t, 1, res.Pending)
	require.Equal(t, map[string]int{"2026-03-10": 1}, res.ByDay)
	require.Equal(t, start+3000, res.Alerts[0].OpenedAt)
	live := []engine.Alert{
		{Status: engine.AlertClosed, Key: facts[0].Key, OpenedAt: start + 3000, Outcome: "genuine"},
		{Status: engine.AlertClosed, Key: facts[1].Key, OpenedAt: start + 1000, Outcome: "false"},
	}
	c := trial.Compare(res.Alerts, live)
	require.Equal(t, trial.Comparison{Live: 2, Both: 1, OnlyLive: 1, KeptOutcome: map[string]int{"genuine": 1}, LostOutcome: map[string]int{"false": 1}}, c)
}

// BenchmarkTrial measures one rule over recorded facts: at least a million a second a core.
func BenchmarkTrial(b *testing.B) {
	cfg := config(b, unpaid)
	start := sim.DayStart.UnixMilli()
	facts := make([]engine.Fact, 100_000)
	for i := range facts {
		facts[i] = passed(i%20_000, start+int64(i)*50, engine.SellableAccessible)
		if i%100 != 0 {
			facts[i].Cause, facts[i].Zone, facts[i].Passage = engine.Arrived, []string{"shelf-a", "shelf-b", "front-tables"}[i%3], engine.Passage{}
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		if _, err := trial.Run(trial.Options{Site: "quayside", Config: cfg}, yield(facts)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*float64(len(facts))/b.Elapsed().Seconds(), "facts/s")
}
