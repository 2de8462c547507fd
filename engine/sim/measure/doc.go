// Package measure holds what the core concludes against what really happened in simulated shops.
//
// Run plays the shops of several regimes and seeds, folds what their readers and tills send with
// engine.Machine under the starter rules, adds the ticks that the server would add, and compares
// with doors.Truth:
//
//	doors.Shop ──▶ entries ──▶ engine.Machine ──▶ facts, alerts ──┐
//	   │              ├──────▶ first read decides ─────────────┼──▶ Report
//	   │              └──────▶ a plain patient rule ───────────┤
//	   └──▶ doors.Truth ───────────────────────────────────────┘
//
// Two baselines run on the same entries. "First read decides": an item is in the zone of whoever
// read it last, and any read at a door is an exit. "Patient": it waits until a door has not heard
// the item for four seconds, and says out where nobody inside heard it at the end, the outer side
// has 60 % of the last 2.5 s and the loudest read is 3 dB above what was usual for the item there;
// with one antenna, where nobody inside hears it.
//
// # What is measured
//
//   - Recall: of the unpaid exits, how many items had an alert of the rule unpaid-at-exit within 2,
//     4, 6 and 10 s of the crossing. The time is that at which people are notified, the rule's hold
//     included. Bags: the same for visits, of which one item is enough, as for false alerts. An
//     alert may come before the crossing by as much as people take in the doorway.
//   - False alerts, for each 10,000 other passages. A passage is one item in one visit that did not
//     end with the item outside unpaid: paid goods, goods that come in, guests' own, and all that
//     is carried up to a door or along it and back. Each counts once. People who stood in the
//     doorway and went back are counted apart, and of those the ones whose goods were past the
//     threshold. An alert while the server can't yet know of a sale is not false.
//   - At rest: alerts about goods that lie still, for each hour that an item lies; goods with
//     nothing within 3 m of a door antenna apart.
//   - Zones: every five seconds, where the facts have each item that has lain for ten seconds.
//     Goods that only a handheld counts apart.
//   - Direction: of the passages that facts notify of, where there was a crossing.
//   - Hint: of the unpaid exits, how many had a fact of a passage out within 2 s, likely or sure,
//     whatever the rule says of it.
//
// Shares come with Wilson's 95 % interval (Wilson, "Probable inference, the law of succession, and
// statistical inference", JASA 22, 1927). It takes cases to be independent, which goods of one bag
// and the same item looked at every few seconds are not.
//
// The headline is the worst regime in which the layout does not say that the door can never be sure
// (layout.CanBeSure). The document's limit on alerts is lifted, so that none is merged into another.
package measure
