// Package event has the nouns and the closed sets of the house. The nouns are what a site's journal
// and its records hold: Entry, Read, Event, Fact, Passage, Alert, Count, CountResult and Delivery,
// each with its stored encoding. A closed set is a type whose values are all known: Cause,
// Disposition, ZoneKind, AlertStatus and so on. Each is defined once, with the text that documents,
// JSON, SQL and CSV show, and with what the text means:
//
//	var Causes = numbered[Cause]("cause", []Word{
//		Arrived: {"arrived", "an item is in a zone where it was not"},
//		...
//
// Rules, the OpenAPI document, the tables of an export, test cases and the page about the names of
// rules take texts and meanings from the sets, or are held against them by a test. To add a value,
// add its constant at the end, since numbers are stored, and its Word.
//
// The package decides nothing and knows no other package but epc, which identifies tags.
package event
