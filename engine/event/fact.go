package event

import (
	"fmt"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

// Passage is what a door's readers showed of an item that went through it, or is about to.
type Passage struct {
	Direction  Direction
	Confidence float64 // 0 to 1: how sure it is
	Reads      int     // moments in which the door heard it, in the last 16 s
	Peak       int16   // strongest read, tenths of a dBm; NoRSSI: none reported
	Span       int64   // milliseconds from first to last read
	Door       string  // the zone id of the door
	Likely     bool    // notified early: it may yet turn out otherwise, and nothing has been moved
}

// likelyBit marks a passage that was only likely where its direction is stored.
const likelyBit = 4

func packDirection(p Passage) uint8 {
	if p.Likely {
		return uint8(p.Direction) | likelyBit
	}
	return uint8(p.Direction)
}

func (p *Passage) unpackDirection(v uint8) {
	p.Direction, p.Likely = Direction(v&^likelyBit), v&likelyBit != 0
}

// Fact is what an entry meant. It holds all that a rule may see of it, so that a rule can be tried on facts alone.
type Fact struct {
	Ms    int64  // with N its id: the site clock, Unix milliseconds
	N     uint32 // number within that millisecond
	Seq   uint64 // the entry that it came of
	Cause Cause
	At    int64 // when it happened, Unix milliseconds: the time of the read or event

	Key     epc.Key // item facts: the item; stock facts: zero
	Text    string  // the item's identity in words, where Key is hashed
	GTIN    uint64  // the product, 0: not known
	Disp    Disposition
	Zone    string // where it is now, "": nowhere known. Stock: the zone counted
	From    string // where it was before
	Point   string // the read point that told, "": none
	Ref     string // the business document
	Passage Passage
	Count   int // stock: items of the product in the zone now; counted: tags found

	Expected, MissingItems, Unexpected int // counted: what was expected, what of it was not found, what else was found
}

const (
	factVersion = 1
	factFields  = 22
)

// AppendFact appends the stored encoding of f, without its id, to b.
func AppendFact(b []byte, f *Fact) []byte {
	b = msgp.AppendArrayHeader(b, factFields)
	b = msgp.AppendInt(b, factVersion)
	b = msgp.AppendUint64(b, f.Seq)
	b = msgp.AppendUint8(b, uint8(f.Cause))
	b = msgp.AppendInt64(b, f.Ms-f.At)
	b = AppendKey(b, f.Key)
	b = msgp.AppendString(b, f.Text)
	b = msgp.AppendUint64(b, f.GTIN)
	b = msgp.AppendUint8(b, uint8(f.Disp))
	b = msgp.AppendString(b, f.Zone)
	b = msgp.AppendString(b, f.From)
	b = msgp.AppendString(b, f.Point)
	b = msgp.AppendString(b, f.Ref)
	b = msgp.AppendUint8(b, packDirection(f.Passage))
	b = msgp.AppendInt(b, int(f.Passage.Confidence*1e6+0.5))
	b = msgp.AppendInt(b, f.Passage.Reads)
	b = msgp.AppendInt(b, packPeak(f.Passage))
	b = msgp.AppendInt(b, f.Count)
	b = msgp.AppendInt(b, f.Expected)
	b = msgp.AppendInt(b, f.MissingItems)
	b = msgp.AppendInt(b, f.Unexpected)
	return msgp.AppendString(b, f.Passage.Door)
}

// packPeak keeps peak and span in one number: both are small and most facts have neither.
func packPeak(p Passage) int {
	if p == (Passage{}) {
		return 0
	}
	return int(p.Span)<<16 | int(uint16(p.Peak))
}

// DecodeFact is the inverse of AppendFact; ms and n are the fact's id.
func DecodeFact(b []byte, ms int64, n uint32, f *Fact) error {
	*f = Fact{Ms: ms, N: n}
	r := NewDecoder(b)
	fields := r.Array()
	if r.err == nil && fields != factFields && fields != factFields-1 { // the door came last
		return fmt.Errorf("fact %d-%d has %d fields, want %d", ms, n, fields, factFields)
	}
	if v := r.Int(); r.err == nil && v != factVersion {
		return fmt.Errorf("fact %d-%d has version %d, this Lintel reads %d", ms, n, v, factVersion)
	}
	f.Seq, f.Cause = r.Uint64(), Cause(r.Uint8())
	f.At = ms - r.Int64()
	f.Key, f.Text, f.GTIN, f.Disp = r.Key(), r.String(), r.Uint64(), Disposition(r.Uint8())
	f.Zone, f.From, f.Point, f.Ref = r.String(), r.String(), r.String(), r.String()
	f.Passage.unpackDirection(r.Uint8())
	f.Passage.Confidence, f.Passage.Reads = float64(r.Int())/1e6, r.Int()
	if packed := r.Int(); packed != 0 {
		f.Passage.Span, f.Passage.Peak = int64(packed>>16), int16(uint16(packed))
	}
	f.Count, f.Expected, f.MissingItems, f.Unexpected = r.Int(), r.Int(), r.Int(), r.Int()
	if fields == factFields {
		f.Passage.Door = r.String()
	}
	if r.err != nil {
		return fmt.Errorf("fact %d-%d: %w", ms, n, r.err)
	}
	return nil
}

// ID returns the fact's id as written in answers: "<milliseconds>-<number>".
func (f *Fact) ID() string { return fmt.Sprintf("%d-%d", f.Ms, f.N) }

// Name returns the item's identity in words, or "" for a fact that is not about an item.
func (f *Fact) Name() string {
	if f.Key == (epc.Key{}) {
		return ""
	}
	return KeyText(f.Key, f.Text)
}

// KeyText returns the identity in words: text where it is given, else what the key itself holds.
func KeyText(k epc.Key, text string) string {
	if text != "" {
		return text
	}
	t, _ := k.Text()
	return t
}
