package epcis_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epcis"
)

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return b
}

func parse(t testing.TB, src []byte) *epcis.Document {
	t.Helper()
	doc, err := epcis.Parse(src, epcis.Options{})
	require.NoError(t, err)
	return doc
}

// glob lists files, and fails where there are none: a test over nothing proves nothing.
func glob(t testing.TB, patterns ...string) []string {
	t.Helper()
	var all []string
	for _, p := range patterns {
		files, err := filepath.Glob(p)
		require.NoError(t, err)
		all = append(all, files...)
	}
	require.NotEmpty(t, all)
	return all
}

// document wraps events into a document.
func document(events ...string) []byte {
	return []byte(`{"@context": ["` + epcis.DefaultContext + `", {"example": "https://ns.example.com/epcis/"}], "type": "EPCISDocument",
		"schemaVersion": "2.0", "creationDate": "2026-03-01T10:00:00Z", "epcisBody": {"eventList": [` + strings.Join(events, ",") + `]}}`)
}

// event returns an event of a type with further members.
func eventJSON(typ, members string) string {
	return `{"type": "` + typ + `", "eventTime": "2026-03-01T09:59:58.250Z", "eventTimeZoneOffset": "+00:00", ` + members + `}`
}

func problems(t testing.TB, src []byte) epcis.Errors {
	t.Helper()
	_, err := epcis.Parse(src, epcis.Options{})
	var errs epcis.Errors
	require.True(t, errors.As(err, &errs), "%v", err)
	return errs
}

func TestAcceptsGoodDocuments(t *testing.T) {
	for _, path := range glob(t, "testdata/own/*.jsonld", "testdata/hash/*.jsonld") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			require.NotEmpty(t, parse(t, read(t, path)).Events)
		})
	}
}

// The examples of the standard's authors (github.com/gs1/EPCIS) may not be handed on, so they are
// read from where they are.
func TestAcceptsPublishedExamples(t *testing.T) {
	dir := os.Getenv("LINTEL_EPCIS_EXAMPLES")
	if dir == "" {
		t.Skip("LINTEL_EPCIS_EXAMPLES is not set: it names a directory with the JSON and JSON-LD examples of " +
			"github.com/gs1/EPCIS, which may not be shipped")
	}
	for _, path := range glob(t, filepath.Join(dir, "*.json"), filepath.Join(dir, "*.jsonld")) {
		if strings.Contains(path, "Schema") {
			continue
		}
		t.Run(filepath.Base(path), func(t *testing.T) {
			doc := parse(t, read(t, path))
			require.NotEmpty(t, doc.Events)
			require.Equal(t, doc, parse(t, epcis.AppendDocument(nil, doc)))
		})
	}
}

// Each document is wrong in one way. Source of the rules: the EPCIS 2.0 JSON Schema, which refuses
// each of them too.
func TestRefusesBadDocumentsForTheirReason(t *testing.T) {
	const ev = "/epcisBody/eventList/0"
	want := map[string]struct{ pointer, reason, hint string }{
		"bad_action":           {ev + "/action", `no action "CREATE"`, "use one of ADD, OBSERVE, DELETE"},
		"bizstep_cbv_urn":      {ev + "/bizStep", "URN form", `write the bare word, "shipping"`},
		"disposition_missing":  {ev + "/disposition", `no disposition "missing"`, "use a word"},
		"duplicate_epc":        {ev + "/epcList/1", "in the list already, at 0", "once"},
		"epc_hex_not_uri":      {ev + "/epcList/0", "is no URI", "not as the hexadecimal digits"},
		"no_action":            {ev + "/action", "missing", "ADD, OBSERVE or DELETE"},
		"no_context":           {"/@context", "missing", "epcis-context.jsonld"},
		"no_creation_date":     {"/creationDate", "missing", "time at which"},
		"no_offset":            {ev + "/eventTimeZoneOffset", "missing", "+00:00"},
		"no_what":              {ev + "/epcList", "nothing of what it is about", "epcList"},
		"offset_15":            {ev + "/eventTimeZoneOffset", `"+15:00" is no time zone offset`, "at most 14:00"},
		"time_no_T":            {ev + "/eventTime", "is no time", "2026-03-01T09:59:58.250Z"},
		"time_no_zone":         {ev + "/eventTime", "is no time", "no zone"},
		"unprefixed_extension": {ev + "/rssi", "no such member", "needs a prefix, as in example:rssi"},
	}
	files := glob(t, "testdata/invalid/*.jsonld")
	require.Len(t, files, len(want))
	for _, path := range files {
		name := strings.TrimSuffix(filepath.Base(path), ".jsonld")
		t.Run(name, func(t *testing.T) {
			errs := problems(t, read(t, path))
			require.Len(t, errs, 1, "%v", errs)
			require.Equal(t, want[name].pointer, errs[0].Pointer)
			require.Contains(t, errs[0].Reason, want[name].reason)
			require.Contains(t, errs[0].Hint, want[name].hint)
		})
	}
}

func TestNamesEveryProblem(t *testing.T) {
	for _, c := range []struct {
		src  []byte
		want []string // pointer and part of the reason
	}{
		{[]byte(`[]`), []string{" an object"}},
		{[]byte(`{"type": "ObjectEvent"`), []string{" line 1"}},
		{[]byte("\xef\xbb\xbf{}"), []string{" byte order mark"}},
		{[]byte("{\"type\": \"\xff\"}"), []string{" UTF-8"}},
		{[]byte(`{}`), []string{"/type missing", "/eventTime missing", "/eventTimeZoneOffset missing", "/@context missing"}},
		{[]byte(`{"type": "EPCISDocument"}`), []string{"/@context missing", "/schemaVersion missing",
			"/creationDate missing", "/epcisBody missing"}},
		{[]byte(`{"type": "EPCISQueryDocument", "@context": "x", "epcisBody": {}}`),
			[]string{"/@context no URI", "/epcisBody/queryResults missing"}},
		{[]byte(`{"type": "EPCISDocument", "@context": ["` + epcis.DefaultContext + `",
			"` + epcis.DefaultContext + `"], "schemaVersion": 2.0,
			"creationDate": "yesterday", "epcisBody": {"eventList": {}}, "colour": 1, "sender": 3}`),
			[]string{"/@context/1 twice", "/schemaVersion a text, and is a number", "/creationDate no time",
				"/epcisBody/eventList an array, and is an object", "/colour no such member", "/sender a text"}},
		{document(eventJSON("ObjectEvnt", `"action": "OBSERVE"`)), []string{"/epcisBody/eventList/0/type no event type"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "childEPCs": []`)),
			[]string{"/epcisBody/eventList/0/childEPCs does not belong"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "action": "ADD"`)),
			[]string{"/epcisBody/eventList/0/action twice"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "sensorElementList": [{}]`)),
			[]string{"/epcisBody/eventList/0/sensorElementList/0/sensorReport missing", "/epcisBody/eventList/0/readPoint missing"}},
		{document(eventJSON("ObjectEvent", `"action": "DELETE", "epcList": [], "ilmd": {}`)),
			[]string{"/epcisBody/eventList/0/ilmd action DELETE"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": null, "quantityList": [{"quantity": `+
			`"3", "uom": "kg", "a~b/c": 1}]`)),
			[]string{"/epcisBody/eventList/0/epcList and is null",
				"/epcisBody/eventList/0/quantityList/0/quantity a number", "/epcisBody/eventList/0/quantityList/0/uom no unit",
				"/epcisBody/eventList/0/quantityList/0/a~0b~1c no such member", "/epcisBody/eventList/0/quantityList/0/epcClass missing"}},
		{document(eventJSON("AggregationEvent", `"action": "ADD", "parentID": "urn:epc:id:sscc:0614141.1234567890"`)),
			[]string{"/epcisBody/eventList/0/childEPCs no children"}},
		{document(eventJSON("AssociationEvent", `"action": "DELETE"`)), []string{"/epcisBody/eventList/0/parentID missing"}},
		{document(eventJSON("TransactionEvent", `"action": "ADD", "bizTransactionList": []`)),
			[]string{"/epcisBody/eventList/0/bizTransactionList no business transaction", "/epcisBody/eventList/0/epcList nothing"}},
		{document(eventJSON("TransformationEvent", `"inputEPCList": ["urn:x:1", "urn:x:1"]`)),
			[]string{"/epcisBody/eventList/0/outputEPCList no outputs", "/epcisBody/eventList/0/inputEPCList/1 already"}},
		{document(eventJSON("TransformationEvent", `"action": "ADD", "transformationID": "urn:x:1"`)),
			[]string{"/epcisBody/eventList/0/action does not belong", "/epcisBody/eventList/0/inputEPCList no inputs"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "persistentDisposition": {},
			"readPoint": {}, "bizLocation": {"id": "floor"}, "errorDeclaration": {"reason": "oops"},
			"sourceList": [{"source": "urn:x:1"}], "bizTransactionList": [{"type": "po"}]`)),
			[]string{"/epcisBody/eventList/0/persistentDisposition says nothing",
				"/epcisBody/eventList/0/readPoint/id missing", "/epcisBody/eventList/0/bizLocation/id no URI",
				"/epcisBody/eventList/0/errorDeclaration/reason no reason",
				"/epcisBody/eventList/0/errorDeclaration/declarationTime missing", "/epcisBody/eventList/0/sourceList/0/type missing",
				"/epcisBody/eventList/0/bizTransactionList/0/bizTransaction missing"}},
		{document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "disposition": `+
			`"https://ns.gs1.org/cbv/Disp-stolen"`)), []string{"/epcisBody/eventList/0/disposition JSON does not have"}},
	} {
		errs := problems(t, c.src)
		require.Len(t, errs, len(c.want), "%s\n%v", c.src, errs)
		for i, want := range c.want {
			pointer, reason, _ := strings.Cut(want, " ")
			require.Equal(t, pointer, errs[i].Pointer, "%s\n%v", c.src, errs)
			require.Contains(t, errs[i].Reason, reason, "%s", c.src)
		}
	}
}

func TestAcceptsWhatTheStandardAllows(t *testing.T) {
	for _, members := range []string{
		`"action": "OBSERVE", "epcList": [], "bizStep": "https://example.com/steps/gift-wrapping",
			"disposition": "https://ref.gs1.org/cbv/Disp-retail_sold"`,
		`"action": "OBSERVE", "quantityList": [{"epcClass": "https://id.gs1.org/01/09521141123454", "quantity": 12}]`,
		`"action": "OBSERVE", "readPoint": {"id": "geo:50.9,6.9", "example:floor": 2},
			"sensorElementList": [{"sensorReport": [{"type": "Temperature", "value": 21.50, "uom": "CEL"}],
			"example:x": [1, {"example:y": null}]}]`,
		`"action": "ADD", "epcList": ["urn:epc:id:sgtin:9521141.012345.6789"], "ilmd": {"example:batch": "4711"},
			"https://ns.example.com/epcis/colour": "red"`,
		`"action": "OBSERVE", "epcList": [], "certificationInfo": ["https://example.com/c/1",
			"https://example.com/c/2"], "persistentDisposition": {"set": ["recalled"]}`,
	} {
		parse(t, document(eventJSON("ObjectEvent", members)))
	}
	// An event type of one's own is a URI, and brings its own members.
	doc := parse(t, document(eventJSON("example:GiftEvent", `"wrapping": {"colour": "red"}, "action": 3`)))
	require.Len(t, doc.Events[0].Extensions, 2)
	// Children and the items of a transaction may be named twice.
	parse(t, document(eventJSON("AggregationEvent", `"action": "OBSERVE", "childEPCs": ["urn:x:1", "urn:x:1"]`)))
}

func TestTimesAndOffsets(t *testing.T) {
	for time, ok := range map[string]bool{
		"2026-03-01T09:59:58Z": true, "2026-03-01T09:59:58.123456789+14:00": true,
		"2026-03-01T09:59:58.1415-06:00": true, "2026-02-29T00:00:00Z": false,
		"2026-03-01T09:59Z": false, "2026-03-01": false, "2026-03-01T9:59:58Z": false, "2026-03-01T09:59:58,5Z": false,
		"2026-03-01T24:00:00Z": false, "": false,
	} {
		_, err := epcis.Parse(document(strings.Replace(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": []`),
			"2026-03-01T09:59:58.250Z", time, 1)), epcis.Options{})
		require.Equal(t, ok, err == nil, time)
	}
	for offset, ok := range map[string]bool{
		"+00:00": true, "-00:00": true, "+14:00": true, "-14:00": true, "+13:59": true, "+05:45": true, "+14:01": false,
		"+15:00": false, "-14:30": false, "Z": false,
		"+1:00": false, "+0100": false, "+01:60": false, "01:00": false, "+01:00 ": false,
	} {
		_, err := epcis.Parse(document(strings.Replace(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": []`),
			"+00:00", offset, 1)), epcis.Options{})
		require.Equal(t, ok, err == nil, offset)
	}
	// Milliseconds are rounded half up. Source: the published test vector TimeStampRoundOff.
	doc := parse(t, read(t, "testdata/hash/TimeStampRoundOff.jsonld"))
	require.EqualValues(t, 1675335843142, doc.Events[0].At)
	require.EqualValues(t, 1675335843141, doc.Events[1].At)
}

func TestLimits(t *testing.T) {
	ev := eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": ["urn:x:1", "urn:x:2"]`)
	for _, c := range []struct {
		src  []byte
		opt  epcis.Options
		what string
	}{
		{document(ev), epcis.Options{MaxBytes: 100}, "bytes"},
		{document(ev, ev, ev), epcis.Options{MaxEvents: 2}, "events"},
		{document(ev, ev, ev), epcis.Options{MaxIdentities: 5}, "identities"},
		{[]byte(strings.Repeat("[", 100)), epcis.Options{}, "levels of nesting"},
		{[]byte(strings.Repeat(`{"a":`, 9_000_000/5)), epcis.Options{MaxDepth: 1 << 30}, "levels of nesting"},
	} {
		_, err := epcis.Parse(c.src, c.opt)
		var limit *epcis.LimitError
		require.ErrorAs(t, err, &limit)
		require.Equal(t, c.what, limit.What)
		require.Contains(t, err.Error(), c.what)
	}
	_, err := epcis.Parse(document(ev, ev), epcis.Options{MaxEvents: 2, MaxIdentities: 4})
	require.NoError(t, err)
	// Brackets within texts are not nesting.
	parse(t, document(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "example:x": "`+strings.Repeat(`[{\"`, 100)+`"`)))
}

func TestManyProblemsAreCounted(t *testing.T) {
	events := make([]string, 150)
	for i := range events {
		events[i] = eventJSON("ObjectEvent", `"action": "LOOK", "rssi": 1`)
	}
	errs := problems(t, document(events...))
	require.Len(t, errs, 201)
	require.Contains(t, errs[200].Reason, "250 more")
}

func TestProceedKeepsTheGoodEvents(t *testing.T) {
	good, bad := eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": []`), eventJSON("ObjectEvent", `"action": "LOOK", "epcList": []`)
	doc, err := epcis.Parse(document(good, bad, good, bad), epcis.Options{Proceed: true})
	require.NoError(t, err)
	require.Len(t, doc.Events, 2)
	require.Equal(t, []int{0, 2}, []int{doc.Events[0].Index, doc.Events[1].Index})
	require.Len(t, doc.Refused, 2)
	for i, p := range doc.Refused {
		require.Equal(t, 2*i+1, p.Event)
		require.Equal(t, fmt.Sprintf("/epcisBody/eventList/%d/action", p.Event), p.Pointer)
	}
	_, err = epcis.Parse([]byte(`{"type": "EPCISDocument"}`), epcis.Options{Proceed: true})
	require.Error(t, err, "what is wrong with the document itself refuses it")
}

func TestDocumentTypes(t *testing.T) {
	single := []byte(strings.Replace(eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": []`), "{",
		`{"@context": "`+epcis.DefaultContext+`", `, 1))
	doc := parse(t, single)
	require.Empty(t, doc.Type)
	require.Len(t, doc.Events, 1)

	query := []byte(`{"epcisBody": {"queryResults": {"queryName": "q", "subscriptionID": "s",
		"resultsBody": {"eventList": [` + eventJSON("ObjectEvent", `"action": "OBSERVE", "epcList": [], "ex:a": 1`) + `]}}},
		"type": "EPCISQueryDocument", "@context": ["` + epcis.DefaultContext + `", {"ex": "https://ex.example.com/"}]}`)
	doc = parse(t, query)
	require.Equal(t, epcis.TypeQueryDocument, doc.Type)
	require.Equal(t, "q", doc.QueryName)
	require.Contains(t, epcis.PreHash(&doc.Events[0]), "{https://ex.example.com/}a=1", "the context counts, though it stands last")
}

// What no document has is refused before anything is made of it.
func TestDocumentsAreBoundedInParts(t *testing.T) {
	for what, text := range map[string]string{
		"parts of an @context":    `{"@context":[` + strings.Repeat("{},", 500_000) + `{}]}`,
		"prefixes in an @context": `{"@context":{` + manyMembers(20_000) + `}}`,
		"values":                  `{"@context":[],"x":[` + strings.Repeat("{},", 2_000_000) + `{}]}`,
	} {
		started := time.Now()
		_, err := epcis.Parse([]byte(text), epcis.Options{MaxBytes: 64 << 20})
		var limit *epcis.LimitError
		require.ErrorAs(t, err, &limit, what)
		require.Contains(t, limit.Error(), what)
		require.Less(t, time.Since(started), 5*time.Second, what)
	}
}

func manyMembers(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `"p%d":"https://example.com/%d#",`, i, i)
	}
	return strings.TrimSuffix(b.String(), ",")
}
