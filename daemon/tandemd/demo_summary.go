package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/simulate"
	"tandem/scheduler/ticket"
)

// sumUp prints each job's way, each device's busy share, pieces per hour, and the comparison with the combined device.
func (d *demo) sumUp(ctx context.Context) error {
	list, err := d.client.jobs.ListJobs(ctx, &tandemv1.ListJobsRequest{PageSize: 1000})
	if err != nil {
		return err
	}
	busy := map[string]time.Duration{}
	runs := map[string]int{}
	var first, last time.Time
	var pieces int32
	late := 0
	fmt.Fprintf(d.out, "\nWAYS OF THE JOBS\n")
	for _, j := range list.GetJobs() {
		fmt.Fprintf(d.out, "%-18s %-9s %s\n", j.GetId(), floor.Keyword(j.GetState()), d.dueText(j))
		if j.GetDueTime() != nil && j.GetEndTime().AsTime().After(j.GetDueTime().AsTime()) {
			late++
		}
		for _, s := range j.GetSteps() {
			for _, r := range s.GetRuns() {
				if r.GetStartTime() == nil || r.GetEndTime() == nil {
					continue
				}
				start, end := r.GetStartTime().AsTime(), r.GetEndTime().AsTime()
				fmt.Fprintf(d.out, "    %-14s on %-14s %s - %s  %7s  %d good\n", s.GetId(), r.GetDevice(), d.stamp(start), d.stamp(end), short(end.Sub(start)), r.GetPiecesGood())
				busy[r.GetDevice()] += end.Sub(start)
				runs[r.GetDevice()]++
				if first.IsZero() || start.Before(first) {
					first = start
				}
				if end.After(last) {
					last = end
				}
			}
		}
		if j.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
			for _, p := range j.GetPanels() {
				pieces += p.GetPiecesGood()
			}
		}
	}
	span := last.Sub(first)
	fmt.Fprintf(d.out, "\nDEVICES over %s\n", short(span))
	for _, dev := range d.file.GetDevices() {
		share := float64(busy[dev.GetId()]) / float64(span) / float64(max(dev.GetCapacity(), 1))
		fmt.Fprintf(d.out, "    %-14s busy %5.1f %%  %-20s %3d runs\n", dev.GetId(), 100*share, strings.Repeat("#", int(20*share+0.5)), runs[dev.GetId()])
	}
	lots, err := d.client.material.ListLots(ctx, &tandemv1.ListLotsRequest{PageSize: 1000, IncludeEmpty: true})
	if err != nil {
		return err
	}
	fmt.Fprintf(d.out, "\nROLLS\n")
	for _, l := range lots.GetLots() {
		fmt.Fprintf(d.out, "    %-8s %-18s %5.1f m used, %5.1f m left  %s\n", l.GetId(), l.GetMedia(),
			float64(l.GetLengthUm()-l.GetRemainingUm())/1e6, float64(l.GetRemainingUm())/1e6, l.GetDevice())
	}
	fmt.Fprintf(d.out, "\n%d jobs, %d pieces in %s: %.1f pieces an hour; %d of %d jobs late\n", len(list.GetJobs()), pieces, short(span), float64(pieces)/span.Hours(), late, len(list.GetJobs()))
	return d.compare()
}

// compare plays the same tickets by forward simulation on this floor, and on this floor with print and cut left to the
// combined device alone. Both sides run the same code under the same assumptions, so that only the floor differs.
func (d *demo) compare() error {
	combined := simulate.CombinedOnly(d.file)
	if combined == nil {
		return nil
	}
	play := func(file *tandemv1.FloorFile, tickets []int) (*simulate.Result, error) {
		start := d.start
		var arrivals []simulate.Arrival
		for _, i := range tickets {
			j := proto.CloneOf(d.jobs[i])
			setDue(j, start)
			arrivals = append(arrivals, simulate.Arrival{At: start, Job: j, CutFiles: d.cuts[i]})
		}
		return simulate.Run(file, arrivals, simulate.Options{Start: start, Rule: dispatch.EarliestCompletion, Reaction: reaction})
	}
	// What the combined device cannot do at all would make the comparison unfair: leave it out on both sides.
	var tried, both []int
	var without []string
	for i, j := range d.jobs {
		if _, err := ticket.Make(combined, j, d.cuts[i]); err == nil || len(j.GetItems()) == 0 {
			tried = append(tried, i)
		} else {
			without = append(without, j.GetId())
		}
	}
	alone, err := play(combined, tried)
	if err != nil {
		return err
	}
	for k, j := range alone.Jobs {
		if j.Completed {
			both = append(both, tried[k])
		} else {
			without = append(without, j.ID)
		}
	}
	if alone, err = play(combined, both); err != nil {
		return err
	}
	side, err := play(d.file, both)
	if err != nil {
		return err
	}
	fmt.Fprintf(d.out, "\nSIDE BY SIDE OR COMBINED ONLY (forward simulation of the same %d tickets, same people, same rule)\n", len(both))
	line := func(name string, r *simulate.Result) {
		fmt.Fprintf(d.out, "    %-34s all done after %8s   mean time to finish %8s\n", name, short(r.Makespan()), short(meanFlow(r)))
	}
	line("this floor", side)
	line("print and cut on the combined only", alone)
	fmt.Fprintf(d.out, "    combined only takes %.2f times as long, and a job waits %.2f times as long on average\n",
		float64(alone.Makespan())/float64(side.Makespan()), float64(meanFlow(alone))/float64(meanFlow(side)))
	if len(without) > 0 {
		fmt.Fprintf(d.out, "    not comparable, the combined device cannot make them: %s\n", strings.Join(without, ", "))
	}
	return nil
}

func meanFlow(r *simulate.Result) time.Duration {
	if len(r.Jobs) == 0 {
		return 0
	}
	var sum time.Duration
	for _, j := range r.Jobs {
		sum += j.End.Sub(j.Create)
	}
	return sum / time.Duration(len(r.Jobs))
}

func (d *demo) dueText(j *tandemv1.Job) string {
	if j.GetDueTime() == nil {
		return "no due time"
	}
	slack := j.GetDueTime().AsTime().Sub(j.GetEndTime().AsTime())
	if slack < 0 {
		return fmt.Sprintf("LATE by %s (due %s)", short(-slack), d.stamp(j.GetDueTime().AsTime()))
	}
	return fmt.Sprintf("in time, %s before it was due", short(slack))
}

// stamp writes a time by the shop's clock.
func (d *demo) stamp(t time.Time) string { return t.In(d.start.Location()).Format("Mon 15:04") }

// short writes a duration to the minute, or to the second below a minute.
func short(d time.Duration) string {
	if d < time.Minute {
		return d.Round(time.Second).String()
	}
	d = d.Round(time.Minute)
	if h := d / time.Hour; h > 0 {
		return fmt.Sprintf("%dh%02dm", h, (d%time.Hour)/time.Minute)
	}
	return fmt.Sprintf("%dm", d/time.Minute)
}
