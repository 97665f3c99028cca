package learn_test

import (
	"fmt"
	"time"

	"tandem/scheduler/learn"
)

// A printer is taken for faster than it is.
func Example() {
	m := learn.New(nil)
	k := learn.Key{Device: "printer-1", Operation: "print", Mode: "fine"}
	show := func() {
		e := m.Estimate(k, 30*time.Minute)
		fmt.Printf("%v, in 9 of 10 cases %v to %v: %v\n",
			e.P50.Round(time.Minute), e.Low.Round(time.Minute), e.High.Round(time.Minute), e.Basis)
	}
	show()
	for i := range 12 {
		run := learn.Observation{Predicted: 20 * time.Minute, Actual: time.Duration(23+i%3) * time.Minute, Done: 1}
		if i == 7 {
			run.Actual += 45 * time.Minute // the roll ran out,
			run.Stopped = 45 * time.Minute // and the printer said so
		}
		if err := m.Observe(k, run); err != nil {
			fmt.Println(err)
		}
	}
	show()
	// Output:
	// 30m0s, in 9 of 10 cases 10m0s to 1h31m0s: no run yet, leaning on what is assumed of the operation
	// 36m0s, in 9 of 10 cases 29m0s to 45m0s: 12 runs, leaning on what is assumed of the operation
}
