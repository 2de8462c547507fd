package trial

import (
	"errors"
	"fmt"
	"time"

	"lintel/engine"
)

// Options bound a trial.
type Options struct {
	Site   string
	Config *engine.Config // with the rules to try and no others; watched rules are tried like live ones
	Keep   int            // alerts that are kept in words; default 1,000
	// Progress, if set, is called about every 100,000 facts with how many were tried and the time of the last; an error ends the trial.
	Progress func(facts int, at int64) error
}

// Result is what a trial came to.
type Result struct {
	Facts    int            `json:"facts"`
	From     time.Time      `json:"from"` // of the first fact
	To       time.Time      `json:"to"`   // of the last
	Raised   int            `json:"raised"`
	Cleared  int            `json:"cleared"`    // of them, ended by themselves
	Gathered int            `json:"gathered"`   // joined another alert
	Held     int            `json:"held_back"`  // conditions that were true but ended within the rule's hold
	Pending  int            `json:"pending"`    // still held at the end
	Open     int            `json:"still_open"` // at the end
	Longest  time.Duration  `json:"longest_ns"` // an alert was open
	Errors   int            `json:"errors"`     // evaluations that failed
	ByRule   map[string]int `json:"by_rule"`
	ByDay    map[string]int `json:"by_day"` // raised, by the site's local date
	Alerts   []engine.Alert `json:"-"`      // the first ones raised, as they opened
	Partial  string         `json:"partial"`
}

// Partial is what every trial says of its limits.
const Partial = "Tried on recorded facts alone: what no fact of this time mentions is unknown to the trial, above all the stock that did not change."

// Run tries the rules of the configuration on the facts that next yields, oldest first, until it yields none.
func Run(opt Options, next func() (engine.Fact, bool, error)) (Result, error) {
	res := Result{ByRule: make(map[string]int), ByDay: make(map[string]int), Partial: Partial}
	if opt.Config == nil {
		return res, errors.New("trial: no configuration")
	}
	if opt.Keep == 0 {
		opt.Keep = 1000
	}
	s := engine.NewState(opt.Site, opt.Config)
	r := &run{opt: opt, s: s, res: &res, opened: make(map[string]int64)}
	entry := engine.Entry{Kind: engine.EntryFacts, Facts: make([]engine.Fact, 1)}
	for {
		f, ok, err := next()
		if err != nil {
			return res, err
		}
		if !ok {
			break
		}
		if res.Facts == 0 {
			res.From = time.UnixMilli(f.Ms).UTC()
		}
		res.Facts++
		res.To = time.UnixMilli(f.Ms).UTC()
		// Holds end when they end, not when the next fact happens to come.
		if err := r.tick(f.Ms); err != nil {
			return res, err
		}
		entry.At, entry.Facts[0] = f.Ms, f
		if err := r.step(&entry); err != nil {
			return res, err
		}
		if opt.Progress != nil && res.Facts%100_000 == 0 {
			if err := opt.Progress(res.Facts, f.Ms); err != nil {
				return res, err
			}
		}
	}
	for _, a := range s.LiveAlerts() {
		switch {
		case a.Status == engine.AlertPending:
			res.Pending++
		case a.Status == engine.AlertOpen && a.Lead == "":
			res.Open++
			res.Longest = max(res.Longest, time.Duration(s.Clock()-a.OpenedAt)*time.Millisecond)
		}
	}
	res.Held = s.Dropped()
	return res, nil
}

type run struct {
	opt    Options
	s      *engine.State
	res    *Result
	out    engine.Output
	opened map[string]int64
}

// tick lets the timers ring that are due before a moment.
func (r *run) tick(before int64) error {
	for {
		at := r.s.NextAlertTimer()
		if at >= before {
			return nil
		}
		if err := r.step(&engine.Entry{Kind: engine.EntryTick, At: max(at, r.s.Clock()+1)}); err != nil {
			return err
		}
	}
}

func (r *run) step(e *engine.Entry) error {
	e.Seq = r.s.Seq() + 1
	r.out.Reset()
	if err := engine.Step(r.opt.Config, r.s, e, &r.out); err != nil {
		return fmt.Errorf("trial: %w", err)
	}
	r.res.Errors += r.out.RuleErrors
	for i := range r.out.Alerts {
		c := &r.out.Alerts[i]
		switch {
		case c.Alert.About == "rule":
		case c.Type == "alert.opened":
			r.res.Raised++
			r.res.ByRule[c.Alert.Rule]++
			r.res.ByDay[time.UnixMilli(c.Alert.OpenedAt).In(r.opt.Config.Layout.Location()).Format(time.DateOnly)]++
			r.opened[c.Alert.ID] = c.Alert.OpenedAt
			if len(r.res.Alerts) < r.opt.Keep {
				r.res.Alerts = append(r.res.Alerts, c.Alert)
			}
		case c.Type == "alert.gathered":
			r.res.Gathered += len(c.Alert.Members)
		case c.Type == "alert.cleared":
			r.res.Cleared++
			r.res.Longest = max(r.res.Longest, time.Duration(c.Alert.EndedAt-r.opened[c.Alert.ID])*time.Millisecond)
			delete(r.opened, c.Alert.ID)
		}
	}
	r.s.Forget()
	return nil
}

// Comparison holds a trial against the alerts that a live rule raised in the same time.
type Comparison struct {
	Live        int            `json:"live"`          // alerts that the live rule raised
	Both        int            `json:"both"`          // of them, the tried one would have raised too: same subject, opened within a minute
	OnlyLive    int            `json:"only_live"`     // the tried one would not
	OnlyTried   int            `json:"only_tried"`    // raised by the tried one alone
	KeptOutcome map[string]int `json:"kept_outcomes"` // what people said of those that both raised
	LostOutcome map[string]int `json:"lost_outcomes"` // and of those that only the live one raised
}

// sameAlert is how far apart two alerts about one subject may open and still be the same.
const sameAlert = 60_000

// Compare holds what was tried against what was raised live. It compares what the trial kept in words.
func Compare(tried, live []engine.Alert) Comparison {
	type subject struct{ item, place string }
	key := func(a *engine.Alert) subject { return subject{a.Item() + engine.GTINText(a.GTIN), a.Place} }
	open := make(map[subject][]int64)
	for i := range tried {
		open[key(&tried[i])] = append(open[key(&tried[i])], tried[i].OpenedAt)
	}
	c := Comparison{KeptOutcome: make(map[string]int), LostOutcome: make(map[string]int)}
	for i := range live {
		a := &live[i]
		if a.Status == engine.AlertPending || a.Lead != "" {
			continue
		}
		c.Live++
		times := open[key(a)]
		found := -1
		for k, t := range times {
			if d := t - a.OpenedAt; d >= -sameAlert && d <= sameAlert {
				found = k
				break
			}
		}
		outcome := a.Outcome
		if outcome == "" {
			outcome = "none"
		}
		if found < 0 {
			c.OnlyLive++
			c.LostOutcome[outcome]++
			continue
		}
		open[key(a)] = append(times[:found:found], times[found+1:]...)
		c.Both++
		c.KeptOutcome[outcome]++
	}
	for _, times := range open {
		c.OnlyTried += len(times)
	}
	return c
}
