// Command learn counts the tables of package presence on simulated doors, and writes them.
//
//	go run ./engine/sim/learn > engine/presence/tables.go
//
// It uses regimes that are neither held back nor refused, each with the same few seeds. Its output
// depends on nothing else: counts are whole numbers, so the order in which shops end is nothing.
package main

import (
	"bytes"
	"fmt"
	"go/format"
	"math"
	"os"
	"strings"
	"sync"

	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/presence"
	"lintel/engine/sim/doors"
)

// regimes are those of learning: the usual one, and what differs in what a door hears.
var regimes = []string{"base", "hopping", "report-1s", "late", "sums", "strong", "few-people", "rssi-low", "open-front", "phase"}

// seeds are those of learning: nothing is judged by them.
var seeds = []uint64{1, 2, 3, 4}

// counts is what was seen in one or more shops.
type counts struct {
	Move      [presence.States][presence.States]float64
	Both      [presence.LevelBins][presence.LevelBins][presence.States]float64
	Single    [presence.LevelBins][presence.States]float64
	Heard     [2][presence.RunBins][presence.States]float64
	Turns     [2][presence.RunBins][presence.States]float64 // slots of either
	Slots     [2][presence.States]float64                   // of two-sided and of one-sided doors
	Change    [presence.ChangeBins][presence.States]float64
	Epochs    [presence.RunBins][presence.States]float64
	Hit       [presence.RunBins][presence.States]float64
	AllEpochs [presence.States]float64
	Desk      [presence.States]float64
	Motion    [3][presence.Motions][presence.States]float64
	RestBin   [2][presence.LevelBins]float64
	Rest      float64
}

const (
	lag    = 20_000 // ms: a slot is counted when all reads about it are in
	around = 48     // slots before and after a read that are counted
)

// watched is one item at one door.
type watched struct {
	presence.Approach
	item   int
	door   int // in doorNames
	state  int
	silent int
}

type run struct {
	counts
	shop    *doors.Shop
	lay     *layout.Layout
	at      map[[2]int]*watched // by item and door
	all     []*watched          // in the order in which they were first heard
	loud    map[string]*presence.Loud
	hits    map[int]map[int64]bool // by item: seconds in which a fixed reader inside heard it
	desks   map[int]map[int64]bool
	counted int64 // slots up to here
}

var doorNames = []string{"street-door", "lane-door"}

func main() {
	var all counts
	var lock sync.Mutex
	var wait sync.WaitGroup
	slots := make(chan struct{}, 2)
	for _, name := range regimes {
		r, ok := doors.RegimeByName(name)
		if !ok || r.Held || r.DoorSession != "S0" {
			fmt.Fprintf(os.Stderr, "learn: %s is no regime to learn from\n", name)
			os.Exit(1)
		}
		for _, seed := range seeds {
			wait.Go(func() {
				slots <- struct{}{}
				defer func() { <-slots }()
				c := count(r, seed)
				lock.Lock()
				defer lock.Unlock()
				all.add(c)
			})
		}
	}
	wait.Wait()
	all.byPlace()
	src, err := format.Source(write(&all, regimes))
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Stdout.Write(src)
}

func (c *counts) add(o *counts) {
	sum := func(a, b []float64) {
		for k := range a {
			a[k] += b[k]
		}
	}
	for s := range c.Move {
		sum(c.Move[s][:], o.Move[s][:])
	}
	for i := range c.Both {
		for j := range c.Both[i] {
			sum(c.Both[i][j][:], o.Both[i][j][:])
		}
		sum(c.Single[i][:], o.Single[i][:])
	}
	for k := range c.Slots {
		sum(c.Slots[k][:], o.Slots[k][:])
		sum(c.RestBin[k][:], o.RestBin[k][:])
	}
	for k := range c.Change {
		sum(c.Change[k][:], o.Change[k][:])
	}
	for r := range c.Epochs {
		sum(c.Epochs[r][:], o.Epochs[r][:])
		sum(c.Hit[r][:], o.Hit[r][:])
		for k := range c.Heard {
			sum(c.Heard[k][r][:], o.Heard[k][r][:])
			sum(c.Turns[k][r][:], o.Turns[k][r][:])
		}
	}
	sum(c.AllEpochs[:], o.AllEpochs[:])
	sum(c.Desk[:], o.Desk[:])
	for k := range c.Motion {
		for m := range c.Motion[k] {
			sum(c.Motion[k][m][:], o.Motion[k][m][:])
		}
	}
	c.Rest += o.Rest
}

func count(r doors.Regime, seed uint64) *counts {
	shop, err := doors.New(doors.Config{Regime: r, Seed: seed})
	if err != nil {
		panic(err)
	}
	lay, err := layout.Parse(shop.Layout())
	if err != nil {
		panic(err)
	}
	w := &run{shop: shop, lay: lay, at: map[[2]int]*watched{}, loud: map[string]*presence.Loud{},
		hits: map[int]map[int64]bool{}, desks: map[int]map[int64]bool{}}
	for {
		e, ok := shop.Next()
		if !ok {
			break
		}
		w.take(&e)
	}
	return &w.counts
}

func (w *run) take(e *event.Entry) {
	for _, r := range e.Reads {
		i, ok := w.shop.Truth().ItemByKey(r.Key)
		if !ok {
			continue
		}
		k, _ := w.lay.ReadPointIndex(e.Points[r.Point])
		p := &w.lay.ReadPoints[k]
		switch p.Role {
		case event.Portal:
			door := 0
			if w.lay.Zones[p.Zone].ID == doorNames[1] {
				door = 1
			}
			b := w.at[[2]int{i, door}]
			if b == nil {
				b = &watched{item: i, door: door, state: -1}
				w.at[[2]int{i, door}] = b
				w.all = append(w.all, b)
			}
			side := presence.Inner
			if p.Side == event.Outer {
				side = presence.Outer
			}
			level := int8(presence.NoLevel)
			if r.RSSI != event.NoRSSI {
				level = int8((int(r.RSSI) - 5) / 10)
			}
			b.Hear(side, r.T, level, r.N, presence.EchoOf(&r, 0))
		case event.Fixed:
			note(w.hits, i, r.T/1000)
		case event.Desk:
			note(w.desks, i, r.T/1000)
		}
	}
	for until := presence.SlotOf(e.At - lag); w.counted < until; {
		if w.counted == 0 {
			w.counted = until - 1
		}
		w.counted++
		w.slot(w.counted)
	}
}

func note(m map[int]map[int64]bool, i int, sec int64) {
	if m[i] == nil {
		m[i] = map[int64]bool{}
	}
	m[i][sec] = true
}

func (w *run) slot(k int64) {
	truth := w.shop.Truth()
	ms := k*presence.SlotMs + presence.SlotMs/2
	for _, b := range w.all {
		door := doorNames[b.door]
		if !b.HeardIn(k-around, k+around) {
			if b.state >= 0 {
				w.ended(b, b.door)
			}
			b.state = -1
			continue
		}
		s := stateOf(w.shop, door, truth.Where(b.item, ms-presence.SlotMs/2), truth.Where(b.item, ms),
			truth.Where(b.item, ms+presence.SlotMs/2))
		if b.state >= 0 {
			w.Move[b.state][s]++
		}
		b.state = s
		o := b.Observe(k, w.level(b.door))
		run := presence.RunBin(b.silent)
		w.Turns[b.door][run][s]++
		b.silent++
		if o.Heard {
			b.silent = 0
			w.Heard[b.door][run][s]++
			w.Slots[b.door][s]++
			if b.door == 0 {
				w.Both[o.Inner][o.Outer][s]++
			} else {
				w.Single[o.Inner][s]++
			}
		}
		for _, c := range o.Changes {
			if c >= 0 {
				w.Change[c][s]++
			}
		}
		for side, m := range o.Motions {
			if m != 0 {
				w.Motion[side+2*b.door][m][s]++
			}
		}
		if s == presence.AtRest && b.door == 0 {
			w.Rest++
			w.RestBin[0][o.Inner]++
			w.RestBin[1][o.Outer]++
		}
		if sec := ms / 1000; (ms+presence.SlotMs)/1000 != sec {
			n := 0
			for n < 16 && !w.hits[b.item][sec-1-int64(n)] {
				n++
			}
			w.AllEpochs[s]++
			w.Epochs[presence.RunBin(n)][s]++
			if w.hits[b.item][sec] {
				w.Hit[presence.RunBin(n)][s]++
			}
			if w.desks[b.item][sec] {
				w.Desk[s]++
			}
		}
	}
}

func (w *run) level(door int) (l [2]int8) {
	for side := range l {
		l[side] = w.ref(door, side).Level()
	}
	return l
}

func (w *run) ref(door, side int) *presence.Loud {
	key := fmt.Sprint(door, side)
	if w.loud[key] == nil {
		w.loud[key] = &presence.Loud{}
	}
	return w.loud[key]
}

// ended learns the peak of an approach of goods that were carried.
func (w *run) ended(b *watched, door int) {
	sum := b.Summary(b.Newest())
	if w.shop.Truth().Where(b.item, b.Newest()*presence.SlotMs).Zone != "" {
		return
	}
	for side, peak := range sum.Peak {
		if peak != presence.NoLevel && sum.Slots[side] >= 3 {
			w.ref(door, side).Add(peak)
		}
	}
}

// outward is how far what is on its way out comes in a slot, m.
const outward = 0.1

func stateOf(shop *doors.Shop, door string, before, p, after doors.Place) int {
	if p.Away {
		return presence.Gone
	}
	if !p.Carried {
		return presence.AtRest
	}
	d, a := shop.Beyond(door, p), math.Abs(shop.Aside(door, p))
	r := math.Hypot(d, max(0, a-0.9))
	way := 1
	if before.Carried && after.Carried && shop.Beyond(door, after)-shop.Beyond(door, before) >= outward {
		way = 0
	}
	switch {
	case d < -0.5 && r > 3:
		return presence.Deep
	case d < -0.5 && r > 1.5:
		return presence.RoomOut + way
	case d < -0.5:
		return presence.NearOut + way
	case d <= 0.5:
		return presence.DoorwayOut + way
	case r > 3.5:
		return presence.Gone
	case r > 1.5:
		return presence.OutsideOut + way
	}
	return presence.StepOut + way
}

// byPlace counts what depends on where goods are alone for both ways of moving there.
func (c *counts) byPlace() {
	both := func(n *[presence.States]float64) {
		for s := presence.RoomOut; s < presence.Gone; s += 2 {
			n[s] += n[s+1]
			n[s+1] = n[s]
		}
	}
	for i := range c.Both {
		for j := range c.Both[i] {
			both(&c.Both[i][j])
		}
		both(&c.Single[i])
	}
	for k := range c.Heard {
		both(&c.Slots[k])
		for r := range c.Heard[k] {
			both(&c.Heard[k][r])
			both(&c.Turns[k][r])
		}
	}
	for r := range c.Hit {
		both(&c.Epochs[r])
		both(&c.Hit[r])
	}
	both(&c.AllEpochs)
	both(&c.Desk)
}

// write turns counts into the tables: likelihoods to a power below one, since what adjoining slots
// say is not independent.
func write(c *counts, names []string) []byte {
	const one = 1 << 12
	var b bytes.Buffer
	fmt.Fprintf(&b, "// Code generated by go run ./engine/sim/learn; DO NOT EDIT.\n\npackage presence\n\n")
	fmt.Fprintf(&b, "// The tables are counted on the regimes %s, seeds %v.\n", strings.Join(names, ", "), seeds)
	fmt.Fprintf(&b, "var tables = counted{\n")
	like := func(n, of, power float64, classes float64) int {
		return max(1, int(math.Round(one*math.Pow((n+2/classes)/(of+2), power))))
	}
	row := func(f func(s int) int) string {
		var cells []string
		for s := range presence.States {
			cells = append(cells, fmt.Sprint(f(s)))
		}
		return "{" + strings.Join(cells, ", ") + "}"
	}
	fmt.Fprintf(&b, "move: [States][States]uint16{\n")
	for s := range c.Move {
		var of float64
		for _, n := range c.Move[s] {
			of += n
		}
		fmt.Fprintf(&b, "%s,\n", row(func(to int) int { return min(65535, int(65535*c.Move[s][to]/max(1, of))) }))
	}
	fmt.Fprintf(&b, "},\nboth: [levelBins][levelBins][States]uint32{\n")
	for i := range c.Both {
		fmt.Fprintf(&b, "{\n")
		for j := range c.Both[i] {
			fmt.Fprintf(&b, "%s,\n", row(func(s int) int { return like(c.Both[i][j][s], c.Slots[0][s], emission, 36) }))
		}
		fmt.Fprintf(&b, "},\n")
	}
	fmt.Fprintf(&b, "},\nsingle: [levelBins][States]uint32{\n")
	for i := range c.Single {
		fmt.Fprintf(&b, "%s,\n", row(func(s int) int { return like(c.Single[i][s], c.Slots[1][s], emission, 6) }))
	}
	fmt.Fprintf(&b, "},\nheard: [2][runBins][States]uint32{\n")
	for k := range c.Heard {
		fmt.Fprintf(&b, "{\n")
		for r := range c.Heard[k] {
			fmt.Fprintf(&b, "%s,\n", row(func(s int) int {
				return rate(c.Heard[k][r][s], c.Turns[k][r][s], over(&c.Heard[k], s), over(&c.Turns[k], s))
			}))
		}
		fmt.Fprintf(&b, "},\n")
	}
	fmt.Fprintf(&b, "},\nrest: [2][levelBins]uint32{\n")
	for side := range c.RestBin {
		fmt.Fprintf(&b, "{")
		for k, n := range c.RestBin[side] {
			if k > 0 {
				fmt.Fprintf(&b, ", ")
			}
			fmt.Fprintf(&b, "%d", like(n, c.Rest, 1, 6))
		}
		fmt.Fprintf(&b, "},\n")
	}
	fmt.Fprintf(&b, "},\nchange: [changeBins][States]uint32{\n")
	var of [2][presence.States]float64
	for k := range c.Change {
		for s, n := range c.Change[k] {
			of[k/3][s] += n
		}
	}
	for k := range c.Change {
		fmt.Fprintf(&b, "%s,\n", row(func(s int) int { return like(c.Change[k][s], of[k/3][s], change, 3) }))
	}
	fmt.Fprintf(&b, "},\nmotion: [3][Motions][States]uint32{\n")
	for k := range c.Motion {
		var of [presence.States]float64
		for _, m := range c.Motion[k] {
			for s, n := range m {
				of[s] += n
			}
		}
		fmt.Fprintf(&b, "{\n")
		for m := range c.Motion[k] {
			fmt.Fprintf(&b, "%s,\n", row(func(s int) int { return like(c.Motion[k][m][s], of[s], motion, 15) }))
		}
		fmt.Fprintf(&b, "},\n")
	}
	fmt.Fprintf(&b, "},\nhit: [runBins][States]uint32{\n")
	for r := range c.Hit {
		fmt.Fprintf(&b, "%s,\n", row(func(s int) int { return rate(c.Hit[r][s], c.Epochs[r][s], over(&c.Hit, s), over(&c.Epochs, s)) }))
	}
	fmt.Fprintf(&b, "},\ndesk: [States]uint32%s,\n}\n", row(func(s int) int { return like(c.Desk[s], c.AllEpochs[s], 1, 2) }))
	return b.Bytes()
}

// What adjoining slots say is not independent: their likelihoods count to powers below one.
const (
	emission = 0.75 // root[p]*root[root[p]] in package presence is the same power
	change   = 0.5
	motion   = 0.5
)

func over(runs *[presence.RunBins][presence.States]float64, s int) (n float64) {
	for r := range runs {
		n += runs[r][s]
	}
	return n
}

// rate is a share where little was seen of one class: as much again as 20 of all classes together.
func rate(n, of, all, ofAll float64) int {
	const weight = 20
	return max(1, int(math.Round(1<<12*(n+weight*(all+0.01)/(ofAll+1))/(of+weight))))
}
