package trial

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"time"

	"github.com/go-faster/jx"
	"github.com/klauspost/compress/gzip"

	"lintel/engine"
	"lintel/engine/epc"
)

// maxFactLine is the most bytes of one line of a facts file.
const maxFactLine = 64 << 10

// FactReader reads a facts file. It is not safe for concurrent use.
type FactReader struct {
	in    *bufio.Reader
	line  int
	last  [2]int64
	names map[string]string // zones, read points: few, and always the same
	items []itemSlot
	d     jx.Decoder
	day   [10]byte // of the last time, as it was written
	dayMs int64
	fact  engine.Fact
}

// The identities that were read last are kept: of most items there are several facts.
const itemSlots = 1 << 16

type itemSlot struct {
	words string
	key   epc.Key
	text  string
}

// FactError is what is wrong with a line of a facts file.
type FactError struct {
	Line   int // from 1
	Reason string
}

func (e *FactError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Reason) }

// NewFactReader begins to read a facts file: one JSON object a line, plain or gzip.
func NewFactReader(r io.Reader) (*FactReader, error) {
	in := bufio.NewReaderSize(r, 256<<10)
	if head, _ := in.Peek(2); len(head) == 2 && head[0] == 0x1f && head[1] == 0x8b { // RFC 1952, section 2.3.1
		z, err := gzip.NewReader(in)
		if err != nil {
			return nil, fmt.Errorf("the gzip data is damaged: %w", err)
		}
		in = bufio.NewReaderSize(z, 256<<10)
	}
	return &FactReader{in: in, names: make(map[string]string), items: make([]itemSlot, itemSlots), last: [2]int64{-1, -1}}, nil
}

// Next returns the next fact, which is valid until the next call; io.EOF after the last. Other errors are *FactError, or come of the reader.
func (r *FactReader) Next() (*engine.Fact, error) {
	for {
		line, err := r.readLine()
		if err != nil {
			return nil, err
		}
		r.line++
		if r.line == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := r.parse(line); err != nil {
			return nil, &FactError{r.line, err.Error()}
		}
		return &r.fact, nil
	}
}

// Facts gives the facts that are left, for Run. It ends with the first error.
func (r *FactReader) Facts() iter.Seq2[*engine.Fact, error] {
	return func(yield func(*engine.Fact, error) bool) {
		for {
			f, err := r.Next()
			if err == io.EOF {
				return
			}
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

func (r *FactReader) readLine() ([]byte, error) {
	line, err := r.in.ReadSlice('\n')
	switch {
	case err == nil, err == bufio.ErrBufferFull, err == io.EOF && len(line) > 0:
	case err == io.EOF:
		return nil, err
	default:
		return nil, fmt.Errorf("after line %d: the file breaks off or is damaged: %w", r.line, err)
	}
	if len(line) > maxFactLine {
		return nil, &FactError{r.line + 1, fmt.Sprintf("it is longer than %d bytes, which no fact is", maxFactLine)}
	}
	return line, nil
}

// parse reads one line.
func (r *FactReader) parse(line []byte) error {
	f := &r.fact
	*f = engine.Fact{}
	p := factLine{r: r, f: f}
	r.d.ResetBytes(line)
	if r.d.Next() != jx.Object {
		return errors.New("it is no JSON object; a facts file has one fact a line, as GET /v1/sites/{site}/facts.jsonl gives them")
	}
	if err := r.d.ObjBytes(p.member); err != nil {
		return jsonFault(err)
	}
	if err := r.d.Skip(); err != io.EOF {
		return errors.New("something follows the JSON object; a line holds one fact")
	}
	switch {
	case p.paged:
		return errors.New("this is a page of facts; a facts file has one fact a line, as GET /v1/sites/{site}/facts.jsonl gives them")
	case !p.hasID:
		return errors.New(`the member "id" is missing`)
	case f.Cause == 0:
		return errors.New(`the member "cause" is missing`)
	}
	if !p.hasAt {
		f.At = f.Ms
	}
	if id := [2]int64{f.Ms, int64(f.N)}; id[0] < r.last[0] || id[0] == r.last[0] && id[1] <= r.last[1] {
		return fmt.Errorf("the fact %d-%d does not come after %d-%d: facts must be in the order of their ids, each once", id[0], id[1], r.last[0], r.last[1])
	} else {
		r.last = id
	}
	return nil
}

// jsonFault says what is wrong in plain words.
func jsonFault(err error) error {
	var m *memberError
	if errors.As(err, &m) {
		return m
	}
	return fmt.Errorf("it is not valid JSON, or a member has the wrong type: %w", err)
}

type memberError struct{ reason string }

func (e *memberError) Error() string { return e.reason }

func badMember(name, format string, args ...any) error {
	return &memberError{fmt.Sprintf("the member %q: %s", name, fmt.Sprintf(format, args...))}
}

// factLine is one line on its way into a fact.
type factLine struct {
	r                   *FactReader
	f                   *engine.Fact
	hasID, hasAt, paged bool
}

func (p *factLine) member(d *jx.Decoder, name []byte) error {
	f, r := p.f, p.r
	var err error
	switch string(name) {
	case "id":
		return p.id(d)
	case "entry":
		f.Seq, err = d.UInt64()
	case "cause":
		return p.cause(d)
	case "at":
		return p.at(d)
	case "item":
		return p.item(d)
	case "gtin":
		return p.gtin(d)
	case "disposition":
		return p.disposition(d)
	case "zone":
		f.Zone, err = r.name(d)
	case "from":
		f.From, err = r.name(d)
	case "read_point":
		f.Point, err = r.name(d)
	case "ref":
		f.Ref, err = d.Str()
	case "passage":
		return p.passage(d)
	case "count":
		f.Count, err = p.number(d, "count")
	case "expected":
		f.Expected, err = p.number(d, "expected")
	case "missing":
		f.MissingItems, err = p.number(d, "missing")
	case "unexpected":
		f.Unexpected, err = p.number(d, "unexpected")
	case "facts":
		p.paged = true
		return d.Skip()
	default:
		return d.Skip()
	}
	return err
}

// id reads "<milliseconds>-<number>".
func (p *factLine) id(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	ms, rest, ok := digits(b)
	n, end, ok2 := uint64(0), []byte{'?'}, false
	if ok && len(rest) > 0 && rest[0] == '-' {
		n, end, ok2 = digits(rest[1:])
	}
	if !ok2 || len(end) > 0 || n > math.MaxUint32 || ms > maxMs {
		return badMember("id", "%.60q is no id of a fact, such as 1774000000000-0", b)
	}
	p.f.Ms, p.f.N, p.hasID = int64(ms), uint32(n), true
	return nil
}

// maxMs is the last moment of the year 9999, past which RFC 3339 can't write a time.
const maxMs = 253402300799999

// digits reads a number at the start of b.
func digits(b []byte) (n uint64, rest []byte, ok bool) {
	i := 0
	for i < len(b) && i < 18 && b[i]-'0' <= 9 {
		n = n*10 + uint64(b[i]-'0')
		i++
	}
	return n, b[i:], i > 0
}

func (p *factLine) cause(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	c, ok := causes[string(b)]
	if !ok {
		return badMember("cause", "there is no cause %.40q", b)
	}
	p.f.Cause = c
	return nil
}

// causes and dispositions are by name. They are made of what the core says, which numbers them from 0 without end.
var (
	causes = byName(func(n uint8) (engine.Cause, string, bool) {
		c := engine.Cause(n)
		g, ok := engine.CauseByName(c.String())
		return c, c.String(), ok && g == c
	})
	dispositions = byName(func(n uint8) (engine.Disposition, string, bool) {
		d := engine.Disposition(n)
		return d, d.String(), d.String() != fmt.Sprintf("disposition %d", n)
	})
)

func byName[T any](of func(uint8) (T, string, bool)) map[string]T {
	m := make(map[string]T)
	for n := range 256 {
		if v, name, ok := of(uint8(n)); ok {
			m[name] = v
		}
	}
	return m
}

func (p *factLine) disposition(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	v, ok := dispositions[string(b)]
	if !ok {
		return badMember("disposition", "there is no disposition %.40q", b)
	}
	p.f.Disp = v
	return nil
}

// at reads RFC 3339. Times of a file are mostly of the same day, so the day is kept.
func (p *factLine) at(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	ms, ok := p.r.clock(b)
	if !ok {
		t, err := time.Parse(time.RFC3339Nano, string(b[:min(len(b), 64)]))
		if err != nil || t.UnixMilli() > maxMs {
			return badMember("at", "%.60q is no RFC 3339 time such as 2026-11-25T09:14:07Z", b)
		}
		if ms = t.UnixMilli(); len(b) > 10 && b[len(b)-1] == 'Z' {
			p.r.day = [10]byte(b[:10])
			p.r.dayMs = t.UTC().Truncate(24 * time.Hour).UnixMilli()
		}
	}
	p.f.At, p.hasAt = ms, true
	return nil
}

// clock reads a time in UTC of the day that is kept: 2026-11-25T09:14:07.5Z.
func (r *FactReader) clock(b []byte) (int64, bool) {
	if len(b) < 20 || len(b) > 24 || [10]byte(b[:10]) != r.day || b[10] != 'T' || b[13] != ':' || b[16] != ':' || b[len(b)-1] != 'Z' {
		return 0, false
	}
	two := func(i int) int64 {
		hi, lo := b[i]-'0', b[i+1]-'0'
		if hi > 9 || lo > 9 {
			return math.MinInt32
		}
		return int64(hi)*10 + int64(lo)
	}
	h, m, s := two(11), two(14), two(17)
	if h < 0 || h > 23 || m < 0 || m > 59 || s < 0 || s > 59 {
		return 0, false
	}
	ms := r.dayMs + ((h*60+m)*60+s)*1000
	if frac := b[19 : len(b)-1]; len(frac) > 0 {
		if frac[0] != '.' || len(frac) < 2 {
			return 0, false
		}
		scale := int64(100)
		for _, c := range frac[1:] {
			if c-'0' > 9 {
				return 0, false
			}
			ms += int64(c-'0') * scale
			scale /= 10
		}
	}
	return ms, true
}

// item reads an identity in words.
func (p *factLine) item(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	h := uint32(2166136261) // FNV-1a
	for _, c := range b {
		h = (h ^ uint32(c)) * 16777619
	}
	slot := &p.r.items[h%itemSlots]
	if slot.words != string(b) || slot.words == "" {
		id, err := epc.Parse(string(b))
		if err != nil {
			return badMember("item", "%v", err)
		}
		s := itemSlot{words: string(b), key: id.Key()}
		if s.key.Hi>>60 == hashedKind {
			s.text = id.KeyText()
		}
		*slot = s
	}
	p.f.Key, p.f.Text = slot.key, slot.text
	return nil
}

// hashedKind is the kind of a key, in its top four bits, that can't be turned back into words.
const hashedKind = 15

func (p *factLine) gtin(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	n, rest, ok := digits(b)
	if !ok || len(rest) > 0 || len(b) != 14 {
		return badMember("gtin", "%.40q is not 14 digits", b)
	}
	p.f.GTIN = n
	return nil
}

func (p *factLine) number(d *jx.Decoder, name string) (int, error) {
	n, err := d.Int()
	if err == nil && (n < 0 || n > math.MaxInt32) {
		return 0, badMember(name, "%d is out of range", n)
	}
	return n, err
}

var directions = byName(func(n uint8) (engine.Direction, string, bool) {
	d := engine.Direction(n)
	return d, d.String(), n > 0 && n <= uint8(engine.DirectionUnsure)
})

func (p *factLine) passage(d *jx.Decoder) error {
	v := engine.Passage{Peak: engine.NoRSSI}
	err := d.ObjBytes(func(d *jx.Decoder, name []byte) error {
		var err error
		switch string(name) {
		case "direction":
			b, err := d.StrBytes()
			if err != nil {
				return err
			}
			dir, ok := directions[string(b)]
			if !ok {
				return badMember("passage.direction", "there is no direction %.40q", b)
			}
			v.Direction = dir
		case "confidence":
			if v.Confidence, err = d.Float64(); err == nil && !(v.Confidence >= 0 && v.Confidence <= 1) {
				return badMember("passage.confidence", "%v is not from 0 to 1", v.Confidence)
			}
		case "reads":
			v.Reads, err = p.number(d, "passage.reads")
		case "peak_rssi":
			var db float64
			if db, err = d.Float64(); err == nil {
				if !(db >= -1000 && db <= 1000) {
					return badMember("passage.peak_rssi", "%v is no level in dBm", db)
				}
				v.Peak = int16(math.Round(db * 10))
			}
		case "seconds":
			var s float64
			if s, err = d.Float64(); err == nil {
				if !(s >= 0 && s <= 1e6) {
					return badMember("passage.seconds", "%v is out of range", s)
				}
				v.Span = int64(math.Round(s * 1000))
			}
		default:
			return d.Skip()
		}
		return err
	})
	if err == nil && v.Direction == engine.DirectionNone {
		return badMember("passage", "it has no direction")
	}
	p.f.Passage = v
	return err
}

// maxNames bounds what is kept of names.
const maxNames = 10_000

// name reads a name that comes again and again.
func (r *FactReader) name(d *jx.Decoder) (string, error) {
	b, err := d.StrBytes()
	if err != nil {
		return "", err
	}
	if s, ok := r.names[string(b)]; ok {
		return s, nil
	}
	s := string(b)
	if len(r.names) < maxNames {
		r.names[s] = s
	}
	return s, nil
}
