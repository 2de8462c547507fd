// Package rules reads the rule documents that shop staff write, checks them, and answers whether a
// rule is true of an environment.
//
// It is pure: no clock, no random number, no I/O, no goroutine, and nothing depends on the order of
// a map. Time, places and products come in with the environment, so that the same facts always give
// the same answers: live, in a trial against the past, and in tests.
//
//	document ──Parse──▶ Document ──Compile──▶ Set ──NewEvaluator──▶ Evaluator
//	 (YAML)              texts and              rules,                 Candidates, True, Say, Why
//	                     their places           index
//
// # Documents
//
//	rules:
//	  - name: unpaid-at-door        # 1 to 64 of a-z 0-9 -
//	    about: item                 # item (default), stock, reader, count, zone
//	    when: zone.kind == "exit" and item.sellable and not item.paid
//	    items: item.sellable        # of rules about a zone: which items count; all of known products, if left out
//	    within: 10m                 # of rules about a zone: how far items.came and items.went look back
//	    hold: 3s                    # still true after this long, default 0s; clear and gather likewise, up to 7d
//	    severity: urgent            # info, warning (default), urgent
//	    hours: open                 # always (default), open, or mon-fri 09:00-18:00, sat 22:00-02:00
//	    say: "{product.name} passed {zone.name} unpaid"
//	    send: [door-team]
//	    but:                        # the first alternative that is true when an alert opens replaces severity, say or send
//	      - {when: not site.open, severity: urgent, send: [params.guard]}
//	    gather: 5s                  # alerts within so long of a first become one; gather_by: rule (default), zone, from, product
//	    needs: 8                    # with gather: so many must come together, or nobody is told
//	    limit: 5 per 1h             # beyond that, alerts become part of one that says how many; storm: 100 per 10m beside rules is for all
//	    quiet: 2h                   # after somebody acknowledged or closed it, the same thing raises no alert for so long
//	    remind: 4h                  # told again while it is open and nobody acknowledged it
//	    escalate: 10m               # nobody acknowledged for so long: escalate_to: [manager] is told
//	    mode: live                  # live (default), watch, off
//
// Values that rules share and sites may set for themselves stand beside rules, and are used as
// params.NAME:
//
//	params:
//	  dwell: {default: 25m, min: 5m, max: 2h, sites: {umberhithe: 40m}}
//
// A document has at most 1 MiB and 5,000 rules; anchors, aliases and tags are refused. Every error
// and warning is a Diagnostic: where, the line of text with a caret under the place, what is wrong,
// and how to fix it. One error keeps the whole document from taking effect.
//
// A message is a prompt to look, never proof of anything: write say so that it accuses nobody.
//
// # Conditions
//
// A condition is an expression over the names of Env (see Names and ENVIRONMENT.md). Names that the
// subject of the rule does not have are errors; missing data is empty text, 0, false or an empty
// list, so that every condition has an answer.
//
// Conditions come from people, so nothing in them is trusted. In this order:
//
//   - the text has at most 4,096 bytes and 64 nested brackets, before it is parsed;
//   - the syntax tree holds only what is on a list: node kinds, operators, functions (guard.go).
//     There are no variables, no clock, no methods, no function that makes text or lists grow, and
//     no value of unknown type;
//   - the work of the worst case is added up from the sizes that texts and lists can have, and
//     refused above a few milliseconds (work.go);
//   - list functions count their steps while they run, and the program's operations are compared
//     with a list once more (condition.go).
//
// A rule that fails while it runs, which only a list function over an unusually long list can,
// gives a *RunError with its place. The caller reports it once for the rule and treats the answer
// as unknown.
//
// # Speed
//
// An Evaluator keeps one array of values that programs read by number. A rule fetches those that
// its condition reads, and a value that is as it was is not boxed again. Candidates leaves out the
// rules that a fact cannot make true: by subject, by kind of fact (which names a kind of fact can
// change is part of Names), and by the one most selective value that a rule asks for, such as a
// zone or a product. A thousand rules that are each about one place or product so cost what ten
// cost.
//
// # Failure handling
//
// Parse and Compile never panic on bad input and never return a half-checked Set. A Set is
// read-only and may be shared; an Evaluator may not.
package rules
