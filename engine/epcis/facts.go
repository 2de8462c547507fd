package epcis

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// ExportOptions say whose facts become events.
type ExportOptions struct {
	Places  *Directory // the shop and its URIs
	Created int64      // the time of writing, Unix milliseconds: the creationDate of the document
}

// Exporter turns the facts of one shop into events.
type Exporter struct {
	places  *Directory
	context *Context
	loc     *time.Location
	created int64
	known   map[string]string // prefixes of the context
}

// NewExporter returns an Exporter for a shop.
func NewExporter(opt ExportOptions) (*Exporter, error) {
	if opt.Places == nil {
		return nil, errors.New("EPCIS: an export needs the places of the shop; make a Directory of its layout")
	}
	x := &Exporter{places: opt.Places, loc: opt.Places.lay.Location(), created: opt.Created}
	x.context = NewContext(map[string]string{"lintel": opt.Places.base + "/ns/"})
	x.known = prefixes(x.context)
	return x, nil
}

// Skip says why a fact is no event; the zero value means that it is one.
type Skip string

// Why facts are left out.
const (
	SkipNone        Skip = ""
	SkipUnobserved  Skip = "not observed" // left, missing, silent: that something was not heard is no observation of it
	SkipNoItem      Skip = "no item"      // stock levels and the health of readers are no events of items
	SkipNotOurs     Skip = "not ours"     // where a tag is that is a customer's by now, or that nobody declared stock, is not handed on
	SkipNoIdentity  Skip = "no identity"  // the item has no identity that can be written as a URI
	SkipUnknownTime Skip = "unknown time" // the time can't be written: the year has more than four digits
)

// told says how a fact is written: its action, business step and disposition, and whether the place
// is where the items are from then on.
type told struct {
	action      Action
	step        string
	disposition string
	stays       bool // there is a business location
}

var toldAs = map[event.Cause]told{
	event.Arrived:    {action: Observe, stays: true}, // the step follows from the zone
	event.Passed:     {action: Observe, step: "entering_exiting"},
	event.Sold:       {action: Observe, step: "retail_selling", disposition: "retail_sold"},
	event.Returned:   {action: Observe, step: "receiving", disposition: "returned", stays: true},
	event.Received:   {action: Observe, step: "receiving", stays: true},
	event.Shipped:    {action: Observe, step: "shipping", disposition: "in_transit"},
	event.Found:      {action: Observe, step: "cycle_counting", stays: true},
	event.Counted:    {action: Observe, step: "cycle_counting", stays: true},
	event.Retired:    {action: Delete, step: "decommissioning", disposition: "inactive"},
	event.Registered: {action: Add, step: "commissioning", disposition: "active", stays: true},
}

// unobserved are the facts that tell of an absence, or of what two observations together mean.
var unobserved = map[event.Cause]bool{event.Left: true, event.Missing: true, event.Silent: true, event.Doubled: true,
	event.Near: true, event.Away: true, event.OtherShop: true}

// Event turns a fact into an event with its hash id, or says why it is none.
func (x *Exporter) Event(f *event.Fact) (Event, Skip) {
	how, ok := toldAs[f.Cause]
	switch {
	case unobserved[f.Cause] || f.Passage.Likely:
		return Event{}, SkipUnobserved
	case f.Cause == event.Foreign:
		return Event{}, SkipNotOurs
	case !ok:
		return Event{}, SkipNoItem
	case (f.Disp == event.Unknown || f.Disp == event.RetailSold) && (f.Cause == event.Arrived ||
		f.Cause == event.Passed || f.Cause == event.Found):
		return Event{}, SkipNotOurs
	}
	ev := Event{Type: ObjectEvent, Action: how.action, BizStep: how.step, Disposition: how.disposition, At: f.At,
		EPCs: []string{}, prefixes: x.known}
	if ev.Time, ok = formatTime(f.At); !ok {
		return Event{}, SkipUnknownTime
	}
	ev.Offset = x.offset(f.At)
	ev.RecordTime, _ = formatTime(f.Ms)
	if f.Cause == event.Counted {
		x.count(&ev, f)
	} else {
		uri, skip := identity(f)
		if skip != SkipNone {
			return Event{}, skip
		}
		ev.EPCs = append(ev.EPCs, uri)
	}
	if f.Cause == event.Arrived {
		ev.BizStep = stepInto(x.kind(f.Zone))
	}
	if (f.Cause == event.Arrived || f.Cause == event.Received || f.Cause == event.Found) && f.Disp != event.Unknown {
		ev.Disposition = f.Disp.String()
	}
	x.place(&ev, f, how.stays)
	if f.Ref != "" {
		ev.BizTransactions = []BizTransaction{{ID: DocumentURI(x.places.base, x.places.lay.Site, f.Ref)}}
	}
	ev.ID = EventID(&ev)
	return ev, SkipNone
}

// place sets where the event was seen: its read point, else its zone. Items that leave the shop
// have no business location.
func (x *Exporter) place(ev *Event, f *event.Fact, stays bool) {
	switch {
	case f.Point != "":
		ev.ReadPoint = &Location{ID: x.places.PointURI(f.Point)}
	case f.Zone != "":
		ev.ReadPoint = &Location{ID: x.places.ZoneURI(f.Zone)}
	case f.From != "":
		ev.ReadPoint = &Location{ID: x.places.ZoneURI(f.From)}
	}
	if stays && f.Zone != "" {
		ev.BizLocation = &Location{ID: x.places.ZoneURI(f.Zone)}
	}
}

// count writes a closed count. The items that it found are written by facts of their own where
// something was new of them; the event carries the sums.
func (x *Exporter) count(ev *Event, f *event.Fact) {
	sum := func(name string, n int) {
		ev.Extensions = append(ev.Extensions, Member{Name: "lintel:" + name, Value: strconv.AppendInt(nil, int64(n), 10)})
	}
	sum("itemsFound", f.Count)
	sum("itemsExpected", f.Expected)
	sum("itemsNotFound", f.MissingItems)
	sum("itemsUnexpected", f.Unexpected)
}

func (x *Exporter) kind(zone string) event.ZoneKind {
	i, ok := x.places.lay.ZoneIndex(zone)
	if !ok {
		return event.ZoneKindNone
	}
	return x.places.lay.Zones[i].Kind
}

// stepInto is the business step of goods that come into a place: stocking where customers can reach
// them, storing in a back room. For other places the vocabulary has no word that is surely right,
// and the step is optional.
func stepInto(k event.ZoneKind) string {
	switch k {
	case event.Shelf, event.Floor:
		return "stocking"
	case event.Stockroom:
		return "storing"
	}
	return ""
}

// identity returns the URI of the item of a fact.
func identity(f *event.Fact) (string, Skip) {
	name := f.Name()
	if name == "" {
		return "", SkipNoIdentity
	}
	id, err := epc.Parse(name)
	if err != nil {
		return "", SkipNoIdentity
	}
	if id.IsRaw() && f.GTIN == 0 {
		return "", SkipNotOurs
	}
	if link := id.DigitalLink(); link != "" {
		return link, SkipNone
	}
	if validURI(name) {
		return name, SkipNone
	}
	return "", SkipNoIdentity
}

// formatTime writes Unix milliseconds in UTC.
func formatTime(ms int64) (string, bool) {
	t := time.UnixMilli(ms).UTC()
	if t.Year() < 0 || t.Year() > 9999 {
		return "", false
	}
	return t.Format("2006-01-02T15:04:05.000Z"), true
}

// offset returns the shop's offset from UTC at a time. Offsets of old local times with seconds lose
// them.
func (x *Exporter) offset(ms int64) string {
	_, seconds := time.UnixMilli(ms).In(x.loc).Zone()
	sign := byte('+')
	if seconds < 0 {
		sign, seconds = '-', -seconds
	}
	m := min(seconds/60, 14*60)
	return fmt.Sprintf("%c%02d:%02d", sign, m/60, m%60)
}

// Head returns the document that the events belong in, without events.
func (x *Exporter) Head() Document {
	created, _ := formatTime(x.created)
	return Document{Type: TypeDocument, Context: x.context, SchemaVersion: "2.0", CreationDate: created, Sender: x.places.ZoneURI("")}
}

// Summary counts what became of facts.
type Summary struct {
	Events  int
	Skipped map[Skip]int
}

// WriteFacts writes facts to w as one document, event by event. An error of the facts or of w ends
// it; what was written by then is no whole document.
func WriteFacts(w io.Writer, facts iter.Seq2[*event.Fact, error], opt ExportOptions) (Summary, error) {
	x, err := NewExporter(opt)
	if err != nil {
		return Summary{}, err
	}
	out := NewWriter(w, x.Head())
	sum, err := x.each(facts, out.Event)
	if err != nil {
		return sum, err
	}
	return sum, out.Close()
}

func (x *Exporter) each(facts iter.Seq2[*event.Fact, error], take func(*Event) error) (Summary, error) {
	sum := Summary{Skipped: make(map[Skip]int)}
	for f, err := range facts {
		if err != nil {
			return sum, err
		}
		ev, skip := x.Event(f)
		if skip != SkipNone {
			sum.Skipped[skip]++
			continue
		}
		sum.Events++
		if err := take(&ev); err != nil {
			return sum, err
		}
	}
	return sum, nil
}
