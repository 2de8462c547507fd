package engine

import (
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/presence"
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
	rules  *rules.Set // those of cfg, with the site's own values of params
	layout *presence.Layout
	limits map[int32][]limit // by product, those with a minimum or maximum

	itemRules    [event.Doubled + 1]bool // whether any rule about items can be concerned by the cause
	stockRules   bool
	silenceRules []*rules.Rule // those that ask how long a read point has been silent
	wordy        bool          // some condition reads the item's identity in words
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
	b := binding{cfg: cfg, rules: set}
	old := s.bound
	for i := range cfg.Layout.Zones {
		s.name(cfg.Layout.Zones[i].ID)
	}
	for i := range cfg.Layout.ReadPoints {
		s.name(cfg.Layout.ReadPoints[i].ID)
	}
	b.layout = presence.BindLayout(cfg.Layout, len(s.names)+1, func(id string) uint16 { return s.numbers[id] })
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
	s.presence.Bind(b.layout, sameLayout)
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
