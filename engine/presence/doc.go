// Package presence decides from noisy reads where items are and what went through a door.
//
// [Site] is handed every read, and notifies what it concludes. Which zone has an item follows from
// traces (traces.go); how the readers do, and which of them say nothing because they are deaf, from
// their reports (readers.go).
//
// A door is an exit zone that read points with the role portal look at. For each item that a door
// hears an [Approach] keeps the last half minute in slots of a quarter of a second: how strongly
// each side heard it, and in which moments of the slot. From an approach, from what the readers
// inside heard of the item meanwhile, and from where the item was known to be, [Judge] computes a
// [Belief]: how likely the item is at rest, in the room, in the doorway, or past it.
//
//	reads of the door ──▶ Approach (slots) ──┐
//	reads inside      ──▶ Inside (epochs)  ──┼──▶ Judge ──▶ Belief ──▶ likely, sure, back again
//	known place       ──▶ Start            ──┤
//	usual levels      ──▶ Usual            ──┘
//
// The belief is a forward filter over thirteen states along the way through the door (the model of
// Tran et al., "Probabilistic inference over RFID streams", ICDE 2009, and Baba et al., "Learning-
// based cleansing for indoor RFID data", SIGMOD 2016, with a state space of one door). It is
// computed anew from the slots whenever it is needed, so late reads count where they belong, and a
// worker that loads a site has the same belief as the one before it.
//
// All arithmetic is on integers: the same reads give the same belief on every machine. The tables
// are counted on simulated doors whose truth is known; tables.go says on which.
package presence
