// Package api answers HTTP: it takes in reads and business events, answers questions about items
// and stock, lets people handle alerts and write layouts, products, rules and channels, and streams
// what happens.
//
// Package kit has what is around every route: the table, keys, problems, idempotency, OpenAPI. Here
// each resource is a small type with the table of its routes and their handlers (resources.go lists
// them); what resources share is in backend.
//
// New makes an API of a store and a runner; Handler is what a server serves. The package does not
// listen, and starts no goroutine of its own.
//
// # What a batch of reads goes through
//
// decode.go is the one hot path. The body is read whole, inflated within its limit, and decoded in
// a single pass straight into an engine.Entry; read points are looked up once a batch, the minute
// of a time is parsed once, and nothing is allocated for a read whose key holds a whole GS1
// identity. A bad read is rejected with its index, the reason and the section of the standard, and
// the rest of the batch stands; only a body that is no JSON, or too large, is refused whole. 202
// means that the entry is durable. Taking reads never depends on the fold: while a site loads, or
// is halted, they are checked by its stored layout.
//
// # Asking twice
//
// For reads and events the Idempotency-Key goes into the journal with the entry, so the store
// decides, once and for all nodes, whether the entry is new. For all else the kit keeps the answer.
//
// # Documents
//
// Layouts, products, rules and channels are versioned. The ETag is the version; If-Match keeps one
// person's change from undoing another's. Storing one waits a little until the sites go by it, and
// says whether they do. Secrets of channels leave the package only towards the store.
package api
