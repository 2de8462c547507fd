package epcis

import (
	"fmt"
	"slices"
	"unicode/utf8"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// Meaning says what an event, which Parse accepted, means for items. Whatever has no effect is
// noted. Loc names the places of the shop; nil knows none.
func Meaning(ev *Event, loc Locator) ([]Effect, []Note) {
	m := meaner{ev: ev, loc: loc, step: bare(ev.BizStep, uriBizStep), disp: bare(ev.Disposition, uriDisposition)}
	if ev.Error != nil {
		m.note("/errorDeclaration", "the event takes back an earlier one, %s, and is not applied again; what the "+
			"earlier one did stands until a person puts it right", orUnnamed(ev.ID))
		return nil, m.notes
	}
	m.unused()
	m.locate()
	m.ref = m.reference()
	switch ev.Type {
	case ObjectEvent:
		m.object()
	case AggregationEvent, AssociationEvent:
		m.family()
	case TransactionEvent:
		m.transaction()
	case TransformationEvent:
		m.transformation()
	default:
		m.note("/type", "events of type %s are not understood", shown(string(ev.Type)))
	}
	return m.effects, m.notes
}

func orUnnamed(id string) string {
	if id == "" {
		return "which it does not name"
	}
	return id
}

// thing is an item and its product.
type thing struct {
	tag  event.Tag
	gtin uint64
}

type meaner struct {
	ev         *Event
	loc        Locator
	step, disp string // without the beginnings of their URIs
	zone       string // where the items are now
	point      string // what saw them
	told       bool   // the event names a place
	ref        string
	effects    []Effect
	notes      []Note
}

func (m *meaner) note(pointer, reason string, args ...any) {
	m.notes = append(m.notes, Note{Pointer: pointer, Reason: fmt.Sprintf(reason, args...)})
}

// unused notes what is accepted and never used.
func (m *meaner) unused() {
	ignore := func(there bool, pointer, what string) {
		if there {
			m.notes = append(m.notes, Note{Pointer: pointer, Reason: what + " not used", Ignored: true})
		}
	}
	ev := m.ev
	ignore(ev.Sensors != nil, "/sensorElementList", "sensor data is")
	ignore(ev.ILMD != nil, "/ilmd", "master data of an instance is")
	ignore(len(ev.Sources) > 0, "/sourceList", "sources are")
	ignore(len(ev.Destinations) > 0, "/destinationList", "destinations are")
	for _, x := range ev.Extensions {
		ignore(true, "/"+escapePointer(x.Name), "members beyond the standard are")
	}
	if ev.Persistent != nil {
		m.note("/persistentDisposition", "dispositions that last are not kept: an item has one state at a time")
	}
	for _, l := range [...]struct {
		name string
		list []Quantity
	}{{"quantityList", ev.Quantities}, {"childQuantityList", ev.ChildQuantities},
		{"inputQuantityList", ev.InputQuantities}, {"outputQuantityList", ev.OutputQuantities}} {
		if len(l.list) > 0 {
			m.note("/"+l.name, "amounts of a class name no items, and are not applied")
		}
	}
}

// locate finds out where the items were seen and where they are.
func (m *meaner) locate() {
	find := func(l *Location, pointer string) (Place, bool) {
		if l == nil {
			return Place{}, false
		}
		m.told = true
		if m.loc != nil {
			if place, ok := m.loc.Locate(l.ID); ok {
				return place, true
			}
		}
		m.note(pointer, "the place %s is none of this shop's", shown(l.ID))
		return Place{}, false
	}
	if read, ok := find(m.ev.ReadPoint, "/readPoint/id"); ok {
		if m.point = read.ReadPoint; m.point == "" {
			m.zone = read.Zone
		}
	}
	if biz, ok := find(m.ev.BizLocation, "/bizLocation/id"); ok && biz.Zone != "" {
		m.zone = biz.Zone
	}
}

// documentFor names, for each step, the types of document that fit it best.
var documentFor = map[string][]string{
	"retail_selling": {"inv"}, "receiving": {"recadv", "desadv", "po"}, "shipping": {"desadv", "po", "bol"}, "returned": {"rma"},
}

// reference picks the business document that the effects refer to.
func (m *meaner) reference() string {
	list := m.ev.BizTransactions
	if len(list) == 0 {
		return ""
	}
	best := -1
	for _, wanted := range append(slices.Clone(documentFor[m.disp]), documentFor[m.step]...) {
		if best < 0 {
			best = slices.IndexFunc(list, func(t BizTransaction) bool { return bare(t.Type, uriTransaction) == wanted })
		}
	}
	best = max(best, 0)
	pointer := fmt.Sprintf("/bizTransactionList/%d", best)
	for i := range list {
		if i != best {
			m.note(fmt.Sprintf("/bizTransactionList/%d", i), "one document is kept for an event, and that is the one at %s", pointer)
		}
	}
	ref := list[best].ID
	if r, ok := m.loc.(referencer); ok {
		if own, ok := r.Reference(ref); ok {
			ref = own
		}
	}
	if utf8.RuneCountInString(ref) > MaxRef {
		m.note(pointer, "the name of the document has more than %d characters, and is not kept", MaxRef)
		return ""
	}
	return ref
}

// things turns a list of URIs into items, each once.
func (m *meaner) things(name string, list []string, into []thing) []thing {
	seen := make(map[epc.Key]bool, len(list)+len(into))
	for _, t := range into {
		seen[t.tag.Key] = true
	}
	for i, uri := range list {
		id, err := epc.Parse(uri)
		if err != nil {
			pointer := "/" + name
			if name != "parentID" {
				pointer += fmt.Sprintf("/%d", i)
			}
			m.note(pointer, "it names no single item: %v", err)
			continue
		}
		t := thing{tag: event.Tag{Key: id.Key()}}
		t.gtin, _ = id.GTIN14()
		if _, packed := t.tag.Key.Text(); !packed {
			t.tag.Text = id.KeyText()
		}
		if !seen[t.tag.Key] {
			seen[t.tag.Key] = true
			into = append(into, t)
		}
	}
	return into
}

func tagsOf(items []thing) []event.Tag {
	tags := make([]event.Tag, len(items))
	for i, t := range items {
		tags[i] = t.tag
	}
	return tags
}

// effect adds one for all items.
func (m *meaner) effect(kind EffectKind, items []thing) *Effect {
	if len(items) == 0 {
		return &Effect{}
	}
	m.effects = append(m.effects, Effect{Kind: kind, Tags: tagsOf(items), At: m.ev.At, Ref: m.ref})
	return &m.effects[len(m.effects)-1]
}

// placed adds one that happened at the place of the event.
func (m *meaner) placed(kind EffectKind, items []thing) {
	e := m.effect(kind, items)
	e.Zone, e.ReadPoint = m.zone, m.point
	if e.Zone == "" && m.point != "" {
		// A read point at a till or a desk: the items are where it stands.
		if place, ok := m.loc.Locate(m.ev.ReadPoint.ID); ok {
			e.Zone = place.Zone
		}
	}
}

func (m *meaner) object() {
	items := m.things("epcList", m.ev.EPCs, nil)
	if len(items) == 0 {
		if len(m.ev.EPCs) == 0 && m.ev.EPCs != nil {
			m.note("/epcList", "the event names no item")
		}
		return
	}
	switch m.ev.Action {
	case Delete:
		if m.sold() {
			m.placed(Sold, items)
		}
		m.effect(Retired, items)
	case Add:
		m.register("epcList", items)
		m.business(items, true)
	default:
		m.ended()
		m.business(items, false)
	}
}

// ended notes the end of an item that is reported with the action OBSERVE.
func (m *meaner) ended() {
	switch m.step {
	case "decommissioning", "destroying", "killing":
		m.note("/action", "%s ends an item with action DELETE only; with OBSERVE it stays", m.step)
	}
}

// register ties items to their products, one effect for each product.
func (m *meaner) register(name string, items []thing) {
	var order []uint64
	groups := make(map[uint64][]thing)
	for _, t := range items {
		if t.gtin == 0 {
			text, _ := t.tag.Key.Text()
			m.note("/"+name, "%s%s has no GTIN, so there is no product to tie it to", text, t.tag.Text)
			continue
		}
		if groups[t.gtin] == nil {
			order = append(order, t.gtin)
		}
		groups[t.gtin] = append(groups[t.gtin], t)
	}
	for _, gtin := range order {
		e := m.effect(Registered, groups[gtin])
		e.GTIN = gtin
	}
}

// sold reports whether the event says that the items are paid for.
func (m *meaner) sold() bool {
	return m.disp != "returned" && !m.sellable() && (m.step == "retail_selling" || m.disp == "retail_sold")
}

func (m *meaner) sellable() bool {
	return m.disp == "sellable_accessible" || m.disp == "sellable_not_accessible"
}

// business applies what the business step and the disposition say. Quiet: the items have been
// registered, so that no place is no loss.
func (m *meaner) business(items []thing, quiet bool) {
	if len(items) == 0 {
		return
	}
	m.judgeDisposition()
	switch {
	case m.disp == "returned":
		m.placed(Returned, items)
	case m.sold() && m.step == "retail_selling":
		m.placed(Sold, items)
	case m.sold():
		m.effect(Sold, items)
		m.place(items, true)
	case m.step == "receiving":
		m.placed(Received, items)
	case m.step == "shipping", m.disp == "in_transit" && m.step != "void_shipping":
		m.effect(Shipped, items)
	default:
		m.place(items, quiet)
	}
}

// judgeDisposition notes what a disposition says and Lintel does not keep.
func (m *meaner) judgeDisposition() {
	switch m.disp {
	case "", "active", "in_progress", "unknown", "returned", "retail_sold":
	case "in_transit":
		if m.step == "receiving" {
			m.note("/disposition", "what is received is in transit no longer")
		}
	case "sellable_accessible", "sellable_not_accessible":
		switch {
		case m.step == "retail_selling":
			m.note("/disposition", "a sale after which the items are still for sale contradicts itself, and is not applied")
		case m.zone == "":
			m.note("/disposition", "whether goods are within customers' reach follows from their zone, and the "+
				"event names none of this shop")
		}
	case "stolen":
		m.note("/disposition", "stolen is the outcome of an investigation, and is kept by people, not here")
	default:
		m.note("/disposition", "the disposition %s is not kept", shown(m.ev.Disposition))
	}
	if m.step == "void_shipping" {
		m.note("/bizStep", "a withdrawn shipment is not applied; receive the items again, or move them to where they are")
	}
}

// place applies where the items are.
func (m *meaner) place(items []thing, quiet bool) {
	count := m.step == "cycle_counting" || m.step == "stock_taking"
	switch {
	case m.zone != "" && !count:
		e := m.effect(Moved, items)
		e.Zone, e.ReadPoint = m.zone, m.point
	case m.zone != "" || m.point != "":
		e := m.effect(Seen, items)
		e.Zone, e.ReadPoint = m.zone, m.point
	case quiet, m.told: // then the unknown place has been noted, if it was a place
		if m.told && !quiet && !slices.ContainsFunc(m.notes, func(n Note) bool {
			return n.Pointer == "/readPoint/id" ||
				n.Pointer == "/bizLocation/id"
		}) {
			m.note("", "the event says only that the items are in the shop, and that has no effect")
		}
	default:
		m.note("", "the event says no place, no sale and no movement, and has no effect")
	}
}

// family applies an aggregation or an association: parent and children are where the event is. That
// one holds the other is not kept.
func (m *meaner) family() {
	ev := m.ev
	var items []thing
	if ev.Parent != "" {
		place, ok := Place{}, false
		if m.loc != nil {
			place, ok = m.loc.Locate(ev.Parent)
		}
		if ok { // children tied to a place are in that place
			m.told = true
			if m.zone == "" && ev.Action != Delete {
				m.zone = place.Zone
			}
		} else {
			items = m.things("parentID", []string{ev.Parent}, items)
		}
	}
	items = m.things("childEPCs", ev.Children, items)
	if len(ev.Children) == 0 && len(ev.ChildQuantities) == 0 {
		m.note("/action", "it takes all children from their parent, and which they are is not kept")
	}
	m.notes = append(m.notes, Note{Pointer: "/parentID", Reason: "which item holds which is not kept", Ignored: true})
	m.business(items, false)
}

// transaction applies what the event says of the items; the document becomes their reference.
func (m *meaner) transaction() {
	if m.ev.Action == Delete {
		m.note("/action", "the items no longer belong to the document; what was applied because of it stands until a person puts it right")
		return
	}
	var items []thing
	if m.ev.Parent != "" {
		items = m.things("parentID", []string{m.ev.Parent}, items)
	}
	items = m.things("epcList", m.ev.EPCs, items)
	if len(items) == 0 {
		m.note("", "the event names no item")
		return
	}
	m.business(items, false)
}

// transformation ends the inputs and begins the outputs.
func (m *meaner) transformation() {
	m.effect(Retired, m.things("inputEPCList", m.ev.Inputs, nil))
	outputs := m.things("outputEPCList", m.ev.Outputs, nil)
	m.register("outputEPCList", outputs)
	m.business(outputs, true)
}
