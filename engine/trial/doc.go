// Package trial runs a rule over facts that were recorded, before it goes live: how often it would
// have raised an alert, when, for what, who would have been told, and how that compares with the
// rule as it is live, and with the alerts that were raised and what people said of them.
//
//	rules document ──Pick──▶ Version ─┐
//	                                  ├─▶ Run ──▶ Report ──CompareRecorded──▶ what would have been missed, what avoided
//	facts: of the store, or of a file ┘
//	       (NewFactReader)
//
// Facts go through the same engine.Machine as everything else, with holds, clear delays, gathering
// and hours; Trial feeds it, and Run feeds one Trial for each version that is compared from one
// reading of the facts. Nothing is told. A rule that is only watched, or off, is tried as if it
// were live.
//
// # What a trial cannot know
//
// It says so in Report.Notes. What no fact of the time mentions is unknown, above all the stock
// that did not change; nobody acknowledges or closes an alert of a trial; and the layout and the
// products are those of now. Facts before the time that is asked for are folded all the same, as a
// lead-in, so that the first alerts find things as they were; what is raised in the lead-in is not
// counted.
//
// # Bounds
//
// A trial ends with what it has by then, and says why, when it has taken too long, seen too many
// facts, or raised more alerts than anybody can look at (Plan.MaxAlerts, which bounds its memory
// too). It ends at once when its context does.
//
// # Facts files
//
// One JSON object a line, as GET /v1/sites/{site}/facts.jsonl gives them, plain or gzip. Members
// that are not known are passed over. Facts must be in the order of their ids.
//
// A line in the very form that the export writes is read in one pass; every other line goes through
// a JSON decoder, which is also what the one pass is held against: on any input both say the same,
// by value and by refusal.
//
// No fact is passed over and none is read by half, whatever the rule asks for. A stock fact sets a
// count that later facts add to totals and to what the stockroom has; a fact about an item says
// what the item is, where it is and in which state, which a hold, a reminder or the end of an alert
// looks at later; a silent or heard one, since when a read point is silent; and each moves the
// clock, takes a number, and is counted in the report.
package trial
