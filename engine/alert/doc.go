// Package alert keeps the alerts of one site: what rules made of facts, who is notified, and how it
// ends.
//
// A [Book] holds one small state machine for each rule and subject. machine.go has it whole, as a
// table of states and events; everything that happens to an alert goes through that table:
//
//	a fact makes a rule true or false ──┐
//	a timer is due ─────────────────────┼──▶ table[state][event] ──▶ action ──▶ change, deliveries, record
//	a person acknowledges or closes ────┘
//
// On its way to being seen an alert passes the stages of its rule, in the order of event.Stages:
// hold, quiet, hours and needs. An alert that opens may join another one, either because it came
// within the gather time of a first one, or because the rule raised more than its limit. Nobody
// sees an alert that joined another by itself.
//
// The package knows no items, no stock and no readers. Package engine decides which rules a fact
// meets, fills their environment, and is the [Shop] behind a book. A book reads no clock: time is
// what [Book.Begin] says.
package alert
