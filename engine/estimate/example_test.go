package estimate_test

import (
	"fmt"

	"lintel/engine/estimate"
)

// Two rounds over shelf A at Umberhithe Books. Of its 120 tagged books the first round meets 100, the
// second 99, and both meet 85.
func ExampleAssess() {
	c := estimate.NewCount(0)
	marks := map[int]estimate.Mark{}
	at := int64(0)
	read := func(from, to int) {
		for book := from; book < to; book++ {
			at += 100
			marks[book] = c.See(marks[book], at)
		}
		c.EndPass()
	}
	read(0, 100)
	read(15, 114)

	a := estimate.Assess(c.Input(120, at+25_000))
	fmt.Println(a.Words)
	fmt.Println(a.Method, a.Distinct, a.UnseenAtLeast)
	// Output:
	// At least 2 more tags are likely here (95 %: 0 to 9); 114 tags found where 120 are expected.
	// chao2 114 2
}

// How sure is "95 of 100 tags read"?
func ExampleWilson() {
	i := estimate.Wilson(95, 100)
	fmt.Printf("%.3f to %.3f\n", i.Low, i.High)
	// Output: 0.888 to 0.978
}

// Two passes by two people, without a tally.
func ExampleChapman() {
	e := estimate.Chapman(470, 475, 450)
	fmt.Printf("%d seen, %.1f ± %.1f there\n", e.Seen, e.Total, e.SD())
	// Output: 495 seen, 496.1 ± 1.1 there
}
