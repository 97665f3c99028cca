package simulate

import (
	"fmt"
	"math"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/chance"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

// The floor and the dispatcher that run live, as queues whose mean stay is known: exponential gaps and durations with means in
// minutes (values and sources as in package line, which plays the same with many more customers).
func TestKnownQueues(t *testing.T) {
	const minute = float64(time.Minute)
	for _, tt := range []struct {
		name       string
		devices    []*tandemv1.Device
		gap        float64
		operations []string
		means      []float64
		want       float64
	}{
		{"M/M/1, load 0.5", []*tandemv1.Device{station("printer-1", "print")}, 2, []string{"print"}, []float64{1}, 2.0000},
		{"M/M/2, load 1", []*tandemv1.Device{station("printer-1", "print"), station("printer-2", "print")}, 1, []string{"print"}, []float64{1}, 1.3333},
		{
			"two printers, then one cutter",
			[]*tandemv1.Device{station("printer-1", "print"), station("printer-2", "print"), station("cutter-1", "cut")},
			1 / 1.5,
			[]string{"print", "cut"},
			[]float64{1, 0.5},
			4.2857,
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			replications, customers := 16, 3000
			if testing.Short() || raced {
				replications, customers = 8, 800
			}
			var sum, squares float64
			for seed := range replications {
				luck := chance.Of(uint64(seed)).Word(tt.name)
				gaps := luck.Word("gaps").Stream()
				var means []time.Duration
				for _, m := range tt.means {
					means = append(means, time.Duration(m*minute))
				}
				var arrivals []Arrival
				at := opening
				for i := range customers {
					at = at.Add(time.Duration(gaps.Exponential(tt.gap * minute)))
					arrivals = append(arrivals, Arrival{At: at, Job: chain(fmt.Sprintf("job-%d", i), tt.operations, means...)})
				}
				served, stay := 0, time.Duration(0)
				_, err := Run(floorOf(tt.devices...), arrivals, Options{
					Rule: dispatch.FirstFree, Start: opening,
					Duration: func(r *floor.Run) time.Duration {
						mean := float64(r.Step.Spec.GetDuration().AsDuration())
						return time.Duration(luck.Word(r.Step.Job.ID).Word(r.Step.ID()).Stream().Exponential(mean))
					},
					Ended: func(j *floor.Job) {
						served++
						stay += j.End.Sub(j.Create)
					},
				})
				if err != nil || served != customers {
					t.Fatalf("%d of %d have left: %v", served, customers, err)
				}
				x := float64(stay) / minute / float64(customers)
				sum += x
				squares += x * x
			}
			n := float64(replications)
			mean := sum / n
			se := math.Sqrt((squares - sum*mean) / (n - 1) / n)
			if math.Abs(mean-tt.want) > 4*se || se > 0.05*tt.want {
				t.Errorf("the mean stay is %.4f with a standard error of %.4f, want %.4f", mean, se, tt.want)
			}
		})
	}
}

// What devices spend adds up to their places times the time from the opening to the last end, and what they worked is what
// their runs took.
func TestSpentAddsUp(t *testing.T) {
	file := twentyDevices()
	shifts := file.GetShifts()
	file.Shifts = nil
	for _, reaction := range []time.Duration{0, 7 * time.Minute} {
		r, err := Run(file, workOf(5), Options{Start: opening, Reaction: reaction, Duration: func(r *floor.Run) time.Duration {
			return time.Duration(float64(r.Expected) * (0.5 + chance.Of(1).Word(r.ID).Uniform()))
		}})
		if err != nil {
			t.Fatal(err)
		}
		waited := time.Duration(0)
		for _, d := range r.Devices {
			if got, want := d.Spent.Total(), time.Duration(d.Capacity)*r.Makespan(); got != want {
				t.Errorf("%s spent %v, want %v: %+v", d.ID, got, want, d.Spent)
			}
			if d.Spent.Busy+d.Spent.Changeover != d.Busy {
				t.Errorf("%s worked %v and %v, its runs took %v", d.ID, d.Spent.Busy, d.Spent.Changeover, d.Busy)
			}
			waited += d.Spent.Blocked
		}
		var least, most time.Duration // a print that needs other media waits for a person like all others
		for _, j := range r.Jobs {
			for _, l := range j.Legs {
				switch l.Step {
				case "dry":
				case "print":
					most += reaction
				default:
					least += reaction
				}
			}
		}
		most += least
		if waited > most || waited < least*9/10 { // what stays loaded on a combined device need not be started
			t.Errorf("devices waited %v for people, want %v to %v", waited, least, most)
		}
	}

	file.Shifts = shifts
	r, err := Run(file, workOf(5), Options{Start: opening, Reaction: 2 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range r.Devices {
		if got, want := d.Spent.Total(), time.Duration(d.Capacity)*r.Makespan(); got != want {
			t.Errorf("with shifts %s spent %v, want %v: %+v", d.ID, got, want, d.Spent)
		}
		if most := time.Duration(d.Capacity) * (r.Makespan() - r.Open); d.Spent.Closed > most || (d.Runs > 0 && d.ID != "rack-1" && d.Spent.Closed < most/2) {
			t.Errorf("%s found nobody for %v of the %v in which nobody was there", d.ID, d.Spent.Closed, most)
		}
	}
	if want := 8 * r.Open; r.Present != want || r.OperatorBusy <= 0 || r.OperatorBusy > r.Present {
		t.Errorf("eight operators were there for %v, all together %v, and worked %v", r.Open, r.Present, r.OperatorBusy)
	}
}
