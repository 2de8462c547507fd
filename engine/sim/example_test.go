package sim_test

import (
	"fmt"
	"time"

	"lintel/engine/sim"
)

// Half an hour without radio: only what the tills tell, and what happened.
func ExampleNew() {
	c := sim.Demo(7, sim.DayStart.Add(time.Hour), 30*time.Minute)
	c.Radio.Off = true
	s, err := sim.New(c)
	if err != nil {
		fmt.Println(err)
		return
	}
	told := map[string]int{}
	for {
		step, ok := s.Next()
		if !ok {
			break
		}
		for _, e := range step.Events {
			told[e.Type.String()] += len(e.EPCs)
		}
	}
	fmt.Println(told["received"], "items came in")
	fmt.Println(len(s.Truth().UnpaidExits()), "items left unpaid")
	// Output:
	// 80 items came in
	// 4 items left unpaid
}
