// Package runner is the loop around the core: for each site it reads the journal, folds with
// engine.Machine, and commits.
//
//	             ┌── one goroutine a site ─────────────────────────────┐
//	Append ──▶ journal ──▶ read after cursor ──▶ Step, Step, ... ──▶ commit ──▶ offer deliveries, publish
//	             ▲                                                     │ conflict or failure
//	             └── tick, when a timer is due and nothing came in     └──▶ forget the state and load it again
//
// What is promised: an entry whose Append returned is folded, once, even if every process is killed
// now. Two workers on one site can waste work but not corrupt it, since a commit succeeds only on
// the cursor that its state was built on. The lease decides who works; a node without it follows:
// it folds the same entries up to the committed cursor without committing, so it can answer
// questions and take over at once.
//
// What fails: a store that errors is tried again with growing pauses. An entry that cannot be
// decoded, or a panic in the fold, halts that site, loudly, and no other: skipping the entry would
// lose it.
package runner
