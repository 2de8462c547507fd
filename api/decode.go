package api

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"

	"github.com/go-faster/jx"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// The members of a read.
var readMembers = []string{"epc", "pc", "read_point", "zone", "rssi", "count", "time", "phase", "channel", "doppler"}

const (
	memberEPC = 1 << iota
	memberPC
	memberPoint
	memberZone
	memberRSSI
	memberCount
	memberTime
	memberPhase
	memberChannel
	memberDoppler

	memberNumber = memberPC | memberRSSI | memberCount | memberTime | memberPhase | memberChannel | memberDoppler
)

// What a read may say.
const (
	minRSSI  = -200 // dBm
	maxRSSI  = 50
	maxCount = 1_000_000

	minPhase   = -180 // degrees
	maxPhase   = 360
	minChannel = 100 // MHz
	maxChannel = 6000
	maxDoppler = 1000 // Hz, either way
)

// readDecoder turns the body of a request into an entry of the journal. One pass, no tree, and once
// its memory is warm nothing is allocated for a read whose identity is packed (a GTIN or other GS1
// key with a numeric serial). It is used again for other requests.
type readDecoder struct {
	lay *layout.Layout
	now int64 // the server's clock, Unix milliseconds
	max int   // reads in a batch

	scope    *countScope // of a count; nil: reads of the site
	stamps   *stamps     // of the server; nil: the server's clock as it is
	stamp    int64       // of what this batch declares without a time; 0: nothing yet
	entry    event.Entry
	rejected []Rejection
	beats    int // reads without an identity, which only say that the read point is alive
	n        int // elements met

	dec       jx.Decoder
	instants  instants
	pointOf   []uint16 // 1 + index in entry.Points, by index in the layout; 0: not named yet
	zoneOf    []uint16 // likewise
	lastPoint []byte   // the read point named last, and its index in entry.Points: readers mostly speak for one
	lastIndex uint16

	// The read at hand. Its texts are parts of the body.
	seen, null       uint16 // members that were there, and those of them that were null
	epc, point, zone []byte
	pc               uint16
	rssi             int16
	count            uint32
	phase            uint16 // as in engine.Read, and the next two
	channel, doppler uint16
	t                int64
	fault            Rejection // Reason "": none

	member      func(*jx.Decoder, []byte) error // readMember and readElement, bound once so that passing them allocates nothing
	elementOnly func(*jx.Decoder) error
}

var decoders = sync.Pool{New: func() any {
	d := &readDecoder{}
	d.member = d.readMember
	d.elementOnly = d.readElement
	return d
}}

// newReadDecoder returns a decoder for one batch. Give it back with release once the entry is
// encoded.
func newReadDecoder(lay *layout.Layout, now int64, max int) *readDecoder {
	d := decoders.Get().(*readDecoder)
	d.lay, d.now, d.max = lay, now, max
	return d
}

func (d *readDecoder) release() {
	e := &d.entry
	clear(e.Reads) // they may hold texts
	*e = event.Entry{Points: e.Points[:0], Zones: e.Zones[:0], Reads: e.Reads[:0]}
	d.scope, d.stamps, d.stamp = nil, nil, 0
	d.lay, d.rejected, d.beats, d.n, d.lastPoint, d.epc, d.point, d.zone, d.fault = nil, nil, 0, 0, nil, nil, nil, nil, Rejection{}
	d.instants.known = false
	d.dec.ResetBytes(nil)
	if cap(e.Reads) <= 20_000 {
		decoders.Put(d)
	}
}

// accepted is how many elements of the batch were taken.
func (d *readDecoder) accepted() int { return len(d.entry.Reads) + d.beats }

func (d *readDecoder) begin() {
	d.entry.Kind, d.entry.At = event.EntryReads, d.now
	d.pointOf = resetIndexes(d.pointOf, len(d.lay.ReadPoints))
	d.zoneOf = resetIndexes(d.zoneOf, len(d.lay.Zones))
}

func resetIndexes(s []uint16, n int) []uint16 {
	if cap(s) < n {
		return make([]uint16, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// errBatch says that the batch has more elements than it may.
var errBatch = errors.New("too many elements")

// array decodes a JSON array of reads, or an object with the array as its member "reads". An error
// means that the whole body is refused.
func (d *readDecoder) array(body []byte) error {
	d.begin()
	body, err := kit.CheckText(body)
	if err != nil {
		return err
	}
	d.dec.ResetBytes(body)
	switch d.dec.Next() {
	case jx.Array:
		err = d.dec.Arr(d.elementOnly)
	case jx.Object:
		found := false
		err = d.dec.ObjBytes(func(j *jx.Decoder, key []byte) error {
			if string(key) != "reads" {
				return kit.Problemf(kit.CodeInvalidBody, "The body has the unknown member %s; write an array of "+
					"reads, or {\"reads\": [...]}.", kit.Shown(key))
			}
			if found {
				return kit.Problemf(kit.CodeInvalidBody, "The member \"reads\" is there twice.")
			}
			found = true
			if j.Next() != jx.Array {
				return kit.Problemf(kit.CodeInvalidBody, "\"reads\" must be an array.")
			}
			return j.Arr(d.elementOnly)
		})
		if err == nil && !found {
			err = kit.Problemf(kit.CodeInvalidBody, "The body has no member \"reads\"; write an array of reads, or {\"reads\": [...]}.")
		}
	default:
		return kit.OrSyntax(body, kit.Problemf(kit.CodeInvalidBody, "The body must be a JSON array of reads, or "+
			"{\"reads\": [...]}; one read a line is Content-Type application/x-ndjson."))
	}
	if err == nil {
		if err = d.dec.Skip(); err == io.EOF {
			return nil
		}
		err = errTrailing
	}
	return d.explain(body, err)
}

var errTrailing = errors.New("something follows the JSON value")

// lines decodes one read a line. A line that is no JSON is rejected like any other bad read.
func (d *readDecoder) lines(body []byte) error {
	d.begin()
	body, err := kit.CheckText(body)
	if err != nil {
		return err
	}
	for len(body) > 0 {
		line := body
		if k := bytes.IndexByte(body, '\n'); k >= 0 {
			line, body = body[:k], body[k+1:]
		} else {
			body = nil
		}
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		index, reads, beats, rejected := d.n, len(d.entry.Reads), d.beats, len(d.rejected)
		d.dec.ResetBytes(line)
		err := d.readElement(&d.dec)
		if errors.Is(err, errBatch) {
			return d.tooMany()
		}
		if err == nil {
			if err = d.dec.Skip(); err == io.EOF {
				continue
			}
			err = errTrailing
		}
		// Nothing of a line that is no JSON is taken.
		d.entry.Reads, d.beats, d.rejected = d.entry.Reads[:reads], beats, d.rejected[:rejected]
		d.reject(Rejection{Index: index, Reason: "the line is not valid JSON: " + kit.SyntaxReason(line, err)})
	}
	return nil
}

// explain turns what stopped the decoder into an answer.
func (d *readDecoder) explain(body []byte, err error) error {
	var p *kit.Problem
	switch {
	case errors.Is(err, errBatch):
		return d.tooMany()
	case errors.As(err, &p):
		return p
	}
	return kit.Problemf(kit.CodeInvalidJSON, "The body is not valid JSON: %s.", kit.SyntaxReason(body, err))
}

func (d *readDecoder) tooMany() error {
	return kit.Problemf(codeBatchTooLarge, "The batch has more than %d elements; send several batches.", d.max).With("limit", d.max)
}

func (d *readDecoder) reject(r Rejection) { d.rejected = append(d.rejected, r) }

// failf notes the first fault of the read at hand.
func (d *readDecoder) failf(class reasonClass, format string, args ...any) {
	if d.fault.Reason == "" {
		d.fault = Rejection{Reason: fmt.Sprintf(format, args...), class: class}
	}
}

// readElement decodes one element of the batch. Its error is one of the JSON, or errBatch.
func (d *readDecoder) readElement(j *jx.Decoder) error {
	if d.n == d.max {
		return errBatch
	}
	index := d.n
	d.n++
	d.seen, d.null, d.pc, d.rssi, d.count, d.t = 0, 0, 0, event.NoRSSI, 1, d.now
	d.epc, d.point, d.zone, d.fault = nil, nil, nil, Rejection{}
	d.phase, d.channel, d.doppler = 0, 0, 0
	if kind := j.Next(); kind != jx.Object {
		if err := j.Skip(); err != nil {
			return unexpectedEOF(err)
		}
		d.failf(reasonShape, "a read is an object with the members %q at least, this is %s", "read_point", a(kind))
	} else if err := j.ObjBytes(d.member); err != nil {
		return err
	}
	if d.fault.Reason == "" {
		d.take()
	}
	if d.fault.Reason != "" {
		d.fault.Index = index
		if i, ok := d.lay.ReadPointIndex(text(d.point)); ok {
			d.fault.point = d.lay.ReadPoints[i].ID
		}
		d.reject(d.fault)
	}
	return nil
}

// unexpectedEOF keeps the end of the text within a value apart from its end after one.
func unexpectedEOF(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// a names a kind of JSON value.
func a(kind jx.Type) string {
	switch kind {
	case jx.Array, jx.Object:
		return "an " + kind.String()
	case jx.Null:
		return "null"
	}
	return "a " + kind.String()
}

// readMember decodes one member of the read at hand.
func (d *readDecoder) readMember(j *jx.Decoder, key []byte) error {
	var bit uint16
	switch string(key) {
	case "epc":
		bit = memberEPC
	case "read_point":
		bit = memberPoint
	case "time":
		bit = memberTime
	case "rssi":
		bit = memberRSSI
	case "count":
		bit = memberCount
	case "zone":
		bit = memberZone
	case "pc":
		bit = memberPC
	case "phase":
		bit = memberPhase
	case "channel":
		bit = memberChannel
	case "doppler":
		bit = memberDoppler
	default:
		d.failf(reasonShape, "unknown member %s%s", kit.Shown(key), doc.OrDidYouMean(string(key), readMembers))
		return j.Skip()
	}
	if d.seen&bit != 0 {
		d.failf(reasonShape, "the member %q is there twice", key)
		return j.Skip()
	}
	d.seen |= bit
	kind := j.Next()
	switch {
	case kind == jx.String && bit&(memberEPC|memberPoint|memberZone|memberTime|memberPC) != 0:
		v, err := j.StrBytes()
		if err != nil {
			return err
		}
		d.textMember(bit, v)
		return nil
	case kind == jx.Number && bit&memberNumber != 0:
		v, err := j.Num()
		if err != nil {
			return err
		}
		d.numberMember(bit, v)
		return nil
	case kind == jx.Null && bit != memberEPC: // as good as absent
		d.null |= bit
		return j.Null()
	}
	want := "a text"
	switch bit {
	case memberRSSI, memberCount, memberPhase, memberChannel, memberDoppler:
		want = "a number"
	case memberTime:
		want = "an RFC 3339 text, or Unix milliseconds as a number"
	case memberPC:
		want = "hexadecimal digits, or a number"
	case memberEPC:
		want = "a text; a read without it says only that the read point is alive"
	}
	if kind == jx.Invalid {
		return unexpectedEOF(j.Skip()) // which fails and says where
	}
	d.failf(reasonShape, "%q is %s; it must be %s", key, a(kind), want)
	return j.Skip()
}

func (d *readDecoder) textMember(bit uint16, v []byte) {
	switch bit {
	case memberEPC:
		if d.epc = v; len(v) == 0 {
			d.failf(reasonIdentity, "\"epc\" is empty; leave it out to say only that the read point is alive")
		}
	case memberPoint:
		d.point = v
	case memberZone:
		if d.zone = v; len(v) == 0 {
			d.failf(reasonZone, "\"zone\" is empty; leave it out if the operator declared none")
		}
	case memberTime:
		ms, err := d.instants.parse(v)
		if err != nil {
			d.failf(reasonTime, "%v", err)
		}
		d.t = ms
	case memberPC:
		hex := v
		if len(hex) > 2 && hex[0] == '0' && hex[1]|0x20 == 'x' {
			hex = hex[2:]
		}
		n, err := strconv.ParseUint(text(hex), 16, 16)
		if err != nil || len(hex) != 4 {
			d.failf(reasonIdentity, "\"pc\" %s is no PC word; write its 4 hexadecimal digits, such as \"3000\"", kit.Shown(v))
		}
		d.pc = uint16(n)
	}
}

// has reports whether the read at hand has the member, other than as null.
func (d *readDecoder) has(bit uint16) bool { return d.seen&^d.null&bit != 0 }

// take checks the read at hand as a whole and adds it to the entry.
func (d *readDecoder) take() {
	if class, err := checkInstant(d.t, d.now); err != nil {
		d.failf(class, "%v", err)
		return
	}
	point, ok := d.pointIndex()
	if !ok {
		return
	}
	r := event.Read{RSSI: d.rssi, N: d.count, T: d.t, Phase: d.phase, Channel: d.channel, Doppler: d.doppler}
	zone, ok := d.zoneIndex()
	if ok && d.scope != nil && d.seen&memberEPC != 0 {
		zone, ok = d.scope.place(d, point, zone)
	}
	if !ok {
		return
	}
	if d.seen&memberEPC == 0 {
		if d.has(memberPC) {
			d.failf(reasonIdentity, "\"pc\" without \"epc\" says nothing")
			return
		}
		d.beats++
	} else {
		id, err := parseIdentity(text(d.epc), d.pc, d.has(memberPC))
		if err != nil {
			d.fault = identityFault(err)
			return
		}
		r.Key, r.Text = keyOf(id)
	}
	// Only what is taken may name read points: else a batch of nothing but rubbish would keep a
	// dead reader alive.
	if d.pointOf[point] == 0 {
		d.entry.Points = append(d.entry.Points, d.lay.ReadPoints[point].ID)
		d.pointOf[point] = uint16(len(d.entry.Points))
	}
	if d.seen&memberEPC == 0 {
		return
	}
	if role := d.lay.ReadPoints[point].Role; (role == event.Handheld || role == event.Desk) && !d.has(memberTime) {
		r.T = d.stamped()
	}
	r.Point = d.pointOf[point] - 1
	if zone >= 0 {
		if d.zoneOf[zone] == 0 {
			d.entry.Zones = append(d.entry.Zones, d.lay.Zones[zone].ID)
			d.zoneOf[zone] = uint16(len(d.entry.Zones))
		}
		r.Zone = d.zoneOf[zone]
	}
	d.entry.Reads = append(d.entry.Reads, r)
}

// stamped returns the time of what this batch declares without a time. The entry is not older than
// that.
func (d *readDecoder) stamped() int64 {
	if d.stamp == 0 {
		d.stamp = d.now
		if d.stamps != nil {
			d.stamp = d.stamps.next(d.lay.Site, d.now)
		}
		d.entry.At = d.stamp
	}
	return d.stamp
}

// pointIndex finds the read point in the layout.
func (d *readDecoder) pointIndex() (int, bool) {
	if d.lastPoint != nil && bytes.Equal(d.point, d.lastPoint) {
		return int(d.lastIndex), true
	}
	if len(d.point) == 0 {
		d.failf(reasonReadPoint, "\"read_point\" is missing; name the reader or antenna by its id in the site's layout")
		return 0, false
	}
	i, ok := d.lay.ReadPointIndex(text(d.point))
	if !ok {
		names := make([]string, len(d.lay.ReadPoints))
		for k := range names {
			names[k] = d.lay.ReadPoints[k].ID
		}
		d.failf(reasonReadPoint, "site %q has no read point %s%s", d.lay.Site, kit.Shown(d.point), doc.OrDidYouMean(string(d.point), names))
		return 0, false
	}
	d.lastPoint, d.lastIndex = d.point, uint16(i)
	return i, true
}

// zoneIndex finds the declared zone in the layout; -1: none was declared.
func (d *readDecoder) zoneIndex() (int, bool) {
	if len(d.zone) == 0 {
		return -1, true
	}
	i, ok := d.lay.ZoneIndex(text(d.zone))
	if !ok {
		d.failf(reasonZone, "%s", noZone(d.lay, string(d.zone)))
	}
	return i, ok
}

func noZone(lay *layout.Layout, zone string) string {
	names := make([]string, len(lay.Zones))
	for k := range names {
		names[k] = lay.Zones[k].ID
	}
	return fmt.Sprintf("site %q has no zone %s%s", lay.Site, kit.Shown([]byte(zone)), doc.OrDidYouMean(zone, names))
}
