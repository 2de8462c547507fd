// Package doors simulates a small shop with two doors, in named regimes of radio, readers, network
// and people.
//
// Where engine/sim gives a demonstration its day, this package gives conclusions at doors something
// hard to be held against. Its radio is a field in space: the direct ray, the ray that the floor
// reflects and plane waves from all directions add up to a fading that belongs to the place, lasts
// for as long as nothing moves, and goes through nulls along a carried tag's way. Bodies absorb,
// antennas of one reader take turns, tags keep quiet by their session, readers report in batches.
// Each Regime turns some of this another way.
//
//	s, err := doors.New(doors.Config{Regime: doors.Regimes()[0], Seed: 1})
//	for {
//		entry, ok := s.Next()   // what the server would append to its journal, in order of receipt
//		if !ok {
//			break
//		}
//		...
//	}
//	truth := s.Truth()          // who crossed which door with what, and where everything was
//
// # Determinism
//
// Equal configurations give equal entries on one kind of machine. Time is simulated, and people,
// field, radio and network draw from streams of their own.
//
// # Regimes that are held out
//
// A Regime with Held set must not be used to fit or choose anything: it is looked at in a final
// judgement only. Seeds from 101 on are for reports: fit on others.
package doors
