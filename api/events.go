package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/go-faster/jx"

	"lintel/api/kit"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// EventRequest is a business event as it is posted. It is decoded by hand, so that each fault can
// be named; this type is its schema.
type EventRequest struct {
	Type string   `json:"type" jsonschema_extras:"words=event type"`
	EPC  string   `json:"epc,omitempty" jsonschema_description:"The item, in any form of its identity. One of epc and epcs must be there."`
	EPCs []string `json:"epcs,omitempty" jsonschema_description:"The items, where there are several; at most 10,000."`
	Zone string   `json:"zone,omitempty" jsonschema_description:"Where it happened, or where the items are now. moved needs it."`
	Time any      `json:"time,omitempty" jsonschema:"oneof_type=string;integer" jsonschema_description:"When: RFC 3339, or Unix milliseconds. Left out: now."`
	Ref  string   `json:"ref,omitempty" jsonschema_description:"The receipt or document, at most 128 characters. Never anything about a person."`
	GTIN string   `json:"gtin,omitempty" jsonschema_description:"registered: the product that the tags belong to. 8, 12, 13 or 14 digits."`
}

var eventMembers = []string{"type", "epc", "epcs", "zone", "time", "ref", "gtin"}

// Limits of an event.
const (
	maxEventTags = 10_000
	maxRef       = 128
)

func (h intakeRoutes) postEvents(c *kit.Call) error {
	until, err := waitParam(c)
	if err != nil {
		return err
	}
	if _, err := c.WantType(kit.MediaJSON); err != nil {
		return err
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	body, err := c.ReadBody(h.opt.BodyLimit)
	if err != nil {
		return err
	}
	defer body.Release()
	d := eventDecoder{lay: lay, now: c.Arrived.UnixMilli(), max: h.opt.BatchLimit, stamps: &h.stamps}
	if err := d.decode(body.B); err != nil {
		return err
	}
	e := event.Entry{Kind: event.EntryEvents, At: max(d.now, d.stamp), Events: d.events}
	return h.appendBatch(c, "event", &e, len(d.events), d.rejected, body.B, until)
}

// eventDecoder turns the body of a request into events. Events are few: it is made for clear
// faults, not for speed.
type eventDecoder struct {
	lay      *layout.Layout
	now      int64
	max      int
	events   []event.Event
	rejected []Rejection
	instants instants
	n, tags  int
	stamps   *stamps
	stamp    int64 // of the events without a time; 0: none yet
}

func (d *eventDecoder) decode(body []byte) error {
	body, err := kit.CheckText(body)
	if err != nil {
		return err
	}
	if kit.TooManyValues(body, max(10_000, 10*d.max)) {
		return errBatchOf(d.max)
	}
	j := jx.DecodeBytes(body)
	switch j.Next() {
	case jx.Object:
		err = d.element(j)
	case jx.Array:
		err = j.Arr(d.element)
	default:
		return kit.OrSyntax(body, kit.Problemf(kit.CodeInvalidBody, "The body must be one event, or a JSON array of events."))
	}
	if err == nil {
		if err = j.Skip(); err == io.EOF {
			return nil
		}
		err = errTrailing
	}
	var p *kit.Problem
	switch {
	case errors.Is(err, errBatch):
		return errBatchOf(d.max)
	case errors.As(err, &p):
		return p
	}
	return kit.Problemf(kit.CodeInvalidJSON, "The body is not valid JSON: %s.", kit.SyntaxReason(body, err))
}

func errBatchOf(most int) error {
	return kit.Problemf(codeBatchTooLarge, "The batch has more than %d elements or items; send several batches.", most).With("limit", most)
}

func (d *eventDecoder) element(j *jx.Decoder) error {
	if d.n == d.max {
		return errBatch
	}
	index := d.n
	d.n++
	raw, err := j.Raw()
	if err != nil {
		return unexpectedEOF(err)
	}
	ev, fault := d.event(raw)
	if fault != nil {
		fault.Index = index
		d.rejected = append(d.rejected, *fault)
		return nil
	}
	if d.tags += len(ev.Tags); d.tags > d.max {
		return errBatch
	}
	d.events = append(d.events, ev)
	return nil
}

func faultf(class reasonClass, format string, args ...any) *Rejection {
	return &Rejection{Reason: fmt.Sprintf(format, args...), class: class}
}

// event decodes one event, which is valid JSON.
func (d *eventDecoder) event(raw []byte) (event.Event, *Rejection) {
	var none event.Event
	j := jx.DecodeBytes(raw)
	if kind := j.Next(); kind != jx.Object {
		return none, faultf(reasonShape, "an event is an object, this is %s", a(kind))
	}
	if name := kit.RepeatedMember(raw); name != "" {
		return none, faultf(reasonShape, "the member %s is there twice", kit.Shown([]byte(name)))
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(raw, &members); err != nil {
		return none, faultf(reasonShape, "%s", kit.Plain(err))
	}
	for name := range members {
		if !slices.Contains(eventMembers, name) {
			return none, d.unknownMember(members)
		}
	}
	text := func(name string) (string, *Rejection) {
		var s *string
		if v, ok := members[name]; ok {
			if err := json.Unmarshal(v, &s); err != nil {
				return "", faultf(reasonShape, "%q must be a text", name)
			}
		}
		if s == nil {
			return "", nil
		}
		return *s, nil
	}
	var ev event.Event
	var words [4]string
	for i, name := range []string{"type", "zone", "ref", "gtin"} {
		var fault *Rejection
		if words[i], fault = text(name); fault != nil {
			return none, fault
		}
	}
	typ, zone, ref, gtin := words[0], words[1], words[2], words[3]
	var ok bool
	if ev.Type, ok = event.EventTypes.Parse(typ); !ok {
		if typ == "" {
			return none, faultf(reasonShape, "\"type\" is missing; it is one of %s", strings.Join(event.EventTypes.Texts(), ", "))
		}
		return none, faultf(reasonShape, "there is no type %s%s; the types are %s", kit.Shown([]byte(typ)),
			doc.OrDidYouMean(typ, event.EventTypes.Texts()), strings.Join(event.EventTypes.Texts(), ", "))
	}
	if _, ok := d.lay.ZoneIndex(zone); zone != "" && !ok {
		return none, faultf(reasonZone, "%s", noZone(d.lay, zone))
	}
	ev.Zone = zone
	if len([]rune(ref)) > maxRef || strings.ContainsFunc(ref, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return none, faultf(reasonShape, "\"ref\" has at most %d characters and no control characters", maxRef)
	}
	ev.Ref = ref
	if fault := d.when(members["time"], &ev); fault != nil {
		return none, fault
	}
	if fault := identities(members, &ev); fault != nil {
		return none, fault
	}
	return ev, meaning(&ev, gtin)
}

// unknownMember names the first member that no event has, in the order of the alphabet.
func (d *eventDecoder) unknownMember(members map[string]json.RawMessage) *Rejection {
	var unknown []string
	for name := range members {
		if !slices.Contains(eventMembers, name) {
			unknown = append(unknown, name)
		}
	}
	slices.Sort(unknown)
	if unknown[0] == "events" {
		return faultf(reasonShape, "an event has no member \"events\"; send the array itself")
	}
	return faultf(reasonShape, "unknown member %s%s", kit.Shown([]byte(unknown[0])), doc.OrDidYouMean(unknown[0], eventMembers))
}

// when reads the time of an event.
func (d *eventDecoder) when(v json.RawMessage, ev *event.Event) *Rejection {
	if v == nil || string(v) == "null" {
		if d.stamp == 0 {
			d.stamp = d.stamps.next(d.lay.Site, d.now)
		}
		ev.T = d.stamp
		return nil
	}
	var err error
	switch {
	case v[0] == '"':
		var s string
		if err = json.Unmarshal(v, &s); err == nil {
			ev.T, err = d.instants.parse([]byte(s))
		}
	case v[0] == '-' || v[0] >= '0' && v[0] <= '9':
		ev.T, err = millis(v)
	default:
		err = fmt.Errorf("\"time\" must be an RFC 3339 text, or Unix milliseconds as a number")
	}
	if err != nil {
		return faultf(reasonTime, "%v", err)
	}
	if class, err := checkInstant(ev.T, d.now); err != nil {
		return faultf(class, "%v", err)
	}
	return nil
}

// identities reads the items of an event. One bad identity rejects the event: half a sale would be
// worse than none.
func identities(members map[string]json.RawMessage, ev *event.Event) *Rejection {
	one, many := members["epc"], members["epcs"]
	if string(one) == "null" {
		one = nil
	}
	if string(many) == "null" {
		many = nil
	}
	var list []string
	switch {
	case one != nil && many != nil:
		return faultf(reasonShape, "write \"epc\" or \"epcs\", not both")
	case one != nil:
		list = make([]string, 1)
		if json.Unmarshal(one, &list[0]) != nil {
			return faultf(reasonShape, "\"epc\" must be a text")
		}
	case many != nil:
		if json.Unmarshal(many, &list) != nil {
			return faultf(reasonShape, "\"epcs\" must be an array of texts")
		}
	}
	if len(list) == 0 {
		return faultf(reasonIdentity, "no item is named; write \"epc\" or \"epcs\"")
	}
	if len(list) > maxEventTags {
		return faultf(reasonShape, "\"epcs\" names %d items, at most %d are taken", len(list), maxEventTags)
	}
	seen := make(map[epc.Key]bool, len(list))
	for i, s := range list {
		id, err := parseIdentity(s, 0, false)
		if err != nil {
			fault := identityFault(err)
			if many != nil {
				fault.Reason = fmt.Sprintf("epcs[%d]: %s", i, fault.Reason)
			}
			return &fault
		}
		k, words := keyOf(id)
		if !seen[k] {
			seen[k] = true
			ev.Tags = append(ev.Tags, event.Tag{Key: k, Text: words})
		}
	}
	return nil
}

// meaning checks that the event says something.
func meaning(ev *event.Event, gtin string) *Rejection {
	if ev.Type == event.EventMoved && ev.Zone == "" {
		return faultf(reasonMeaning, "moved needs a \"zone\": where the items are now")
	}
	if ev.Type != event.EventRegistered {
		if gtin != "" {
			return faultf(reasonMeaning, "\"gtin\" goes with the type registered only")
		}
		return nil
	}
	if gtin == "" {
		return faultf(reasonMeaning, "registered needs a \"gtin\": the product that the tags belong to")
	}
	g, err := epc.ParseGTIN(gtin)
	if err != nil {
		fault := identityFault(err)
		fault.Reason = "\"gtin\": " + fault.Reason
		return &fault
	}
	ev.GTIN = g
	return nil
}
