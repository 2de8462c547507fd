package event

// The kinds of records, which are what a site consists of between two runs.
const (
	KindMeta     = "meta"     // key "meta": clock, fact counter, read points, marks, pinned documents
	KindName     = "name"     // key: two bytes, the number of a zone or read point; value: its id
	KindItem     = "item"     // key: the 16 bytes of the identity
	KindAside    = "aside"    // what is remembered of rules, doors, doubled tags and other shops, beside items and alerts
	KindAlert    = "alert"    // key: the alert's id
	KindCount    = "count"    // key: the count's id
	KindTally    = "tally"    // key: the count's id, 0, the zone's number and 16 bytes of the identity
	KindResult   = "result"   // key: the count's id; what closing it found
	KindDelivery = "delivery" // key: the delivery's id
	KindSetAside = "setaside" // key: eight bytes, the sequence number of an entry that could not be folded
)
