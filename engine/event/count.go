package event

import (
	"fmt"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

// Count is a stock-take of zones by bulk reading.
type Count struct {
	ID     string
	Zones  []string
	By     string // who opened it
	Note   string
	Status CountStatus
	Opened int64 // Unix milliseconds of the site clock
	Closed int64 // 0: not yet
	Pass   int   // the pass that is under way, from 1
	Final  bool  // it can't be opened again: its tallies are gone

	MissingAfter int       // in how many counts running an item must be missed before it is told as missing: 1 or 2
	Expected     []epc.Key // what should be there, frozen when it was opened, in order
	Delivery     bool      // it checks a delivery against its papers: what is expected was given, not known
	Papers       []Line    // Delivery: how many of each product the papers say, beside Expected; in order of product

	Reads    int // tag reports taken, repeats included
	Distinct int // tags heard
	Curve    []CurveBin

	Blind  bool    // who counts is not shown what is expected until it is closed
	Only   bool    // it looks for what is expected and nothing else: a recount of what another one missed
	Fields []Field // what the shop asks of each count, as the layout declares it, in its order
}

// Field is a value of the shop's own, kept with a count.
type Field struct {
	ID    string
	Value string // a number as it was written; a choice by its text
}

// CurveBin is a stretch of a count's time: how many tags were new in it. The curve dies out when
// the shelf is read (common practice, no source).
type CurveBin struct {
	Ms    int64 // length
	New   int
	Reads int
}

// CountCommand is what a person did to a count: an entry of its own.
type CountCommand struct {
	Do           string // open, pause, resume, pass, close, discard, reopen
	ID           string // of the count; open: "", the entry's number makes it
	Zones        []string
	Note         string
	MissingAfter int
	Careful      bool // do nothing if it can hardly be meant: open a zone that another count has, close with almost nothing read

	Delivery bool   // open: check a delivery at its zones against Tags and Papers
	Tags     []Tag  // open, of a delivery: the identities that the papers name; with Only: what to look for
	Papers   []Line // open, of a delivery: how many of each product the papers say

	Blind  bool    // open: as Count.Blind
	Only   bool    // open: as Count.Only
	Fields []Field // open
}

// Line is a number of pieces of one product.
type Line struct {
	GTIN  uint64
	Count int
}

// CountID returns the id of the count that entry seq opens.
func CountID(site string, seq uint64) string { return fmt.Sprintf("%s-count-%d", site, seq) }

const (
	countVersion = 1
	countFields  = 20
)

func (c *Count) fields(x *codec) {
	x.text(&c.ID)
	x.texts(&c.Zones)
	x.text(&c.By)
	x.text(&c.Note)
	unum(x, &c.Status)
	num(x, &c.Opened)
	num(x, &c.Closed)
	num(x, &c.Pass)
	num(x, &c.MissingAfter)
	num(x, &c.Reads)
	num(x, &c.Distinct)
	rows(x, &c.Curve, 3, func(b *CurveBin) {
		num(x, &b.Ms)
		num(x, &b.New)
		num(x, &b.Reads)
	})
	x.identities(&c.Expected)
	x.flag(&c.Final)
	x.flag(&c.Delivery)
	rows(x, &c.Papers, 2, func(l *Line) {
		unum(x, &l.GTIN)
		num(x, &l.Count)
	})
	x.flag(&c.Blind)
	x.flag(&c.Only)
	rows(x, &c.Fields, 2, func(f *Field) {
		x.text(&f.ID)
		x.text(&f.Value)
	})
}

// AppendCount appends the record encoding of c to b.
func AppendCount(b []byte, c *Count) []byte {
	x := newEncoder(b, countVersion, countFields)
	c.fields(&x)
	return x.b
}

// DecodeCount decodes a count's record.
func DecodeCount(b []byte) (c Count, err error) {
	x := openRecord(b, countVersion, countFields-3, countFields)
	c.fields(&x)
	return c, x.end("count record")
}

func appendLines(b []byte, lines []Line) []byte {
	b = msgp.AppendArrayHeader(b, uint32(2*len(lines)))
	for _, l := range lines {
		b = msgp.AppendUint64(b, l.GTIN)
		b = msgp.AppendInt(b, l.Count)
	}
	return b
}

func appendFields(b []byte, fields []Field) []byte {
	texts := make([]string, 0, 2*len(fields))
	for _, f := range fields {
		texts = append(texts, f.ID, f.Value)
	}
	return AppendStrings(b, texts)
}

// Fields reads what appendFields writes.
func (r *Decoder) Fields() (fields []Field) {
	texts := r.Strings(nil)
	for i := 0; i+1 < len(texts); i += 2 {
		fields = append(fields, Field{texts[i], texts[i+1]})
	}
	return fields
}

// Lines reads what appendLines writes.
func (r *Decoder) Lines() []Line {
	var lines []Line
	for n := r.Array() / 2; n > 0 && r.err == nil; n-- {
		lines = append(lines, Line{GTIN: r.Uint64(), Count: r.Int()})
	}
	return lines
}

// appendKeys writes keys as one block of 16 bytes each.
func appendKeys(b []byte, keys []epc.Key) []byte {
	block := make([]byte, 0, 16*len(keys))
	for _, k := range keys {
		block, _ = k.AppendBinary(block)
	}
	return msgp.AppendBytes(b, block)
}

func (r *Decoder) Keys() []epc.Key {
	block := r.View()
	if r.err != nil {
		return nil
	}
	if len(block)%16 != 0 {
		r.err = errBlock
		return nil
	}
	keys := make([]epc.Key, 0, len(block)/16)
	for ; len(block) > 0; block = block[16:] {
		k, err := epc.KeyFromBytes(block[:16])
		if err != nil {
			r.err = err
			return nil
		}
		keys = append(keys, k)
	}
	return keys
}

// Difference is one line of what a count found otherwise than expected.
type Difference struct {
	Finding Finding
	Key     epc.Key
	Text    string // the identity in words where the key does not hold them
	GTIN    uint64
	Zone    string // where it was counted, or where it was expected
	Was     string // where it was known to be before; for BetterNextDoor, TiedNextDoor and HeardElsewhere: the other zone
	Reads   int
}

// CountResult is what closing a count found.
type CountResult struct {
	Count       string
	Closed      int64
	Expected    int // items that should have been in the zones
	Matched     int // of them, heard there
	Missing     int // of them, not heard
	Unexpected  int // heard there, not expected
	Lines       int // products expected or found
	LinesRight  int // of them, with exactly the expected number
	Found       []epc.Key
	Differences []Difference
	Products    []ProductLine // in order of product

	Zones    []string // of the count; none in results of earlier versions
	Delivery bool     // as Count.Delivery
}

// Stocktake returns what the fact of the closing says beside numbers of items.
func (r *CountResult) Stocktake() *Stocktake {
	t := &Stocktake{Zones: r.Zones, Delivery: r.Delivery}
	for _, l := range r.Products {
		short := l.Expected - l.Found
		if short > t.MostShort {
			t.MostShort, t.MostShortOf = short, l.GTIN
		}
		switch {
		case !r.Delivery:
		case l.Expected == 0:
			t.Wrong += l.Found
		default:
			t.Short += max(0, short)
			t.Over += max(0, -short)
		}
	}
	return t
}

// ProductLine is what was expected and found of one product; GTIN 0 stands for all tags without
// one.
type ProductLine struct {
	GTIN            uint64
	Expected, Found int
}

// ItemAccuracy is the share of expected and unexpected items on which record and shelf agree:
// matched / (expected + unexpected). 1 for nothing at all.
func (r *CountResult) ItemAccuracy() float64 {
	if r.Expected+r.Unexpected == 0 {
		return 1
	}
	return float64(r.Matched) / float64(r.Expected+r.Unexpected)
}

// LineAccuracy is the share of products whose number of items is exactly as expected. 1 for nothing
// at all.
func (r *CountResult) LineAccuracy() float64 {
	if r.Lines == 0 {
		return 1
	}
	return float64(r.LinesRight) / float64(r.Lines)
}

const (
	resultVersion = 1
	resultFields  = 14
)

func (r *CountResult) fields(c *codec) {
	c.text(&r.Count)
	num(c, &r.Closed)
	for _, n := range []*int{&r.Expected, &r.Matched, &r.Missing, &r.Unexpected, &r.Lines, &r.LinesRight} {
		num(c, n)
	}
	c.identities(&r.Found)
	rows(c, &r.Differences, 0, func(d *Difference) {
		unum(c, &d.Finding)
		c.identity(&d.Key)
		c.text(&d.Text)
		unum(c, &d.GTIN)
		c.text(&d.Zone)
		c.text(&d.Was)
		num(c, &d.Reads)
	})
	rows(c, &r.Products, 3, func(p *ProductLine) {
		unum(c, &p.GTIN)
		num(c, &p.Expected)
		num(c, &p.Found)
	})
	c.texts(&r.Zones)
	c.flag(&r.Delivery)
}

// AppendCountResult appends the record encoding of r to b.
func AppendCountResult(b []byte, r *CountResult) []byte {
	c := newEncoder(b, resultVersion, resultFields)
	r.fields(&c)
	return c.b
}

// DecodeCountResult is the inverse of AppendCountResult.
func DecodeCountResult(b []byte) (r CountResult, err error) {
	c := openRecord(b, resultVersion, resultFields-2, resultFields)
	r.fields(&c)
	return r, c.end("count result")
}
