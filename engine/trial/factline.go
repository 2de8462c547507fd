package trial

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/go-faster/jx"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// decode reads a line in whatever form JSON allows.
func (r *FactReader) decode(line []byte) error {
	f := &r.fact
	*f = event.Fact{}
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
	f                   *event.Fact
	hasID, hasAt, paged bool
}

func (p *factLine) member(d *jx.Decoder, name []byte) error {
	f, r := p.f, p.r
	var err error
	switch string(name) {
	case "id":
		return p.id(d)
	case "sequence", "entry": // entry: in files of earlier versions
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
	case "passage", "near":
		return p.passage(d, string(name))
	case "count":
		f.Count, err = p.number(d, "count")
	case "expected":
		f.Expected, err = p.number(d, "expected")
	case "missing":
		f.MissingItems, err = p.number(d, "missing")
	case "unexpected":
		f.Unexpected, err = p.number(d, "unexpected")
	case "stocktake":
		return p.stocktake(d)
	case "other_site":
		return p.otherSite(d)
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

// causes and dispositions are by name. They are made of what the core says, which numbers them from
// 0 without end.
var (
	causes = byName(func(n uint8) (event.Cause, string, bool) {
		c := event.Cause(n)
		g, ok := event.Causes.Parse(c.String())
		return c, c.String(), ok && g == c
	})
	dispositions = byName(func(n uint8) (event.Disposition, string, bool) {
		d := event.Disposition(n)
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

func (p *factLine) at(d *jx.Decoder) error {
	b, err := d.StrBytes()
	if err != nil {
		return err
	}
	ms, ok := p.r.moment(b)
	if !ok {
		return badMember("at", "%.60q is no RFC 3339 time such as 2026-11-25T09:14:07Z", b)
	}
	p.f.At, p.hasAt = ms, true
	return nil
}

// moment reads RFC 3339. Times of a file are mostly of the same day, so the day is kept.
func (r *FactReader) moment(b []byte) (int64, bool) {
	if ms, ok := r.clock(b); ok {
		return ms, true
	}
	if len(b) > 64 {
		return 0, false
	}
	t, err := time.Parse(time.RFC3339Nano, string(b))
	if err != nil || t.UnixMilli() > maxMs {
		return 0, false
	}
	if len(b) > 10 && b[len(b)-1] == 'Z' {
		r.day = [10]byte(b[:10])
		r.dayMs = t.UTC().Truncate(24 * time.Hour).UnixMilli()
	}
	return t.UnixMilli(), true
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
	if p.f.Key, p.f.Text, err = p.r.identity(b); err != nil {
		return badMember("item", "%v", err)
	}
	return nil
}

// identity reads an identity in words, and gives its text where the key does not hold it.
func (r *FactReader) identity(b []byte) (epc.Key, string, error) {
	if r.items == nil {
		r.items = make([]itemSlot, itemSlots)
	}
	h := uint32(2166136261) // FNV-1a
	for _, c := range b {
		h = (h ^ uint32(c)) * 16777619
	}
	slot := &r.items[h%itemSlots]
	if slot.words != string(b) || slot.words == "" {
		id, err := epc.Parse(string(b))
		if err != nil {
			return epc.Key{}, "", err
		}
		s := itemSlot{words: string(b), key: id.Key()}
		if s.key.Hi>>60 == hashedKind {
			s.text = id.KeyText()
		}
		*slot = s
	}
	return slot.key, slot.text, nil
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

// maxCounted is how many zones a count has at most: as many as a layout.
const maxCounted = 1000

// otherSite reads which other shop has an item.
func (p *factLine) otherSite(d *jx.Decoder) error {
	o := &event.OtherSite{}
	p.f.Other = o
	return d.ObjBytes(func(d *jx.Decoder, name []byte) (err error) {
		switch string(name) {
		case "id":
			o.ID, err = p.r.name(d)
		case "name":
			o.Name, err = p.r.name(d)
		default:
			return d.Skip()
		}
		return err
	})
}

// stocktake reads what else a fact about a count has.
func (p *factLine) stocktake(d *jx.Decoder) error {
	t := &event.Stocktake{}
	p.f.Stocktake = t
	return d.ObjBytes(func(d *jx.Decoder, name []byte) (err error) {
		switch string(name) {
		case "zones":
			return d.Arr(func(d *jx.Decoder) error {
				z, err := p.r.name(d)
				if t.Zones = append(t.Zones, z); len(t.Zones) > maxCounted {
					return badMember("zones", "there are more than %d", maxCounted)
				}
				return err
			})
		case "delivery":
			t.Delivery, err = d.Bool()
		case "short":
			t.Short, err = p.number(d, "short")
		case "over":
			t.Over, err = p.number(d, "over")
		case "wrong":
			t.Wrong, err = p.number(d, "wrong")
		case "most_short":
			t.MostShort, err = p.number(d, "most_short")
		case "most_short_of":
			was := p.f.GTIN
			if err = p.gtin(d); err == nil {
				t.MostShortOf, p.f.GTIN = p.f.GTIN, was
			}
		case "overdue":
			t.Overdue, err = d.Bool()
		case "days":
			t.Days, err = p.number(d, "days")
		default:
			return d.Skip()
		}
		return err
	})
}

var directions = byName(func(n uint8) (event.Direction, string, bool) {
	d := event.Direction(n)
	return d, d.String(), n > 0 && n <= uint8(event.DirectionUnsure)
})

// passage reads what a door heard of an item: of a passage, or of one that lingers near it.
func (p *factLine) passage(d *jx.Decoder, what string) error {
	v := event.Passage{Peak: event.NoRSSI}
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
				return badMember(what+".direction", "there is no direction %.40q", b)
			}
			v.Direction = dir
		case "door":
			b, err := d.StrBytes()
			if err != nil {
				return err
			}
			if len(b) > 64 {
				return badMember(what+".door", "%.40q is no zone id", b)
			}
			v.Door = string(b)
		case "sure":
			var sure bool
			sure, err = d.Bool()
			v.Likely = !sure
		case "confidence":
			if v.Confidence, err = d.Float64(); err == nil && !(v.Confidence >= 0 && v.Confidence <= 1) {
				return badMember(what+".confidence", "%v is not from 0 to 1", v.Confidence)
			}
		case "reads":
			v.Reads, err = p.number(d, what+".reads")
		case "peak_rssi":
			var db float64
			if db, err = d.Float64(); err == nil {
				if !(db >= -1000 && db <= 1000) {
					return badMember(what+".peak_rssi", "%v is no level in dBm", db)
				}
				v.Peak = int16(math.Round(db * 10))
			}
		case "seconds":
			var s float64
			if s, err = d.Float64(); err == nil {
				if !(s >= 0 && s <= 1e6) {
					return badMember(what+".seconds", "%v is out of range", s)
				}
				v.Span = int64(math.Round(s * 1000))
			}
		default:
			return d.Skip()
		}
		return err
	})
	if err == nil && what == "passage" && v.Direction == event.DirectionNone {
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
	return r.intern(b), nil
}

func (r *FactReader) intern(b []byte) string {
	if s, ok := r.names[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(r.names) < maxNames {
		r.names[s] = s
	}
	return s
}
