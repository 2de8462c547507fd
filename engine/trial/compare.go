package trial

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"lintel/engine/epc"
	"lintel/engine/estimate"
	"lintel/engine/event"
)

// Comparison holds what a trial raised against other alerts: those that the live version comes to
// on the same facts, or those that were recorded.
type Comparison struct {
	Other         int            `json:"other" jsonschema_description:"The alerts that the trial is held against."`
	Both          int            `json:"both" jsonschema_description:"Of them, the tried rule raises too: about the same, within a minute; or reports as part of another alert."`
	Later         int            `json:"later" jsonschema_description:"Of both, those that the tried rule raises more than a minute later."`
	OnlyOther     int            `json:"only_other" jsonschema_description:"Those that the tried rule does not raise."`
	OnlyTried     int            `json:"only_tried" jsonschema_description:"Alerts of the tried rule alone."`
	BothOutcomes  map[string]int `json:"both_outcomes,omitempty" jsonschema_description:"What people said of those that both raise; none: nothing."`
	OtherOutcomes map[string]int `json:"only_other_outcomes,omitempty" jsonschema_description:"And of those that the tried rule does not raise."`
	// Of recorded alerts with an outcome genuine or false.
	BothPrecision  *Precision `json:"both_precision,omitempty" jsonschema_description:"How often those were right that both raise."`
	OtherPrecision *Precision `json:"other_precision,omitempty" jsonschema_description:"How often all were right that the trial is held against."`
	Missed         []Instance `json:"missed" jsonschema_description:"Alerts that the tried rule does not raise, but for false ones: genuine ones first. At most 100."`
	Avoided        []Instance `json:"avoided" jsonschema_description:"False alerts that the tried rule does not raise. At most 100."`
	Added          []Instance `json:"added" jsonschema_description:"Alerts of the tried rule alone. At most 100."`
}

// Precision is the share of genuine ones among the alerts that people called genuine or false.
type Precision struct {
	Genuine int     `json:"genuine"`
	False   int     `json:"false"`
	Share   float64 `json:"share"`
	Low     float64 `json:"low" jsonschema_description:"With high, the 95 % score interval by Wilson (1927)."`
	High    float64 `json:"high"`
}

func precisionOf(outcomes map[string]int) *Precision {
	right, wrong := outcomes["genuine"], outcomes["false"]
	if right+wrong == 0 {
		return nil
	}
	in := estimate.Wilson(right, right+wrong)
	return &Precision{Genuine: right, False: wrong, Share: float64(right) / float64(right+wrong), Low: in.Low, High: in.High}
}

// Instance is one alert in a comparison.
type Instance struct {
	ID      string    `json:"id,omitempty" jsonschema_description:"Of a recorded alert."`
	Opened  time.Time `json:"opened_at"`
	Say     string    `json:"say"`
	Item    string    `json:"item,omitempty"`
	GTIN    string    `json:"gtin,omitempty"`
	Zone    string    `json:"zone,omitempty"`
	Place   string    `json:"place,omitempty"`
	Reader  string    `json:"reader,omitempty"`
	Count   string    `json:"count,omitempty"`
	Outcome string    `json:"outcome,omitempty"`
}

// maxInstances is how many alerts of a comparison are listed.
const maxInstances = 100

func (o *Opening) instance(recorded bool) Instance {
	in := Instance{Opened: time.UnixMilli(o.Opened).UTC(), Say: o.Say, Item: o.Item, GTIN: event.GTINText(o.GTIN),
		Zone: o.Zone, Outcome: o.Outcome}
	in.Place, in.Reader, in.Count = event.SplitPlace(o.About, o.Place)
	if in.Item == "" && !o.Key.IsZero() {
		in.Item, _ = o.Key.Text()
	}
	if recorded {
		in.ID = o.ID
	}
	return in
}

// same is how far apart two alerts about one subject may open, or their conditions become true, and
// still be the same, in milliseconds.
const same = 60_000

// apart returns how far two alerts are apart, as near as the one or the other of these is.
func apart(a, b *Opening) int64 { return min(abs(a.Opened-b.Opened), abs(a.Since-b.Since)) }

func abs(n int64) int64 { return max(n, -n) }

type subject struct {
	about string // of one that stands for many
	key   epc.Key
	gtin  uint64
	place string
}

func (o *Opening) subject() subject {
	if o.About == event.AboutStorm {
		return subject{about: o.About}
	}
	if !o.Key.IsZero() {
		return subject{key: o.Key}
	}
	return subject{gtin: o.GTIN, place: o.Place}
}

// Compare holds what a trial raised against other alerts of the same time. Alerts that joined
// others count as told on the tried side, and are left out of the other. recorded says that the
// others are on record: then they are listed with their ids.
func Compare(tried, other []Opening, recorded bool) Comparison {
	c := Comparison{Missed: []Instance{}, Avoided: []Instance{}, Added: []Instance{}}
	if recorded {
		c.BothOutcomes, c.OtherOutcomes = make(map[string]int), make(map[string]int)
	}
	tried, other = inTime(tried), inTime(other)
	at := make(map[subject][]int)
	for i := range tried {
		at[tried[i].subject()] = append(at[tried[i].subject()], i)
	}
	used := make([]bool, len(tried))
	all := make(map[string]int)
	var missed []*Opening
	for i := range other {
		o := &other[i]
		if o.Joined {
			continue
		}
		c.Other++
		outcome := cmp.Or(o.Outcome, "none")
		all[outcome]++
		best, near := -1, int64(math.MaxInt64)
		for _, k := range at[o.subject()] {
			if d := apart(&tried[k], o); !used[k] && d <= same && d < near {
				best, near = k, d
			}
		}
		if best >= 0 {
			used[best] = true
			c.Both++
			if tried[best].Opened-o.Opened > same {
				c.Later++
			}
			if recorded {
				c.BothOutcomes[outcome]++
			}
			continue
		}
		c.OnlyOther++
		if recorded {
			c.OtherOutcomes[outcome]++
		}
		if outcome != "false" {
			missed = append(missed, o)
		} else if len(c.Avoided) < maxInstances {
			c.Avoided = append(c.Avoided, o.instance(recorded))
		}
	}
	absorb(tried, other, used)
	for i := range tried {
		if used[i] || tried[i].Joined {
			continue
		}
		if c.OnlyTried++; len(c.Added) < maxInstances {
			c.Added = append(c.Added, tried[i].instance(false))
		}
	}
	// Those that mattered come first.
	slices.SortStableFunc(missed, func(a, b *Opening) int { return cmp.Compare(rank(a), rank(b)) })
	for _, o := range missed[:min(len(missed), maxInstances)] {
		c.Missed = append(c.Missed, o.instance(recorded))
	}
	c.BothPrecision = precisionOf(c.BothOutcomes)
	if recorded {
		c.OtherPrecision = precisionOf(all)
	}
	return c
}

func rank(o *Opening) int {
	if o.Outcome == "genuine" {
		return 0
	}
	return 1
}

// absorb marks alerts of a trial that the other side told as part of another alert: which ones they
// were is on record in words only, so it goes by the time.
func absorb(tried, other []Opening, used []bool) {
	for i := range other {
		o := &other[i]
		from := sort.Search(len(tried), func(k int) bool { return tried[k].Opened >= o.Opened-same })
		for k, left := from, o.Gathered; k < len(tried) && left > 0 && tried[k].Opened <= o.GatherEnds+same; k++ {
			if !used[k] && !tried[k].Joined {
				used[k] = true
				left--
			}
		}
	}
}

// inTime sorts a copy by when alerts opened.
func inTime(list []Opening) []Opening {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b Opening) int { return cmp.Or(cmp.Compare(a.Opened, b.Opened), strings.Compare(a.ID, b.ID)) })
	return list
}
