// Package cases runs the cases that people write beside their rules: given this shop, these reads
// and these sales, expect these alerts, and not those. rules/CASES.md is the manual of the language,
// with an example of each word that a test runs.
//
// A case file stands beside the rules, rules_cases.yaml beside rules.yaml, and lintel check runs
// it:
//
//	layout: umberhithe/layout.json    # a file, from the folder of this one; or the layout itself
//	products: products.csv            # a CSV or JSON file; or CSV behind |, or a list of products
//	items:
//	  tide: {product: TIDE, serial: 1}
//	start: 2026-03-10 10:00           # local time at the site
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
//	        notified: nobody
//
// # How a case runs
//
// Time is what the case says; the same file always gives the same answer, byte for byte. Everything
// goes through engine.Machine, with the timers that the server would let ring: nothing of how the
// core works is repeated here. Two steps never happen at the same moment: a millisecond lies between
// them. A shop is full of other goods: all readers report as long as none is made silent.
//
// A step is one of verbs, or has keys of expectations, which are read and judged by one table. Facts
// are written and read in one form, in expectations, in explanations and in traces.
//
// A case that expects nothing is an error, and so are steps after the last expectation: neither
// could fail. Local times that the clocks of the site skip or show twice are errors too.
//
// # Failures
//
// A failure is FILE:LINE:COL: case "name": message, with - for what was expected and + for what
// happened instead, and what came nearest: that the alert was pending and for how long, that the
// rule was outside its hours, which part of its condition was false and what it saw. These
// explanations are the core's (engine.State.ExplainItem and its like).
//
// # For tests
//
//	cases.Test(t, "../rules/starter.yaml") // each case of starter_cases.yaml as a subtest
package cases
