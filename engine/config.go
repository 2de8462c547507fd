package engine

import (
	"strconv"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/presence"
	"lintel/engine/stock"
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

// Incarnation is the name of the pin whose version is the incarnation of a site's store: a random
// number that is a part of the ids of alerts and messages from then on. It has no document. A worker
// pins a new one when it takes the site up, so that a store that went back in time, and gives out
// the numbers of its entries again, does not give out ids again.
const Incarnation = "incarnation"

// incarnation is the part of ids that Incarnation makes, "" where none is pinned.
func (c *Config) incarnation() string {
	for _, p := range c.Pins {
		if p.Doc == Incarnation && p.Version != 0 {
			return strconv.FormatInt(int64(p.Version), 36)
		}
	}
	return ""
}

// binding is a Config tied to one state: every name of the layout is already a number, so that a
// read looks up nothing by text.
type binding struct {
	cfg    *Config
	rules  *rules.Set // those of cfg, with the site's own values of params
	layout *presence.Layout

	itemRules    [event.OtherShop + 1]bool // whether any rule about items can be concerned by the cause
	stockRules   bool
	silenceRules []*rules.Rule // those that ask how long a read point has been silent
	dayRules     []*rules.Rule // those that ask for how many days an item was not heard or counted
	days         bool          // some condition or message asks for these days
	wordy        bool          // some condition reads the item's identity in words
}

func (b *binding) zone(n uint16) *presence.Zone { return b.layout.Zone(n) }

func (b *binding) point(n uint16) *presence.Point { return b.layout.Point(n) }

// bind ties cfg to the state. Names are given numbers in the layout's order and never change
// theirs.
func (s *core) bind(cfg *Config) {
	set := cfg.Rules.ForSite(s.site)
	b := binding{cfg: cfg, rules: set}
	old := s.bound
	for i := range cfg.Layout.Zones {
		s.name(cfg.Layout.Zones[i].ID)
	}
	for i := range cfg.Layout.ReadPoints {
		s.name(cfg.Layout.ReadPoints[i].ID)
	}
	b.layout = presence.BindLayout(cfg.Layout, len(s.ids)+1, func(id string) uint16 { return s.numbers[id] })
	for _, r := range set.Rules() {
		if r.Mode == rules.ModeOff {
			continue
		}
		b.wordy = b.wordy || rules.InIdentity(r.Uses())
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
	b.bindDays()
	sameLayout := old.cfg != nil && old.cfg.Layout == cfg.Layout
	sameCatalog := old.cfg != nil && old.cfg.Catalog == cfg.Catalog
	s.bound = b
	s.alerts.Bind(set, cfg.Layout)
	s.alerts.Incarnation = cfg.incarnation()
	s.presence.Bind(b.layout, sameLayout)
	s.counts.Plan(&cfg.Layout.Counts, cfg.Layout.Location())
	if !sameLayout || !sameCatalog {
		s.bindStock()
	}
	if !sameCatalog {
		s.bindProducts()
	}
	s.bindZones()
}

func (s *core) bindStock() {
	zones := make([]stock.Zone, len(s.bound.cfg.Layout.Zones))
	for i := range zones {
		z := &s.bound.cfg.Layout.Zones[i]
		zones[i] = stock.Zone{Name: s.numbers[z.ID], ID: z.ID, Kind: z.Kind}
	}
	s.stock.Bind(zones, s.bound.cfg.Catalog)
}

// bindProducts finds every item's product again and counts the stock anew.
func (s *core) bindProducts() {
	s.stock.Recount(func(add func(stock.Key)) {
		for i := range s.count {
			it := s.item(i)
			it.product = s.productOf(it.key)
			add(s.stockOf(it))
		}
	})
}

// productOf finds the catalogue index of a tag's product, -1: none.
func (s *core) productOf(k epc.Key) int32 {
	if g := s.gtinOf(k); g != 0 {
		if i, ok := s.bound.cfg.Catalog.ByGTIN(g); ok {
			return int32(i)
		}
	}
	return -1
}
