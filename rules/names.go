package rules

import (
	"cmp"
	"slices"
	"strings"

	"lintel/engine/event"
)

// Name describes one name that conditions and messages may use. The list is the one source for the
// checker, for suggestions and for ENVIRONMENT.md.
type Name struct {
	Name     string   `json:"name"`              // as written: "zone.kind"
	Type     string   `json:"type"`              // text, yes/no, whole number, number, list of text
	Unit     string   `json:"unit,omitempty"`    // of a number
	Meaning  string   `json:"meaning"`           // one line
	Example  string   `json:"example"`           // a condition that uses it
	Subjects []string `json:"subjects"`          // what a rule must be about to use it
	Causes   []string `json:"causes,omitempty"`  // after which kinds of fact it may differ; empty: it also changes with time alone
	Values   []string `json:"values,omitempty"`  // the whole set of values, where it is closed
	Missing  string   `json:"missing,omitempty"` // what a message says in its place when it is empty
}

// The types of names, as shown to people.
const (
	typeText  = "text"
	typeBool  = "yes/no"
	typeInt   = "whole number"
	typeFloat = "number"
	typeList  = "list of text"
)

// Subjects returns what rules can be about, in their usual order.
func Subjects() []string { return event.RuleSubjects.Texts() }

// subjectCauses says which causes are about which subject.
var subjectCauses = func() map[string][]string {
	m := make(map[string][]string)
	for _, c := range event.Causes.All() {
		m[c.Subject()] = append(m[c.Subject()], c.String())
	}
	return m
}()

// Causes returns the causes that a rule about this subject is evaluated for; nil for an unknown
// subject.
func Causes(about string) []string { return slices.Clone(subjectCauses[about]) }

func texts(causes ...event.Cause) []string {
	list := make([]string, len(causes))
	for i, c := range causes {
		list[i] = c.String()
	}
	return list
}

// entry is a Name with its way to the value: exactly one of the functions is set. The name
// product.attributes stands for a family of names, one for each attribute, and has attribute set
// instead.
type entry struct {
	Name
	text      func(*Env) string
	yes       func(*Env) bool
	whole     func(*Env) int
	number    func(*Env) float64
	list      func(*Env) []string
	attribute bool

	measured bool
	few      bool // few different values occur: worth keeping boxed
	rank     int  // above 0: usable as index key, the lowest is the most selective
	onlyOn   string
}

var (
	onlyItem   = []string{event.AboutItem}
	onlyStock  = []string{event.AboutStock}
	onlyReader = []string{event.AboutReader}
	onlyCount  = []string{event.AboutCount}
	itemStock  = []string{event.AboutItem, event.AboutStock}
	onlyZone   = []string{event.AboutZone}
	placed     = []string{event.AboutItem, event.AboutStock, event.AboutReader, event.AboutCount, event.AboutZone}
	pointed    = []string{event.AboutItem, event.AboutReader}
	told       = []string{event.AboutItem, event.AboutStock, event.AboutReader, event.AboutCount}
	every      = Subjects()

	// What may have changed after which facts, for item rules. An item's place and its business
	// state can both be new after nearly any item fact: a sale says where the till stands, an
	// arrival on the floor makes goods accessible. And any fact that can be the first of an item
	// changes everything about it.
	byItem = subjectCauses[event.AboutItem]
	byTie  = texts(event.Arrived, event.Passed, event.Sold, event.Returned, event.Received, event.Shipped, event.Found, event.Foreign,
		event.Registered)
	byPaid    = slices.Concat(byTie, texts(event.Missing, event.Retired))
	byOther   = texts(event.OtherShop, event.Received, event.Returned)
	byStock   = subjectCauses[event.AboutStock]
	byReader  = subjectCauses[event.AboutReader]
	byCount   = texts(event.Counted)
	byPlan    = texts(event.Overdue, event.CaughtUp)
	byZone    = subjectCauses[event.AboutZone]
	byPlace   = slices.Concat(byItem, byStock, byReader, byCount, byPlan, byZone)
	byProduct = slices.Concat(byTie, byStock)
	byPoint   = slices.Concat(byItem, byReader)
	byCause   = slices.Concat(byItem, byStock, byReader, byCount, byPlan)
	byAny     = slices.Concat(byCause, byZone)
	byTime    []string // with every fact, and without one

	weekdays = []string{"monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"}
)

func textName(name, meaning, example string, subjects, causes []string, get func(*Env) string) entry {
	return entry{Name: Name{Name: name, Type: typeText, Meaning: meaning, Example: example, Subjects: subjects, Causes: causes}, text: get}
}

func boolName(name, meaning, example string, subjects, causes []string, get func(*Env) bool) entry {
	return entry{Name: Name{Name: name, Type: typeBool, Meaning: meaning, Example: example, Subjects: subjects, Causes: causes}, yes: get}
}

func intName(name, unit, meaning, example string, subjects, causes []string, get func(*Env) int) entry {
	return entry{Name: Name{Name: name, Type: typeInt, Unit: unit, Meaning: meaning, Example: example,
		Subjects: subjects, Causes: causes}, whole: get}
}

func floatName(name, unit, meaning, example string, subjects, causes []string, get func(*Env) float64) entry {
	return entry{Name: Name{Name: name, Type: typeFloat, Unit: unit, Meaning: meaning, Example: example,
		Subjects: subjects, Causes: causes}, number: get}
}

// with sets what few names need.
func (e entry) with(set func(*entry)) entry { set(&e); return e }

func closed(values []string) func(*entry) { return func(e *entry) { e.Values, e.few = values, true } }
func missing(text string) func(*entry)    { return func(e *entry) { e.Missing = text } }
func keyed(rank int) func(*entry)         { return func(e *entry) { e.rank, e.few = rank, true } }
func few(e *entry)                        { e.few = true }
func measured(e *entry)                   { e.measured = true }
func onPassage(e *entry)                  { e.onlyOn = event.Passed.String() }

// entries is the environment. The order is that of ENVIRONMENT.md.
var entries = []entry{
	textName("cause", "what kind of fact led to this evaluation", `cause == "passed"`, told, byCause,
		func(e *Env) string { return e.Cause }).with(few),

	textName("item.key", "the item's identity, whatever the encoding of the tag: a GS1 element string, (01) GTIN "+
		"(21) serial, or the URI of the raw bits of a tag that is no GS1 EPC", `item.key startsWith "(01)0952"`, onlyItem, byTie,
		func(e *Env) string { return e.Item.Key }),
	textName("item.epc", "the identity as a GS1 Digital Link, or as item.key has it where it has none",
		`item.epc startsWith "https://id.gs1.org/01/0952"`, onlyItem, byTie,
		func(e *Env) string { return e.Item.EPC }),
	textName("item.serial", "the serial number within the product", `item.serial == "101"`, onlyItem, byTie,
		func(e *Env) string { return e.Item.Serial }),
	textName("item.disposition", "business state, in the terms of the GS1 Core Business Vocabulary 2.0",
		`item.disposition == "in_transit"`, onlyItem, byItem,
		func(e *Env) string { return e.Item.Disposition }).with(closed(event.Dispositions.Texts())),
	boolName("item.paid", "it was paid for and not brought back since", `not item.paid`, onlyItem, byPaid,
		func(e *Env) bool { return e.Item.Paid }),
	boolName("item.sellable", "it could be sold now", `item.sellable`, onlyItem, byItem,
		func(e *Env) bool { return e.Item.Sellable }),
	boolName("item.foreign", "the tag is not this shop's", `item.foreign`, onlyItem, byTie,
		func(e *Env) bool { return e.Item.Foreign }),
	boolName("item.registered", "its product is known", `not item.registered`, onlyItem, byTie,
		func(e *Env) bool { return e.Item.Registered }),
	boolName("item.home", "it is in one of its product's home zones", `not item.home`, onlyItem, byItem,
		func(e *Env) bool { return e.Item.Home }),
	boolName("item.present", "it is in some zone of the shop that is no exit", `item.present`, onlyItem, byItem,
		func(e *Env) bool { return e.Item.Present }),
	intName("item.days_unheard", "days", "how many days ago a reader last heard it, by the shop's calendar: 0 today, 1 "+
		"yesterday; if none ever did, how many days ago it came. Looked at in the hour after midnight, and each hour while "+
		"the rule has an alert about it", `item.days_unheard >= 3`, onlyItem, byTime,
		func(e *Env) int { return e.Item.DaysUnheard }),
	intName("item.days_uncounted", "days", "how many days ago a closed count last found it, by the shop's calendar; if none "+
		"ever did, how many days ago it was first known. Looked at like item.days_unheard", `item.days_uncounted >= 3`, onlyItem, byTime,
		func(e *Env) int { return e.Item.DaysUncounted }),

	textName("item.at_other_site", "the id of another shop of the same store that has the item in stock, as it was known when the item "+
		"was last heard here; empty when none has. It is looked up after the item was heard: a fact of its own, other_shop, tells of it",
		`item.at_other_site == "harbour-branch"`, onlyItem, byOther,
		func(e *Env) string { return e.Item.AtOtherSite }).with(few).with(missing("no other shop")),
	textName("item.other_site_name", "that shop's name", `item.other_site_name contains "Harbour"`, onlyItem, byOther,
		func(e *Env) string { return e.Item.OtherSiteName }).with(few).with(missing("no other shop")),

	boolName("product.known", "the product is in the product list", `not product.known`, itemStock, byProduct,
		func(e *Env) bool { return e.Product.Known }),
	textName("product.gtin", "GTIN, 14 digits", `product.gtin == "09521234567899"`, itemStock, byProduct,
		func(e *Env) string { return e.Product.GTIN }).with(keyed(1)),
	textName("product.sku", "the shop's own article number", `product.sku == "UB-1001"`, itemStock, byProduct,
		func(e *Env) string { return e.Product.SKU }).with(keyed(2)),
	textName("product.name", "what it is called", `product.name contains "Atlas"`, itemStock, byProduct,
		func(e *Env) string { return e.Product.Name }).with(few).with(missing("unknown item")),
	textName("product.category", "the group it belongs to", `product.category == "maps"`, itemStock, byProduct,
		func(e *Env) string { return e.Product.Category }).with(keyed(5)),
	floatName("product.price", "shop currency", "selling price; 0 when none is known", `product.price >= 50`, itemStock, byProduct,
		func(e *Env) float64 { return e.Product.Price }),
	{Name: Name{Name: "product.home_zones", Type: typeList, Meaning: "ids of the zones where it belongs",
		Example:  `zone.id in product.home_zones`,
		Subjects: itemStock, Causes: byProduct}, list: func(e *Env) []string { return e.Product.HomeZones }},
	{Name: Name{Name: "product.attributes", Type: typeText, Meaning: "a free attribute of the product, by its name; empty when it has none",
		Example: `product.attributes.colour == "blue"`, Subjects: itemStock, Causes: byProduct}, attribute: true, few: true},

	textName("zone.id", "where the subject is now: the zone's id; empty when it is nowhere", `zone.id == "front-tables"`, placed, byPlace,
		func(e *Env) string { return e.Zone.ID }).with(keyed(3)).with(missing("nowhere")),
	textName("zone.name", "the zone's name", `zone.name contains "Shelf"`, placed, byPlace,
		func(e *Env) string { return e.Zone.Name }).with(few).with(missing("an unknown place")),
	textName("zone.kind", "what the zone is for; empty when the subject is nowhere", `zone.kind == "exit"`, placed, byPlace,
		func(e *Env) string { return e.Zone.Kind }).with(keyed(7)).with(closed(event.ZoneKinds.Texts())),
	boolName("zone.selling", "goods are offered to customers there: it is of the kind shelf or floor", `zone.selling`, placed, byPlace,
		func(e *Env) bool { return selling(e.Zone.Kind) }),
	textName("zone.storey", "the storey of the building", `zone.storey == "1"`, placed, byPlace,
		func(e *Env) string { return e.Zone.Storey }).with(few),
	textName("from.id", "where the item was before: the zone's id", `from.id == "stockroom"`, onlyItem, byItem,
		func(e *Env) string { return e.From.ID }).with(keyed(6)).with(missing("nowhere")),
	textName("from.name", "that zone's name", `from.name contains "Shelf"`, onlyItem, byItem,
		func(e *Env) string { return e.From.Name }).with(few).with(missing("an unknown place")),
	textName("from.kind", "what that zone is for", `from.kind == "fitting"`, onlyItem, byItem,
		func(e *Env) string { return e.From.Kind }).with(keyed(8)).with(closed(event.ZoneKinds.Texts())),
	boolName("from.selling", "goods are offered to customers there", `from.selling and not zone.selling`, onlyItem, byItem,
		func(e *Env) bool { return selling(e.From.Kind) }),
	textName("from.storey", "that zone's storey", `from.storey != zone.storey`, onlyItem, byItem,
		func(e *Env) string { return e.From.Storey }).with(few),

	intName("stock.count", "items", "the product's items in this zone", `stock.count == 0`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Count }),
	intName("stock.minimum", "items", "the least that should be in this zone; 0 when none is set",
		`stock.count < stock.minimum`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Minimum }),
	intName("stock.maximum", "items", "the most that should be in this zone; 0 when none is set",
		`stock.has_maximum and stock.count > stock.maximum`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Maximum }),
	boolName("stock.has_minimum", "a minimum is set", `stock.has_minimum`, onlyStock, byStock,
		func(e *Env) bool { return e.Stock.HasMinimum }),
	boolName("stock.has_maximum", "a maximum is set", `stock.has_maximum`, onlyStock, byStock,
		func(e *Env) bool { return e.Stock.HasMaximum }),
	intName("stock.backroom", "items", "the product's items in stockrooms", `stock.backroom > 0`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Backroom }),
	intName("stock.total", "items", "the product's items in all zones", `stock.total == 0`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Total }),
	intName("stock.short", "items", "how many are missing to the minimum, never below 0", `stock.short >= 3`, onlyStock, byStock,
		func(e *Env) int { return e.Stock.Short }),

	intName("items.count", "items", "how many items are in the zone: those of known products, or those that the rule's "+
		"items chooses", `items.count > 20`, onlyZone, byZone,
		func(e *Env) int { return e.Items.Count }),
	intName(cameName, "items", "how many of them came within the rule's within, gone again or not", `items.came >= 3`, onlyZone, byZone,
		func(e *Env) int { return e.Items.Came }),
	intName(wentName, "items", "how many went within that time", `items.went >= 3`, onlyZone, byZone,
		func(e *Env) int { return e.Items.Went }),
	floatName(oldestName, "seconds", "how long the one that has been there longest has; 0 when none is there",
		`items.oldest_seconds > 1800`, onlyZone, byZone,
		func(e *Env) float64 { return e.Items.OldestSeconds }).with(measured),

	textName("near.door", "the zone id of the door that the item lingers near; empty unless it does",
		`near.door == "street-door"`, onlyItem, byItem,
		func(e *Env) string { return e.Near.Door }).with(keyed(4)).with(missing("no door")),
	textName("near.name", "that door's name", `near.name contains "Street"`, onlyItem, byItem,
		func(e *Env) string { return e.Near.Name }).with(few).with(missing("no door")),
	floatName("near.seconds", "seconds", "how long it has lingered there. Looked at again each time the door's "+
		"lingering_after of the layout has passed", `near.seconds >= 120`, onlyItem, byItem,
		func(e *Env) float64 { return e.Near.Seconds }).with(measured),
	floatName("near.peak_rssi", "dBm", "the strongest read of it there; 0 when no strength was reported",
		`near.peak_rssi > -60`, onlyItem, byItem,
		func(e *Env) float64 { return e.Near.PeakRSSI }).with(measured),

	textName("passage.direction", "which way the item went through the portal, seen from the shop; empty unless it "+
		"passed one", `passage.direction == "out"`, onlyItem, byItem,
		func(e *Env) string { return e.Passage.Direction }).with(closed(event.Directions.Texts())).with(onPassage),
	boolName("passage.sure", "the passage is sure; false while it is only likely, which is notified early, moves "+
		"nothing and may be taken back", `passage.sure`, onlyItem, byItem,
		func(e *Env) bool { return e.Passage.Sure }).with(onPassage),
	textName("passage.door", "the zone id of the door, also while the passage is only likely and the item still "+
		"where it was", `passage.door == "street-door"`, onlyItem, byItem,
		func(e *Env) string { return e.Passage.Door }).with(few).with(onPassage),
	floatName("passage.confidence", "0 to 1", "how sure it is that the item went that way", `passage.confidence >= 0.7`, onlyItem, byItem,
		func(e *Env) float64 { return e.Passage.Confidence }).with(measured).with(onPassage),
	intName("passage.reads", "reads", "moments in which the door heard the item, in the last 16 seconds",
		`passage.reads >= 5`, onlyItem, byItem,
		func(e *Env) int { return e.Passage.Reads }).with(onPassage),
	floatName("passage.peak_rssi", "dBm", "the strongest of them; 0 when no strength was reported",
		`passage.peak_rssi > -60`, onlyItem, byItem,
		func(e *Env) float64 { return e.Passage.PeakRSSI }).with(measured),
	floatName("passage.seconds", "seconds", "from the first to the last of them", `passage.seconds < 10`, onlyItem, byItem,
		func(e *Env) float64 { return e.Passage.Seconds }).with(measured).with(onPassage),

	textName("reader.id", "the read point that reported", `reader.id == "tables-1"`, pointed, byPoint,
		func(e *Env) string { return e.Reader.ID }).with(keyed(4)).with(missing("an unknown reader")),
	textName("reader.role", "how the read point is used", `reader.role == "portal"`, pointed, byPoint,
		func(e *Env) string { return e.Reader.Role }).with(keyed(9)).with(closed(event.Roles.Texts())),
	floatName("reader.silent_seconds", "seconds", "how long the read point has said nothing: at least the "+
		"silent_after of the layout, 0 while it reports. Looked at again while the silence lasts, at most a "+
		"sixteenth of it late", `reader.silent_seconds > 300`, onlyReader, byReader,
		func(e *Env) float64 { return e.Reader.SilentSeconds }).with(measured),

	textName("count.id", "the stock-take; its id begins with the site's", `count.id startsWith "umberhithe-"`, onlyCount, byCount,
		func(e *Env) string { return e.Count.ID }),
	intName("count.expected", "items", "items that should have been found", `count.expected > 0`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Expected }),
	intName("count.found", "items", "items that were found, expected or not; what was expected and not found is count.missing", `count.found > count.expected`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Found }),
	intName("count.missing", "items", "expected items that were not found", `count.missing > 10`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Missing }),
	intName("count.unexpected", "items", "items found that were not expected", `count.unexpected > 0`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Unexpected }),
	floatName("count.accuracy", "0 to 1", "found of what was expected, as a share of all that was expected or "+
		"found unexpectedly; 1 where that is nothing", `count.accuracy < 0.97`, onlyCount, byCount,
		func(e *Env) float64 { return e.Count.Accuracy }).with(measured),
	{Name: Name{Name: "count.zones", Type: typeList, Meaning: "ids of the zones that were counted together; zone.id is empty where " +
		"they are several", Example: `"shelf-a" in count.zones`, Subjects: onlyCount, Causes: byCount},
		list: func(e *Env) []string { return e.Count.Zones }},
	boolName("count.delivery", "it checked a delivery against its papers", `count.delivery`, onlyCount, byCount,
		func(e *Env) bool { return e.Count.Delivery }),
	intName("count.short", "pieces", "of a delivery: fewer than the papers say, each product for itself", `count.short > 0`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Short }),
	intName("count.over", "pieces", "of a delivery: more than the papers say, of products that they name", `count.over > 0`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Over }),
	intName("count.wrong", "pieces", "of a delivery: of products that the papers do not name", `count.wrong > 0`, onlyCount, byCount,
		func(e *Env) int { return e.Count.Wrong }),
	intName("count.most_short", "pieces", "how many fewer than expected there are of the product of which most are lacking",
		`count.most_short > 2`, onlyCount, byCount,
		func(e *Env) int { return e.Count.MostShort }),
	textName("count.most_short_of", "the name of that product, or its GTIN; empty when none is lacking", `count.most_short_of contains "Atlas"`,
		onlyCount, byCount, func(e *Env) string { return e.Count.MostShortOf }).with(missing("no product")),
	boolName("count.overdue", "the zone was not counted by when the count plan of the layout says. A rule that asks for this is about the "+
		"zone, and has no other names of count but count.idle_days", `count.overdue`, onlyCount, byPlan,
		func(e *Env) bool { return e.Count.Overdue }),
	intName("count.idle_days", "days", "whole days since the zone was counted last, or since it is in the plan; looked at once a day while it is overdue", `count.idle_days >= 7`, onlyCount,
		byPlan, func(e *Env) int { return e.Count.IdleDays }),

	intName("at.hour", "0 to 23", "hour of the fact, in the site's time zone", `at.hour >= 20`, every, byTime,
		func(e *Env) int { return e.At.Hour }),
	intName("at.minute", "0 to 59", "minute of the fact", `at.minute < 30`, every, byTime,
		func(e *Env) int { return e.At.Minute }),
	intName("at.minute_of_day", "0 to 1439", "minutes since midnight", `at.minute_of_day >= 1290`, every, byTime,
		func(e *Env) int { return e.At.Hour*60 + e.At.Minute }),
	textName("at.weekday", "day of the week, in English and lower case", `at.weekday in ["saturday", "sunday"]`, every, byTime,
		func(e *Env) string { return e.At.Weekday }).with(closed(weekdays)),
	textName("at.date", "calendar day, year-month-day", `at.date == "2026-12-24"`, every, byTime,
		func(e *Env) string { return e.At.Date }).with(few),

	textName("site.id", "the shop", `site.id == "umberhithe"`, every, byTime,
		func(e *Env) string { return e.Site.ID }).with(few),
	textName("site.name", "the shop's name", `site.name contains "Umberhithe"`, every, byTime,
		func(e *Env) string { return e.Site.Name }).with(few).with(missing("the shop")),
	textName("site.language", "the language of the people who work there, as the layout has it: a tag of RFC 5646 in "+
		"lower case; empty where it has none", `site.language == "cy"`, every, byTime,
		func(e *Env) string { return e.Site.Language }).with(few),
	boolName("site.open", "the shop is within its opening hours", `not site.open`, every, byTime,
		func(e *Env) bool { return e.Site.Open }),
}

func selling(kind string) bool { return kind == "shelf" || kind == "floor" }

const attributePrefix = "product.attributes."

var (
	entryIndex = func() map[string]*entry {
		m := make(map[string]*entry, len(entries))
		for i := range entries {
			m[entries[i].Name.Name] = &entries[i]
		}
		return m
	}()
	// groups are the first words of dotted names.
	groups = func() map[string]bool {
		m := make(map[string]bool)
		for i := range entries {
			if g, _, ok := strings.Cut(entries[i].Name.Name, "."); ok {
				m[g] = true
			}
		}
		return m
	}()
)

// Names returns the whole environment, in the order of ENVIRONMENT.md. The caller owns the slice
// but not what its elements share.
func Names() []Name {
	names := make([]Name, len(entries))
	for i := range entries {
		names[i] = entries[i].Name
	}
	return names
}

// former names are no longer listed; rules that were written with them mean the same as ever.
var former = map[string]string{"zone.floor": "zone.storey", "from.floor": "from.storey"}

// lookup finds the entry of a name; for product.attributes.x also the attribute's name.
func lookup(name string) (*entry, string) {
	name = cmp.Or(former[name], name)
	if key, ok := strings.CutPrefix(name, attributePrefix); ok && key != "" {
		return entryIndex["product.attributes"], key
	}
	if e := entryIndex[name]; e != nil && !e.attribute {
		return e, ""
	}
	return nil, ""
}

func (e *entry) allows(about string) bool { return slices.Contains(e.Subjects, about) }

// value is the plain value of the entry, for explanations.
func (e *entry) value(env *Env, key string) any {
	switch {
	case e.text != nil:
		return e.text(env)
	case e.yes != nil:
		return e.yes(env)
	case e.whole != nil:
		return e.whole(env)
	case e.number != nil:
		return e.number(env)
	case e.list != nil:
		return e.list(env)
	}
	return env.Product.Attributes[key]
}
