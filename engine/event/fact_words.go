package event

// Cause is the kind of a fact and, for rules, what led to this evaluation.
type Cause uint8

// The causes; Causes says what each means. The numbers are stored: add at the end, never renumber.
const (
	Arrived    Cause = 1
	Left       Cause = 2
	Passed     Cause = 3
	Sold       Cause = 4
	Returned   Cause = 5
	Received   Cause = 6
	Shipped    Cause = 7
	Missing    Cause = 8
	Found      Cause = 9
	Retired    Cause = 10
	Stock      Cause = 11
	Counted    Cause = 12
	Silent     Cause = 13
	Heard      Cause = 14
	Foreign    Cause = 15
	Registered Cause = 16
	Doubled    Cause = 17
	Overdue    Cause = 18
	CaughtUp   Cause = 19
	Near       Cause = 20
	Away       Cause = 21
	Zone       Cause = 22
	OtherShop  Cause = 23
)

// Causes are the values of Cause, with their texts and meanings.
var Causes = numbered[Cause]("cause", []Word{
	Arrived:    {"arrived", "an item is in a zone where it was not"},
	Left:       {"left", "an item is no longer heard in its zone"},
	Passed:     {"passed", "an item went through a portal"},
	Sold:       {"sold", "an item was paid for at a till"},
	Returned:   {"returned", "an item was brought back"},
	Received:   {"received", "an item came in from a supplier"},
	Shipped:    {"shipped", "an item was sent away"},
	Missing:    {"missing", "a closed count did not find an item"},
	Found:      {"found", "an item that was missing was heard again"},
	Retired:    {"retired", "an item is no longer part of the stock"},
	Stock:      {"stock", "the number of a product's items in a zone changed"},
	Counted:    {"counted", "a count was closed"},
	Silent:     {"silent", "a read point stopped reporting"},
	Heard:      {"heard", "a silent read point reports again"},
	Foreign:    {"foreign", "a tag that is not this shop's was heard"},
	Registered: {"registered", "a tag was tied to a product"},
	Doubled:    {"doubled", "one identity is heard in two places at the same time"},
	Overdue:    {"overdue", "a zone was not counted by when the count plan says; once a day until it is"},
	CaughtUp:   {"caught_up", "a zone whose count was overdue was counted"},
	Near:       {"near", "an item lingers near a door: notified again and again while it does"},
	Away:       {"away", "an item no longer lingers near a door"},
	OtherShop:  {"other_shop", "another shop of the same store has an item that was heard here, or no longer has it"},
	Zone:       {"zone", "what is in a zone changed, or time went by there; of rules about zones alone, and never recorded"},
})

// String returns the text of c.
func (c Cause) String() string { return Causes.Text(c) }

// Subject returns what a fact of this cause is about: one of Subjects, as rules have them.
func (c Cause) Subject() string {
	switch c {
	case Stock:
		return AboutStock
	case Silent, Heard:
		return AboutReader
	case Counted, Overdue, CaughtUp:
		return AboutCount
	case Zone:
		return AboutZone
	}
	return AboutItem
}

// MarshalText returns the text of c.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText sets c to the value with this text; the error names the texts that there are.
func (c *Cause) UnmarshalText(b []byte) error { return Causes.unmarshal(b, c) }

// EventType is what a business event did to items.
type EventType uint8

// The business events; EventTypes says what each means. The numbers are stored: add at the end,
// never renumber.
const (
	EventSold       EventType = 1
	EventReturned   EventType = 2
	EventReceived   EventType = 3
	EventShipped    EventType = 4
	EventMoved      EventType = 5
	EventRetired    EventType = 6
	EventRegistered EventType = 7
)

// EventTypes are the values of EventType, with their texts and meanings.
var EventTypes = numbered[EventType]("event type", []Word{
	EventSold:       {"sold", "paid for at a till"},
	EventReturned:   {"returned", "brought back"},
	EventReceived:   {"received", "came in from a supplier"},
	EventShipped:    {"shipped", "sent away"},
	EventMoved:      {"moved", "put into another zone; the fact that it leads to is arrived"},
	EventRetired:    {"retired", "taken out of the stock for good"},
	EventRegistered: {"registered", "a tag was tied to a product"},
})

// String returns the text of e.
func (e EventType) String() string { return EventTypes.Text(e) }

// MarshalText returns the text of e.
func (e EventType) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText sets e to the value with this text; the error names the texts that there are.
func (e *EventType) UnmarshalText(b []byte) error { return EventTypes.unmarshal(b, e) }

// Disposition is an item's business state, in the terms of the GS1 Core Business Vocabulary 2.0
// (Disposition).
type Disposition uint8

// The dispositions that an item can have here; Dispositions says what each means. 6 and 7 were
// named once and never stored. The numbers are stored: add at the end, never renumber.
const (
	Unknown               Disposition = 0
	SellableAccessible    Disposition = 1
	SellableNotAccessible Disposition = 2
	RetailSold            Disposition = 3
	InTransit             Disposition = 4
	Inactive              Disposition = 5
)

// Dispositions are the values of Disposition, with their texts and meanings.
var Dispositions = numbered[Disposition]("disposition", []Word{
	Unknown:               {"unknown", "condition not known: a tag that nobody declared stock"},
	SellableAccessible:    {"sellable_accessible", "sellable, within reach of customers"},
	SellableNotAccessible: {"sellable_not_accessible", "sellable, out of customers' reach"},
	RetailSold:            {"retail_sold", "paid for"},
	InTransit:             {"in_transit", "shipped, not yet received"},
	Inactive:              {"inactive", "retired from use"},
})

// String returns the text of d.
func (d Disposition) String() string { return Dispositions.Text(d) }

// MarshalText returns the text of d.
func (d Disposition) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText sets d to the value with this text; the error names the texts that there are.
func (d *Disposition) UnmarshalText(b []byte) error { return Dispositions.unmarshal(b, d) }

// Sellable reports whether an item in this state could be sold now.
func (d Disposition) Sellable() bool { return d == SellableAccessible || d == SellableNotAccessible }

// Direction is the way in which an item went through a portal, as seen from the shop.
type Direction uint8

// The directions; Directions says what each means. The numbers are stored: add at the end, never
// renumber.
const (
	DirectionNone   Direction = 0
	DirectionIn     Direction = 1
	DirectionOut    Direction = 2
	DirectionUnsure Direction = 3
)

// Directions are the values of Direction, with their texts and meanings.
var Directions = numbered[Direction]("direction", []Word{
	DirectionIn:     {"in", "into the shop"},
	DirectionOut:    {"out", "out of the shop"},
	DirectionUnsure: {"unsure", "through the portal, but the reads do not show which way"},
})

// String returns the text of d.
func (d Direction) String() string { return Directions.Text(d) }

// MarshalText returns the text of d.
func (d Direction) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText sets d to the value with this text; the error names the texts that there are.
func (d *Direction) UnmarshalText(b []byte) error { return Directions.unmarshal(b, d) }
