package measure

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/engine"
)

// Report is what Run found.
type Report struct {
	Seeds       []uint64 `json:"seeds"`
	Hours       float64  `json:"hours"` // simulated, all shops together
	Items       int      `json:"items"` // in each shop
	Reads       int      `json:"reads"`
	UnpaidExits int      `json:"unpaid_exits"`
	OtherGoods  int      `json:"other_goods"`   // passages of other goods, turned-back approaches among them
	PaidOut     int      `json:"paid_out"`      // among them
	Strangers   int      `json:"strangers"`     // either way
	TurnedBack  int      `json:"turned_back"`   // never through the door
	ToldTooLate int      `json:"told_too_late"` // exits of paid goods whose sale was told only after the hold
	HoldSeconds float64  `json:"hold_seconds"`
	Core        Method   `json:"core"`
	Baseline    Method   `json:"first_read_decides"`

	// Astray says which items at rest the core had in the wrong zone, most frequent first.
	Astray []Astray `json:"astray,omitempty"`
	// Missed and False list what went wrong with the core, for whoever wants to know why.
	Missed []Case `json:"missed,omitempty"`
	False  []Case `json:"false,omitempty"`
}

// Method is how well one way of concluding did.
type Method struct {
	Recall      Share   `json:"recall"`
	FalseAlerts Share   `json:"false_alerts"` // of passages of other goods
	DelayP50    float64 `json:"delay_p50_seconds"`
	DelayP95    float64 `json:"delay_p95_seconds"`
	DelayMax    float64 `json:"delay_max_seconds"`
	ZoneAtRest  Share   `json:"zone_at_rest"`
	ZoneAll     Share   `json:"zone_all"`
	Moves       float64 `json:"moves_per_item_hour"`
	UntrueMoves float64 `json:"untrue_moves_per_item_hour"`
}

// Astray counts looks at items that lay in one zone while the core had them in another, "" for nowhere.
type Astray struct {
	In    string  `json:"in"`
	Told  string  `json:"told"`
	Share float64 `json:"share"` // of all looks at items at rest
}

// Case is one item at one moment.
type Case struct {
	Seed uint64 `json:"seed"`
	EPC  string `json:"epc"`
	At   int64  `json:"at"` // Unix milliseconds
	What string `json:"what"`
}

// early is how long before the middle of the door an alert may be raised and still be about this exit, in milliseconds. Who takes the first read at a door for an exit
// raises it before there is one; that is right in the end.
const early = 5000

func merge(o *Options, parts []part) Report {
	r := Report{Seeds: slices.Clone(o.Seeds), Items: o.Items}
	for k := range parts {
		p := &parts[k]
		r.Hours += p.hours
		r.Reads += p.reads
		r.HoldSeconds = float64(p.hold) / 1000
		for _, x := range p.truth.Passages {
			if x.At < p.from {
				continue
			}
			switch {
			case unpaid(p, x.Item, x.Direction, x.Paid):
				r.UnpaidExits++
			case tooLate(p, x.Direction, x.Paid, x.Told, x.At):
				r.ToldTooLate++
			case p.truth.Items[x.Item].Stranger:
				r.OtherGoods++
				r.Strangers++
			default:
				r.OtherGoods++
				if x.Direction == engine.DirectionOut {
					r.PaidOut++
				}
			}
		}
		for _, a := range p.truth.Approaches {
			if a.From >= p.from {
				r.OtherGoods++
				r.TurnedBack++
			}
		}
	}
	r.Core = method(o, parts, &r, func(p *part) *tally { return &p.core }, true)
	r.Baseline = method(o, parts, &r, func(p *part) *tally { return &p.plain }, false)
	astray := map[[2]string]int{}
	for k := range parts {
		for pair, n := range parts[k].core.astray {
			astray[pair] += n
		}
	}
	for pair, n := range astray {
		r.Astray = append(r.Astray, Astray{pair[0], pair[1], float64(n) / float64(r.Core.ZoneAtRest.Of)})
	}
	slices.SortFunc(r.Astray, func(a, b Astray) int {
		return cmp.Or(cmp.Compare(b.Share, a.Share), cmp.Compare(a.In, b.In), cmp.Compare(a.Told, b.Told))
	})
	return r
}

func unpaid(p *part, item int, d engine.Direction, paid bool) bool {
	return d == engine.DirectionOut && !paid && !p.truth.Items[item].Stranger
}

// tooLate: the sale is told after the hold that began with the exit.
func tooLate(p *part, d engine.Direction, paid bool, told, at int64) bool {
	return d == engine.DirectionOut && paid && told > at+p.hold
}

func method(o *Options, parts []part, r *Report, of func(*part) *tally, list bool) Method {
	var m Method
	found, exits, wrong := 0, 0, 0
	var delays []float64
	var rest, all [2]int
	moves, untrue, itemHours := 0, 0, 0.0
	for k := range parts {
		p := &parts[k]
		t := of(p)
		used := make([]bool, len(t.alerts))
		byItem := map[int][]int{}
		for j, a := range t.alerts {
			byItem[a.item] = append(byItem[a.item], j)
		}
		// claim takes the first alert about an item that fits a passage.
		claim := func(item int, at int64) int {
			for _, j := range byItem[item] {
				if a := t.alerts[j]; !used[j] && a.at >= at-early && a.at <= at+o.Within.Milliseconds() {
					used[j] = true
					return j
				}
			}
			return -1
		}
		for _, x := range p.truth.Passages {
			if x.At < p.from {
				continue
			}
			switch {
			case unpaid(p, x.Item, x.Direction, x.Paid):
				exits++
				if j := claim(x.Item, x.At); j >= 0 {
					found++
					delays = append(delays, float64(t.alerts[j].at-x.At)/1000)
				} else if list {
					r.Missed = append(r.Missed, Case{o.Seeds[k], p.truth.Items[x.Item].EPC, x.At, "unpaid exit without an alert"})
				}
			case tooLate(p, x.Direction, x.Paid, x.Told, x.At):
				claim(x.Item, x.At)
			}
		}
		for j, a := range t.alerts {
			if !used[j] && a.at >= p.from {
				wrong++
				if list {
					w := p.truth.Where(a.item, a.at)
					r.False = append(r.False, Case{o.Seeds[k], p.truth.Items[a.item].EPC, a.at, fmt.Sprintf("false alert: in %q, carried %v, outside %v, since %.1f s", w.Zone, w.Carried, w.Outside, float64(a.at-w.From)/1000)})
				}
			}
		}
		for j := range 2 {
			rest[j] += t.rest[j]
			all[j] += t.all[j]
		}
		moves += t.moves
		untrue += t.untrue
		itemHours += p.hours * float64(p.items)
	}
	m.Recall = share(found, exits)
	m.FalseAlerts = share(min(wrong, r.OtherGoods), r.OtherGoods)
	if m.FalseAlerts.N = wrong; wrong > r.OtherGoods {
		m.FalseAlerts.Low, m.FalseAlerts.High = m.FalseAlerts.Value(), m.FalseAlerts.Value() // more than one each: no share at all
	}
	m.ZoneAtRest, m.ZoneAll = share(rest[0], rest[1]), share(all[0], all[1])
	m.Moves, m.UntrueMoves = float64(moves)/itemHours, float64(untrue)/itemHours
	if slices.Sort(delays); len(delays) > 0 {
		at := func(q float64) float64 { return delays[int(q*float64(len(delays)-1))] }
		m.DelayP50, m.DelayP95, m.DelayMax = at(0.5), at(0.95), at(1)
	}
	return m
}

// JSON returns the report as indented JSON.
func (r Report) JSON() ([]byte, error) { return json.MarshalIndent(r, "", "  ") }

// String returns the report as a table.
func (r Report) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d shops of %d items, %s simulated, %d reads; %d unpaid exits, %d passages of other goods\n(%d paid for and out, %d tags from elsewhere, %d turned back), %d exits whose sale was told after the hold\n\n",
		len(r.Seeds), r.Items, time.Duration(r.Hours*float64(time.Hour)).Round(time.Minute), r.Reads, r.UnpaidExits, r.OtherGoods, r.PaidOut, r.Strangers, r.TurnedBack, r.ToldTooLate)
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\tLintel\tfirst read decides\t")
	row := func(name string, f func(m *Method) string) {
		fmt.Fprintf(w, "%s\t%s\t%s\t\n", name, f(&r.Core), f(&r.Baseline))
	}
	percent := func(s Share) string {
		return fmt.Sprintf("%.2f %% [%.2f, %.2f]", 100*s.Value(), 100*s.Low, 100*s.High)
	}
	row("recall of unpaid exits", func(m *Method) string { return percent(m.Recall) })
	row("false alerts / 10,000 passages", func(m *Method) string {
		s := m.FalseAlerts
		if s.N > s.Of {
			return fmt.Sprintf("%.0f", 1e4*s.Value())
		}
		return fmt.Sprintf("%.2f [%.2f, %.2f]", 1e4*s.Value(), 1e4*s.Low, 1e4*s.High)
	})
	row("delay p50 / p95 / max, s", func(m *Method) string {
		return fmt.Sprintf("%.1f / %.1f / %.1f", m.DelayP50, m.DelayP95, m.DelayMax)
	})
	row("zone right, items at rest", func(m *Method) string { return percent(m.ZoneAtRest) })
	row("zone right, all items", func(m *Method) string { return percent(m.ZoneAll) })
	row("moves / item and hour", func(m *Method) string { return fmt.Sprintf("%.3f", m.Moves) })
	row("untrue moves / item and hour", func(m *Method) string { return fmt.Sprintf("%.3f", m.UntrueMoves) })
	_ = w.Flush()
	b.WriteString("\n95 % intervals by Wilson's score. Delays are from the middle of the door, without the rule's hold.\n")
	return b.String()
}
