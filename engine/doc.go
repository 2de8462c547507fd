// Package engine is Lintel's core: what came in becomes what it meant, who should know, and what is
// to be told.
//
// Four nouns carry everything, and one becomes the next, always to the right:
//
//	entry ──▶ fact ──▶ alert ──▶ delivery
//
// An Entry is what came in (reads, business events, a changed document, the passing of time). A
// Fact is what it meant (an item arrived, passed the door, was sold). An Alert is what a rule made
// of facts. A Delivery is one message to one channel.
//
// A Machine is one site's state machine: entries go in one after the other, and a Batch of what
// came of them comes out. It is pure: it reads no clock, draws no random number, does no I/O,
// starts no goroutine and does not depend on the order of a map. Time is the entry's time. It
// changes its state in place, for speed; what counts is that equal inputs give equal outputs. The
// server, the trial of a rule against the past, users' rule cases and the tests all drive one.
package engine
