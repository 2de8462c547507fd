// Package trial runs rules over facts that were recorded, before they go live: how often they would have raised an alert, when, for what, and how that compares
// with the alerts that were raised and what people said of them.
//
// Facts go through the same engine.Step as everything else, with holds, clear delays, gathering and hours. Nothing is told. What a trial cannot know it says: the
// stock and the whereabouts of what no recorded fact mentions are unknown to it, so a rule about stock sees only what changed in the time tried.
package trial
