package estimate_test

import (
	"testing"

	"lintel/engine/estimate"
)

// One read of a count of 10,000 tags.
func BenchmarkSee(b *testing.B) {
	b.ReportAllocs()
	c := estimate.NewCount(0)
	marks := make([]estimate.Mark, 10_000)
	at := int64(0)
	for b.Loop() {
		at++
		tag := at * 7919 % int64(len(marks))
		marks[tag] = c.See(marks[tag], at)
	}
}

func BenchmarkAssess(b *testing.B) {
	b.ReportAllocs()
	in := estimate.Input{Tally: estimate.TallyOf(join(repeat(48, 1), repeat(192, 2), repeat(256, 3))...), Passes: 3,
		Expected: 500, Curve: curve(600, 10, 20, 30)}
	in.Incidence = in.Tally
	for b.Loop() {
		estimate.Assess(in)
	}
}

func BenchmarkPoints(b *testing.B) {
	b.ReportAllocs()
	c := curve(3600, 10, 20, 30)
	for b.Loop() {
		c.Points()
	}
}
