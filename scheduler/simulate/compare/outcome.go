package compare

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
)

// byFlow says what the floors are judged by first: the time that a job takes from hand-in to end, if jobs come while others
// are worked on, or the time until the last one ends, if they are there at the beginning.
func (c *Comparison) byFlow() bool {
	if c.mix != nil {
		return true
	}
	first := c.floors[0].plays[0]
	return first.lastCame > first.makespan/2
}

func (c *Comparison) measure() func(*play) float64 {
	if c.byFlow() {
		return flowTime
	}
	return makespan
}

// Outcome returns the comparison once Next has nothing more to do.
func (c *Comparison) Outcome() *tandemv1.Comparison {
	out := &tandemv1.Comparison{}
	var backs []back
	for i, f := range c.floors {
		o := c.outcome(f)
		b := c.back(i)
		if i > 0 && b.reckoned {
			o.PayBack = b.message()
		}
		backs = append(backs, b)
		out.Floors = append(out.Floors, o)
	}
	out.Conclusion = c.conclusion(out.GetFloors(), backs)
	out.Notes = c.notes()
	return out
}

func (c *Comparison) outcome(f *contestant) *tandemv1.FloorOutcome {
	first := c.floors[0]
	o := &tandemv1.FloorOutcome{
		Name: f.name, Makespan: over(f.plays, makespan), PiecesPerHour: over(f.plays, piecesPerHour), AreaPerHour: over(f.plays, areaPerHour),
		FlowTime: over(f.plays, flowTime), WeightedTardiness: over(f.plays, lateness), LateShare: ofOne(over(f.plays, lateShare)),
		OperatorLoad: ofOne(over(f.plays, load)), OperatorHours: over(f.plays, workHours), Unfinished: over(f.plays, unfinished).GetMean(),
		Bottleneck: c.bottleneck(f).words(c, f), Example: f.plays[0].example,
	}
	for _, m := range []func(*play) float64{makespan, flowTime, lateness} {
		o.Differences = append(o.Differences, paired(first.plays, f.plays, m))
	}
	for i, d := range f.plays[0].devices {
		o.Devices = append(o.Devices, f.device(d.ID, i))
	}
	if end := c.start.Add(time.Duration(f.plays[0].makespan * float64(time.Second))); f.people.Limited() {
		for _, w := range f.people.Windows(c.start, end) {
			o.Attended = append(o.Attended, &tandemv1.Attended{StartTime: timestamppb.New(w.From), EndTime: timestamppb.New(w.To), Operators: operators(w)})
		}
	}
	return o
}

func operators(w calendar.Window) int32 {
	if w.Operators == calendar.Unlimited {
		return 0
	}
	return int32(w.Operators)
}

// device returns what a device did, over all replications: what it spent on each thing by what it spent in all.
func (f *contestant) device(id string, at int) *tandemv1.DeviceOutcome {
	o := &tandemv1.DeviceOutcome{Device: id}
	total := 0.0
	for _, p := range f.plays {
		d := p.devices[at]
		o.Busy += d.Spent.Busy.Seconds()
		o.Changeover += d.Spent.Changeover.Seconds()
		o.Starved += d.Spent.Starved.Seconds()
		o.Blocked += d.Spent.Blocked.Seconds()
		o.Closed += d.Spent.Closed.Seconds()
		o.Runs += float64(d.Runs) / float64(len(f.plays))
		total += d.Spent.Total().Seconds()
	}
	for _, v := range []*float64{&o.Busy, &o.Changeover, &o.Starved, &o.Blocked, &o.Closed} {
		*v = share(*v, total)
	}
	return o
}
