package epcis_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/epcis"
	"lintel/engine/event"
	"lintel/engine/layout"
)

const base = "https://stock.umberhithe.example"

const layoutJSON = `{
	"site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
	"zones": [
		{"id": "front-tables", "kind": "floor"}, {"id": "shelf-a", "kind": "shelf"}, {"id": "stockroom",
			"kind": "stockroom"}, {"id": "till", "kind": "checkout"},
		{"id": "street-door", "kind": "exit"}, {"id": "receiving-bay", "kind": "receiving"}, {"id": "cafe", "kind": "other"}
	],
	"read_points": [
		{"id": "tables-1", "role": "fixed", "zone": "front-tables"}, {"id": "door-in", "role": "portal",
			"zone": "street-door", "side": "inner"},
		{"id": "till-pad", "role": "desk", "zone": "till"}, {"id": "handheld-1", "role": "handheld"}
	]
}`

func umberhithe(t testing.TB) *layout.Layout {
	t.Helper()
	lay, err := layout.Parse([]byte(layoutJSON))
	require.NoError(t, err)
	return lay
}

func places(t testing.TB) *epcis.Directory {
	t.Helper()
	d, err := epcis.NewDirectory(base, umberhithe(t), map[string]epcis.Place{
		"urn:epc:id:sgln:9521141.12345.TILL":                {Zone: "till"},
		"https://id.gs1.org/414/9521141123454/254/DOOR":     {ReadPoint: "door-in"},
		"https://id.gs1.org/414/9521141123454":              {},
		"https://id.gs1.org/414/9521141123454/254/FLOOR-EU": {Zone: "front-tables"},
	})
	require.NoError(t, err)
	return d
}

func tag(t testing.TB, uri string) event.Tag {
	t.Helper()
	id, err := epc.Parse(uri)
	require.NoError(t, err)
	tag := event.Tag{Key: id.Key()}
	if _, ok := tag.Key.Text(); !ok {
		tag.Text = id.KeyText()
	}
	return tag
}

// short writes effects as "kind zone point ref tags", one a line.
func short(effects []epcis.Effect) string {
	var out []string
	for _, e := range effects {
		s := fmt.Sprintf("%s n=%d", e.Kind, len(e.Tags))
		for _, m := range [][2]string{{"zone", e.Zone}, {"point", e.ReadPoint}, {"ref", e.Ref}} {
			if m[1] != "" {
				s += " " + m[0] + "=" + m[1]
			}
		}
		if e.GTIN != 0 {
			s += fmt.Sprintf(" gtin=%d", e.GTIN)
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func pointers(notes []epcis.Note, ignored bool) string {
	var out []string
	for _, n := range notes {
		if n.Ignored == ignored {
			out = append(out, n.Pointer)
		}
	}
	return strings.Join(out, " ")
}

func TestMeaning(t *testing.T) {
	const book = "https://id.gs1.org/01/09521141123454/21/6789"
	const one = `"epcList": ["` + book + `"]`
	zone := func(id string) string {
		return `"bizLocation": {"id": "` + epcis.LocationURI(base, "umberhithe", id) + `"}`
	}
	at := func(id string) string {
		return `"readPoint": {"id": "` + epcis.ReadPointURI(base, "umberhithe", id) + `"}`
	}
	for _, c := range []struct {
		typ, members string
		effects      string
		notes        string // pointers of what was not applied
	}{
		// Seen and moved.
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + at("tables-1"), "seen n=1 point=tables-1", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + at("door-in") +
			`, "bizStep": "entering_exiting", "disposition": "unknown"`, "seen n=1 point=door-in", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "readPoint": {"id": "urn:epc:id:sgln:9521141.12345.DOOR"}`,
			"seen n=1 point=door-in", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + at("handheld-1") + `, ` + zone("shelf-a") +
			`, "bizStep": "stocking", "disposition": "sellable_accessible"`, "moved n=1 zone=shelf-a point=handheld-1", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "readPoint": {"id": "` + epcis.LocationURI(base, "umberhithe",
			"stockroom") + `"}, "bizStep": "storing"`, "moved n=1 zone=stockroom", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + at("handheld-1") + `, ` + zone("shelf-a") +
			`, "bizStep": "cycle_counting"`, "seen n=1 zone=shelf-a point=handheld-1", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + zone("shelf-a") +
			`, "bizStep": "https://ref.gs1.org/cbv/BizStep-stock_taking"`, "seen n=1 zone=shelf-a", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one, "", " "},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizLocation": {"id": "https://id.gs1.org/414/9521141123454"}`, "", " "},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizLocation": {"id": "urn:epc:id:sgln:0614141.00777.0"}`,
			"", "/bizLocation/id"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + zone("cellar"), "", "/bizLocation/id"},
		// Trade.
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, ` + at("till-pad") +
			`, "bizStep": "retail_selling", "disposition": "retail_sold", "bizTransactionList": [{"type": "po",
				"bizTransaction": "urn:x:po"}, {"type": "inv", "bizTransaction": "` + epcis.DocumentURI(base,
			"umberhithe", "R 42/7") + `"}]`,
			"sold n=1 zone=till point=till-pad ref=R 42/7", "/bizTransactionList/0"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one +
			`, "bizStep": "cbv:BizStep-retail_selling", "readPoint": {"id": "urn:epc:id:sgln:9521141.12345.TILL"}`,
			"sold n=1 zone=till", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one +
			`, "disposition": "retail_sold", "bizStep": "entering_exiting", ` + at("door-in"), "sold n=1; seen n=1 point=door-in", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one +
			`, "bizStep": "retail_selling", "disposition": "sellable_accessible", ` + zone("shelf-a"),
			"moved n=1 zone=shelf-a", "/disposition"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizStep": "receiving", "disposition": "returned", ` +
			zone("till"), "returned n=1 zone=till", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizStep": "receiving", ` + zone("receiving-bay"),
			"received n=1 zone=receiving-bay", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizStep": "receiving", "disposition": "in_transit"`,
			"received n=1", "/disposition"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizStep": "shipping", "disposition": "in_transit"`, "shipped n=1", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one +
			`, "bizStep": "departing", "disposition": "https://ref.gs1.org/cbv/Disp-in_transit"`, "shipped n=1", ""},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "bizStep": "void_shipping", ` + zone("receiving-bay"),
			"moved n=1 zone=receiving-bay", "/bizStep"},
		// What is not kept.
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "disposition": "stolen", ` + at("door-in"),
			"seen n=1 point=door-in", "/disposition"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "disposition": "damaged", ` + zone("stockroom"),
			"moved n=1 zone=stockroom", "/disposition"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "disposition": "sellable_accessible", ` + at("tables-1"),
			"seen n=1 point=tables-1", "/disposition"},
		{"ObjectEvent", `"action": "OBSERVE", ` + one + `, "persistentDisposition": {"set": ["recalled"]}, ` +
			at("tables-1"), "seen n=1 point=tables-1", "/persistentDisposition"},
		{"ObjectEvent", `"action": "OBSERVE", "epcList": [], ` + at("tables-1"), "", "/epcList"},
		{"ObjectEvent", `"action": "OBSERVE", "quantityList": [{"epcClass": ` +
			`"https://id.gs1.org/01/09521141123454", "quantity": 2}], ` + at("tables-1"), "", "/quantityList"},
		{"ObjectEvent", `"action": "OBSERVE", "epcList": ["https://id.gs1.org/01/09521141123454", "` + book +
			`", "urn:epc:id:sgtin:9521141.012345.6789", "https://example.com/thing"], ` + at("tables-1"),
			"seen n=1 point=tables-1", "/epcList/0 /epcList/3"},
		// The life of an item.
		{"ObjectEvent", `"action": "ADD", "epcList": ["` + book +
			`", "https://id.gs1.org/01/09521141000014/21/A", "https://id.gs1.org/01/09521141123454/21/7"],
				"bizStep": "commissioning", "disposition": "active", ` + zone("stockroom"),
			"registered n=2 gtin=9521141123454; registered n=1 gtin=9521141000014; moved n=3 zone=stockroom", ""},
		{"ObjectEvent", `"action": "ADD", ` + one, "registered n=1 gtin=9521141123454", ""},
		{"ObjectEvent", `"action": "ADD", "bizStep": "receiving", ` + one + `, ` + zone("receiving-bay"),
			"registered n=1 gtin=9521141123454; received n=1 zone=receiving-bay", ""},
		{"ObjectEvent", `"action": "ADD", "epcList": ["urn:epc:id:giai:4012345.ABC345"]`, "", "/epcList"},
		{"ObjectEvent", `"action": "DELETE", "bizStep": "destroying", "disposition": "destroyed", ` + one + `, ` +
			zone("stockroom"), "retired n=1", ""},
		{"ObjectEvent", `"action": "DELETE", "bizStep": "retail_selling", ` + one + `, ` + at("till-pad"),
			"sold n=1 zone=till point=till-pad; retired n=1", ""},
		{"ObjectEvent", `"action": "OBSERVE", "bizStep": "decommissioning", ` + one + `, ` + zone("stockroom"),
			"moved n=1 zone=stockroom", "/action"},
		{"ObjectEvent", `"action": "DELETE", ` + one +
			`, "errorDeclaration": {"declarationTime": "2026-03-02T00:00:00Z"}`, "", "/errorDeclaration"},
		// Others.
		{"AggregationEvent", `"action": "ADD", "bizStep": "packing", "parentID": ` +
			`"urn:epc:id:sscc:0614141.1234567890", "childEPCs": ["` + book + `"], ` + zone("stockroom"), "moved n=2 zone=stockroom", ""},
		{"AggregationEvent", `"action": "DELETE", "parentID": "urn:epc:id:sscc:0614141.1234567890", ` +
			zone("stockroom"), "moved n=1 zone=stockroom", "/action"},
		{"AggregationEvent", `"action": "OBSERVE", "bizStep": "shipping", "parentID": ` +
			`"urn:epc:id:sscc:0614141.1234567890", "childEPCs": ["` + book + `"]`, "shipped n=2", ""},
		{"AssociationEvent", `"action": "ADD", "parentID": "` + epcis.LocationURI(base, "umberhithe", "shelf-a") +
			`", "childEPCs": ["` + book + `"]`, "moved n=1 zone=shelf-a", ""},
		{"TransactionEvent", `"action": "ADD", "bizStep": "retail_selling", ` + one +
			`, "bizTransactionList": [{"bizTransaction": "urn:x:1"}]`, "sold n=1 ref=urn:x:1", ""},
		{"TransactionEvent", `"action": "DELETE", "bizStep": "retail_selling", ` + one +
			`, "bizTransactionList": [{"bizTransaction": "urn:x:1"}]`, "", "/action"},
		{"TransactionEvent", `"action": "OBSERVE", ` + one + `, "bizTransactionList": [{"bizTransaction": "urn:x:` +
			strings.Repeat("1", 130) + `"}], ` + at("tables-1"), "seen n=1 point=tables-1", "/bizTransactionList/0"},
		{"TransformationEvent", `"inputEPCList": ["` + book +
			`"], "outputEPCList": ["https://id.gs1.org/01/09521141000014/21/A"], ` + zone("stockroom"),
			"retired n=1; registered n=1 gtin=9521141000014; moved n=1 zone=stockroom", ""},
		{"example:GiftEvent", `"wrapping": "red"`, "", "/type"},
	} {
		t.Run(c.typ+" "+c.members, func(t *testing.T) {
			doc := parse(t, document(eventJSON(c.typ, c.members)))
			effects, notes := epcis.Meaning(&doc.Events[0], places(t))
			require.Equal(t, c.effects, short(effects))
			require.Equal(t, strings.TrimSpace(c.notes), pointers(notes, false), "%v", notes)
			if c.notes != "" {
				require.True(t, slices.ContainsFunc(notes, func(n epcis.Note) bool { return !n.Ignored }),
					"what has no effect must be noted")
			}
			for _, e := range effects {
				require.EqualValues(t, 1772359198250, e.At)
				require.NotEmpty(t, e.Tags)
			}
		})
	}
}

func TestWhatIsNeverUsedIsNotedAsSuch(t *testing.T) {
	doc := parse(t, document(eventJSON("ObjectEvent", `"action": "ADD",
		"epcList": ["urn:epc:id:sgtin:9521141.012345.67-89"], "ilmd": {"example:batch": "1"}, "example:a/b": 1,
		"sensorElementList": [{"sensorReport": [{"type": "Temperature"}]}], "sourceList": [{"type": "location", "source": "urn:x:1"}]`)))
	effects, notes := epcis.Meaning(&doc.Events[0], nil)
	require.Equal(t, "/sensorElementList /ilmd /sourceList /example:a~1b", pointers(notes, true))
	require.Empty(t, pointers(notes, false))
	require.Equal(t, []event.Tag{tag(t, "https://id.gs1.org/01/09521141123454/21/67-89")}, effects[0].Tags)
	require.Equal(t, "(01)09521141123454(21)67-89", effects[0].Tags[0].Text, "a hashed key keeps its words")
}

func TestEffectsBecomeBusinessEvents(t *testing.T) {
	tags := []event.Tag{tag(t, "https://id.gs1.org/01/09521141123454/21/1")}
	for kind, want := range map[epcis.EffectKind]event.EventType{
		epcis.Moved: event.EventMoved, epcis.Seen: event.EventMoved, epcis.Sold: event.EventSold,
		epcis.Returned: event.EventReturned, epcis.Received: event.EventReceived,
		epcis.Shipped: event.EventShipped, epcis.Retired: event.EventRetired, epcis.Registered: event.EventRegistered,
	} {
		e := epcis.Effect{Kind: kind, Tags: tags, Zone: "till", At: 5, Ref: "r", GTIN: 7}
		got, ok := e.Event()
		require.True(t, ok)
		require.Equal(t, event.Event{Type: want, Tags: tags, Zone: "till", T: 5, Ref: "r", GTIN: 7}, got)
	}
	seen := epcis.Effect{Kind: epcis.Seen, Tags: tags, ReadPoint: "tables-1"}
	_, ok := seen.Event()
	require.False(t, ok, "a sighting without a zone is a read")
}

func TestLocationURIs(t *testing.T) {
	for _, p := range []epcis.Place{{Site: "umberhithe"}, {Site: "umberhithe", Zone: "till"}, {Site: "umberhithe", ReadPoint: "till-pad"}} {
		uri := epcis.LocationURI(base, p.Site, p.Zone)
		if p.ReadPoint != "" {
			uri = epcis.ReadPointURI(base, p.Site, p.ReadPoint)
		}
		got, ok := epcis.ParseLocationURI(base, uri)
		require.True(t, ok, uri)
		require.Equal(t, p, got)
	}
	for _, uri := range []string{"", base, base + "/sites/", base + "/sites/A", base + "/sites/a/zones",
		base + "/sites/a/zones/b/c", base + "/sites/a/zones/b?x", "https://other.example/sites/a/zones/b"} {
		_, ok := epcis.ParseLocationURI(base, uri)
		require.False(t, ok, uri)
	}
	for _, ref := range []string{"R-1", "R 42/7", "Ü%", "a?b#c"} {
		got, ok := epcis.ParseDocumentURI(base, "umberhithe", epcis.DocumentURI(base, "umberhithe", ref))
		require.True(t, ok)
		require.Equal(t, ref, got)
	}
	require.Equal(t, "https://example.com/receipt/1", epcis.DocumentURI(base, "umberhithe", "https://example.com/receipt/1"))
}

func TestDirectoryRefusesWhatMeansNothing(t *testing.T) {
	lay := umberhithe(t)
	for _, b := range []string{"", "stock.example", "https://", "https://stock.example/", "https://stock.example?x",
		"ftp://stock.example", "https:///x"} {
		_, err := epcis.NewDirectory(b, lay, nil)
		require.ErrorContains(t, err, "is no base", b)
	}
	for _, aliases := range []map[string]epcis.Place{
		{"3034257BF7194E4000001A85": {Zone: "till"}}, {"urn:x:1": {Zone: "cellar"}}, {"urn:x:1": {ReadPoint: "till"}},
		{"urn:x:1": {Site: "harbour"}},
		{"urn:epc:id:sgln:9521141.12345.A": {Zone: "till"}, "https://id.gs1.org/414/9521141123454/254/A": {Zone: "cafe"}},
	} {
		_, err := epcis.NewDirectory(base, lay, aliases)
		require.Error(t, err, "%v", aliases)
	}
}
