package cases

import (
	"fmt"
	"slices"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// A walk through a portal is reads such as a door's two antennas make of goods that are carried
// through at the pace of a person: the near side rises and falls first, the far side after it, and
// for a moment both hear the tag. Nothing in it is left to chance.

// leg is one read of a walk: how long after its beginning, at which side, by how many dB below the
// peak.
type leg struct {
	after int64 // milliseconds
	far   bool
	below float64
}

// through is somebody who walks through in three seconds and a half; each side hears them ten times
// a second. The middle of the door is between the two sides' loudest moments.
var through = func() (legs []leg) {
	const nearest, farther = 1000, 2000 // milliseconds at which each side hears them best
	below := func(after int64, loudest float64) float64 {
		d := (float64(after) - loudest) / 1000
		return 9 * d * d
	}
	for after := int64(0); after <= 3500; after += 100 {
		if db := below(after, nearest); db < 18 {
			legs = append(legs, leg{after, false, db})
		}
		if db := below(after+50, farther); db < 18 {
			legs = append(legs, leg{after + 50, true, db})
		}
	}
	return legs
}()

// back is somebody who comes to the door and turns round: the near side hears all of it, the far
// side the middle, faintly.
var back = func() (legs []leg) {
	for i := range int64(16) {
		away := 16 * float64(max(i-7, 7-i)) / 8
		legs = append(legs, leg{i * 200, false, away})
		if away <= 6 {
			legs = append(legs, leg{i*200 + 100, true, 14 + away})
		}
	}
	return legs
}()

const (
	walkPeak   = -53.0 // dBm
	walkReport = 300   // milliseconds between the reports of a door's reader
)

// walkStep carries items through a portal, or to it and back.
type walkStep struct {
	items []thing
	near  []string // read points of the side where the walk begins
	far   []string
	legs  []leg
	peak  int16
}

var ways = []string{"out", "in", "back"}

func (p *caseParser) walk(key, n *doc.Node) step {
	a := p.args(key, n, "items", "through", "going", "rssi")
	s := &walkStep{items: a.items(), peak: a.level(walkPeak), legs: through}
	at := a.need("through", "name the exit: through: street-door")
	if at == nil {
		return nil
	}
	zone := p.zone(at)
	if zone == "" {
		return nil
	}
	way := "out"
	if g := a.get("going"); g != nil {
		if way = p.word(g, "going"); !slices.Contains(ways, way) {
			p.unknown(g, "nobody goes", ways)
			return nil
		}
	}
	l := p.file.Layout
	var inner, outer, one []string
	for i := range l.ReadPoints {
		r := &l.ReadPoints[i]
		if r.Role != event.Portal || l.Zones[r.Zone].ID != zone {
			continue
		}
		switch r.Side {
		case event.Inner:
			inner = append(inner, r.ID)
		case event.Outer:
			outer = append(outer, r.ID)
		default:
			one = append(one, r.ID)
		}
	}
	switch {
	case len(inner)+len(outer)+len(one) == 0:
		p.At(at, fmt.Sprintf("%s has no portal", zone), "walk goes through zones that read points with the role portal look at")
		return nil
	case len(one) > 0: // it can't tell one side from the other
		s.near, s.far = one, one
	case way == "in":
		s.near, s.far = outer, inner
	default:
		s.near, s.far = inner, outer
	}
	if way == "back" {
		s.legs = back
	}
	return s
}

func (s *walkStep) run(w *world) {
	w.takeAway(s.items)
	w.act()
	begin := w.now
	last := s.legs[len(s.legs)-1].after + walkShift(len(s.items)-1)
	for from := int64(0); from <= last; from += walkReport {
		e := event.Entry{Kind: event.EntryReads}
		for i, t := range s.items {
			for k, g := range s.legs {
				after := g.after + walkShift(i)
				side := s.near
				if g.far {
					side = s.far
				}
				if after < from || after >= from+walkReport || len(side) == 0 {
					continue
				}
				// A bag's tags lie this way and that, so that some are heard a little less well.
				level := s.peak - int16(10*g.below) - int16(10*(i%4))
				w.addRead(&e, side[k%len(side)], "", event.Read{Key: t.tag.Key, Text: t.tag.Text, RSSI: level, N: 1, T: begin + after})
			}
		}
		w.advance(begin + from + walkReport)
		if len(e.Reads) > 0 {
			w.step(&e)
		}
	}
}

// walkShift is by how many milliseconds the i-th item of a bag is read later than the first.
func walkShift(i int) int64 { return int64(i) * 37 % 150 }
