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
}

// CurveBin is a stretch of a count's time: how many tags were new in it. The curve dies out when the shelf is read (common practice, no source).
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

	Delivery bool   // open: check a delivery at its zones against Tags and Papers
	Tags     []Tag  // open, of a delivery: the identities that the papers name
	Papers   []Line // open, of a delivery: how many of each product the papers say
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
	countFields  = 17
)

// AppendCount appends the record encoding of c to b.
func AppendCount(b []byte, c *Count) []byte {
	b = msgp.AppendArrayHeader(b, countFields)
	b = msgp.AppendInt(b, countVersion)
	b = msgp.AppendString(b, c.ID)
	b = AppendStrings(b, c.Zones)
	b = msgp.AppendString(b, c.By)
	b = msgp.AppendString(b, c.Note)
	b = msgp.AppendUint8(b, uint8(c.Status))
	b = msgp.AppendInt64(b, c.Opened)
	b = msgp.AppendInt64(b, c.Closed)
	b = msgp.AppendInt(b, c.Pass)
	b = msgp.AppendInt(b, c.MissingAfter)
	b = msgp.AppendInt(b, c.Reads)
	b = msgp.AppendInt(b, c.Distinct)
	b = msgp.AppendArrayHeader(b, uint32(3*len(c.Curve)))
	for _, bin := range c.Curve {
		b = msgp.AppendInt64(b, bin.Ms)
		b = msgp.AppendInt(b, bin.New)
		b = msgp.AppendInt(b, bin.Reads)
	}
	b = appendKeys(b, c.Expected)
	b = msgp.AppendBool(b, c.Final)
	b = msgp.AppendBool(b, c.Delivery)
	return appendLines(b, c.Papers)
}

func appendLines(b []byte, lines []Line) []byte {
	b = msgp.AppendArrayHeader(b, uint32(2*len(lines)))
	for _, l := range lines {
		b = msgp.AppendUint64(b, l.GTIN)
		b = msgp.AppendInt(b, l.Count)
	}
	return b
}

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

// DecodeCount decodes a count's record.
func DecodeCount(b []byte) (Count, error) {
	var c Count
	r := NewDecoder(b)
	if n := r.Array(); r.err == nil && n != countFields {
		return c, fmt.Errorf("count record has %d fields, want %d", n, countFields)
	}
	if v := r.Int(); r.err == nil && v != countVersion {
		return c, fmt.Errorf("count record has version %d, this Lintel reads %d", v, countVersion)
	}
	c.ID, c.Zones, c.By, c.Note, c.Status = r.String(), r.Strings(nil), r.String(), r.String(), CountStatus(r.Uint8())
	c.Opened, c.Closed, c.Pass, c.MissingAfter, c.Reads, c.Distinct = r.Int64(), r.Int64(), r.Int(), r.Int(), r.Int(), r.Int()
	for n := r.Array() / 3; n > 0 && r.err == nil; n-- {
		c.Curve = append(c.Curve, CurveBin{Ms: r.Int64(), New: r.Int(), Reads: r.Int()})
	}
	c.Expected, c.Final, c.Delivery, c.Papers = r.Keys(), r.Bool(), r.Bool(), r.Lines()
	if r.err != nil {
		return c, fmt.Errorf("count record: %w", r.err)
	}
	return c, nil
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
}

// ProductLine is what was expected and found of one product; GTIN 0 stands for all tags without one.
type ProductLine struct {
	GTIN            uint64
	Expected, Found int
}

// ItemAccuracy is the share of expected and unexpected items on which record and shelf agree: matched / (expected + unexpected). 1 for nothing at all.
func (r *CountResult) ItemAccuracy() float64 {
	if r.Expected+r.Unexpected == 0 {
		return 1
	}
	return float64(r.Matched) / float64(r.Expected+r.Unexpected)
}

// LineAccuracy is the share of products whose number of items is exactly as expected. 1 for nothing at all.
func (r *CountResult) LineAccuracy() float64 {
	if r.Lines == 0 {
		return 1
	}
	return float64(r.LinesRight) / float64(r.Lines)
}

const resultVersion = 1

// AppendCountResult appends the record encoding of r to b.
func AppendCountResult(b []byte, r *CountResult) []byte {
	b = msgp.AppendArrayHeader(b, 12)
	b = msgp.AppendInt(b, resultVersion)
	b = msgp.AppendString(b, r.Count)
	b = msgp.AppendInt64(b, r.Closed)
	for _, n := range []int{r.Expected, r.Matched, r.Missing, r.Unexpected, r.Lines, r.LinesRight} {
		b = msgp.AppendInt(b, n)
	}
	b = appendKeys(b, r.Found)
	b = msgp.AppendArrayHeader(b, uint32(len(r.Differences)))
	for i := range r.Differences {
		d := &r.Differences[i]
		b = msgp.AppendUint8(b, uint8(d.Finding))
		b = AppendKey(b, d.Key)
		b = msgp.AppendString(b, d.Text)
		b = msgp.AppendUint64(b, d.GTIN)
		b = msgp.AppendString(b, d.Zone)
		b = msgp.AppendString(b, d.Was)
		b = msgp.AppendInt(b, d.Reads)
	}
	b = msgp.AppendArrayHeader(b, uint32(3*len(r.Products)))
	for _, p := range r.Products {
		b = msgp.AppendUint64(b, p.GTIN)
		b = msgp.AppendInt(b, p.Expected)
		b = msgp.AppendInt(b, p.Found)
	}
	return b
}

// DecodeCountResult is the inverse of AppendCountResult.
func DecodeCountResult(b []byte) (CountResult, error) {
	var res CountResult
	r := NewDecoder(b)
	if n := r.Array(); r.err == nil && n != 12 {
		return res, fmt.Errorf("count result has %d fields, want 12", n)
	}
	if v := r.Int(); r.err == nil && v != resultVersion {
		return res, fmt.Errorf("count result has version %d, this Lintel reads %d", v, resultVersion)
	}
	res.Count, res.Closed = r.String(), r.Int64()
	res.Expected, res.Matched, res.Missing, res.Unexpected, res.Lines, res.LinesRight = r.Int(), r.Int(), r.Int(), r.Int(), r.Int(), r.Int()
	res.Found = r.Keys()
	for n := r.Array(); n > 0 && r.err == nil; n-- {
		res.Differences = append(res.Differences, Difference{
			Finding: Finding(r.Uint8()), Key: r.Key(), Text: r.String(), GTIN: r.Uint64(), Zone: r.String(), Was: r.String(), Reads: r.Int(),
		})
	}
	for n := r.Array() / 3; n > 0 && r.err == nil; n-- {
		res.Products = append(res.Products, ProductLine{GTIN: r.Uint64(), Expected: r.Int(), Found: r.Int()})
	}
	if r.err != nil {
		return res, fmt.Errorf("count result: %w", r.err)
	}
	return res, nil
}
