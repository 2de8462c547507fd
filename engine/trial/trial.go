package trial

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
)

// DefaultMaxAlerts is how many alerts a trial raises, or keeps alive at one time, before it ends:
// nobody could look at more, and each takes memory.
const DefaultMaxAlerts = 50_000

// liveCheck is how many facts lie between two looks at how many alerts are alive.
const liveCheck = 1 << 16

// look is how many steps lie between two looks at the clock and the context.
const look = 512

// aboutFailure is what an alert is about that tells of a rule which failed.
const aboutFailure = "rule"

// joinWork bounds the search for the alerts that joined others, in alerts looked at.
const joinWork = 20_000_000

// ErrTooMany says that a rule raised more alerts than a trial takes.
var ErrTooMany = errors.New("the rule raises too many alerts")

// Options configure a Trial.
type Options struct {
	Site      string
	Config    *engine.Config // with the rules to try and no others
	From      int64          // Unix milliseconds: what opens before is not counted
	To        int64          // what opens at or after it is not counted; 0: no bound
	MaxAlerts int            // default DefaultMaxAlerts
	// Look, if set, is called every 512 steps, of which a fact is one and so is an end of a hold or
	// a reminder. An error ends the trial.
	Look func() error
	// Opened, if set, is called with each alert that is counted, as it opens. It must not keep the
	// alert.
	Opened func(*event.Alert)
}

// Trial is a rule on its way through facts. It is not safe for concurrent use.
type Trial struct {
	opt      Options
	s        *engine.Machine
	entry    event.Entry // carries one fact
	counting bool        // From was reached
	tally    tally
	opens    []Opening
	index    map[string]int // by alert id, in opens
	joined   map[string]bool
	searched int // alerts looked at for those that joined
	facts    int
	steps    int
	unheld   map[event.Stage]int // pending alerts that had ended before From
}

// Opening is an alert of a trial, or one that was recorded, as far as comparing them needs it.
type Opening struct {
	ID         string
	About      string
	Key        epc.Key
	GTIN       uint64
	Place      string
	Zone       string
	Item       string // in words, where the key does not hold them
	Say        string
	Since      int64 // Unix milliseconds, all of them
	Opened     int64
	Ended      int64 // 0: not yet
	GatherEnds int64
	Gathered   int    // alerts that joined this one
	Joined     bool   // it is one of those: told as part of another
	Outcome    string // what a person said of it
}

// OpeningOf takes what comparing needs from an alert.
func OpeningOf(a *event.Alert) Opening {
	return Opening{
		ID: a.ID, About: a.About, Key: a.Key, GTIN: a.GTIN, Place: a.Place, Zone: a.Zone, Item: a.Text, Say: a.Say,
		Since: a.Since, Opened: a.OpenedAt, Ended: a.EndedAt,
		GatherEnds: a.GatherEnds, Gathered: a.Joined, Joined: a.Lead != "", Outcome: a.Outcome,
	}
}

// New begins a trial.
func New(opt Options) (*Trial, error) {
	if opt.Config == nil || opt.Config.Layout == nil || opt.Config.Catalog == nil || opt.Config.Rules == nil {
		return nil, errors.New("trial: the configuration is not whole")
	}
	if opt.To == 0 {
		opt.To = math.MaxInt64
	}
	if opt.MaxAlerts == 0 {
		opt.MaxAlerts = DefaultMaxAlerts
	}
	return &Trial{
		opt: opt, s: engine.NewReplay(opt.Site, opt.Config), entry: event.Entry{Kind: event.EntryFacts, Facts: make([]event.Fact, 1)},
		counting: opt.From == 0, tally: newTally(opt.Config.Layout.Location()), index: make(map[string]int), joined: make(map[string]bool),
	}, nil
}

// Fact lets the rules meet the next fact. Facts must come in the order of their ids. The error is
// ErrTooMany, or a fact that the core refuses.
func (t *Trial) Fact(f *event.Fact) error {
	// Holds end when they end, not when the next fact happens to come.
	if err := t.advance(f.Ms); err != nil {
		return err
	}
	t.entry.Seq, t.entry.At, t.entry.Facts[0] = 0, f.Ms, *f
	if err := t.s.Apply(&t.entry, nil); err != nil {
		return fmt.Errorf("trial: %w", err)
	}
	if err := t.took(); err != nil {
		return err
	}
	if t.facts++; t.facts%liveCheck == 0 && len(t.s.LiveAlerts()) > t.opt.MaxAlerts {
		return ErrTooMany
	}
	if len(t.opens) >= t.opt.MaxAlerts {
		return ErrTooMany
	}
	return nil
}

// advance moves on to a moment: what happens before From is not counted, what happens from then on
// is.
func (t *Trial) advance(to int64) error {
	if !t.counting && to >= t.opt.From {
		if err := t.tick(t.opt.From); err != nil {
			return err
		}
		t.counting, t.unheld = true, t.s.DroppedBy()
	}
	return t.tick(to)
}

// tick carries out the timers that are due before a moment.
func (t *Trial) tick(before int64) error {
	for t.s.Advance(before - 1) {
		if err := t.took(); err != nil {
			return err
		}
	}
	return nil
}

// took counts what came of a step.
func (t *Trial) took() error {
	if t.steps++; t.steps%look == 0 && t.opt.Look != nil {
		if err := t.opt.Look(); err != nil {
			return err
		}
	}
	b := t.s.Batch()
	if t.counting {
		t.tally.errors += b.RuleErrors
		for i := range b.Deliveries {
			t.tally.message(&b.Deliveries[i])
		}
	}
	for i := range b.Alerts {
		t.change(&b.Alerts[i])
	}
	return nil
}

// change takes note of what became of an alert.
func (t *Trial) change(c *engine.AlertChange) {
	a := &c.Alert
	if a.About == aboutFailure {
		if t.tally.failure == "" {
			t.tally.failure = a.Say
		}
		return
	}
	k, ours := t.index[a.ID]
	switch c.Type {
	case event.ChangeOpened:
		if ours = t.counting && a.OpenedAt >= t.opt.From && a.OpenedAt < t.opt.To; !ours {
			return
		}
		t.index[a.ID] = len(t.opens)
		t.opens = append(t.opens, OpeningOf(a))
		t.tally.opened(a)
		if t.opt.Opened != nil {
			t.opt.Opened(a)
		}
	case event.ChangeGathered:
		if ours {
			t.opens[k].Gathered = a.Joined
			t.collect(a.ID)
		}
	case event.ChangeCleared:
		if ours {
			t.opens[k].Ended, t.opens[k].Gathered = a.EndedAt, a.Joined
			delete(t.index, a.ID) // nothing more comes of it
		}
	}
	if ours {
		t.tally.changes[c.Type]++
	}
}

// collect finds the alerts that joined another. Those that ended before the gathering did are gone
// by then.
func (t *Trial) collect(lead string) {
	if t.searched > joinWork {
		return
	}
	live := t.s.LiveAlerts()
	t.searched += len(live)
	for _, a := range live {
		if a.Lead == lead && !t.joined[a.ID] {
			t.joined[a.ID] = true
			t.opens = append(t.opens, OpeningOf(a))
		}
	}
}

// Finish ends the trial at a moment, by which holds that are due have ended, and returns what it
// came to.
func (t *Trial) Finish(at int64) (Result, error) {
	if err := t.advance(at); err != nil {
		return Result{}, err
	}
	res := t.tally.result()
	for _, a := range t.s.LiveAlerts() {
		k, ours := t.index[cmp.Or(a.Lead, a.ID)]
		switch {
		case a.About == aboutFailure:
		case a.Status == event.AlertPending:
			res.Waiting[a.Stage.String()]++
		case ours && a.Lead == "":
			t.opens[k].Gathered = a.Joined
		case ours && !t.joined[a.ID]:
			t.joined[a.ID] = true
			t.opens = append(t.opens, OpeningOf(a))
		}
	}
	for stage, n := range t.s.DroppedBy() {
		res.held(stage.String(), n-t.unheld[stage])
	}
	var spans []int64
	for i := range t.opens {
		o := &t.opens[i]
		switch {
		case o.Joined:
			continue
		case o.Ended > 0:
			spans = append(spans, o.Ended-o.Opened)
		default:
			res.StillOpen++
		}
		if o.About == event.AboutStorm {
			res.held("limit", o.Gathered)
		} else {
			res.held("gathered", o.Gathered)
		}
	}
	res.Open = spanOf(spans)
	return res, nil
}

// Openings are the alerts that were counted, and those that joined them, in no order that means
// anything. The slice is not to be changed.
func (t *Trial) Openings() []Opening { return t.opens }

// outsideHours lists the alerts whose condition became true outside the rule's hours.
func outsideHours(cfg *engine.Config, r *rules.Rule, opens []Opening) []Opening {
	var list []Opening
	for i := range opens {
		local := time.UnixMilli(opens[i].Since).In(cfg.Layout.Location())
		if !r.InHours(cfg.Layout.OpenAt(local), local.Weekday(), local.Hour()*60+local.Minute()) {
			list = append(list, opens[i])
		}
	}
	return list
}
