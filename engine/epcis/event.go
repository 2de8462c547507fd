package epcis

import "encoding/json"

// EventType names a kind of event. A kind beyond the five of the standard is a URI.
type EventType string

// The event types of EPCIS 2.0.
const (
	ObjectEvent         EventType = "ObjectEvent"
	AggregationEvent    EventType = "AggregationEvent"
	TransactionEvent    EventType = "TransactionEvent"
	TransformationEvent EventType = "TransformationEvent"
	AssociationEvent    EventType = "AssociationEvent"
)

// Action says whether an event adds to, observes or ends the life of what it names.
type Action string

// The actions.
const (
	Add     Action = "ADD"
	Observe Action = "OBSERVE"
	Delete  Action = "DELETE"
)

// The types of a document. A single event has none.
const (
	TypeDocument      = "EPCISDocument"
	TypeQueryDocument = "EPCISQueryDocument"
)

// Document is a document of events, or a single event.
type Document struct {
	Type               string // TypeDocument, TypeQueryDocument, or "" for a single event with its own @context
	Context            *Context
	ID                 string // URI
	SchemaVersion      string
	CreationDate       string // RFC 3339
	InstanceIdentifier string
	Sender, Receiver   string
	Header             json.RawMessage // epcisHeader, as it came
	QueryName          string          // of a query document
	SubscriptionID     string          // of a query document
	Vocabularies       json.RawMessage // vocabularyList of a query document, as it came
	Extensions         []Member        // members of the document with a prefix
	Events             []Event

	// Refused lists what is wrong with events that were left out: with Options.Proceed only.
	Refused Errors
}

// Event is one event. Its lists are nil where the event does not have them, and may be empty where
// it does.
type Event struct {
	Index int // place in the list that it came in

	Type          EventType
	Context       *Context // the event's own @context; nil: the document's only
	Time          string   // eventTime as it came, RFC 3339
	At            int64    // eventTime, Unix milliseconds, rounded half up
	Offset        string   // eventTimeZoneOffset, for example "+01:00"
	RecordTime    string   // RFC 3339 or ""
	ID            string   // eventID, URI or ""
	Certification []string // certificationInfo, URIs
	Error         *ErrorDeclaration

	Action           Action
	EPCs             []string // epcList
	Quantities       []Quantity
	Parent           string
	Children         []string // childEPCs
	ChildQuantities  []Quantity
	Inputs           []string // inputEPCList
	InputQuantities  []Quantity
	Outputs          []string // outputEPCList
	OutputQuantities []Quantity
	Transformation   string // transformationID

	BizStep         string // a word of the vocabulary, or a URI
	Disposition     string // a word of the vocabulary, or a URI
	Persistent      *PersistentDisposition
	ReadPoint       *Location
	BizLocation     *Location
	BizTransactions []BizTransaction
	Sources         []Party
	Destinations    []Party
	Sensors         json.RawMessage // sensorElementList, as it came, without blanks
	ILMD            json.RawMessage // as it came, without blanks
	Extensions      []Member        // members with a prefix; of an event type of one's own, all that the standard does not have

	prefixes map[string]string // of the document and the event; nil: the built-in ones
}

// Member is a JSON member beyond the standard.
type Member struct {
	Name  string
	Value json.RawMessage // valid JSON without blanks
}

// Location is a readPoint or a bizLocation.
type Location struct {
	ID         string // URI
	Extensions []Member
}

// Quantity is a quantityElement: items of a class without their own identities.
type Quantity struct {
	Class  string      // epcClass, URI
	Amount json.Number // "" where it is not stated
	Unit   string      // UN/ECE Recommendation 20 code; "" for pieces
}

// BizTransaction is a business document.
type BizTransaction struct {
	Type string // a word of the vocabulary, a URI, or ""
	ID   string // URI
}

// Party is a source or a destination.
type Party struct {
	Type string // owning_party, possessing_party, location, or a URI
	ID   string // URI
}

// PersistentDisposition holds dispositions that last beyond the next event.
type PersistentDisposition struct{ Set, Unset []string }

// ErrorDeclaration says that an earlier event, identical but for this, was wrong.
type ErrorDeclaration struct {
	Time       string // declarationTime, RFC 3339
	Reason     string // did_not_occur, incorrect_data, a URI, or ""
	Corrective []string
	Extensions []Member
}

// Context is an @context of JSON-LD.
type Context struct {
	Raw      json.RawMessage   // as it came, without blanks
	Prefixes map[string]string // declared here, prefix to URI
}

// DefaultContext is the address of the context of EPCIS 2.0.
const DefaultContext = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"

// builtin are the prefixes that the context of EPCIS 2.0 declares. Source: rule 15 of the event
// hash id, and the context itself for cbvmda (from memory).
var builtin = map[string]string{
	"gs1":    "https://gs1.org/voc/",
	"cbv":    "https://ref.gs1.org/cbv/",
	"epcis":  "https://ref.gs1.org/epcis/",
	"cbvmda": "urn:epcglobal:cbv:mda:",
}
