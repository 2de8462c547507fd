package measure

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/sim/doors"
)

// over is a shop whose day is over.
var over = sync.OnceValue(func() *doors.Shop {
	r, _ := doors.RegimeByName("base")
	s, err := doors.New(doors.Config{Regime: r, Seed: 7, WarmUp: 5 * time.Second, Length: 150 * time.Second, Every: 2 * time.Second})
	if err != nil {
		panic(err)
	}
	for {
		if _, ok := s.Next(); !ok {
			return s
		}
	}
})

func played() (*doors.Shop, *part) {
	s := over()
	return s, &part{from: s.Truth().Start + s.WarmUp().Milliseconds(), until: s.Truth().Until}
}

func sums(o *tally) score {
	var s score
	for _, door := range []string{twoSides, oneSide} {
		s.add(o.sum("", door))
	}
	return s
}

// Who knows the truth and says it three seconds after each unpaid exit has found all, nothing
// within two seconds, and cried wolf never.
func TestJudgeOfTheTruth(t *testing.T) {
	s, p := played()
	tr := s.Truth()
	for _, c := range tr.Crossings {
		way := event.DirectionIn
		if c.Out {
			way = event.DirectionOut
		}
		p.said[core].passages = append(p.said[core].passages, passage{c.Item, c.At + 500, c.Door, way, false})
		if c.Out && !c.Paid && tr.Items[c.Item].Own {
			p.said[core].alerts = append(p.said[core].alerts, raised{c.Item, c.At + 3000}, raised{c.Item, c.At + 9000})
		}
	}
	p.judge(s, core)
	o := &p.score[core]
	got := sums(o)
	require.Greater(t, got.exits, 20)
	require.Equal(t, [len(within)]int{0, got.exits, got.exits, got.exits}, got.found)
	require.Equal(t, got.exits, got.hints)
	require.Equal(t, got.bags, got.bagsFound)
	require.Greater(t, got.others, 60)
	require.Zero(t, got.wrong)
	require.Zero(t, got.visitsWrong)
	require.Less(t, got.visits, got.others)
	require.Equal(t, [2]int{}, o.rest)
	require.Equal(t, o.direction[0], o.direction[1])
	for _, d := range got.delays {
		require.Equal(t, 3.0, d)
	}
}

// Every alert that has nothing to do with an exit is counted where it belongs, and once.
func TestJudgeOfUntruths(t *testing.T) {
	s, p := played()
	tr := s.Truth()
	say := func(i int, at int64) { p.said[core].alerts = append(p.said[core].alerts, raised{i, at}) }
	turned, guests, stood := 0, 0, 0
	for _, v := range tr.Visits {
		if v.To > p.until {
			continue
		}
		switch {
		case v.Kind == "turnback":
			for _, i := range v.Items {
				say(i, v.From+1000)
				say(i, v.To-500) // the same passage
				turned++
			}
		case v.Kind == "guest":
			say(v.Items[0], v.To-1000)
			guests++
		case v.Kind == "stand" && !v.CrossedOut:
			say(v.Items[0], v.To-2000)
			stood++
		}
	}
	require.Positive(t, turned)
	require.Positive(t, guests)
	require.Positive(t, stood)
	early, late := 0, 0 // sales that the server hears of in time, and not
	for _, c := range tr.Crossings {
		if !c.Paid || !c.Out || c.At+100 > p.until {
			continue
		}
		say(c.Item, c.At+100)
		if c.Told == 0 || c.Told > c.At+100 {
			late++
		} else {
			early++
		}
	}
	require.Positive(t, early)
	require.Positive(t, late)
	still := 0
	for i := range tr.Items {
		if w := tr.Where(i, p.until-1); still < 5 && w.Zone == "shelf-a" && w.Since == tr.Start {
			say(i, p.from+1000)
			say(i, p.from+60_000)
			still++
		}
	}
	require.Equal(t, 5, still)
	p.judge(s, core)
	o := &p.score[core]
	got := sums(o)
	require.Equal(t, turned+guests+stood+early, got.wrong)
	require.Equal(t, stood, got.stoodWrong)
	require.LessOrEqual(t, got.pastWrong, got.past)
	require.Equal(t, [2]int{10, 10}, o.rest, "shelf A is far from any door")
	require.Zero(t, got.found[last])
}
