package measure

import (
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"lintel/engine"
	"lintel/engine/layout"
	"lintel/engine/sim"
	"lintel/rules"
)

// rule is the starter rule whose alerts are measured.
const rule = "unpaid-at-door"

// Options says what is simulated and how it is judged. Zero values are filled from Defaults.
type Options struct {
	Seeds  []uint64      // one shop each
	Length time.Duration // simulated time of each shop, without the warm-up
	WarmUp time.Duration // before anything is judged: the readers find the goods
	Items  int           // in each shop
	Within time.Duration // after the exit in which an alert must be raised
	Sample time.Duration // between two looks at where everything is

	CustomersPerHour float64
	UnpaidPerHour    float64 // visits that end with goods carried out unpaid, beside those by chance
	Silences         bool    // switch a fixed reader off for four minutes in ten, one at a time
	Rules            []byte  // the rule document; nil: sim.Rules()
	Layout           []byte  // the layout document; nil: sim.Layout()

	Change func(*sim.Config) // last changes to the simulated shop; must be safe to call from several goroutines
}

// Defaults are very busy shops, so that a share of exits and passages means something.
func Defaults() Options {
	return Options{
		Seeds: []uint64{1}, Length: 30 * time.Minute, WarmUp: 2 * time.Minute, Items: 3000, Within: 10 * time.Second, Sample: 5 * time.Second,
		CustomersPerHour: 800, UnpaidPerHour: 120, Silences: true,
	}
}

func (o Options) filled() Options {
	d := Defaults()
	if len(o.Seeds) == 0 {
		o.Seeds = d.Seeds
	}
	for _, f := range []struct{ to, from *time.Duration }{{&o.Length, &d.Length}, {&o.WarmUp, &d.WarmUp}, {&o.Within, &d.Within}, {&o.Sample, &d.Sample}} {
		if *f.to == 0 {
			*f.to = *f.from
		}
	}
	if o.Items == 0 {
		o.Items = d.Items
	}
	if o.CustomersPerHour == 0 {
		o.CustomersPerHour = d.CustomersPerHour
	}
	if o.UnpaidPerHour == 0 {
		o.UnpaidPerHour = d.UnpaidPerHour
	}
	if o.Rules == nil {
		o.Rules = sim.Rules()
	}
	if o.Layout == nil {
		o.Layout = sim.Layout()
	}
	return o
}

// shop returns the simulation of one seed.
func (o *Options) shop(seed uint64) sim.Config {
	c := sim.Config{
		Seed: seed, Start: sim.DayStart.Add(3 * time.Hour).UnixMilli(), Length: o.WarmUp + o.Length, Layout: o.Layout, Items: o.Items,
		Radio: sim.DefaultRadio(), People: sim.DefaultPeople(), Network: sim.DefaultNetwork(),
	}
	p := &c.People
	p.IgnoreHours = true
	p.CustomersPerHour = o.CustomersPerHour
	p.PickChance, p.TurnBackChance, p.StrangerChance, p.ReturnsPerHour = 0.3, 0.15, 0.5, 4
	zones := []string{"front-tables", "front-tables", "front-tables", "shelf-a", "shelf-b", "shelf-c", "shelf-d", "shelf-e", "shelf-f", "childrens-room"}
	add := func(at time.Duration, s sim.Scene) {
		s.At = at
		c.Scenes = append(c.Scenes, s)
	}
	// A bag now and then, else one item: exits of one bag stand and fall together.
	for k, every := 0, time.Duration(float64(time.Hour)/o.UnpaidPerHour); time.Duration(k)*every < o.Length-time.Minute; k++ {
		s := sim.Scene{Kind: sim.SceneUnpaidExit, N: 1, Zone: zones[(k+int(seed))%len(zones)]}
		if k%5 == 4 {
			s.N = 3
		}
		add(o.WarmUp+time.Duration(k)*every, s)
		if k%2 == 0 {
			add(o.WarmUp+time.Duration(k)*every+every/2, sim.Scene{Kind: sim.SceneTurnBack, N: 1, Zone: zones[(k+3)%len(zones)]})
		}
	}
	if o.Silences {
		points := []string{"shelf-a-1", "stockroom-1", "tables-2", "shelf-e-1", "childrens-1", "shelf-b-1"}
		for k := 0; time.Duration(k)*10*time.Minute < o.Length-6*time.Minute; k++ {
			add(o.WarmUp+time.Duration(k)*10*time.Minute+time.Minute, sim.Scene{Kind: sim.SceneSilence, Point: points[(k+int(seed))%len(points)], For: 4 * time.Minute})
		}
	}
	for k := 0; time.Duration(k)*15*time.Minute < o.Length-5*time.Minute; k++ {
		add(o.WarmUp+time.Duration(k)*15*time.Minute, sim.Scene{Kind: sim.SceneDelivery, N: 20})
		add(o.WarmUp+time.Duration(k)*15*time.Minute+2*time.Minute, sim.Scene{Kind: sim.SceneSweep, Zone: zones[(k+3+int(seed))%len(zones)], Point: "handheld-1"})
	}
	if o.Change != nil {
		o.Change(&c)
	}
	return c
}

// Run measures. Equal options give equal reports, whatever the number of processors.
func Run(o Options) (Report, error) {
	o = o.filled()
	parts := make([]part, len(o.Seeds))
	errs := make([]error, len(o.Seeds))
	next := make(chan int)
	var workers sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(o.Seeds)) {
		workers.Go(func() {
			for k := range next {
				errs[k] = parts[k].run(&o, o.Seeds[k])
			}
		})
	}
	for k := range o.Seeds {
		next <- k
	}
	close(next)
	workers.Wait()
	for k, err := range errs {
		if err != nil {
			return Report{}, fmt.Errorf("measure: seed %d: %w", o.Seeds[k], err)
		}
	}
	return merge(&o, parts), nil
}

// tally is what one method concluded in one shop.
type tally struct {
	zones  []string // where it has each item
	alerts []raised
	rest   [2]int // right, looked at
	all    [2]int
	untrue int
	moves  int
	astray map[[2]string]int // of those at rest that are wrong: where it lies, and where it is said to be
}

// raised is one alert that opened.
type raised struct {
	item int
	at   int64 // when its condition became true
}

// part is one shop.
type part struct {
	hold  int64
	from  int64
	hours float64
	items int
	reads int
	truth *sim.Truth
	core  tally
	plain tally
}

func (p *part) run(o *Options, seed uint64) error {
	shop, err := sim.New(o.shop(seed))
	if err != nil {
		return err
	}
	cfg, err := config(o)
	if err != nil {
		return err
	}
	p.hold = holdOf(cfg.Rules)
	t := shop.Truth()
	p.truth = t
	p.from = t.Start + o.WarmUp.Milliseconds()
	p.hours = o.Length.Hours()
	n := len(t.Items)
	p.core.zones = make([]string, n)
	p.core.astray, p.plain.astray = map[[2]string]int{}, map[[2]string]int{}
	s := engine.NewState("quayside", cfg)
	base := newBaseline(cfg.Layout, cfg.Catalog, t, p.hold)
	p.plain.zones = base.zones
	base.moved = func(i int, zone string, at, told int64) { p.judgeMove(&p.plain, i, zone, at, told) }
	base.alert = func(i int, since int64) { p.plain.alerts = append(p.plain.alerts, raised{i, since}) }

	open := map[string]bool{}
	var out engine.Output
	step := func(e engine.Entry) error {
		e.Seq = s.Seq() + 1
		out.Reset()
		if err := engine.Step(cfg, s, &e, &out); err != nil {
			return err
		}
		for k := range out.Facts {
			f := &out.Facts[k]
			if f.Key.IsZero() {
				continue
			}
			if i, ok := t.ItemByKey(f.Key); ok && p.core.zones[i] != f.Zone {
				p.core.zones[i] = f.Zone
				p.judgeMove(&p.core, i, f.Zone, f.At, f.Ms)
			}
		}
		return nil
	}
	// commit looks through what would be written: there, too, are alerts that joined another one.
	commit := func() error {
		for _, c := range s.Flush() {
			if c.Kind != engine.KindAlert || c.Value == nil {
				continue
			}
			a, err := engine.DecodeAlert(c.Value)
			if err != nil {
				return err
			}
			if a.Rule != rule || a.OpenedAt == 0 || open[a.ID] {
				continue
			}
			open[a.ID] = true
			if i, ok := t.ItemByKey(a.Key); ok {
				p.core.alerts = append(p.core.alerts, raised{i, a.OpenedAt - p.hold})
			}
		}
		return nil
	}
	// pass lets time go by up to a moment, with ticks.
	flushed := int64(0)
	pass := func(until int64) error {
		for {
			next := s.NextTimer()
			if next > until {
				break
			}
			if err := step(engine.Entry{Kind: engine.EntryTick, At: max(next, s.Clock()+1)}); err != nil {
				return err
			}
		}
		if until-flushed >= 1000 {
			flushed = until
			return commit()
		}
		return nil
	}
	sample := p.from
	for {
		msg, ok := shop.Next()
		if !ok {
			break
		}
		for ; sample <= msg.At; sample += o.Sample.Milliseconds() {
			if err := pass(sample); err != nil {
				return err
			}
			base.advance(sample)
			p.look(cfg.Layout, sample)
		}
		if err := pass(msg.At); err != nil {
			return err
		}
		for _, e := range sim.Entries(msg) {
			p.reads += len(e.Reads)
			base.fold(&e)
			if err := step(e); err != nil {
				return err
			}
		}
	}
	end := max(s.Clock(), shop.Now()) + o.Within.Milliseconds() + p.hold
	if err := pass(end); err != nil {
		return err
	}
	base.finish()
	if err := commit(); err != nil {
		return err
	}
	p.items = n
	// The facts must have told every move there was.
	for i := range t.Items {
		if info, ok := s.Item(t.Items[i].Key); ok && info.Zone != p.core.zones[i] {
			return fmt.Errorf("item %s is in %q, but the facts say %q", t.Items[i].EPC, info.Zone, p.core.zones[i])
		}
	}
	return nil
}

// settled is how long an item must have lain in a zone to be at rest, in milliseconds.
const settled = 10_000

// look compares where everything is with where both methods have it.
func (p *part) look(l *layout.Layout, at int64) {
	t := p.truth
	for i := range t.Items {
		if t.Items[i].Stranger {
			continue
		}
		w := t.Where(i, at)
		lies := !w.Carried && !w.Outside
		for _, m := range []*tally{&p.core, &p.plain} {
			right := 0
			if p.right(l, i, w, m.zones[i]) {
				right = 1
			}
			if lies && at-w.From >= settled {
				m.rest[0] += right
				m.rest[1]++
				if right == 0 {
					m.astray[[2]string{w.Zone, m.zones[i]}]++
				}
			}
			m.all[0] += right
			m.all[1]++
		}
	}
}

func (p *part) right(l *layout.Layout, i int, w sim.Stay, told string) bool {
	switch {
	case w.Outside:
		if told == "" {
			return true
		}
		z, ok := l.ZoneIndex(told)
		return ok && l.Zones[z].Kind == layout.Exit
	case w.Zone == "":
		// On the way between two zones: it has left the one and not reached the other.
		return told == "" || told == p.truth.Where(i, w.From-1).Zone
	}
	return told == w.Zone
}

// grace is how far back a told move may be true, in milliseconds.
const grace = 30_000

// judgeMove counts a move that was told, and whether the item was there in the time before.
func (p *part) judgeMove(m *tally, i int, zone string, at, told int64) {
	if told < p.from || p.truth.Items[i].Stranger {
		return
	}
	m.moves++
	for t := told; ; {
		w := p.truth.Where(i, t)
		lies := !w.Carried && !w.Outside
		if zone == w.Zone || !lies && zone == "" || w.Outside && zone == "street-door" {
			return
		}
		if w.From <= told-grace || w.From <= p.truth.Start {
			break
		}
		t = w.From - 1
	}
	m.untrue++
}

// config compiles the documents.
func config(o *Options) (*engine.Config, error) {
	l, err := layout.Parse(o.Layout)
	if err != nil {
		return nil, err
	}
	doc, diags := rules.Parse("rules.yaml", o.Rules)
	if len(diags) > 0 {
		return nil, fmt.Errorf("%v", diags[0])
	}
	set, diags := rules.Compile(doc, rules.Known{Channels: []string{"door-team", "floor-team"}})
	if set == nil {
		return nil, fmt.Errorf("%v", diags)
	}
	return &engine.Config{Layout: l, Catalog: sim.Products(sim.ProductsSeed), Rules: set}, nil
}

func holdOf(set *rules.Set) int64 {
	list := set.Rules()
	if k := slices.IndexFunc(list, func(r *rules.Rule) bool { return r.Name == rule }); k >= 0 {
		return list[k].Hold.Milliseconds()
	}
	return 0
}
