package event

import (
	"fmt"

	"lintel/engine/epc"
)

// Passage is what a door's readers showed of an item that went through it, or is about to, or, without
// a direction, of one that lingers near it.
type Passage struct {
	Direction  Direction
	Confidence float64 // 0 to 1: how sure it is
	Reads      int     // moments in which the door heard it, in the last 16 s
	Peak       int16   // strongest read, tenths of a dBm; NoRSSI: none reported
	Span       int64   // milliseconds from first to last read; of what lingers: how long it has
	Door       string  // the zone id of the door
	Likely     bool    // notified early: it may yet turn out otherwise, and nothing has been moved
}

// likelyBit marks a passage that was only likely where its direction is stored.
const likelyBit = 4

// way visits the direction, and whether it is only likely, as one number.
func (p *Passage) way(c *codec) {
	v := uint8(p.Direction)
	if p.Likely {
		v |= likelyBit
	}
	unum(c, &v)
	if c.encoding {
		return
	}
	p.Direction, p.Likely = Direction(v&^likelyBit), v&likelyBit != 0
}

// strength visits peak and span as one number: both are small and most facts have neither.
func (p *Passage) strength(c *codec) {
	packed := int(p.Span)<<16 | int(uint16(p.Peak))
	num(c, &packed)
	if c.encoding {
		return
	}
	p.Span, p.Peak = int64(packed>>16), int16(uint16(packed))
}

// Fact is what an entry meant. It holds all that a rule may see of it, so that a rule can be tried
// on facts alone.
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

	Stocktake *Stocktake // facts about counts: what else rules see; nil in facts of earlier versions
	Other     *OtherSite // facts of other_shop: the shop that has the item, without an id: none any more; else nil
}

// Stocktake is what a fact about a count has beside numbers of items. Of a zone that is overdue or
// was counted at last it has Overdue and Days.
type Stocktake struct {
	Zones       []string // those that were counted
	Delivery    bool     // it checked a delivery against its papers
	Short       int      // of a delivery: pieces that the papers say and that were not found, product by product
	Over        int      // of a delivery: pieces found beyond what the papers say of their product
	Wrong       int      // of a delivery: pieces found whose product is not on the papers
	MostShort   int      // of which product most pieces were expected and not found: how many
	MostShortOf uint64   // its GTIN, 0: none, or tags without a product

	Overdue bool
	Days    int // since the zone was counted last, or is planned: whole days
}

func (t *Stocktake) fields(c *codec) {
	c.texts(&t.Zones)
	c.flag(&t.Delivery)
	for _, n := range []*int{&t.Short, &t.Over, &t.Wrong, &t.MostShort} {
		num(c, n)
	}
	unum(c, &t.MostShortOf)
	c.flag(&t.Overdue)
	num(c, &t.Days)
}

const (
	factVersion     = 1
	factFields      = 22
	stocktakeFields = 9 // of facts about counts, beside those of all
	otherFields     = 2 // of facts that have Other
)

func (f *Fact) fields(c *codec) {
	ago, sure := f.Ms-f.At, int(f.Passage.Confidence*1e6+0.5)
	unum(c, &f.Seq)
	unum(c, &f.Cause)
	num(c, &ago)
	c.identity(&f.Key)
	c.text(&f.Text)
	unum(c, &f.GTIN)
	unum(c, &f.Disp)
	c.text(&f.Zone)
	c.text(&f.From)
	c.text(&f.Point)
	c.text(&f.Ref)
	f.Passage.way(c)
	num(c, &sure)
	num(c, &f.Passage.Reads)
	f.Passage.strength(c)
	num(c, &f.Count)
	num(c, &f.Expected)
	num(c, &f.MissingItems)
	num(c, &f.Unexpected)
	c.text(&f.Passage.Door) // the door came last
	if !c.encoding {
		f.At, f.Passage.Confidence = f.Ms-ago, float64(sure)/1e6
		if c.left >= stocktakeFields && c.err == nil {
			f.Stocktake = new(Stocktake)
		}
	}
	if f.Stocktake != nil {
		f.Stocktake.fields(c)
	}
	if !c.encoding && c.left > 0 && c.err == nil {
		if c.left != otherFields {
			c.err = fmt.Errorf("it has %d fields too many", c.left)
			return
		}
		f.Other = new(OtherSite)
	}
	if f.Other != nil {
		c.text(&f.Other.ID)
		c.text(&f.Other.Name)
	}
}

// AppendFact appends the stored encoding of f, without its id, to b.
func AppendFact(b []byte, f *Fact) []byte {
	fields := factFields
	if f.Stocktake != nil {
		fields += stocktakeFields
	}
	if f.Other != nil {
		fields += otherFields
	}
	c := newEncoder(b, factVersion, fields)
	f.fields(&c)
	return c.b
}

// DecodeFact is the inverse of AppendFact; ms and n are the fact's id.
func DecodeFact(b []byte, ms int64, n uint32, f *Fact) error {
	*f = Fact{Ms: ms, N: n}
	c := openRecord(b, factVersion, factFields-1, factFields+stocktakeFields+otherFields)
	if f.fields(&c); c.err != nil {
		return c.end("fact " + f.ID())
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
