package measure

import (
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/sim/doors"
	"lintel/rules"
)

// rule is the starter rule whose alerts are measured.
const rule = "unpaid-at-exit"

// noLimit lifts the document's limit on alerts: a merged alert is neither right nor wrong.
const noLimit = "\nstorm: 10000 per 10s\n"

// Options says what is simulated. Zero values are filled in.
type Options struct {
	Regimes []doors.Regime // all that are not held out, if none is given
	Seeds   []uint64       // one shop each, in every regime
	Length  time.Duration  // of each shop, after its warm-up
	Every   time.Duration  // between scenes
	Rules   []byte         // the rule document; nil: rules.Starter()
}

func (o Options) filled() Options {
	if len(o.Regimes) == 0 {
		o.Regimes = slices.DeleteFunc(doors.Regimes(), func(r doors.Regime) bool { return r.Held })
	}
	if len(o.Seeds) == 0 {
		o.Seeds = []uint64{101}
	}
	if o.Rules == nil {
		o.Rules = rules.Starter()
	}
	return o
}

// Run measures. Equal options give equal reports, whatever the number of processors.
func Run(o Options) (Report, error) {
	o = o.filled()
	set, err := compile(o.Rules)
	if err != nil {
		return Report{}, err
	}
	type job struct{ regime, seed int }
	parts := make([][]part, len(o.Regimes))
	for k := range parts {
		parts[k] = make([]part, len(o.Seeds))
	}
	errs := make([]error, len(o.Regimes))
	jobs := make(chan job)
	var lock sync.Mutex
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for j := range jobs {
				if err := parts[j.regime][j.seed].run(&o, o.Regimes[j.regime], o.Seeds[j.seed], set); err != nil {
					lock.Lock()
					errs[j.regime] = fmt.Errorf("measure: regime %s, seed %d: %w", o.Regimes[j.regime].Name, o.Seeds[j.seed], err)
					lock.Unlock()
				}
			}
		})
	}
	for r := range o.Regimes {
		for k := range o.Seeds {
			jobs <- job{r, k}
		}
	}
	close(jobs)
	workers.Wait()
	for _, err := range errs {
		if err != nil {
			return Report{}, err
		}
	}
	return merge(&o, parts), nil
}

func compile(src []byte) (*rules.Set, error) {
	doc, diags := rules.Parse("rules.yaml", append(slices.Clone(src), noLimit...))
	if len(diags) > 0 {
		return nil, fmt.Errorf("measure: %v", diags[0])
	}
	known := rules.Known{Channels: []string{"door-team", "floor-team", "stockroom-team", "systems-team"}}
	set, diags := rules.Compile(doc, known)
	if set == nil {
		return nil, fmt.Errorf("measure: %v", diags)
	}
	if !slices.ContainsFunc(set.Rules(), func(r *rules.Rule) bool { return r.Name == rule }) {
		return nil, fmt.Errorf("measure: the rule document has no rule %q, which is the one that is measured", rule)
	}
	return set, nil
}

// raised is one alert, at the time when people are notified.
type raised struct {
	item int
	at   int64
}

// passage is what a fact says of one.
type passage struct {
	item int
	at   int64 // when it is said
	door string
	way  event.Direction

	likely bool // and no more
}

// method is what one way of concluding said in one shop.
type method struct {
	alerts   []raised
	passages []passage
	zones    []string // where it has each item
	rest     [2]int   // right, looked at
	byHand   [2]int
}

func (m *method) zone(i int) string {
	if i < len(m.zones) {
		return m.zones[i]
	}
	return ""
}

func (m *method) place(i int, zone string) {
	for len(m.zones) <= i {
		m.zones = append(m.zones, "")
	}
	m.zones[i] = zone
}

// The ways of concluding.
const (
	core = iota
	first
	patient
	methods
)

// part is one shop.
type part struct {
	from, until int64
	reads       int
	refused     map[string]bool // doors that can never be sure, as their layout says
	lain        [2]float64      // hours that goods lay: all, and those with nothing near a door
	said        [methods]method
	score       [methods]tally
}

const (
	sampleMs  = 5_000
	settledMs = 10_000 // that an item must have lain to be at rest
)

func (p *part) run(o *Options, regime doors.Regime, seed uint64, set *rules.Set) error {
	shop, err := doors.New(doors.Config{Regime: regime, Seed: seed, Length: o.Length, Every: o.Every})
	if err != nil {
		return err
	}
	l, err := layout.Parse(shop.Layout())
	if err != nil {
		return err
	}
	p.refused = map[string]bool{}
	for i := range l.Zones {
		p.refused[l.Zones[i].ID] = !l.CanBeSure(i)
	}
	cfg := &engine.Config{Layout: l, Catalog: shop.Catalog(), Rules: set}
	t := shop.Truth()
	p.from = t.Start + shop.WarmUp().Milliseconds()
	s := engine.NewMachine(l.Site, cfg)
	c := &p.said[core]
	bases := newBaselines(cfg, t, &p.said[first], &p.said[patient])

	seen := map[string]bool{}
	opened := func(a *event.Alert) {
		if a.Rule != rule || a.OpenedAt == 0 || seen[a.ID] {
			return
		}
		seen[a.ID] = true
		if i, ok := t.ItemByKey(a.Key); ok {
			c.alerts = append(c.alerts, raised{i, a.OpenedAt})
		}
	}
	took := func() {
		out := s.Batch()
		for k := range out.Facts {
			f := &out.Facts[k]
			i, ok := t.ItemByKey(f.Key)
			if !ok {
				continue
			}
			c.place(i, f.Zone)
			if f.Cause == event.Passed {
				c.passages = append(c.passages, passage{i, f.Ms, f.Passage.Door, f.Passage.Direction, f.Passage.Likely})
			}
		}
		for k := range out.Alerts {
			opened(&out.Alerts[k].Alert)
		}
		for k := range out.Joined {
			opened(&out.Joined[k])
		}
	}
	pass := func(until int64) {
		for s.Advance(until) {
			took()
		}
	}
	sample := p.from
	for {
		e, ok := shop.Next()
		if !ok {
			break
		}
		for ; sample <= e.At && sample <= shop.Now(); sample += sampleMs {
			pass(sample)
			p.look(shop, sample)
		}
		pass(e.At)
		p.reads += len(e.Reads)
		bases.fold(&e)
		if err := s.Apply(&e, nil); err != nil {
			return err
		}
		took()
	}
	t = shop.Truth()
	p.until = t.Until
	bases.advance(p.until)
	for i := range t.Items {
		if info, ok := s.Item(t.Items[i].Key); ok && info.Zone != c.zone(i) {
			return fmt.Errorf("item %v is in %q, but the facts say %q", t.Items[i].Key, info.Zone, c.zone(i))
		}
	}
	for k := range p.score {
		p.judge(shop, k)
	}
	return nil
}

// look compares where everything lies with where each method has it.
func (p *part) look(shop *doors.Shop, at int64) {
	t := shop.Truth()
	for i := range t.Items {
		if !t.Items[i].Own {
			continue
		}
		w := t.Where(i, at)
		if w.Zone == "" || at-w.Since < settledMs {
			continue
		}
		hours := float64(sampleMs) / 3_600_000
		p.lain[0] += hours
		if !shop.Near(w) {
			p.lain[1] += hours
		}
		byHand := shop.ByHand(w.Zone)
		for k := range p.said {
			m := &p.said[k]
			right := 0
			if m.zone(i) == w.Zone {
				right = 1
			}
			m.rest[0] += right
			m.rest[1]++
			if byHand {
				m.byHand[0] += right
				m.byHand[1]++
			}
		}
	}
}
