package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/layout"
)

const testLayout = `{
  "site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
  "zones": [
    {"id": "front-tables", "name": "Front tables", "kind": "floor", "storey": "ground"},
    {"id": "shelf-a", "name": "Shelf A", "kind": "shelf", "storey": "ground"},
    {"id": "stockroom", "name": "Stockroom", "kind": "stockroom", "storey": "first"},
    {"id": "till", "name": "Till", "kind": "checkout", "storey": "ground"},
    {"id": "street-door", "name": "Street door", "kind": "exit", "storey": "ground"}
  ],
  "read_points": [
    {"id": "tables-1", "role": "fixed", "zone": "front-tables", "silent_after": "5m"},
    {"id": "shelf-a-1", "role": "fixed", "zone": "shelf-a"},
    {"id": "street-door-in", "role": "portal", "zone": "street-door", "side": "inner"},
    {"id": "street-door-out", "role": "portal", "zone": "street-door", "side": "outer"},
    {"id": "till-1", "role": "desk", "zone": "till"},
    {"id": "handheld-1", "role": "handheld"}
  ]
}`

var testLay = func() *layout.Layout {
	l, err := layout.Parse([]byte(testLayout))
	if err != nil {
		panic(err)
	}
	return l
}()

// opening is the server's clock in these tests.
var opening = time.Date(2026, 11, 25, 9, 14, 7, 0, time.UTC).UnixMilli()

// batch is a decoder's result, copied.
type batch struct {
	reads    []event.Read
	points   []string
	zones    []string
	beats    int
	rejected []Rejection
}

func decodeReads(t testing.TB, body string, ndjson bool) (batch, error) {
	d := newReadDecoder(testLay, opening, 100)
	defer d.release()
	var err error
	if ndjson {
		err = d.lines([]byte(body))
	} else {
		err = d.array([]byte(body))
	}
	e := &d.entry
	b := batch{append([]event.Read(nil), e.Reads...), append([]string(nil), e.Points...),
		append([]string(nil), e.Zones...), d.beats, d.rejected}
	if err == nil {
		require.Equal(t, d.n, d.accepted()+len(d.rejected), "counts add up")
		for i, r := range d.rejected {
			require.NotEmpty(t, r.Reason)
			require.True(t, i == 0 || d.rejected[i-1].Index < r.Index, "in order")
		}
		// What the journal gives back is what was put in.
		var back event.Entry
		require.NoError(t, event.DecodeEntry(event.AppendEntry(nil, e), &back))
		require.Equal(t, len(e.Reads), len(back.Reads))
		for i := range back.Reads {
			require.Equal(t, e.Reads[i], back.Reads[i])
		}
	}
	return b, err
}

func TestReadsOfEveryForm(t *testing.T) {
	// The identities are all of one thing, as the GS1 Tag Data Standard 2.3 prints it in its
	// examples of SGTIN.
	forms := []string{
		"3036451FD40C0E4000001A85", "0x3036451fd40c0e4000001a85", "3036 451F D40C 0E40 0000 1A85", "F7109521141123454046A140",
		"urn:epc:tag:sgtin-96:1.9521141.012345.6789", "urn:epc:id:sgtin:9521141.012345.6789", "(01)09521141123454(21)6789",
		"https://id.gs1.org/01/09521141123454/21/6789", "https:\\/\\/id.gs1.org\\/01\\/09521141123454\\/21\\/6789",
	}
	var list []string
	for _, f := range forms {
		list = append(list, fmt.Sprintf(`{"epc":"%s","read_point":"tables-1"}`, f))
	}
	got, err := decodeReads(t, "["+strings.Join(list, ",")+"]", false)
	require.NoError(t, err)
	require.Empty(t, got.rejected)
	require.Len(t, got.reads, len(forms))
	for _, r := range got.reads {
		require.Equal(t, got.reads[0].Key, r.Key)
		require.Empty(t, r.Text)
		require.Equal(t, event.Read{Key: r.Key, RSSI: event.NoRSSI, N: 1, T: opening}, r)
	}
	words, ok := got.reads[0].Key.Text()
	require.True(t, ok)
	require.Equal(t, "(01)09521141123454(21)6789", words)
}

func TestReadMembers(t *testing.T) {
	got, err := decodeReads(t, `{"reads":[
	  {"epc":"3036451FD40C0E4000001A85","read_point":"street-door-in","rssi":-57.25,"count":12,"time":"2026-11-25T09:14:06.5Z"},
	  {"epc":"3036451FD40C0E4000001A86","read_point":"handheld-1","zone":"shelf-a","time":1795598046500,"rssi":null,"pc":null},
	  {"epc":"3036451FD40C0E4000001A86","read_point":"handheld-1","zone":"stockroom","time":"2026-11-25T10:14:07+01:00"},
	  {"read_point":"shelf-a-1"},
	  {"epc":"3036451FD40C0E4000001A85","pc":"3000","read_point":"tables-1"},
	  {"epc":"E2003412DC03011878901234","pc":12288,"read_point":"tables-1"},
	  {"epc":"3036451FD40C0E4000001A85","pc":"3100","read_point":"tables-1"}
	]}`, false)
	require.NoError(t, err)
	require.Empty(t, got.rejected)
	require.Equal(t, 1, got.beats)
	require.Equal(t, []string{"street-door-in", "handheld-1", "shelf-a-1", "tables-1"}, got.points)
	require.Equal(t, []string{"shelf-a", "stockroom"}, got.zones)
	require.Equal(t, int16(-573), got.reads[0].RSSI, "rounded half away from zero")
	require.Equal(t, uint32(12), got.reads[0].N)
	require.Equal(t, opening-500, got.reads[0].T)
	require.Equal(t, opening-500, got.reads[1].T+0)
	require.Equal(t, uint16(1), got.reads[1].Zone)
	require.Equal(t, uint16(2), got.reads[2].Zone)
	require.Equal(t, opening, got.reads[2].T)
	require.Equal(t, got.reads[0].Key, got.reads[3].Key)
	require.Equal(t, "urn:epc:raw:96.xE2003412DC03011878901234", got.reads[4].Text, "no GS1 header: the raw bits are the identity")
	require.Contains(t, got.reads[5].Text, "urn:epc:raw:", "the toggle of the PC word says that it is no EPC")
	require.NotEqual(t, got.reads[0].Key, got.reads[5].Key)
}

// Bands and spacings of channels: ETSI EN 302 208 (865 to 868 MHz) and FCC 15.247 (902 to 928 MHz),
// from memory.
func TestPhaseChannelAndDoppler(t *testing.T) {
	read := func(members string) event.Read {
		t.Helper()
		got, err := decodeReads(t, `[{"epc":"3036451FD40C0E4000001A85","read_point":"street-door-in"`+members+`}]`, false)
		require.NoError(t, err)
		require.Empty(t, got.rejected, members)
		return got.reads[0]
	}
	plain := read("")
	require.Zero(t, plain.Phase|plain.Channel|plain.Doppler, "0 is not reported")
	require.Equal(t, plain, read(`,"phase":null,"channel":null,"doppler":null`))
	for text, tenths := range map[string]int{"0": 0, "-0": 0, "360": 0, "-0.1": 3599, "180": 1800, "-180": 1800,
		"359.9": 3599, "359.96": 0, "-90.5": 2695, "45.25": 453, "1e2": 1000} {
		require.EqualValues(t, tenths+1, read(`,"phase":`+text).Phase, text)
	}
	for text, tenths := range map[string]int{"100": 1000, "865.7": 8657, "902.75": 9028, "6000": 60000, "6000.0": 60000} {
		require.EqualValues(t, tenths, read(`,"channel":`+text).Channel, text)
	}
	for text, tenths := range map[string]int{"0": 0, "-1000": -10000, "1000": 10000, "-0.1": -1, "12.25": 123} {
		require.EqualValues(t, tenths, int(read(`,"doppler":`+text).Doppler)-event.DopplerZero, text)
	}
	all := read(`,"doppler":-3.5,"channel":866.9,"phase":12,"rssi":-61`)
	require.Equal(t, [...]uint16{121, 8669, event.DopplerZero - 35}, [...]uint16{all.Phase, all.Channel, all.Doppler})
}

func TestBadReadsAreRejectedAlone(t *testing.T) {
	good := `{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1"}`
	for _, c := range []struct{ read, reason, section string }{
		{`{"epc":"3036451FD40C0E4000001A8","read_point":"tables-1"}`, "bits", "TDS"},
		{`{"epc":"303E451FD40C0E4000001A85","read_point":"tables-1"}`, "", "TDS"},
		{`{"epc":"","read_point":"tables-1"}`, "empty", ""},
		{`{"epc":"not hex","read_point":"tables-1"}`, "hexadecimal", ""},
		{`{"epc":null,"read_point":"tables-1"}`, `"epc" is null`, ""},
		{`{"epc":12,"read_point":"tables-1"}`, `"epc" is a number`, ""},
		{`{"epc":"3036451FD40C0E4000001A85"}`, `"read_point" is missing`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-2"}`, `did you mean "tables-1"?`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"handheld-1","zone":"shelf-b"}`, `did you mean "shelf-a"?`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","time":"2026-11-25T09:19:08Z"}`, "ahead of the server's clock", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","time":1795598047}`, "looks like Unix seconds", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","time":"1999-12-31T23:59:59Z"}`, "before 2000", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","time":"yesterday"}`, "RFC 3339", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","time":1e400}`, "Unix milliseconds", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","rssi":1e400}`, "signal strength", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","rssi":"-50"}`, `must be a number`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","count":0}`, "from 1 to", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","phase":360.1}`,
			`"phase" "360.1" is no phase; write degrees from 0 to 360, or from -180 to 180`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","phase":-180.5}`, "is no phase", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","phase":"90"}`, `"phase" is a string; it must be a number`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","channel":99.9}`,
			`"channel" "99.9" is no carrier frequency; write MHz from 100 to 6000, such as 866.3`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","channel":866300}`, "write MHz", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","doppler":-1000.1}`,
			`"doppler" "-1000.1" is no Doppler shift; write Hz from -1000 to 1000`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","dopler":1}`, `did you mean "doppler"?`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","doppler":1,"doppler":1}`, "twice", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","count":1.5}`, "whole number", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","rsi":-50}`, `did you mean "rssi"?`, ""},
		{`{"epc":"3036451FD40C0E4000001A85","epc":"3036451FD40C0E4000001A86","read_point":"tables-1"}`, "twice", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","pc":"30"}`, "PC word", ""},
		{`{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","pc":70000}`, "PC word", ""},
		{`{"pc":"3000","read_point":"tables-1"}`, `without "epc"`, ""},
		{`{"epc":["3036451FD40C0E4000001A85"],"read_point":"tables-1"}`, "is an array", ""},
		{`{"deep":` + strings.Repeat("[", 500) + strings.Repeat("]", 500) + `}`, "unknown member", ""},
		{`[]`, "a read is an object", ""}, {`7`, "a read is an object", ""}, {`null`, "a read is an object", ""},
		{`"x"`, "a read is an object", ""},
	} {
		got, err := decodeReads(t, "["+good+","+c.read+","+good+"]", false)
		require.NoError(t, err, c.read)
		require.Len(t, got.reads, 2, c.read)
		require.Len(t, got.rejected, 1, c.read)
		require.Equal(t, 1, got.rejected[0].Index)
		require.Contains(t, got.rejected[0].Reason, c.reason, c.read)
		require.Contains(t, got.rejected[0].Section, c.section, c.read)
		require.Equal(t, c.section != "", got.rejected[0].Section != "", c.read)
		got, err = decodeReads(t, good+"\n"+c.read+"\n\n"+good+"\n", true)
		require.NoError(t, err, c.read)
		require.Len(t, got.reads, 2, c.read)
		require.Len(t, got.rejected, 1, c.read)
	}
}

func TestARejectedReadKeepsNoReaderAlive(t *testing.T) {
	got, err := decodeReads(t, `[{"epc":"zz","read_point":"tables-1"},{"read_point":"shelf-a-1","time":"2027-01-01T00:00:00Z"}]`, false)
	require.NoError(t, err)
	require.Len(t, got.rejected, 2)
	require.Empty(t, got.points)
}

func TestBodiesThatAreNoBatch(t *testing.T) {
	for body, code := range map[string]kit.Code{
		``: kit.CodeInvalidJSON, `[`: kit.CodeInvalidJSON, `[{]`: kit.CodeInvalidJSON, `[{"epc"}]`: kit.CodeInvalidJSON,
		`[1,]`: kit.CodeInvalidJSON, `[] []`: kit.CodeInvalidJSON,
		`[]"x`: kit.CodeInvalidJSON, `[{"read_point":"tables-1"}`: kit.CodeInvalidJSON,
		"[\"\xff\"]": kit.CodeInvalidJSON, `[01]`: kit.CodeInvalidJSON, `[{"count":1.}]`: kit.CodeInvalidJSON,
		"[\"a\nb\"]": kit.CodeInvalidJSON, `tru`: kit.CodeInvalidJSON, `[{"epc":tru}]`: kit.CodeInvalidJSON,
		`[{"epc":?}]`: kit.CodeInvalidJSON,
		`7`:           kit.CodeInvalidBody, `{}`: kit.CodeInvalidBody, `{"reads":7}`: kit.CodeInvalidBody,
		`{"reads":[],"reads":[]}`: kit.CodeInvalidBody, `{"epc":"x"}`: kit.CodeInvalidBody,
		strings.Repeat("[", 20_000):                              kit.CodeInvalidJSON,
		`[` + strings.Repeat(`{"read_point":"x"},`, 100) + `{}]`: codeBatchTooLarge,
	} {
		_, err := decodeReads(t, body, false)
		var p *kit.Problem
		require.ErrorAs(t, err, &p, body)
		require.Equal(t, code, p.Code, body)
	}
	_, err := decodeReads(t, strings.Repeat("{}\n", 101), true)
	require.Equal(t, codeBatchTooLarge, kit.AsProblem(err).Code)
	got, err := decodeReads(t, "\xef\xbb\xbf[]", false)
	require.NoError(t, err, "a byte order mark is let through")
	require.Empty(t, got.rejected)
}

func TestLinesThatAreNoJSONAreRejectedAlone(t *testing.T) {
	got, err := decodeReads(t, `{"read_point":"tables-1"}`+"\n"+`{"read_point":"tables-1"} x`+"\n"+`{"read_point":`+
		"\n"+`{"epc":"E2003412DC03011878901234","read_point":"tables-1"}`, true)
	require.NoError(t, err)
	require.Equal(t, 1, got.beats)
	require.Len(t, got.reads, 1)
	require.Len(t, got.rejected, 2)
	require.Equal(t, 2, got.rejected[1].Index)
	require.Contains(t, got.rejected[0].Reason, "not valid JSON")
}

// slowReads decodes a batch by encoding/json and time.Parse alone: the other opinion that the fast
// decoder is held against. It returns the taken elements in order (nil for a heartbeat), and false
// for a body that is refused.
func slowReads(body []byte) (taken map[int]*event.Read, total int, ok bool) {
	if !utf8.Valid(body) {
		return nil, 0, false
	}
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	var list []json.RawMessage
	if trimmed := bytes.TrimLeft(body, " \t\r\n"); len(trimmed) > 0 && trimmed[0] == '{' {
		keys, values, err := slowObject(body)
		if err != nil || len(keys) != 1 || keys[0] != "reads" || values[0][0] != '[' {
			return nil, 0, false
		}
		body = values[0]
	} else if len(trimmed) == 0 || trimmed[0] != '[' {
		return nil, 0, false
	}
	if json.Unmarshal(body, &list) != nil || len(list) > 100 {
		return nil, 0, false
	}
	taken = make(map[int]*event.Read)
	for i, raw := range list {
		if r, ok := slowRead(raw); ok {
			taken[i] = r
		}
	}
	return taken, len(list), true
}

func slowObject(raw []byte) (keys []string, values []json.RawMessage, err error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, nil, io.ErrUnexpectedEOF
	}
	for d.More() {
		k, err := d.Token()
		if err != nil {
			return nil, nil, err
		}
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return nil, nil, err
		}
		keys, values = append(keys, k.(string)), append(values, v)
	}
	if _, err := d.Token(); err != nil {
		return nil, nil, err
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, nil, io.ErrUnexpectedEOF
	}
	return keys, values, nil
}

func slowRead(raw json.RawMessage) (*event.Read, bool) {
	keys, values, err := slowObject(raw)
	if err != nil {
		return nil, false
	}
	r := &event.Read{RSSI: event.NoRSSI, N: 1, T: opening}
	var epcText, point, zone *string
	var pc *uint16
	seen := make(map[string]bool)
	for i, k := range keys {
		if seen[k] {
			return nil, false
		}
		seen[k] = true
		v := values[i]
		if string(v) == "null" && k != "epc" {
			switch k {
			case "pc", "read_point", "zone", "rssi", "count", "time", "phase", "channel", "doppler":
				continue
			}
			return nil, false
		}
		var s string
		isText := json.Unmarshal(v, &s) == nil && v[0] == '"'
		isNumber := v[0] == '-' || v[0] >= '0' && v[0] <= '9'
		switch k {
		case "epc", "read_point", "zone":
			if !isText {
				return nil, false
			}
			*map[string]**string{"epc": &epcText, "read_point": &point, "zone": &zone}[k] = &s
		case "pc":
			var n uint64
			var err error
			if isText {
				if low := strings.ToLower(s); len(s) > 2 && strings.HasPrefix(low, "0x") {
					s = s[2:]
				}
				if len(s) != 4 {
					return nil, false
				}
				n, err = strconv.ParseUint(s, 16, 16)
			} else {
				n, err = strconv.ParseUint(string(v), 10, 16)
			}
			if err != nil {
				return nil, false
			}
			w := uint16(n)
			pc = &w
		case "rssi":
			var f float64
			if !isNumber || json.Unmarshal(v, &f) != nil || f < -200 || f > 50 {
				return nil, false
			}
			r.RSSI = int16(math.Round(f * 10))
		case "phase", "channel", "doppler":
			var f float64
			bound := map[string][2]float64{"phase": {-180, 360}, "channel": {100, 6000}, "doppler": {-1000, 1000}}[k]
			if !isNumber || json.Unmarshal(v, &f) != nil || f < bound[0] || f > bound[1] {
				return nil, false
			}
			switch f = math.Round(f * 10); k {
			case "phase":
				if f < 0 {
					f += 3600
				}
				r.Phase = uint16(math.Mod(f, 3600)) + 1
			case "channel":
				r.Channel = uint16(f)
			case "doppler":
				r.Doppler = uint16(f + event.DopplerZero)
			}
		case "count":
			var n uint32
			if !isNumber || json.Unmarshal(v, &n) != nil || n < 1 || n > 1_000_000 {
				return nil, false
			}
			r.N = n
		case "time":
			switch {
			case isText:
				at, err := time.Parse(time.RFC3339Nano, s)
				if err != nil || len(s) > 64 {
					return nil, false
				}
				r.T = at.UnixMilli()
			case isNumber:
				var f float64
				if json.Unmarshal(v, &f) != nil || f != math.Trunc(f) {
					return nil, false
				}
				r.T = int64(max(min(f, 1e15), -1e15))
			default:
				return nil, false
			}
		default:
			return nil, false
		}
	}
	if r.T < earliest || r.T > opening+300_000 {
		return nil, false
	}
	var lp, lz int
	var ok bool
	if point == nil {
		return nil, false
	} else if lp, ok = testLay.ReadPointIndex(*point); !ok {
		return nil, false
	}
	_ = lp
	if zone != nil {
		if lz, ok = testLay.ZoneIndex(*zone); !ok {
			return nil, false
		}
		r.Zone = uint16(1 + lz) // an index in the layout, for comparing
	}
	if epcText == nil {
		return nil, pc == nil
	}
	var word uint16
	if pc != nil {
		word = *pc
	}
	id, err := parseIdentity(*epcText, word, pc != nil)
	if err != nil || *epcText == "" {
		return nil, false
	}
	r.Key, r.Text = keyOf(id)
	return r, true
}

// agree holds the fast decoder against the slow one.
func agree(t testing.TB, body []byte) {
	d := newReadDecoder(testLay, opening, 100)
	defer d.release()
	err := d.array(append([]byte(nil), body...))
	taken, total, ok := slowReads(body)
	require.Equal(t, ok, err == nil, "refused: %v", err)
	if err != nil {
		return
	}
	require.Equal(t, total, d.n)
	require.Equal(t, total, d.accepted()+len(d.rejected), "counts add up")
	rejected := make(map[int]bool)
	for _, r := range d.rejected {
		rejected[r.Index] = true
		require.NotContains(t, taken, r.Index, r.Reason)
	}
	next := 0
	for i := range total {
		if rejected[i] {
			continue
		}
		want, ok := taken[i]
		require.True(t, ok, "element %d was taken", i)
		if want == nil {
			continue
		}
		got := d.entry.Reads[next]
		next++
		if got.Zone != 0 {
			z, _ := testLay.ZoneIndex(d.entry.Zones[got.Zone-1])
			got.Zone = uint16(1 + z)
		}
		got.Point = 0
		require.Equal(t, *want, got)
	}
	require.Equal(t, next, len(d.entry.Reads))
}

func FuzzReads(f *testing.F) {
	for _, s := range []string{
		`[]`, `[{"read_point":"tables-1"}]`, `{"reads":[{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","rssi":-57.25,"count":3,"time":"2026-11-25T09:14:06.5Z"}]}`,
		`[{"epc":"E2003412DC03011878901234","pc":"3000","read_point":"handheld-1","zone":"shelf-a","time":1795598046500}]`,
		`[{"epc":"urn:epc:id:sgtin:9521141.012345.6789","read_point":"tables-1","time":"2026-11-25T10:14:07+01:00"},{"epc":1},[],{"a":{"b":[1,2,{}]}}]`,
		`[{"epc":"\u0033036451FD40C0E4000001A85","read_point":"tables\u002d1","count":1e2,"rssi":-0}]`,
		`[{"time":"2026-11-25T09:14:07,5Z","read_point":"tables-1"}]`,
		`[{"rssi":-57.25,"read_point":"tables-1","epc":"3036451FD40C0E4000001A85"},{"rssi":-200.1,"read_point":"tables-1"},{"rssi":-0.4,"read_point":"till-1"}]`, `[{"epc":"\ud800","read_point":"tables-1"}]`,
		`[{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","phase":-179.95,"channel":902.75,"doppler":-12.5},{"epc":"3036451FD40C0E4000001A85","read_point":"tables-1","phase":360,"doppler":1e3,"channel":null}]`, `[{"pc":null,"zone":null,"rssi":null,"read_point":"tables-1"},{"count":-0,"read_point":"tables-1"}]`, `[1.e1]`, `[-]`, `[00]`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		agree(t, body)
		d := newReadDecoder(testLay, opening, 100)
		defer d.release()
		if d.lines(body) == nil {
			require.Equal(t, d.n, d.accepted()+len(d.rejected))
		}
	})
}

func TestTenthsOf(t *testing.T) {
	for s, want := range map[string]int{"-57": -570, "-57.5": -575, "-57.25": -573, "0": 0, "-0": 0, "0.5": 5,
		"-5e1": -500, "50": 500, "-200": -2000, "-200.0": -2000, "-0.04": 0} {
		got, ok := tenthsOf([]byte(s), minRSSI, maxRSSI)
		require.True(t, ok, s)
		require.EqualValues(t, want, got, s)
	}
	for _, s := range []string{"50.1", "-200.1", "99999", "123456", "1e400", "-1e400", "51", "99999999999999999999"} {
		_, ok := tenthsOf([]byte(s), minRSSI, maxRSSI)
		require.False(t, ok, s)
	}
}

func FuzzInstant(f *testing.F) {
	for _, s := range []string{"2026-11-25T09:14:07Z", "2026-11-25T09:14:07.123456789Z", "2026-11-25T09:14:07+23:59",
		"2026-02-30T00:00:00Z", "2026-11-25T09:14:60Z",
		"2026-11-25T09:14:07.Z", "2026-11-25T24:00:00Z", "2026-11-25T09:14:07-00:00", "0000-01-01T00:00:00Z",
		"2026-11-25t09:14:07z", "2026-11-25T09:14:07+24:00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 64 {
			return
		}
		want, wantErr := time.Parse(time.RFC3339Nano, s)
		var p instants
		for range 2 { // the second time by the kept minute
			got, err := p.parse([]byte(s))
			require.Equal(t, wantErr == nil, err == nil, "%v, %v", wantErr, err)
			if err == nil {
				require.Equal(t, want.UnixMilli(), got)
			}
		}
		_, _ = p.parse([]byte("2026-11-25T09:14:07Z"))
		got, err := p.parse([]byte(s))
		require.Equal(t, wantErr == nil, err == nil)
		if err == nil {
			require.Equal(t, want.UnixMilli(), got)
		}
	})
}
