package quality

import (
	"fmt"
	"math"

	"lintel/engine/estimate"
)

// The outcomes with which people close alerts.
const (
	Genuine = "genuine"
	False   = "false"
	Unclear = "unclear"
)

// Alert is what is counted of an alert. Times are Unix milliseconds, 0: not yet.
type Alert struct {
	Rule         string
	Digest       string // of the rule as it was when the alert was raised: its version
	Watch        bool   // the rule was only watched
	Fault        bool   // the alert reports that the rule failed while running
	Storm        bool   // the alert stands for all that the rule raised beyond its limit
	Opened       int64
	Acknowledged int64
	Cleared      int64 // when it ended by itself
	Ended        bool  // it is not open any more: it ended by itself, or a person closed it
	Outcome      string
	Joined       int  // how many others joined it
	Reminders    int  // how often it was told again
	Escalated    bool // nobody acknowledged it in time, and others were told
}

// Tally counts alerts. Fired = Open + Genuine + False + Unclear + NoOutcome always holds.
type Tally struct {
	Fired        int
	Acknowledged int // ever
	Cleared      int // ended by itself, whether or not somebody gave an outcome afterwards
	Open         int // still, acknowledged ones included
	Genuine      int
	False        int
	Unclear      int
	NoOutcome    int // ended, and nobody said what it was
	Joined       int // that became part of one of those that fired
	Reminded     int // told again at least once
	Reminders    int // told again, in all
	Escalated    int // nobody acknowledged it in time

	// In none of the numbers above:
	Faults   int // times that the rule failed while running
	Storms   int // times that it raised more than its limit
	KeptBack int // what it raised beyond, told as part of a storm

	Delays Delays // from opened to acknowledged
}

// Add counts an alert.
func (t *Tally) Add(a *Alert) {
	if a.Fault {
		t.Faults++
		return
	}
	if a.Storm {
		t.Storms++
		t.KeptBack += a.Joined
		return
	}
	t.Fired++
	t.Joined += a.Joined
	t.Reminders += a.Reminders
	if a.Reminders > 0 {
		t.Reminded++
	}
	if a.Escalated {
		t.Escalated++
	}
	if a.Acknowledged != 0 {
		t.Acknowledged++
		t.Delays.Add(a.Acknowledged - a.Opened)
	}
	if a.Cleared != 0 {
		t.Cleared++
	}
	switch {
	case a.Outcome == Genuine:
		t.Genuine++
	case a.Outcome == False:
		t.False++
	case a.Outcome == Unclear:
		t.Unclear++
	case a.Ended:
		t.NoOutcome++
	default:
		t.Open++
	}
}

// Merge adds all of o.
func (t *Tally) Merge(o *Tally) {
	t.Fired += o.Fired
	t.Acknowledged += o.Acknowledged
	t.Cleared += o.Cleared
	t.Open += o.Open
	t.Genuine += o.Genuine
	t.False += o.False
	t.Unclear += o.Unclear
	t.NoOutcome += o.NoOutcome
	t.Joined += o.Joined
	t.Reminded += o.Reminded
	t.Reminders += o.Reminders
	t.Escalated += o.Escalated
	t.Faults += o.Faults
	t.Storms += o.Storms
	t.KeptBack += o.KeptBack
	t.Delays.Merge(&o.Delays)
}

// Precision returns how often the rule was right.
func (t *Tally) Precision() Precision {
	return Precision{Genuine: t.Genuine, Outcomes: t.Genuine + t.False, Interval: estimate.Wilson(t.Genuine, t.Genuine+t.False)}
}

// Precision is how often a rule was right, of the alerts that somebody called genuine or false.
type Precision struct {
	Genuine  int
	Outcomes int               // genuine and false
	Interval estimate.Interval // 95 %, Wilson; [0, 1] without outcomes
}

// Share returns Genuine / Outcomes; false if there are no outcomes.
func (p Precision) Share() (float64, bool) {
	if p.Outcomes == 0 {
		return 0, false
	}
	return float64(p.Genuine) / float64(p.Outcomes), true
}

// tooWide is the width of an interval that says next to nothing: half of all there is. Ten outcomes
// and fewer mostly come to this.
const tooWide = 0.5

// Words says it in one sentence, with no more confidence than the outcomes give.
func (p Precision) Words() string {
	share, ok := p.Share()
	switch {
	case !ok:
		return "No outcome yet: nothing to say."
	case p.Interval.High-p.Interval.Low > tooWide:
		return fmt.Sprintf("%s: too few to say.", outcomes(p.Outcomes))
	}
	return fmt.Sprintf("Right %d of %d times: %s, by the 95 %% interval %s to %s.", p.Genuine, p.Outcomes,
		percent(share), percent(p.Interval.Low), percent(p.Interval.High))
}

func outcomes(n int) string {
	if n == 1 {
		return "1 outcome"
	}
	return fmt.Sprintf("%d outcomes", n)
}

// percent writes a share in whole percent. It says 0 % and 100 % only where that is so.
func percent(share float64) string {
	switch p := math.Round(share * 100); {
	case p == 0 && share > 0:
		return "under 1 %"
	case p == 100 && share < 1:
		return "over 99 %"
	default:
		return fmt.Sprintf("%.0f %%", p)
	}
}

// Change is what an edit of a rule did to its precision: Now less Before.
type Change struct {
	Share    float64           // in [-1, 1]
	Interval estimate.Interval // 95 %; Newcombe's hybrid score interval, his method 10
}

// Compare compares two versions of a rule; false if one of them has no outcome.
func Compare(before, now Precision) (Change, bool) {
	p1, ok1 := now.Share()
	p2, ok2 := before.Share()
	if !ok1 || !ok2 {
		return Change{}, false
	}
	d := p1 - p2
	return Change{Share: d, Interval: estimate.Interval{
		Low:  max(-1, d-math.Hypot(p1-now.Interval.Low, before.Interval.High-p2)),
		High: min(1, d+math.Hypot(now.Interval.High-p1, p2-before.Interval.Low)),
	}}, true
}

// Words says it in one sentence.
func (c Change) Words() string {
	points := func(share float64) string { return fmt.Sprintf("%.0f", math.Abs(share)*100) }
	switch {
	case c.Interval.Low > 0:
		return fmt.Sprintf("Better than the version before: right %s points more often, by the 95 %% interval %s to %s.", points(c.Share),
			points(c.Interval.Low), points(c.Interval.High))
	case c.Interval.High < 0:
		return fmt.Sprintf("Worse than the version before: right %s points less often, by the 95 %% interval %s to %s.",
			points(c.Share), points(c.Interval.High), points(c.Interval.Low))
	}
	return "No difference to the version before can be shown."
}
