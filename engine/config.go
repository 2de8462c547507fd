package engine

import (
	"math"
	"slices"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules"
)

// Config is what a site is folded with: one version each of its layout, the products and the rules.
// It never changes once made; a new version of a document takes effect with the EntryConfig that
// pins it. It may be shared by sites and goroutines.
type Config struct {
	Layout  *layout.Layout
	Catalog *catalog.Catalog
	Rules   *rules.Set
	Pins    []event.Pin // the versions that these came from, in order of name
}

// binding is a Config tied to one state: every name of the layout is already a number, so that a
// read looks up nothing by text.
type binding struct {
	cfg    *Config
	rules  *rules.Set        // those of cfg, with the site's own values of params
	zones  []zoneInfo        // by name number; absent zones have kind None
	points []*pointInfo      // by name number; nil: no such read point
	doors  []uint16          // name numbers of the zones that portals see, in the layout's order
	limits map[int32][]limit // by product, those with a minimum or maximum
	epoch  int64             // length of a presence epoch in milliseconds
	looks  float64           // ln(1/(1-completeness)): how sure a single look at a window must be

	itemRules    [event.Doubled + 1]bool // whether any rule about items can be concerned by the cause
	stockRules   bool
	silenceRules []*rules.Rule // those that ask how long a read point has been silent
	wordy        bool          // some condition reads the item's identity in words
}

type zoneInfo struct {
	name    uint16 // its own number
	id      string
	title   string
	floor   string
	kind    event.ZoneKind
	known   bool
	covered bool // a fixed read point sees it, so that silence there means something
	fixed   []*pointInfo

	portals    []*pointInfo // of a door
	oneSided   bool         // one antenna hears both sides of the door
	neverSure  bool         // and no reader inside always hears the goods: its passages are only ever likely
	sureWithin int64        // milliseconds in which a passage should be sure
}

type pointInfo struct {
	name    uint16
	id      string
	role    event.Role
	zone    uint16 // name number; 0: none
	side    event.Side
	minRSSI int16 // tenths of a dBm, NoRSSI: no floor
	hits    int   // epochs in which a tag must be heard before it counts as there
	quiet   bool  // session S2 or S3: a tag that was read stays silent, so silence is no departure
	silent  int64 // milliseconds after which the point counts as silent; 0: never
}

// limit is a minimum or maximum of one product in one zone, or over all zones of one kind.
type limit struct {
	zone   uint16         // name number, 0: by kind
	kind   event.ZoneKind // where zone is 0
	min    int
	max    int
	hasMin bool
	hasMax bool
}

// bind ties cfg to the state. Names are given numbers in the layout's order and never change
// theirs.
func (s *State) bind(cfg *Config) {
	set := cfg.Rules.ForSite(s.site)
	b := binding{cfg: cfg, rules: set, epoch: cfg.Layout.Presence.Epoch.Milliseconds()}
	b.looks = math.Log(1 / min(0.5, max(1e-6, 1-cfg.Layout.Presence.Completeness)))
	old := s.bound
	for i := range cfg.Layout.Zones {
		s.name(cfg.Layout.Zones[i].ID)
	}
	for i := range cfg.Layout.ReadPoints {
		s.name(cfg.Layout.ReadPoints[i].ID)
	}
	b.zones = make([]zoneInfo, len(s.names)+1)
	b.points = make([]*pointInfo, len(s.names)+1)
	for i := range cfg.Layout.Zones {
		z := &cfg.Layout.Zones[i]
		n := s.numbers[z.ID]
		b.zones[n] = zoneInfo{name: n, id: z.ID, title: z.Name, floor: z.Floor, kind: z.Kind, known: true}
	}
	for i := range cfg.Layout.ReadPoints {
		p := &cfg.Layout.ReadPoints[i]
		info := &pointInfo{
			name: s.numbers[p.ID], id: p.ID, role: p.Role, side: p.Side, minRSSI: event.NoRSSI, hits: p.MinReads,
			quiet: p.Session == "S2" || p.Session == "S3", silent: p.SilentAfter.Milliseconds(),
		}
		if info.hits == 0 && info.quiet {
			info.hits = 1
		} else if info.hits == 0 {
			info.hits = 2
		}
		if p.MinRSSI != 0 {
			info.minRSSI = int16(p.MinRSSI * 10)
		}
		if p.Zone >= 0 {
			info.zone = s.numbers[cfg.Layout.Zones[p.Zone].ID]
			if p.Role == event.Fixed && !info.quiet {
				z := &b.zones[info.zone]
				z.covered, z.fixed = true, append(z.fixed, info)
			}
		}
		if info.zone != 0 && p.Role == event.Portal {
			z := &b.zones[info.zone]
			if len(z.portals) == 0 {
				b.doors = append(b.doors, info.zone)
				z.oneSided, z.sureWithin = true, cfg.Layout.Zones[p.Zone].SureWithin.Milliseconds()
			}
			z.portals = append(z.portals, info)
			z.oneSided = z.oneSided && p.Side != event.Outer
		}
		b.points[info.name] = info
	}
	inside := slices.ContainsFunc(b.zones, func(z zoneInfo) bool { return z.covered && z.kind != event.Exit })
	for _, n := range b.doors {
		b.zones[n].neverSure = b.zones[n].oneSided && !inside
	}
	for _, r := range set.Rules() {
		if r.Mode == rules.ModeOff {
			continue
		}
		for _, name := range r.Uses() {
			b.wordy = b.wordy || name == "item.key" || name == "item.epc" || name == "item.serial"
		}
		switch r.About {
		case "item":
			for _, c := range event.Causes.All() {
				b.itemRules[c] = b.itemRules[c] || r.ConcernedBy(c.String())
			}
		case "stock":
			b.stockRules = true
		}
	}
	b.bindSilence()
	sameLayout := old.cfg != nil && old.cfg.Layout == cfg.Layout
	sameCatalog := old.cfg != nil && old.cfg.Catalog == cfg.Catalog
	if old.cfg != nil && old.limits != nil && sameLayout && sameCatalog {
		b.limits = old.limits
	} else {
		b.limits = s.bindLimits(cfg)
	}
	s.bound = b
	s.alerts.Bind(set)
	if !sameLayout {
		s.forgetEvidence()
	}
	if !sameCatalog {
		s.bindProducts()
	}
}

func (s *State) bindLimits(cfg *Config) map[int32][]limit {
	limits := make(map[int32][]limit)
	for i := range cfg.Catalog.Len() {
		p := cfg.Catalog.At(i)
		for _, l := range p.Limits {
			lim := limit{min: l.Min, max: l.Max, hasMin: l.HasMin, hasMax: l.HasMax}
			if l.Zone != "" {
				if lim.zone = s.numbers[l.Zone]; lim.zone == 0 {
					continue // the zone is of another shop: one catalogue serves several
				}
			} else {
				kind, ok := event.ZoneKinds.Parse(l.Kind)
				if !ok {
					continue
				}
				lim.kind = kind
			}
			limits[int32(i)] = append(limits[int32(i)], lim)
		}
	}
	return limits
}

// bindProducts finds every item's product again and counts the stock anew.
func (s *State) bindProducts() {
	clear(s.stock)
	for i := range s.count {
		it := s.item(i)
		it.product = s.productOf(it.key)
		s.stockAdd(it, +1)
	}
}

// productOf finds the catalogue index of a tag's product, -1: none.
func (s *State) productOf(k epc.Key) int32 {
	if g := s.gtinOf(k); g != 0 {
		if i, ok := s.bound.cfg.Catalog.ByGTIN(g); ok {
			return int32(i)
		}
	}
	return -1
}
