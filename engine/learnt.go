package engine

import (
	"lintel/engine/epc"
	"lintel/engine/presence"
)

// Learnt is what a site has learnt, over longer than evidence lasts, that bears on passages through
// one door: the habits of readers, by read point, and what the door usually hears of items.
type Learnt struct {
	Door    string
	Readers map[string]presence.Habits
	Usual   map[epc.Key]presence.Usual
}

// LearntBy returns what a site has learnt so far of some read points and items.
func LearntBy(s *State, door string, points []string, items []epc.Key) Learnt {
	l := Learnt{door, make(map[string]presence.Habits), make(map[epc.Key]presence.Usual)}
	for _, id := range points {
		l.Readers[id] = s.presence.Habits(s.numbers[id])
	}
	for _, k := range items {
		if i := s.find(k); i >= 0 {
			if u, ok := s.presence.Usual(i, s.numbers[door]); ok {
				l.Usual[k] = u
			}
		}
	}
	return l
}

// Teach has a machine take over what another has learnt. What it does not know is left out.
func (m *Machine) Teach(l Learnt) {
	for id, h := range l.Readers {
		if n := m.numbers[id]; n != 0 {
			m.presence.SetHabits(n, h)
		}
	}
	for k, u := range l.Usual {
		if i, door := m.find(k), m.numbers[l.Door]; i >= 0 && door != 0 {
			m.presence.SetUsual(i, door, u)
		}
	}
}
