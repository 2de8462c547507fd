// Package epcis reads and writes EPCIS 2.0 events in JSON (GS1 EPCIS 2.0 and Core Business
// Vocabulary 2.0, which are ISO/IEC 19987 and 19988 of 2024), and says what they mean for the items
// of a shop.
//
//	JSON ──Parse──▶ Document ──Meaning──▶ effects on items, and notes on what has none
//	facts ──Exporter, WriteFacts──▶ events with read point, business location and hash id ──▶ JSON
//
// # Reading
//
// Parse takes an EPCISDocument, an EPCISQueryDocument, or one event with its own @context. It is
// strict, and lists every problem with a JSON pointer (RFC 6901), the reason and how to fix it:
// times without a zone, offsets beyond 14:00, EPCs that are no URI, words that the vocabulary does
// not have, members that the event may not have. A word of the vocabulary is a bare string
// ("shipping"); its old form, urn:epcglobal:cbv:bizstep:shipping, is refused in JSON, as the
// standard's schema has it. Members of one's own need a prefix or a full URI ("example:batch") and
// are kept; a bare one is refused, because a JSON-LD reader would drop it without a word.
//
// Size, nesting, events and identities are bounded (Options); what goes beyond is a *LimitError.
// With Options.Proceed the good events of a document are returned and the bad ones listed in
// Document.Refused; otherwise one bad event refuses the whole.
//
// The URLs in an @context are never fetched. The prefixes gs1, cbv, epcis and cbvmda are known
// without being declared.
//
// # Meaning
//
// Meaning turns one event into effects:
//
//	action DELETE                                             retired (with a sale in the same event: sold, then retired)
//	action ADD                                                registered to the product, and moved to where it is
//	bizStep retail_selling, or disposition retail_sold        sold
//	disposition returned                                      returned
//	bizStep receiving                                         received
//	bizStep shipping, or disposition in_transit               shipped
//	bizStep cycle_counting or stock_taking                    seen, in the counted zone
//	anything else with a place that is known                  moved (a zone) or seen (a read point)
//	aggregation, association                                  parent and children, by the same table
//	transaction                                               the same table, with the document as reference
//	transformation                                            inputs retired, outputs registered
//
// A read point is where the items were seen, a business location where they are until something
// else is known: the second wins. A Locator says which zone or read point a URI means; Directory is
// one for a layout. What has no effect is noted, never dropped in silence. An event with an
// errorDeclaration takes back an earlier one and is never applied again; it is noted, for a person
// to put right.
//
// # Identity of an event
//
// EventID is the hash id of the Core Business Vocabulary 2.0: equal events have equal ids, whatever
// the order of their members and whatever form their identifiers have. Where the rules and the
// published test vectors differ, the vectors are followed: a type stands before the value that it
// qualifies, destinations before sources, and certificationInfo takes part. An error declaration
// has the same id as the event that it takes back, so the id alone may not be used to drop repeats.
//
// # Writing
//
// AppendEvent and Writer give JSON that Parse reads back to the same values. An
// Exporter turns facts into events. It never writes the dispositions missing (which does not exist)
// or stolen (which is the outcome of an investigation, not of a reader), says nothing about tags
// that are not the shop's own or no longer (what a customer carries is the customer's), and leaves
// out facts that are no event in the sense of the standard: that an item was not heard or not found
// is no observation of it.
//
// The package is pure: no clock, no random numbers, no I/O of its own, no goroutines.
package epcis
