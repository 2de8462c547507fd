package trial_test

import (
	"context"
	"errors"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
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
func yield(facts []event.Fact) iter.Seq2[*event.Fact, error] {
	return func(yield func(*event.Fact, error) bool) {
		for i := range facts {
			if !yield(&facts[i], nil) {
				return
			}
		}
	}
}

// version picks a rule, "" for the only one.
func version(t testing.TB, src, name string) *trial.Version {
	v, diags, err := trial.Pick("rules", []byte(src), rules.Known{}, name)
	require.NoError(t, err)
	require.NotNil(t, v, "%v", diags)
	return v
}

// day is a simulated stretch of a day at the shop, folded live: its facts, and the alerts that
// opened.
func day(t testing.TB, cfg *engine.Config, length time.Duration) (facts []event.Fact, live []trial.Opening) {
	simCfg := sim.Demo(3, sim.DayStart.Add(90*time.Minute), length)
	simCfg.Items = 1500
	day, err := sim.New(simCfg)
	require.NoError(t, err)
	s := engine.NewMachine("umberhithe", cfg)
	took := func() {
		b := s.Batch()
		facts = append(facts, b.Facts...)
		for i := range b.Alerts {
			if b.Alerts[i].Type == "alert.opened" {
				live = append(live, trial.OpeningOf(&b.Alerts[i].Alert))
			}
		}
	}
	for {
		m, ok := day.Next()
		if !ok {
			return facts, live
		}
		for s.Advance(m.At) {
			took()
		}
		for _, e := range sim.Entries(m) {
			require.NoError(t, s.Apply(&e, nil))
			took()
		}
	}
}

// A day that was folded live and the trial of the same rules on its facts must come to the same
// alerts: the trial is no second copy of the loop. Rules about stock see only what changed, so they
// are compared by the others.
func TestTrialAgreesWithWhatHappened(t *testing.T) {
	cfg := config(t, string(sim.Rules())+`
  - name: much-moves
    about: zone
    items: item.sellable
    within: 1m
    when: items.count > 30 and (items.came >= 3 or items.went >= 3 or items.oldest_seconds > 300)
`)
	facts, live := day(t, cfg, 12*time.Minute)
	require.True(t, slices.ContainsFunc(live, func(o trial.Opening) bool { return o.About == event.AboutZone }))
	tr, err := trial.New(trial.Options{Site: "umberhithe", Config: cfg})
	require.NoError(t, err)
	for i := range facts {
		require.NoError(t, tr.Fact(&facts[i]))
	}
	_, err = tr.Finish(facts[len(facts)-1].Ms)
	require.NoError(t, err)
	others := func(list []trial.Opening) (kept []trial.Opening) {
		for _, o := range list {
			if !o.Key.IsZero() || o.GTIN == 0 {
				kept = append(kept, o)
			}
		}
		return kept
	}
	c := trial.Compare(others(tr.Openings()), others(live), false)
	require.NotZero(t, c.Other)
	require.Equal(t, c.Other, c.Both, "%+v", c)
	require.Zero(t, c.OnlyTried, "%+v", c)
	require.Zero(t, c.Later)
}

func passed(i int, ms int64, disp event.Disposition) event.Fact {
	return event.Fact{Ms: ms, Cause: event.Passed, At: ms, Key: epc.Key{Hi: 1<<60 | 9521234000013, Lo: uint64(i)},
		GTIN: 9521234000013, Zone: "street-door", From: "shelf-a", Disp: disp,
		Passage: event.Passage{Direction: event.DirectionOut, Confidence: 0.9, Reads: 8}}
}

const unpaid = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
    say: "{item.key}"
    send: [door-team]
`

// plan tries unpaid-at-door on all of a day.
func plan(t testing.TB, src string) trial.Plan {
	return trial.Plan{Site: "umberhithe", Config: config(t, "rules: []"), Tried: version(t, src, ""),
		From: sim.DayStart.UnixMilli(), To: sim.DayStart.Add(24 * time.Hour).UnixMilli()}
}

func run(t testing.TB, p trial.Plan, facts []event.Fact) *trial.Report {
	rep, err := trial.Run(t.Context(), p, yield(facts))
	require.NoError(t, err)
	return rep
}

func TestTrialHoldsAndCompares(t *testing.T) {
	start := sim.DayStart.UnixMilli()
	sold := passed(2, start+2000, event.RetailSold)
	sold.Cause = event.Sold
	later := passed(3, start+3_600_000, event.SellableAccessible)
	paid := passed(1, start+610_000, event.RetailSold)
	paid.Cause = event.Sold
	facts := []event.Fact{passed(1, start, event.SellableAccessible), passed(2, start+1000, event.SellableAccessible), sold, paid, later}
	var words []string
	p := plan(t, unpaid)
	p.Opened = func(a *event.Alert) error { words = append(words, a.Say); return nil }
	rep := run(t, p, facts)
	res := rep.Tried
	require.Equal(t, 2, res.Raised)
	require.Equal(t, map[string]int{"hold": 1}, res.HeldBack, "the sale came within the hold")
	require.Empty(t, res.Waiting, "the last hold ended within the range")
	require.Equal(t, 1, res.StillOpen)
	require.Equal(t, trial.Span{Ended: 1, Median: 607, P90: 607, Longest: 607}, res.Open)
	require.Equal(t, map[string]int{"alert.opened": 2, "alert.cleared": 1}, res.Changes)
	require.Equal(t, []trial.DayCount{{Date: "2026-03-10", Raised: 2}}, res.ByDay)
	require.Equal(t, "tuesday", res.ByHour[1].Weekday)
	local := sim.DayStart.In(p.Config.Layout.Location()).Hour()
	require.Equal(t, []int{1, 1}, res.ByHour[1].Hours[local:local+2])
	require.Equal(t, []trial.NameCount{{ID: "09521234000013", Name: "Velvet Bicycle Quartet", Raised: 2}}, res.Products)
	require.Equal(t, "street-door", res.Zones[0].ID)
	require.NotEmpty(t, res.Zones[0].Name)
	require.Equal(t, []trial.Messages{{Channel: "door-team", Sent: 3, ByChange: map[string]int{"alert.opened": 2,
		"alert.cleared": 1}}}, res.Messages)
	require.Equal(t, []string{"(01)09521234000013(21)1", "(01)09521234000013(21)3"}, words)
	require.Equal(t, 5, rep.Facts)
	require.False(t, rep.Partial)
	require.Nil(t, rep.Live)

	rep.CompareRecorded([]trial.Opening{
		{ID: "a", Key: facts[0].Key, Opened: start + 3000, Outcome: "genuine"},
		{ID: "b", Key: facts[1].Key, Opened: start + 1000, Outcome: "false"},
		{ID: "c", Key: epc.Key{Hi: 1<<60 | 9521234000013, Lo: 9}, Opened: start + 1000},
		{ID: "d", Key: epc.Key{Hi: 1<<60 | 9521234000013, Lo: 10}, Opened: start + 1000, Outcome: "genuine"},
		{ID: "another day", Opened: start - 1},
	})
	c := rep.Recorded
	require.Equal(t, []int{4, 1, 0, 3, 1}, []int{c.Other, c.Both, c.Later, c.OnlyOther, c.OnlyTried})
	require.Equal(t, map[string]int{"genuine": 1}, c.BothOutcomes)
	require.Equal(t, map[string]int{"false": 1, "none": 1, "genuine": 1}, c.OtherOutcomes)
	require.Equal(t, "d", c.Missed[0].ID, "genuine ones first")
	require.Equal(t, "c", c.Missed[1].ID)
	require.Equal(t, "b", c.Avoided[0].ID)
	require.Equal(t, "(01)09521234000013(21)3", c.Added[0].Item)
	require.Empty(t, c.Added[0].ID, "an alert that never was has no id")
	// Wilson's interval for 1 of 1 and 2 of 3: Newcombe 1998, "Two-sided confidence intervals for
	// the single proportion", method 3, computed by its formula with z = 1.959964.
	require.InDelta(t, 0.2065, c.BothPrecision.Low, 1e-4)
	require.InDelta(t, 0.2077, c.OtherPrecision.Low, 1e-4)
	require.InDelta(t, 0.9385, c.OtherPrecision.High, 1e-4)
}

// What happens in the lead-in is known, and not counted: a book that was carried out before the
// time that is asked for is no alert of that time, but one whose hold ends in it is.
func TestLeadIn(t *testing.T) {
	start := sim.DayStart.UnixMilli()
	facts := []event.Fact{passed(1, start-60_000, event.SellableAccessible), passed(2, start-1000, event.SellableAccessible)}
	sold := passed(1, start+5000, event.RetailSold)
	sold.Cause = event.Sold
	facts = append(facts, sold)
	rep := run(t, plan(t, unpaid), facts)
	require.Equal(t, 2, rep.LeadIn)
	require.Equal(t, 1, rep.Facts)
	require.Equal(t, 1, rep.Tried.Raised)
	require.Equal(t, map[string]int{"alert.opened": 1}, rep.Tried.Changes)
	rep = run(t, plan(t, unpaid), facts[:2])
	require.Equal(t, 1, rep.Tried.Raised, "the hold ends though no fact comes any more")
}

func TestGatheredAndHours(t *testing.T) {
	start := sim.DayStart.UnixMilli() // 09:00, the shop is open from then on
	var facts []event.Fact
	for i := range 20 {
		facts = append(facts, passed(100+i, start-3_600_000*2+int64(i)*100, event.SellableAccessible)) // closed
	}
	for i := range 120 {
		facts = append(facts, passed(300+i, start+3_600_000+int64(i)*10, event.SellableAccessible))
	}
	p := plan(t, strings.Replace(unpaid, "hold: 3s", "gather: 5s\n    hours: 09:00-18:00", 1))
	p.From -= 6 * 3_600_000
	rep := run(t, p, facts)
	require.Equal(t, 1, rep.Tried.Raised)
	require.Equal(t, 119, rep.Tried.HeldBack["gathered"])
	require.Equal(t, 1, rep.Tried.HeldBack["hours"], "the bag that went out before")

	// An alert that was raised live about one of those that the trial gathers is not missed.
	rep.CompareRecorded([]trial.Opening{{ID: "x", Key: facts[137].Key, Opened: facts[137].Ms, Outcome: "genuine"}})
	require.Equal(t, 1, rep.Recorded.Both)
	require.Zero(t, rep.Recorded.OnlyOther)
	// And the other way round: what was live gathered is nothing new.
	p.Tried = version(t, strings.Replace(unpaid, "hold: 3s", "hours: 09:00-18:00", 1), "")
	rep = run(t, p, facts)
	require.Equal(t, 101, rep.Tried.Raised, "a hundred, and one that stands for the others")
	require.Equal(t, 20, rep.Tried.HeldBack["limit"])
	rep.CompareRecorded([]trial.Opening{{ID: "x", Key: facts[139].Key, Opened: facts[139].Ms, Outcome: "genuine"}})
	require.Equal(t, 1, rep.Recorded.Both, "it is told as part of that one")
	p.Tried = version(t, strings.Replace(unpaid, "hold: 3s", "hours: 09:00-18:00\n    limit: 1000 per 10m", 1), "")
	rep = run(t, p, facts)
	require.Equal(t, 120, rep.Tried.Raised)
	rep.CompareRecorded([]trial.Opening{{ID: "x", Key: facts[20].Key, Opened: facts[20].Ms, Gathered: 119,
		GatherEnds: facts[20].Ms + 5000}})
	require.Equal(t, []int{1, 0}, []int{rep.Recorded.Both, rep.Recorded.OnlyTried})
}

func TestAgainstTheLiveVersion(t *testing.T) {
	start := sim.DayStart.UnixMilli()
	facts := []event.Fact{passed(1, start, event.SellableAccessible), passed(2, start+1000, event.SellableAccessible)}
	facts[1].Passage.Confidence = 0.3
	p := plan(t, strings.Replace(unpaid, "not item.paid", "passage.confidence > 0.5", 1))
	p.Live = version(t, unpaid, "")
	rep := run(t, p, facts)
	require.False(t, rep.Live.Same)
	require.Equal(t, 1, rep.Tried.Raised)
	require.Equal(t, 2, rep.Live.Result.Raised)
	require.Equal(t, 1, rep.Live.Compared.Both)
	require.Equal(t, "(01)09521234000013(21)2", rep.Live.Compared.Missed[0].Item)
	require.Nil(t, rep.Live.Compared.OtherOutcomes)

	p.Live = version(t, strings.Replace(unpaid, "hold: 3s", "hold: 3s\n    mode: watch", 1), "")
	p.Tried = version(t, unpaid, "")
	rep = run(t, p, facts)
	require.True(t, rep.Live.Same, "a rule that is only watched is tried as if it were live")
	require.Equal(t, "watch", rep.Live.Mode)
	require.Nil(t, rep.Live.Result)
}

func TestBounds(t *testing.T) {
	start := sim.DayStart.UnixMilli()
	many := make([]event.Fact, 2000)
	for i := range many {
		many[i] = passed(i, start+int64(i), event.SellableAccessible)
	}
	p := plan(t, strings.Replace(unpaid, "hold: 3s", "limit: 10000 per 1h", 1))
	p.MaxAlerts = 1500
	rep := run(t, p, many)
	require.True(t, rep.Partial)
	require.Equal(t, trial.StoppedAlerts, rep.Stopped)
	require.Equal(t, 1500, rep.Tried.Raised)
	require.True(t, rep.Until.Before(rep.To))

	p.MaxFacts = 1000
	rep = run(t, p, many)
	require.Equal(t, trial.StoppedFacts, rep.Stopped)
	require.Equal(t, 1000, rep.Facts)
	require.Contains(t, strings.Join(rep.Notes, " "), "after 1000 facts")

	p.MaxFacts, p.MaxTime = 0, time.Nanosecond
	rep = run(t, p, many)
	require.Equal(t, trial.StoppedTime, rep.Stopped)
	require.Less(t, rep.Facts, 1000)

	p.MaxTime = 0
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	p.Opened = func(*event.Alert) error {
		if n++; n == 100 {
			cancel()
		}
		return nil
	}
	_, err := trial.Run(ctx, p, yield(many))
	require.ErrorIs(t, err, context.Canceled)
	require.Less(t, n, 1100, "it ends at once")
	refused := errors.New("nobody listens")
	p.Opened = func(*event.Alert) error { return refused }
	_, err = trial.Run(t.Context(), p, yield(many))
	require.ErrorIs(t, err, refused)

	// Reminders of one alert that nobody acknowledges don't outlast the trial's time.
	q := plan(t, strings.Replace(unpaid, "hold: 3s", "remind: 1m", 1))
	q.To, q.MaxTime = q.From+int64(10*365*24*time.Hour/time.Millisecond), 100*time.Millisecond
	rep = run(t, q, many[:1])
	require.Equal(t, trial.StoppedTime, rep.Stopped)
	require.Positive(t, rep.Tried.Changes["alert.reminded"])
	require.Equal(t, rep.Tried.Changes["alert.reminded"]+1, rep.Tried.Messages[0].Sent)

	// A live version that raises too much is no reason to end.
	p.Opened, p.Live, p.Tried = nil, p.Tried, version(t, strings.Replace(unpaid, "not item.paid", "item.paid", 1), "")
	rep = run(t, p, many)
	require.Empty(t, rep.Stopped)
	require.Nil(t, rep.Live.Result)
	require.Contains(t, strings.Join(rep.Notes, " "), "it is not compared")
}

func TestProgress(t *testing.T) {
	start := sim.DayStart.UnixMilli()
	var seen []trial.Progress
	p := plan(t, unpaid)
	p.Progress = func(pr trial.Progress) error {
		seen = append(seen, pr)
		return nil
	}
	facts := make([]event.Fact, 5000)
	for i := range facts {
		facts[i] = passed(i%10, start+int64(i)*10_000, event.RetailSold)
	}
	_, err := trial.Run(t.Context(), p, func(emit func(*event.Fact, error) bool) {
		for i := range facts {
			if i == 2500 {
				time.Sleep(300 * time.Millisecond)
			}
			if !emit(&facts[i], nil) {
				return
			}
		}
	})
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(seen), 2)
	require.Zero(t, seen[0].Facts)
	last := seen[len(seen)-1]
	require.Greater(t, last.Facts, 2000)
	require.InDelta(t, float64(last.Facts)*10/86400, last.Share, 0.01)
	require.Positive(t, last.FactsPerSecond)
	stop := errors.New("stop")
	p.Progress = func(trial.Progress) error { return stop }
	_, err = trial.Run(t.Context(), p, yield(facts))
	require.ErrorIs(t, err, stop)
}

// benchFacts are of a busy day: one in a hundred is a passage, one rule's business.
func benchFacts() []event.Fact {
	start := sim.DayStart.UnixMilli()
	facts := make([]event.Fact, 100_000)
	for i := range facts {
		facts[i] = passed(i%20_000, start+int64(i)*50, event.SellableAccessible)
		if i%100 != 0 {
			facts[i].Cause, facts[i].Zone, facts[i].Passage = event.Arrived, []string{"shelf-a", "shelf-b",
				"front-tables"}[i%3], event.Passage{}
		}
	}
	return facts
}

// BenchmarkTrial measures one rule over recorded facts: at least a million a second a core.
func BenchmarkTrial(b *testing.B) {
	facts := benchFacts()
	p := plan(b, unpaid)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		rep, err := trial.Run(b.Context(), p, yield(facts))
		require.NoError(b, err)
		require.Equal(b, len(facts), rep.Facts)
	}
	b.ReportMetric(float64(b.N)*float64(len(facts))/b.Elapsed().Seconds(), "facts/s")
}
