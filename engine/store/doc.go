// Package store is the one door between Lintel and whatever keeps its data.
//
// A store holds four things for each site and two for all sites together:
//
//	journal    what came in: an append-only, totally ordered list of entries
//	records    the state of the site as of the cursor: items, alerts, holds, deliveries
//	cursor     the sequence number of the last entry whose effects are in the records
//	facts      what the entries meant, in order, readable by time
//
//	documents  layout, products, rules, channels, keys: versioned, never edited in place
//	values     what belongs to no site, each compared before it is set: the health of channels and the
//	           notices about it, answers to requests with an idempotency key, EPCIS capture jobs
//
// Store is all of it; Journal, Records, Documents, Values and Leases are the parts that callers ask
// for.
//
// The rules that every engine keeps, and that storetest checks on each of them:
//
//   - Append returns only when the entries are as durable as the engine promises. Sequence numbers
//     of a site start at 1 and have no holes, so that a reader knows whether it has seen
//     everything.
//   - Commit is one atomic step. It takes effect only if the site's cursor still is what the caller
//     expects, and then takes effect whole: records, facts and cursor together. Otherwise nothing
//     changes and it returns ErrConflict.
//   - A call that returned an error may or may not have taken effect (the reply can be lost).
//     Callers recover by reading the cursor again, or by the idempotency key of the append; both
//     are safe to repeat.
//   - No method keeps or changes the byte slices that it was given after it returned, and the
//     caller owns the slices that it gets.
//
// Three engines exist: boltstore (embedded, one process), redisstore (Redis single, Sentinel or
// Cluster), and memory, which keeps nothing when the process ends.
package store
