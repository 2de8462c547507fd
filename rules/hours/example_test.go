package hours_test

import (
	"fmt"

	"lintel/rules/hours"
)

func ExampleParseWeek() {
	w, err := hours.ParseWeek("mon-fri 09:00-18:00, sat 22:00-02:00")
	fmt.Println(w.Contains(0, 90), err) // Sunday 01:30
	// Output: true <nil>
}
