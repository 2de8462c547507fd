// Package demo plays a bookshop that does not exist against a whole Lintel, and reports what
// happens as it happens: for whoever wants to see Lintel at work before they have a reader.
//
//	sim ──▶ feeder ──▶ POST reads, events ──▶ Lintel (loopback, embedded store) ──▶ webhooks ──▶ receiver ──┐
//	          │                                  │                                                          ▼
//	          ├── holds the clock                └──▶ GET live, sites, items, stock, metrics ────────▶ console (Out)
//	          └── stock-take ──▶ POST counts, their reads; GET differences, picks
//
// Everything goes the way an integrator's programs would take: the shop's documents, its reads and
// its sales are posted with API keys, their effects are read from the live stream, and the receiver
// checks the signature of each webhook.
//
// Who watches can do so in a browser: the address that is printed opens the console and signs in,
// with a key that only this server knows. It stands behind #, which no browser sends anywhere, and
// the page takes it out of the address.
//
// Some minutes into the day the reader of a shelf is silent and staff count the shelf: a count is
// opened, what the handheld hears on two walks is posted to it (one batch more than once, which
// changes nothing), and it is closed and reconciled. A demonstration of less than 15 minutes has
// none.
//
// # Time
//
// The server uses a simulated clock that runs Options.Speed times as fast as the real one. It never
// passes the moment of a message that was not handed to the server yet: on a machine that is too
// slow the shop's day goes slower, nothing is dropped, and the end says how fast it was. Webhooks
// are sent, signed and checked by the real clock. The day begins so long ago that it has come to
// the present when it ends: what the console shows happened today.
//
// # What it proves
//
// At the end, what the simulator knows to be true is compared with what Lintel reported. That shows
// that the parts fit together. It says little about a real shop, where readers are worse placed and
// people do what nobody thought of: there the outcomes that staff record with alerts count.
package demo
