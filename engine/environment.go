package engine

import (
	"slices"
	"time"

	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
	"lintel/engine/stock"
	"lintel/rules"
)

// view is what the rules see of a site, and lets them meet its facts. Its memory is reused from fact to
// fact; who asks while others may ask, too, makes a view of their own.
type view struct {
	*core
	face      clockFace // the local time of the last fact
	dayLook   int64     // when rules about days are evaluated next, by the configuration dayLookOf
	dayLookOf *Config
	gtins     [gtinSlots]gtinWords // of the products of the last facts
	env       rules.Env
}

// clockFace is the site's local time of one minute, kept because most facts share it.
type clockFace struct {
	minute int64 // Unix minutes
	cfg    *Config
	at     rules.At
	day    time.Weekday
	open   bool
}

// local returns the local time of a moment.
func (s *view) local(ms int64) *clockFace {
	m := ms / 60000
	if c := &s.face; c.cfg == s.bound.cfg && c.minute == m {
		return c
	}
	l := s.bound.cfg.Layout
	t := time.UnixMilli(ms).In(l.Location())
	s.face = clockFace{
		minute: m, cfg: s.bound.cfg, day: t.Weekday(), open: l.OpenAt(t),
		at: rules.At{Hour: t.Hour(), Minute: t.Minute(), Weekday: weekdays[t.Weekday()], Date: t.Format(time.DateOnly)},
	}
	return &s.face
}

var weekdays = [...]string{"sunday", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday"}

// baseEnv clears the shared environment and fills what every subject has.
func (s *view) baseEnv(f *event.Fact) *rules.Env {
	c := s.local(f.At)
	s.env = rules.Env{
		Cause: f.Cause.String(), At: c.at,
		Site: rules.Site{ID: s.site, Name: s.bound.cfg.Layout.Name, Open: c.open, Language: s.bound.cfg.Layout.Language},
		Zone: s.zoneEnv(f.Zone), From: s.zoneEnv(f.From),
	}
	return &s.env
}

func (s *view) zoneEnv(id string) rules.Zone {
	if id == "" {
		return rules.Zone{}
	}
	z := s.bound.zone(s.numbers[id])
	return rules.Zone{ID: id, Name: z.Title, Kind: z.Kind.String(), Storey: z.Storey}
}

// gtinSlots is how many GTINs in words are kept: most facts are about a few products that sell.
const gtinSlots = 256

type gtinWords struct {
	gtin uint64
	text string
}

// gtinText is GTINText, without a new string for a GTIN that was met lately.
func (s *view) gtinText(gtin uint64) string {
	slot := &s.gtins[gtin/10%gtinSlots] // the last digit is made of the others
	if slot.gtin != gtin {
		*slot = gtinWords{gtin, event.GTINText(gtin)}
	}
	return slot.text
}

func (s *view) productEnv(env *rules.Env, product int32) {
	if product < 0 {
		return
	}
	p := s.bound.cfg.Catalog.At(int(product))
	env.Product = rules.Product{
		Known: true, GTIN: s.gtinText(p.GTIN), SKU: p.SKU, Name: p.Name, Category: p.Category, Price: p.Price,
		HomeZones: p.HomeZones, Attributes: p.Attributes,
	}
}

// itemEnv fills the environment of a rule about an item. The fact says where the item is; the item
// says the rest.
func (s *view) itemEnv(f *event.Fact, it *item) *rules.Env {
	env := s.baseEnv(f)
	s.productEnv(env, it.product)
	env.Item = itemNow(f.Disp, it.product, f.Zone, env.Zone.Kind != event.Exit.String(), env.Product.HomeZones)
	if s.bound.days {
		s.fillDays(env, it, s.bound.dayOf(f.At))
	}
	if s.bound.wordy {
		s.fillWords(env, f.Key, f.Text)
	}
	if o := s.others.get(it.key); o.ID != "" {
		env.Item.AtOtherSite, env.Item.OtherSiteName = o.ID, o.Name
	}
	env.Passage = alert.Passage(f.Passage)
	env.Near = s.nearOf(f, it)
	env.Reader = s.readerOf(s.bound.point(s.numbers[f.Point]))
	return env
}

// nearOf returns the door that an item lingers near: as a fact of that has it, else as it is now.
func (s *view) nearOf(f *event.Fact, it *item) (near rules.Near) {
	n := f.Near()
	if n == nil || f.Ms == 0 {
		if !s.presence.Lingers() {
			return near
		}
		door, since, peak := s.presence.Near(s.find(it.key))
		if door == 0 {
			return near
		}
		now := event.Fact{Cause: event.Near, Passage: event.Passage{Door: s.idOf(door), Span: s.clock - since, Peak: peak}}
		n = now.Near()
	} else if f.Cause == event.Away {
		return near
	}
	near = rules.Near{Door: n.Door, Name: s.bound.zone(s.numbers[n.Door]).Title, Seconds: n.Seconds}
	if n.PeakRSSI != nil {
		near.PeakRSSI = *n.PeakRSSI
	}
	return near
}

// itemNow is what rules see of an item with a disposition in a zone, but for its words.
func itemNow(d event.Disposition, product int32, zone string, inside bool, home []string) rules.Item {
	return rules.Item{
		Disposition: d.String(), Paid: d == event.RetailSold, Sellable: d.Sellable(), Foreign: product < 0, Registered: product >= 0,
		Present: zone != "" && inside, Home: slices.Contains(home, zone),
	}
}

// fillWords fills the item's identity in words. It costs an allocation, so it is left out until a
// rule or a message asks.
func (s *view) fillWords(env *rules.Env, k epc.Key, text string) {
	if env.Item.Key != "" || k.IsZero() {
		return
	}
	env.Item.Key = event.KeyText(k, text)
	if e, err := epc.Parse(env.Item.Key); err == nil {
		env.Item.Serial = e.Serial()
		if env.Item.EPC = e.DigitalLink(); env.Item.EPC == "" {
			env.Item.EPC = env.Item.Key
		}
	}
}

func (s *view) readerOf(pt *presence.Point) rules.Reader {
	if pt == nil {
		return rules.Reader{}
	}
	return rules.Reader{ID: pt.ID, Role: pt.Role.String()}
}

func (s *view) readerEnv(f *event.Fact, pt *presence.Point) *rules.Env {
	return s.readerEnvAt(f, pt, s.clock)
}

// readerEnvAt fills the environment of a rule about a read point, as it is at a moment of its
// silence.
func (s *view) readerEnvAt(f *event.Fact, pt *presence.Point, at int64) *rules.Env {
	f.Zone = s.idOf(pt.Zone)
	env := s.baseEnv(f)
	env.Reader = s.readerOf(pt)
	if last, _ := s.presence.Reports(pt.Name); last != 0 {
		env.Reader.SilentSeconds = float64(at-last) / 1000
	}
	return env
}

func (s *view) countEnv(f *event.Fact, res *event.CountResult) *rules.Env {
	env := s.baseEnv(f)
	env.Count = rules.Count{
		ID: res.Count, Expected: res.Expected, Found: res.Matched + res.Unexpected, Missing: res.Missing,
		Unexpected: res.Unexpected, Accuracy: res.ItemAccuracy(),
	}
	t := f.Stocktake
	if t == nil {
		return env
	}
	c := &env.Count
	c.Zones, c.Delivery, c.Overdue, c.IdleDays = t.Zones, t.Delivery, t.Overdue, t.Days
	c.Short, c.Over, c.Wrong, c.MostShort = t.Short, t.Over, t.Wrong, t.MostShort
	if t.MostShort > 0 {
		c.MostShortOf = s.gtinText(t.MostShortOf)
		if i, ok := s.bound.cfg.Catalog.ByGTIN(t.MostShortOf); ok {
			c.MostShortOf = s.bound.cfg.Catalog.At(i).Name
		}
	}
	if len(t.Zones) > 1 {
		env.Zone = s.zonesEnv(t.Zones)
	}
	return env
}

// zonesEnv is the zone of what is in several: it has all their names, and what they have in common.
func (s *view) zonesEnv(ids []string) rules.Zone {
	all := s.zoneEnv(ids[0])
	all.ID = ""
	for _, id := range ids[1:] {
		z := s.zoneEnv(id)
		all.Name += ", " + z.Name
		if z.Kind != all.Kind {
			all.Kind = ""
		}
		if z.Storey != all.Storey {
			all.Storey = ""
		}
	}
	return all
}

// stockEnv fills the environment of a rule about the stock of a product in a zone, or over all
// zones of a kind.
func (s *view) stockEnv(f *event.Fact, product int32, l stock.Limit) *rules.Env {
	f.Zone = s.idOf(l.Zone)
	env := s.baseEnv(f)
	s.productEnv(env, product)
	if l.Zone == 0 {
		env.Zone = rules.Zone{Kind: l.Kind.String(), Name: "all " + l.Kind.String() + " zones"}
		env.Stock.Count = s.stock.OnHand(product, l.Kind)
	} else {
		env.Stock.Count = s.stock.Count(stock.Key{Product: product, Zone: l.Zone})
	}
	env.Stock.Minimum, env.Stock.HasMinimum = l.Min, l.HasMin
	env.Stock.Maximum, env.Stock.HasMaximum = l.Max, l.HasMax
	if l.HasMin {
		env.Stock.Short = max(0, l.Min-env.Stock.Count)
	}
	env.Stock.Backroom = s.stock.OnHand(product, event.Stockroom)
	env.Stock.Total = s.stock.OnHand(product, event.ZoneKindNone)
	return env
}
