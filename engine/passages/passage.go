// Package passages keeps what a door heard of one passage as a document, so that people can say
// what really happened and a later version can judge the same reads again.
//
//	journal ──▶ Recorder ──▶ Passage ──▶ one line of a file ──▶ Reader ──▶ Judge ──▶ Report
//	                            ▲
//	                  people: out, in, stayed
//
// A Passage holds what a replay needs: the layout in force, what was known of the item before, and
// the journal entries from three minutes before the fact to twenty seconds after it, each with the
// moment of its receipt and the reads that were in it. Reads are those that the door made of
// anything, and those that any other read point made of the item and of what the door heard with
// it. An entry of which no read is kept remains as the report that it was.
//
// What the site has learnt over longer than that is in the document as it was when the document was
// made, so a replay may conclude a little otherwise than the server did. Nothing here reads a clock
// or a store.
package passages

import (
	"encoding/json"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// What people say of a passage. The empty label is that of a passage nobody has labelled.
const (
	Out    = "out"    // the item was carried out through the door
	In     = "in"     // carried in
	Stayed = "stayed" // neither: it lay near the door, or was carried past it or up to it and back
)

// Labels lists what people may say.
func Labels() []string { return []string{Out, In, Stayed} }

// What a document covers, and its limits.
const (
	Before     = 3 * time.Minute  // before the passage
	Around     = 20 * time.Second // on either side of it: what belongs to the passage
	MaxLine    = 32 << 20         // bytes
	MaxReads   = 200_000
	MaxEntries = 50_000
	MaxOthers  = 5_000
	maxPoints  = 1_000
	maxEvents  = 1_000
)

// Passage is one passage of one item at one door. Indices count from 0; times in it are
// milliseconds after Start.
type Passage struct {
	Door     string          `json:"door" jsonschema_description:"Id of the door's zone."`
	Item     string          `json:"item" jsonschema_description:"The item's identity in words."`
	Label    string          `json:"label" jsonschema:"enum=out,enum=in,enum=stayed,enum=" jsonschema_description:"What really happened, as people say; empty: nobody has said."`
	Notified Notified        `json:"notified" jsonschema_description:"What the fact said."`
	Known    Known           `json:"known" jsonschema_description:"What was known of the item at the start."`
	Layout   json.RawMessage `json:"layout" jsonschema_description:"The site's layout in force."`
	Start    time.Time       `json:"start" jsonschema_description:"From when on entries are kept. Times in the entries are milliseconds after it."`
	Others   []Other         `json:"others" jsonschema_description:"What else is in the reads."`
	Points   []string        `json:"read_points" jsonschema_description:"Ids of the read points that are in the entries."`
	Learnt   []Learnt        `json:"learnt,omitempty" jsonschema_description:"What the shop had learnt of these read points when the document was made, in their order."`
	Entries  []Entry         `json:"entries" jsonschema_description:"In the order of the journal."`
}

// Notified is what a fact said of a passage.
type Notified struct {
	Direction  string    `json:"direction" jsonschema_extras:"words=direction"`
	Confidence float64   `json:"confidence" jsonschema:"minimum=0,maximum=1"`
	Sure       bool      `json:"sure" jsonschema_description:"Whether the passage was concluded, and not only likely."`
	At         time.Time `json:"at" jsonschema_description:"When the item passed, as far as reads show."`
}

// Known is what was known of an item before the first entry.
type Known struct {
	Zone        string `json:"zone,omitempty" jsonschema_description:"Where it was; left out: nowhere known."`
	Disposition string `json:"disposition,omitempty" jsonschema_description:"Its business state, as in facts; left out: not known."`
	GTIN        string `json:"gtin,omitempty"`
	Usual       *Usual `json:"usual,omitempty" jsonschema_description:"What the door usually hears of it; left out: nothing was learnt."`
}

// Usual is what a door usually hears of an item that lies where it is: in how many slots of a quarter
// of a second each side heard it how strongly. The first class of a side is of reads without a
// strength, the others are of 4 dB from -88 dBm upwards.
type Usual struct {
	Slots int   `json:"slots" jsonschema:"minimum=0,maximum=1000" jsonschema_description:"Slots that it was learnt from."`
	Inner []int `json:"inner" jsonschema_description:"Slots by class, of the inner side."`
	Outer []int `json:"outer" jsonschema_description:"Slots by class, of the outer side."`
}

// Learnt is what a shop has learnt of one of its readers.
type Learnt struct {
	Rhythm float64 `json:"interval_seconds" jsonschema_description:"Between reports."`
	Every  float64 `json:"busy_interval_seconds" jsonschema_description:"The same of a door's reader, while there is something to report."`
	Lag    float64 `json:"lag_seconds" jsonschema_description:"From a read of a door's reader, by its own clock, to its receipt."`
	Load   float64 `json:"tags" jsonschema_description:"That a fixed reader hears in an epoch."`
	Own    float64 `json:"own_dbm" jsonschema_description:"Level of goods of its own zone; 0: not known."`
	Loud   []int   `json:"carried_dbm" jsonschema_description:"Peaks of goods that were carried past a door's reader lately."`
}

// Other is another item in the reads.
type Other struct {
	Item  string `json:"item" jsonschema_description:"Its identity in words."`
	Known Known  `json:"known"`
}

// Entry is one entry of the journal: a report of reads, or events.
type Entry struct {
	At     int64   `json:"at" jsonschema_description:"When the server received it, milliseconds after start."`
	Points []int   `json:"points,omitempty" jsonschema_description:"Indices in read_points: which read points reported."`
	Reads  []Read  `json:"reads,omitempty"`
	Events []Event `json:"events,omitempty" jsonschema_description:"About the item."`
}

// Read is one read.
type Read struct {
	Tag     int      `json:"tag" jsonschema_description:"0: the item; else one more than the index in others."`
	Point   int      `json:"point" jsonschema_description:"Index in read_points."`
	At      int64    `json:"at" jsonschema_description:"When, by the reader's clock, milliseconds after start."`
	RSSI    *float64 `json:"rssi,omitempty" jsonschema_description:"dBm; left out: not reported."`
	Count   uint32   `json:"count,omitempty" jsonschema_description:"How many times the tag was seen; left out: once."`
	Zone    string   `json:"zone,omitempty" jsonschema_description:"The zone that whoever carried the reader was in."`
	Phase   *float64 `json:"phase,omitempty" jsonschema_description:"Degrees."`
	Channel *float64 `json:"channel,omitempty" jsonschema_description:"MHz."`
	Doppler *float64 `json:"doppler,omitempty" jsonschema_description:"Hz."`
}

// Event is one business event about the item.
type Event struct {
	Type string `json:"type" jsonschema_extras:"words=event type"`
	At   int64  `json:"at" jsonschema_description:"Milliseconds after start."`
	Zone string `json:"zone,omitempty"`
	GTIN string `json:"gtin,omitempty" jsonschema_description:"Of registered."`
}

// Append appends p to b as one line.
func Append(b []byte, p *Passage) ([]byte, error) {
	line, err := json.Marshal(p)
	if err != nil {
		return b, err
	}
	return append(append(b, line...), '\n'), nil
}

// sure reports whether a fact says that a passage was concluded: what people are notified of. One
// that is only likely is none.
func sure(f *event.Fact) bool { return f.Cause == event.Passed && !f.Passage.Likely }

// tagOf returns the tag of an identity in words.
func tagOf(words string) (event.Tag, error) {
	id, err := epc.Parse(words)
	if err != nil {
		return event.Tag{}, err
	}
	tag := event.Tag{Key: id.Key()}
	if _, ok := tag.Key.Text(); !ok {
		tag.Text = id.KeyText()
	}
	return tag, nil
}

// wordsOf is the inverse of tagOf.
func wordsOf(key epc.Key, text string) string {
	if text == "" {
		text, _ = key.Text()
	}
	return text
}

// dispositionOf finds a disposition by its word; "" is Unknown.
func dispositionOf(word string) (event.Disposition, bool) {
	if word == "" {
		return event.Unknown, true
	}
	return event.Dispositions.Parse(word)
}
