// Package kit serves a table of routes over HTTP. It knows no resource: what a route means is its
// Handle, and what a body looks like is a Go type.
//
//	               ┌──────────────── table of routes ([]Route) ───────────────┐
//	request ──▶ outer ──▶ wrap ──▶ Route.Handle ──▶ answer       Document ──▶ /openapi.json
//	            id        time limit
//	            panics    key, scope, site
//	            metrics   parameters
//	            log       Idempotency-Key
//
// A resource is a small type with a table and handlers:
//
//	type cups struct{ shelf *Shelf }
//
//	func (h cups) table() []kit.Route {
//		return []kit.Route{
//			{Method: "GET", Path: "/v1/cups/{id}", Name: "getCup", Group: "Cups", Summary: "Get one cup",
//				Scopes: []string{kit.ScopeOperate}, Answers: []kit.Answer{kit.OK("The cup.", Cup{})}, Handle: h.getCup},
//		}
//	}
//
// Document makes the OpenAPI document of the table. It panics where two types of different packages
// would have one name in it, so that neither schema hides the other.
//
// # Errors
//
// A handler returns an error. A *Problem is answered as problem details (RFC 9457); its Code is a
// stable word. Any other error is answered as "internal" and shows nothing of its text, which goes
// to the log under the request's id. Unavailable marks a failure of the store, which the caller may
// try again.
//
// # Keys
//
// Every route that is not Open wants an API key with one of its Scopes (keys.go). A path with
// {site} also wants a key for that site. Keys are in a document of the store as SHA-256 hashes, and
// are read again when the copy in memory is a second old; if that fails nobody is let in.
//
// # Sessions
//
// A browser exchanges a key for a cookie that no script can read (sessions.go). Where a request carries
// no key the cookie will do, if a page of this server sent it and the server knows the name by which it
// was reached. What follows goes by the session's key, as if the request carried that.
//
// # Bounds
//
// Deadlines are set before anything is decided about a request (bounds.go). Bodies take their memory from
// one budget as they are inflated, documents are parsed a few at a time by Call.Parse, and JSON is
// counted before it is decoded; beyond that the answer is "busy", and nothing was taken. Connections
// that wait for nothing give way to new ones (connections.go).
//
// # Asking twice
//
// A Keyed route takes an Idempotency-Key: its answer is kept in the store and given again. An
// answer of 500 and above settles nothing, so that the key may be tried again. Keys of different
// callers never meet.
package kit
