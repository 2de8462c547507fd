package walktest

import (
	"fmt"
	"math"
	"slices"
	"time"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// What the proposals go by. Common practice, no source.
const (
	enough       = 3               // reads of a passage below which nothing can be said of its direction
	good         = 5               // reads of a passage below which power should be raised
	margin       = 30              // tenths of a dB that a floor stays below the weakest passage
	parted       = 3               // dB by which the difference of the sides must change through a passage
	slack        = 2 * time.Second // beyond the last read and two reports
	shownOthers  = 50
	shortestSure = 2 * time.Second
	longestSure  = 10 * time.Second
)

// Result is what the test found.
type Result struct {
	Door     string       `json:"door" jsonschema_description:"Id of the door's zone."`
	TwoSided bool         `json:"two_sided" jsonschema_description:"Whether the door has an inner and an outer side."`
	Rhythm   *float64     `json:"report_interval_seconds,omitempty" jsonschema_description:"Median distance between the entries that the door's readers sent, seconds; left out where fewer than two came."`
	Passages int          `json:"passages" jsonschema_description:"Tags carried through the door: tags times walks out and in."`
	Heard    int          `json:"passages_heard" jsonschema_description:"How many of them the door heard at least 3 times."`
	Parts    *float64     `json:"sides_part_db,omitempty" jsonschema_description:"Median, over the passages, of how far the difference between the sides changes from the first to the last third, dB."`
	Walks    []WalkResult `json:"walks" jsonschema_description:"In the order of the request."`
	Others   []Other      `json:"others" jsonschema_description:"Other tags that the door heard meanwhile, strongest first; at most 50."`
	Nearby   int          `json:"others_heard" jsonschema_description:"How many other tags the door heard."`
	Proposal Proposal     `json:"proposal"`
	Remarks  []string     `json:"remarks" jsonschema_description:"What stands out, in words."`
}

// WalkResult is what was heard in one walk.
type WalkResult struct {
	From time.Time   `json:"from"`
	To   time.Time   `json:"to"`
	What string      `json:"what" jsonschema:"enum=out,enum=in,enum=along,enum=still"`
	Tags []TagResult `json:"tags" jsonschema_description:"In the order of the request."`
}

// TagResult is what was heard of one tag in one walk.
type TagResult struct {
	Tag        string     `json:"tag" jsonschema_description:"As in the request."`
	Inner      *SideHeard `json:"inner,omitempty" jsonschema_description:"What the inner side heard; left out where it heard nothing."`
	Outer      *SideHeard `json:"outer,omitempty"`
	Both       *SideHeard `json:"both,omitempty" jsonschema_description:"What antennas heard that see both sides."`
	Inside     int        `json:"inside_reads" jsonschema_description:"Reads by fixed read points inside the shop."`
	FirstThird *float64   `json:"first_third_db,omitempty" jsonschema_description:"Median level of the inner side less that of the outer side, from the first read to the last, in the first third; dB. A side that heard nothing there counts with the weakest level that it heard in the test."`
	LastThird  *float64   `json:"last_third_db,omitempty"`
	LongestGap *float64   `json:"longest_gap_seconds,omitempty" jsonschema_description:"Longest time between two reads by the door."`
}

// SideHeard is what one side of the door heard.
type SideHeard struct {
	Reads int      `json:"reads"`
	Peak  *float64 `json:"peak_dbm,omitempty" jsonschema_description:"Left out where the reader reports no level."`
}

// Other is a tag that was not carried and that the door heard meanwhile.
type Other struct {
	Tag    string   `json:"tag"`
	Reads  int      `json:"reads"`
	Peak   *float64 `json:"peak_dbm,omitempty"`
	Median *float64 `json:"median_dbm,omitempty"`
}

// Proposal is what the layout, and the reader, could be set to.
type Proposal struct {
	MinRSSI    *float64 `json:"min_rssi,omitempty" jsonschema_description:"For the door's read points, dBm; left out where no floor keeps goods nearby out and passages in, or none is needed."`
	SureWithin string   `json:"sure_within,omitempty" jsonschema:"example=6s" jsonschema_description:"For the door's zone; left out where no passage was heard, or the zone is no exit."`
	Power      string   `json:"power,omitempty" jsonschema:"enum=lower,enum=raise" jsonschema_description:"What to do with the reader's power; left out: leave it."`
}

// Result judges what was heard.
func (t *Test) Result() Result {
	res := Result{Door: t.lay.Zones[t.zone].ID, Walks: make([]WalkResult, 0, len(t.walks)), Others: []Other{}, Remarks: []string{}}
	inner, outer := false, false
	for _, side := range t.side {
		inner, outer = inner || side == event.Inner, outer || side == event.Outer
	}
	res.TwoSided = inner && outer
	if len(t.gaps) > 0 {
		res.Rhythm = new(quantile(t.gaps, 0.5) / 1000)
	}
	t.tidy()
	weakestOf := t.weakest()
	var f findings
	for w, walk := range t.walks {
		out := WalkResult{From: time.UnixMilli(walk.From).UTC(), To: time.UnixMilli(walk.To).UTC(), What: walk.What,
			Tags: make([]TagResult, 0, len(t.tags))}
		for k, tag := range t.tags {
			p := &t.heard[w*len(t.tags)+k]
			one := p.result(tag.Name)
			if res.TwoSided {
				one.FirstThird, one.LastThird = p.thirds(weakestOf)
			}
			out.Tags = append(out.Tags, one)
			f.take(walk.What, p, &one)
		}
		res.Walks = append(res.Walks, out)
	}
	res.Passages, res.Heard = len(f.reads), 0
	for _, n := range f.reads {
		if n >= enough {
			res.Heard++
		}
	}
	if len(f.swings) > 0 {
		res.Parts = new(round(quantile(f.swings, 0.5)))
	}
	t.listOthers(&res, &f)
	t.propose(&res, &f)
	return res
}

// findings are what the proposals are made of.
type findings struct {
	reads  []int     // of each passage
	swings []float64 // how far the sides part in each passage, dB
	levels []int16   // of each passage heard often enough: the level that a floor may not pass
	tails  []int64   // from the middle of each passage to its last read
	inside int       // reads by fixed read points, in all walks
	rest   []int16   // peak levels of what lay near the door
}

func (f *findings) take(what string, p *passage, r *TagResult) {
	f.inside += p.inside
	if what == Still {
		if level, ok := p.peak(); ok {
			f.rest = append(f.rest, level)
		}
	}
	if what != Out && what != In {
		return
	}
	n := p.reads()
	f.reads = append(f.reads, n)
	if n == 0 {
		return
	}
	f.tails = append(f.tails, p.door[len(p.door)-1].t-p.middle())
	if level, ok := p.level(enough); ok {
		f.levels = append(f.levels, level)
	}
	if r.FirstThird != nil && r.LastThird != nil {
		swing := *r.FirstThird - *r.LastThird
		if what == In {
			swing = -swing
		}
		f.swings = append(f.swings, swing)
	}
}

// tidy puts reads in the order of their times; a batch that was sent twice counts once.
func (t *Test) tidy() {
	for i := range t.heard {
		p := &t.heard[i]
		slices.SortFunc(p.door, func(a, b sighting) int {
			if a.t != b.t {
				return int(a.t - b.t)
			}
			if a.side != b.side {
				return int(a.side) - int(b.side)
			}
			if a.rssi != b.rssi {
				return int(a.rssi) - int(b.rssi)
			}
			return int(a.n) - int(b.n)
		})
		p.door = slices.Compact(p.door)
	}
}

// weakest returns the weakest level of each side in the test.
func (t *Test) weakest() (level [3]int16) {
	level = [3]int16{math.MaxInt16, math.MaxInt16, math.MaxInt16}
	for i := range t.heard {
		for _, s := range t.heard[i].door {
			if s.rssi != event.NoRSSI {
				level[s.side] = min(level[s.side], s.rssi)
			}
		}
	}
	return level
}

func (p *passage) reads() (n int) {
	for _, s := range p.door {
		n += int(s.n)
	}
	return n
}

func (p *passage) peak() (int16, bool) { return p.level(1) }

// level returns the level that at least n reads reached.
func (p *passage) level(n int) (int16, bool) {
	list := slices.Clone(p.door)
	slices.SortFunc(list, func(a, b sighting) int { return int(b.rssi) - int(a.rssi) })
	for _, s := range list {
		if s.rssi == event.NoRSSI {
			return 0, false
		}
		if n -= int(s.n); n <= 0 {
			return s.rssi, true
		}
	}
	return 0, false
}

// middle is when the tag was in the door, as far as reads tell: halfway between the mean times of
// the sides, else when it was loudest, else halfway through its reads.
func (p *passage) middle() int64 {
	var sum, n [3]int64
	loudest := p.door[0]
	first := p.door[0].t
	for _, s := range p.door {
		sum[s.side] += s.t - first
		n[s.side]++
		if s.rssi > loudest.rssi {
			loudest = s
		}
	}
	switch {
	case n[event.Inner] > 0 && n[event.Outer] > 0:
		return first + (sum[event.Inner]/n[event.Inner]+sum[event.Outer]/n[event.Outer])/2
	case loudest.rssi != event.NoRSSI:
		return loudest.t
	}
	return (first + p.door[len(p.door)-1].t) / 2
}

func (p *passage) result(tag string) TagResult {
	r := TagResult{Tag: tag, Inside: p.inside}
	for side, to := range map[event.Side]**SideHeard{event.Inner: &r.Inner, event.Outer: &r.Outer, event.SideNone: &r.Both} {
		one := passage{door: slices.DeleteFunc(slices.Clone(p.door), func(s sighting) bool { return s.side != side })}
		if len(one.door) == 0 {
			continue
		}
		*to = &SideHeard{Reads: one.reads()}
		if level, ok := one.peak(); ok {
			(*to).Peak = dBm(level)
		}
	}
	for i := 1; i < len(p.door); i++ {
		if gap := float64(p.door[i].t-p.door[i-1].t) / 1000; r.LongestGap == nil || gap > *r.LongestGap {
			r.LongestGap = new(gap)
		}
	}
	return r
}

// thirds returns the median level of the inner side less that of the outer side in the first and in
// the last third of the time between the first read and the last.
func (p *passage) thirds(weakest [3]int16) (first, last *float64) {
	if len(p.door) < enough {
		return nil, nil
	}
	from, to := p.door[0].t, p.door[len(p.door)-1].t
	third := (to - from) / 3
	part := func(a, b int64) *float64 {
		var levels [3][]int16
		for _, s := range p.door {
			if s.t >= a && s.t <= b && s.rssi != event.NoRSSI {
				levels[s.side] = append(levels[s.side], s.rssi)
			}
		}
		median := func(side event.Side) float64 {
			if len(levels[side]) == 0 {
				return float64(weakest[side])
			}
			return quantile(levels[side], 0.5)
		}
		if len(levels[event.Inner])+len(levels[event.Outer]) == 0 || weakest[event.Inner] == math.MaxInt16 ||
			weakest[event.Outer] == math.MaxInt16 {
			return nil
		}
		return new(round((median(event.Inner) - median(event.Outer)) / 10))
	}
	return part(from, from+third), part(to-third, to)
}

// listOthers lists the tags that were not carried, and notes what was heard of them.
func (t *Test) listOthers(res *Result, f *findings) {
	type row struct {
		key epc.Key
		o   *other
		top int16
	}
	var rows []row
	for k, o := range t.others {
		r := row{k, o, event.NoRSSI}
		if len(o.levels) > 0 {
			r.top = slices.Max(o.levels)
			f.rest = append(f.rest, r.top)
		}
		rows = append(rows, r)
	}
	slices.SortFunc(rows, func(a, b row) int {
		if a.top != b.top {
			return int(b.top) - int(a.top)
		}
		if a.o.n != b.o.n {
			return b.o.n - a.o.n
		}
		return a.key.Compare(b.key)
	})
	res.Nearby = len(rows)
	for _, r := range rows[:min(len(rows), shownOthers)] {
		one := Other{Tag: r.o.text, Reads: r.o.n}
		if one.Tag == "" {
			one.Tag, _ = r.key.Text()
		}
		if len(r.o.levels) > 0 {
			one.Peak, one.Median = dBm(r.top), new(round(quantile(r.o.levels, 0.5)/10))
		}
		res.Others = append(res.Others, one)
	}
}

// propose fills in the proposal and the remarks.
func (t *Test) propose(res *Result, f *findings) {
	say := func(format string, args ...any) { res.Remarks = append(res.Remarks, fmt.Sprintf(format, args...)) }
	if res.Passages == 0 {
		say("No walk led through the door; walk out and in at least five times each.")
		return
	}
	if res.Heard < res.Passages {
		say("%d of %d passages were heard less than %d times; nobody can say where these went.",
			res.Passages-res.Heard, res.Passages, enough)
	}
	weak := quantile(f.reads, 0.25) < good
	loud := false
	switch {
	case len(f.levels) == 0 && res.Heard > 0:
		say("The reader reports no levels, so no floor can be proposed.")
	case len(f.levels) == 0 || len(f.rest) == 0:
	default:
		weakest, nearby := slices.Min(f.levels), slices.Max(f.rest)
		floor := math.Floor(float64(nearby)/10) + 1
		if loud = floor*10 > float64(weakest-margin); loud {
			say("Goods nearby are heard at up to %.1f dBm and the weakest passage at %.1f: no floor keeps the ones "+
				"out and the other in. Move goods away from the door, turn its antennas, or lower its power.",
				float64(nearby)/10, float64(weakest)/10)
		} else if floor >= -120 && floor < 0 {
			res.Proposal.MinRSSI = &floor
		}
	}
	switch {
	case weak && loud:
		say("Walks are heard less than %d times and goods nearby as strongly as walks: power fixes neither without "+
			"harm to the other. Move the antennas.", good)
	case weak:
		res.Proposal.Power = "raise"
		say("A quarter of the passages or more were heard less than %d times: raise the power of the door's "+
			"reader, or let it read without pause.", good)
	case loud:
		res.Proposal.Power = "lower"
	}
	if res.TwoSided {
		switch {
		case res.Parts == nil:
			say("Whether the sides part can't be said: too few reads of both, or no levels.")
		case *res.Parts < parted:
			say("The sides don't part: between the first and the last third of a walk their difference changes by "+
				"%.1f dB, less than %d. Set the antennas further apart, or turn each away from the other side.", *res.Parts, parted)
		}
	} else if f.inside == 0 {
		say("The door has no two sides and no fixed reader inside heard the tags: it can't be sure of a passage.")
	}
	if len(f.tails) > 0 && t.lay.Zones[t.zone].Kind == event.Exit {
		sure := time.Duration(quantile(f.tails, 0.95))*time.Millisecond + slack
		if res.Rhythm != nil {
			sure += 2 * time.Duration(*res.Rhythm*1000) * time.Millisecond
		}
		const step = 500 * time.Millisecond
		sure = min(max((sure+step-1)/step*step, shortestSure), longestSure)
		res.Proposal.SureWithin = sure.String()
	}
}

func dBm(tenths int16) *float64 { return new(float64(tenths) / 10) }

// round rounds to a tenth.
func round(x float64) float64 { return math.Round(x*10) / 10 }

// quantile returns the smallest value that at least the share p of the values does not exceed; of
// an even number, the median is the mean of the two in the middle.
func quantile[T int | int16 | int64 | float64](values []T, p float64) float64 {
	list := slices.Clone(values)
	slices.Sort(list)
	n := len(list)
	if p == 0.5 && n%2 == 0 {
		return (float64(list[n/2-1]) + float64(list[n/2])) / 2
	}
	return float64(list[max(0, int(math.Ceil(p*float64(n)))-1)])
}
