package passages

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-faster/jx"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// Bounds of what a document says.
const (
	maxOffset  = 366 * 24 * int64(time.Hour/time.Millisecond) // a reader's clock may be wrong, but not by more
	maxMinutes = 15                                           // from the start to the last entry, and to the passage
	maxWords   = 1000                                         // bytes of one text
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
			f := asFault(err)
			return nil, doc.Errors{{Line: r.line, Path: f.place, Severity: doc.SeverityError, Reason: f.reason}}
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

// parse reads one passage.
func parse(src []byte) (*Passage, error) {
	p := &parser{d: jx.DecodeBytes(src)}
	if err := p.passage(); err != nil {
		return nil, err
	}
	if err := p.d.Skip(); err != io.EOF {
		return nil, faultf("something follows the JSON object; a line holds one passage")
	}
	return &p.p, p.p.check()
}

type parser struct {
	d      *jx.Decoder
	p      Passage
	reads  int
	events int
}

// members are how the members of an object are read. All are strict: no other name, none twice.
type members map[string]func() error

func (p *parser) object(m members, needed ...string) error {
	if p.d.Next() != jx.Object {
		return faultf("must be a JSON object")
	}
	var seen []string
	err := p.d.ObjBytes(func(_ *jx.Decoder, key []byte) error {
		read, ok := m[string(key)]
		if !ok {
			return faultf("there is no member %.60q", key)
		}
		name := string(key)
		if slices.Contains(seen, name) {
			return in(name, faultf("stands twice"))
		}
		seen = append(seen, name)
		return in(name, read())
	})
	if err != nil {
		return err
	}
	for _, name := range needed {
		if !slices.Contains(seen, name) {
			return in(name, faultf("is missing"))
		}
	}
	return nil
}

func (p *parser) list(most int, read func() error) error {
	if p.d.Next() != jx.Array {
		return faultf("must be a list")
	}
	i := 0
	return p.d.Arr(func(*jx.Decoder) error {
		if i == most {
			return faultf("has more than %d entries", most)
		}
		i++
		return in(index(i-1), read())
	})
}

func (p *parser) text(to *string) func() error {
	return func() error {
		if p.d.Next() != jx.String {
			return faultf("must be a text")
		}
		s, err := p.d.Str()
		if len(s) > maxWords {
			return faultf("is longer than %d bytes", maxWords)
		}
		*to = s
		return err
	}
}

// whole reads a whole number from low to high.
func whole[T int | int64 | uint32](p *parser, to *T, low, high int64) func() error {
	return func() error {
		if p.d.Next() != jx.Number {
			return faultf("must be a number")
		}
		n, err := p.d.Num()
		if err != nil {
			return err
		}
		v, err := n.Int64()
		if err != nil || v < low || v > high {
			return faultf("%.40s is no whole number from %d to %d", n, low, high)
		}
		*to = T(v)
		return nil
	}
}

// number reads a number from low to high.
func (p *parser) number(low, high float64, take func(float64)) func() error {
	return func() error {
		if p.d.Next() != jx.Number {
			return faultf("must be a number")
		}
		v, err := p.d.Float64()
		if err != nil {
			return err
		}
		if !(v >= low && v <= high) {
			return faultf("%v is not from %v to %v", v, low, high)
		}
		take(v)
		return nil
	}
}

func (p *parser) moment(to *time.Time) func() error {
	return func() error {
		var s string
		if err := p.text(&s)(); err != nil {
			return err
		}
		t, err := time.Parse(time.RFC3339Nano, s)
		if err != nil || t.Year() < 1970 || t.Year() > 9998 {
			return faultf("%.40q is no RFC 3339 time such as 2026-11-25T09:14:07Z", s)
		}
		*to = t.UTC()
		return nil
	}
}

func (p *parser) known(to *Known) func() error {
	return func() error {
		return p.object(members{"zone": p.text(&to.Zone), "disposition": p.text(&to.Disposition), "gtin": p.text(&to.GTIN)})
	}
}

func (p *parser) passage() error {
	x := &p.p
	x.Others, x.Points, x.Entries = []Other{}, []string{}, []Entry{}
	return p.object(members{
		"door": p.text(&x.Door), "item": p.text(&x.Item), "label": p.text(&x.Label), "start": p.moment(&x.Start),
		"known": p.known(&x.Known),
		"notified": func() error {
			n := &x.Notified
			return p.object(members{
				"direction": p.text(&n.Direction), "confidence": p.number(0, 1, func(v float64) { n.Confidence = v }),
				"at": p.moment(&n.At),
				"sure": func() (err error) {
					if p.d.Next() != jx.Bool {
						return faultf("must be true or false")
					}
					n.Sure, err = p.d.Bool()
					return err
				},
			}, "direction", "confidence", "sure", "at")
		},
		"layout": func() error {
			if p.d.Next() != jx.Object {
				return faultf("must be a JSON object")
			}
			raw, err := p.d.Raw()
			x.Layout = bytes.Clone(raw)
			return err
		},
		"others": func() error {
			return p.list(MaxOthers, func() error {
				x.Others = append(x.Others, Other{})
				o := &x.Others[len(x.Others)-1]
				return p.object(members{"item": p.text(&o.Item), "known": p.known(&o.Known)}, "item")
			})
		},
		"read_points": func() error {
			return p.list(maxPoints, func() error {
				x.Points = append(x.Points, "")
				return p.text(&x.Points[len(x.Points)-1])()
			})
		},
		"entries": func() error { return p.list(MaxEntries, p.entry) },
	}, "door", "item", "label", "notified", "known", "layout", "start", "others", "read_points", "entries")
}

func (p *parser) entry() error {
	p.p.Entries = append(p.p.Entries, Entry{})
	e := &p.p.Entries[len(p.p.Entries)-1]
	return p.object(members{
		"at": whole(p, &e.At, 0, int64(maxMinutes*time.Minute/time.Millisecond)),
		"points": func() error {
			return p.list(maxPoints, func() error {
				e.Points = append(e.Points, 0)
				return whole(p, &e.Points[len(e.Points)-1], 0, maxPoints-1)()
			})
		},
		"reads":  func() error { return p.list(MaxReads, func() error { return p.read(e) }) },
		"events": func() error { return p.list(maxEvents, func() error { return p.event(e) }) },
	}, "at")
}

func (p *parser) read(e *Entry) error {
	if p.reads++; p.reads > MaxReads {
		return faultf("the passage has more than %d reads", MaxReads)
	}
	e.Reads = append(e.Reads, Read{})
	r := &e.Reads[len(e.Reads)-1]
	pointer := func(to **float64) func(float64) { return func(v float64) { *to = &v } }
	return p.object(members{
		"tag": whole(p, &r.Tag, 0, MaxOthers), "point": whole(p, &r.Point, 0, maxPoints-1), "at": whole(p, &r.At, -maxOffset, maxOffset),
		"rssi":  p.number(-3276.7, 3276.7, pointer(&r.RSSI)), // what a journal can hold, and the next three
		"phase": p.number(0, 359.9, pointer(&r.Phase)), "channel": p.number(100, 6000, pointer(&r.Channel)),
		"doppler": p.number(-1000, 1000, pointer(&r.Doppler)), "count": whole(p, &r.Count, 1, 1<<31), "zone": p.text(&r.Zone),
	}, "tag", "point", "at")
}

func (p *parser) event(e *Entry) error {
	if p.events++; p.events > maxEvents {
		return faultf("the passage has more than %d events", maxEvents)
	}
	e.Events = append(e.Events, Event{})
	x := &e.Events[len(e.Events)-1]
	return p.object(members{
		"type": p.text(&x.Type), "at": whole(p, &x.At, -maxOffset, maxOffset), "zone": p.text(&x.Zone), "gtin": p.text(&x.GTIN),
	}, "type", "at")
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
