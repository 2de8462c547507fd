package trial

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/rules"
)

// Plan says what is tried, and how far.
type Plan struct {
	Site   string
	Config *engine.Config // layout and products; its rules are not looked at
	Tried  *Version
	Live   *Version // the rule as it is live; nil: there is none
	From   int64    // Unix milliseconds: facts before it are the lead-in; 0: from the first fact on
	To     int64    // facts at or after it are passed over; 0: to the last fact

	MaxFacts  int           // 0: no bound
	MaxTime   time.Duration // 0: no bound
	MaxAlerts int           // default DefaultMaxAlerts
	// Opened, if set, is called with each alert of the tried version as it opens. It must not keep
	// the alert. An error ends the trial.
	Opened func(*event.Alert) error
	// Progress, if set, is called at the start and then about four times a second. An error ends
	// the trial.
	Progress func(Progress) error
}

// Progress is how far a trial has come.
type Progress struct {
	Facts          int       `json:"facts" jsonschema_description:"Facts done."`
	At             time.Time `json:"at" jsonschema_description:"The time that was reached."`
	Share          float64   `json:"share" jsonschema_description:"Of the time range, 0 to 1."`
	FactsPerSecond float64   `json:"facts_per_second"`
	Raised         int       `json:"raised" jsonschema_description:"Alerts so far."`
}

// What ends a trial before the end of its range.
const (
	StoppedTime   = "time"   // it took too long
	StoppedFacts  = "facts"  // there were too many facts
	StoppedAlerts = "alerts" // the rule raises too many alerts
)

// Report is the outcome of a trial.
type Report struct {
	Site     string      `json:"site"`
	TimeZone string      `json:"time_zone"`
	Rule     string      `json:"rule"`
	Mode     string      `json:"mode" jsonschema_description:"As it is written; it is tried as if it were live."`
	Digest   string      `json:"hash" jsonschema_description:"Of the rule as it is written."`
	From     time.Time   `json:"from"`
	To       time.Time   `json:"to"`
	Until    time.Time   `json:"until" jsonschema_description:"How far the trial came: to, unless it was stopped."`
	KeptFrom *time.Time  `json:"kept_from,omitempty" jsonschema_description:"The oldest fact that is kept of the site."`
	Partial  bool        `json:"partial" jsonschema_description:"The trial has not seen the whole range: notes say why."`
	Stopped  string      `json:"stopped,omitempty" jsonschema:"enum=time,enum=facts,enum=alerts" jsonschema_description:"What ended it early: it took too long, there were too many facts, or the rule raises too many alerts."`
	Facts    int         `json:"facts" jsonschema_description:"Facts tried, without the lead-in."`
	LeadIn   int         `json:"lead_in_facts" jsonschema_description:"Facts before the range that were replayed so that it begins with things as they were."`
	Seconds  float64     `json:"seconds"`
	Rate     float64     `json:"facts_per_second"`
	Tried    Result      `json:"tried"`
	Live     *LiveReport `json:"live,omitempty" jsonschema_description:"The rule as it is live, on the same facts. Left out if there is none."`
	Recorded *Comparison `json:"recorded,omitempty" jsonschema_description:"Held against the alerts of this name that were recorded. Left out if these are not known."`
	Notes    []string    `json:"notes" jsonschema_description:"What the trial can't know, and what limits it."`
	Notice   string      `json:"notice"`

	opens []Opening
}

// LiveReport is what the live version of a rule comes to.
type LiveReport struct {
	Mode     string      `json:"mode"`
	Digest   string      `json:"hash"`
	Same     bool        `json:"same" jsonschema_description:"It does the same as the tried one, whatever its mode; then there is nothing to compare."`
	Result   *Result     `json:"result,omitempty"`
	Compared *Comparison `json:"compared,omitempty"`
}

// Notes of every trial.
const (
	NoteUnknown   = "What no fact of the time mentions is unknown to the trial, above all the stock that did not change."
	NoteDocuments = "The layout and the products are those of now."
	NoteActs      = "Nobody acknowledges or closes an alert of a trial: one whose condition does not end by itself " +
		"stays open, and reminders go on."
	// NoteDays is of rules that ask for days since an item was heard or counted.
	NoteDays = "Days since an item was heard or counted are counted from its last fact: reads between facts, and counts of " +
		"single items, were not recorded."
)

// every is how long progress waits.
const every = 250 * time.Millisecond

// errStopped ends a trial early and well.
var errStopped = errors.New("stopped")

// Run tries a rule on facts, which come in the order of their ids. It ends at once with the
// context's error when that ends.
func Run(ctx context.Context, p Plan, facts iter.Seq2[*event.Fact, error]) (*Report, error) {
	if p.MaxAlerts == 0 {
		p.MaxAlerts = DefaultMaxAlerts
	}
	open := p.To == 0
	if open {
		p.To = math.MaxInt64
	}
	r := &run{p: p, open: open, ctx: ctx, started: time.Now(), reached: p.From}
	r.rep = &Report{
		Site: p.Site, TimeZone: p.Config.Layout.TimeZone, Rule: p.Tried.Rule.Name, Mode: string(p.Tried.Rule.Mode),
		Digest: p.Tried.Rule.Digest, From: instant(p.From), To: instant(p.To),
		Notes: []string{NoteUnknown, NoteDocuments, NoteActs}, Notice: event.Notice,
	}
	for _, name := range []string{"item.days_unheard", "item.days_uncounted"} {
		if slices.Contains(p.Tried.Rule.Uses(), name) && !slices.Contains(r.rep.Notes, NoteDays) {
			r.rep.Notes = append(r.rep.Notes, NoteDays)
		}
	}
	if err := r.begin(); err != nil {
		return nil, err
	}
	switch err := r.facts(facts); {
	case errors.Is(err, errStopped):
	case err != nil:
		return nil, err
	}
	return r.finish()
}

type run struct {
	p       Plan
	ctx     context.Context
	rep     *Report
	started time.Time
	shown   time.Time
	reached int64 // by the facts
	tried   *Trial
	open    bool   // the range ends with the facts
	live    *Trial // nil: there is none, or it does the same
	always  *Trial // the tried version at all hours; nil: it is that already
	refusal error  // of Opened
}

func (r *run) begin() error {
	opt := Options{Site: r.p.Site, From: r.p.From, To: r.p.To, MaxAlerts: r.p.MaxAlerts, Look: r.look}
	start := func(set *rules.Set) (*Trial, error) {
		cfg := *r.p.Config
		cfg.Rules = set
		opt.Config = &cfg
		return New(opt)
	}
	var err error
	if r.p.Live != nil {
		r.rep.Live = &LiveReport{Mode: string(r.p.Live.Rule.Mode), Digest: r.p.Live.Rule.Digest,
			Same: r.p.Live.Digest() == r.p.Tried.Digest()}
		if !r.rep.Live.Same {
			if r.live, err = start(r.p.Live.live); err != nil {
				return err
			}
		}
	}
	if r.p.Tried.always != nil {
		if r.always, err = start(r.p.Tried.always); err != nil {
			return err
		}
	}
	if r.p.Opened != nil {
		opt.Opened = func(a *event.Alert) {
			if r.refusal == nil {
				r.refusal = r.p.Opened(a)
			}
		}
	}
	if r.tried, err = start(r.p.Tried.live); err != nil {
		return err
	}
	return r.progress()
}

func (r *run) facts(facts iter.Seq2[*event.Fact, error]) error {
	n := 0
	for f, err := range facts {
		if err != nil {
			return err
		}
		if f.Ms >= r.p.To {
			return nil
		}
		if n++; r.p.MaxFacts > 0 && n > r.p.MaxFacts {
			return r.stop(StoppedFacts, fmt.Sprintf("The trial ended after %d facts, as many as one takes.", r.p.MaxFacts))
		}
		if n == 1 && r.p.From == 0 {
			r.rep.From = instant(f.Ms)
		}
		r.reached = max(r.p.From, f.Ms)
		if err := r.fact(f); err != nil {
			return err
		}
		if f.Ms < r.p.From {
			r.rep.LeadIn++
		} else {
			r.rep.Facts++
		}
	}
	return nil
}

// fact lets every version that is still at it meet a fact. Only the tried one's alerts can end the
// trial.
func (r *run) fact(f *event.Fact) error {
	err := r.tried.Fact(f)
	if r.refusal != nil {
		return r.refusal
	}
	if errors.Is(err, ErrTooMany) {
		return r.stop(StoppedAlerts, fmt.Sprintf("The trial ended at %d alerts, more than anybody can look at: "+
			"narrow the rule down.", r.p.MaxAlerts))
	}
	if err != nil {
		return err
	}
	if err := r.also(&r.live, f, "The live version raises more than %d alerts: it is not compared."); err != nil {
		return err
	}
	return r.also(&r.always, f, "At all hours the rule raises more than %d alerts: what its hours held back is not counted.")
}

// also lets another version meet a fact; one that raises too many alerts is dropped.
func (r *run) also(t **Trial, f *event.Fact, note string) error {
	if *t == nil {
		return nil
	}
	err := (*t).Fact(f)
	if errors.Is(err, ErrTooMany) {
		*t = nil
		r.rep.Notes = append(r.rep.Notes, fmt.Sprintf(note, r.p.MaxAlerts))
		return nil
	}
	return err
}

func (r *run) stop(why, note string) error {
	r.rep.Stopped, r.rep.Partial = why, true
	r.rep.Notes = append(r.rep.Notes, note)
	return errStopped
}

// look looks at the context and the clock.
func (r *run) look() error {
	if err := r.ctx.Err(); err != nil {
		return err
	}
	if r.rep.Stopped != "" {
		return errStopped
	}
	now := time.Now()
	if r.p.MaxTime > 0 && now.Sub(r.started) > r.p.MaxTime {
		return r.stop(StoppedTime, fmt.Sprintf("The trial ended after %s, as long as one may take.", r.p.MaxTime))
	}
	if now.Sub(r.shown) >= every {
		return r.progress()
	}
	return nil
}

func (r *run) progress() error {
	r.shown = time.Now()
	if r.p.Progress == nil {
		return nil
	}
	p := Progress{Facts: r.rep.Facts + r.rep.LeadIn, At: instant(r.reached), Raised: r.tried.tally.raised}
	if !r.open && r.p.To > r.p.From {
		p.Share = float64(r.reached-r.p.From) / float64(r.p.To-r.p.From)
	}
	p.FactsPerSecond = rate(p.Facts, r.shown.Sub(r.started))
	return r.p.Progress(p)
}

func rate(n int, took time.Duration) float64 {
	if took <= 0 {
		return 0
	}
	return float64(int(float64(n) / took.Seconds()))
}

func (r *run) finish() (*Report, error) {
	rep := r.rep
	if r.open {
		r.p.To = r.reached + 1
		rep.To = instant(r.p.To)
	}
	res, err := r.end(r.tried)
	if err == nil {
		err = r.refusal // of an alert whose hold ended with the range
	}
	if err != nil {
		return nil, err
	}
	res.name(r.p.Config)
	rep.Tried, rep.opens = res, r.tried.Openings()
	if r.live != nil {
		res, err := r.end(r.live)
		if err != nil {
			return nil, err
		}
		res.name(r.p.Config)
		c := Compare(rep.opens, r.live.Openings(), false)
		rep.Live.Result, rep.Live.Compared = &res, &c
	}
	if r.always != nil {
		if _, err := r.end(r.always); err != nil {
			return nil, err
		}
		// What would have opened at another hour and did not, and does not still wait for the hours
		// to begin.
		c := Compare(rep.opens, outsideHours(r.p.Config, r.p.Tried.Rule, r.always.Openings()), false)
		hours := event.StageHours.String()
		delete(rep.Tried.HeldBack, hours)
		rep.Tried.held(hours, c.OnlyOther-rep.Tried.Waiting[hours])
	}
	rep.Until = rep.To
	if rep.Stopped != "" {
		rep.Until = instant(r.reached)
	}
	took := time.Since(r.started)
	rep.Seconds, rep.Rate = float64(took.Milliseconds())/1000, rate(rep.Facts+rep.LeadIn, took)
	return rep, nil
}

// end ends a trial where the facts did, or at the end of the range. What it has may be all that the
// time sufficed for.
func (r *run) end(t *Trial) (Result, error) {
	until := r.p.To
	if r.rep.Stopped != "" {
		until = r.reached
	}
	res, err := t.Finish(until)
	if errors.Is(err, errStopped) {
		r.reached = min(r.reached, t.s.Clock())
		return t.Finish(t.s.Clock())
	}
	return res, err
}

// CompareRecorded holds the trial against alerts of the rule that were recorded; those that did not
// open in the time that the trial covers are left out.
func (r *Report) CompareRecorded(alerts []Opening) {
	from, until := r.From.UnixMilli(), r.Until.UnixMilli()
	var list []Opening
	for _, a := range alerts {
		if a.Opened >= from && a.Opened < until {
			list = append(list, a)
		}
	}
	c := Compare(r.opens, list, true)
	r.Recorded = &c
}

func instant(ms int64) time.Time { return time.UnixMilli(ms).UTC() }
