// Package api answers HTTP: it takes in reads and business events, answers questions about items and stock, lets people handle alerts and write
// layouts, products, rules and channels, and streams what happens.
//
//	                  ┌────────────── one table of routes (table.go) ──────────────┐
//	request ──▶ outer ──▶ wrap ──▶ handler ──▶ Runner.Append ──▶ journal     openAPIDocument ──▶ /openapi.json
//	            id        time limit        └▶ Site.View   ──▶ state
//	            panics    key, scope, site  └▶ store       ──▶ records, facts, documents
//	            metrics   parameters
//	            log       Idempotency-Key
//
// New makes an API of a store and a runner; Handler is what a server serves. The package does not listen, and starts no goroutine of its own.
//
// # What a batch of reads goes through
//
// decode.go is the one hot path. The body is read whole, inflated within its limit, and decoded in a single pass straight into an engine.Entry; read points
// are looked up once a batch, the minute of a time is parsed once, and nothing is allocated for a read whose key holds a whole GS1 identity. A bad read is rejected with
// its index, the reason and the section of the standard, and the rest of the batch stands; only a body that is no JSON, or too large, is refused whole. 202 means that
// the entry is durable. Taking reads never depends on the fold: while a site loads, or is halted, they are checked by its stored layout.
//
// # Asking twice
//
// Every POST that changes something takes an Idempotency-Key. For reads and events it goes into the journal with the entry, so the store decides, once and for all
// nodes, whether the entry is new. All others claim an entry in a journal that belongs to no shop, and their answer is kept under it (answers in idempotency.go).
// An answer of 500 and above settles nothing: the key may be tried again. Keys of different callers never meet.
//
// # Errors
//
// Errors are problem details (RFC 9457). Their member "code" is stable, and one table (problems in problem.go) says which status each code has. What is not
// known to be harmless answers "internal" and nothing else; the log has the cause under the request's id. Failures of the store are "unavailable", so that clients know to try again.
//
// # Keys
//
// A key has scopes and sites (keys.go). Only SHA-256 hashes are stored, in a document of the store, which every node reads again when its copy is a second old; if
// that fails nobody is let in. kit.MintKey makes the first key from the command line. Documents that all sites share can only be written with a key for all sites.
//
// # Documents
//
// Layouts, products, rules and channels are versioned. The ETag is the version; If-Match keeps one person's change from undoing another's. Storing one waits a little
// until the sites go by it, and says whether they do. Secrets of channels leave the package only towards the store.
package api
