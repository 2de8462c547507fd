package measure

import (
	"math"
	"slices"

	"lintel/engine/event"
	"lintel/engine/sim/doors"
)

// within are the times after a crossing that recall is reported for, in milliseconds.
var within = [...]int64{2000, 4000, 6000, 10_000}

const (
	last    = len(within) - 1
	afterMs = 60_000 // an alert this long after an exit is still about it, though too late
	trailMs = 15_000 // and one this long after a visit about the visit
)

// early is how long before the crossing an alert may come and be about it: as long as those people
// spend in the doorway.
func early(kind string) int64 {
	switch kind {
	case "stand":
		return 25_000
	case "dawdle":
		return 10_000
	case "trolley":
		return 8_000
	}
	return 5_000
}

// score counts what a method made of a set of passages.
type score struct {
	exits, heard int // unpaid; of which a door heard at least three times
	found        [len(within)]int
	heardFound   int // within the last of the times
	hints        int // with a fact of a passage out within the first of them
	bags         int
	bagsFound    int
	others       int // other passages
	wrong        int // of which with an alert
	visits       int // of other passages, each once
	visitsWrong  int
	stood        int // of others: stood in the doorway and went back
	stoodWrong   int
	past         int // of those: goods held out over the threshold
	pastWrong    int
	delays       []float64 // seconds from crossing to alert
}

func (s *score) add(o *score) {
	for _, p := range [][2]*int{
		{&s.exits, &o.exits}, {&s.heard, &o.heard}, {&s.heardFound, &o.heardFound}, {&s.hints, &o.hints},
		{&s.bags, &o.bags}, {&s.bagsFound, &o.bagsFound}, {&s.others, &o.others}, {&s.wrong, &o.wrong},
		{&s.stood, &o.stood}, {&s.stoodWrong, &o.stoodWrong}, {&s.past, &o.past}, {&s.pastWrong, &o.pastWrong},
		{&s.visits, &o.visits}, {&s.visitsWrong, &o.visitsWrong},
	} {
		*p[0] += *p[1]
	}
	for k := range s.found {
		s.found[k] += o.found[k]
	}
	s.delays = append(s.delays, o.delays...)
}

// slot is a kind of people at a door.
type slot struct{ kind, door string }

// tally is what a method made of one shop, or of several.
type tally struct {
	slots     map[slot]*score
	rest      [2]int // alerts about goods at rest: all, and with nothing near a door
	direction [2]int // right, of those there was a crossing for
}

func (t *tally) at(kind, door string) *score {
	if t.slots == nil {
		t.slots = map[slot]*score{}
	}
	k := slot{kind, door}
	if t.slots[k] == nil {
		t.slots[k] = &score{}
	}
	return t.slots[k]
}

func (t *tally) add(o *tally) {
	for k, s := range o.slots {
		t.at(k.kind, k.door).add(s) // the order of the map changes only that of delays, which are sorted later
	}
	for k := range 2 {
		t.rest[k] += o.rest[k]
		t.direction[k] += o.direction[k]
	}
}

// judge compares what a method said with what happened.
func (p *part) judge(shop *doors.Shop, which int) {
	t, m, out := shop.Truth(), &p.said[which], &p.score[which]
	alerts := make([][]int64, len(t.Items))
	for _, a := range m.alerts {
		alerts[a.item] = append(alerts[a.item], a.at)
	}
	passages := make([][]passage, len(t.Items))
	for _, x := range m.passages {
		passages[x.item] = append(passages[x.item], x)
	}
	type pair struct{ visit, item int }
	exits := map[pair]bool{} // with an unpaid exit: no other passages
	bags := map[int]bool{}
	used := make([][]bool, len(t.Items))
	for i := range alerts {
		slices.Sort(alerts[i])
		used[i] = make([]bool, len(alerts[i]))
	}
	lastAt := p.until - 12_000 // what crosses later can't be judged
	for _, c := range t.Crossings {
		if !c.Out {
			continue
		}
		lo, hi := c.At-early(c.Kind), c.At+afterMs
		if c.Paid {
			for k, at := range alerts[c.Item] {
				if at >= lo && at <= hi && (c.Told == 0 || at < c.Told) {
					used[c.Item][k] = true // nobody could know
				}
			}
			continue
		}
		if !t.Items[c.Item].Own {
			continue
		}
		exits[pair{c.Visit, c.Item}] = true
		said := math.Inf(1)
		for k, at := range alerts[c.Item] {
			if at >= lo && at <= hi && !used[c.Item][k] {
				used[c.Item][k] = true
				said = min(said, float64(at-c.At)/1000)
			}
		}
		if c.At > lastAt || c.At < p.from {
			continue
		}
		s := out.at(c.Kind, c.Door)
		s.exits++
		for k, w := range within {
			if said*1000 <= float64(w) {
				s.found[k]++
			}
		}
		ok := said*1000 <= float64(within[last])
		if ok {
			s.delays = append(s.delays, said)
		}
		if c.Heard >= 3 {
			s.heard++
			if ok {
				s.heardFound++
			}
		}
		if slices.ContainsFunc(passages[c.Item], func(x passage) bool {
			return x.way == event.DirectionOut && x.at >= lo && x.at <= c.At+within[0]
		}) {
			s.hints++
		}
		if found, known := bags[c.Visit]; !known || ok && !found {
			if !known {
				s.bags++
			}
			if ok {
				s.bagsFound++
			}
			bags[c.Visit] = ok
		}
	}

	// What is left is false. It belongs to the visit that the item was part of, or to none.
	visits := make([][]int, len(t.Items))
	for k := range t.Visits {
		v := &t.Visits[k]
		counted := false
		for _, i := range v.Items {
			visits[i] = append(visits[i], k)
			if v.Door == "" || v.To > p.until || exits[pair{v.ID, i}] {
				continue
			}
			s := out.at(v.Kind, v.Door)
			s.others++
			if !counted {
				counted = true
				s.visits++
			}
			if v.Kind == "stand" {
				s.stood++
				if v.Deepest > 0 {
					s.past++
				}
			}
		}
	}
	blamed := map[pair]bool{}
	blamedVisits := map[int]bool{}
	for i := range alerts {
		for k, at := range alerts[i] {
			if used[i][k] || at < p.from || at > p.until {
				continue
			}
			var v *doors.Visit
			for _, n := range visits[i] {
				if x := &t.Visits[n]; at >= x.From-1000 && at <= x.To+trailMs {
					v = x
				}
			}
			if v == nil || v.Door == "" || exits[pair{v.ID, i}] { // the last: long before it was at the door
				out.rest[0]++
				if w := t.Where(i, at); !shop.Near(w) {
					out.rest[1]++
				}
				continue
			}
			if blamed[pair{v.ID, i}] || v.To > p.until {
				continue
			}
			blamed[pair{v.ID, i}] = true
			s := out.at(v.Kind, v.Door)
			s.wrong++
			if !blamedVisits[v.ID] {
				blamedVisits[v.ID] = true
				s.visitsWrong++
			}
			if v.Kind == "stand" {
				s.stoodWrong++
				if v.Deepest > 0 {
					s.pastWrong++
				}
			}
		}
	}

	crossings := make([][]int, len(t.Items))
	for k := range t.Crossings {
		crossings[t.Crossings[k].Item] = append(crossings[t.Crossings[k].Item], k)
	}
	for _, x := range m.passages {
		if x.likely {
			continue
		}
		best := int64(trailMs)
		right := -1
		for _, k := range crossings[x.item] {
			c := &t.Crossings[k]
			if d := max(c.At-x.at, x.at-c.At); c.Door == x.door && d < best {
				best, right = d, 0
				if c.Out == (x.way == event.DirectionOut) && x.way != event.DirectionUnsure {
					right = 1
				}
			}
		}
		if right >= 0 && x.at >= p.from {
			out.direction[0] += right
			out.direction[1]++
		}
	}
}
