package estimate_test

import (
	"encoding/json"
	"strings"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"

	"lintel/engine/estimate"
)

// curve makes one that met new tags at these seconds, and was read from every second until the end.
func curve(end int, at ...int) *estimate.Curve {
	c := estimate.NewCurve(0)
	for s := range end + 1 {
		c.Add(int64(s)*1000, 0, 5)
	}
	for _, s := range at {
		c.Add(int64(s)*1000, 1, 1)
	}
	return c
}

// What a count of a shelf at Umberhithe Books tells the person who does it.
func TestWords(t *testing.T) {
	passes := func(n int, met []int) estimate.Input {
		t := estimate.TallyOf(met...)
		return estimate.Input{Tally: t, Incidence: t, Passes: n, Expected: -1}
	}
	reads := func(met []int) estimate.Input { return estimate.Input{Tally: estimate.TallyOf(met...), Expected: -1} }
	with := func(in estimate.Input, f func(*estimate.Input)) estimate.Input { f(&in); return in }
	bursty := []int{}
	for s := range 100 {
		bursty = append(bursty, s, s, s)
	}
	for _, c := range []struct {
		name   string
		in     estimate.Input
		method estimate.Method
		reason estimate.Reason
		words  string
	}{
		{"three passes", passes(3, join(repeat(48, 1), repeat(192, 2), repeat(256, 3))), estimate.MethodChao2, estimate.Estimated,
			"At least 3 more tags are likely here (95 %: 1 to 12)."},
		{"expected", with(passes(3, join(repeat(48, 1), repeat(192, 2), repeat(256, 3))),
			func(in *estimate.Input) { in.Expected = 1510 }), estimate.MethodChao2, estimate.Estimated,
			"At least 3 more tags are likely here (95 %: 1 to 12); 496 tags found where 1,510 are expected."},
		{"passes that agree", passes(2, repeat(500, 2)), estimate.MethodChao2, estimate.Estimated,
			"The reads do not show that more tags are here, and do not rule it out (95 %: 0 to 1)."},
		{"repeats", reads(join(repeat(30, 1), repeat(35, 2), repeat(40, 3), repeat(80, 6))), estimate.MethodChao1, estimate.Estimated,
			"At least 12 more tags are likely here (95 %: 4 to 31)."},
		{"repeats, too soon", with(reads(join(repeat(30, 1), repeat(35, 2), repeat(40, 3), repeat(80, 6))),
			func(in *estimate.Input) { in.Curve = curve(100, bursty...) }),
			estimate.MethodChao1, estimate.Estimated, "At least 12 more tags are likely here (95 %: 4 to 31); " +
				"still 3 new tags a second: go on."},
		{"nothing", with(reads(nil), func(in *estimate.Input) { in.Expected = 1 }), estimate.MethodNone, estimate.NothingRead,
			"No tag has been read yet; 0 tags found where 1 is expected."},
		{"quiet session", reads(repeat(300, 1)), estimate.MethodNone, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread."},
		{"quiet session, going on", with(reads(repeat(300, 1)),
			func(in *estimate.Input) { in.Curve = curve(100, bursty...) }), estimate.MethodNewTagRate, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread; still 3 new tags a second: go on."},
		{"quiet session, slow", with(reads(repeat(300, 1)), func(in *estimate.Input) { in.Curve = curve(100, 85, 92) }),
			estimate.MethodNewTagRate, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread; still 2 new " +
				"tags in the last 20 s: go on."},
		{"quiet session, done", with(reads(repeat(300, 1)), func(in *estimate.Input) { in.Curve = curve(100, 60) }),
			estimate.MethodNewTagRate, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread; no new tag for 40 s."},
		{"just begun", with(reads(repeat(3, 1)), func(in *estimate.Input) { in.Curve = curve(9, 2) }),
			estimate.MethodNewTagRate, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread; still 1 new tag " +
				"in the last 10 s: go on."},
		{"reader silent", with(reads(repeat(300, 1)), func(in *estimate.Input) {
			in.Curve, in.At = curve(100, 60),
				400_000
		}), estimate.MethodNewTagRate, estimate.MetOnce,
			"Nearly every tag was heard at one moment only, so repeats cannot say how many are still unread; no read at all " +
				"for 20 s or more: look whether the reader is on, or go on elsewhere."},
		{"passes over different shelves", passes(2, join(repeat(190, 1), repeat(10, 2))), estimate.MethodNone, estimate.MetOnce,
			"Nearly every tag was read in one pass only, so the passes cannot say how many are still unread."},
		{"poor passes", passes(2, join(repeat(80, 1), repeat(10, 2))), estimate.MethodNone, estimate.LowCoverage,
			"Not enough data: the passes found too many different tags to say how many are still unread."},
		{"poor repeats", reads(join(repeat(75, 1), repeat(6, 2), repeat(1, 3), repeat(2, 4))), estimate.MethodNone, estimate.LowCoverage,
			"Not enough data: too many tags were heard at one moment only to say how many are still unread."},
		{"few tags", reads([]int{4, 7, 9, 3, 2, 5}), estimate.MethodNone, estimate.FewRare,
			"Not enough data: too few tags were read to say how many are still unread."},
		{"read often", reads(join(repeat(400, 12), repeat(1, 1), repeat(2, 2))), estimate.MethodNone, estimate.FewRare,
			"Not enough data for a number: all but 3 of the tags were read three times or more, and nothing points to many more."},
		{"always read", passes(4, repeat(400, 4)), estimate.MethodNone, estimate.FewRare,
			"Not enough data for a number: every tag was read three times or more, and nothing points to many more."},
		{"nonsense", estimate.Input{Tally: estimate.Tally{Reads: 4, Distinct: 9}}, estimate.MethodNone, estimate.Inconsistent,
			"The numbers of this count contradict each other, so nothing can be said about tags that were not read."},
		{"more passes than there were", passes(2, repeat(10, 3)), estimate.MethodNone, estimate.Inconsistent,
			"The numbers of this count contradict each other, so nothing can be said about tags that were not read."},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := estimate.Assess(c.in)
			checkAssessment(t, a)
			require.Equal(t, c.words, a.Words)
			require.Equal(t, c.method, a.Method)
			require.Equal(t, c.reason, a.Reason)
			require.Equal(t, a.Words+" "+estimate.Caution, a.String())
		})
	}
}

// Bursts look like thoroughness: two passes that hardly agree, in which every tag met was read a
// dozen times. The passes must have the word.
func TestPassesBeforeReads(t *testing.T) {
	in := estimate.Input{Tally: estimate.TallyOf(repeat(90, 12)...),
		Incidence: estimate.TallyOf(join(repeat(80, 1), repeat(10, 2))...), Passes: 2, Expected: -1}
	a := estimate.Assess(in)
	require.False(t, a.Usable)
	require.Equal(t, estimate.LowCoverage, a.Reason)
}

func TestTagsMetOutsideOfPassesAreNotUnseen(t *testing.T) {
	met := join(repeat(100, 1), repeat(100, 2), repeat(300, 3))
	in := estimate.Input{Tally: estimate.TallyOf(met...), Incidence: estimate.TallyOf(met...), Passes: 3, Expected: -1}
	before := estimate.Assess(in)
	in.Tally = estimate.TallyOf(join(met, repeat(10, 1))...)
	after := estimate.Assess(in)
	require.Equal(t, before.UnseenAtLeast-10, after.UnseenAtLeast)
	require.Equal(t, before.High-10, after.High)
	require.Equal(t, 510, after.Distinct)
}

// One and the same shelf with 0, 1, 2, ... tags met once: the upper end rises with them and does
// not jump.
func TestUpperEndRisesWithTagsMetOnce(t *testing.T) {
	last := 0
	for once := range 30 {
		a := estimate.Assess(estimate.Input{Tally: estimate.TallyOf(join(repeat(once, 1), repeat(5, 2), repeat(300, 9))...), Expected: -1})
		require.True(t, a.Usable)
		require.GreaterOrEqual(t, a.High, last, "%d once", once)
		last = a.High
	}
}

func TestCountTakesBurstsTogether(t *testing.T) {
	c := estimate.NewCount(10_000)
	var m estimate.Mark
	for ms := int64(10_000); ms < 40_000; ms += 50 { // half a minute in the beam, in view all the while
		m = c.See(m, ms)
	}
	require.Equal(t, 1, c.Sightings.Reads)
	m = c.See(m, 45_000) // back again
	m = c.See(m, 12_000) // a read that came late
	require.Equal(t, 2, c.Sightings.Reads)
	require.Equal(t, uint8(2), m.Sightings)
	require.Equal(t, 602, c.Curve.Reads)
	require.Equal(t, 1, c.Curve.New)

	c.EndPass()
	m = c.See(m, 50_000)
	require.Equal(t, 1, c.Ended.Reads, "the pass that goes on is left out")
	c.EndPass()
	require.Equal(t, estimate.TallyOf(2), c.Ended)
	require.Equal(t, uint8(2), m.Passes)
	require.EqualValues(t, 8, unsafe.Sizeof(m))
}

func TestCurve(t *testing.T) {
	c := estimate.NewCurve(1_000)
	require.Empty(t, c.Points())
	c.Add(1_500, 10, 20)
	c.Add(3_200, 4, 30)
	c.Add(0, 1, 1) // before the start: at the start
	require.Equal(t, []estimate.Point{
		{At: 2_000, Seconds: 1, New: 11, Reads: 21, Total: 11},
		{At: 3_000, Seconds: 1, Total: 11},
		{At: 3_201, Seconds: 0.201, New: 4, Reads: 30, Total: 15},
	}, c.Points())
	n, reads, over := c.Rate(3_200, 20)
	require.Equal(t, 3, over)
	require.InDelta(t, 5, n, 1e-9)
	require.InDelta(t, 17, reads, 1e-9)
	n, _, over = c.Rate(4_500, 2)
	require.Equal(t, 2, over)
	require.InDelta(t, 2, n, 1e-9)
	require.EqualValues(t, 7_800, c.Quiet(11_000))

	// A long count: bins double, nothing is lost, memory stays.
	for at := int64(10_000); at < 5*3600*1000; at += 500 {
		c.Add(at, 1, 2)
	}
	points := c.Points()
	require.LessOrEqual(t, len(points), estimate.CurveBins)
	require.Greater(t, len(points), estimate.CurveBins/2)
	require.Equal(t, c.New, points[len(points)-1].Total)
	require.EqualValues(t, 128_000, c.Width)
	n, _, over = c.Rate(5*3600*1000, 60)
	require.Equal(t, 60, over)
	require.InDelta(t, 2, n, 0.05)
	n, _, _ = c.Rate(6*3600*1000, 60)
	require.Zero(t, n)
	b, err := json.Marshal(c)
	require.NoError(t, err)
	require.Less(t, len(b), 16<<10)

	var zero estimate.Curve // made without NewCurve
	zero.Add(700, 0, 1)
	require.EqualValues(t, -1, zero.LastNew)
}

func TestTallyCheck(t *testing.T) {
	full := estimate.TallyOf(1, 2, 40)
	require.NoError(t, full.Check())
	for _, c := range []struct {
		change func(*estimate.Tally)
		says   string
	}{
		{func(t *estimate.Tally) { t.Freq[0] = -1 }, "-1 tags met 1 times"},
		{func(t *estimate.Tally) { t.Distinct = 5 }, "5 different tags, but the histogram holds 3"},
		{func(t *estimate.Tally) { t.Reads = 9 }, "9 reads, but the histogram makes at least 19"},
	} {
		bad := full
		c.change(&bad)
		require.ErrorContains(t, bad.Check(), c.says)
	}
	short := estimate.TallyOf(1, 2)
	short.Reads = 7
	require.ErrorContains(t, short.Check(), "no tag was met 16 times or more")
}

func TestReasonsAreClosed(t *testing.T) {
	seen := map[estimate.Reason]bool{}
	for _, r := range estimate.Reasons() {
		require.False(t, seen[r])
		seen[r] = true
		require.Equal(t, strings.ToLower(string(r)), string(r))
	}
	require.Len(t, seen, 6)
}
