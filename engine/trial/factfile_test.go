package trial_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/sim"
	"lintel/engine/trial"
)

// lines writes facts as a hand would; that what the server writes reads back whole is tested beside
// the server.
func lines(facts []event.Fact) []byte {
	var b bytes.Buffer
	for i := range facts {
		f := &facts[i]
		fmt.Fprintf(&b, `{"id":%q,"sequence":%d,"cause":%q,"at":%q,"item":%q,"gtin":%q,"disposition":%q,"zone":%q,"from":%q`, f.ID(), f.Seq,
			f.Cause, time.UnixMilli(f.At).UTC().Format(time.RFC3339Nano),
			f.Name(), event.GTINText(f.GTIN), f.Disp, f.Zone, f.From)
		if f.Passage.Direction != event.DirectionNone {
			fmt.Fprintf(&b, `,"passage":{"direction":%q,"confidence":%v,"reads":%d,"peak_rssi":%v,"seconds":%v}`,
				f.Passage.Direction, f.Passage.Confidence, f.Passage.Reads, float64(f.Passage.Peak)/10, float64(f.Passage.Span)/1000)
		}
		b.WriteString("}\n")
	}
	return b.Bytes()
}

func readAll(t testing.TB, file []byte) ([]event.Fact, error) {
	r, err := trial.NewFactReader(bytes.NewReader(file))
	if err != nil {
		return nil, err
	}
	var facts []event.Fact
	for f, err := range r.Facts() {
		if err != nil {
			return facts, err
		}
		facts = append(facts, *f)
	}
	_, err = r.Next()
	require.Equal(t, io.EOF, err)
	return facts, nil
}

func TestFactsFile(t *testing.T) {
	want := []event.Fact{passed(1, sim.DayStart.UnixMilli(), event.SellableAccessible),
		passed(2, sim.DayStart.Add(36*time.Hour).UnixMilli()+7, event.RetailSold)}
	want[1].Passage.Peak, want[1].Passage.Span, want[1].Seq = -551, 1204, 77
	plain := lines(want)
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write(plain)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	for name, file := range map[string][]byte{
		"plain": plain, "gzip": packed.Bytes(), "without a line break at the end": bytes.TrimRight(plain, "\n"),
		"from another system": append([]byte("\ufeff"), bytes.ReplaceAll(plain, []byte("\n"), []byte("\r\n\r\n"))...),
		"with new members":    bytes.ReplaceAll(plain, []byte(`{"id"`), []byte(`{"new":{"a":[1,null]},"id"`)),
	} {
		got, err := readAll(t, file)
		require.NoError(t, err, name)
		require.Equal(t, want, got, name)
	}
	got, err := readAll(t, nil)
	require.NoError(t, err)
	require.Empty(t, got)

	_, err = readAll(t, packed.Bytes()[:packed.Len()-6])
	require.ErrorIs(t, err, io.ErrUnexpectedEOF, "a file that breaks off is not taken for a whole one")
	require.ErrorContains(t, err, "after line 2")
	_, err = readAll(t, packed.Bytes()[:5])
	require.ErrorContains(t, err, "gzip")
}

func TestFactsOfEveryKind(t *testing.T) {
	file := `{"id":"1773133200000-0","cause":"stock","at":"2026-03-10T09:00:00.5Z","gtin":"09521234000013","zone":"shelf-a","count":3}
{"id":"1773133200000-1","cause":"counted","at":"2026-03-10T10:00:00+01:00","ref":"c1","count":40,"expected":44,"missing":6,"unexpected":2}
{"id":"1773133200001-0","cause":"foreign","item":"urn:epc:raw:96.x999999999999999999999999","disposition":"unknown","zone":"street-door","read_point":"street-door-in"}
{"id":"1773133200002-0","cause":"passed","item":"(01)09521234000013(21)A7","gtin":"09521234000013","disposition":"sellable_accessible","passage":{"direction":"in","confidence":0.123456,"reads":4,"seconds":0.4}}
{"id":"1773133200003-0","cause":"counted","ref":"c2","zone":"stockroom","count":2,"expected":5,"missing":3,"unexpected":0,"stocktake":{"zones":["stockroom"],"delivery":true,"short":3,"over":1,"wrong":2,"most_short":3,"most_short_of":"09521234000013"}}
{"id":"1773133200004-0","cause":"overdue","zone":"shelf-a","stocktake":{"zones":["shelf-a"],"overdue":true,"days":8}}
{"id":"1773133200005-0","cause":"other_shop","item":"(01)09521234000013(21)A7","other_site":{"id":"harbour-branch","name":"Harbour Branch"}}
`
	facts, err := readAll(t, []byte(file))
	require.NoError(t, err)
	require.Equal(t, event.Fact{Ms: 1773133200000, Cause: event.Stock, At: 1773133200500, GTIN: 9521234000013,
		Zone: "shelf-a", Count: 3}, facts[0])
	require.Equal(t, event.Fact{Ms: 1773133200000, N: 1, Cause: event.Counted, At: 1773133200000, Ref: "c1", Count: 40,
		Expected: 44, MissingItems: 6, Unexpected: 2}, facts[1])
	require.Equal(t, &event.Stocktake{Zones: []string{"stockroom"}, Delivery: true, Short: 3, Over: 1, Wrong: 2, MostShort: 3,
		MostShortOf: 9521234000013}, facts[4].Stocktake)
	require.Equal(t, &event.Stocktake{Zones: []string{"shelf-a"}, Overdue: true, Days: 8}, facts[5].Stocktake)
	require.Equal(t, "stockroom", facts[4].Zone)
	require.Equal(t, &event.OtherSite{ID: "harbour-branch", Name: "Harbour Branch"}, facts[6].Other)
	raw, err := epc.Parse("urn:epc:raw:96.x999999999999999999999999")
	require.NoError(t, err)
	require.Equal(t, raw.Key(), facts[2].Key)
	require.Equal(t, raw.KeyText(), facts[2].Text)
	require.Equal(t, facts[2].Ms, facts[2].At, "a fact without a time happened when it was noted")
	require.Equal(t, "(01)09521234000013(21)A7", facts[3].Name())
	require.Equal(t, event.Passage{Direction: event.DirectionIn, Confidence: 0.123456, Reads: 4, Peak: event.NoRSSI,
		Span: 400}, facts[3].Passage)
}

func TestBadFactsFiles(t *testing.T) {
	good := `{"id":"5-0","cause":"left","at":"2026-03-10T09:00:00Z"}`
	for line, reason := range map[string]string{
		`[]`:                            "it is no JSON object",
		`{"facts":[],"next":"x"}`:       "a page of facts",
		`{"cause":"left"}`:              `"id" is missing`,
		`{"id":"6-0"}`:                  `"cause" is missing`,
		`{"id":"5-0","cause":"left"}`:   "in the order of their ids",
		`{"id":"4-9","cause":"left"}`:   "5-0",
		`{"id":"6","cause":"left"}`:     "no id of a fact",
		`{"id":"6-x","cause":"left"}`:   "no id of a fact",
		`{"id":"-6-0","cause":"left"}`:  "no id of a fact",
		`{"id":"6-4294967296"}`:         "no id of a fact",
		`{"id":"999999999999999999-0"}`: "no id of a fact",
		`{"id":6,"cause":"left"}`:       "wrong type",
		`{"id":"6-0","cause":"lefft"}`:  `no cause "lefft"`,
		`{"id":"6-0","at":"yesterday"}`: "RFC 3339",
		`{"id":"6-0","at":"2026-03-10T09:00:00.` + strings.Repeat("0", 43) + `Zx"}`: "RFC 3339",
		`{"id":"6-0","item":"(01)123"}`:                                             `the member "item"`,
		`{"id":"6-0","gtin":"123"}`:                                                 "14 digits",
		`{"id":"6-0","disposition":"new"}`:                                          "no disposition",
		`{"id":"6-0","count":-1}`:                                                   "out of range",
		`{"id":"6-0","count":"1"}`:                                                  "wrong type",
		`{"id":"6-0","passage":{}}`:                                                 "no direction",
		`{"id":"6-0","passage":{"direction":"up"}}`:                                 "passage.direction",
		`{"id":"6-0","passage":{"confidence":1.5}}`:                                 "from 0 to 1",
		`{"id":"6-0","passage":{"peak_rssi":1e9}}`:                                  "no level",
		`{"id":"6-0","passage":{"seconds":-1}}`:                                     "out of range",
		`{"id":"6-0","cause":"left"} {}`:                                            "something follows",
		`{"id":"6-0","cause":"left"`:                                                "not valid JSON",
		`{"ref":"` + strings.Repeat("x", 70_000) + `"}`:                             "longer than",
		`{"ref":"` + strings.Repeat("x", 600_000) + `"}`:                            "longer than",
	} {
		_, err := readAll(t, []byte(good+"\n\n"+line+"\n"))
		var bad *trial.FactError
		require.ErrorAs(t, err, &bad, line)
		require.Equal(t, 3, bad.Line)
		require.Contains(t, bad.Error(), reason)
	}
	r, err := trial.NewFactReader(io.MultiReader(strings.NewReader(good+"\n"), badReader{}))
	require.NoError(t, err)
	_, err = r.Next()
	require.NoError(t, err)
	_, err = r.Next()
	require.ErrorContains(t, err, "the disk is gone")
}

type badReader struct{}

func (badReader) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }

func TestReadingAhead(t *testing.T) {
	facts := make([]event.Fact, 10_000)
	for i := range facts {
		facts[i] = passed(i, int64(1000+i), event.SellableAccessible)
	}
	broken := errors.New("broken")
	for _, n := range []int{0, 1, 2047, 2048, 2049, 4096, 10_000} {
		for _, fault := range []error{nil, broken} {
			var got []event.Fact
			for f, err := range trial.Ahead(func(emit func(*event.Fact, error) bool) {
				if yield(facts[:n])(emit); fault != nil {
					emit(nil, fault)
				}
			}) {
				if err != nil {
					require.ErrorIs(t, err, fault)
					break
				}
				got = append(got, *f)
			}
			require.Equal(t, n, len(got))
			if n > 0 {
				require.Equal(t, facts[:n], got)
			}
			for f := range trial.Ahead(yield(facts[:n])) {
				if f.Ms == 1000+3000 {
					break // and nothing hangs
				}
			}
		}
	}
}

// FuzzFacts reads damaged files: it may refuse them, and what it takes can be tried. Every way of
// reading says the same.
func FuzzFacts(f *testing.F) {
	for _, s := range []string{
		`{"id":"1-0","cause":"stock","gtin":"09521234000013","zone":"shelf-a","count":3}`,
		`{"id":"9-1","cause":"counted","ref":"c","count":4,"expected":4,"missing":1}`,
		`{"id":"2-0","cause":"silent","read_point":"tables-1","zone":"front-tables","at":"2026-03-10T09:00:00.25Z"}`,
		`{"id":"253402300799999-0","cause":"passed","item":"(01)09521234000013(21)A7","disposition":"retail_sold"}`,
		"\ufeff{}", "{\"id\":\"1-0\",\"cause\":\"left\",\"item\":\"\\u00e9\"}", "\x1f\x8b",
	} {
		f.Add([]byte(s))
	}
	for _, s := range exportLines {
		f.Add([]byte(s + "\n"))
	}
	f.Add([]byte(strings.Join(exportLines, "\n")))
	f.Add(lines([]event.Fact{passed(1, 1000, event.SellableAccessible), passed(2, 1001, event.RetailSold)}))
	p := plan(f, unpaid)
	p.From, p.To = 0, 1<<50
	f.Fuzz(func(t *testing.T, file []byte) {
		requireAgreement(t, file)
		r, err := trial.NewFactReader(bytes.NewReader(file))
		if err != nil {
			return
		}
		last := event.Fact{Ms: -1}
		rep, err := trial.Run(t.Context(), p, func(yield func(*event.Fact, error) bool) {
			for fact, err := range r.Facts() {
				if err == nil {
					require.True(t, fact.Ms > last.Ms || fact.Ms == last.Ms && fact.N > last.N)
					last = *fact
				}
				if !yield(fact, err) {
					return
				}
			}
		})
		require.Equal(t, err == nil, rep != nil)
	})
}

// BenchmarkFile measures the same from a file: reading it, and one rule.
func BenchmarkFile(b *testing.B) {
	facts := benchFacts()
	file, n := lines(facts), len(facts)
	p := plan(b, unpaid)
	for _, work := range []string{"read", "trial", "ahead"} {
		b.Run(work, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(file)))
			for range b.N {
				r, err := trial.NewFactReader(bytes.NewReader(file))
				require.NoError(b, err)
				if work != "read" {
					facts := r.Facts()
					if work == "ahead" {
						facts = trial.Ahead(facts)
					}
					rep, err := trial.Run(b.Context(), p, facts)
					require.NoError(b, err)
					require.Equal(b, n, rep.Facts)
					continue
				}
				for _, err := range r.Facts() {
					if err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(b.N)*float64(n)/b.Elapsed().Seconds(), "facts/s")
		})
	}
}
