// Package stocktake counts what lies in zones by bulk reading, and checks deliveries against their
// papers.
//
// A count is opened with the items expected in its zones. Its reads change nothing but the count's
// own tallies: how often, how strongly and in which passes each tag was heard in each zone. When
// the count is closed they are reconciled with what was expected, and the items take the places
// where they were counted.
//
//	expected items ──────────▶ Book.Open ──▶ count ──▶ Book.Progress ──▶ how far it has come
//	reads of the count ──────▶ Book.Hear ──▶ tallies
//	pause, pass, close, ... ─▶ Book.Do ────▶ Site (items are placed or missed) ──▶ event.CountResult
//
// Counts and tallies are records, not evidence: a count may last all day, and survives a restart.
// The package has no items of its own; it asks a [Site] about them when a count is closed.
package stocktake
