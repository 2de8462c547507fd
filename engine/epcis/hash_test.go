package epcis_test

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/epcis"
)

// Source of documents, pre-hash texts and ids: github.com/RalphTro/epcis-event-hash-generator,
// commit 5d2f1c3.
func TestPublishedVectors(t *testing.T) {
	events := 0
	for _, path := range glob(t, "testdata/hash/*.jsonld") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			stem := strings.TrimSuffix(path, ".jsonld")
			texts := lines(string(read(t, stem+".prehashes")))
			ids := lines(string(read(t, stem+".hashes")))
			doc := parse(t, read(t, path))
			require.Len(t, doc.Events, len(texts))
			require.Len(t, doc.Events, len(ids))
			for i := range doc.Events {
				require.Equal(t, texts[i], epcis.PreHash(&doc.Events[i]))
				require.Equal(t, ids[i], epcis.EventID(&doc.Events[i]))
				events++
			}
		})
	}
	require.Equal(t, 7, events)
}

func lines(s string) []string { return strings.Split(strings.TrimRight(s, "\n"), "\n") }

// The ids of our own documents were computed with another implementation.
func TestIDsOfOwnDocuments(t *testing.T) {
	var want struct {
		Vectors map[string]struct{ Prehash, Hash string }
	}
	require.NoError(t, json.Unmarshal(read(t, "testdata/own/hash_ids.json"), &want))
	require.NotEmpty(t, want.Vectors)
	for name, v := range want.Vectors {
		doc := parse(t, read(t, "testdata/own/"+name))
		require.Equal(t, v.Prehash, epcis.PreHash(&doc.Events[0]), name)
		require.Equal(t, v.Hash, epcis.EventID(&doc.Events[0]), name)
	}
}

// The same event in several spellings has one id. Source: rules 5 to 21 of the event hash id.
func TestSpellingsOfOneEvent(t *testing.T) {
	base := `"action": "OBSERVE", "bizStep": "shipping", "epcList": ["https://id.gs1.org/01/09521141123454/21/6789"],
		"readPoint": {"id": "https://id.gs1.org/414/9521141123454/254/DOCK"},
		"quantityList": [{"epcClass": "https://id.gs1.org/01/09521141123454/10/L1", "quantity": 1.5}],
			"example:box": {"example:w": 2, "example:h": [3, 1]}`
	same := []string{
		`"example:box": {"example:h": [1, 3.0], "example:w": "2.00"}, "quantityList": [{"quantity": 1.50,
			"epcClass": "urn:epc:class:lgtin:9521141.012345.L1"}],
		"readPoint": {"id": "urn:epc:id:sgln:9521141.12345.DOCK"},
			"epcList": ["urn:epc:id:sgtin:9521141.012345.6789"],
			"bizStep": "https://ref.gs1.org/cbv/BizStep-shipping", "action": "OBSERVE"`,
		strings.ReplaceAll(strings.Replace(base, `"shipping"`, `"cbv:BizStep-shipping"`, 1), "https://id.gs1.org",
			"https://shop.example.com/goods"),
		strings.Replace(strings.ReplaceAll(base, "example:", "https://ns.example.com/epcis/"), "/21/6789", "/10/L9/21/6789?17=270101", 1),
		base + `, "recordTime": "2026-03-01T10:00:00Z", "eventID": ` +
			`"urn:uuid:374d95fc-9457-4a51-bd6a-0bba133845a8", "rdfs:comment": "for people"`,
		base + `, "errorDeclaration": {"declarationTime": "2026-03-02T10:00:00Z"}`,
	}
	id := func(members string) string {
		return epcis.EventID(&parse(t, document(eventJSON("ObjectEvent", members))).Events[0])
	}
	for _, s := range same {
		require.Equal(t, id(base), id(s), "%s", epcis.PreHash(&parse(t, document(eventJSON("ObjectEvent", s))).Events[0]))
	}
	for _, other := range []string{
		strings.Replace(base, "6789", "06789", 1), strings.Replace(base, "DOCK", "dock", 1), strings.Replace(base, "1.5", "1.51", 1),
		strings.Replace(base, "OBSERVE", "ADD", 1), base + `, "disposition": "in_transit"`, base + `, "example:more": ""`,
	} {
		require.NotEqual(t, id(base), id(other))
	}
}
