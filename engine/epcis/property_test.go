package epcis_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epcis"
	"lintel/engine/event"
)

// value is what an event of JSON is made of before it is written, in any order of members.
type value = map[string]any

func pick[T any](r *rapid.T, what string, list ...T) T { return rapid.SampledFrom(list).Draw(r, what) }

// anEPC draws the URI of an item.
func anEPC(r *rapid.T) string {
	n := rapid.IntRange(1, 99999).Draw(r, "serial")
	return fmt.Sprintf(pick(r, "form", "urn:epc:id:sgtin:9521141.012345.%d",
		"https://id.gs1.org/01/09521141123454/21/%d", "https://shop.example/g/01/09521141123454/21/%d?17=270101",
		"urn:epc:id:sscc:9521141.%010d", "urn:uuid:%08d-0000-4000-8000-000000000000"), n)
}

func someEPCs(r *rapid.T, least int) []any {
	list := rapid.SliceOfNDistinct(rapid.Custom(anEPC), least, 5, rapid.ID).Draw(r, "epcs")
	out := []any{}
	for _, s := range list {
		out = append(out, s)
	}
	return out
}

func quantities(r *rapid.T) []any {
	out := []any{}
	for range rapid.IntRange(1, 3).Draw(r, "quantities") {
		q := value{"epcClass": pick(r, "class", "urn:epc:class:lgtin:9521141.012345.L1",
			"https://id.gs1.org/01/09521141123454", "urn:epc:idpat:sgtin:9521141.012345.*")}
		maybe(r, q, "quantity", func() any { return json.Number(pick(r, "amount", "1", "2.50", "0.5", "1e2")) })
		maybe(r, q, "uom", func() any { return "KGM" })
		out = append(out, q)
	}
	return out
}

func maybe(r *rapid.T, into value, name string, make func() any) {
	if rapid.Bool().Draw(r, name) {
		into[name] = make()
	}
}

func place(r *rapid.T) any {
	p := value{"id": pick(r, "place", "urn:epc:id:sgln:9521141.12345.TILL",
		"https://stock.umberhithe.example/sites/umberhithe/zones/till", "geo:50.9,6.9")}
	maybe(r, p, "example:floor", func() any { return 2 })
	return p
}

// extension draws any JSON.
func extension(r *rapid.T, depth int) any {
	switch n := rapid.IntRange(0, 7).Draw(r, "kind"); {
	case n == 0:
		return nil
	case n == 1:
		return rapid.Bool().Draw(r, "bool")
	case n == 2:
		return json.Number(pick(r, "number", "0", "-1.50", "1e-3", "12345678901234567890"))
	case n == 3 && depth < 3:
		list := []any{}
		for range rapid.IntRange(0, 3).Draw(r, "n") {
			list = append(list, extension(r, depth+1))
		}
		return list
	case n == 4 && depth < 3:
		o := value{}
		for range rapid.IntRange(0, 3).Draw(r, "n") {
			o[pick(r, "name", "example:a", "example:b", "https://other.example/c", "rdfs:comment")] = extension(r, depth+1)
		}
		return o
	}
	return rapid.StringN(0, 8, -1).Draw(r, "text")
}

// anEvent draws a valid event.
func anEvent(r *rapid.T) value {
	typ := pick(r, "type", "ObjectEvent", "AggregationEvent", "TransactionEvent", "TransformationEvent", "AssociationEvent")
	ev := value{
		"type": typ, "eventTimeZoneOffset": pick(r, "offset", "+00:00", "-06:00", "+14:00", "+05:45"),
		"eventTime": pick(r, "time", "2026-03-01T09:59:58.250Z", "2026-03-01T10:59:58+01:00", "2020-02-29T23:59:59.9996-06:00"),
	}
	action := pick(r, "action", "ADD", "OBSERVE", "DELETE")
	if typ != "TransformationEvent" {
		ev["action"] = action
	}
	switch typ {
	case "ObjectEvent", "TransactionEvent":
		ev["epcList"] = someEPCs(r, 0)
		maybe(r, ev, "quantityList", func() any { return quantities(r) })
	case "TransformationEvent":
		ev["inputEPCList"], ev["outputQuantityList"] = someEPCs(r, 1), quantities(r)
		maybe(r, ev, "outputEPCList", func() any { return someEPCs(r, 0) })
		maybe(r, ev, "transformationID", func() any { return "urn:x:t" })
	default:
		ev["parentID"], ev["childEPCs"] = "urn:epc:id:sscc:9521141.0000000001", someEPCs(r, 1)
		maybe(r, ev, "childQuantityList", func() any { return quantities(r) })
	}
	transactions := func() any {
		return []any{value{"type": "inv", "bizTransaction": "https://example.com/r/1"},
			value{"bizTransaction": "urn:epc:id:gdti:9521141.12345.7"}}
	}
	if typ == "TransactionEvent" {
		ev["bizTransactionList"] = transactions()
	} else {
		maybe(r, ev, "bizTransactionList", transactions)
	}
	if typ == "TransformationEvent" || typ == "ObjectEvent" {
		maybe(r, ev, "persistentDisposition", func() any { return value{"set": []any{"recalled"}, "unset": []any{"available", "damaged"}} })
		if action == "ADD" || typ == "TransformationEvent" {
			maybe(r, ev, "ilmd", func() any { return value{"example:batch": extension(r, 0), "cbvmda:lotNumber": "L1"} })
		}
	}
	maybe(r, ev, "bizStep", func() any { return pick(r, "step", "shipping", "stocking", "https://example.com/steps/wrapping") })
	maybe(r, ev, "disposition", func() any { return pick(r, "disp", "in_transit", "https://ref.gs1.org/cbv/Disp-retail_sold") })
	maybe(r, ev, "readPoint", func() any { return place(r) })
	maybe(r, ev, "bizLocation", func() any { return place(r) })
	maybe(r, ev, "sourceList", func() any { return []any{value{"type": "location", "source": "urn:epc:id:sgln:9521141.12345.0"}} })
	maybe(r, ev, "destinationList", func() any {
		return []any{value{"type": "owning_party", "destination": "urn:epc:id:pgln:9521141.12345"}}
	})
	maybe(r, ev, "sensorElementList", func() any {
		return []any{value{"sensorMetadata": value{"time": "2026-03-01T09:00:00.1007Z", "example:m": 1},
			"sensorReport": []any{value{"type": "Temperature", "value": json.Number("21.50"), "uom": "CEL"},
				value{"type": "Angle", "component": "x"}}}}
	})
	maybe(r, ev, "certificationInfo", func() any {
		return pick[any](r, "cert", "https://example.com/c", []any{"https://example.com/c"}, []any{}, []any{"urn:x:2", "urn:x:1"})
	})
	maybe(r, ev, "recordTime", func() any { return "2026-03-01T10:00:00Z" })
	maybe(r, ev, "eventID", func() any { return "urn:uuid:374d95fc-9457-4a51-bd6a-0bba133845a8" })
	maybe(r, ev, "errorDeclaration", func() any {
		return value{"declarationTime": "2026-03-02T00:00:00Z", "reason": "incorrect_data",
			"correctiveEventIDs": []any{"urn:x:1"}, "example:by": "audit"}
	})
	maybe(r, ev, "example:more", func() any { return extension(r, 0) })
	maybe(r, ev, "https://ns.example.com/epcis/less", func() any { return extension(r, 0) })
	maybe(r, ev, "@context", func() any { return value{"other": "https://other.example/"} })
	return ev
}

func aDocument(r *rapid.T) value {
	events := []any{}
	for range rapid.IntRange(0, 3).Draw(r, "events") {
		events = append(events, anEvent(r))
	}
	doc := value{"@context": []any{epcis.DefaultContext, value{"example": "https://ns.example.com/epcis/"}},
		"type": "EPCISDocument", "schemaVersion": "2.0",
		"creationDate": "2026-03-01T10:00:00Z", "epcisBody": value{"eventList": events}}
	maybe(r, doc, "sender", func() any { return "Umberhithe Books" })
	maybe(r, doc, "id", func() any { return "https://stock.umberhithe.example/documents/1" })
	maybe(r, doc, "epcisHeader", func() any { return value{"epcisMasterData": value{"vocabularyList": []any{}}} })
	maybe(r, doc, "example:note", func() any { return extension(r, 0) })
	if rapid.Bool().Draw(r, "query") {
		doc = value{"@context": doc["@context"], "type": "EPCISQueryDocument",
			"epcisBody": value{"queryResults": value{"queryName": "q", "resultsBody": doc["epcisBody"]}}}
	}
	return doc
}

// shuffled writes JSON with the members of each object in a drawn order.
func shuffled(r *rapid.T, v any) []byte {
	switch v := v.(type) {
	case value:
		names := slices.Sorted(maps.Keys(v))
		if len(names) > 1 {
			names = rapid.Permutation(names).Draw(r, "order")
		}
		var parts []string
		for _, name := range names {
			parts = append(parts, string(shuffled(r, name))+": "+string(shuffled(r, v[name])))
		}
		return []byte("{" + strings.Join(parts, ", ") + "}")
	case []any:
		var parts []string
		for _, e := range v {
			parts = append(parts, string(shuffled(r, e)))
		}
		return []byte("[" + strings.Join(parts, ", ") + "]")
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic(err)
	}
	return bytes.TrimSpace(b.Bytes())
}

func TestWrittenDocumentsAreReadBackTheSame(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		src := shuffled(r, aDocument(r))
		doc, err := epcis.Parse(src, epcis.Options{})
		require.NoError(r, err, "%s", src)
		again, err := epcis.Parse(epcis.AppendDocument(nil, doc), epcis.Options{})
		require.NoError(r, err)
		require.Equal(r, doc, again)

		var out bytes.Buffer
		w := epcis.NewWriter(&out, *doc)
		for i := range doc.Events {
			require.NoError(r, w.Event(&doc.Events[i]))
		}
		require.NoError(r, w.Close())
		streamed, err := epcis.Parse(out.Bytes(), epcis.Options{})
		require.NoError(r, err)
		require.Equal(r, doc.Events, streamed.Events)
	})
}

// A single event with its own context, too.
func TestSingleEventsAreReadBackTheSame(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		ev := anEvent(r)
		ev["@context"] = []any{epcis.DefaultContext, value{"example": "https://ns.example.com/epcis/"}}
		doc, err := epcis.Parse(shuffled(r, ev), epcis.Options{})
		require.NoError(r, err)
		again, err := epcis.Parse(epcis.AppendDocument(nil, doc), epcis.Options{})
		require.NoError(r, err)
		require.Equal(r, doc, again)
	})
}

// The id depends neither on the order of members and lists nor on eventID, recordTime and
// errorDeclaration.
func TestIDIgnoresOrderAndItself(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		ev := anEvent(r)
		id := func() string {
			doc, err := epcis.Parse(document(string(shuffled(r, ev))), epcis.Options{})
			require.NoError(r, err)
			return epcis.EventID(&doc.Events[0])
		}
		want := id()
		require.Equal(r, want, id())
		delete(ev, "errorDeclaration")
		ev["eventID"], ev["recordTime"] = want, "2027-01-01T00:00:00Z"
		for _, name := range []string{"epcList", "childEPCs", "inputEPCList", "outputEPCList", "quantityList",
			"childQuantityList", "bizTransactionList", "sensorElementList"} {
			if list, ok := ev[name].([]any); ok && len(list) > 1 {
				ev[name] = rapid.Permutation(list).Draw(r, name)
			}
		}
		require.Equal(r, want, id())
		ev["eventTime"] = "2031-01-01T00:00:00Z"
		require.NotEqual(r, want, id())
	})
}

// Every event has effects or notes, and equal events have equal ones.
func TestMeaningDropsNothing(t *testing.T) {
	dir := places(t)
	rapid.Check(t, func(r *rapid.T) {
		doc, err := epcis.Parse(document(string(shuffled(r, anEvent(r)))), epcis.Options{})
		require.NoError(r, err)
		ev := &doc.Events[0]
		effects, notes := epcis.Meaning(ev, dir)
		unapplied := slices.ContainsFunc(notes, func(n epcis.Note) bool { return !n.Ignored })
		require.True(r, len(effects) > 0 || unapplied, "%s", epcis.AppendEvent(nil, ev))
		if ev.Error != nil {
			require.Empty(r, effects)
		}
		effects2, notes2 := epcis.Meaning(ev, dir)
		require.Equal(r, effects, effects2)
		require.Equal(r, notes, notes2)
	})
}

// What the published JSON Schema refuses is refused here: documents with one thing left out, or put
// in the place of another. (Parse refuses more: members without a prefix where the schema says
// nothing, and documents that are no version 2.)
func TestNoMoreLenientThanTheSchema(t *testing.T) {
	path := os.Getenv("LINTEL_EPCIS_SCHEMA")
	if path == "" {
		t.Skip("LINTEL_EPCIS_SCHEMA is not set: it names EPCIS-JSON-Schema.json of github.com/gs1/EPCIS, which may not be shipped")
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	c.UseRegexpEngine(ecma)
	schema, err := c.Compile(path)
	require.NoError(t, err)
	refused := 0
	rapid.Check(t, func(r *rapid.T) {
		doc := aDocument(r)
		if rapid.Bool().Draw(r, "mutate") {
			mutate(r, doc)
		}
		src := shuffled(r, doc)
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(src))
		require.NoError(r, err)
		bySchema := schema.Validate(v)
		_, err = epcis.Parse(src, epcis.Options{})
		if bySchema != nil {
			refused++
			require.Error(r, err, "%s\n%v", src, bySchema)
		}
	})
	require.Positive(t, refused)
}

// mutate changes one thing somewhere. Sensor data and the header are checked in part only, and are
// left alone.
func mutate(r *rapid.T, doc value) {
	type spot struct {
		in   value
		name string
	}
	var spots []spot
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case value:
			for _, name := range slices.Sorted(maps.Keys(v)) {
				if name == "sensorElementList" || name == "epcisHeader" || strings.Contains(name, ":") {
					continue
				}
				spots = append(spots, spot{v, name})
				walk(v[name])
			}
		case []any:
			for _, e := range v {
				walk(e)
			}
		}
	}
	walk(doc)
	s := rapid.SampledFrom(spots).Draw(r, "spot")
	old := s.in[s.name]
	delete(s.in, s.name)
	switch rapid.IntRange(0, 3).Draw(r, "change") {
	case 0: // left out
	case 1:
		s.in[s.name] = pick[any](r, "value", "", "x", 3, nil, value{}, []any{}, []any{"x"},
			"urn:epcglobal:cbv:disp:active", "https://ns.gs1.org/cbv/x", "2.0")
	case 2:
		s.in[pick(r, "name", "colour", "epcList", "childEPCs", "ilmd", "action")] = old
	case 3:
		s.in[s.name] = []any{old, old}
	}
}

func FuzzParse(f *testing.F) {
	for _, path := range glob(f, "testdata/*/*.jsonld") {
		f.Add(read(f, path))
	}
	f.Add(document(eventJSON("AssociationEvent", `"action": "ADD", "parentID": "urn:x:1", "childEPCs": ["urn:x:2"]`),
		eventJSON("example:Own", `"a": [{}]`)))
	f.Add([]byte(`{"type":"ObjectEvent","@context":{"a":{"@id":"urn:b:"}},"eventTime":"2026-03-01T09:59:58Z",
		"eventTimeZoneOffset":"+00:00","action":"ADD","epcList":[],"a:b":{"a:c":[1,null]}}`))
	f.Add([]byte(`{"@context":[{"":"urn:a:"}],"type":"ObjectEvent","eventTime":"2026-03-01T09:59:58Z",
		"eventTimeZoneOffset":"+00:00","action":"ADD","epcList":[]}`))
	f.Fuzz(func(t *testing.T, src []byte) {
		doc, err := epcis.Parse(src, epcis.Options{MaxEvents: 20})
		if err != nil {
			var problems epcis.Errors
			var limit *epcis.LimitError
			require.True(t, errors.As(err, &problems) || errors.As(err, &limit))
			require.NotEmpty(t, err.Error())
			return
		}
		require.True(t, json.Valid(src), "what the standard library refuses must not be taken")
		again, err := epcis.Parse(epcis.AppendDocument(nil, doc), epcis.Options{})
		require.NoError(t, err)
		require.Equal(t, doc, again)
		for i := range doc.Events {
			require.Equal(t, epcis.EventID(&doc.Events[i]), epcis.EventID(&again.Events[i]))
			epcis.Meaning(&doc.Events[i], nil)
		}
	})
}

func FuzzLocate(f *testing.F) {
	f.Add("https://stock.umberhithe.example/sites/umberhithe/zones/till")
	f.Add("urn:epc:id:sgln:9521141.12345.TILL")
	f.Add("urn:epc:idpat:itip:4012345.012345.01.02.*")
	f.Add("https://shop.example/01/09521141123454/22/2A/10/L1/21/7?a=b#c")
	dir := places(f)
	f.Fuzz(func(t *testing.T, uri string) {
		if p, ok := dir.Locate(uri); ok {
			require.Equal(t, "umberhithe", p.Site)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	const n = 1000
	events := make([]string, n)
	for i := range events {
		events[i] = eventJSON("ObjectEvent", fmt.Sprintf(`"action": "OBSERVE", "bizStep": "stocking",
			"disposition": "sellable_accessible", "epcList": ["https://id.gs1.org/01/09521141123454/21/%d"],
			"readPoint": {"id": "https://stock.umberhithe.example/sites/umberhithe/read-points/tables-1"},
				"bizLocation": {"id": "https://stock.umberhithe.example/sites/umberhithe/zones/front-tables"}`, i))
	}
	src := document(events...)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := epcis.Parse(src, epcis.Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func BenchmarkWriteFacts(b *testing.B) {
	const n = 1000
	fact := sample(b)[0]
	opt := options(b)
	b.ReportAllocs()
	for b.Loop() {
		_, err := epcis.WriteFacts(discard{}, func(yield func(*event.Fact, error) bool) {
			for i := range n {
				fact.At += int64(i)
				if !yield(&fact, nil) {
					return
				}
			}
		}, opt)
		if err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

func BenchmarkMeaning(b *testing.B) {
	doc := parse(b, read(b, "testdata/own/sale.jsonld"))
	dir := places(b)
	b.ReportAllocs()
	for b.Loop() {
		epcis.Meaning(&doc.Events[0], dir)
	}
}
