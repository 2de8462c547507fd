package epcis_test

import (
	"fmt"

	"lintel/engine/epcis"
	"lintel/engine/layout"
)

func Example() {
	lay, err := layout.Parse([]byte(layoutJSON))
	if err != nil {
		panic(err)
	}
	places, err := epcis.NewDirectory("https://stock.umberhithe.example", lay, map[string]epcis.Place{
		"urn:epc:id:sgln:9521141.12345.TILL": {Zone: "till"}, // and every other spelling of this location number
	})
	if err != nil {
		panic(err)
	}
	doc, err := epcis.Parse([]byte(`{
		"@context": "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
		"type": "ObjectEvent", "action": "OBSERVE", "eventTime": "2026-03-01T09:59:58.250Z", "eventTimeZoneOffset": "+00:00",
		"epcList": ["urn:epc:id:sgtin:9521141.012345.6789"], "bizStep": "retail_selling", "disposition": "retail_sold",
		"readPoint": {"id": "https://id.gs1.org/414/9521141123454/254/TILL"}
	}`), epcis.Options{})
	if err != nil {
		panic(err)
	}
	effects, notes := epcis.Meaning(&doc.Events[0], places)
	for _, e := range effects {
		text, _ := e.Tags[0].Key.Text()
		fmt.Println(e.Kind, text, "at", e.Zone)
	}
	fmt.Println(len(notes), "notes")

	_, err = epcis.Parse([]byte(`{"@context": "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld", "type": "ObjectEvent", "action": "OBSERVE",
		"eventTime": "2026-03-01T09:59:58", "eventTimeZoneOffset": "+00:00", "epcList": [], "disposition": "missing"}`), epcis.Options{})
	fmt.Println(err)
	// Output:
	// sold (01)09521141123454(21)6789 at till
	// 0 notes
	// EPCIS: /eventTime: "2026-03-01T09:59:58" is no time; it has no zone: end it with Z or with an offset such as +01:00 (RFC 3339)
	// 	/disposition: there is no disposition "missing"; use a word of the Core Business Vocabulary, or a URI for one of your own
}
