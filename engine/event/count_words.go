package event

// CountStatus is where a count stands.
type CountStatus uint8

// The statuses of a count; CountStatuses says what each means. The numbers are stored: add at the
// end, never renumber.
const (
	CountOpen      CountStatus = 1
	CountPaused    CountStatus = 2
	CountClosed    CountStatus = 3
	CountDiscarded CountStatus = 4
)

// CountStatuses are the values of CountStatus, with their texts and meanings.
var CountStatuses = numbered[CountStatus]("count status", []Word{
	CountOpen:      {"open", "reads are taken"},
	CountPaused:    {"paused", "kept; only reads that are on their way already are taken"},
	CountClosed:    {"closed", "reconciled; may be opened again for a second pass"},
	CountDiscarded: {"discarded", "as if it had never been"},
})

// String returns the text of c.
func (c CountStatus) String() string { return CountStatuses.Text(c) }

// MarshalText returns the text of c.
func (c CountStatus) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText sets c to the value with this text; the error names the texts that there are.
func (c *CountStatus) UnmarshalText(b []byte) error { return CountStatuses.unmarshal(b, c) }

// Finding is what closing a count found out about one tag. A tag can have several: one that is sold
// but present is also found.
type Finding uint8

// The findings; Findings says what each means. The numbers are stored: add at the end, never
// renumber.
const (
	FoundExpected  Finding = 1
	MissedOnce     Finding = 2
	MissedNow      Finding = 3
	MovedHere      Finding = 4
	NewHere        Finding = 5
	UnknownProduct Finding = 6
	ForeignTag     Finding = 7
	SoldButPresent Finding = 8
	BetterNextDoor Finding = 9
	TiedNextDoor   Finding = 10
	HeardElsewhere Finding = 11
	FoundAgain     Finding = 12
	NewerKnown     Finding = 13
	NotDelivered   Finding = 14
	NotOnPapers    Finding = 15
	MoreThanPapers Finding = 16
)

// Findings are the values of Finding, with their texts and meanings.
var Findings = numbered[Finding]("finding", []Word{
	FoundExpected:  {"found", "where it was expected; not listed among the differences"},
	MissedOnce:     {"missed_once", "Expected, not heard this time: look again"},
	MissedNow:      {"missing", "Expected, and not heard in the counts running that it takes: not found"},
	MovedHere:      {"moved_here", "Was known to be elsewhere: it is here now"},
	NewHere:        {"new_here", "Of a known product, never heard of before"},
	UnknownProduct: {"unknown_product", "Its product is not in the product list"},
	ForeignTag:     {"foreign", "Not a GS1 tag of this shop"},
	SoldButPresent: {"sold_but_present", "Sold by the records, and heard: check the sale"},
	BetterNextDoor: {"better_next_door", "Heard better in the zone next door, counted at the same time"},
	TiedNextDoor:   {"tied_next_door", "Heard as well in the zone next door, counted at the same time"},
	HeardElsewhere: {"heard_elsewhere", "A reader far away heard the same identity at the same time: look for two tags with one identity"},
	FoundAgain:     {"found_again", "Was missing, and is here"},
	NewerKnown:     {"newer_known", "Something newer is known of it: it was moved or sold since"},
	NotDelivered:   {"not_delivered", "On the papers, not heard"},
	NotOnPapers:    {"not_on_papers", "Heard, and not on the papers"},
	MoreThanPapers: {"more_than_papers", "Heard, and more than the papers say of its product"},
})

// String returns the text of f.
func (f Finding) String() string { return Findings.Text(f) }

// MarshalText returns the text of f.
func (f Finding) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText sets f to the value with this text; the error names the texts that there are.
func (f *Finding) UnmarshalText(b []byte) error { return Findings.unmarshal(b, f) }
