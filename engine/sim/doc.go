// Package sim is a shop that does not exist: a seeded, deterministic simulator of people, goods and
// readers that knows what really happened.
//
// It gives demonstrations a realistic day, and tests a truth to hold conclusions against:
//
//	s, err := sim.New(sim.Demo(7, sim.DayStart, 10*time.Hour))
//	for {
//		step, ok := s.Next()      // what reaches the server, in that order
//		if !ok {
//			break
//		}
//		for _, e := range sim.Entries(step) { ... engine.Machine ... }
//	}
//	truth := s.Truth()                // where every item was, who left without paying, ...
//
// # The shop
//
// Umberhithe Books is an invented bookshop on two floors: front tables, shelves A to F, a
// children's room, a stockroom, a café, a till, a street door and a receiving bay. Layout,
// ProductsCSV and Rules are its documents; every GTIN is under the prefix 952, which GS1 keeps for
// examples.
//
// # What is modelled
//
//	people                         goods                       readers                        network
//	customers browse, pick, pay,   rest in a zone, are         hear what is in range by       delays, late batches that
//	put back, turn back, leave;  ▶ carried, are outside;     ▶ path loss, antenna pattern,  ▶ overtake, late sales       ▶ Step
//	staff refill, tidy, receive    paid or not                 shadowing, fading, misses
//	                  └──────────────── Truth ◀──┘
//
// Readers miss tags, hear the zone next door, start with wrong clocks and are limited in speed;
// tags in session S1 keep quiet once read, whichever reader read them. The door hears goods that
// are displayed near it all day. Radio documents the formula and where its values come from. Left
// out: walls and bodies in the way other than the carrier's, reflections that stay the same for a
// place, collisions beyond the miss rate, tags on tags in a pile.
//
// # Determinism
//
// Equal configurations give equal runs, byte for byte on one kind of machine: time is simulated,
// all chance comes from seeded generators, and nothing depends on the order of a map. People,
// goods, radio and network draw from streams of their own, so that the truth is the same whatever
// the radio model; with Radio.Off a day takes about a second and has only events and truth. The
// package does no I/O and starts no goroutines.
//
// # Use
//
// It is for tests, measurements and demonstrations. Its rates are invented; that rules do well here
// says nothing about a shop that exists, where the readers' own measurements count.
package sim
