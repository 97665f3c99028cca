package ganttview

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// Zone is two hours ahead, so that a time in UTC by mistake is seen.
var (
	monday = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	ahead  = time.FixedZone("", 2*3600)
)

func at(minutes int) *timestamppb.Timestamp {
	return timestamppb.New(monday.Add(time.Duration(minutes) * time.Minute))
}

func run(device, job, step string, from, to, changeover int) *tandemv1.PlannedRun {
	r := &tandemv1.PlannedRun{Device: device, Job: job, Step: step, Operation: step, StartTime: at(from), EndTime: at(to)}
	if changeover > 0 {
		r.Changeover = durationpb.New(time.Duration(changeover) * time.Minute)
	}
	return r
}

func promised(minutes int, runs ...*tandemv1.PlannedRun) []*tandemv1.PlannedRun {
	for _, r := range runs {
		r.DueTime = at(minutes)
	}
	return runs
}

// small is a morning: one run that is under way, one job that ends 30 minutes late, a rack with two panels at once.
func small() Picture {
	running := run("printer-1", "harbour-decals", "print", -20, 45, 0)
	running.Fixed = true
	var runs []*tandemv1.PlannedRun
	runs = append(runs, promised(260, running, run("rack-1", "harbour-decals", "dry", 45, 105, 0), run("cutter-1", "harbour-decals", "cut", 110, 180, 8))...)
	runs = append(runs, promised(120, run("printer-2", "tide-tables", "print", 4, 50, 12), run("rack-1", "tide-tables", "dry", 50, 80, 0), run("cutter-2", "tide-tables", "cut", 82, 150, 5))...)
	runs = append(runs, run("printer-1", "cafe-door", "print", 45, 80, 10))
	return Picture{
		Title: "Plan of the floor", Zone: ahead,
		Charts: []Chart{{
			Title: "Harbour", Runs: runs, Now: monday,
			Devices:  []string{"printer-1", "printer-2", "rack-1", "laminator", "cutter-1", "cutter-2"},
			Attended: []*tandemv1.Attended{{StartTime: at(-30), EndTime: at(90), Operators: 2}, {StartTime: at(90), EndTime: at(150), Operators: 1}},
		}},
	}
}

// workshop plays jobs through printers, a rack, a laminator and cutters, first come first served: enough to look at.
func workshop(jobs, printers, cutters int, seed uint64) Chart {
	rng := rand.New(rand.NewPCG(seed, 1))
	free := map[string]int{}
	var runs []*tandemv1.PlannedRun
	soonest := func(kind string, n int) string {
		best := kind + "-1"
		for i := range n {
			if d := fmt.Sprintf("%s-%d", kind, i+1); free[d] < free[best] {
				best = d
			}
		}
		return best
	}
	do := func(device, job, step string, ready, work, change int) int {
		from := max(free[device], ready)
		free[device] = from + change + work
		runs = append(runs, run(device, job, step, from, free[device], change))
		return free[device]
	}
	names := []string{"harbour-decals", "tide-tables", "cafe-door", "fleet-stripes", "museum-labels", "van-sides", "kiosk", "fish-box-labels-spring", "quay-banner"}
	var devices []string
	for i := range printers {
		devices = append(devices, fmt.Sprintf("printer-%d", i+1))
	}
	devices = append(devices, "rack-east", "laminator-1")
	for i := range cutters {
		devices = append(devices, fmt.Sprintf("cutter-%d", i+1))
	}
	devices = append(devices, "bench-1")
	for i := range jobs {
		job := fmt.Sprintf("%s-%d", names[i%len(names)], i+1)
		first := len(runs)
		end := do(soonest("printer", printers), job, "print", 0, 15+rng.IntN(70), rng.IntN(3)*6)
		dry := 60 + rng.IntN(180)
		runs = append(runs, run("rack-east", job, "dry", end, end+dry, 0))
		end += dry
		if i%3 == 0 {
			end = do("laminator-1", job, "laminate", end, 10+rng.IntN(20), rng.IntN(2)*12)
		}
		end = do(soonest("cutter", cutters), job, "cut", end, 10+rng.IntN(60), rng.IntN(3)*4)
		if i%2 == 0 {
			end = do("bench-1", job, "pack", end, 5+rng.IntN(15), 0)
		}
		if i%4 != 3 {
			promised(end-60+rng.IntN(400), runs[first:]...)
		}
	}
	for _, r := range runs {
		r.Fixed = r.GetStartTime().AsTime().Equal(monday)
	}
	last := slices.MaxFunc(runs, func(a, b *tandemv1.PlannedRun) int { return a.GetEndTime().AsTime().Compare(b.GetEndTime().AsTime()) })
	var people []*tandemv1.Attended
	for d := 0; at(d * 1440).AsTime().Before(last.GetEndTime().AsTime()); d++ {
		people = append(people, &tandemv1.Attended{StartTime: at(d * 1440), EndTime: at(d*1440 + 480), Operators: 2}, &tandemv1.Attended{StartTime: at(d*1440 + 480), EndTime: at(d*1440 + 960), Operators: 1})
	}
	return Chart{Title: "Harbour", Runs: runs, Attended: people, Devices: devices, Now: monday.Add(20 * time.Minute)}
}
