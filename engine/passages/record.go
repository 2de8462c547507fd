package passages

import (
	"fmt"
	"time"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
)

// ErrTooMany says that a door heard more than a document holds.
var ErrTooMany = fmt.Errorf("the readers reported more than %d reads, %d entries or %d items in that time",
	MaxReads, MaxEntries, MaxOthers)

// Recorder makes the document of a passage. The journal entries of its Window go through Listen, in
// order, and once more through Add; then the facts of the window through Fact.
type Recorder struct {
	p        Passage
	item     epc.Key
	from, to int64
	at       int64
	door     map[string]bool // ids of the door's read points
	lay      *layout.Layout
	with     map[epc.Key]bool // what the door heard around the passage
	index    map[epc.Key]int  // in reads
	points   map[string]int
	known    map[epc.Key]bool
	reads    int
}

// NewRecorder begins the document of the passage that f is about. doc is the text of lay, which is
// the layout in force. It fails if f is no passage, or the layout has no such door.
func NewRecorder(lay *layout.Layout, doc []byte, f *event.Fact) (*Recorder, error) {
	if f.Cause != event.Passed {
		return nil, fmt.Errorf("the fact %s is of cause %s, which is no passage", f.ID(), f.Cause)
	}
	r := &Recorder{
		lay: lay, item: f.Key, at: f.At, from: f.At - Before.Milliseconds(),
		to:   min(max(f.At, f.Ms)+Around.Milliseconds(), f.At-Before.Milliseconds()+maxMinutes*time.Minute.Milliseconds()),
		door: make(map[string]bool), with: map[epc.Key]bool{f.Key: true}, index: map[epc.Key]int{f.Key: 0},
		points: make(map[string]int), known: make(map[epc.Key]bool),
		p: Passage{
			Door: doorOf(lay, f), Item: f.Name(), Layout: doc, Others: []Other{}, Points: []string{}, Entries: []Entry{},
			Notified: Notified{
				Direction: f.Passage.Direction.String(), Confidence: f.Passage.Confidence, Sure: sure(f),
				At: time.UnixMilli(f.At).UTC(),
			},
		},
	}
	r.p.Start = time.UnixMilli(r.from).UTC()
	for id := range portalsOf(lay, r.p.Door) {
		r.door[id] = true
	}
	if len(r.door) == 0 {
		return nil, fmt.Errorf("the layout of that time has no door %q", r.p.Door)
	}
	return r, nil
}

// portalsOf returns the ids of the portal read points of a door.
func portalsOf(lay *layout.Layout, door string) map[string]bool {
	ids := make(map[string]bool)
	zone, ok := lay.ZoneIndex(door)
	for i := range lay.ReadPoints {
		if p := &lay.ReadPoints[i]; ok && p.Role == event.Portal && p.Zone == zone {
			ids[p.ID] = true
		}
	}
	return ids
}

// doorOf returns the door that a passage led through.
func doorOf(lay *layout.Layout, f *event.Fact) string {
	if k, ok := lay.ReadPointIndex(f.Point); ok && lay.ReadPoints[k].Role == event.Portal {
		return lay.Zones[lay.ReadPoints[k].Zone].ID
	}
	if f.Zone != "" {
		return f.Zone
	}
	return f.From
}

// Window returns from when to when entries were received that belong into the document, Unix
// milliseconds.
func (r *Recorder) Window() (from, to int64) { return r.from, r.to }

// Listen notes what the door heard around the passage.
func (r *Recorder) Listen(e *event.Entry) {
	if e.Kind != event.EntryReads || e.At < r.at-Around.Milliseconds() || e.At > r.to {
		return
	}
	for i := range e.Reads {
		if r.door[e.Points[e.Reads[i].Point]] {
			r.with[e.Reads[i].Key] = true
		}
	}
}

// Add takes what belongs into the document of one entry. It fails with ErrTooMany.
func (r *Recorder) Add(e *event.Entry) error {
	if e.At < r.from || e.At > r.to {
		return nil
	}
	entry := Entry{At: e.At - r.from}
	switch {
	case e.Kind == event.EntryReads && e.Count == "": // the reads of a count say what there is, and are not followed
		if err := r.addReads(e, &entry); err != nil {
			return err
		}
	case e.Kind == event.EntryEvents:
		for i := range e.Events {
			r.addEvent(&e.Events[i], &entry)
		}
	}
	if len(entry.Points)+len(entry.Events) == 0 {
		return nil
	}
	if len(r.p.Entries) == MaxEntries {
		return ErrTooMany
	}
	r.p.Entries = append(r.p.Entries, entry)
	return nil
}

func (r *Recorder) addReads(e *event.Entry, entry *Entry) error {
	numbers := make([]int, len(e.Points))
	for k, id := range e.Points {
		if _, ok := r.lay.ReadPointIndex(id); !ok {
			numbers[k] = -1
			continue
		}
		n, ok := r.points[id]
		if !ok {
			n = len(r.p.Points)
			r.points[id] = n
			r.p.Points = append(r.p.Points, id)
		}
		numbers[k] = n
		entry.Points = append(entry.Points, n)
	}
	for i := range e.Reads {
		x := &e.Reads[i]
		point := numbers[x.Point]
		if point < 0 || !r.door[e.Points[x.Point]] && !r.with[x.Key] {
			continue
		}
		tag, ok := r.index[x.Key]
		if !ok {
			if len(r.p.Others) == MaxOthers {
				return ErrTooMany
			}
			r.p.Others = append(r.p.Others, Other{Item: wordsOf(x.Key, x.Text)})
			tag = len(r.p.Others)
			r.index[x.Key] = tag
		}
		if r.reads++; r.reads > MaxReads {
			return ErrTooMany
		}
		read := Read{Tag: tag, Point: point, At: r.offset(x.T)}
		if x.N > 1 {
			read.Count = x.N
		}
		if x.Zone != 0 {
			read.Zone = e.Zones[x.Zone-1]
		}
		if x.RSSI != event.NoRSSI {
			read.RSSI = new(float64(x.RSSI) / 10)
		}
		if x.Phase != 0 {
			read.Phase = new(float64(x.Phase-1) / 10)
		}
		if x.Channel != 0 {
			read.Channel = new(float64(x.Channel) / 10)
		}
		if x.Doppler != 0 {
			read.Doppler = new(float64(int(x.Doppler)-event.DopplerZero) / 10)
		}
		entry.Reads = append(entry.Reads, read)
	}
	return nil
}

// offset returns how long after the start a moment by a foreign clock is.
func (r *Recorder) offset(t int64) int64 { return min(max(t-r.from, -maxOffset), maxOffset) }

func (r *Recorder) addEvent(ev *event.Event, entry *Entry) {
	for _, tag := range ev.Tags {
		if tag.Key != r.item || len(entry.Events) == maxEvents {
			continue
		}
		x := Event{Type: ev.Type.String(), At: r.offset(ev.T), Zone: ev.Zone}
		if ev.Type == event.EventRegistered {
			x.GTIN = event.GTINText(ev.GTIN)
		}
		entry.Events = append(entry.Events, x)
	}
}

// Fact takes a fact of the window: the first one about an item shows what was known of it before.
func (r *Recorder) Fact(f *event.Fact) {
	if f.Ms < r.from || r.known[f.Key] {
		return
	}
	k := Known{Zone: f.Zone, GTIN: event.GTINText(f.GTIN)}
	disp := f.Disp
	switch f.Cause {
	case event.Arrived, event.Left, event.Passed:
		k.Zone = f.From
	case event.Sold:
		disp = event.SellableAccessible
	case event.Returned:
		disp = event.RetailSold
	case event.Received:
		k.Zone, disp = "", event.Unknown
	}
	r.set(f.Key, k, disp)
}

// Item takes what is known of an item now, for want of a fact of the window: it was so before, unless
// the item has moved since.
func (r *Recorder) Item(it *engine.ItemInfo) {
	if !r.known[it.Key] && it.Since < r.from {
		r.set(it.Key, Known{Zone: it.Zone, GTIN: event.GTINText(it.GTIN)}, it.Disposition)
	}
}

func (r *Recorder) set(key epc.Key, k Known, disp event.Disposition) {
	n, ok := r.index[key]
	if !ok {
		return
	}
	if _, ok := r.lay.ZoneIndex(k.Zone); !ok {
		k.Zone = "" // of another layout
	}
	if disp != event.Unknown {
		k.Disposition = disp.String()
	}
	r.known[key] = true
	*r.p.known(n) = k
}

// Unknown calls f with the items of the document that no fact was about.
func (r *Recorder) Unknown(f func(epc.Key)) {
	for key := range r.index { // what f makes of one has no bearing on another
		if !r.known[key] {
			f(key)
		}
	}
}

// Passage returns the document, which takes the label.
func (r *Recorder) Passage(label string) *Passage {
	r.p.Label = label
	return &r.p
}
