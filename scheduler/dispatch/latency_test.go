package dispatch_test

import (
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/simulate"
)

// plant is a floor of twenty devices with shifts, people, racks, changeovers and waits that may not be long.
func plant() *tandemv1.FloorFile {
	minutes := func(n int) *durationpb.Duration { return durationpb.New(time.Duration(n) * time.Minute) }
	file := &tandemv1.FloorFile{TimeZone: "Europe/Berlin", Shifts: []*tandemv1.Shift{
		{Id: "early", From: "06:00", To: "14:30", Operators: 4}, {Id: "late", From: "13:30", To: "22:00", Operators: 3},
	}}
	add := func(n int, id string, manual bool, capacity int32, a *tandemv1.Ability) {
		for i := range n {
			file.Devices = append(file.Devices, &tandemv1.Device{
				Id: fmt.Sprintf("%s-%d", id, i), Capacity: capacity, Driver: &tandemv1.Driver{Kind: "sim", Manual: manual},
				LoadedMedia: fmt.Sprintf("media-%d", i%4), Abilities: []*tandemv1.Ability{a},
			})
		}
	}
	unattended := &tandemv1.UnattendedStart{AllowedBy: "mira"}
	add(5, "printer", false, 1, &tandemv1.Ability{Operation: "print", Setup: minutes(4), PerPiece: durationpb.New(20 * time.Second), MediaChangeover: minutes(8), UnattendedStart: unattended})
	add(3, "plotter", false, 1, &tandemv1.Ability{Operation: "print", Setup: minutes(4), PerPiece: durationpb.New(30 * time.Second), MediaChangeover: minutes(5)})
	add(2, "rack", true, 6, &tandemv1.Ability{Operation: "dry", UnattendedStart: unattended})
	add(2, "laminator", false, 1, &tandemv1.Ability{Operation: "laminate", Setup: minutes(5), PerPiece: durationpb.New(5 * time.Second), Attendance: tandemv1.Attendance_ATTENDANCE_WHOLE})
	add(4, "cutter", false, 1, &tandemv1.Ability{Operation: "cut", Setup: minutes(3), PerPiece: durationpb.New(15 * time.Second), ModeChangeover: minutes(4), Unload: minutes(2)})
	add(4, "bench", true, 1, &tandemv1.Ability{Operation: "weed", PerPiece: durationpb.New(10 * time.Second)})
	return file
}

func plantJob(n int, now time.Time) *tandemv1.Job {
	return &tandemv1.Job{
		Id: fmt.Sprintf("job-%d", n), Pieces: int32(20 + n*7919%160), Priority: int32(1 + n*31%100),
		DueTime: timestamppb.New(now.Add(time.Duration(60+n*104729%5760) * time.Minute)),
		Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", Media: fmt.Sprintf("media-%d", n*613%4)},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Duration(1+n%6) * time.Hour)},
			{Id: "laminate", Operation: "laminate", After: []string{"dry"}, MaxWait: durationpb.New(24 * time.Hour)},
			{Id: "cut", Operation: "cut", After: []string{"laminate"}, Mode: []string{"kiss", "through"}[n%2], MinWait: durationpb.New(10 * time.Minute)},
			{Id: "weed", Operation: "weed", After: []string{"cut"}},
		},
	}
}

// decisions plays a floor and times each decision.
type decisions struct {
	b        *testing.B
	floor    *floor.Floor
	dispatch *dispatch.Dispatch
	now      time.Time
	jobs     int
	took     []time.Duration
}

func (d *decisions) do(c floor.Command) {
	made, err := d.floor.Decide(d.now, floor.Meta{Actor: "bench"}, c)
	if err != nil {
		d.b.Fatalf("%T: %v", c, err)
	}
	for _, e := range made.Events {
		d.floor.Apply(d.floor.Revision+1, d.now, e)
	}
}

func (d *decisions) submit() {
	d.jobs++
	d.do(floor.CreateJob{Job: plantJob(d.jobs, d.now)})
}

// decide asks until there is nothing more to grant. Runs that somebody has to start are started at once.
func (d *decisions) decide() {
	for {
		began := time.Now()
		g, ok := d.dispatch.Next(d.floor, d.now)
		d.took = append(d.took, time.Since(began))
		if !ok {
			return
		}
		d.do(g)
		r := g.Step.Live
		if r.NeedsLoad() {
			d.do(floor.LoadMedia{Device: r.Device.ID, Media: r.Step.Supply()})
		}
		if r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart {
			d.do(floor.StartRun{Run: r.ID})
		}
	}
}

// pass lets time pass until something ends or a decision is due.
func (d *decisions) pass() {
	next := d.dispatch.Wake()
	var ends *floor.Run
	for _, dev := range d.floor.Devices {
		for _, r := range dev.Live {
			if end := r.PlannedEnd(d.now); next.IsZero() || end.Before(next) {
				next, ends = end, r
			}
		}
	}
	if next.After(d.now) {
		d.now = next
	}
	if ends == nil {
		return
	}
	if ends.Device.Manual() {
		d.do(floor.FinishRun{Run: ends.ID})
		return
	}
	d.do(floor.Report{Device: ends.Device.ID, Status: &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
		Runs: []*driverv1.RunStatus{{Run: ends.ID, Fence: ends.Fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, StartTime: timestamppb.New(ends.Grant), PiecesGood: ends.Pieces}},
	}})
}

// BenchmarkDecision tells how long one decision takes while two hundred steps wait for twenty devices with shifts, people,
// racks and waits, and another goroutine is busy with simulations, as a search would be. The bar is 10 ms for 99 of 100.
func BenchmarkDecision(b *testing.B) {
	begin := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	d := &decisions{b: b, floor: floor.New(), dispatch: dispatch.New(dispatch.EarliestCompletion), now: begin}
	file := plant()
	d.do(floor.BeginTerm{})
	d.do(floor.Configure{File: file})
	for _, dev := range d.floor.Devices {
		d.do(floor.Greet{Device: dev.ID, Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}})
	}
	var enough atomic.Bool
	searched := make(chan int)
	go func() {
		n := 0
		for ; !enough.Load(); n++ {
			var arrivals []simulate.Arrival
			for i := range 40 {
				arrivals = append(arrivals, simulate.Arrival{At: begin, Job: plantJob(i, begin)})
			}
			if _, err := simulate.Run(plant(), arrivals, simulate.Options{Start: begin}); err != nil {
				b.Error(err)
			}
		}
		searched <- n
	}()
	for b.Loop() {
		for d.dispatch.Waiting() < 200 {
			d.submit()
			d.decide()
		}
		d.pass()
		d.decide()
	}
	enough.Store(true)
	b.ReportMetric(float64(<-searched), "searches")
	slices.Sort(d.took)
	at := func(share float64) float64 {
		return float64(d.took[min(int(share*float64(len(d.took))), len(d.took)-1)].Microseconds())
	}
	b.ReportMetric(at(0.5), "p50-us")
	b.ReportMetric(at(0.99), "p99-us")
	b.ReportMetric(at(1), "max-us")
	b.ReportMetric(float64(len(d.took)), "decisions")
}
