package passages

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/presence"
	"lintel/rules/doc"
)

// Bounds of what a document says.
const (
	maxOffset  = 366 * 24 * int64(time.Hour/time.Millisecond) // a reader's clock may be wrong, but not by more
	maxMinutes = 15                                           // from the start to the last entry, and to the passage
	maxWords   = 1000                                         // bytes of one text
	maxSeconds = 3600                                         // of what was learnt
	maxPeaks   = 16                                           // likewise

	maxProblems = 10 // of a passage
)

// Reader reads passages, one JSON object a line. It is not safe for concurrent use.
type Reader struct {
	lines *bufio.Scanner
	line  int
}

// NewReader begins to read.
func NewReader(r io.Reader) *Reader {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, MaxLine)
	return &Reader{lines: lines}
}

// Line returns the number of the last line read, from 1.
func (r *Reader) Line() int { return r.line }

// Next returns the next passage, io.EOF after the last. What is wrong with a line is of type
// doc.Errors; other errors come from the reader.
func (r *Reader) Next() (*Passage, error) {
	for r.lines.Scan() {
		r.line++
		line := bytes.TrimSpace(r.lines.Bytes())
		if r.line == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if len(line) == 0 {
			continue
		}
		p, err := parse(line)
		if err != nil {
			return nil, r.problems(err)
		}
		return p, nil
	}
	switch err := r.lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		reason := fmt.Sprintf("is longer than %d bytes, which no passage is", MaxLine)
		return nil, doc.Errors{{Line: r.line + 1, Severity: doc.SeverityError, Reason: reason}}
	case err != nil:
		return nil, fmt.Errorf("after line %d: %w", r.line, err)
	}
	return nil, io.EOF
}

// problems places what is wrong with the line that was read.
func (r *Reader) problems(err error) error {
	var list doc.Errors
	if !errors.As(err, &list) {
		f := asFault(err)
		list = doc.Errors{{Path: f.place, Severity: doc.SeverityError, Reason: f.reason}}
	}
	for i, d := range list {
		list[i] = doc.Diagnostic{Line: r.line, Path: d.Path, Severity: d.Severity, Reason: d.Reason, Hint: d.Hint, More: d.More}
		if d.Path == "" {
			list[i].Column = d.Column
		}
	}
	return list
}

// fault is what is wrong with a member.
type fault struct{ place, reason string }

func (f *fault) Error() string { return strings.TrimPrefix(f.place+": ", ": ") + f.reason }

func faultf(format string, args ...any) error { return &fault{reason: fmt.Sprintf(format, args...)} }

// in says that an error is of a member, or of an entry of a list: "[3]"; "" adds nothing.
func in(place string, err error) error {
	if err == nil {
		return nil
	}
	f := asFault(err)
	switch {
	case place == "":
	case f.place == "":
		f.place = place
	case f.place[0] == '[':
		f.place = place + f.place
	default:
		f.place = place + "." + f.place
	}
	return f
}

func index(i int) string { return "[" + strconv.Itoa(i) + "]" }

func asFault(err error) *fault {
	var f *fault
	if errors.As(err, &f) {
		return f
	}
	return &fault{reason: "is not valid JSON, or of the wrong type: " + err.Error()}
}

// maxNodes bounds what one entry, and all beside the entries, may be made of.
const maxNodes = 20 * MaxReads

// parse reads one passage; what is wrong is of type doc.Errors or a fault.
func parse(src []byte) (*Passage, error) {
	p := parser{}
	x := &p.p
	x.Others, x.Points, x.Entries = []Other{}, []string{}, []Entry{}
	d, problem := doc.JSONRows(src, MaxLine, maxNodes, "entries", p.entry)
	r := doc.NewReport("", maxProblems, d, problem)
	if d.Root == nil {
		return nil, r.Err()
	}
	o := p.object(r, d.Root, "door", "item", "label", "notified", "known", "layout", "start", "others", "read_points", "learnt",
		"entries")
	o.needs("door", "item", "label", "notified", "known", "layout", "start", "others", "read_points", "entries")
	x.Door, x.Item, x.Label, x.Start = o.text("door"), o.text("item"), o.text("label"), o.moment("start")
	if n := o.Get("notified"); n != nil {
		o := p.object(r, n, "direction", "confidence", "sure", "at")
		o.needs("direction", "confidence", "sure", "at")
		x.Notified = Notified{o.text("direction"), o.Number("confidence", 0, 1, 0, ""), o.Flag("sure"), o.moment("at")}
	}
	x.Known = p.known(o)
	for _, n := range o.List("others", MaxOthers) {
		o := p.object(r, n, "item", "known")
		o.needs("item")
		x.Others = append(x.Others, Other{o.text("item"), p.known(o)})
	}
	for _, n := range o.List("read_points", maxPoints) {
		id, _ := r.TextOf(n)
		x.Points = append(x.Points, id)
	}
	for _, n := range o.List("learnt", maxPoints) {
		o := p.object(r, n, "interval_seconds", "busy_interval_seconds", "lag_seconds", "tags", "own_dbm", "carried_dbm")
		x.Learnt = append(x.Learnt, Learnt{
			Rhythm: o.Number("interval_seconds", 0, maxSeconds, 0, ""), Every: o.Number("busy_interval_seconds", 0, maxSeconds, 0, ""),
			Lag: o.Number("lag_seconds", -maxSeconds, maxSeconds, 0, ""), Load: o.Number("tags", 0, MaxReads, 0, ""),
			Own: o.Number("own_dbm", -128, 0, 0, ""), Loud: p.wholes(o, "carried_dbm", -128, -1, maxPeaks),
		})
	}
	if n := o.Get("entries"); n != nil {
		o.ListOf(n, MaxEntries) // its entries were read before
	}
	for _, d := range p.problems {
		r.Add(d)
	}
	if err := r.Err(); err != nil {
		return nil, err
	}
	raw := struct{ Layout *json.RawMessage }{&x.Layout}
	if err := json.Unmarshal(src, &raw); err != nil {
		return nil, err
	}
	return x, x.check()
}

type parser struct {
	p        Passage
	reads    int
	events   int
	entries  int
	problems doc.Errors // of entries
}

// object is an object of a passage.
type object struct{ doc.Object }

func (p *parser) object(r *doc.Report, n *doc.Node, known ...string) object {
	o, _ := r.Object(n, known...)
	return object{o}
}

// needs reports which of the members are missing.
func (o object) needs(names ...string) {
	for _, name := range names {
		if o.Get(name) == nil {
			o.Problem(name, "", "is missing")
		}
	}
}

func (o object) text(name string) string {
	s, _ := o.Text(name, false)
	if len(s) > maxWords {
		o.Problem(name, "", "is longer than %d bytes", maxWords)
	}
	return s
}

func (o object) moment(name string) time.Time {
	t, ok := o.Time(name, false)
	if ok && (t.Year() < 1970 || t.Year() > 9998) {
		o.Problem(name, "", "is not a time from 1970 to 9998")
	}
	return t.UTC()
}

// number returns a number from low to high, nil if it is missing.
func (o object) number(name string, low, high float64) *float64 {
	if o.Get(name) == nil {
		return nil
	}
	return new(o.Number(name, low, high, low, ""))
}

func (p *parser) known(of object) Known {
	n := of.Get("known")
	if n == nil {
		return Known{}
	}
	o := p.object(of.Report, n, "zone", "disposition", "gtin", "usual")
	k := Known{Zone: o.text("zone"), Disposition: o.text("disposition"), GTIN: o.text("gtin")}
	if n := o.Get("usual"); n != nil {
		u := p.object(of.Report, n, "slots", "inner", "outer")
		k.Usual = &Usual{u.Whole("slots", 0, 1000, 0), p.wholes(u, "inner", 0, 255, presence.UsualClasses),
			p.wholes(u, "outer", 0, 255, presence.UsualClasses)}
	}
	return k
}

// wholes reads a list of whole numbers from low to high, at most so many.
func (p *parser) wholes(o object, name string, low, high, most int) []int {
	list := []int{}
	for _, n := range o.List(name, most) {
		k, _ := o.NumberOf(n)
		if k != math.Trunc(k) || k < float64(low) || k > float64(high) {
			o.About(n, "", "%s is no whole number from %d to %d", doc.Clip(n.Text), low, high)
			k = float64(low)
		}
		list = append(list, int(k))
	}
	return list
}

// entry reads one of the entries, which are many.
func (p *parser) entry(_ *doc.Document, n *doc.Node) {
	if p.entries++; p.entries > MaxEntries {
		if len(p.problems) == 0 {
			p.problems = append(p.problems, doc.Diagnostic{Line: n.Line, Path: "entries", Severity: doc.SeverityError,
				Reason: fmt.Sprintf("has more than %d entries", MaxEntries)})
		}
		return
	}
	r := &doc.Report{Doc: &doc.Document{Root: n}, Max: maxProblems}
	o := p.object(r, n, "at", "points", "reads", "events")
	o.needs("at")
	e := Entry{At: int64(o.Whole("at", 0, int(maxMinutes*time.Minute/time.Millisecond), 0))}
	for _, n := range o.List("points", maxPoints) {
		k, _ := r.NumberOf(n)
		if k != math.Trunc(k) || k < 0 || k >= maxPoints {
			r.About(n, "", "%s is no whole number from 0 to %d", doc.Clip(n.Text), maxPoints-1)
			k = 0
		}
		e.Points = append(e.Points, int(k))
	}
	reads := o.List("reads", MaxReads-p.reads)
	for _, n := range reads {
		o := p.object(r, n, "tag", "point", "at", "rssi", "phase", "channel", "doppler", "count", "zone")
		o.needs("tag", "point", "at")
		x := Read{
			Tag: o.Whole("tag", 0, MaxOthers, 0), Point: o.Whole("point", 0, maxPoints-1, 0), At: o.offset("at"),
			RSSI:  o.number("rssi", -3276.7, 3276.7), // what a journal can hold, and the next three
			Phase: o.number("phase", 0, 359.9), Channel: o.number("channel", 100, 6000), Doppler: o.number("doppler", -1000, 1000),
			Zone: o.text("zone"),
		}
		if o.Get("count") != nil {
			x.Count = uint32(o.Whole("count", 1, 1<<31, 1))
		}
		e.Reads = append(e.Reads, x)
	}
	events := o.List("events", maxEvents-p.events)
	for _, n := range events {
		o := p.object(r, n, "type", "at", "zone", "gtin")
		o.needs("type", "at")
		e.Events = append(e.Events, Event{o.text("type"), o.offset("at"), o.text("zone"), o.text("gtin")})
	}
	p.reads, p.events = p.reads+len(reads), p.events+len(events)
	for _, d := range r.List() {
		d.Path = strings.TrimSuffix("entries"+index(p.entries-1)+"."+d.Path, ".")
		p.problems = append(p.problems, d)
	}
	p.p.Entries = append(p.p.Entries, e)
}

// offset reads how long after the start something was, in milliseconds.
func (o object) offset(name string) int64 {
	return int64(o.Whole(name, -int(maxOffset), int(maxOffset), 0))
}

// check says what of a document does not go together.
func (p *Passage) check() error {
	lay, err := layout.Parse(p.Layout)
	if err != nil {
		return in("layout", faultf("%v", err))
	}
	start, at := p.Start, p.Notified.At
	switch {
	case len(portalsOf(lay, p.Door)) == 0:
		return in("door", faultf("the layout has no door %.80q", p.Door))
	case p.Label != "" && !slices.Contains(Labels(), p.Label):
		return in("label", faultf("%.40q is no label; write one of %q, or nothing", p.Label, Labels()))
	case !slices.Contains([]string{"out", "in", "unsure"}, p.Notified.Direction):
		return in("notified.direction", faultf(`%.40q is none; write "out", "in" or "unsure"`, p.Notified.Direction))
	case at.Before(start) || at.Sub(start) > maxMinutes*time.Minute:
		return in("notified.at", faultf("is not within %d minutes after start", maxMinutes))
	case len(p.Entries) == 0:
		return in("entries", faultf("has none; a passage without reads can't be judged"))
	}
	tags := make(map[epc.Key]bool)
	for k := range 1 + len(p.Others) {
		place, words := "", p.Item
		if k > 0 {
			place, words = "others"+index(k-1), p.Others[k-1].Item
		}
		if err := p.known(k).check(lay); err != nil {
			return in(place, in("known", err))
		}
		tag, err := tagOf(words)
		if err != nil {
			return in(place, in("item", faultf("%v", err)))
		}
		if tags[tag.Key] {
			return in(place, in("item", faultf("%.80s stands twice", words)))
		}
		tags[tag.Key] = true
	}
	for k, id := range p.Points {
		if _, ok := lay.ReadPointIndex(id); !ok {
			return in("read_points"+index(k), faultf("the layout has no read point %.80q", id))
		}
		if slices.Index(p.Points, id) != k {
			return in("read_points"+index(k), faultf("%q stands twice", id))
		}
	}
	if len(p.Learnt) > 0 && len(p.Learnt) != len(p.Points) {
		return in("learnt", faultf("has %d entries for %d read points", len(p.Learnt), len(p.Points)))
	}
	named := make([]int, len(p.Points)) // one more than the entry that named the read point last
	for k := range p.Entries {
		if err := p.Entries[k].check(p, named, k+1); err != nil {
			return in("entries"+index(k), err)
		}
	}
	return nil
}

func (k *Known) check(lay *layout.Layout) error {
	if _, ok := lay.ZoneIndex(k.Zone); k.Zone != "" && !ok {
		return in("zone", faultf("the layout has no zone %.80q", k.Zone))
	}
	if _, ok := dispositionOf(k.Disposition); !ok {
		return in("disposition", faultf("there is no disposition %.40q", k.Disposition))
	}
	return checkGTIN(k.GTIN)
}

func checkGTIN(s string) error {
	if s == "" {
		return nil
	}
	if _, err := epc.ParseGTIN(s); err != nil {
		return in("gtin", faultf("%v", err))
	}
	return nil
}

func (e *Entry) check(p *Passage, named []int, mark int) error {
	switch {
	case len(e.Points) == 0 && len(e.Events) == 0:
		return faultf("has neither points nor events")
	case len(e.Points) > 0 && len(e.Events) > 0:
		return faultf("has points and events; an entry is a report of readers, or events")
	}
	for k, n := range e.Points {
		if n >= len(p.Points) || named[n] == mark {
			return in("points"+index(k), faultf("%d is not the index of one of %d read points, each once", n, len(p.Points)))
		}
		named[n] = mark
	}
	for k := range e.Reads {
		r := &e.Reads[k]
		var err error
		switch {
		case r.Tag > len(p.Others):
			err = in("tag", faultf("%d is past the last of %d others", r.Tag, len(p.Others)))
		case r.Point >= len(named) || named[r.Point] != mark:
			err = in("point", faultf("%d is not among the points of the entry", r.Point))
		case r.Zone != "" && !layout.ValidID(r.Zone):
			err = in("zone", faultf("%.80q is no id", r.Zone))
		}
		if err != nil {
			return in("reads"+index(k), err)
		}
	}
	for k := range e.Events {
		x := &e.Events[k]
		err := checkGTIN(x.GTIN)
		t, ok := event.EventTypes.Parse(x.Type)
		switch {
		case err != nil:
		case !ok:
			err = in("type", faultf("there is no event %.40q", x.Type))
		case t == event.EventRegistered && x.GTIN == "":
			err = in("gtin", faultf("is missing; a registered tag is tied to a product"))
		case x.Zone != "" && !layout.ValidID(x.Zone):
			err = in("zone", faultf("%.80q is no id", x.Zone))
		}
		if err != nil {
			return in("events"+index(k), err)
		}
	}
	return nil
}
