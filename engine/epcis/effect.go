package epcis

import (
	"fmt"

	"lintel/engine/event"
)

// EffectKind says what an event did to items.
type EffectKind uint8

// The effects.
const (
	Seen       EffectKind = iota + 1 // a read point saw them, or a count found them in a zone
	Moved                            // they are in a zone now
	Sold                             // paid for
	Returned                         // brought back
	Received                         // came in
	Shipped                          // sent away
	Retired                          // no longer part of the stock
	Registered                       // tied to a product
)

var effectNames = [...]string{Seen: "seen", Moved: "moved", Sold: "sold", Returned: "returned", Received: "received",
	Shipped: "shipped", Retired: "retired",
	Registered: "registered"}

func (k EffectKind) String() string {
	if int(k) < len(effectNames) && effectNames[k] != "" {
		return effectNames[k]
	}
	return fmt.Sprintf("effect %d", uint8(k))
}

// Effect is one thing that an event did to some items. Effects of one event apply in their order.
type Effect struct {
	Kind      EffectKind
	Tags      []event.Tag // each once
	Zone      string      // where the items are, or where it happened; "": not known
	ReadPoint string      // the read point that saw them; "": none
	At        int64       // Unix milliseconds
	Ref       string      // the business document, at most MaxRef characters
	GTIN      uint64      // Registered: the product
}

// MaxRef is the longest reference to a business document, in characters.
const MaxRef = 128

var eventOf = map[EffectKind]event.EventType{
	Seen: event.EventMoved, Moved: event.EventMoved, Sold: event.EventSold, Returned: event.EventReturned, Received: event.EventReceived,
	Shipped: event.EventShipped, Retired: event.EventRetired, Registered: event.EventRegistered,
}

// Event returns the business event that carries the effect. It is false for items that were seen by
// a read point and in no zone that the event names: that is a read, for the read point's own zone
// to be judged with all other reads.
func (e *Effect) Event() (event.Event, bool) {
	typ, ok := eventOf[e.Kind]
	if !ok || e.Kind == Seen && e.Zone == "" {
		return event.Event{}, false
	}
	return event.Event{Type: typ, Tags: e.Tags, Zone: e.Zone, T: e.At, Ref: e.Ref, GTIN: e.GTIN}, true
}

// Note says what of an event had no effect, and why.
type Note struct {
	Pointer string `json:"pointer"`           // JSON pointer within the event; "": the event as a whole
	Reason  string `json:"reason"`            // why, in words for people
	Ignored bool   `json:"ignored,omitempty"` // it is never used here, so there is nothing to put right
}
