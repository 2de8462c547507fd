package measure

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
)

// Report is what Run found.
type Report struct {
	Seeds   []uint64 `json:"seeds"`
	Hours   float64  `json:"hours"` // simulated, all shops together
	Reads   int      `json:"reads"`
	Worst   []Worst  `json:"worst"` // by door, of the regimes in which its layout refuses nothing
	Regimes []Regime `json:"regimes"`
	Kinds   []Kind   `json:"kinds"` // of people, over the same regimes
}

// Worst is the headline of one kind of door: the lowest recall and the highest rate of false alerts
// of any regime.
type Worst struct {
	Door         string  `json:"door"`
	RecallRegime string  `json:"recall_regime"`
	Recall       Share   `json:"recall"` // within 10 s
	FalseRegime  string  `json:"false_regime"`
	False        float64 `json:"false_per_10000"`
}

// Regime is what was found in one regime.
type Regime struct {
	Name    string `json:"name"`
	Held    bool   `json:"held,omitempty"`
	Core    Method `json:"core"`
	First   Method `json:"first_read_decides"`
	Patient Method `json:"patient"`
}

// Method is how well one way of concluding did.
type Method struct {
	TwoSides  Door    `json:"two_sides"`
	OneSide   Door    `json:"one_antenna"`
	AtRest    Rate    `json:"false_at_rest"`
	Far       Rate    `json:"false_at_rest_nothing_near"`
	Zone      Share   `json:"zone_at_rest"`
	ByHand    Share   `json:"zone_at_rest_by_hand_only"`
	Direction Share   `json:"direction"`
	DelayP50  float64 `json:"delay_p50_seconds"`
	DelayP95  float64 `json:"delay_p95_seconds"`
}

// Door is how well exits and other passages at one kind of door were told apart.
type Door struct {
	Refused    bool               `json:"refused,omitempty"` // the layout says in words that this door can never be sure
	Recall     [len(within)]Share `json:"recall_2_4_6_10_seconds"`
	HeardThree Share              `json:"recall_of_exits_heard_three_times"`
	Bags       Share              `json:"recall_of_bags"`
	Hint       Share              `json:"hint_within_2_seconds"`
	False      Share              `json:"false"`               // of other passages
	FalseApart Share              `json:"false_without_stood"` // without people who stood in the doorway
	Stood      Share              `json:"false_stood"`
	FalseBags  Share              `json:"false_bags"` // of visits with other passages, each once
	StoodPast  Share              `json:"false_stood_goods_past_threshold"`
}

// Kind is one kind of people at one door.
type Kind struct {
	Kind    string `json:"kind"`
	Door    string `json:"door"`
	Core    Door   `json:"core"`
	First   Door   `json:"first_read_decides"`
	Patient Door   `json:"patient"`
}

// Rate is a number of events in a time, with a 95 % interval.
type Rate struct {
	N     int     `json:"n"`
	Hours float64 `json:"item_hours"`
	Low   float64 `json:"low"` // an hour
	High  float64 `json:"high"`
}

// Value returns events an hour.
func (r Rate) Value() float64 { return float64(r.N) / r.Hours }

// rate has the interval of a Poisson mean by the Wilson-Hilferty approximation of chi-squared
// quantiles (PNAS 17, 1931; from memory).
func rate(n int, hours float64) Rate {
	if hours == 0 {
		return Rate{N: n}
	}
	const z = 1.959964
	quantile := func(k, z float64) float64 {
		if k == 0 {
			return 0
		}
		x := 1 - 1/(9*k) + z/(3*math.Sqrt(k))
		return k * x * x * x
	}
	return Rate{N: n, Hours: hours, Low: quantile(float64(n), -z) / hours, High: quantile(float64(n+1), z) / hours}
}

const (
	twoSides = "street-door"
	oneSide  = "lane-door"
)

func (s *score) door(refused bool) Door {
	d := Door{
		Refused:    refused,
		HeardThree: share(s.heardFound, s.heard), Bags: share(s.bagsFound, s.bags), Hint: share(s.hints, s.exits),
		False: share(s.wrong, s.others), FalseApart: share(s.wrong-s.stoodWrong, s.others-s.stood),
		FalseBags: share(s.visitsWrong, s.visits), Stood: share(s.stoodWrong, s.stood), StoodPast: share(s.pastWrong, s.past),
	}
	for k := range within {
		d.Recall[k] = share(s.found[k], s.exits)
	}
	return d
}

// sum returns the score at a door, of one kind of people or ("") of all.
func (t *tally) sum(kind, door string) *score {
	var s score
	for k, v := range t.slots {
		if (kind == "" || k.kind == kind) && k.door == door {
			s.add(v)
		}
	}
	slices.Sort(s.delays)
	return &s
}

func merge(o *Options, parts [][]part) Report {
	r := Report{Seeds: slices.Clone(o.Seeds)}
	var all [methods]tally
	for k, regime := range o.Regimes {
		var total [methods]tally
		var lain [2]float64
		refused := map[string]bool{}
		var rest, hand [methods][2]int
		for n := range parts[k] {
			p := &parts[k][n]
			r.Hours += float64(p.until-p.from) / 3_600_000
			r.Reads += p.reads
			maps.Copy(refused, p.refused)
			for j := range 2 {
				lain[j] += p.lain[j]
			}
			for m := range total {
				total[m].add(&p.score[m])
				for j := range 2 {
					rest[m][j] += p.said[m].rest[j]
					hand[m][j] += p.said[m].byHand[j]
				}
			}
		}
		method := func(m int) Method {
			t := &total[m]
			two, one := t.sum("", twoSides), t.sum("", oneSide)
			out := Method{
				TwoSides: two.door(refused[twoSides]), OneSide: one.door(refused[oneSide]), AtRest: rate(t.rest[0], lain[0]), Far: rate(t.rest[1], lain[1]),
				Zone: share(rest[m][0], rest[m][1]), ByHand: share(hand[m][0], hand[m][1]),
				Direction: share(t.direction[0], t.direction[1]),
			}
			delays := slices.Concat(two.delays, one.delays)
			if slices.Sort(delays); len(delays) > 0 {
				at := func(q float64) float64 { return delays[int(q*float64(len(delays)-1))] }
				out.DelayP50, out.DelayP95 = at(0.5), at(0.95)
			}
			return out
		}
		r.Regimes = append(r.Regimes, Regime{
			Name: regime.Name, Held: regime.Held,
			Core: method(core), First: method(first), Patient: method(patient),
		})
		for m := range all {
			for k, s := range total[m].slots {
				if !refused[k.door] {
					all[m].at(k.kind, k.door).add(s)
				}
			}
		}
	}
	for _, door := range []string{twoSides, oneSide} {
		w := Worst{Door: door}
		for k := range r.Regimes {
			g := &r.Regimes[k]
			d := &g.Core.TwoSides
			if door == oneSide {
				d = &g.Core.OneSide
			}
			if d.Refused || d.Recall[last].Of == 0 {
				continue
			}
			if w.RecallRegime == "" || d.Recall[last].Value() < w.Recall.Value() {
				w.RecallRegime, w.Recall = g.Name, d.Recall[last]
			}
			if f := 1e4 * d.False.Value(); d.False.Of > 0 && (w.FalseRegime == "" || f > w.False) {
				w.FalseRegime, w.False = g.Name, f
			}
		}
		r.Worst = append(r.Worst, w)
	}
	seen := map[slot]bool{}
	for k := range all[core].slots {
		seen[k] = true
	}
	kind := func(name, door string) {
		of := func(m int) Door {
			return all[m].sum(name, door).door(false)
		}
		r.Kinds = append(r.Kinds, Kind{Kind: cmp.Or(name, "all"), Door: door, Core: of(core), First: of(first), Patient: of(patient)})
	}
	for k := range seen {
		kind(k.kind, k.door)
	}
	kind("", twoSides)
	kind("", oneSide)
	slices.SortFunc(r.Kinds, func(a, b Kind) int {
		if c := strings.Compare(b.Door, a.Door); c != 0 {
			return c
		}
		return strings.Compare(a.Kind, b.Kind)
	})
	return r
}

// JSON returns the report as indented JSON.
func (r Report) JSON() ([]byte, error) { return json.MarshalIndent(r, "", "  ") }

func percent(s Share) string {
	if s.Of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*s.Value())
}

func interval(s Share) string {
	if s.Of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f [%.1f, %.1f]", 100*s.Value(), 100*s.Low, 100*s.High)
}

func perTenThousand(s Share) string {
	if s.Of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", 1e4*s.Value())
}

// recalls are the columns of Door.Recall.
func recalls(d *Door) []string {
	var cells []string
	for _, s := range d.Recall[:last] {
		cells = append(cells, percent(s))
	}
	return append(cells, interval(d.Recall[last]), fmt.Sprint(d.Recall[last].Of))
}

func falses(d *Door) []string { return []string{perTenThousand(d.False), fmt.Sprint(d.False.Of)} }

// plain are the columns of the baselines.
func plain(first, patient *Door) []string {
	return []string{
		percent(first.Recall[last]), perTenThousand(first.False),
		percent(patient.Recall[last]), perTenThousand(patient.False),
	}
}

var (
	recallColumns = []string{"2 s", "4 s", "6 s", "10 s [95 %]", "exits"}
	falseColumns  = []string{"false", "passages"}
	plainColumns  = []string{"first read: 10 s", "false", "patient: 10 s", "false"}
)

func of(s Share) string { return fmt.Sprintf("%d/%d", s.N, s.Of) }

// String returns the report as tables.
func (r Report) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d regimes, seeds %v, %.1f hours simulated, %d reads.\n\n", len(r.Regimes), r.Seeds, r.Hours, r.Reads)
	b.WriteString("The worst of the regimes whose layout does not refuse the door (alert within 10 s of the crossing, hold included):\n")
	for _, w := range r.Worst {
		fmt.Fprintf(&b, "  %-12s recall %s %% (%s), %.0f false alerts in 10,000 other passages (%s)\n",
			w.Door, interval(w.Recall), w.RecallRegime, w.False, w.FalseRegime)
	}
	var w *tabwriter.Writer
	row := func(parts ...[]string) { fmt.Fprintln(w, strings.Join(slices.Concat(parts...), "\t")+"\t") }
	table := func(title string, header ...[]string) {
		fmt.Fprintf(&b, "\n%s\n", title)
		w = tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		row(header...)
	}
	for _, side := range []struct {
		name string
		door func(*Method) *Door
	}{
		{"Two sides", func(m *Method) *Door { return &m.TwoSides }},
		{"One antenna", func(m *Method) *Door { return &m.OneSide }},
	} {
		table(side.name+": recall in % of unpaid exits; false alerts in 10,000 other passages, and apart from who stood",
			[]string{"regime"}, recallColumns, []string{"heard 3 times", "bags", "hint 2 s"}, falseColumns,
			[]string{"apart", "bags", "stood", "goods past"}, plainColumns)
		for k := range r.Regimes {
			g := &r.Regimes[k]
			d := side.door(&g.Core)
			title := g.title()
			if d.Refused {
				title += " (refused)"
			}
			row([]string{title}, recalls(d), []string{percent(d.HeardThree), percent(d.Bags), percent(d.Hint)}, falses(d),
				[]string{perTenThousand(d.FalseApart), of(d.FalseBags), of(d.Stood), of(d.StoodPast)},
				plain(side.door(&g.First), side.door(&g.Patient)))
		}
		_ = w.Flush()
	}
	table("Goods at rest: false alerts in an item's hour; zones and directions right in %; seconds from crossing to alert",
		[]string{"regime", "false/h", "nothing near", "item-hours", "zone", "by hand only", "direction", "delay p50", "p95"},
		[]string{"first read: false/h", "zone", "patient: false/h"})
	for k := range r.Regimes {
		g := &r.Regimes[k]
		c := &g.Core
		f := func(format string, v float64) string { return fmt.Sprintf(format, v) }
		row([]string{g.title(), f("%.4f", c.AtRest.Value()), f("%.4f", c.Far.Value()), f("%.0f", c.AtRest.Hours)},
			[]string{percent(c.Zone), percent(c.ByHand), percent(c.Direction), f("%.1f", c.DelayP50), f("%.1f", c.DelayP95)},
			[]string{f("%.3f", g.First.AtRest.Value()), percent(g.First.Zone), f("%.4f", g.Patient.AtRest.Value())})
	}
	_ = w.Flush()
	table("Kinds of people, over all regimes whose layout does not refuse the door",
		[]string{"door", "kind"}, recallColumns, falseColumns, plainColumns)
	for k := range r.Kinds {
		n := &r.Kinds[k]
		row([]string{n.Door, n.Kind}, recalls(&n.Core), falses(&n.Core), plain(&n.First, &n.Patient))
	}
	_ = w.Flush()
	return b.String()
}

// title is the name with what sets the regime apart.
func (g *Regime) title() string {
	if g.Held {
		return g.Name + " (held out)"
	}
	return g.Name
}
