package trial_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/event"
	"lintel/engine/sim"
	"lintel/engine/trial"
)

// exportLines are of the form that an export has, one for each thing that a fact may tell.
var exportLines = []string{
	`{"id":"1773133200000-0","sequence":1,"cause":"arrived","at":"2026-03-10T09:00:00Z","item":"(01)09521234000013(21)7","gtin":"09521234000013","disposition":"sellable_accessible","zone":"shelf-a","from":"stockroom","read_point":"tables-1"}`,
	`{"id":"1773133200000-1","sequence":1,"cause":"passed","at":"2026-03-10T09:00:00.007Z","item":"(01)09521234000013(21)0","gtin":"09521234000013","disposition":"retail_sold","zone":"street-door","passage":{"direction":"out","confidence":0.123456,"reads":8,"peak_rssi":-55.1,"seconds":1.204}}`,
	`{"id":"1773133200001-0","sequence":2,"cause":"passed","at":"2026-03-10T09:00:00.5Z","item":"(01)09521234000013(21)0012","disposition":"unknown","passage":{"direction":"unsure","confidence":1,"reads":0,"seconds":0}}`,
	`{"id":"1773133200002-0","sequence":3,"cause":"stock","at":"2026-03-11T09:00:00Z","gtin":"09521234000013","zone":"shelf-a","count":3}`,
	`{"id":"1773133200003-0","sequence":4,"cause":"counted","at":"2026-03-10T10:00:00Z","ref":"c1","count":40,"expected":44,"missing":6,"unexpected":2}`,
	`{"id":"1773133200004-0","sequence":5,"cause":"foreign","at":"2026-03-10T10:00:00Z","item":"urn:epc:raw:96.x999999999999999999999999","disposition":"unknown","zone":"street-door","read_point":"street-door-in"}`,
	`{"id":"1773133200005-4294967295","sequence":18446744073709551,"cause":"silent","at":"2026-03-10T10:00:00Z","read_point":"tables-1"}`,
	`{"id":"1773133200006-0","sequence":7,"cause":"sold","at":"2026-03-10T10:00:00.12Z","item":"(01)09521234000013(21)281474976710655","gtin":"09521234000013","disposition":"retail_sold","from":"shelf-a","ref":"receipt 12, till é"}`,
	`{"id":"1773133200007-0","sequence":8,"cause":"received","at":"2026-03-10T10:00:00Z","item":"(00)095201234567891235","disposition":"in_transit"}`,
	`{"id":"1773133200008-0","sequence":9,"cause":"left","at":"2026-03-10T10:00:00Z","item":"(01)09521234000013(21)A/7_b","gtin":"09521234000013","disposition":"sellable_accessible","from":"shelf-a"}`,
}

func TestExportForm(t *testing.T) {
	for _, line := range exportLines {
		require.True(t, trial.ExportForm([]byte(line)), line)
		requireAgreement(t, []byte(line))
	}
	requireAgreement(t, []byte(strings.Join(exportLines, "\n")))
	requireAgreement(t, []byte(strings.ReplaceAll(strings.Join(exportLines, "\n"), "sequence", "entry"))) // of earlier versions
	// Near it and not it: refused or not, that is for the general way to say.
	good := exportLines[1]
	for _, change := range [][2]string{
		{`"id":`, `"id": `}, {`"sequence":1`, `"sequence":01`}, {`"sequence":1`, `"sequence":99999999999999999999`},
		{`"sequence":1`, `"sequence":1.0`}, {`"passed"`, `"pa\u0073sed"`}, {`"passed"`, `"pass"`}, {`"passed"`, `""`},
		{`09:00:00.007Z`, `09:00:00.0071Z`}, {`09:00:00.007Z`, `09:00:00.007+01:00`}, {`09:00:00`, `24:00:00`},
		{`2026-03-10`, `2026-02-30`}, {`"gtin":"09521234000013"`, `"gtin":"9521234000013"`},
		{`(01)09521234000013`, `(01)09521234000014`}, {`(21)0"`, `(21)"`}, {`"retail_sold"`, `"sold"`},
		{`"street-door"`, `"street\tdoor"`}, {"street-door", "street\tdoor"},
		{`0.123456`, `1.5`}, {`0.123456`, `-0`}, {`0.123456`, `.5`}, {`0.123456`, `1e-7`}, {`0.123456`, `0.1234567`},
		{`0.123456`, `00.5`}, {`0.123456`, `1.`}, {`-55.1`, `-1000.1`}, {`-55.1`, `--5`}, {`1.204`, `1000000.5`},
		{`"reads":8`, `"reads":2147483648`}, {`"reads":8`, `"reads":-1`}, {`"out"`, `""`},
		{`,"passage"`, `,"new":1,"passage"`}, {`}}`, `}}}`}, {`}}`, `}`}, {`}}`, `}} x`}, {`"zone"`, `"from":"a","zone"`},
		{`{"id":"1773133200000-1"`, `{"id":"1773133200000-4294967296"`},
		{`{"id":"1773133200000-1"`, `{"id":"17731332000000000-1"`},
		{`"zone":"street-door"`, `"zone":"a","zone":"b"`}, {`"zone":"street-door"`, `"from":"a","zone":"b"`},
	} {
		line := strings.Replace(good, change[0], change[1], 1)
		require.NotEqual(t, good, line)
		if change[0] != `2026-03-10` && change[0] != `09:00:00` && change[1] != `09:00:00.0071Z` {
			require.False(t, trial.ExportForm([]byte(line)), line)
		}
		requireAgreement(t, []byte(line))
		requireAgreement(t, []byte(exportLines[0]+"\n"+line+"\n"+exportLines[2]))
	}
}

// requireAgreement reads a file in every way: as it is read, with every line going the general way,
// and with a new reader for each line, which keeps nothing from the lines before.
func requireAgreement(t require.TestingT, file []byte) {
	r, err := trial.NewFactReader(bytes.NewReader(file))
	general, err2 := trial.GeneralFactReader(bytes.NewReader(file))
	require.Equal(t, err, err2)
	if err != nil {
		return
	}
	packed := bytes.HasPrefix(file, []byte{0x1f, 0x8b})
	rest := bytes.SplitAfter(file, []byte("\n"))
	for {
		got, err := r.Next()
		want, err2 := general.Next()
		if err != nil || err2 != nil {
			require.Error(t, err)
			require.Error(t, err2)
			require.Equal(t, err2.Error(), err.Error())
			var bad, bad2 *trial.FactError
			require.Equal(t, errors.As(err2, &bad2), errors.As(err, &bad))
			require.Equal(t, bad2, bad)
			return
		}
		require.Equal(t, *want, *got)
		if packed {
			continue
		}
		for len(bytes.TrimSpace(bytes.TrimPrefix(rest[0], []byte("\ufeff")))) == 0 {
			rest = rest[1:]
		}
		one, err := trial.GeneralFactReader(bytes.NewReader(rest[0]))
		require.NoError(t, err)
		alone, err := one.Next()
		require.NoError(t, err)
		require.Equal(t, *alone, *got, "%s", rest[0])
		rest = rest[1:]
	}
}

// written is a fact as an export writes it.
type written struct {
	ID          string             `json:"id"`
	Entry       uint64             `json:"sequence"`
	Cause       string             `json:"cause"`
	At          time.Time          `json:"at"`
	Item        string             `json:"item,omitempty"`
	GTIN        string             `json:"gtin,omitempty"`
	Disposition string             `json:"disposition,omitempty"`
	Zone        string             `json:"zone,omitempty"`
	From        string             `json:"from,omitempty"`
	ReadPoint   string             `json:"read_point,omitempty"`
	Ref         string             `json:"ref,omitempty"`
	Passage     *event.PassageView `json:"passage,omitempty"`
	Count       *int               `json:"count,omitempty"`
	Expected    *int               `json:"expected,omitempty"`
	Missing     *int               `json:"missing,omitempty"`
	Unexpected  *int               `json:"unexpected,omitempty"`
}

var identities = rapid.OneOf(
	rapid.Map(rapid.Uint64(), func(n uint64) string { return fmt.Sprintf("(01)09521234000013(21)%d", n) }),
	rapid.Map(rapid.Uint64Range(0, 30), func(n uint64) string { return fmt.Sprintf("(01)09521141123454(21)%d", n) }),
	rapid.StringMatching(`\(01\)0952123400001[0-9]\(21\)[0-9A-Z]{1,21}`),
	rapid.StringMatching(`\(01\)[0-9]{14}\(21\)[0-9]{1,3}`),
	rapid.SampledFrom([]string{"", "(00)095201234567891235", "urn:epc:raw:96.x999999999999999999999999",
		"(8004)0614141AB", "(01)00000000000000(21)1", "(01)09521234000013(21)7 ", "301862DE60A5A0C000000007"}),
)

func drawWritten(t *rapid.T, ms int64) written {
	names := rapid.SampledFrom([]string{"", "shelf-a", "shelf-b", "street-door", "tables-1", "sh\"elf\\ü", "caf\u00e9", "a&b", "a\x7fb"})
	number := rapid.OneOf(rapid.Just(0), rapid.IntRange(0, 1<<31))
	w := written{
		ID:    fmt.Sprintf("%d-%d", ms, rapid.OneOf(rapid.Uint32Range(0, 3), rapid.Uint32()).Draw(t, "n")),
		Entry: rapid.OneOf(rapid.Uint64Range(0, 9), rapid.Uint64()).Draw(t, "entry"),
		Cause: event.Cause(rapid.IntRange(1, 18).Draw(t, "cause")).String(),
		At:    time.UnixMilli(rapid.OneOf(rapid.Int64Range(ms-100_000_000, ms), rapid.Int64Range(-1e14, 4e14)).Draw(t, "at")).UTC(),
		Item:  identities.Draw(t, "item"), Zone: names.Draw(t, "zone"), From: names.Draw(t, "from"),
		ReadPoint: names.Draw(t, "point"), Ref: rapid.OneOf(rapid.Just(""), rapid.Just("r1"), rapid.String()).Draw(t, "ref"),
		GTIN: rapid.SampledFrom([]string{"", "09521234000013", "99999999999999", "00000000000000",
			"9521234000013"}).Draw(t, "gtin"), Disposition: rapid.SampledFrom([]string{"", "unknown", "retail_sold",
			"sellable_accessible", "returned", "new"}).Draw(t, "disposition"),
	}
	if w.At.Year() > 9999 || w.At.Year() < 0 {
		w.At = time.UnixMilli(ms).UTC()
	}
	if rapid.Bool().Draw(t, "passage") {
		w.Passage = event.Passage{
			Direction: event.Direction(rapid.IntRange(1, 3).Draw(t, "direction")),
			Confidence: rapid.OneOf(rapid.Map(rapid.IntRange(0, 1_000_000),
				func(n int) float64 { return float64(n) / 1e6 }), rapid.Float64Range(-0.1, 1.1)).Draw(t, "confidence"),
			Reads: number.Draw(t, "reads"), Peak: rapid.OneOf(rapid.Just(int16(event.NoRSSI)), rapid.Int16()).Draw(t,
				"peak"), Span: rapid.OneOf(rapid.Int64Range(0, 10_000), rapid.Int64Range(-1, 2e9)).Draw(t, "span"),
		}.View()
	}
	for _, n := range []**int{&w.Count, &w.Expected, &w.Missing, &w.Unexpected} {
		if rapid.IntRange(0, 3).Draw(t, "has") == 0 {
			*n = new(number.Draw(t, "number"))
		}
	}
	return w
}

// Whatever a file holds, a line of the export's form reads as the general way reads it, and a line
// that is near that form as well: with bytes changed, taken out or put in, and members out of their
// order or twice.
func TestEveryWayOfReadingAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file bytes.Buffer
		ms := sim.DayStart.UnixMilli()
		for range rapid.IntRange(1, 6).Draw(t, "lines") {
			ms += rapid.SampledFrom([]int64{0, 1, 1, 50, 40_000_000}).Draw(t, "later")
			line, err := json.Marshal(drawWritten(t, ms))
			require.NoError(t, err)
			if rapid.IntRange(0, 2).Draw(t, "damage") == 0 {
				line = damage(t, line)
			}
			file.Write(line)
			file.WriteString(rapid.SampledFrom([]string{"\n", "\n", "\r\n", "\n\n", " \n"}).Draw(t, "end"))
		}
		requireAgreement(t, file.Bytes())
	})
}

func damage(t *rapid.T, line []byte) []byte {
	alphabet := rapid.SampledFrom([]byte("0123456789-.eE+\"\\{}[]:,() aZ\t\x00\x7f\xff"))
	for range rapid.IntRange(1, 3).Draw(t, "damages") {
		if len(line) == 0 {
			return line
		}
		at := rapid.IntRange(0, len(line)-1).Draw(t, "place")
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0:
			line[at] = alphabet.Draw(t, "byte")
		case 1:
			line = append(line[:at], line[at+1:]...)
		case 2:
			line = append(line[:at], append([]byte{alphabet.Draw(t, "byte")}, line[at:]...)...)
		case 3:
			members := bytes.Split(line, []byte(`,"`))
			i, j := rapid.IntRange(0, len(members)-1).Draw(t, "i"), rapid.IntRange(0, len(members)-1).Draw(t, "j")
			if rapid.Bool().Draw(t, "twice") {
				members[i] = members[j]
			} else {
				members[i], members[j] = members[j], members[i]
			}
			line = bytes.Join(members, []byte(`,"`))
		case 4:
			line = line[:at]
		}
	}
	return line
}

// What an export writes of facts that can be is of the form that is read in one pass, unless a text
// needs an escape.
func TestExportsAreReadInOnePass(t *testing.T) {
	facts, _ := day(t, config(t, string(sim.Rules())), 3*time.Minute)
	require.NotEmpty(t, facts)
	for i := range facts {
		f := &facts[i]
		w := written{
			ID: f.ID(), Entry: f.Seq, Cause: f.Cause.String(), At: time.UnixMilli(f.At).UTC(), Item: f.Name(),
			GTIN: event.GTINText(f.GTIN), Zone: f.Zone, From: f.From, ReadPoint: f.Point, Ref: f.Ref, Passage: f.Passage.View(),
		}
		if w.Item != "" {
			w.Disposition = f.Disp.String()
		}
		switch f.Cause {
		case event.Stock:
			w.Count = &f.Count
		case event.Counted:
			w.Count, w.Expected, w.Missing, w.Unexpected = &f.Count, &f.Expected, &f.MissingItems, &f.Unexpected
		}
		line, err := json.Marshal(w)
		require.NoError(t, err)
		require.True(t, trial.ExportForm(line), "%s", line)
		r, err := trial.NewFactReader(bytes.NewReader(line))
		require.NoError(t, err)
		got, err := r.Next()
		require.NoError(t, err)
		want := *f
		require.InDelta(t, want.Passage.Confidence, got.Passage.Confidence, 1e-6)
		want.Passage.Confidence = got.Passage.Confidence
		require.Equal(t, want, *got)
		_, err = r.Next()
		require.Equal(t, io.EOF, err)
	}
}

// Each alert names its own product, however many there are.
func TestProductsOfATrial(t *testing.T) {
	src := strings.Replace(strings.Replace(unpaid, "hold: 3s", "limit: 10000 per 1h", 1), "{item.key}", "{product.gtin}", 1)
	p := plan(t, src)
	var facts []event.Fact
	for round := range 2 {
		for k := range p.Config.Catalog.Len() {
			f := passed(round, sim.DayStart.UnixMilli()+int64(len(facts)), event.SellableAccessible)
			f.GTIN = p.Config.Catalog.At(k).GTIN
			f.Key.Hi = 1<<60 | f.GTIN
			facts = append(facts, f)
		}
	}
	require.Greater(t, p.Config.Catalog.Len(), 256, "more than have their words kept")
	n := 0
	p.Opened = func(a *event.Alert) error {
		require.Equal(t, event.GTINText(a.GTIN), a.Say)
		n++
		return nil
	}
	run(t, p, facts)
	require.Equal(t, len(facts), n)
}
