package passages

import (
	"fmt"
	"math"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules"
	"lintel/rules/doc"
)

// lead is how long before the first entry the items come to where they were.
const lead = time.Second

// Judgement is what is concluded of a passage now.
type Judgement struct {
	Site  string
	Facts []event.Fact // of passages of the item through the door, within Around of the passage
	Out   bool         // whether people are notified that it went out unpaid
	At    int64        // when, Unix milliseconds
	Same  bool         // whether a passage in the direction that was notified is concluded
}

// Judge replays the passage, which must be one that a Reader or Recorder gave.
func (p *Passage) Judge() (Judgement, error) {
	lay, err := layout.Parse(p.Layout)
	if err != nil {
		return Judgement{}, fmt.Errorf("layout: %w", err)
	}
	tags, err := p.tags()
	if err != nil {
		return Judgement{}, err
	}
	cfg, err := p.config(lay, tags)
	if err != nil {
		return Judgement{}, err
	}
	m := engine.NewMachine(lay.Site, cfg)
	var about []event.Fact // the item
	took := func() {
		for _, f := range m.Batch().Facts {
			if f.Key == tags[0].Key {
				about = append(about, f)
			}
		}
	}
	step := func(e event.Entry) error {
		defer took()
		return m.Apply(&e, nil)
	}
	pass := func(until int64) {
		for m.Advance(until) {
			took()
		}
	}
	start, at := p.Start.UnixMilli(), p.Notified.At.UnixMilli()
	if err := step(p.before(tags, start-lead.Milliseconds())); err != nil {
		return Judgement{}, err
	}
	m.Teach(p.learnt(tags))
	end := at + Around.Milliseconds()
	for i := range p.Entries {
		e := p.Entries[i].entry(p, tags, start)
		pass(e.At)
		if err := step(e); err != nil {
			return Judgement{}, err
		}
		end = max(end, e.At)
	}
	pass(end)
	j := Judgement{Site: lay.Site}
	for k := range about {
		f := &about[k]
		if !sure(f) || doorOf(lay, f) != p.Door || max(f.At-at, at-f.At) > Around.Milliseconds() {
			continue
		}
		j.Facts = append(j.Facts, *f)
		j.Same = j.Same || f.Passage.Direction.String() == p.Notified.Direction
		if !j.Out && outUnpaid(f) {
			j.Out, j.At = true, f.Ms
		}
	}
	return j, nil
}

func outUnpaid(f *event.Fact) bool {
	return f.Passage.Direction == event.DirectionOut && f.Disp.Sellable()
}

// tags returns the tags in the order in which reads refer to them.
func (p *Passage) tags() ([]event.Tag, error) {
	tags := make([]event.Tag, 1+len(p.Others))
	var err error
	if tags[0], err = tagOf(p.Item); err != nil {
		return nil, fmt.Errorf("item: %w", err)
	}
	for k := range p.Others {
		if tags[1+k], err = tagOf(p.Others[k].Item); err != nil {
			return nil, fmt.Errorf("others[%d].item: %w", k, err)
		}
	}
	return tags, nil
}

func (p *Passage) known(tag int) *Known {
	if tag == 0 {
		return &p.Known
	}
	return &p.Others[tag-1].Known
}

// config is the layout, the products that the items are of, and no rules.
func (p *Passage) config(lay *layout.Layout, tags []event.Tag) (*engine.Config, error) {
	var rows strings.Builder
	seen := make(map[string]bool)
	for k := range tags {
		if gtin := p.known(k).GTIN; gtin != "" && !seen[gtin] {
			seen[gtin] = true
			fmt.Fprintf(&rows, "%s,item\n", gtin)
		}
	}
	products := &catalog.Catalog{}
	if len(seen) > 0 {
		var bad doc.Errors
		products, bad = catalog.ParseCSV(strings.NewReader("gtin,name\n"+rows.String()), catalog.CSVOptions{})
		if len(bad) > 0 {
			return nil, fmt.Errorf("the products: %v", bad[0])
		}
	}
	doc, faults := rules.Parse("rules", []byte("rules: []\n"))
	if len(faults) > 0 {
		return nil, fmt.Errorf("the rules: %v", faults[0])
	}
	set, faults := rules.Compile(doc, rules.Known{})
	if set == nil {
		return nil, fmt.Errorf("the rules: %v", faults)
	}
	return &engine.Config{Layout: lay, Catalog: products, Rules: set}, nil
}

// before is the entry that puts the items where they were: received there, and sold if they were paid
// for. What was nobody's stock is not known.
func (p *Passage) before(tags []event.Tag, at int64) event.Entry {
	e := event.Entry{Kind: event.EntryEvents, At: at, By: "passages"}
	for k := range tags {
		one, known := tags[k:k+1], p.known(k)
		gtin, err := epc.ParseGTIN(known.GTIN)
		if own, ok := one[0].Key.GTIN14(); known.GTIN != "" && err == nil && (!ok || own != gtin) {
			e.Events = append(e.Events, event.Event{Type: event.EventRegistered, Tags: one, T: at, GTIN: gtin})
		}
		disp, _ := dispositionOf(known.Disposition)
		if disp.Sellable() || disp == event.RetailSold {
			e.Events = append(e.Events, event.Event{Type: event.EventReceived, Tags: one, Zone: known.Zone, T: at})
		}
		if disp == event.RetailSold {
			e.Events = append(e.Events, event.Event{Type: event.EventSold, Tags: one, T: at})
		}
	}
	return e
}

// entry returns the journal entry that e was.
func (e *Entry) entry(p *Passage, tags []event.Tag, start int64) event.Entry {
	out := event.Entry{Kind: event.EntryReads, At: start + e.At, By: "passages"}
	if len(e.Events) > 0 {
		out.Kind = event.EntryEvents
		for k := range e.Events {
			x := &e.Events[k]
			t, _ := event.EventTypes.Parse(x.Type)
			gtin, _ := epc.ParseGTIN(x.GTIN)
			out.Events = append(out.Events, event.Event{Type: t, Tags: tags[:1], Zone: x.Zone, T: start + x.At, GTIN: gtin})
		}
		return out
	}
	place := make(map[int]uint16, len(e.Points))
	for k, n := range e.Points {
		place[n] = uint16(k)
		out.Points = append(out.Points, p.Points[n])
	}
	zones := make(map[string]uint16)
	for k := range e.Reads {
		x := &e.Reads[k]
		r := event.Read{
			Key: tags[x.Tag].Key, Text: tags[x.Tag].Text, Point: place[x.Point], T: start + x.At, N: max(1, x.Count), RSSI: event.NoRSSI,
		}
		if x.Zone != "" {
			if zones[x.Zone] == 0 {
				out.Zones = append(out.Zones, x.Zone)
				zones[x.Zone] = uint16(len(out.Zones))
			}
			r.Zone = zones[x.Zone]
		}
		if x.RSSI != nil {
			r.RSSI = int16(tenths(*x.RSSI))
		}
		if x.Phase != nil {
			r.Phase = uint16(tenths(*x.Phase)) + 1
		}
		if x.Channel != nil {
			r.Channel = uint16(tenths(*x.Channel))
		}
		if x.Doppler != nil {
			r.Doppler = uint16(tenths(*x.Doppler) + event.DopplerZero)
		}
		out.Reads = append(out.Reads, r)
	}
	return out
}

func tenths(v float64) int { return int(math.Round(v * 10)) }
