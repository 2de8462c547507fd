// Package cases runs the cases that people write beside their rules: given this shop, these reads
// and these sales, expect these alerts, and not those.
//
// A case file stands beside the rules, rules_cases.yaml beside rules.yaml, and lintel check runs
// it. Time is what the case says; the same file always gives the same answer, byte for byte.
// Everything goes through engine.Machine, with the timers that the server would let ring: nothing
// of how the core works is repeated here.
//
// # A case file
//
//	layout: umberhithe/layout.json      # a file, from the folder of this one; or the layout itself, as a table
//	products: products.csv            # a CSV or JSON file; or CSV behind |, or a list of products
//	items:                            # words for items, for all cases; a case may have more of its own
//	  tide: {product: TIDE, serial: 1}          # the product by SKU or GTIN
//	  bag: {product: TIDE, serials: 11-30}      # twenty items; bag/11 is one of them
//	  stranger: {epc: 303454...}                # hexadecimal, a URI, a Digital Link or an element string
//	start: 2026-03-10 10:00           # local time at the site; a case may have its own
//	before: [...]                     # steps that every case begins with
//	cases:
//	  - name: a sale in time cancels the alert
//	    rules: [unpaid-at-exit]       # only these are switched on; all if it is left out
//	    steps:
//	      - put: {items: tide, zone: shelf-a}
//	      - wait: 1m
//	      - walk: {items: tide, through: street-door}
//	      - wait: 2s
//	      - sold: {items: tide, zone: till, ago: 20s}
//	      - wait: 1m
//	      - never: [unpaid-at-exit]
//	        told: nobody
//
// # What happens
//
// A step is one word with what it is about. Where only items or one value are said, the table can
// be left out: - take: tide.
//
//	read: {items, by, zone, rssi, for, every, times}   a read point hears items, once or for: 10s every: 1s; zone is for handhelds
//	put: {items, zone, rssi}                           they lie there from now on, and the fixed readers of the zone hear them all the time
//	take: items                                        somebody takes them away: nobody hears them
//	walk: {items, through, going, rssi}                they are carried through a portal, going: out, in, or back (up to the door and no further)
//	silent: points   working: points                   readers stop reporting, and begin again
//	sold, returned, received, shipped, moved, retired: {items, zone, ref, ago}      registered: {items, product, ago}
//	wait: 10m        at: 17:30                         time goes by; at: 2026-03-11 09:00 for another day
//	count: {open: [shelf-a], missing_after: 1}, count: {read: items, by: handheld-1}, count: close (pass, discard, reopen); named: tells several apart
//	acknowledge: {rule, item, by, note}                close: {rule, item, by, note, outcome}, of the one alert that is meant
//
// Goods and papers are two things, as in the shop: sold tells of a sale and takes nothing from the
// shelf; put, take, walk and read move things and tell of none. ago says that an event is told
// later than it happened. A walk takes three and a half seconds; one that leads out is likely
// before it is over and sure about two seconds later, one that leads in about a second after its
// last read. A shop is full of other goods: all readers report as long as none is made silent. Two
// steps never happen at the very same moment: a millisecond lies between them.
//
// # What is expected
//
//	expect: [unpaid-at-exit]                                 happened since the last expectation, or since the start
//	exactly: [{rule: wrong-zone, what: cleared, item: tide}] this and nothing else happened since then; [] for nothing at all
//	never: [unpaid-at-exit]                                  did not happen since then
//	open: [unpaid-at-exit acknowledged]                      what is open now, all of it
//	told: {door-team: 1}                                     messages since then, by channel, all of them; or nobody
//
// They may stand together in one step. An alert is the name of a rule, alone or with what happened
// to it: opened (which is meant if nothing is said), gathered, acknowledged, cleared, closed,
// reminded, escalated, or failed for a rule that failed while it ran. As a table it can say more:
// {rule, what, item, product, zone, reader, count, others, say}, where others is how many others
// are part of it, and say a part of its message. A case that expects nothing is an error, and so
// are steps after the last expectation: neither could fail.
//
// # What comes of it
//
// A failure is FILE:LINE:COL: case "name": message, with - for what was expected and + for what
// happened instead, and what came nearest: that the alert was pending and for how long, that the
// rule was outside its hours, which part of its condition was false and what it saw. These
// explanations are the core's (engine.State.ExplainItem and its like).
//
// Local times that the clocks of the site skip or show twice are errors that say so: write 02:30
// +01:00.
//
// # For tests
//
//	cases.Test(t, "../rules/starter.yaml") // each case of starter_cases.yaml as a subtest
package cases
