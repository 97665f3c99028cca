package line_test

import (
	"fmt"

	"tandem/scheduler/simulate/line"
)

// How many cutters can one person tend? A run takes 12 minutes by itself, loading and starting the next one 2 minutes, both
// give or take. Up to four cutters lose little by sharing a person; with eight they lose a fifth of what they could do.
func Example() {
	for _, cutters := range []int{1, 2, 4, 6, 8} {
		r, err := line.Run(line.Line{
			Round: cutters,
			Stations: []line.Station{
				{Servers: cutters, Service: line.Erlang(4, 12)}, // cutting, all at once
				{Servers: 1, Service: line.Erlang(4, 2)},        // one person
			},
		}, line.Options{Seed: 1, Served: 200_000, WarmUp: 1000})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%d cutters: each cuts %2.0f %% of the time, the person has %2.0f %% to do\n", cutters, 100*r.Busy(0)/float64(cutters), 100*r.Busy(1))
	}
	// Output:
	// 1 cutters: each cuts 86 % of the time, the person has 14 % to do
	// 2 cutters: each cuts 85 % of the time, the person has 28 % to do
	// 4 cutters: each cuts 82 % of the time, the person has 54 % to do
	// 6 cutters: each cuts 77 % of the time, the person has 77 % to do
	// 8 cutters: each cuts 69 % of the time, the person has 92 % to do
}
