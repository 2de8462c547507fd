package trial_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/trial"
)

func TestText(t *testing.T) {
	at := time.Date(2026, 7, 1, 11, 0, 0, 0, time.UTC)
	instance := func(say, outcome string) trial.Instance {
		return trial.Instance{Opened: at, Say: say, Outcome: outcome}
	}
	week := []trial.WeekdayCount{{Weekday: "monday"}, {Weekday: "tuesday"}}
	week[1].Hours[9], week[1].Hours[12] = 120, 3
	rep := trial.Report{
		Site: "umberhithe", TimeZone: "Europe/London", Rule: "unpaid-at-door", From: at, To: at.Add(7 * 24 * time.Hour),
		Until: at.Add(time.Hour), Stopped: trial.StoppedTime, Facts: 1, LeadIn: 20_000, Seconds: 0.5, Rate: 1_240_000,
		Tried: trial.Result{
			Raised: 123, StillOpen: 3, Errors: 2, Failure: "too many steps", HeldBack: map[string]int{"hold": 5,
				"gathered": 30, "a later stage": 1}, Waiting: map[string]int{"needs": 2},
			Open:  trial.Span{Ended: 120, Median: 4, P90: 3 * 3600, Longest: 5 * 86400},
			ByDay: []trial.DayCount{{Date: "2026-07-01", Raised: 123}}, ByHour: week,
			Messages: []trial.Messages{{Channel: "door-team", Sent: 120, Unwanted: 3,
				ByChange: map[string]int{"alert.opened": 120, "alert.reminded": 3}},
				{Channel: "nobody", ByChange: map[string]int{"alert.opened": 1}, Unknown: true}},
		},
		Live: &trial.LiveReport{Mode: "live", Result: &trial.Result{Raised: 20}, Compared: &trial.Comparison{Other: 20,
			Both: 8, Later: 2, OnlyOther: 12, OnlyTried: 1,
			Missed: []trial.Instance{instance("a \x1b[2Jbook\u202e", "")}, Added: []trial.Instance{instance("b", "")}}},
		Recorded: &trial.Comparison{
			Other: 10, Both: 6, OnlyOther: 4, BothOutcomes: map[string]int{"genuine": 3, "none": 2, "false": 1},
			OtherOutcomes: map[string]int{"genuine": 1, "false": 3},
			BothPrecision: &trial.Precision{Genuine: 3, False: 1, Share: 0.75, Low: 0.3, High: 0.954},
			Missed:        []trial.Instance{instance("c", "genuine")}, Avoided: []trial.Instance{instance("d", "false")},
		},
		Notes: []string{"One.", "Two."}, Notice: "Look.",
	}
	var b strings.Builder
	require.NoError(t, rep.WriteText(&b, []trial.Alert{{Opened: &at, Say: "The Harbour Light passed"}}))
	require.Equal(t, `unpaid-at-door at umberhithe, 2026-07-01 12:00:00 to 2026-07-08 12:00:00
1 fact in 0.5 s (1.2 million a second), after a lead-in of 20000 facts
It was stopped at 2026-07-01 13:00:00.

It would have raised 123 alerts, 3 of them still open at the end.
It failed 2 times: too many steps
  open for   median 4.0 s, nine in ten at most 3 h, longest 5 days
  held back  gathered 30, hold 5, a later stage 1
  waiting    needs 2
  messages   door-team 120 (alert.opened 120, alert.reminded 3); 3 it does not take
             nobody 0 (alert.opened 1); there is no such channel
  by day     2026-07-01    123 ##############################
  by hour                 9  10  11  12
             tuesday    120   .   .   3
  the first of them:
    2026-07-01 12:00:00 The Harbour Light passed

The rule as it is now (mode live) would have raised 20 alerts: 8 that this version raises too (2 of them more than a minute later), 12 that it does not. 1 it alone raises.
  no longer raised:
    2026-07-01 12:00:00 a  [2Jbook 
    and 11 more
  new:
    2026-07-01 12:00:00 b

Of 10 recorded alerts it raises 6, and 4 it does not. 0 more it alone raises.
  people said of those that it raises: genuine 3, none 2, false 1
  and of those that it does not: false 3, genuine 1
  right of those that it raises: 75 % (3 of 4; 95 % interval 30 to 95 %)
  would be missed:
    2026-07-01 12:00:00 c [genuine]
  false ones that it avoids:
    2026-07-01 12:00:00 d [false]
    and 2 more

- One.
- Two.
Look.
`, b.String())
}
