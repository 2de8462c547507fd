package quality_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/quality"
)

// Alerts of the street door around New Year, counted by hand.
func TestByHand(t *testing.T) {
	const zone = "Europe/London"
	loc := at(t, zone, "2027-01-01 00:00:00").Location()
	b := quality.NewBook(quality.Span{Last: quality.Week{Year: 2027, Week: 1}, Weeks: 2})
	alert := func(opened, digest, outcome string, more func(*quality.Alert)) bool {
		a := &quality.Alert{Rule: "unpaid-at-door", Digest: digest, Opened: at(t, zone, opened).UnixMilli(),
			Outcome: outcome, Ended: outcome != ""}
		if more != nil {
			more(a)
		}
		return b.Add(a, loc)
	}
	acked := func(seconds int64) func(*quality.Alert) {
		return func(a *quality.Alert) { a.Acknowledged = a.Opened + 1000*seconds }
	}
	require.True(t, alert("2026-12-28 00:00:00", "one", "genuine", acked(10)))
	require.True(t, alert("2026-12-31 23:59:59", "one", "false", acked(20)))
	require.True(t, alert("2027-01-03 23:59:59", "two", "unclear", acked(60)))
	require.True(t, alert("2027-01-04 00:00:00", "two", "genuine", func(a *quality.Alert) { a.Joined, a.Cleared = 3, a.Opened+5 }))
	require.True(t, alert("2027-01-05 10:00:00", "two", "", func(a *quality.Alert) { a.Ended, a.Cleared = true, a.Opened+5 }))
	require.True(t, alert("2027-01-06 10:00:00", "two", "", func(a *quality.Alert) {
		acked(30)(a)
		a.Reminders, a.Escalated = 2, true
	}))
	require.True(t, alert("2027-01-06 10:30:00", "two", "false", func(a *quality.Alert) { a.Storm, a.Joined, a.Reminders = true, 40, 1 }))
	require.True(t, alert("2027-01-06 11:00:00", "three", "genuine", func(a *quality.Alert) { a.Watch = true }))
	require.True(t, alert("2027-01-06 12:00:00", "three", "", func(a *quality.Alert) { a.Fault = true }))
	require.False(t, alert("2026-12-27 23:59:59", "one", "false", nil), "the week before")
	require.False(t, alert("2027-01-11 00:00:00", "two", "false", nil), "the week after")

	r := b.Report("unpaid-at-door")
	require.Equal(t, quality.Tally{
		Fired: 6, Acknowledged: 4, Cleared: 2, Open: 1, Genuine: 2, False: 1, Unclear: 1, NoOutcome: 1, Joined: 3,
		Reminded: 1, Reminders: 2, Escalated: 1, Faults: 1,
		Storms: 1, KeptBack: 40,
	}, counts(r.Told))
	require.Equal(t, quality.Tally{Fired: 1, Genuine: 1}, counts(r.Watched))
	require.InDeltaSlice(t, []float64{25, 51}, r.Told.Delays.Quantiles(0.5, 0.9), 1e-9) // of 10, 20, 30, 60: 20 + 0.5 · 10, 30 + 0.7 · 30

	require.Len(t, r.Weeks, 2)
	require.Equal(t, "2026-W53", r.Weeks[0].Week.String())
	require.Equal(t, quality.Tally{Fired: 3, Acknowledged: 3, Genuine: 1, False: 1, Unclear: 1}, counts(r.Weeks[0].Told))
	require.Equal(t, "2027-W01", r.Weeks[1].Week.String())
	require.Equal(t, quality.Tally{Fired: 3, Acknowledged: 1, Cleared: 2, Open: 1, Genuine: 1, NoOutcome: 1, Joined: 3,
		Reminded: 1, Reminders: 2, Escalated: 1, Faults: 1, Storms: 1, KeptBack: 40}, counts(r.Weeks[1].Told))
	require.Equal(t, quality.Tally{Fired: 1, Genuine: 1}, counts(r.Weeks[1].Watched))

	require.Len(t, r.Versions, 4, "the last version was watched, and failed while it was not")
	require.Equal(t, "one", r.Versions[0].Digest)
	require.Equal(t, quality.Tally{Fired: 2, Acknowledged: 2, Genuine: 1, False: 1}, counts(r.Versions[0].Tally))
	require.Equal(t, at(t, zone, "2026-12-28 00:00:00").UnixMilli(), r.Versions[0].First)
	require.Equal(t, at(t, zone, "2026-12-31 23:59:59").UnixMilli(), r.Versions[0].Last)
	require.Equal(t, "two", r.Versions[1].Digest)
	require.Equal(t, quality.Tally{Fired: 4, Acknowledged: 2, Cleared: 2, Open: 1, Genuine: 1, Unclear: 1, NoOutcome: 1,
		Joined: 3, Reminded: 1, Reminders: 2, Escalated: 1, Storms: 1, KeptBack: 40}, counts(r.Versions[1].Tally))
	require.True(t, r.Versions[2].Watch)
	require.Equal(t, quality.Tally{Faults: 1}, counts(r.Versions[3].Tally))
}

// counts returns the tally without its delays, to compare.
func counts(t quality.Tally) quality.Tally {
	t.Delays = quality.Delays{}
	return t
}

func drawAlert(t *rapid.T) *quality.Alert {
	opened := rapid.Int64Range(1_766_000_000_000, 1_800_500_000_000).Draw(t, "opened") // December 2025 to January 2027
	a := &quality.Alert{
		Rule:   rapid.SampledFrom([]string{"unpaid-at-door", "below-minimum", "in-the-shelf"}).Draw(t, "rule"),
		Digest: rapid.SampledFrom([]string{"one", "two"}).Draw(t, "digest"),
		Watch:  rapid.Bool().Draw(t, "watch"), Fault: rapid.IntRange(0, 9).Draw(t, "fault") == 0, Opened: opened,
		Outcome: rapid.SampledFrom([]string{"", "", quality.Genuine, quality.False, quality.Unclear}).Draw(t, "outcome"),
		Joined:  rapid.IntRange(0, 3).Draw(t, "joined"), Storm: rapid.IntRange(0, 9).Draw(t, "storm") == 0,
		Reminders: rapid.IntRange(0, 3).Draw(t, "reminders"), Escalated: rapid.Bool().Draw(t, "escalated"),
	}
	if rapid.Bool().Draw(t, "acknowledged") {
		a.Acknowledged = opened + rapid.Int64Range(0, 1e8).Draw(t, "after")
	}
	if rapid.Bool().Draw(t, "cleared") {
		a.Cleared = opened + 1
	}
	a.Ended = a.Cleared != 0 || a.Outcome != ""
	return a
}

// The weeks add up to the whole, so do the versions, and the whole is what a count without any
// weeks finds. Where the alerts are cut into books does not matter.
func TestPartsAddUpToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		span := quality.Span{Last: quality.WeekOf(time.Date(2027, 1, rapid.IntRange(1, 14).Draw(t, "day"), 12, 0, 0, 0,
			loc)), Weeks: rapid.IntRange(1, 60).Draw(t, "weeks")}
		alerts := rapid.SliceOfN(rapid.Custom(drawAlert), 0, 60).Draw(t, "alerts")
		cut := rapid.IntRange(0, len(alerts)).Draw(t, "cut")
		b, rest := quality.NewBook(span), quality.NewBook(span)
		first, _ := span.First().Days()
		_, last := span.Last.Days()
		want := map[string]*quality.Sides{}
		for i, a := range alerts {
			to := b
			if i >= cut {
				to = rest
			}
			day := time.UnixMilli(a.Opened).In(loc).Format(time.DateOnly)
			within := first <= day && day <= last
			require.Equal(t, within, to.Add(a, loc), "%s", day)
			if !within {
				continue
			}
			if want[a.Rule] == nil {
				want[a.Rule] = new(quality.Sides)
			}
			if a.Watch {
				want[a.Rule].Watched.Add(a)
			} else {
				want[a.Rule].Told.Add(a)
			}
		}
		b.Merge(rest)
		list := b.Noisiest("never-fired", "below-minimum")
		for i, s := range list {
			if i > 0 {
				require.GreaterOrEqual(t, list[i-1].Told.Fired, s.Told.Fired)
			}
			r := b.Report(s.Rule)
			if want[s.Rule] == nil {
				require.False(t, b.Has(s.Rule))
				want[s.Rule] = new(quality.Sides)
			}
			require.Equal(t, *want[s.Rule], r.Sides)
			require.Equal(t, s.Sides, r.Sides)
			require.Len(t, r.Weeks, span.Weeks)
			var weeks, versions quality.Sides
			for k := range r.Weeks {
				weeks.Told.Merge(&r.Weeks[k].Told)
				weeks.Watched.Merge(&r.Weeks[k].Watched)
			}
			for k := range r.Versions {
				v := &r.Versions[k]
				require.LessOrEqual(t, v.First, v.Last)
				if v.Watch {
					versions.Watched.Merge(&v.Tally)
				} else {
					versions.Told.Merge(&v.Tally)
				}
			}
			require.Equal(t, r.Sides, weeks)
			require.Equal(t, r.Sides, versions)
			for _, x := range []quality.Tally{r.Told, r.Watched} {
				require.Equal(t, x.Fired, x.Open+x.Genuine+x.False+x.Unclear+x.NoOutcome)
				require.LessOrEqual(t, x.Acknowledged, x.Fired)
				require.LessOrEqual(t, x.NoOutcome, x.Cleared)
				require.Equal(t, x.Acknowledged, x.Delays.Len())
			}
		}
		names := map[string]bool{}
		for _, s := range list {
			require.False(t, names[s.Rule])
			names[s.Rule] = true
		}
		require.True(t, names["never-fired"] && names["below-minimum"])
		require.Len(t, list, len(names))
	})
}

func ExampleBook() {
	b := quality.NewBook(quality.Span{Last: quality.Week{Year: 2026, Week: 53}, Weeks: 12})
	opened := time.Date(2026, 12, 30, 17, 40, 0, 0, time.UTC).UnixMilli()
	for i := range 23 {
		outcome := quality.Genuine
		switch {
		case i >= 20:
			outcome = quality.Unclear
		case i >= 17:
			outcome = quality.False
		}
		b.Add(&quality.Alert{Rule: "unpaid-at-door", Opened: opened, Ended: true, Outcome: outcome}, time.UTC)
	}
	r := b.Report("unpaid-at-door")
	fmt.Println(r.Told.Fired, "fired,", r.Told.Unclear, "unclear.", r.Told.Precision().Words())
	// Output: 23 fired, 3 unclear. Right 17 of 20 times: 85 %, by the 95 % interval 64 % to 95 %.
}

func BenchmarkAdd(b *testing.B) {
	loc, err := time.LoadLocation("Europe/London")
	require.NoError(b, err)
	span := quality.Span{Last: quality.Week{Year: 2026, Week: 48}, Weeks: 12}
	from, to := span.Around()
	alerts := make([]quality.Alert, 1000)
	for i := range alerts {
		opened := from + (to-from)*int64(i)/1000
		alerts[i] = quality.Alert{Rule: fmt.Sprintf("rule-%d", i%20), Digest: fmt.Sprint(i % 3), Opened: opened,
			Acknowledged: opened + int64(i)*977, Outcome: quality.Genuine, Ended: true}
	}
	book := quality.NewBook(span)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		book.Add(&alerts[i%1000], loc)
	}
}
