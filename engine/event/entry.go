package event

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

// EntryKind says what an Entry carries.
type EntryKind uint8

// The kinds of entry. The numbers are stored in journals: add at the end, never renumber.
const (
	EntryReads  EntryKind = 1 // one batch of tag reads
	EntryEvents EntryKind = 2 // business events: sold, returned, received, ...
	EntryTick   EntryKind = 3 // time passed: a timer is due and nothing else came in
	EntryConfig EntryKind = 4 // a new version of layout, products or rules takes effect here
	EntryAct    EntryKind = 5 // a person acknowledged or closed an alert
	EntryCount  EntryKind = 6 // a person opened, paused, closed, ... a count
	EntryStart  EntryKind = 7 // a server began to take what comes in: before it, nobody may have listened
	EntryAside  EntryKind = 8 // an entry that can't be folded is left out

	entryAgain EntryKind = 9 // wraps an entry that was set aside and is folded again: see Entry.Again

	EntryElsewhere EntryKind = 10 // which other shops of the store have items that were heard here

	// EntryFacts carries facts that were recorded before, to try rules on them. It is never part of
	// a journal: trials make it.
	EntryFacts EntryKind = 255
)

// Entry is one entry of a site's journal: what came in, and when. Everything that changes a site is
// one of these.
type Entry struct {
	Seq  uint64 // its place in the journal; given by the journal, not encoded
	Kind EntryKind
	At   int64  // when it was received, Unix milliseconds
	By   string // the name of the API key, or of the part of Lintel, that sent it

	Points []string // EntryReads: ids of read points, referred to by Read.Point
	Zones  []string // EntryReads: ids of declared zones, referred to by Read.Zone
	Reads  []Read   // EntryReads
	Count  string   // EntryReads: the count that they belong to, "": none
	Events []Event  // EntryEvents
	Config []Pin    // EntryConfig: the documents that changed, and the versions that hold from here on
	Act    Act      // EntryAct
	Aside  Aside    // EntryAside
	Again  uint64   // the entry that was set aside and that this one is once more; 0: none

	Command CountCommand // EntryCount

	Elsewhere []Elsewhere // EntryElsewhere, at most MaxElsewhere
	Facts     []Fact      // EntryFacts, in order
}

// NoRSSI marks a read that came without a signal strength.
const NoRSSI = -32768

// DopplerZero is the Read.Doppler of a shift of 0 Hz.
const DopplerZero = 10_001

// What Read.Phase, Read.Channel and Read.Doppler are at most.
const (
	maxPhase   = 3600
	maxChannel = 60_000
	maxDoppler = 2*DopplerZero - 1
)

// Read is one report of one tag by one read point. Phase, Channel and Doppler are what some readers
// report beside it; they lie where padding would be, so that a read takes 56 bytes.
type Read struct {
	Key     epc.Key
	Text    string // the identity in words, where Key is hashed and cannot be turned back; else ""
	Point   uint16 // index into Entry.Points
	Zone    uint16 // 1 + index into Entry.Zones where the operator declared one; 0: none
	RSSI    int16  // tenths of a dBm; NoRSSI: not reported
	Phase   uint16 // 1 + phase of the tag's answer in tenths of a degree, 1 to 3600; 0: not reported
	N       uint32 // how many times the reader saw the tag for this report, at least 1
	Channel uint16 // carrier frequency in tenths of a MHz, 1000 to 60000; 0: not reported
	Doppler uint16 // Doppler shift in tenths of a Hz above DopplerZero, 1 to 20001; 0: not reported
	T       int64  // when, Unix milliseconds
}

// The evidence of a read that its row in the journal names.
const (
	rowPhase = 1 << iota
	rowChannel
	rowDoppler
	rowAll = rowPhase | rowChannel | rowDoppler
)

// evidence says which of Phase, Channel and Doppler the reader reported.
func (r *Read) evidence() (mask byte) {
	if r.Phase != 0 {
		mask |= rowPhase
	}
	if r.Channel != 0 {
		mask |= rowChannel
	}
	if r.Doppler != 0 {
		mask |= rowDoppler
	}
	return mask
}

// hasEvidence reports whether any read of the entry has Phase, Channel or Doppler.
func (e *Entry) hasEvidence() bool {
	for i := range e.Reads {
		if r := &e.Reads[i]; r.Phase|r.Channel|r.Doppler != 0 {
			return true
		}
	}
	return false
}

// Tag is an identity with its words where the key alone does not hold them.
type Tag struct {
	Key  epc.Key
	Text string
}

// Event is one business event on one or more items.
type Event struct {
	Type EventType
	Tags []Tag
	Zone string // where it happened or where the items are now; "" where the type implies it
	T    int64  // when, Unix milliseconds
	Ref  string // the business document, such as a receipt number; never a person
	GTIN uint64 // EventRegistered: the product that the tags belong to
}

// Pin names one version of one configuration document.
type Pin struct {
	Doc     string
	Version int
}

// Aside names an entry that can't be folded.
type Aside struct {
	Seq    uint64
	Reason string
}

// OtherSite is another shop of the same store. The zero value: none.
type OtherSite struct {
	ID   string
	Name string // as its layout had it when it was asked for
}

// Elsewhere says which other shop has an item in stock.
type Elsewhere struct {
	Key  epc.Key
	Site OtherSite // zero: none, or none any more
}

// MaxElsewhere is how many items one entry of EntryElsewhere names at most.
const MaxElsewhere = 200

// Act is what a person did to an alert.
type Act struct {
	Alert   string
	Do      string // one of Acts
	Outcome string // with ActClose and ActCorrect: one of Outcomes
	Note    string
}

// Versions of the journal encoding. An entry has the lowest that can hold it.
const (
	entryVersion         = 1
	entryVersionEvidence = 2 // each row of reads ends with a byte that says which of Phase, Channel and Doppler follow as varints
)

// AppendEntry appends the journal encoding of e: a MessagePack array [version, kind, at, by, ...].
// The reads of a batch are one packed block of varints, since they are most of what a journal
// holds: about 24 bytes a read. Phase, channel and Doppler shift take up to 9 more, in entries that
// have any of them.
func AppendEntry(b []byte, e *Entry) []byte {
	if e.Again != 0 {
		inner := *e
		inner.Again = 0
		b = appendEntryHead(b, entryVersion, entryAgain, e)
		b = msgp.AppendArrayHeader(b, 2)
		b = msgp.AppendUint64(b, e.Again)
		return msgp.AppendBytes(b, AppendEntry(nil, &inner))
	}
	version := entryVersion
	if e.Kind == EntryReads && e.hasEvidence() {
		version = entryVersionEvidence
	}
	b = appendEntryHead(b, version, e.Kind, e)
	switch e.Kind {
	case EntryReads:
		b = msgp.AppendArrayHeader(b, 5)
		b = msgp.AppendString(b, e.Count)
		b = AppendStrings(b, e.Points)
		b = AppendStrings(b, e.Zones)
		b = appendReads(b, e, version)
	case EntryEvents:
		b = msgp.AppendArrayHeader(b, uint32(len(e.Events)))
		for i := range e.Events {
			ev := &e.Events[i]
			b = msgp.AppendArrayHeader(b, 6)
			b = msgp.AppendUint8(b, uint8(ev.Type))
			b = msgp.AppendString(b, ev.Zone)
			b = msgp.AppendInt64(b, ev.T)
			b = msgp.AppendString(b, ev.Ref)
			b = msgp.AppendUint64(b, ev.GTIN)
			b = appendTags(b, ev.Tags)
		}
	case EntryConfig:
		b = AppendPins(b, e.Config)
	case EntryAct:
		b = AppendStrings(b, []string{e.Act.Alert, e.Act.Do, e.Act.Outcome, e.Act.Note})
	case EntryAside:
		b = msgp.AppendArrayHeader(b, 2)
		b = msgp.AppendUint64(b, e.Aside.Seq)
		b = msgp.AppendString(b, e.Aside.Reason)
	case EntryElsewhere:
		b = msgp.AppendArrayHeader(b, uint32(4*len(e.Elsewhere)))
		for _, x := range e.Elsewhere {
			b = AppendKey(b, x.Key)
			b = msgp.AppendString(b, x.Site.ID)
			b = msgp.AppendString(b, x.Site.Name)
		}
	case EntryCount:
		c := &e.Command
		parts := uint32(8)
		switch {
		case c.Blind || c.Only || len(c.Fields) > 0:
			parts = 12
		case c.Careful:
			parts = 9
		}
		b = msgp.AppendArrayHeader(b, parts)
		b = msgp.AppendString(b, c.Do)
		b = msgp.AppendString(b, c.ID)
		b = msgp.AppendString(b, c.Note)
		b = msgp.AppendInt(b, c.MissingAfter)
		b = AppendStrings(b, c.Zones)
		b = msgp.AppendBool(b, c.Delivery)
		b = appendTags(b, c.Tags)
		b = appendLines(b, c.Papers)
		if parts > 8 {
			b = msgp.AppendBool(b, c.Careful)
		}
		if parts > 9 {
			b = msgp.AppendBool(b, c.Blind)
			b = msgp.AppendBool(b, c.Only)
			b = appendFields(b, c.Fields)
		}
	default:
		b = msgp.AppendNil(b)
	}
	return b
}

func appendEntryHead(b []byte, version int, kind EntryKind, e *Entry) []byte {
	b = msgp.AppendArrayHeader(b, 5)
	b = msgp.AppendInt(b, version)
	b = msgp.AppendUint8(b, uint8(kind))
	b = msgp.AppendInt64(b, e.At)
	return msgp.AppendString(b, e.By)
}

// appendTags writes tags as [key, text, key, text, ...], a key being two numbers.
func appendTags(b []byte, tags []Tag) []byte {
	b = msgp.AppendArrayHeader(b, uint32(2*len(tags)))
	for _, t := range tags {
		b = AppendKey(b, t.Key)
		b = msgp.AppendString(b, t.Text)
	}
	return b
}

func (r *Decoder) Tags() []Tag {
	var tags []Tag
	for k := r.Array() / 2; k > 0 && r.err == nil; k-- {
		tags = append(tags, Tag{Key: r.Key(), Text: r.String()})
	}
	return tags
}

// AppendStrings appends an array of strings.
func AppendStrings(b []byte, s []string) []byte {
	b = msgp.AppendArrayHeader(b, uint32(len(s)))
	for _, v := range s {
		b = msgp.AppendString(b, v)
	}
	return b
}

// AppendPins appends pins as [document, version, ...].
func AppendPins(b []byte, pins []Pin) []byte {
	b = msgp.AppendArrayHeader(b, uint32(2*len(pins)))
	for _, p := range pins {
		b = msgp.AppendString(b, p.Doc)
		b = msgp.AppendInt(b, p.Version)
	}
	return b
}

// appendReads writes the block and, after it, the words of hashed keys as [index, text, ...].
func appendReads(b []byte, e *Entry, version int) []byte {
	const bin32 = 0xc6 // msgp has no way to reserve a length and fill it in later
	b = append(b, bin32, 0, 0, 0, 0)
	start := len(b)
	texts := 0
	for i := range e.Reads {
		r := &e.Reads[i]
		b = binary.BigEndian.AppendUint64(b, r.Key.Hi)
		b = binary.BigEndian.AppendUint64(b, r.Key.Lo)
		b = binary.AppendUvarint(b, uint64(r.Point))
		b = binary.AppendUvarint(b, uint64(r.Zone))
		b = binary.AppendVarint(b, int64(r.RSSI))
		b = binary.AppendUvarint(b, uint64(r.N))
		b = binary.AppendVarint(b, e.At-r.T)
		if version == entryVersionEvidence {
			b = appendEvidence(b, r)
		}
		if r.Text != "" {
			texts++
		}
	}
	binary.BigEndian.PutUint32(b[start-4:], uint32(len(b)-start))
	b = msgp.AppendArrayHeader(b, uint32(2*texts))
	for i := range e.Reads {
		if e.Reads[i].Text != "" {
			b = msgp.AppendInt(b, i)
			b = msgp.AppendString(b, e.Reads[i].Text)
		}
	}
	return b
}

func appendEvidence(b []byte, r *Read) []byte {
	b = append(b, r.evidence())
	for _, v := range [...]uint16{r.Phase, r.Channel, r.Doppler} {
		if v != 0 {
			b = binary.AppendUvarint(b, uint64(v))
		}
	}
	return b
}

// decodeEvidence reads what appendEvidence wrote, and returns the rest.
func decodeEvidence(b []byte, r *Read) ([]byte, error) {
	if len(b) == 0 || b[0]&^rowAll != 0 {
		return nil, errBlock
	}
	mask := b[0]
	b = b[1:]
	for _, v := range [...]struct {
		bit byte
		to  *uint16
		max uint64
	}{{rowPhase, &r.Phase, maxPhase}, {rowChannel, &r.Channel, maxChannel}, {rowDoppler, &r.Doppler, maxDoppler}} {
		if mask&v.bit == 0 {
			continue
		}
		x, n := binary.Uvarint(b)
		if n <= 0 || x == 0 || x > v.max {
			return nil, errBlock
		}
		*v.to = uint16(x)
		b = b[n:]
	}
	return b, nil
}

// AppendKey appends a key as two numbers.
func AppendKey(b []byte, k epc.Key) []byte {
	b = msgp.AppendUint64(b, k.Hi)
	return msgp.AppendUint64(b, k.Lo)
}

var (
	// ErrNewer says that a newer Lintel wrote an entry: it is not damaged.
	ErrNewer = errors.New("use the Lintel that wrote it")

	errBlock = errors.New("the block of reads is cut short or damaged")
)

// DecodeEntry decodes the journal encoding into e, reusing e's slices. It never panics on damaged
// input. The error is ErrNewer if the entry is of a later form than this Lintel reads.
func DecodeEntry(b []byte, e *Entry) error { return decodeEntry(b, e, 0) }

// decodeEntry decodes an entry; again is the one that it is once more, if it is wrapped.
func decodeEntry(b []byte, e *Entry, again uint64) error {
	seq := e.Seq
	*e = Entry{Seq: seq, Again: again, Points: e.Points[:0], Zones: e.Zones[:0], Reads: e.Reads[:0], Events: nil}
	r := NewDecoder(b)
	if n := r.Array(); r.err == nil && n != 5 {
		return fmt.Errorf("journal entry %d has %d fields, want 5", seq, n)
	}
	version := r.Int()
	if r.err == nil && version != entryVersion && version != entryVersionEvidence {
		return fmt.Errorf("journal entry %d has version %d, this Lintel reads up to %d: %w", seq, version, entryVersionEvidence, ErrNewer)
	}
	e.Kind, e.At, e.By = EntryKind(r.Uint8()), r.Int64(), r.String()
	switch {
	case r.err != nil:
	case e.Kind == EntryReads:
		if n := r.Array(); r.err == nil && n != 5 {
			return fmt.Errorf("journal entry %d: reads have %d parts, want 5", seq, n)
		}
		e.Count = r.String()
		e.Points, e.Zones = r.Strings(e.Points), r.Strings(e.Zones)
		if block := r.View(); r.err == nil {
			r.err = decodeReads(block, e, version)
		}
		for n := r.Array() / 2; n > 0 && r.err == nil; n-- {
			i, text := r.Int(), r.String()
			if i < 0 || i >= len(e.Reads) {
				r.err = errBlock
				break
			}
			e.Reads[i].Text = text
		}
	case e.Kind == EntryEvents:
		for n := r.Array(); n > 0 && r.err == nil; n-- {
			var ev Event
			r.Array()
			ev.Type, ev.Zone, ev.T, ev.Ref, ev.GTIN = EventType(r.Uint8()), r.String(), r.Int64(), r.String(), r.Uint64()
			ev.Tags = r.Tags()
			e.Events = append(e.Events, ev)
		}
	case e.Kind == EntryConfig:
		e.Config = r.Pins()
	case e.Kind == EntryAct:
		if s := r.Strings(nil); len(s) == 4 {
			e.Act = Act{Alert: s[0], Do: s[1], Outcome: s[2], Note: s[3]}
		} else if r.err == nil {
			return fmt.Errorf("journal entry %d: an act has %d parts, want 4", seq, len(s))
		}
	case e.Kind == EntryCount:
		n := r.Array()
		if r.err == nil && n != 8 && n != 9 && n != 12 {
			return fmt.Errorf("journal entry %d: a count command has %d parts, want 8, 9 or 12", seq, n)
		}
		e.Command = CountCommand{
			Do: r.String(), ID: r.String(), Note: r.String(), MissingAfter: r.Int(), Zones: r.Strings(nil),
			Delivery: r.Bool(), Tags: r.Tags(), Papers: r.Lines(),
		}
		if n > 8 {
			e.Command.Careful = r.Bool()
		}
		if n > 9 {
			e.Command.Blind, e.Command.Only, e.Command.Fields = r.Bool(), r.Bool(), r.Fields()
		}
	case e.Kind == EntryAside:
		if n := r.Array(); r.err == nil && n != 2 {
			return fmt.Errorf("journal entry %d: what was set aside has %d parts, want 2", seq, n)
		}
		e.Aside = Aside{Seq: r.Uint64(), Reason: r.String()}
	case e.Kind == EntryElsewhere:
		n := r.Array()
		if r.err == nil && (n%4 != 0 || n > 4*MaxElsewhere) {
			return fmt.Errorf("journal entry %d: items of other shops have %d parts, want 4 for each of at most %d", seq, n, MaxElsewhere)
		}
		for ; n > 0 && r.err == nil; n -= 4 {
			e.Elsewhere = append(e.Elsewhere, Elsewhere{Key: r.Key(), Site: OtherSite{r.String(), r.String()}})
		}
	case e.Kind == entryAgain && again == 0:
		n, of, inner := r.Array(), r.Uint64(), r.View()
		if r.err == nil && (n != 2 || of == 0) {
			r.err = errors.New("it does not say what it repeats")
		}
		if r.err == nil {
			return decodeEntry(inner, e, of)
		}
	case e.Kind == EntryTick, e.Kind == EntryStart:
	default:
		return fmt.Errorf("journal entry %d has kind %d, which this Lintel does not know: %w", seq, e.Kind, ErrNewer)
	}
	if r.err != nil {
		return fmt.Errorf("journal entry %d: %w", seq, r.err)
	}
	return nil
}

func decodeReads(b []byte, e *Entry, version int) (err error) {
	for len(b) > 0 {
		if len(b) < 16 {
			return errBlock
		}
		r := Read{Key: epc.Key{Hi: binary.BigEndian.Uint64(b), Lo: binary.BigEndian.Uint64(b[8:])}}
		b = b[16:]
		point, n1 := binary.Uvarint(b)
		if n1 <= 0 {
			return errBlock
		}
		b = b[n1:]
		zone, n2 := binary.Uvarint(b)
		if n2 <= 0 {
			return errBlock
		}
		b = b[n2:]
		rssi, n3 := binary.Varint(b)
		if n3 <= 0 {
			return errBlock
		}
		b = b[n3:]
		n, n4 := binary.Uvarint(b)
		if n4 <= 0 {
			return errBlock
		}
		b = b[n4:]
		ago, n5 := binary.Varint(b)
		if n5 <= 0 {
			return errBlock
		}
		b = b[n5:]
		if point >= uint64(len(e.Points)) || zone > uint64(len(e.Zones)) || rssi < NoRSSI || rssi > 32767 || n > 1<<31 {
			return errBlock
		}
		r.Point, r.Zone, r.RSSI, r.N, r.T = uint16(point), uint16(zone), int16(rssi), uint32(n), e.At-ago
		if version == entryVersionEvidence {
			if b, err = decodeEvidence(b, &r); err != nil {
				return err
			}
		}
		e.Reads = append(e.Reads, r)
	}
	return nil
}

// strings reuses dst, and its strings where they are the same, so that a stream of batches from one
// reader allocates nothing.
func (r *Decoder) Strings(dst []string) []string {
	n := r.Array()
	old := dst[:cap(dst)]
	dst = dst[:0]
	for i := 0; i < n && r.err == nil; i++ {
		v := next(r, msgp.ReadStringZC)
		if i < len(old) && old[i] == string(v) {
			dst = append(dst, old[i])
		} else {
			dst = append(dst, string(v))
		}
	}
	return dst
}

func (r *Decoder) Key() epc.Key { return epc.Key{Hi: r.Uint64(), Lo: r.Uint64()} }

func (r *Decoder) Pins() []Pin {
	var pins []Pin
	for n := r.Array() / 2; n > 0 && r.err == nil; n-- {
		pins = append(pins, Pin{Doc: r.String(), Version: r.Int()})
	}
	return pins
}
