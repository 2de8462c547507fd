package passages

import (
	"math"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/presence"
)

const habitUnits = 64 // of presence.Habits, in tags and dBm

// Learnt takes what the site has learnt of what is in the document.
func (r *Recorder) Learnt(st *engine.State) {
	keys := make([]epc.Key, len(r.index))
	for k, n := range r.index {
		keys[n] = k
	}
	l := engine.LearntBy(st, r.p.Door, r.p.Points, keys)
	r.p.Learnt = make([]Learnt, len(r.p.Points))
	for i, id := range r.p.Points {
		h := l.Readers[id]
		x := Learnt{
			Rhythm: seconds(h.Rhythm), Every: seconds(h.Every), Lag: seconds(h.Lag),
			Load: float64(h.Load) / habitUnits, Own: float64(h.Own) / habitUnits, Loud: []int{},
		}
		for k := range h.Loud.Peaks { // the oldest first
			if dbm := h.Loud.Peaks[(int(h.Loud.Next)+k)%len(h.Loud.Peaks)]; dbm != 0 {
				x.Loud = append(x.Loud, int(dbm))
			}
		}
		r.p.Learnt[i] = x
	}
	for n, k := range keys {
		if u, ok := l.Usual[k]; ok {
			slots, level := u.Levels()
			r.p.known(n).Usual = &Usual{int(slots), whole(level[presence.Inner]), whole(level[presence.Outer])}
		}
	}
}

func seconds(ms int64) float64 { return float64(ms) / 1000 }

func whole(level [presence.UsualClasses]uint8) []int {
	list := make([]int, len(level))
	for k, n := range level {
		list[k] = int(n)
	}
	return list
}

// learnt returns what the document says was learnt.
func (p *Passage) learnt(tags []event.Tag) engine.Learnt {
	l := engine.Learnt{Door: p.Door, Readers: make(map[string]presence.Habits), Usual: make(map[epc.Key]presence.Usual)}
	ms := func(s float64) int64 { return int64(math.Round(1000 * s)) }
	units := func(v float64) int64 { return int64(math.Round(habitUnits * v)) }
	for i, x := range p.Learnt {
		h := presence.Habits{Rhythm: ms(x.Rhythm), Every: ms(x.Every), Lag: ms(x.Lag), Load: units(x.Load), Own: units(x.Own)}
		for _, dbm := range x.Loud {
			h.Loud.Add(int8(dbm))
		}
		l.Readers[p.Points[i]] = h
	}
	until := presence.SlotOf(p.Notified.At.Add(Around).UnixMilli()) // what the document holds was learnt from
	for k, tag := range tags {
		u := p.known(k).Usual
		if u == nil {
			continue
		}
		var level [2][presence.UsualClasses]uint8
		for side, list := range [...][]int{presence.Inner: u.Inner, presence.Outer: u.Outer} {
			for q, n := range list {
				level[side][q] = uint8(n)
			}
		}
		l.Usual[tag.Key] = presence.NewUsual(uint16(u.Slots), level, until)
	}
	return l
}
